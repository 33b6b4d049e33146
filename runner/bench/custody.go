package bench

import (
	"encoding/base32"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"crypto/sha256"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

// BottleCode is the code on a bottle's label: six characters, the same each
// time a label is printed, unknown to others before. It is made from the
// bench's own key (on a simulated bench from the seed); without that key here
// a code must be typed.
func (b *Bench) BottleCode(run, step string, try, bottle int) (string, error) {
	m, err := b.Main()
	if err != nil {
		return "", err
	}
	purpose := []string{"bottle", run, step, strconv.Itoa(try), strconv.Itoa(bottle)}
	if m.Simulated() {
		return m.letters(6, purpose...), nil
	}
	s, err := b.signer(m, audit.BenchPrincipal)
	if err != nil {
		return "", &runner.Refusal{Says: "the bench's own key is not here, so labels cannot be made", Hint: "type the codes from the labels: BOTTLE.code=..."}
	}
	// A signature is deterministic and needs the key: its hash is a code that
	// nobody else can foretell and that needs no list of labels.
	sig, err := s.Sign("label@tapledger", []byte(strings.Join(purpose, "\n")+"\n"))
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(sig)
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:])[:6]), nil
}

// Label is what one bottle's label says.
type Label struct {
	Run          string   `json:"run"`
	Unit         string   `json:"unit"`
	Step         string   `json:"step"`
	Try          int      `json:"try"`
	Bottle       string   `json:"bottle"`
	Code         string   `json:"code"`
	Point        string   `json:"point"`
	Volume       string   `json:"volume"`
	Preservative string   `json:"preservative"`
	Hold         string   `json:"hold"`
	Acid         string   `json:"acid"` // "yes": it says "contains acid" in words
	Words        []string `json:"words,omitempty"`
}

// Labels gives the labels of the bottles of a draw's newest try, or of all
// draws that are not drawn yet when step is "".
func (b *Bench) Labels(run, step string) ([]Label, error) {
	st, err := b.State(run)
	if err != nil {
		return nil, err
	}
	p := st.Pinned.Protocol
	var out []Label
	for _, x := range p.Steps() {
		if x.Kind != protocol.StepDraw || step != "" && x.ID != step {
			continue
		}
		t := st.Current(x.ID)
		if step == "" && t.Closed {
			continue
		}
		for i, id := range x.Bottles {
			code, err := b.BottleCode(run, x.ID, t.N, i)
			if err != nil {
				return nil, err
			}
			for _, drawn := range t.Bottles {
				if drawn.Bottle == id {
					code = drawn.Code
				}
			}
			out = append(out, label(st, x, t.N, id, code))
		}
	}
	if len(out) == 0 && step != "" {
		return nil, &runner.Refusal{Says: fmt.Sprintf("%s is no draw of protocol %s", step, p.ID), Step: step, Hint: "draws: " + strings.Join(draws(p), ", ")}
	}
	return out, nil
}

func draws(p *protocol.Protocol) []string {
	var out []string
	for _, x := range p.Steps() {
		if x.Kind == protocol.StepDraw {
			out = append(out, x.ID)
		}
	}
	return out
}

func label(st *runner.State, step *protocol.Step, try int, id, code string) Label {
	p := st.Pinned.Protocol
	bottle := p.Bottles[id]
	l := Label{Run: st.Run, Unit: st.Pinned.Unit.Mark, Step: step.ID, Try: try, Bottle: id, Code: code, Point: step.Point,
		Volume: bottle.Volume, Preservative: preservativeWords(bottle.Preservative), Hold: bottle.Hold, Acid: "no"}
	if holdsAcid(bottle.Preservative) {
		l.Acid = "yes"
		l.Words = append(l.Words, "contains acid: gloves and goggles, do not rinse, do not overfill, keep upright, keep from children")
	}
	if bottle.Sterile == "yes" {
		l.Words = append(l.Words, "sterile: do not touch rim or inside, do not rinse")
	}
	return l
}

// holdsAcid reads a preservative as it is written: acid named, and not "none".
func holdsAcid(preservative string) bool {
	low := strings.ToLower(preservative)
	if strings.HasPrefix(low, "none") {
		return false
	}
	for _, word := range []string{"acid", "hno3", "h2so4", "hcl", "h3po4", "ph < 2", "ph <2"} {
		if strings.Contains(low, word) {
			return true
		}
	}
	return false
}

// HandOverSpec says which samples are passed on, to whom, and how they were.
type HandOverSpec struct {
	Step  string            // a hand_over step; "" takes the one that is due, if one is
	To    string            // laboratory or person id, or courier
	Draws []string          // draws, or draw#try; empty: those of the step, or all not passed on yet
	Texts map[string]string // at, temperature, seal; at left out is now
}

// HandOver passes samples on. Their ids are made from a checkpoint of this
// moment, so that the laboratory's form and report pin everything before it.
func (b *Bench) HandOver(run string, spec HandOverSpec, sealed ...*Sealed) (rec audit.Record, st *runner.State, err error) {
	err = b.write(func(m *Main) error {
		propose := func(st *runner.State) (runner.Proposal, error) {
			body, err := b.handOver(m, st, spec)
			body.Attachments = attached(sealed)
			return runner.Proposal{Kind: runner.KindHandOver, Body: body}, err
		}
		recs, next, err := b.append(m, run, []Propose{propose}, sealed)
		if err == nil {
			rec, st = recs[0], next
		}
		return err
	})
	return rec, st, err
}

func attached(sealed []*Sealed) []runner.Attachment {
	var out []runner.Attachment
	for _, s := range sealed {
		out = append(out, s.Attachment)
	}
	return out
}

func (b *Bench) handOver(m *Main, st *runner.State, spec HandOverSpec) (runner.HandOver, error) {
	body := runner.HandOver{Common: common(), Step: spec.Step, To: spec.To, Values: map[string]runner.Value{}}
	if spec.Step == "" {
		body.Step = dueHandOver(st, b.now)
	}
	for name, text := range spec.Texts {
		if name == "at" {
			t, err := b.moment(text)
			if err != nil {
				return body, err
			}
			text = audit.Time(t)
		}
		body.Values[name] = runner.Value{Text: text, Evidence: "typed"}
	}
	if _, has := body.Values["at"]; !has {
		body.Values["at"] = runner.Value{Text: audit.Time(b.now), Evidence: "timed"}
	}
	picked, err := pickSamples(st, body.Step, spec.Draws)
	if err != nil {
		return body, err
	}
	s, err := b.actor(m)
	if err != nil {
		return body, err
	}
	c, err := audit.MakeCheckpoint(b.store, m.Commit)
	if err != nil {
		return body, err
	}
	text := c.Text()
	sig, err := audit.SignCheckpoint(text, s)
	if err != nil {
		return body, err
	}
	body.Checkpoint, body.Signature = string(text), string(sig)
	for _, x := range picked {
		body.Samples = append(body.Samples, runner.HandedSample{ID: audit.SampleID(text, x.Codes), Step: x.Step, Try: x.Try, Codes: x.Codes})
	}
	return body, nil
}

// DueHandOver is the hand-over step that may be done now, "" if none.
func (b *Bench) DueHandOver(st *runner.State) string {
	now, err := b.Now()
	if err != nil {
		return ""
	}
	return dueHandOver(st, now)
}

func dueHandOver(st *runner.State, now time.Time) string {
	for _, todo := range st.Next(now).May {
		if todo.Kind == protocol.StepHand {
			return todo.Step
		}
	}
	return ""
}

// pickSamples chooses the samples of a hand-over: the named ones; else those
// of the step's draws, newest try, that were not passed on.
func pickSamples(st *runner.State, step string, wanted []string) ([]*runner.Sample, error) {
	if len(wanted) == 0 && step != "" {
		if _, x := st.Pinned.Protocol.Step(step); x != nil {
			wanted = x.Samples
		}
	}
	var out []*runner.Sample
	for _, x := range st.Samples {
		exact := x.Step + "#" + strconv.Itoa(x.Try)
		newest := st.Current(x.Step).N == x.Try
		switch {
		case slices.Contains(wanted, exact):
		case x.HandedAt != "" || !newest:
			continue
		case len(wanted) > 0 && !slices.Contains(wanted, x.Step):
			continue
		}
		out = append(out, x)
	}
	for _, w := range wanted {
		name, _, _ := strings.Cut(w, "#")
		if !slices.ContainsFunc(out, func(x *runner.Sample) bool { return x.Step == name }) {
			if _, s := st.Pinned.Protocol.Step(name); s == nil || s.Kind != protocol.StepDraw {
				return nil, &runner.Refusal{Says: fmt.Sprintf("%q is no draw of this run", w), Hint: "draws: " + strings.Join(draws(st.Pinned.Protocol), ", ")}
			}
		}
	}
	if len(out) == 0 {
		return nil, &runner.Refusal{Says: "there is no sample to pass on", Step: step, Hint: "draw first; samples passed on already are named as DRAW#TRY"}
	}
	return out, nil
}

// Checkpoint pins the ledger as it is now and signs it with the key of the
// person who acts. Nothing is written.
func (b *Bench) Checkpoint() (text, signature []byte, err error) {
	m, err := b.Main()
	if err != nil {
		return nil, nil, err
	}
	s, err := b.actor(m)
	if err != nil {
		return nil, nil, err
	}
	c, err := audit.MakeCheckpoint(b.store, m.Commit)
	if err != nil {
		return nil, nil, err
	}
	text = c.Text()
	signature, err = audit.SignCheckpoint(text, s)
	return text, signature, err
}

// KeepCheckpoint puts a checkpoint that somebody else held on main, so that
// editions can say so. It must be signed by a key in the list, and main must
// come after it.
func (b *Bench) KeepCheckpoint(file []byte) (by string, err error) {
	err = b.write(func(m *Main) error {
		text, sig := audit.SplitCheckpoint(file)
		if sig == nil {
			return &runner.Refusal{Says: "this checkpoint has no signature", Hint: "keep the file as it was given away: the text and the signature under it"}
		}
		if by, err = audit.VerifyCheckpoint(text, sig, m.Allowed); err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		c, err := audit.ParseCheckpoint(text)
		if err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		if c.Bench != m.Bench.ID {
			return &runner.Refusal{Says: fmt.Sprintf("this checkpoint is of bench %s, here is %s", c.Bench, m.Bench.ID)}
		}
		if before, err := audit.Ancestor(b.store, c.Main, m.Commit); err != nil || !before {
			return &SinceBroken{Says: "main does not come after the commit that this checkpoint names: main was rewritten, or this is the checkpoint of another ledger"}
		}
		_, err = b.commitMain(m, change{put: audit.CheckpointFiles(text, sig), subject: "Keep a checkpoint that was held elsewhere"})
		return err
	})
	return by, err
}

// SinceBroken says that the ledger is not what a checkpoint names: exit code 4.
type SinceBroken struct{ Says string }

// Error says what does not hold.
func (s *SinceBroken) Error() string { return s.Says }

// preservativeWords says a bottle's preservative so that it stands by itself on
// a label: "none" alone would be none of what?
func preservativeWords(text string) string {
	if rest, ok := strings.CutPrefix(text, "none"); ok {
		return "no preservative" + rest
	}
	return text
}
