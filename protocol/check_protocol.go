package protocol

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"tapledger/rules"
	"tapledger/rules/quantity"
)

// placedStep is a step with its section and its place in the file.
type placedStep struct {
	*Step
	section *Section
	index   int // of the section
	n       int // in the protocol's order
	ptr     string
	lent    bool // it stands in another protocol, where it was checked
}

func (d *draft) placedSteps(p *Protocol) []placedStep {
	var out []placedStep
	for i := range p.Sections {
		_, lent := d.borrowed[i]
		for j := range p.Sections[i].Steps {
			out = append(out, placedStep{&p.Sections[i].Steps[j], &p.Sections[i], i, len(out), fmt.Sprintf("/sections/%d/steps/%d", i, j), lent})
		}
	}
	return out
}

func (d *draft) checkProtocol(p *Protocol, lib *Library) {
	steps := d.placedSteps(p)
	d.checkProtocolIDs(p, steps)
	for _, s := range steps {
		if !s.lent {
			d.checkReferences(p, s)
			d.checkStep(p, s)
		}
	}
	d.checkOrder(p, steps)
	d.checkSamples(p, steps)
	d.checkExpressions(p, steps)
	d.checkCriteria(p, steps)
	d.checkConstants(p)
	d.checkCare(p, steps)
	d.checkCautionsDue(p, steps, lib)
	d.checkAnalytes(p, lib)
}

func (d *draft) checkProtocolIDs(p *Protocol, steps []placedStep) {
	var sections, ids, criteria []string
	for i, s := range p.Sections {
		sections = append(sections, s.ID)
		d.checkID(fmt.Sprintf("/sections/%d/id", i), s.ID)
	}
	d.unique("section", sections, func(i int) string { return fmt.Sprintf("/sections/%d/id", i) })
	for _, s := range steps {
		ids = append(ids, s.ID)
		d.checkID(s.ptr+"/id", s.ID)
	}
	d.unique("step", ids, func(i int) string { return steps[i].ptr + "/id" })
	var at []string
	for _, c := range p.Criteria {
		ptr := d.criterionAt[c.ID]
		if !strings.HasPrefix(ptr, "/criteria/") || c.Window != "" {
			continue
		}
		ptr = fmt.Sprintf("/criteria/%d", len(at))
		criteria, at = append(criteria, c.ID), append(at, ptr+"/id")
		d.checkID(ptr+"/id", c.ID)
		if step, window, dotted := strings.Cut(c.ID, "."); dotted {
			d.fault(ptr+"/id", fmt.Sprintf("%s is the window of the step %q and is not written by hand", c.ID, step), fmt.Sprintf("write %s at the step", window))
		}
	}
	d.unique("criterion", criteria, func(i int) string { return at[i] })
	d.checkIDKeys("/constants", slices.Sorted(maps.Keys(p.Constants)))
	d.checkIDKeys("/points", slices.Sorted(maps.Keys(p.Points)))
	d.checkIDKeys("/bottles", slices.Sorted(maps.Keys(p.Bottles)))
	for i, a := range p.Analytes {
		d.checkID(fmt.Sprintf("/analytes/%d", i), a)
	}
}

// checkReferences reports names of steps, points, bottles and criteria that
// the protocol does not have, and names of the wrong kind.
func (d *draft) checkReferences(p *Protocol, s placedStep) {
	var ids []string
	for _, o := range p.Steps() {
		ids = append(ids, o.ID)
	}
	for _, r := range []struct {
		key, id string
		kinds   []string
	}{{"after", s.After, nil}, {"from", s.From, []string{StepFill, StepFlush}}, {"ends", s.Ends, []string{StepStand}},
		{"pairs_with", s.PairsWith, []string{StepDraw}}, {"pairs_after", s.PairsAfter, []string{StepDraw}},
		{"composite_over", s.CompositeOver, []string{StepFill, StepFlush}}, {"duplicate_of", s.DuplicateOf, []string{StepDraw}},
		{"repeats_from", s.RepeatsFrom, nil}} {
		if r.id == "" {
			continue
		}
		ptr := s.ptr + "/" + r.key
		if !d.known(ptr, "step", r.id, ids) {
			continue
		}
		_, o := p.Step(r.id)
		switch {
		case o.ID == s.ID:
			d.fault(ptr, fmt.Sprintf("the step %q names itself", s.ID), "")
		case r.kinds != nil && !slices.Contains(r.kinds, o.Kind):
			d.fault(ptr, fmt.Sprintf("%q is a %s; %s names a %s", r.id, o.Kind, r.key, strings.Join(r.kinds, " or a ")), "")
		}
	}
	for i, id := range s.Samples {
		ptr := fmt.Sprintf("%s/samples/%d", s.ptr, i)
		if d.known(ptr, "step", id, ids) {
			if _, o := p.Step(id); o.Kind != StepDraw {
				d.fault(ptr, fmt.Sprintf("%q is a %s; samples come from draws", id, o.Kind), "")
			}
		}
	}
	if s.Point != "" {
		d.known(s.ptr+"/point", "point", s.Point, slices.Sorted(maps.Keys(p.Points)))
	}
	for i, b := range s.Bottles {
		d.known(fmt.Sprintf("%s/bottles/%d", s.ptr, i), "bottle", b, slices.Sorted(maps.Keys(p.Bottles)))
	}
	var criteria []string
	for _, c := range p.Criteria {
		criteria = append(criteria, c.ID)
	}
	for i, n := range s.Needs {
		d.known(fmt.Sprintf("%s/needs/%d", s.ptr, i), "criterion", n, criteria)
	}
}

// checkStep reports what is wrong within one step.
func (d *draft) checkStep(p *Protocol, s placedStep) {
	switch s.Kind {
	case StepReading:
		d.checkReading(s)
	case StepSeries:
		if s.Fewest > s.Most {
			d.fault(s.ptr+"/fewest", fmt.Sprintf("fewest is %d and most %d", s.Fewest, s.Most), "a series has at least fewest and at most most readings")
		}
		d.checkGives(s.ptr, s.Gives, s.In)
	case StepFlush, StepFill:
		d.checkGives(s.ptr, s.Gives, "L")
	case StepDerive:
		d.checkGives(s.ptr, s.Gives, s.In)
	case StepTaste:
		if !slices.Contains(append(s.section.Involves, s.Involves...), "tasting") {
			d.fault(s.ptr+"/kind", "tasting is not declared", "write involves: [tasting] at the step or its section")
		}
		if len(s.Needs) < 2 {
			d.fault(s.ptr+"/needs", "a taste step needs two criteria: no coliforms in this unit's treated sample, and no analyte above its health-based value",
				"it stays awaiting until both are met")
		}
	}
	for _, w := range []struct {
		name   string
		window *Window
	}{{"at_least", s.AtLeast}, {"at_most", s.AtMost}, {"within", s.Within}} {
		if w.window != nil {
			d.checkWindow(s, w.name, w.window)
		}
	}
	if s.AtLeast != nil && s.AtMost != nil {
		d.ordered(s.ptr+"/at_least/is", limitText(p, s.AtLeast.Is), limitText(p, s.AtMost.Is), "at least %s and at most %s can never both be met")
	}
	d.checkAsk(p, s)
}

// limitText is a window's limit as a quantity where it is one, or names a
// constant that is.
func limitText(p *Protocol, is string) string {
	if name, ok := strings.CutPrefix(strings.TrimSpace(is), "constants."); ok {
		return p.Constants[name]
	}
	return is
}

func (d *draft) checkReading(s placedStep) {
	if len(s.Sheet) == 0 {
		if s.In == "" {
			d.fault(s.ptr, fmt.Sprintf("the reading %q has no unit", s.ID), "write in: and a unit, or a sheet of values with a unit each")
		}
		d.checkGives(s.ptr, s.Gives, s.In)
		return
	}
	if s.In != "" {
		d.faultKey(s.ptr+"/in", "a reading with a sheet has its units there", "take in: out")
	}
	var names []string
	for i, a := range s.Sheet {
		at := fmt.Sprintf("%s/sheet/%d", s.ptr, i)
		names = append(names, a.Name)
		d.checkID(at+"/name", a.Name)
		if a.Name == "at" || strings.HasSuffix(a.Name, "_values") || strings.HasSuffix(a.Name, "_instrument") {
			d.fault(at+"/name", fmt.Sprintf("%q is a name that every sheet has already", a.Name), "choose another")
		}
		d.checkGives(at, a.Gives, a.In)
	}
	d.unique("value", names, func(i int) string { return fmt.Sprintf("%s/sheet/%d/name", s.ptr, i) })
}

// checkGives reports a bench measurement that is not in the closed list, or
// has another dimension than the step's unit.
func (d *draft) checkGives(ptr, name, in string) {
	if name == "" {
		return
	}
	want, ok := GivesDimension(name)
	if !ok {
		d.fault(ptr+"/gives", fmt.Sprintf("%q is no bench measurement", name), nearHint(name, GivesNames()))
		return
	}
	if u, err := quantity.LookupUnit(in); err == nil && u.Dim != want {
		d.fault(ptr+"/gives", fmt.Sprintf("%s is a %s, and this step's value a %s", name, want, u.Dim), "")
	}
}

// checkWindow reports a window of the wrong dimension for its step.
func (d *draft) checkWindow(s placedStep, name string, w *Window) {
	ptr := s.ptr + "/" + name + "/is"
	allowed := []quantity.Dim{quantity.Time}
	if s.Kind == StepFlush || s.Kind == StepFill {
		allowed = append(allowed, quantity.Volume)
	}
	if _, err := quantity.Parse(w.Is); err == nil {
		d.dimension(ptr, w.Is, allowed...)
		return
	}
	x := d.compile(d.env, ptr, w.Is, rules.Type{})
	if x == nil {
		return
	}
	for _, a := range allowed {
		if x.Type() == rules.QuantityOf(a) {
			return
		}
	}
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = a.String()
	}
	d.fault(ptr, fmt.Sprintf("this is a %s; a %s is wanted here", x.Type(), strings.Join(words, " or a ")), "")
}
