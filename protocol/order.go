package protocol

// Step returns the section and step of that id, nil and nil if there is none.
func (p *Protocol) Step(id string) (*Section, *Step) {
	for i := range p.Sections {
		for j := range p.Sections[i].Steps {
			if p.Sections[i].Steps[j].ID == id {
				return &p.Sections[i], &p.Sections[i].Steps[j]
			}
		}
	}
	return nil, nil
}

// Steps returns every step, in the protocol's order.
func (p *Protocol) Steps() []*Step {
	var out []*Step
	for i := range p.Sections {
		for j := range p.Sections[i].Steps {
			out = append(out, &p.Sections[i].Steps[j])
		}
	}
	return out
}

// Criterion returns the criterion of that id, nil if there is none.
func (p *Protocol) Criterion(id string) *Criterion {
	for i := range p.Criteria {
		if p.Criteria[i].ID == id {
			return &p.Criteria[i]
		}
	}
	return nil
}

// Deciding returns the criteria that decide a step, in the protocol's order.
func (p *Protocol) Deciding(step string) []*Criterion {
	var out []*Criterion
	for i := range p.Criteria {
		if p.Criteria[i].Decides == step {
			out = append(out, &p.Criteria[i])
		}
	}
	return out
}

// Before returns the ids of the steps that must be closed (for a composite:
// begun) before a step may be entered, without repetition: the step named by
// `after`, or else the one before it in its section; those named by `from`,
// `ends`, `composite_over` and `duplicate_of`. A pair sets no order: of two
// draws of the same minutes the treated one is taken first.
func (p *Protocol) Before(id string) []string {
	section, step := p.Step(id)
	if step == nil {
		return nil
	}
	var out []string
	add := func(s string) {
		if s == "" {
			return
		}
		for _, have := range out {
			if have == s {
				return
			}
		}
		out = append(out, s)
	}
	add(step.After)
	if step.After == "" {
		for j := range section.Steps {
			if j > 0 && section.Steps[j].ID == id {
				add(section.Steps[j-1].ID)
			}
		}
	}
	add(step.From)
	add(step.Ends)
	add(step.CompositeOver)
	add(step.DuplicateOf)
	return out
}

// Dependents returns the ids of the steps that go along when a step is done
// again, in the protocol's order and without the step itself: the closure over
// Before and `pairs_with`. Sections do not depend on each other by order.
func (p *Protocol) Dependents(id string) []string {
	hit := map[string]bool{id: true}
	steps := p.Steps()
	before := make([][]string, len(steps))
	for i, s := range steps {
		before[i] = append(p.Before(s.ID), s.PairsWith, s.PairsAfter)
	}
	for changed := true; changed; {
		changed = false
		for i, s := range steps {
			if hit[s.ID] {
				continue
			}
			for _, b := range before[i] {
				if b != "" && hit[b] {
					hit[s.ID], changed = true, true
				}
			}
		}
	}
	var out []string
	for _, s := range steps {
		if hit[s.ID] && s.ID != id {
			out = append(out, s.ID)
		}
	}
	return out
}

// RepeatFrom returns the step of which `repeat` opens a further try: the step
// that the criterion decides; for a window of a step with `from`, the step
// named there. A draw that ends a stand cannot be drawn again without standing
// again, so there it is what the stand's own window would repeat. Where the
// step found so has `repeats_from`, the repeat begins with what that names.
func (p *Protocol) RepeatFrom(c *Criterion) string {
	id := p.repeated(c)
	if _, s := p.Step(id); s != nil && s.RepeatsFrom != "" {
		return s.RepeatsFrom
	}
	return id
}

func (p *Protocol) repeated(c *Criterion) string {
	_, s := p.Step(c.Decides)
	if s == nil {
		return c.Decides
	}
	if s.Ends != "" {
		if _, stand := p.Step(s.Ends); stand != nil {
			if stand.From != "" {
				return stand.From
			}
			return stand.ID
		}
	}
	if c.Window != "" && s.From != "" {
		return s.From
	}
	return s.ID
}
