package runner

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// circumstances is what a record is checked against besides the run itself.
type circumstances struct {
	now   time.Time
	via   string
	clock string
	// fresh is set for a proposal, and not for a record that is read again:
	// people and instruments of a later main are then not at hand.
	fresh        bool
	people       []string
	instruments  map[string]*protocol.Instrument
	laboratories map[string]*protocol.Laboratory
}

const (
	mostText  = 4000 // characters of a reason, note or complaint
	mostValue = 200  // characters of one value
)

var (
	reCode       = regexp.MustCompile(`^[a-z2-7]{6}$`)
	reCommitment = regexp.MustCompile(`^sha256:[0-9a-f]{64}$`)
	reMedia      = regexp.MustCompile(`^[a-z]+/[a-zA-Z0-9.+-]{1,80}$`)
	reDocID      = regexp.MustCompile(`^[a-z][a-z0-9-]{0,39}$`)
	reDate       = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)
)

// afterClosed are the kinds that may follow the end of a run.
var afterClosed = []string{KindReport, KindNote, KindComplaint, KindRemoved, KindSecondPerson, KindRecovered}

// check says what is wrong with a body in this state, nil if it may be written.
func (s *State) check(m meta, body any, c circumstances) *Refusal {
	if ref := s.checkWriter(m, c); ref != nil {
		return ref
	}
	if ref := s.checkPhase(m.kind); ref != nil {
		return ref
	}
	if ref := checkAttachments(common(body).Attachments, s); ref != nil {
		return ref
	}
	switch b := body.(type) {
	case *Opened:
		return s.checkOpened(b)
	case *Started:
		return s.checkStarted(m, b, c)
	case *Entry:
		return s.checkEntry(m, b, c)
	case *Draw:
		return s.checkDraw(m, b, c)
	case *HandOver:
		return s.checkHandOver(m, b, c)
	case *Report:
		return s.checkReport(m, b, c)
	case *Correction:
		return s.checkCorrection(m, b, c)
	case *Departure:
		return s.checkDeparture(b)
	case *Part:
		return s.checkPart(b, c)
	}
	return s.checkOther(m, body, c)
}

func (s *State) checkWriter(m meta, c circumstances) *Refusal {
	if !reDocID.MatchString(m.by) {
		return refuse("", "a person's id such as mk, as `person` made it", "%q is no id of a person", m.by)
	}
	people := c.people
	if people == nil {
		people = s.Pinned.People
	}
	if c.fresh && len(people) > 0 && m.by != audit.BenchPrincipal && !slices.Contains(people, m.by) {
		return refuse("", "people on this bench: "+strings.Join(people, ", "), "there is no person %q on this bench", m.by)
	}
	if c.via != "key" && c.via != "page" {
		return refuse("", "", "via %q is not key or page", c.via)
	}
	if c.clock != "wall" && c.clock != "behind" && c.clock != "simulated" {
		return refuse("", "", "clock %q is not wall, behind or simulated", c.clock)
	}
	if (c.clock == "simulated") != (s.Pinned.Opened.Simulated == "yes") {
		return refuse("", "a simulated bench and its runs stay simulated", "clock %s does not go with a run that has simulated %q", c.clock, s.Pinned.Opened.Simulated)
	}
	return nil
}

// checkPhase says whether a kind may follow at all.
func (s *State) checkPhase(kind string) *Refusal {
	switch {
	case s.Seq == 0 && kind != KindOpened:
		return refuse("", "", "a run begins with an opened record")
	case s.Seq > 0 && kind == KindOpened:
		return refuse("", "", "run %s is open already", s.Run)
	case s.abandoned && !slices.Contains(afterClosed, kind):
		return refuse("", "open a new run", "run %s was abandoned", s.Run)
	case s.closed && kind != KindReopened && !slices.Contains(afterClosed, kind):
		return refuse("", "`reopen` takes it up again", "run %s is closed", s.Run)
	case !s.closed && kind == KindReopened:
		return refuse("", "", "run %s is not closed", s.Run)
	}
	return nil
}

func checkAttachments(list []Attachment, s *State) *Refusal {
	for _, a := range list {
		switch {
		case !reCommitment.MatchString(a.Commitment):
			return refuse("", "", "attachment: commitment %q is not sha256: and 64 hexadecimal digits", clip(a.Commitment))
		case a.Class != "private" && a.Class != "redacted" && a.Class != "public":
			return refuse("", "", "attachment: class %q is not private, redacted or public", clip(a.Class))
		case a.Bytes < 1:
			return refuse("", "", "attachment: it has no bytes")
		case !reMedia.MatchString(a.Media):
			return refuse("", "such as image/jpeg", "attachment: media type %q", clip(a.Media))
		case strings.ContainsAny(a.Name, "/\\:") || strings.Contains(a.Name, ".."):
			return refuse("", "say what it shows, not where the file lies", "attachment: name %q looks like a path", clip(a.Name))
		case a.Class == "redacted" && !reCommitment.MatchString(a.Of):
			return refuse("", "", "attachment: a redacted copy names the commitment of its original")
		case a.Class != "redacted" && a.Of != "":
			return refuse("", "", "attachment: only a redacted copy names an original")
		}
		if ref := checkText("", "name", a.Name, mostValue, false); ref != nil {
			return ref
		}
	}
	return nil
}

// checkText holds free text to what a record may hold.
func checkText(step, what, text string, most int, wanted bool) *Refusal {
	switch {
	case wanted && strings.TrimSpace(text) == "":
		return refuse(step, "say it in a few words", "%s is missing", what)
	case !utf8.ValidString(text):
		return refuse(step, "save the text as UTF-8", "%s is not UTF-8", what)
	case utf8.RuneCountInString(text) > most:
		return refuse(step, "", "%s has %d characters, at most %d", what, utf8.RuneCountInString(text), most)
	}
	for _, r := range text {
		if r < 0x20 && r != '\n' || r >= 0x7f && r <= 0x9f {
			return refuse(step, "only line feeds may stand in text", "%s holds the control character U+%04X", what, r)
		}
	}
	return nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return s
}

// checkOpened holds a unit against the protocol that it is to be tested by.
func (s *State) checkOpened(b *Opened) *Refusal {
	p := s.Pinned
	for _, has := range p.Unit.Has {
		if !slices.Contains(p.Protocol.UnitHas, has) {
			return refuse("", "this protocol is for units with: "+strings.Join(p.Protocol.UnitHas, ", "),
				"unit %s has %s, and protocol %s %s knows no cautions for it", p.Unit.ID, has, p.Protocol.ID, p.Protocol.Version)
		}
	}
	if b.Simulated != "yes" && b.Simulated != "no" {
		return refuse("", "", "simulated %q is not yes or no", b.Simulated)
	}
	if b.Engine != Engine {
		return refuse("", "", "engine level %d; this version has level %d", b.Engine, Engine)
	}
	if !samePins(*b, p.Opened) {
		return refuse("", "", "the opened record pins other documents than were read for it")
	}
	return checkText("", "label", b.Label, mostValue, false)
}

func samePins(a, b Opened) bool {
	same := func(x, y *protocol.Pin) bool { return (x == nil) == (y == nil) && (x == nil || *x == *y) }
	return a.Unit == b.Unit && a.Protocol == b.Protocol && slices.Equal(a.Values, b.Values) &&
		same(a.Scoring, b.Scoring) && same(a.Campaign, b.Campaign) && a.Schemas == b.Schemas && a.Simulated == b.Simulated
}

// checkStep says why a step cannot be entered now, nil if it can.
func (s *State) checkStep(m meta, id string, try int, kinds ...string) *Refusal {
	st := s.step(id)
	if st == nil {
		return refuse("", s.nearest(id), "there is no step %q in protocol %s", clip(id), s.Pinned.Protocol.ID)
	}
	if !slices.Contains(kinds, st.Kind) {
		return refuse(id, verbFor(st), "%s is a step of kind %s", id, st.Kind)
	}
	t := s.last(id)
	if t.Closed {
		return s.refuseClosed(id, t)
	}
	if try != t.N {
		return refuse(id, "", "try %d of %s is due, not try %d", t.N, id, try)
	}
	if s.stopped {
		return refuse(id, "`resume` takes it up again", "the run is stopped")
	}
	if len(s.Blocked) > 0 {
		b := s.Blocked[0]
		return refuse(id, "correct what was recorded wrongly, accept it with a departure, or abandon the run", "the run waits for a person: %s is %s (%s)", b.Criterion, b.State, b.Why)
	}
	if why, on := s.hindered(id); why != "" {
		return refuse(id, "", "%s %s: %s", id, why, strings.Join(on, ", "))
	}
	if unread := s.CautionsUnread(m.by, id); len(unread) > 0 {
		return refuse(id, fmt.Sprintf("read it and say so: caution %s", unread[0]), "%s has not read the caution %s in this run", m.by, strings.Join(unread, ", "))
	}
	return nil
}

func (s *State) refuseClosed(id string, t *Try) *Refusal {
	if len(t.Seqs) == 0 {
		return refuse(id, "", "%s is closed", id)
	}
	seq := t.Seqs[0]
	m := s.metas[seq-1]
	return refuse(id, "a wrong value is set right by a correction", "%s was entered already: record %d by %s, %s", id, seq, m.by, s.subjectOf(seq))
}

func verbFor(st *protocol.Step) string {
	switch st.Kind {
	case protocol.StepDraw:
		return "a draw records its bottles"
	case protocol.StepHand:
		return "samples are passed on by a hand-over"
	case protocol.StepReport:
		return "a laboratory's report is received"
	case protocol.StepDerive:
		return "it is worked out, not entered"
	}
	return "it takes an entry"
}

// hindered says why a step is not due yet, and what it waits for.
func (s *State) hindered(id string) (why string, on []string) {
	c := s.Pinned.rules
	st := s.step(id)
	section := c.section[c.at[id]]
	for i, x := range c.steps {
		if c.section[i] < section && !s.done(x.ID) {
			on = append(on, x.ID)
		}
	}
	if len(on) > 0 {
		return "comes after an earlier section", on
	}
	for _, b := range c.before[id] {
		if !s.passed(st, b) {
			on = append(on, b)
		}
	}
	if len(on) > 0 {
		return "comes after", on
	}
	for _, need := range st.Needs {
		if !s.granted(st, need) {
			on = append(on, need+" "+s.DecisionOf(need, 0).State)
		}
	}
	if len(on) > 0 {
		return "waits until met", on
	}
	return "", nil
}

// done tells whether a step needs nothing more: it is closed, or worked out, or
// about samples of which every draw was left out.
func (s *State) done(id string) bool {
	st := s.step(id)
	switch st.Kind {
	case protocol.StepDerive:
		return true
	case protocol.StepHand, protocol.StepReport:
		return s.last(id).Closed || !slices.ContainsFunc(s.about(st), func(draw string) bool {
			return !s.last(draw).LeftOut || s.sampleOf(draw, 1) != nil
		})
	}
	return s.last(id).Closed
}

// passed tells whether a step lets another one that comes after it go ahead.
// What runs on (a fill that a composite is collected over, a stand that a draw
// ends) only has to have begun. What nobody enters (what is derived, a stand
// that begins by itself) passes on what it comes after.
func (s *State) passed(st *protocol.Step, before string) bool {
	b := s.step(before)
	if b == nil {
		return true
	}
	if s.done(before) && b.Kind != protocol.StepDerive {
		return true
	}
	switch b.Kind {
	case protocol.StepReport:
		return st.Kind == protocol.StepReport && s.allPassed(b) // reports come in any order
	case protocol.StepDerive:
		return s.allPassed(b)
	case protocol.StepStand:
		began, _ := s.standing(b, s.last(before), At{})
		return began.Text != "" && s.allPassed(b)
	}
	return st.CompositeOver == before && s.last(before).Begun()
}

func (s *State) allPassed(st *protocol.Step) bool {
	for _, x := range s.Pinned.rules.before[st.ID] {
		if !s.passed(st, x) {
			return false
		}
	}
	return true
}

// granted tells whether a step's need is met. A departure may stand in, except
// for tasting: nobody accepts away what makes water fit to be put in a mouth.
func (s *State) granted(st *protocol.Step, need string) bool {
	d := s.DecisionOf(need, 0)
	if d.State == StateMet {
		return true
	}
	return st.Kind != protocol.StepTaste && s.Accepted(need, d.Try) != 0
}

// nearest names the step whose id is most like the one given.
func (s *State) nearest(id string) string {
	best, least := "", 4
	for _, st := range s.Pinned.rules.steps {
		if n := quantity.Distance(id[:min(len(id), 60)], st.ID); n < least {
			best, least = st.ID, n
		}
	}
	if best == "" {
		return "`next` lists the steps that are due"
	}
	return "did you mean " + best + "?"
}
