package assess

import (
	"slices"
	"strings"
	"time"

	"tapledger/protocol"
	"tapledger/runner"
)

// drawn is a draw of the protocol and the sample that counts, if any.
type drawn struct {
	step   *protocol.Step
	try    *runner.Try
	sample *runner.Sample
}

// id is the sample id under which the laboratory reports it, "" for none.
func (d drawn) id() string {
	if d.sample == nil {
		return ""
	}
	return d.sample.ID
}

// draws are the parts that draws play in an assessment. Treated is the first
// draw where there is one; second is a repeat of it on another day.
type draws struct {
	treated, untreated, untreatedAfter     drawn
	second, secondUntreated                drawn
	fieldBlank, lotBlank, drain, duplicate drawn
	flushed                                drawn
}

// at is when a sample was drawn; zero if not known.
func (d drawn) at() time.Time {
	if d.try == nil {
		return time.Time{}
	}
	return moment(d.try, "opened_at", "at", "closed_at")
}

func (l *look) drawOf(id string) drawn {
	_, step := l.p.Step(id)
	if step == nil {
		return drawn{}
	}
	d := drawn{step: step, try: l.st.CountedTry(id)}
	if d.try == nil {
		return d
	}
	for _, s := range l.st.Samples {
		if s.Step == id && s.Try == d.try.N {
			d.sample = s
		}
	}
	return d
}

// findDraws gives every draw its part.
func (l *look) findDraws() {
	for _, first := range []bool{true, false} {
		for _, s := range l.p.Steps() {
			if s.Kind == protocol.StepDraw && s.Water == "treated" && s.DuplicateOf == "" && l.draws.treated.step == nil && (s.Draw == "first" || !first) {
				l.draws.treated = l.drawOf(s.ID)
			}
		}
	}
	t := l.draws.treated.step
	if t != nil {
		l.draws.untreated, l.draws.untreatedAfter = l.drawOf(t.PairsWith), l.drawOf(t.PairsAfter)
	}
	set := func(d *drawn, id string) {
		if d.step == nil {
			*d = l.drawOf(id)
		}
	}
	for _, s := range l.p.Steps() {
		if s.Kind != protocol.StepDraw {
			continue
		}
		switch {
		case t != nil && s.DuplicateOf == t.ID && s.Duplicate == "repeat":
			set(&l.draws.second, s.ID)
			set(&l.draws.secondUntreated, s.PairsWith)
		case s.DuplicateOf != "" && s.Duplicate != "repeat" && s.Water != "untreated":
			set(&l.draws.duplicate, s.ID)
		case s.Water == "treated" && s.Draw == "flushed":
			set(&l.draws.flushed, s.ID)
		case s.Water == "drain":
			set(&l.draws.drain, s.ID)
		case s.Blank == "field":
			set(&l.draws.fieldBlank, s.ID)
		case s.Blank == "bottle_lot":
			set(&l.draws.lotBlank, s.ID)
		}
	}
}

// dayApart is how far apart two draws must lie to have been drawn on two days:
// a date alone would take ten minutes around midnight for two. Common practice,
// no source.
const dayApart = 18 * time.Hour

// otherDay tells whether the repeat was drawn on another day than the treated
// sample: at least dayApart later, and no criterion of the protocol that holds
// the two draws against each other says otherwise.
func (l *look) otherDay() bool {
	first, second := l.draws.treated, l.draws.second
	a, b := first.at(), second.at()
	if a.IsZero() || b.IsZero() || b.Sub(a) < dayApart {
		return false
	}
	for _, d := range l.st.Decided {
		c := l.p.Criterion(d.Criterion)
		if c != nil && c.Decides == second.step.ID && strings.Contains(c.Must, first.step.ID+".") && d.Try == second.try.N && d.State != "met" {
			return false
		}
	}
	return true
}

// sameLots tells whether every bottle of a draw that an analyte is read from
// has a lot that the blank has too.
func (l *look) sameLots(blank, of drawn, analyte string) bool {
	if blank.try == nil || of.try == nil {
		return false
	}
	lots := func(d drawn) []string {
		var out []string
		for _, b := range d.try.Bottles {
			kind := l.p.Bottles[b.Bottle]
			if len(kind.Analytes) == 0 || slices.Contains(kind.Analytes, analyte) {
				out = append(out, b.Bottle+" "+b.Lot)
			}
		}
		return out
	}
	have, want := lots(blank), lots(of)
	for _, w := range want {
		if !slices.Contains(have, w) {
			return false
		}
	}
	return len(want) > 0
}

// findMarks works out, for every step, which qualified criteria and accepted
// departures weigh on what it gave: those that decide it, or a step that it
// depends on.
func (l *look) findMarks() {
	l.marks = map[string][]string{}
	mark := func(step, word string) {
		for _, s := range append([]string{step}, l.p.Dependents(step)...) {
			if !slices.Contains(l.marks[s], word) {
				l.marks[s] = append(l.marks[s], word)
			}
		}
	}
	for _, d := range l.st.Decided {
		c := l.p.Criterion(d.Criterion)
		if c == nil || !l.counts(c.Decides, d.Try) {
			continue
		}
		then := c.Otherwise
		if d.State == "undecided" {
			then = c.Undecided
		}
		if (d.State == "unmet" || d.State == "undecided") && then == protocol.ThenQualify {
			mark(c.Decides, "qualified:"+c.ID)
		}
	}
	for _, e := range l.st.Events {
		d, ok := e.Body.(*runner.Departure)
		if !ok {
			continue
		}
		for _, id := range d.Affects {
			if c := l.p.Criterion(id); c != nil && (d.Try == 0 || l.counts(c.Decides, d.Try)) {
				mark(c.Decides, "departure:"+id)
			}
		}
	}
	for _, words := range l.marks {
		slices.Sort(words)
	}
}

func (l *look) counts(step string, try int) bool {
	t := l.st.CountedTry(step)
	return t != nil && t.N == try
}

// marked joins the marks of some steps with further ones, sorted and without
// repetition.
func (l *look) marked(more []string, steps ...*protocol.Step) []string {
	out := slices.Clone(more)
	for _, s := range steps {
		if s != nil {
			out = append(out, l.marks[s.ID]...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
