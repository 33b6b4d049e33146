package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"reflect"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/bench"
)

// show prints v as JSON, or the text.
func (c *call) show(v any, format string, args ...any) error {
	if !c.json {
		_, err := fmt.Fprintf(c.out, format, args...)
		return err
	}
	if r := reflect.ValueOf(v); r.Kind() == reflect.Slice && r.IsNil() {
		v = []int{} // an empty list, not null
	}
	e := json.NewEncoder(c.out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// want holds the number of words to what the verb takes; most < 0 is no limit.
func (c *call) want(least, most int) error {
	if len(c.args) < least {
		return &Usage{Says: c.verb.name + ": too few words", Hint: "usage: tapledger " + c.verb.name + " " + c.verb.args}
	}
	if most >= 0 && len(c.args) > most {
		return &Usage{Says: fmt.Sprintf("%s: %q is one word too many", c.verb.name, c.args[most]), Hint: "usage: tapledger " + c.verb.name + " " + c.verb.args}
	}
	return nil
}

// bench opens the bench, once.
func (c *call) bench() (*bench.Bench, error) {
	if c.opened != nil {
		return c.opened, nil
	}
	from := c.dir
	if from == "" {
		from = "."
	}
	dir, err := bench.Find(from)
	if err != nil {
		return nil, err
	}
	c.opened, err = bench.Open(dir, bench.Options{By: c.by, Sure: c.sure})
	return c.opened, err
}

// run opens the bench and finds the run that the first word names.
func (c *call) run() (*bench.Bench, string, error) {
	b, err := c.bench()
	if err != nil {
		return nil, "", err
	}
	id, err := b.Run(c.args[0])
	return b, id, err
}

// onRun does what a verb does that takes a run and nothing else: f writes one
// record, which is the last of the state that it gives, and it is printed.
func (c *call) onRun(f func(b *bench.Bench, run string) (*runner.State, error)) error {
	if err := c.want(1, 1); err != nil {
		return err
	}
	b, run, err := c.run()
	if err != nil {
		return err
	}
	st, err := f(b, run)
	if err != nil {
		return err
	}
	return c.wrote(b, st, st.Records[len(st.Records)-1])
}

// wrote is what a verb that writes one record prints.
type wrote struct {
	Run       string            `json:"run"`
	Seq       int64             `json:"seq"`
	Kind      string            `json:"kind"`
	Record    string            `json:"record"`
	Decisions []runner.Decision `json:"decisions"`
	Phase     string            `json:"phase"`
	Blocked   []runner.Block    `json:"blocked,omitempty"`
	Recovered []string          `json:"recovered,omitempty"`
}

// wrote prints records that were just written, what they decided and what the
// run waits for now.
func (c *call) wrote(b *bench.Bench, st *runner.State, recs ...audit.Record) error {
	var list []wrote
	var s strings.Builder
	for _, r := range recs {
		w := wrote{Run: r.Run, Seq: r.Seq, Kind: r.Kind, Phase: st.Phase, Decisions: []runner.Decision{}, Recovered: b.Recovered}
		if data, err := r.Bytes(); err == nil {
			w.Record = audit.Hash(data)
		}
		s.WriteString("record " + runner.Subject(r) + "\n")
		for _, d := range st.History {
			if d.Seq == r.Seq {
				w.Decisions = append(w.Decisions, d.Decision)
				s.WriteString("  " + decisionText(st, d.Decision) + "\n")
			}
		}
		list = append(list, w)
	}
	if len(list) > 0 {
		list[len(list)-1].Blocked = st.Blocked
	}
	for _, x := range st.Blocked {
		fmt.Fprintf(&s, "the run waits for a person: %s is %s\n", x.Criterion, x.State)
	}
	c.recovered(b)
	if len(list) == 1 {
		return c.show(list[0], "%s", s.String())
	}
	return c.show(list, "%s", s.String())
}

// recovered says what was set right at start-up.
func (c *call) recovered(b *bench.Bench) {
	for _, said := range b.Said {
		fmt.Fprintf(c.err, "note: %s\n", said)
	}
	for _, did := range b.Recovered {
		fmt.Fprintf(c.err, "note: %s\n", did)
	}
}

// decisionText is a decision in a line: the criterion, its state, and why the
// criterion is there when it is not met.
func decisionText(st *runner.State, d runner.Decision) string {
	s := d.Criterion + " is " + d.State
	if d.Code != "" {
		s += " (" + strings.ReplaceAll(d.Code, "_", " ") + ")"
	}
	if d.Try > 1 {
		s += fmt.Sprintf(", try %d", d.Try)
	}
	if k := st.Pinned.Protocol.Criterion(d.Criterion); k != nil && (d.State == runner.StateUnmet || d.State == runner.StateUndecided) {
		then := k.Otherwise
		if d.State == runner.StateUndecided {
			then = k.Undecided
		}
		s += ": " + followsText(then) + ". " + k.Because
	}
	return s
}

func followsText(then string) string {
	switch then {
	case protocol.ThenStop:
		return "the run waits for a person"
	case protocol.ThenRepeat:
		return "it is done again"
	case protocol.ThenVoid:
		return "what this step gave is not used"
	case protocol.ThenQualify:
		return "it is used, and marked wherever it appears"
	}
	return then
}

// readFile reads a file that the call names; "-" is standard input.
func (c *call) readFile(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(c.in)
	}
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, &Usage{Says: name + " is a folder", Hint: "name a file"}
	}
	if info.Size() > mostFile {
		return nil, &runner.Refusal{Says: fmt.Sprintf("%s has %d bytes, at most %d are read", name, info.Size(), int64(mostFile))}
	}
	return os.ReadFile(name)
}

// mostFile bounds what is read from one file: documents, sheets, reports,
// photos.
const mostFile = 64 << 20

// terminal reports whether a stream is one that a person looks at.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// progress gives a function that shows how far long work is, on a terminal.
func (c *call) progress(what string) func(done, all int) {
	if c.json || !terminal(c.err) {
		return nil
	}
	return func(done, all int) {
		fmt.Fprintf(c.err, "\r%s %d of %d", what, done, all)
		if done == all {
			fmt.Fprint(c.err, "\r\033[K")
		}
	}
}

// seal makes an attachment of a file.
func (c *call) seal(b *bench.Bench, file, class, shows string) ([]*bench.Sealed, error) {
	if file == "" {
		return nil, nil
	}
	data, err := c.readFile(file)
	if err != nil {
		return nil, err
	}
	s, err := b.Seal(bench.SealSpec{Data: data, Class: class, Name: shows})
	if err != nil {
		return nil, err
	}
	return []*bench.Sealed{s}, nil
}
