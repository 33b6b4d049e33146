package runner

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
)

// Engine is the level of the rules that runs are opened with.
const Engine = rules.Level

// compiled is a protocol made ready once for a whole run.
type compiled struct {
	steps     []*protocol.Step
	at        map[string]int // step id -> place in steps
	section   []int          // place in steps -> section
	sections  []*protocol.Section
	before    map[string][]string
	dependent map[string][]string
	rules     []*rule
	deciding  map[string][]*rule
	byID      map[string]*rule
	derives   map[string]*rules.Expr
	windows   map[string]*rules.Expr // "step.window", for the clock times of Next
	constants map[string]any         // quantity.Quantity or *big.Rat
	unit      map[string]quantity.Quantity
	fields    map[string]map[string]rules.Type
	asks      map[string][]protocol.Asked
	cautions  map[string][]string
	parts     map[string]protocol.PartSpec
	roles     map[string]string // role -> step id
}

// rule is one criterion, compiled.
type rule struct {
	*protocol.Criterion
	expr   *rules.Expr
	target string // the step that `repeat` opens a further try of
	refs   []string
}

// Pin resolves everything that an opened record names from the files of main's
// tree at the opening commit ("documents/<kind>/<id>/<version>.json"), holds
// the hashes against the pins, and compiles the rules once. Errors name the
// document and say which side differs.
func Pin(files map[string][]byte, run string, opened Opened) (*Pinned, error) {
	if opened.Engine != Engine {
		return nil, fmt.Errorf("run %s was opened with engine level %d; this version has level %d", run, opened.Engine, Engine)
	}
	p := &Pinned{Run: run, Opened: opened, Cautions: map[string]*protocol.Caution{},
		Instrument: map[string]*protocol.Instrument{}, Laboratory: map[string]*protocol.Laboratory{}}
	var err error
	if p.Protocol, err = pinned[protocol.Protocol](files, protocol.KindProtocol, opened.Protocol); err != nil {
		return nil, err
	}
	if p.Unit, err = pinned[protocol.Unit](files, protocol.KindUnit, opened.Unit); err != nil {
		return nil, err
	}
	for _, pin := range opened.Values {
		v, err := pinned[protocol.Values](files, protocol.KindValues, pin)
		if err != nil {
			return nil, err
		}
		p.Values = append(p.Values, v)
	}
	if opened.Scoring != nil {
		if p.Scoring, err = pinned[protocol.Scoring](files, protocol.KindScoring, *opened.Scoring); err != nil {
			return nil, err
		}
	}
	if opened.Campaign != nil {
		if p.Campaign, err = pinned[protocol.Campaign](files, protocol.KindCampaign, *opened.Campaign); err != nil {
			return nil, err
		}
	}
	if err := p.around(files); err != nil {
		return nil, err
	}
	if err := p.compile(); err != nil {
		return nil, err
	}
	return p, nil
}

// pinned reads one pinned document.
func pinned[T any](files map[string][]byte, kind string, pin protocol.Pin) (*T, error) {
	name := "documents/" + kind + "/" + pin.ID + "/" + pin.Version
	b, ok := files[name+".json"]
	if !ok {
		return nil, fmt.Errorf("%s.json is not in the tree of main that the run was opened on, but its opened record pins it", name)
	}
	if h := audit.Hash(b); h != pin.Resolved {
		return nil, fmt.Errorf("%s.json has %s, the opened record pins %s", name, h, pin.Resolved)
	}
	if y, ok := files[name+".yaml"]; ok {
		if h := audit.Hash(y); h != pin.Source {
			return nil, fmt.Errorf("%s.yaml has %s, the opened record pins %s", name, h, pin.Source)
		}
	}
	v, err := protocol.ParseResolved(kind, b)
	if err != nil {
		return nil, fmt.Errorf("%s.json: %w", name, err)
	}
	d, ok := v.(*T)
	if !ok {
		return nil, fmt.Errorf("%s.json holds a %T", name, v)
	}
	return d, nil
}

// around reads what is not pinned by name: the newest cautions, instruments,
// laboratories and people of that tree.
func (p *Pinned) around(files map[string][]byte) error {
	few := map[string][]byte{}
	for name, b := range files {
		for _, kind := range []string{protocol.KindCaution, protocol.KindInstrument, protocol.KindLaboratory, protocol.KindPerson} {
			if strings.HasPrefix(name, "documents/"+kind+"/") {
				few[name] = b
			}
		}
	}
	lib, err := protocol.FromTree(few)
	if err != nil {
		return err
	}
	for _, d := range lib.All("") {
		newest, _ := lib.Newest(d.Kind, d.ID)
		switch v := newest.Value.(type) {
		case *protocol.Caution:
			p.Cautions[v.ID] = v
		case *protocol.Instrument:
			p.Instrument[v.ID] = v
		case *protocol.Laboratory:
			p.Laboratory[v.ID] = v
		case *protocol.Person:
			p.People = append(p.People, v.ID)
		}
	}
	sort.Strings(p.People)
	p.People = slices.Compact(p.People)
	return nil
}

// compile makes the protocol ready. The protocol was checked when it was
// added; what fails here was damaged since, or belongs to another engine.
func (p *Pinned) compile() error {
	pr := p.Protocol
	c := &compiled{at: map[string]int{}, before: map[string][]string{}, dependent: map[string][]string{},
		deciding: map[string][]*rule{}, byID: map[string]*rule{}, derives: map[string]*rules.Expr{},
		windows: map[string]*rules.Expr{}, constants: map[string]any{}, unit: unitFields(p.Unit),
		fields: map[string]map[string]rules.Type{}, asks: map[string][]protocol.Asked{},
		cautions: map[string][]string{}, parts: map[string]protocol.PartSpec{}, roles: map[string]string{}}
	for i := range pr.Sections {
		c.sections = append(c.sections, &pr.Sections[i])
		for j := range pr.Sections[i].Steps {
			st := &pr.Sections[i].Steps[j]
			c.at[st.ID] = len(c.steps)
			c.steps = append(c.steps, st)
			c.section = append(c.section, i)
		}
	}
	for name, text := range pr.Constants {
		if err := c.constant(name, text); err != nil {
			return err
		}
	}
	env, err := rules.NewEnv(p.Opened.Engine, protocol.Vocabulary(pr))
	if err != nil {
		return fmt.Errorf("protocol %s %s: %w", pr.ID, pr.Version, err)
	}
	all := make([]*protocol.Caution, 0, len(p.Cautions))
	for _, caution := range p.Cautions {
		all = append(all, caution)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].ID < all[j].ID })
	for i, st := range c.steps {
		c.before[st.ID] = pr.Before(st.ID)
		c.dependent[st.ID] = pr.Dependents(st.ID)
		c.asks[st.ID] = st.Asks()
		c.cautions[st.ID] = protocol.DueCautions(pr, c.sections[c.section[i]], st, all)
		c.fields[st.ID] = map[string]rules.Type{}
		for _, f := range protocol.StepFields(*st) {
			c.fields[st.ID][f.Name] = f.Type
		}
		if err := c.expressions(env, st); err != nil {
			return err
		}
	}
	for i := range pr.Criteria {
		if err := c.criterion(env, pr, &pr.Criteria[i]); err != nil {
			return err
		}
	}
	for _, part := range p.Unit.Parts {
		c.parts[part.ID] = part
	}
	c.findRoles()
	p.rules = c
	return nil
}

func (c *compiled) constant(name, text string) error {
	if q, err := quantity.Parse(text); err == nil {
		c.constants[name] = q
		return nil
	}
	n, err := quantity.ParseDecimal(text)
	if err != nil {
		return fmt.Errorf("constant %s: %w", name, err)
	}
	c.constants[name] = n
	return nil
}

func (c *compiled) expressions(env *rules.Env, st *protocol.Step) error {
	if st.Kind == protocol.StepDerive {
		x, faults := env.Compile(st.Value, rules.Type{})
		if len(faults) > 0 {
			return fmt.Errorf("step %s, value: %s", st.ID, faults[0].Says)
		}
		c.derives[st.ID] = x
	}
	for _, w := range windowsOf(st) {
		src := w.window.Is
		if _, err := quantity.Parse(src); err == nil {
			src = `qty("` + src + `")`
		}
		x, faults := env.Compile(src, rules.Type{})
		if len(faults) > 0 {
			return fmt.Errorf("step %s, %s: %s", st.ID, w.name, faults[0].Says)
		}
		c.windows[st.ID+"."+w.name] = x
	}
	return nil
}

type namedWindow struct {
	name   string
	window *protocol.Window
}

func windowsOf(st *protocol.Step) []namedWindow {
	var out []namedWindow
	for _, w := range []namedWindow{{"at_least", st.AtLeast}, {"at_most", st.AtMost}, {"within", st.Within}} {
		if w.window != nil {
			out = append(out, w)
		}
	}
	return out
}

func (c *compiled) criterion(env *rules.Env, pr *protocol.Protocol, cr *protocol.Criterion) error {
	x, faults := env.Compile(cr.Must, rules.Bool)
	if len(faults) > 0 {
		return fmt.Errorf("criterion %s: %s", cr.ID, faults[0].Says)
	}
	if _, ok := c.at[cr.Decides]; !ok {
		return fmt.Errorf("criterion %s decides step %q, which the protocol lacks", cr.ID, cr.Decides)
	}
	r := &rule{Criterion: cr, expr: x, target: pr.RepeatFrom(cr), refs: x.Refs()}
	c.rules = append(c.rules, r)
	c.deciding[cr.Decides] = append(c.deciding[cr.Decides], r)
	c.byID[cr.ID] = r
	return nil
}

// findRoles names the draw that plays each part in the assessment. The first
// treated first draw is "treated"; where there is none, the first treated one.
func (c *compiled) findRoles() {
	set := func(role, id string) {
		if _, has := c.roles[role]; !has && id != "" {
			c.roles[role] = id
		}
	}
	for _, first := range []bool{true, false} {
		for _, st := range c.steps {
			if st.Kind == protocol.StepDraw && st.Water == "treated" && st.DuplicateOf == "" && (st.Draw == "first" || !first) {
				set("treated", st.ID)
			}
		}
	}
	if i, ok := c.at[c.roles["treated"]]; ok {
		set("untreated", c.steps[i].PairsWith)
		set("untreated_after", c.steps[i].PairsAfter)
	}
	for _, st := range c.steps {
		if st.Kind != protocol.StepDraw {
			continue
		}
		switch {
		case st.DuplicateOf != "":
			if st.DuplicateOf == c.roles["treated"] {
				set("duplicate", st.ID)
			}
		case st.Water == "drain":
			set("drain", st.ID)
		case st.Blank == "field", st.Blank == "trip", st.Blank == "equipment":
			set(st.Blank+"_blank", st.ID)
		case st.Blank == "bottle_lot":
			set("lot_blank", st.ID)
		case st.Water == "treated" && st.Draw == "flushed":
			set("flushed", st.ID)
		}
	}
}

// unitFields are the fields of the unit document that expressions can see.
// Nothing about how the unit was obtained, or who paid, is among them.
func unitFields(u *protocol.Unit) map[string]quantity.Quantity {
	out := map[string]quantity.Quantity{}
	for name, text := range map[string]string{"pressure_most": u.PressureMost, "pressure_least": u.PressureLeast,
		"tank_volume": u.TankVolume, "flush_volume": u.FlushVolume, "flush_time": u.FlushTime,
		"production": u.Production, "daily_use": u.DailyUse} {
		if q, err := quantity.Parse(text); err == nil {
			out[name] = q
		}
	}
	return out
}
