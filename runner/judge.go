package runner

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"tapledger/protocol"
	"tapledger/rules"
)

// judge decides every criterion for every try of the step that it decides, and
// returns those whose state or code differs from before, sorted by criterion,
// then try. A criterion is awaiting until something was stored for it.
func (s *State) judge(before map[key]Decided) []Decision {
	var out []Decision
	for _, r := range s.Pinned.rules.rules {
		for _, t := range s.Tries[r.Decides] {
			k := key{r.ID, t.N}
			old, had := before[k]
			if !had {
				old.State = StateAwaiting
			}
			d := s.decide(r, t)
			if string(d.State) == old.State && string(d.Code) == old.Code {
				continue
			}
			out = append(out, Decision{Criterion: r.ID, Try: t.N, State: string(d.State), Code: string(d.Code),
				Inputs: s.inputs(r, At{r.Decides, t.N})})
		}
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Criterion != out[j].Criterion {
			return out[i].Criterion < out[j].Criterion
		}
		return out[i].Try < out[j].Try
	})
	return out
}

// decide judges one criterion for one try of the step that it decides. A
// further try that nobody has begun decides nothing yet, a series nothing
// before its fewest readings, a step that was left out nothing any more.
func (s *State) decide(r *rule, t *Try) rules.Decision {
	st := s.step(r.Decides)
	switch {
	case t.N > 1 && !t.Begun():
		return rules.Decision{State: rules.Awaiting}
	case st.Kind == protocol.StepSeries && len(t.Series) < st.Fewest && !t.LeftOut:
		return rules.Decision{State: rules.Awaiting}
	}
	d := r.expr.Judge(s.lookupFor(r, At{r.Decides, t.N}))
	if d.State == rules.Met && s.lacksEvidence(r, t) != "" {
		return rules.Decision{State: rules.Undecided, Code: rules.CodeEvidence}
	}
	return d
}

// lacksEvidence names what a criterion demands of the step's evidence and does
// not find on record: timed, photo, second_person; "" when nothing is missing.
func (s *State) lacksEvidence(r *rule, t *Try) string {
	for _, want := range r.Demands {
		ok := false
		switch want {
		case "timed":
			ok = timed(t)
		case "photo":
			ok = slices.ContainsFunc(t.Seqs, s.hasPhoto)
		case "second_person":
			ok = slices.ContainsFunc(t.Seqs, s.confirmed)
		}
		if !ok {
			return want
		}
	}
	return ""
}

// timed tells whether every moment of a try was timed by a button.
func timed(t *Try) bool {
	n := 0
	look := func(values map[string]Held) bool {
		for name, v := range values {
			if !isMoment(name) {
				continue
			}
			if v.Evidence != "timed" {
				return false
			}
			n++
		}
		return true
	}
	for _, reading := range t.Series {
		if !look(reading) {
			return false
		}
	}
	return look(t.Values) && n > 0
}

func (s *State) hasPhoto(seq int64) bool {
	c := common(s.bodies[seq-1])
	return slices.ContainsFunc(c.Attachments, func(a Attachment) bool { return strings.HasPrefix(a.Media, "image/") })
}

// confirmed tells whether a second person signed for a record.
func (s *State) confirmed(seq int64) bool {
	return slices.ContainsFunc(s.Events, func(e Event) bool {
		b, ok := e.Body.(*SecondPerson)
		return ok && b.Confirms == seq
	})
}

// inputs lists what a criterion reads: path@seq for a value on record, the
// path alone for one that is not, or that a pinned document gives.
func (s *State) inputs(r *rule, at At) []string {
	out := make([]string, 0, len(r.refs))
	for _, path := range r.refs {
		if seq := s.seqOf(path, at); seq > 0 {
			path = fmt.Sprintf("%s@%d", path, seq)
		}
		out = append(out, path)
	}
	return out
}

// Explain says how a criterion comes to its decision for one try of the step
// that it decides; try 0 is the newest. It is derived anew each time.
func (s *State) Explain(criterion string, try int) (*rules.Explanation, error) {
	r := s.Pinned.rules.byID[criterion]
	if r == nil {
		return nil, refuse("", "the protocol's criteria are "+strings.Join(s.criteria(), ", "), "there is no criterion %q", criterion)
	}
	if try == 0 {
		try = s.last(r.Decides).N
	}
	if try < 1 || try > len(s.Tries[r.Decides]) {
		return nil, refuse(r.Decides, "", "%s has %d tries, not %d", r.Decides, len(s.Tries[r.Decides]), try)
	}
	return r.expr.Explain(s.lookupFor(r, At{r.Decides, try})), nil
}

func (s *State) criteria() []string {
	var out []string
	for _, r := range s.Pinned.rules.rules {
		out = append(out, r.ID)
	}
	return out
}

// DecisionOf gives the stored decision of a criterion for a try (0: the newest
// try of the step that it decides); awaiting when none is stored.
func (s *State) DecisionOf(criterion string, try int) Decided {
	r := s.Pinned.rules.byID[criterion]
	if try == 0 && r != nil {
		try = s.last(r.Decides).N
	}
	if d, ok := s.decided[key{criterion, try}]; ok {
		return d
	}
	return Decided{Decision: Decision{Criterion: criterion, Try: try, State: StateAwaiting}}
}

// Accepted gives the record of the departure that accepts a criterion's
// decision for a try, 0 if there is none.
func (s *State) Accepted(criterion string, try int) int64 { return s.departed[key{criterion, try}] }
