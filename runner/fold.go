package runner

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
)

// Proposal is what somebody wants to put on record.
type Proposal struct {
	Kind  string
	Body  any // Entry or *Entry, Draw, ...: a body of this package
	By    string
	Via   string // key or page
	Now   time.Time
	Clock string // wall, behind, simulated
	Main  string
	// People, Instruments and Laboratories are those on main now; nil means
	// those of the opening commit.
	People       []string
	Instruments  map[string]*protocol.Instrument
	Laboratories map[string]*protocol.Laboratory
}

// Refusal is an input that is refused; nothing was recorded.
type Refusal struct {
	Says string `json:"says"`
	Step string `json:"step,omitempty"`
	Line int    `json:"line,omitempty"` // of a laboratory's file
	Hint string `json:"hint,omitempty"`
}

// Error is the refusal in one line.
func (r *Refusal) Error() string {
	if r.Step != "" {
		return r.Step + ": " + r.Says
	}
	return r.Says
}

func refuse(step, hint, format string, args ...any) *Refusal {
	return &Refusal{Says: fmt.Sprintf(format, args...), Step: step, Hint: hint}
}

// newState is a run before its first record.
func newState(p *Pinned) *State {
	s := &State{Pinned: p, Run: p.Run, Head: audit.ZeroPrev, Phase: PhaseOpen, Tries: map[string][]*Try{}, Samples: []*Sample{}, Reports: []*Received{},
		fixed: map[int64]map[string]fix{}, decided: map[key]Decided{}, departed: map[key]int64{},
		read: map[string]bool{}, codes: map[string]int64{}}
	for _, st := range p.rules.steps {
		s.Tries[st.ID] = []*Try{{Step: st.ID, N: 1, Values: map[string]Held{}}}
	}
	return s
}

// clone copies everything that folding one more record may change. Lists that
// only grow share what they hold.
func (s *State) clone() *State {
	c := *s
	c.Records, c.metas = slices.Clip(s.Records), slices.Clip(s.metas)
	c.originals, c.bodies = slices.Clip(s.originals), slices.Clip(s.bodies)
	c.History, c.Events, c.Turned = slices.Clip(s.History), slices.Clip(s.Events), slices.Clip(s.Turned)
	c.Decided, c.Blocked = slices.Clone(s.Decided), slices.Clone(s.Blocked)
	c.decided, c.departed = maps.Clone(s.decided), maps.Clone(s.departed)
	c.read, c.codes, c.fixed = maps.Clone(s.read), maps.Clone(s.codes), maps.Clone(s.fixed)
	c.Tries = make(map[string][]*Try, len(s.Tries))
	for id, tries := range s.Tries {
		list := make([]*Try, len(tries))
		for i, t := range tries {
			list[i] = t.clone()
		}
		c.Tries[id] = list
	}
	c.Samples = make([]*Sample, len(s.Samples))
	for i, x := range s.Samples {
		y := *x
		c.Samples[i] = &y
	}
	c.Reports = make([]*Received, len(s.Reports))
	for i, x := range s.Reports {
		y := *x
		c.Reports[i] = &y
	}
	return &c
}

func (t *Try) clone() *Try {
	c := *t
	c.Seqs, c.Series, c.Openings = slices.Clip(t.Seqs), slices.Clip(t.Series), slices.Clip(t.Openings)
	c.Values = maps.Clone(t.Values)
	return &c
}

// Fold works a whole run out from its records, checking each as With does.
func Fold(p *Pinned, recs []audit.Record) (*State, error) {
	if len(recs) == 0 {
		return nil, &Damage{Run: p.Run, Seq: 0, Code: "order", Says: "the run has no record"}
	}
	s := newState(p)
	for _, r := range recs {
		if err := s.take(r); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// With returns the state after one more record. It holds the record against
// this state: envelope, order, what may follow, and that the stored decisions
// are those that this package comes to. Errors are *Damage or *Newer.
func (s *State) With(r audit.Record) (*State, error) {
	next := s.clone()
	if err := next.take(r); err != nil {
		return nil, err
	}
	return next, nil
}

// take folds a record into s itself. After an error s is of no more use.
func (s *State) take(r audit.Record) error {
	bad := func(code, format string, args ...any) error {
		return &Damage{Run: s.Run, Seq: r.Seq, Code: code, Says: fmt.Sprintf(format, args...)}
	}
	if err := s.checkEnvelope(r); err != nil {
		return bad("order", "%v", err)
	}
	body, err := DecodeBody(r)
	if err != nil {
		return err
	}
	made, err := audit.ParseTime(r.Made)
	if err != nil {
		return bad("body", "made: %v", err)
	}
	c := common(body)
	stored := c.Decisions
	c.Decisions = nil
	m := meta{seq: r.Seq, kind: r.Kind, by: r.By, made: r.Made, main: r.Main}
	if ref := s.check(m, body, circumstances{now: made, via: r.Via, clock: r.Clock}); ref != nil {
		return bad("refused", "this record could not have been written here: %s", ref.Error())
	}
	ours := s.advance(m, body)
	if diff := compareDecisions(stored, ours); diff != "" {
		return bad("decisions", "the stored decisions are not those that the rules come to: %s", diff)
	}
	c.Decisions = stored
	b, err := r.Bytes()
	if err != nil {
		return bad("body", "%v", err)
	}
	s.seal(r, audit.Hash(b))
	return nil
}

// checkEnvelope holds a record's envelope against the run so far.
func (s *State) checkEnvelope(r audit.Record) error {
	switch {
	case r.Format != audit.RecordFormat:
		return fmt.Errorf("format %q, not %q", r.Format, audit.RecordFormat)
	case r.Run != s.Run:
		return fmt.Errorf("it belongs to run %q", r.Run)
	case r.Seq != s.Seq+1:
		return fmt.Errorf("record %d stands where record %d is due", r.Seq, s.Seq+1)
	case r.Prev != s.Head:
		return fmt.Errorf("prev is %s, the record before has %s", r.Prev, s.Head)
	case s.Made != "" && r.Made <= s.Made:
		return fmt.Errorf("made %s is not later than the record before, %s", r.Made, s.Made)
	}
	return nil
}

// advance applies a record that was checked, judges, and returns the decisions
// to store with it.
func (s *State) advance(m meta, body any) []Decision {
	s.Seq, s.Made, s.Main = m.seq, m.made, m.main
	s.metas = append(s.metas, m)
	s.originals = append(s.originals, body)
	s.bodies = append(s.bodies, body)
	if c, ok := body.(*Correction); ok {
		s.rebuild(c)
	} else {
		s.apply(m, body)
	}
	return s.settle(m)
}

// seal keeps the finished record.
func (s *State) seal(r audit.Record, hash string) {
	s.Records = append(s.Records, r)
	s.Head = hash
}

// Start returns the opened record of a run, and the state that it leads to.
func Start(p *Pinned, pr Proposal) (audit.Record, *State, error) {
	if pr.Kind == "" {
		pr.Kind, pr.Body = KindOpened, p.Opened
	}
	if pr.Kind != KindOpened {
		return audit.Record{}, nil, refuse("", "", "a run begins with an opened record, not with %s", pr.Kind)
	}
	return newState(p).Extend(pr)
}

// Extend checks a proposal against the state, judges every criterion after it,
// and returns the record to append with the state that it leads to. Whatever
// is wrong with the proposal comes back as a *Refusal, and s is unchanged.
func (s *State) Extend(p Proposal) (audit.Record, *State, error) {
	body, err := copyBody(p.Kind, p.Body)
	if err != nil {
		return audit.Record{}, nil, refuse("", "", "%v", err)
	}
	c := common(body)
	if c.Format != "" && c.Format != BodyFormat {
		return audit.Record{}, nil, refuse("", "", "body format %q; this version writes %q", c.Format, BodyFormat)
	}
	c.Format, c.Decisions = BodyFormat, nil
	now := p.Now.UTC().Truncate(time.Millisecond)
	made, clock := s.stamp(now, p.Clock)
	s.complete(body, clock)
	m := meta{seq: s.Seq + 1, kind: p.Kind, by: p.By, made: audit.Time(made), main: p.Main}
	known := circumstances{now: now, via: p.Via, clock: clock, fresh: true, people: p.People, instruments: p.Instruments, laboratories: p.Laboratories}
	if ref := s.check(m, body, known); ref != nil {
		return audit.Record{}, nil, ref
	}
	next := s.clone()
	turned := len(next.Turned)
	c.Decisions = next.advance(m, body)
	if ref := turnedNeedsEvidence(next.Turned[turned:], c); ref != nil {
		return audit.Record{}, nil, ref
	}
	raw, err := encodeBody(body)
	if err != nil {
		return audit.Record{}, nil, refuse("", "", "%v", err)
	}
	r := audit.Record{Format: audit.RecordFormat, Run: s.Run, Seq: m.seq, Prev: s.Head, Kind: p.Kind, Made: m.made,
		Clock: clock, By: p.By, Via: p.Via, Main: p.Main, Body: raw}
	b, err := r.Bytes()
	if err != nil {
		return audit.Record{}, nil, refuse("", "", "%v", err)
	}
	next.seal(r, audit.Hash(b))
	return r, next, nil
}

// stamp gives the record's time, the later of the clock and the record before
// plus 1 ms, and what is to be said about the clock.
func (s *State) stamp(now time.Time, clock string) (time.Time, string) {
	made := now
	if last, err := audit.ParseTime(s.Made); err == nil {
		if now.Before(last) && clock == "wall" {
			clock = "behind"
		}
		if least := last.Add(time.Millisecond); made.Before(least) {
			made = least
		}
	}
	return made, clock
}

// turnedNeedsEvidence refuses a correction that turns a decision to met with
// nothing to show for it.
func turnedNeedsEvidence(turned []Decided, c *Common) *Refusal {
	if len(turned) == 0 || len(c.Attachments) > 0 {
		return nil
	}
	return refuse("", "attach what shows the right value: a photo of the sheet, the display or the report",
		"this correction turns %s to met and has no evidence attached", turned[0].Criterion)
}

// compareDecisions says how the stored decisions differ from ours, "" if not.
func compareDecisions(stored, ours []Decision) string {
	for i := range max(len(stored), len(ours)) {
		switch {
		case i >= len(stored):
			return fmt.Sprintf("%s is missing", describe(ours[i]))
		case i >= len(ours):
			return fmt.Sprintf("%s is stored and should not be", describe(stored[i]))
		case !sameDecision(stored[i], ours[i]):
			return fmt.Sprintf("%s is stored, %s is right", describe(stored[i]), describe(ours[i]))
		}
	}
	return ""
}

func describe(d Decision) string {
	s := d.Criterion + " " + d.State
	if d.Code != "" {
		s += " (" + d.Code + ")"
	}
	return fmt.Sprintf("%s for try %d from %v", s, d.Try, d.Inputs)
}

func sameDecision(a, b Decision) bool {
	return a.Criterion == b.Criterion && a.Try == b.Try && a.State == b.State && a.Code == b.Code && slices.Equal(a.Inputs, b.Inputs)
}
