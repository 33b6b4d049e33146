package protocol

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"tapledger/rules"
)

// checkExpressions compiles what is written as an expression: the rules of
// criteria by hand, and what derived steps work out.
func (d *draft) checkExpressions(p *Protocol, steps []placedStep) {
	if d.envError != nil {
		if len(d.faults) == 0 { // ids that stand twice have been reported at their place
			d.fault("/sections", "the expressions of this protocol cannot be checked: "+d.envError.Error(), "")
		}
		return
	}
	for _, s := range steps {
		if s.Kind == StepDerive && !s.lent {
			d.compile(d.env, s.ptr+"/value", s.Value, DeriveType(s.Step))
		}
	}
	for i, c := range p.Criteria {
		ptr := fmt.Sprintf("/criteria/%d", i)
		if _, own := d.places[ptr+"/must"]; own {
			d.compile(d.env, ptr+"/must", c.Must, rules.Bool)
		} else if at := d.criterionAt[c.ID]; strings.Count(at, "/") == 2 && d.env != nil {
			// A lent criterion may name constants or steps that only its lender has.
			if _, faults := d.env.Compile(c.Must, rules.Bool); len(faults) > 0 {
				d.fault(at, fmt.Sprintf("the criterion %q comes with this section: %s", c.ID, faults[0].Says), "declare here what the section needs")
			}
		}
	}
}

// checkCriteria reports criteria that decide no step, or ask for evidence that
// the step cannot have.
func (d *draft) checkCriteria(p *Protocol, steps []placedStep) {
	var ids []string
	for _, s := range steps {
		ids = append(ids, s.ID)
	}
	for i, c := range p.Criteria {
		ptr := fmt.Sprintf("/criteria/%d", i)
		if _, own := d.places[ptr]; !own || c.Window != "" {
			continue
		}
		if !d.known(ptr+"/decides", "step", c.Decides, ids) {
			continue
		}
		_, s := p.Step(c.Decides)
		if d.env == nil {
			continue
		}
		x, faults := d.env.Compile(c.Must, rules.Bool)
		if len(faults) > 0 || x == nil {
			continue
		}
		if refs := x.Refs(); !readsStep(refs, s) {
			d.fault(ptr+"/decides", fmt.Sprintf("the rule reads nothing of the step %q that it decides", s.ID), "it reads "+strings.Join(refs, ", "))
		}
	}
}

// readsStep tells whether a rule reads the step that it decides; what a report
// decides may be read from the analytes.
func readsStep(refs []string, s *Step) bool {
	for _, r := range refs {
		if strings.HasPrefix(r, s.ID+".") || s.Kind == StepReport && strings.HasPrefix(r, "analyte(") {
			return true
		}
	}
	return s.Kind == StepDraw && slices.ContainsFunc(refs, func(r string) bool { return strings.HasPrefix(r, "analyte(") })
}

// checkConstants reports constants that nothing uses. The reader itself uses
// tank_volume, for what the draws need.
func (d *draft) checkConstants(p *Protocol) {
	for i := range d.borrowed {
		if len(p.Sections[i].Steps) == 0 {
			return // the section could not be borrowed, and it may use them
		}
	}
	if d.badRules {
		return // what does not compile may have meant them
	}
	var all strings.Builder
	for _, c := range p.Criteria {
		all.WriteString(c.Must + "\n")
	}
	for _, s := range p.Steps() {
		all.WriteString(s.Value + "\n")
	}
	text := all.String()
	for _, name := range slices.Sorted(maps.Keys(p.Constants)) {
		if name != "tank_volume" && !reservedIDs[name] && !mentions(text, "constants."+name) {
			d.faultKey("/constants/"+name, fmt.Sprintf("nothing uses the constant %q", name), "expressions name it constants."+name)
		}
	}
}

// mentions finds a word in a text where no further letter, digit or underscore
// follows.
func mentions(text, word string) bool {
	for {
		i := strings.Index(text, word)
		if i < 0 {
			return false
		}
		text = text[i+len(word):]
		if text == "" || !strings.ContainsRune("abcdefghijklmnopqrstuvwxyz0123456789_", rune(text[0])) {
			return true
		}
	}
}
