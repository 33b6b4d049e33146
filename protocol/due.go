package protocol

import (
	"slices"
	"sort"
	"strings"
)

// DueCautions returns the ids of the cautions that are due at a step (or, with
// a nil step, anywhere in the section; with a nil section too, anywhere in the
// protocol), sorted.
func DueCautions(p *Protocol, s *Section, st *Step, all []*Caution) []string {
	var out []string
	for _, c := range all {
		if slices.Contains(out, c.ID) {
			continue // an older version of the same
		}
		if _, due := dueWhy(p, s, st, c); due {
			out = append(out, c.ID)
		}
	}
	sort.Strings(out)
	return out
}

// dueWhy tells whether a caution is due, and by what.
func dueWhy(p *Protocol, s *Section, st *Step, c *Caution) (string, bool) {
	for _, r := range c.Due {
		switch {
		case st != nil:
			if (len(r.At) == 0 || slices.Contains(r.At, st.Kind)) && triggered(p, s, st, r) {
				return "the step " + quoted(st.ID), true
			}
		case r.Trigger == "unit_has":
			if common(p.UnitHas, r.Is) {
				return "the unit has " + strings.Join(both(p.UnitHas, r.Is), ", "), true
			}
		default:
			if why, due := dueSomewhere(p, s, r); due {
				return why, true
			}
		}
	}
	return "", false
}

// dueSomewhere looks for a step that a rule is about.
func dueSomewhere(p *Protocol, s *Section, r DueRule) (string, bool) {
	for i := range p.Sections {
		section := &p.Sections[i]
		if s != nil && section.ID != s.ID {
			continue
		}
		if r.Trigger == "involves" && common(section.Involves, r.Is) {
			return "the section " + quoted(section.ID) + " involves " + strings.Join(both(section.Involves, r.Is), ", "), true
		}
		for j := range section.Steps {
			st := &section.Steps[j]
			if (len(r.At) == 0 || slices.Contains(r.At, st.Kind)) && triggered(p, section, st, r) {
				return "the step " + quoted(st.ID), true
			}
		}
	}
	return "", false
}

// triggered tells whether a step, in its section and protocol, has one of the
// words that a rule names.
func triggered(p *Protocol, s *Section, st *Step, r DueRule) bool {
	switch r.Trigger {
	case "unit_has":
		return common(p.UnitHas, r.Is)
	case "involves":
		return s != nil && common(s.Involves, r.Is) || common(st.Involves, r.Is)
	case "step":
		return slices.Contains(r.Is, st.Kind)
	case "dimension":
		for _, a := range st.Asks() {
			if slices.Contains(r.Is, unitDim(a.In).String()) {
				return true
			}
		}
	case "preservative":
		for _, b := range stepBottles(p, st) {
			if common(preservations(b.Preservative), r.Is) {
				return true
			}
		}
	case "bottle":
		for _, b := range stepBottles(p, st) {
			if b.Sterile == "yes" && slices.Contains(r.Is, "sterile") ||
				strings.Contains(strings.ToLower(b.Material), "glass") && slices.Contains(r.Is, "glass") {
				return true
			}
		}
	}
	return false
}

// stepBottles are the bottles that a step is about: those of a draw, and of
// the draws that a hand-over passes on.
func stepBottles(p *Protocol, st *Step) []Bottle {
	names := st.Bottles
	if st.Kind == StepHand {
		for _, o := range p.Steps() {
			if o.Kind == StepDraw && (len(st.Samples) == 0 || slices.Contains(st.Samples, o.ID)) {
				names = append(names[:len(names):len(names)], o.Bottles...)
			}
		}
	}
	var out []Bottle
	for _, n := range names {
		if b, ok := p.Bottles[n]; ok {
			out = append(out, b)
		}
	}
	return out
}

func common(a, b []string) bool { return len(both(a, b)) > 0 }

// both lists the words of a that b has too.
func both(a, b []string) []string {
	var out []string
	for _, x := range a {
		if slices.Contains(b, x) && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

func quoted(s string) string { return `"` + s + `"` }
