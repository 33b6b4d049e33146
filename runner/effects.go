package runner

import (
	"slices"
	"sort"

	"tapledger/protocol"
)

// States of a decision.
const (
	StateMet       = "met"
	StateUnmet     = "unmet"
	StateUndecided = "undecided"
	StateAwaiting  = "awaiting"
	StateFaulty    = "faulty"
)

// Why a run waits for a person.
const (
	WhyStop   = "stop"
	WhyUsedUp = "tries_used_up"
	WhyFaulty = "faulty"
)

// mostPasses bounds the judging after one record. A decision can close or void
// a try, and that can change another decision; real protocols settle in two.
const mostPasses = 4

// settle judges after a record was applied, works out what follows, and judges
// again until nothing changes. What it leaves is always the state before plus
// the effects of exactly the decisions that it returns, so that folding the
// stored decisions leads to the same place.
func (s *State) settle(m meta) []Decision {
	base := s.clone()
	s.effects(m.seq)
	ds := s.judge(base.decided)
	if len(ds) == 0 {
		return nil
	}
	for pass := 0; ; pass++ {
		*s = *base.clone()
		s.store(m, ds)
		s.effects(m.seq)
		if pass == mostPasses {
			return ds
		}
		again := s.judge(base.decided)
		if slices.EqualFunc(again, ds, sameDecision) {
			return ds
		}
		ds = again
	}
}

// store takes over the decisions of a record.
func (s *State) store(m meta, ds []Decision) {
	for _, d := range ds {
		k := key{d.Criterion, d.Try}
		if old, had := s.decided[k]; m.kind == KindCorrection && d.State == StateMet && had && old.State != StateMet && old.State != StateAwaiting {
			s.Turned = append(s.Turned, Decided{Decision: d, Seq: m.seq})
		}
		x := Decided{Decision: d, Seq: m.seq}
		s.decided[k] = x
		s.History = append(s.History, x)
	}
	s.Decided = s.Decided[:0:0]
	for _, d := range s.decided {
		s.Decided = append(s.Decided, d)
	}
	sort.Slice(s.Decided, func(i, j int) bool {
		a, b := s.Decided[i], s.Decided[j]
		if a.Criterion != b.Criterion {
			return a.Criterion < b.Criterion
		}
		return a.Try < b.Try
	})
}

// follows is what a decision has as its consequence: "", or stop, repeat,
// void, qualify. A departure takes stop and repeat away.
func (s *State) follows(r *rule, d Decided) string {
	then := ""
	switch d.State {
	case StateUnmet:
		then = r.Otherwise
	case StateUndecided:
		then = r.Undecided
	case StateFaulty:
		then = protocol.ThenStop
	}
	if _, accepted := s.departed[key{d.Criterion, d.Try}]; accepted && (then == protocol.ThenStop || then == protocol.ThenRepeat) {
		return ""
	}
	return then
}

// effects works out what follows from the decisions in force: which series are
// closed, which tries are void, which further tries are open, what is blocked.
func (s *State) effects(seq int64) {
	s.closeSeries()
	s.voidTries()
	s.dateSamples()
	s.Blocked = nil
	s.furtherTries(seq)
	s.stops()
	sort.SliceStable(s.Blocked, func(i, j int) bool { return s.Blocked[i].Criterion < s.Blocked[j].Criterion })
	switch {
	case s.abandoned:
		s.Phase = PhaseAbandoned
	case s.closed:
		s.Phase = PhaseClosed
	case s.stopped || len(s.Blocked) > 0:
		s.Phase = PhaseStopped
	default:
		s.Phase = PhaseOpen
	}
}

// closeSeries closes a series that has its fewest readings and no criterion
// asking for one more, or its most.
func (s *State) closeSeries() {
	c := s.Pinned.rules
	for _, st := range c.steps {
		if st.Kind != protocol.StepSeries {
			continue
		}
		t := s.last(st.ID)
		n := len(t.Series)
		if t.Closed || n == 0 || n < st.Fewest {
			continue
		}
		wanted := false
		for _, r := range c.deciding[st.ID] {
			if d, ok := s.decided[key{r.ID, t.N}]; ok && s.follows(r, d) == protocol.ThenRepeat {
				wanted = true
			}
		}
		if !wanted || n >= st.Most {
			t.Closed, t.Made = true, s.Made
		}
	}
}

// voidTries marks the tries whose values are not used.
func (s *State) voidTries() {
	for _, tries := range s.Tries {
		for _, t := range tries {
			t.Void = false
		}
	}
	for _, r := range s.Pinned.rules.rules {
		for _, t := range s.Tries[r.Decides] {
			if d, ok := s.decided[key{r.ID, t.N}]; ok && s.follows(r, d) == protocol.ThenVoid {
				t.Void = true
			}
		}
	}
}

// dateSamples says when each sample was drawn: of a composite, when the fill
// ended that it was collected over.
func (s *State) dateSamples() {
	for _, x := range s.Samples {
		_, _, when := s.drawn(s.step(x.Step), s.Tries[x.Step][x.Try-1], At{x.Step, x.Try})
		x.DrawnAt = when.Text
	}
}

// demand is a decision that wants a step done again.
type demand struct {
	rule   *rule
	d      Decided
	target string
	try    int // of the target, that did not do
}

func (s *State) demands() []demand {
	c := s.Pinned.rules
	var out []demand
	for _, r := range c.rules {
		for _, t := range s.Tries[r.Decides] {
			d, ok := s.decided[key{r.ID, t.N}]
			if !ok || !t.Closed || s.follows(r, d) != protocol.ThenRepeat {
				continue
			}
			out = append(out, demand{rule: r, d: d, target: r.target, try: s.together(At{r.Decides, t.N}, r.target).N})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return c.at[out[i].target] < c.at[out[j].target] })
	return out
}

// furtherTries opens a further try where a decision wants one, with the steps
// that depend on it, and withdraws one that is wanted no more (after a
// correction or departure) as long as nothing is on record for it. When the
// protocol's number of tries is used up, the run waits for a person.
func (s *State) furtherTries(seq int64) {
	demands := s.demands()
	s.withdraw(demands)
	for _, d := range demands {
		now := s.last(d.target)
		if d.try < now.N {
			continue
		}
		if now.N >= s.Pinned.Protocol.Tries.Most {
			s.Blocked = append(s.Blocked, Block{Criterion: d.rule.ID, Try: d.d.Try, Step: d.target, State: d.d.State, Code: d.d.Code, Why: WhyUsedUp})
			continue
		}
		for _, id := range append([]string{d.target}, s.Pinned.rules.dependent[d.target]...) {
			if t := s.last(id); t.Begun() {
				s.Tries[id] = append(s.Tries[id], &Try{Step: id, N: t.N + 1, Values: map[string]Held{}, OpenedBy: seq, Target: d.target})
			}
		}
	}
}

// withdraw takes back groups of further tries that nothing wants and nobody
// has begun.
func (s *State) withdraw(demands []demand) {
	type group struct {
		by     int64
		target string
	}
	begun, seen := map[group]bool{}, map[group]int{}
	for _, st := range s.Pinned.rules.steps {
		t := s.last(st.ID)
		if t.OpenedBy == 0 {
			continue
		}
		g := group{t.OpenedBy, t.Target}
		begun[g] = begun[g] || t.Begun()
		if st.ID == t.Target {
			seen[g] = t.N
		}
	}
	for g, n := range seen {
		wanted := slices.ContainsFunc(demands, func(d demand) bool { return d.target == g.target && d.try == n-1 })
		if wanted || begun[g] {
			continue
		}
		for id, tries := range s.Tries {
			if t := tries[len(tries)-1]; t.OpenedBy == g.by && t.Target == g.target {
				s.Tries[id] = tries[:len(tries)-1]
			}
		}
	}
}

// stops finds what blocks the run: decisions with the consequence stop, on the
// newest try that has been begun.
func (s *State) stops() {
	c := s.Pinned.rules
	for _, r := range c.rules {
		for _, t := range s.newestBegun(r.Decides) {
			d, ok := s.decided[key{r.ID, t.N}]
			if !ok || s.follows(r, d) != protocol.ThenStop {
				continue
			}
			why := WhyStop
			if d.State == StateFaulty {
				why = WhyFaulty
			}
			s.Blocked = append(s.Blocked, Block{Criterion: r.ID, Try: t.N, Step: r.Decides, State: d.State, Code: d.Code, Why: why})
		}
	}
	for _, st := range c.steps {
		if st.Kind != protocol.StepDerive {
			continue
		}
		if _, accepted := s.departed[key{st.ID, 1}]; accepted {
			continue
		}
		if _, d := c.derives[st.ID].Value(s.Lookup()); string(d.State) == StateFaulty {
			s.Blocked = append(s.Blocked, Block{Criterion: st.ID, Try: 1, Step: st.ID, State: StateFaulty, Code: string(d.Code), Why: WhyFaulty})
		}
	}
}

// newestBegun gives the last try of a step and, while nothing is on record for
// it, the one before.
func (s *State) newestBegun(step string) []*Try {
	tries := s.Tries[step]
	n := len(tries)
	if n > 1 && !tries[n-1].Begun() {
		return tries[n-2:]
	}
	return tries[n-1:]
}

// last is the newest try of a step that the protocol has.
func (s *State) last(step string) *Try {
	tries := s.Tries[step]
	return tries[len(tries)-1]
}

// together gives the try of another step that belongs to the named one: for
// its newest try the newest, for an earlier try the one that was current
// before the further try was opened.
func (s *State) together(at At, step string) *Try {
	if at.Step == "" {
		return s.last(step)
	}
	own := s.Tries[at.Step]
	if step == at.Step {
		return own[min(max(at.Try, 1), len(own))-1]
	}
	if at.Try >= len(own) {
		return s.last(step)
	}
	opened := own[at.Try].OpenedBy
	tries := s.Tries[step]
	for i := len(tries) - 1; i > 0; i-- {
		if tries[i].OpenedBy < opened {
			return tries[i]
		}
	}
	return tries[0]
}
