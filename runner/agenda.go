package runner

import (
	"slices"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
)

// Agenda is what is to be done with a run at a moment. All times are as in
// records: UTC, three decimals.
type Agenda struct {
	Run     string   `json:"run"`
	Unit    string   `json:"unit"`
	Phase   string   `json:"phase"`
	Now     string   `json:"now"`
	May     []Todo   `json:"may"`
	Waits   []Wait   `json:"waits"`
	Expires []Hold   `json:"expires"`
	Blocked []Stuck  `json:"blocked"`
	Owed    []Owed   `json:"owed"`
	Later   []string `json:"later"` // steps that come after what stands here
}

// Todo is a step that may be entered now.
type Todo struct {
	Step       string   `json:"step"`
	Section    string   `json:"section"`
	Try        int      `json:"try"`
	Kind       string   `json:"kind"`
	Ask        string   `json:"ask,omitempty"`
	In         string   `json:"in,omitempty"`
	Instrument string   `json:"instrument,omitempty"` // class
	Point      string   `json:"point,omitempty"`
	Bottles    []string `json:"bottles,omitempty"`
	Fields     []string `json:"fields"`             // what an entry holds
	Optional   []string `json:"optional,omitempty"` // what it may hold
	Cautions   []string `json:"cautions,omitempty"` // due at this step
	Decides    []string `json:"decides,omitempty"`  // criteria
	Begun      string   `json:"begun,omitempty"`    // time, of a flush, fill or stand under way
	Count      int      `json:"count,omitempty"`    // series: readings so far
	Fewest     int      `json:"fewest,omitempty"`
	Most       int      `json:"most,omitempty"`
	NotBefore  string   `json:"not_before,omitempty"` // window, as a clock time
	NotAfter   string   `json:"not_after,omitempty"`
	Missed     string   `json:"missed,omitempty"` // "yes" when not_after has gone by
}

// Wait is a step that cannot be entered yet, or should not before a time.
type Wait struct {
	Step  string   `json:"step"`
	Try   int      `json:"try"`
	Why   string   `json:"why"` // window, needs, laboratory
	On    []string `json:"on,omitempty"`
	From  string   `json:"from,omitempty"`  // clock time at which the window opens
	Until string   `json:"until,omitempty"` // clock time at which it closes
}

// Hold is a bottle's hold time, and how it ended once an analysis is on record.
type Hold struct {
	Step     string `json:"step"`
	Try      int    `json:"try"`
	Sample   string `json:"sample,omitempty"`
	Bottle   string `json:"bottle"`
	Code     string `json:"code"`
	Analyte  string `json:"analyte,omitempty"`
	Hold     string `json:"hold"`  // quantity, the stricter of a pair
	Drawn    string `json:"drawn"` // time
	Until    string `json:"until"` // last moment that is in
	Analysed string `json:"analysed,omitempty"`
	State    string `json:"state,omitempty"`  // met, unmet, undecided; empty while no analysis is on record
	Passed   string `json:"passed,omitempty"` // "yes" when until has gone by
}

// Stuck is something that the run waits for a person to settle.
type Stuck struct {
	Criterion string   `json:"criterion,omitempty"` // empty: the run was stopped by a person
	Try       int      `json:"try,omitempty"`
	Step      string   `json:"step,omitempty"`
	State     string   `json:"state,omitempty"`
	Code      string   `json:"code,omitempty"`
	Why       string   `json:"why"`  // stop, tries_used_up, faulty, stopped
	Free      []string `json:"free"` // verbs that free it
}

// Owed is a duty that stays until it is settled.
type Owed struct {
	Code string   `json:"code"` // report_replaced, report_preliminary, complaint, second_person
	Seq  int64    `json:"seq"`
	Args []string `json:"args,omitempty"`
}

// Next lists what may be done now, what waits and until when, which hold times
// run out when, what is blocked and how it is freed, and what is still owed.
// Lists are in the protocol's order; now only decides which windows are open.
func (s *State) Next(now time.Time) Agenda {
	now = now.UTC().Truncate(time.Millisecond)
	a := Agenda{Run: s.Run, Unit: s.Pinned.Unit.ID, Phase: s.Phase, Now: audit.Time(now), May: []Todo{}, Waits: []Wait{},
		Expires: []Hold{}, Blocked: []Stuck{}, Owed: s.owed(), Later: []string{}}
	for _, h := range s.Holds(now) {
		if h.State == "" {
			a.Expires = append(a.Expires, h)
		}
	}
	slices.SortStableFunc(a.Expires, func(x, y Hold) int {
		if x.Until < y.Until {
			return -1
		} else if x.Until > y.Until {
			return 1
		}
		return 0
	})
	if s.closed || s.abandoned {
		return a
	}
	s.listBlocked(&a)
	for _, st := range s.Pinned.rules.steps {
		if !s.done(st.ID) {
			s.place(&a, st, now)
		}
	}
	return a
}

func (s *State) listBlocked(a *Agenda) {
	if s.stopped {
		a.Blocked = append(a.Blocked, Stuck{Why: "stopped", Free: []string{"resume", "abandon"}})
	}
	for _, b := range s.Blocked {
		free := []string{"departure", "correct", "abandon"}
		if r := s.Pinned.rules.byID[b.Criterion]; r != nil && b.Code == string(rules.CodeEvidence) {
			if t := s.together(At{b.Step, b.Try}, r.Decides); s.lacksEvidence(r, t) == "second_person" {
				free = append([]string{"confirm"}, free...)
			}
		}
		a.Blocked = append(a.Blocked, Stuck{Criterion: b.Criterion, Try: b.Try, Step: b.Step, State: b.State, Code: b.Code, Why: b.Why, Free: free})
	}
}

// place puts a step that is not done where it belongs in the agenda.
func (s *State) place(a *Agenda, st *protocol.Step, now time.Time) {
	why, on := s.hindered(st.ID)
	if why != "" {
		if why == "waits until met" {
			a.Waits = append(a.Waits, Wait{Step: st.ID, Try: s.last(st.ID).N, Why: "needs", On: on})
			return
		}
		a.Later = append(a.Later, st.ID)
		return
	}
	custody := st.Kind == protocol.StepHand || st.Kind == protocol.StepReport
	if (s.stopped || len(s.Blocked) > 0) && !custody {
		a.Later = append(a.Later, st.ID)
		return
	}
	if st.Kind == protocol.StepReport {
		a.Waits = append(a.Waits, Wait{Step: st.ID, Try: s.last(st.ID).N, Why: "laboratory"})
	}
	todo := s.todo(st)
	if st.Kind == protocol.StepStand && todo.Begun != "" {
		return // nothing to enter: its draw says what is due
	}
	s.clockTimes(&todo, st)
	if todo.NotAfter != "" && audit.Time(now) > todo.NotAfter {
		todo.Missed = "yes"
	}
	if todo.NotBefore != "" && audit.Time(now) < todo.NotBefore {
		a.Waits = append(a.Waits, Wait{Step: st.ID, Try: todo.Try, Why: "window", From: todo.NotBefore, Until: todo.NotAfter})
	}
	a.May = append(a.May, todo)
}

func (s *State) todo(st *protocol.Step) Todo {
	c := s.Pinned.rules
	t := s.last(st.ID)
	todo := Todo{Step: st.ID, Section: c.sections[c.section[c.at[st.ID]]].ID, Try: t.N, Kind: st.Kind, Ask: st.Ask, In: st.In,
		Instrument: st.Instrument, Point: st.Point, Bottles: st.Bottles, Cautions: c.cautions[st.ID], Count: len(t.Series), Fewest: st.Fewest, Most: st.Most, Fields: []string{}}
	for _, f := range s.fieldsOf(st) {
		if f.required || st.Within != nil && (f.name == "opened_at" || f.name == "closed_at") {
			todo.Fields = append(todo.Fields, f.name)
		} else {
			todo.Optional = append(todo.Optional, f.name)
		}
	}
	for _, r := range c.deciding[st.ID] {
		todo.Decides = append(todo.Decides, r.ID)
	}
	switch st.Kind {
	case protocol.StepStand:
		began, _ := s.standing(st, t, At{})
		todo.Begun = began.Text
	case protocol.StepFlush, protocol.StepFill:
		todo.Begun = t.Values["began"].Text
	}
	return todo
}

// clockTimes turns the windows that a step is under into clock times: its own,
// counted from when it began, and those of a stand that it ends.
func (s *State) clockTimes(todo *Todo, st *protocol.Step) {
	begun := todo.Begun
	window := st
	if st.Ends != "" {
		window = s.step(st.Ends)
		began, _ := s.standing(window, s.last(window.ID), At{})
		begun = began.Text
	}
	from, err := audit.ParseTime(begun)
	if err != nil {
		return
	}
	if d, ok := s.windowTime(window, "at_least"); ok {
		todo.NotBefore = audit.Time(from.Add(d))
	}
	if d, ok := s.windowTime(window, "at_most"); ok {
		todo.NotAfter = audit.Time(from.Add(d))
	}
}

// windowTime is a window as a length of time, false for one that is none, or
// whose expression cannot be worked out yet.
func (s *State) windowTime(st *protocol.Step, name string) (time.Duration, bool) {
	x := s.Pinned.rules.windows[st.ID+"."+name]
	if x == nil {
		return 0, false
	}
	v, d := x.Value(s.Lookup())
	q, ok := v.(quantity.Quantity)
	if d.State != rules.Met || !ok || q.Dim != quantity.Time {
		return 0, false
	}
	return length(q), true
}

// owed lists duties that no step of the protocol stands for.
func (s *State) owed() []Owed {
	out := []Owed{}
	for _, r := range s.Reports {
		switch {
		case r.ReplacedBy != 0:
			out = append(out, Owed{Code: "report_replaced", Seq: r.ReplacedBy, Args: []string{r.Name()}})
		case r.Status == "preliminary":
			out = append(out, Owed{Code: "report_preliminary", Seq: r.Seq, Args: []string{r.Name()}})
		}
	}
	for _, e := range s.Events {
		if e.Kind == KindComplaint && !s.answered(e.Seq) {
			out = append(out, Owed{Code: "complaint", Seq: e.Seq})
		}
	}
	if len(s.Pinned.People) > 1 {
		for _, d := range s.Turned {
			if !s.confirmed(d.Seq) {
				out = append(out, Owed{Code: "second_person", Seq: d.Seq, Args: []string{d.Criterion}})
			}
		}
	}
	return out
}

// answered tells whether a note is about that record.
func (s *State) answered(seq int64) bool {
	return slices.ContainsFunc(s.Events, func(e Event) bool {
		b, ok := e.Body.(*Note)
		return ok && s.recordAbout(b.About) == seq
	})
}
