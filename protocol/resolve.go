package protocol

import (
	"fmt"
	"strings"

	"tapledger/rules"
	"tapledger/rules/quantity"
)

// borrow names a section of another protocol.
type borrow struct{ protocol, section, version, sha256 string }

// takeBorrows takes the borrowed sections out of a protocol's plain values and
// leaves an empty section in the place of each.
func (d *draft) takeBorrows(plain any) {
	top, _ := plain.(map[string]any)
	sections, _ := top["sections"].([]any)
	for i, s := range sections {
		m, _ := s.(map[string]any)
		b, ok := m["borrows"].(map[string]any)
		if !ok {
			continue
		}
		text := func(k string) string { s, _ := b[k].(string); return s }
		d.borrowed[i] = borrow{text("protocol"), text("section"), text("version"), text("sha256")}
		sections[i] = map[string]any{"id": "", "steps": []any{}}
	}
}

func (d *draft) borrows() bool { return len(d.borrowed) > 0 }

// resolve works borrowed sections, defaults and windows into a protocol. The
// other kinds are their own resolved form.
func (d *draft) resolve(lib *Library) {
	p, ok := d.value.(*Protocol)
	if !ok {
		return
	}
	for i := range p.Criteria {
		d.noteCriterion(p.Criteria[i].ID, fmt.Sprintf("/criteria/%d", i))
	}
	if p.Tries == (Tries{}) {
		p.Tries = Tries{Most: 3, Counts: "last"}
	}
	var lent []Criterion
	for i := range p.Sections {
		if b, ok := d.borrowed[i]; ok {
			lent = append(lent, d.include(p, i, b, lib)...)
			continue
		}
		for j := range p.Sections[i].Steps {
			stepDefaults(p, &p.Sections[i].Steps[j])
			p.Criteria = append(p.Criteria, d.windows(&p.Sections[i].Steps[j], fmt.Sprintf("/sections/%d/steps/%d", i, j))...)
		}
	}
	p.Criteria = append(p.Criteria, lent...)
	for _, s := range p.Steps() {
		drawDefaults(p, s)
	}
	d.env, d.envError = rules.NewEnv(rules.Level, Vocabulary(p))
	for i := range p.Criteria {
		d.windowField(p, &p.Criteria[i])
	}
}

// windowField turns a window whose limit is an expression from the time that
// the step took to the volume that ran, where the expression is a volume.
func (d *draft) windowField(p *Protocol, c *Criterion) {
	_, s := p.Step(c.Decides)
	w := windowOf(s, c.Window)
	if w == nil || s.Kind == StepDraw || d.env == nil {
		return
	}
	if _, err := quantity.Parse(w.Is); err == nil {
		return
	}
	x, faults := d.env.Compile(w.Is, rules.Type{})
	if len(faults) == 0 && x != nil && x.Type() == rules.QuantityOf(quantity.Volume) {
		c.Must = strings.Replace(c.Must, s.ID+".elapsed", s.ID+".volume", 1)
	}
}

// windowOf returns the window of that name, nil if the step has none.
func windowOf(s *Step, name string) *Window {
	if s == nil {
		return nil
	}
	switch name {
	case "at_least":
		return s.AtLeast
	case "at_most":
		return s.AtMost
	case "within":
		return s.Within
	}
	return nil
}

func (d *draft) noteCriterion(id, ptr string) {
	if _, known := d.criterionAt[id]; !known {
		d.criterionAt[id] = ptr
	}
}

// include puts the borrowed section in its place and returns the criteria that
// come with it: those that decide its steps.
func (d *draft) include(p *Protocol, i int, b borrow, lib *Library) []Criterion {
	at := fmt.Sprintf("/sections/%d/borrows", i)
	doc, ok := lib.Get(KindProtocol, b.protocol, b.version)
	if !ok {
		d.fault(at+"/protocol", fmt.Sprintf("the protocol %s %s is not known here", b.protocol, b.version), knownDocs(lib, KindProtocol, b.protocol))
		return nil
	}
	if doc.ResolvedHash != b.sha256 {
		d.fault(at+"/sha256", fmt.Sprintf("%s %s has another hash", b.protocol, b.version), "its resolved form has "+doc.ResolvedHash)
		return nil
	}
	lender, _ := doc.Value.(*Protocol)
	var ids []string
	for _, s := range lender.Sections {
		ids = append(ids, s.ID)
		if s.ID != b.section {
			continue
		}
		if isBorrowed(doc, s.ID) {
			d.fault(at+"/section", fmt.Sprintf("%s borrows %q itself", b.protocol, b.section), "borrow it from where it is written; sections are lent one level deep")
			return nil
		}
		p.Sections[i] = Section{ID: s.ID, Title: s.Title, Involves: s.Involves, Steps: append([]Step(nil), s.Steps...)}
		var out []Criterion
		for _, step := range s.Steps {
			for _, c := range lender.Deciding(step.ID) {
				out = append(out, *c)
				d.noteCriterion(c.ID, fmt.Sprintf("/sections/%d", i))
			}
		}
		return out
	}
	d.fault(at+"/section", fmt.Sprintf("%s %s has no section %q", b.protocol, b.version, b.section), nearHint(b.section, ids))
	return nil
}

// isBorrowed looks into a lender's YAML, for the resolved form does not tell
// which of its sections it borrowed.
func isBorrowed(lender *Document, section string) bool {
	t := readTree(File{Name: lender.File, Bytes: lender.Source})
	top, _ := t.value.(map[string]any)
	sections, _ := top["sections"].([]any)
	for _, s := range sections {
		m, _ := s.(map[string]any)
		if b, ok := m["borrows"].(map[string]any); ok && b["section"] == section {
			return true
		}
	}
	return false
}

// stepDefaults fills in what a step leaves out: one reading, and that a step
// named like a bench measurement gives it.
func stepDefaults(p *Protocol, s *Step) {
	if s.Kind == StepReading && len(s.Sheet) == 0 && s.Repeats == 0 {
		s.Repeats = 1
	}
	for i := range s.Sheet {
		if s.Sheet[i].Repeats == 0 {
			s.Sheet[i].Repeats = 1
		}
	}
	if d, ok := gives[s.ID]; ok && s.Gives == "" && s.In != "" && unitDim(s.In) == d {
		s.Gives = s.ID
	}
}

// drawDefaults says whose water a draw is, and whether it is a first draw,
// where the document leaves it to the context.
func drawDefaults(p *Protocol, s *Step) {
	if s.Kind != StepDraw {
		return
	}
	if s.Water == "" {
		s.Water = drawnWater(p, s)
	}
	if s.Draw == "" && s.Water == "treated" {
		s.Draw = "flushed"
		if s.Ends != "" {
			s.Draw = "first"
		}
	}
}

func drawnWater(p *Protocol, s *Step) string {
	switch {
	case s.Blank != "":
		return "blank"
	case s.PairsWith != "" || s.Ends != "":
		return "treated"
	}
	for _, o := range p.Steps() {
		if o.PairsWith == s.ID || o.PairsAfter == s.ID {
			return "untreated"
		}
	}
	if _, of := p.Step(s.DuplicateOf); of != nil && of.ID != s.ID && of.DuplicateOf == "" {
		if of.Water == "" {
			return drawnWater(p, of)
		}
		return of.Water
	}
	return ""
}

// windows makes the criteria of a step's windows.
func (d *draft) windows(s *Step, ptr string) []Criterion {
	var out []Criterion
	for _, w := range []struct {
		name, operator string
		window         *Window
	}{{"at_least", ">=", s.AtLeast}, {"at_most", "<=", s.AtMost}, {"within", "<=", s.Within}} {
		if w.window == nil {
			continue
		}
		id := s.ID + "." + w.name
		d.noteCriterion(id, ptr+"/"+w.name)
		out = append(out, Criterion{ID: id, Decides: s.ID, Must: windowRule(s, w.operator, w.window.Is), Otherwise: w.window.Otherwise,
			Undecided: w.window.Undecided, Because: w.window.Because, Source: w.window.Source, Window: w.name})
	}
	return out
}

// windowRule is the expression of a window: the time that the step took, or
// the volume that ran, against what the window says. A limit that parses as a
// quantity is one; anything else is an expression, whose type decides (see
// checkWindow, which sets the field for those).
func windowRule(s *Step, operator, is string) string {
	field, limit := "elapsed", is
	if s.Kind == StepDraw {
		field = "took"
	}
	if q, err := quantity.Parse(is); err == nil {
		limit = fmt.Sprintf("qty(%q)", strings.TrimSpace(is))
		if q.Dim == quantity.Volume && s.Kind != StepDraw {
			field = "volume"
		}
	}
	return fmt.Sprintf("%s.%s %s (%s)", s.ID, field, operator, limit)
}

// nearHint is "did you mean" for a word of a list, or the list.
func nearHint(bad string, known []string) string {
	if near := quantity.Nearest(bad, known); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	if len(known) == 0 {
		return "none is declared"
	}
	if len(known) > 30 {
		known = append(append([]string(nil), known[:30]...), "...")
	}
	return "known here: " + strings.Join(known, ", ")
}

// knownDocs is nearHint over the ids of a kind of document.
func knownDocs(lib *Library, kind, id string) string {
	var ids []string
	for _, d := range lib.All(kind) {
		if d.ID == id {
			ids = append(ids, d.ID+" "+d.Version)
		}
	}
	if len(ids) > 0 {
		return "known here: " + strings.Join(ids, ", ")
	}
	for _, d := range lib.All(kind) {
		if len(ids) == 0 || ids[len(ids)-1] != d.ID {
			ids = append(ids, d.ID)
		}
	}
	return nearHint(id, ids)
}
