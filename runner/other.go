package runner

import (
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
)

var reWarning = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

// checkDeparture: a departure accepts a decision that stands against going on,
// or leaves out a step that will not be done. It changes no decision.
func (s *State) checkDeparture(b *Departure) *Refusal {
	if ref := checkText("", "the reason", b.Reason, mostText, true); ref != nil {
		return ref
	}
	if len(b.Affects) == 0 {
		return refuse("", "name the criteria that it affects, or the step that is left out", "it is not said what this departs from")
	}
	for i, id := range b.Affects {
		if slices.Contains(b.Affects[:i], id) {
			return refuse("", "", "%s stands twice", id)
		}
		if ref := s.checkAffected(id, b.Try); ref != nil {
			return ref
		}
	}
	return nil
}

func (s *State) checkAffected(id string, try int) *Refusal {
	r := s.Pinned.rules.byID[id]
	if r == nil {
		return s.checkLeftOut(id, try)
	}
	if try < 1 || try > len(s.Tries[r.Decides]) {
		return refuse(r.Decides, "", "%s has no try %d", r.Decides, try)
	}
	d := s.DecisionOf(id, try)
	if d.State == StateAwaiting || d.State == StateMet {
		return refuse(r.Decides, "a departure accepts what was decided unmet, undecided or faulty", "%s is %s for try %d, there is nothing to depart from", id, d.State, try)
	}
	if seq := s.Accepted(id, try); seq != 0 {
		return refuse(r.Decides, "", "%s for try %d is accepted already, by record %d", id, try, seq)
	}
	return nil
}

func (s *State) checkLeftOut(id string, try int) *Refusal {
	st := s.step(id)
	if st == nil {
		return refuse("", "criteria: "+strings.Join(s.criteria(), ", "), "there is neither a criterion nor a step %q", clip(id))
	}
	t := s.last(id)
	if st.Kind == protocol.StepDerive {
		for _, b := range s.Blocked {
			if b.Criterion == id {
				return nil
			}
		}
		return refuse(id, "", "%s is worked out, not done; there is nothing to leave out", id)
	}
	if t.Closed {
		return s.refuseClosed(id, t)
	}
	if try != t.N {
		return refuse(id, "", "try %d of %s is due, not try %d", t.N, id, try)
	}
	return nil
}

func (s *State) checkPart(b *Part, c circumstances) *Refusal {
	if b.Action != "fitted" && b.Action != "removed" {
		return refuse("", "fitted or removed", "action %q", clip(b.Action))
	}
	if _, ok := s.Pinned.rules.parts[b.Part]; !ok {
		var known []string
		for id := range s.Pinned.rules.parts {
			known = append(known, id)
		}
		sort.Strings(known)
		return refuse("", "its parts: "+strings.Join(known, ", "), "unit %s has no part %q", s.Pinned.Unit.ID, clip(b.Part))
	}
	for _, text := range []string{b.Lot, b.DateCode} {
		if ref := checkText("", b.Part, text, mostValue, false); ref != nil {
			return ref
		}
	}
	return s.checkValues("", b.Values, partFields, c)
}

// checkOther checks the kinds that belong to no step.
func (s *State) checkOther(m meta, body any, c circumstances) *Refusal {
	switch b := body.(type) {
	case *Note:
		if b.About != "" && s.step(b.About) == nil && s.recordAbout(b.About) == 0 {
			return refuse("", s.nearest(b.About), "there is no step %q, and no record of that number", clip(b.About))
		}
		return checkText(b.About, "the note", b.Text, mostText, true)
	case *CautionRead:
		return s.checkCautionRead(m, b)
	case *Stopped:
		return checkText("", "the reason", b.Reason, mostText, false)
	case *Resumed:
		if !s.stopped {
			return refuse("", "", "the run is not stopped by a person")
		}
		return checkText("", "the reason", b.Reason, mostText, false)
	case *SecondPerson:
		return s.checkSecondPerson(m, b, c)
	case *Complaint:
		if !ComplaintFrom(b.From) {
			return refuse("", "maker, reader, laboratory or other", "from %q", clip(b.From))
		}
		if ref := checkText("", "what it is about", b.About, mostValue, false); ref != nil {
			return ref
		}
		return checkText("", "the complaint", b.Text, mostText, true)
	case *Removed:
		return s.checkRemoved(b)
	case *Recovered:
		if len(b.Did) == 0 {
			return refuse("", "", "it is not said what recovery did")
		}
		for _, line := range b.Did {
			if ref := checkText("", "what recovery did", line, mostText, true); ref != nil {
				return ref
			}
		}
		return nil
	case *Closed:
		return s.checkClosed()
	case *Reopened:
		return checkText("", "the reason", b.Reason, mostText, true)
	case *Abandoned:
		return checkText("", "the reason", b.Reason, mostText, true)
	}
	return refuse("", "", "there is no record of kind %q", m.kind)
}

// recordAbout is the record that a note is about, 0 if it names none.
func (s *State) recordAbout(about string) int64 {
	n, err := strconv.ParseInt(about, 10, 64)
	if err != nil || n < 1 || n > s.Seq || strconv.FormatInt(n, 10) != about {
		return 0
	}
	return n
}

func (s *State) checkCautionRead(m meta, b *CautionRead) *Refusal {
	doc, ok := s.Pinned.Cautions[b.Caution]
	switch {
	case !ok:
		return refuse("", "`next` names the cautions that are due", "there is no caution %q", clip(b.Caution))
	case doc.Version != b.Version:
		return refuse("", "", "caution %s has version %s in this run, not %q", b.Caution, doc.Version, clip(b.Version))
	case s.read[m.by+" "+b.Caution]:
		return refuse("", "", "%s has read the caution %s in this run already", m.by, b.Caution)
	}
	return nil
}

func (s *State) checkSecondPerson(m meta, b *SecondPerson, c circumstances) *Refusal {
	if c.via != "key" {
		return refuse("", "confirm with a key of one's own, on a device of one's own", "a second person never signs through the page")
	}
	if b.Confirms < 1 || b.Confirms > s.Seq {
		return refuse("", "", "there is no record %d to confirm", b.Confirms)
	}
	if m.by == audit.BenchPrincipal {
		return refuse("", "somebody else confirms it, with a key of their own", "the bench is no second person")
	}
	of := s.metas[b.Confirms-1]
	if of.by == m.by {
		return refuse("", "somebody else confirms it", "record %d is by %s, who cannot confirm it", b.Confirms, m.by)
	}
	if of.kind == KindSecondPerson {
		return refuse("", "confirm the record that it is about", "record %d is itself a confirmation", b.Confirms)
	}
	if got := s.hashOf(b.Confirms); got != b.Record {
		return refuse("", "", "record %d has %s, not %s", b.Confirms, got, clip(b.Record))
	}
	for _, e := range s.Events {
		if x, ok := e.Body.(*SecondPerson); ok && x.Confirms == b.Confirms && e.By == m.by {
			return refuse("", "", "%s has confirmed record %d already, as record %d", m.by, b.Confirms, e.Seq)
		}
	}
	return nil
}

// hashOf is the hash of a record of this run.
func (s *State) hashOf(seq int64) string {
	if seq < s.Seq && int(seq) < len(s.Records) {
		return s.Records[seq].Prev
	}
	if seq == s.Seq {
		return s.Head
	}
	b, err := s.Records[seq-1].Bytes()
	if err != nil {
		return ""
	}
	return audit.Hash(b)
}

func (s *State) checkRemoved(b *Removed) *Refusal {
	for _, e := range s.Events {
		if x, ok := e.Body.(*Removed); ok && x.Commitment == b.Commitment {
			return refuse("", "", "its removal is on record already, as record %d", e.Seq)
		}
	}
	for _, body := range s.bodies {
		for _, a := range common(body).Attachments {
			if a.Commitment == b.Commitment {
				return checkText("", "the reason", b.Reason, mostText, true)
			}
		}
	}
	return refuse("", "", "no attachment of this run has the commitment %s", clip(b.Commitment))
}

// checkClosed: a run is closed when nothing is left to do. Only a laboratory's
// report may still be out, since reports are received after closing too.
func (s *State) checkClosed() *Refusal {
	if open := s.openSteps(); len(open) > 0 {
		return refuse("", "do them, leave one out with a departure, or abandon the run", "steps are still open: %s", strings.Join(open, ", "))
	}
	if len(s.Blocked) > 0 {
		b := s.Blocked[0]
		return refuse("", "accept it with a departure, correct it, or abandon the run", "the run waits for a person: %s is %s", b.Criterion, b.State)
	}
	return nil
}

// openSteps lists the steps that closing waits for.
func (s *State) openSteps() []string {
	var out []string
	for _, st := range s.Pinned.rules.steps {
		if !s.done(st.ID) && st.Kind != protocol.StepReport {
			out = append(out, st.ID)
		}
	}
	return out
}

// CautionsDue lists the cautions due at a step, sorted.
func (s *State) CautionsDue(step string) []string {
	return slices.Clone(s.Pinned.rules.cautions[step])
}

// CautionsUnread lists those due at a step that a person has not read in this
// run. Entering the step is refused until there are none.
func (s *State) CautionsUnread(by, step string) []string {
	var out []string
	for _, id := range s.Pinned.rules.cautions[step] {
		if !s.read[by+" "+id] {
			out = append(out, id)
		}
	}
	return out
}

// ComplaintFrom reports whether a word says whom a complaint is from: maker,
// reader, laboratory or other.
func ComplaintFrom(word string) bool {
	return slices.Contains([]string{"maker", "reader", "laboratory", "other"}, word)
}
