package protocol

import (
	"fmt"
	"slices"
	"strings"
)

// checkOrder reports steps that wait for each other, and steps that can never
// be reached because they wait for one of a later section.
func (d *draft) checkOrder(p *Protocol, steps []placedStep) {
	byID := map[string]placedStep{}
	for _, s := range steps {
		if _, twice := byID[s.ID]; !twice {
			byID[s.ID] = s
		}
	}
	for _, s := range steps {
		for _, r := range []struct{ key, id string }{{"after", s.After}, {"from", s.From}, {"ends", s.Ends},
			{"composite_over", s.CompositeOver}, {"duplicate_of", s.DuplicateOf}} {
			if o, ok := byID[r.id]; ok && o.index > s.index && !s.lent {
				d.fault(s.ptr+"/"+r.key, fmt.Sprintf("%q comes only in the later section %q; this step could never be reached", r.id, o.section.ID), "")
			}
		}
	}
	if cycle := findCycle(p, steps); len(cycle) > 0 {
		first := byID[cycle[0]]
		key := first.ptr + "/id"
		for _, k := range []string{"after", "from", "ends", "composite_over", "duplicate_of"} {
			if _, has := d.places[first.ptr+"/"+k]; has {
				key = first.ptr + "/" + k
				break
			}
		}
		d.fault(key, "these steps wait for each other: "+strings.Join(append(cycle, cycle[0]), " after "), "list order counts too, except for a step with after")
	}
	for _, s := range steps {
		if o, ok := byID[s.RepeatsFrom]; ok && o.ID != s.ID && !slices.Contains(p.Dependents(o.ID), s.ID) {
			d.fault(s.ptr+"/repeats_from", fmt.Sprintf("%q does not come before this step; done again, it would not bring this step along", o.ID), "name a step that this one follows")
		}
	}
	d.checkNeedsOrder(p, steps, byID)
}

// findCycle returns the first cycle over Before, beginning at the step that
// stands first in the protocol among those with a written reference.
func findCycle(p *Protocol, steps []placedStep) []string {
	const (
		fresh = iota
		active
		done
	)
	state := map[string]int{}
	var path, cycle []string
	var visit func(id string)
	visit = func(id string) {
		if cycle != nil || state[id] == done {
			return
		}
		if state[id] == active {
			for i, x := range path {
				if x == id {
					cycle = append([]string(nil), path[i:]...)
				}
			}
			return
		}
		state[id] = active
		path = append(path, id)
		for _, b := range p.Before(id) {
			if _, s := p.Step(b); s != nil && b != id {
				visit(b)
			}
		}
		path = path[:len(path)-1]
		state[id] = done
	}
	for _, s := range steps {
		visit(s.ID)
	}
	return rotate(p, cycle)
}

// rotate lets a cycle begin at a step whose own words made it.
func rotate(p *Protocol, cycle []string) []string {
	for i, id := range cycle {
		if _, s := p.Step(id); s.After != "" || s.From != "" || s.Ends != "" || s.CompositeOver != "" || s.DuplicateOf != "" {
			return append(append([]string(nil), cycle[i:]...), cycle[:i]...)
		}
	}
	return cycle
}

// checkNeedsOrder reports a step that needs a criterion which can only be
// decided after the step itself.
func (d *draft) checkNeedsOrder(p *Protocol, steps []placedStep, byID map[string]placedStep) {
	for _, s := range steps {
		later := map[string]bool{s.ID: true}
		for _, id := range p.Dependents(s.ID) {
			later[id] = true
		}
		for i, n := range s.Needs {
			c := p.Criterion(n)
			if c == nil {
				continue
			}
			o, ok := byID[c.Decides]
			if ok && (later[o.ID] || o.index > s.index) {
				d.fault(fmt.Sprintf("%s/needs/%d", s.ptr, i), fmt.Sprintf("%q decides %q, which comes only after this step", n, c.Decides), "")
			}
		}
	}
}
