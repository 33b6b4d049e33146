package bench

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

// Input is one entry as a person gives it: a step, bare words (yes, no, begin,
// end, open), and values by name. A name may carry its evidence ("value:photo");
// a draw's bottles are given as BOTTLE.lot, .code, .expires, .from, .to, and a
// plain "lot" goes to all of them.
type Input struct {
	Step  string
	Words []string
	Names []string          // in the order given
	Texts map[string]string // by name
	File  string            // sheet that it came from, "" if none
	Line  int
}

// ParseInput takes command-line words apart.
func ParseInput(step string, args []string) (Input, error) {
	in := Input{Step: step, Texts: map[string]string{}}
	for _, a := range args {
		name, text, ok := strings.Cut(a, "=")
		if !ok {
			in.Words = append(in.Words, a)
			continue
		}
		if err := in.set(name, text); err != nil {
			return in, err
		}
	}
	return in, nil
}

func (in *Input) set(name, text string) error {
	if _, twice := in.Texts[name]; twice {
		return &runner.Refusal{Step: in.Step, Line: in.Line, Says: name + " is given twice"}
	}
	in.Names = append(in.Names, name)
	in.Texts[name] = text
	return nil
}

// Propose turns an input into what the run's step takes. sealed files are
// named in the record.
func (b *Bench) Propose(run string, in Input, sealed ...*Sealed) Propose {
	return func(st *runner.State) (runner.Proposal, error) {
		_, step := st.Pinned.Protocol.Step(in.Step)
		if step == nil {
			// An entry with an unknown step: the fold knows which one was meant.
			return runner.Proposal{Kind: runner.KindEntry, Body: runner.Entry{Common: common(), Step: in.Step, Values: map[string]runner.Value{}}}, nil
		}
		g := &gather{b: b, in: in, step: step, values: map[string]runner.Value{}, now: b.now}
		if err := g.take(); err != nil {
			return runner.Proposal{}, err
		}
		c := common()
		c.Attachments = attached(sealed)
		switch {
		case step.Kind == protocol.StepDraw:
			bottles, err := g.bottles(run, st)
			return runner.Proposal{Kind: runner.KindDraw, Body: runner.Draw{Common: c, Step: in.Step, Values: g.values, Bottles: bottles}}, err
		case g.begin:
			return runner.Proposal{Kind: runner.KindStarted, Body: runner.Started{Common: c, Step: in.Step, Values: g.values}}, nil
		}
		return runner.Proposal{Kind: runner.KindEntry, Body: runner.Entry{Common: c, Step: in.Step, Values: g.values}}, nil
	}
}

// gather turns words and names into values with their evidence.
type gather struct {
	b      *Bench
	in     Input
	step   *protocol.Step
	values map[string]runner.Value
	begin  bool
	lots   map[string]map[string]string // bottle -> field -> text
	now    time.Time
}

var (
	evidences    = []string{"timed", "typed", "imported", "photo", "legacy"}
	moments      = []string{"at", "began", "ended", "opened_at", "closed_at"}
	bottleFields = []string{"lot", "code", "expires", "from", "to"}
)

func (g *gather) refuse(hint, format string, args ...any) error {
	return &runner.Refusal{Step: g.in.Step, Line: g.in.Line, Says: fmt.Sprintf(format, args...), Hint: hint}
}

func (g *gather) take() error {
	g.lots = map[string]map[string]string{}
	for _, name := range g.in.Names {
		if err := g.value(name, g.in.Texts[name]); err != nil {
			return err
		}
	}
	for _, w := range g.in.Words {
		if err := g.word(w); err != nil {
			return err
		}
	}
	g.when()
	return nil
}

// value takes in name=text.
func (g *gather) value(full, text string) error {
	name, evidence, ok := strings.Cut(full, ":")
	if !ok {
		evidence = "typed"
	}
	if !slices.Contains(evidences, evidence) || evidence == "timed" {
		return g.refuse("typed, imported, photo or legacy; a time is timed by leaving it out", "%s: evidence %q cannot be said", full, evidence)
	}
	if g.step.Kind == protocol.StepDraw {
		bottle, field, dotted := strings.Cut(name, ".")
		if !dotted && name == "lot" || dotted && slices.Contains(bottleFields, field) {
			if !dotted {
				bottle, field = "", name
			}
			if g.lots[bottle] == nil {
				g.lots[bottle] = map[string]string{}
			}
			g.lots[bottle][field] = text
			return nil
		}
	}
	if slices.Contains(moments, name) {
		t, err := g.b.moment(text)
		if err != nil {
			return g.refuse("UTC, such as 2026-03-02T09:14Z, or 09:14 for the last one", "%s: %q is no time", name, text)
		}
		text = audit.Time(t)
	}
	g.values[name] = runner.Value{Text: text, Evidence: evidence}
	return nil
}

// moment reads a full time, or a clock time: the newest such moment that has
// been.
func (b *Bench) moment(text string) (time.Time, error) {
	for _, form := range []string{"15:04", "15:04:05"} {
		t, err := time.Parse(form, text)
		if err != nil {
			continue
		}
		day := b.now.UTC().Truncate(24 * time.Hour)
		t = day.Add(time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute + time.Duration(t.Second())*time.Second)
		if t.After(b.now) {
			t = t.Add(-24 * time.Hour)
			b.Said = append(b.Said, fmt.Sprintf("%s is taken as yesterday's, %s: times are UTC; write the whole time to say otherwise", text, audit.Time(t)))
		}
		return t, nil
	}
	return ParseMoment(text)
}

// word takes in a bare word: an answer, or a button.
func (g *gather) word(w string) error {
	button := map[string]string{"begin": "began", "end": "ended", "open": "opened_at"}[w]
	lasts := g.step.Kind == protocol.StepFlush || g.step.Kind == protocol.StepFill || g.step.Kind == protocol.StepStand
	switch {
	case g.step.Kind == protocol.StepInspect && (w == "yes" || w == "no" || w == "not_applicable"):
		g.values["answer"] = runner.Value{Text: w, Evidence: "typed"}
	case lasts && button != "" && (w != "open" || g.step.Kind == protocol.StepStand):
		if _, typed := g.values[button]; typed {
			return g.refuse("", "%s is given and %s was pressed", button, w)
		}
		g.values[button] = runner.Value{Text: audit.Time(g.now), Evidence: "timed"}
		g.begin = w == "begin"
	default:
		return g.refuse("values are given as name=text; words: yes, no, not_applicable for inspect; begin, end for flush and fill; begin, open for stand",
			"%q is not understood for a step of kind %s", w, g.step.Kind)
	}
	return nil
}

// when fills in the time of what happened now: timed, as nothing was typed.
func (g *gather) when() {
	_, has := g.values["at"]
	switch g.step.Kind {
	case protocol.StepInspect, protocol.StepReading, protocol.StepSeries, protocol.StepTaste:
	case protocol.StepDraw:
		if opened, ok := g.values["opened_at"]; ok && !has {
			g.values["at"] = opened
			return
		}
		if g.step.CompositeOver != "" {
			return
		}
	default:
		return
	}
	if !has {
		g.values["at"] = runner.Value{Text: audit.Time(g.now), Evidence: "timed"}
	}
}

// bottles gives the bottles of a draw, each with the code on its label.
func (g *gather) bottles(run string, st *runner.State) ([]runner.DrawnBottle, error) {
	try := st.Current(g.step.ID).N
	all := g.lots[""]
	var out []runner.DrawnBottle
	for i, id := range g.step.Bottles {
		own := g.lots[id]
		get := func(field string) string {
			if own[field] != "" {
				return own[field]
			}
			return all[field]
		}
		x := runner.DrawnBottle{Bottle: id, Code: codeAsKept(own["code"]), Lot: get("lot"), Expires: own["expires"], From: own["from"], To: own["to"]}
		if x.Code == "" {
			code, err := g.b.BottleCode(run, g.step.ID, try, i)
			if err != nil {
				return nil, err
			}
			x.Code = code
		}
		out = append(out, x)
	}
	for id := range g.lots {
		if id != "" && !slices.Contains(g.step.Bottles, id) {
			return nil, g.refuse("it takes: "+strings.Join(g.step.Bottles, ", "), "%s has no bottle %q", g.step.ID, id)
		}
	}
	return out, nil
}

// codeAsKept takes a bottle's code as labels print it, in capitals, for the
// small letters that records hold. What is no code stays as it was typed.
func codeAsKept(typed string) string {
	if low := strings.ToLower(typed); len(typed) == 6 {
		return low
	}
	return typed
}
