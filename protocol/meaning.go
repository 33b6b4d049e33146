package protocol

import (
	"fmt"
	"slices"
	"strings"

	yaml "go.yaml.in/yaml/v3"

	"tapledger/rules"
	"tapledger/rules/quantity"
)

// checkMeaning reports what a schema cannot see: references, order, pairs,
// windows, cautions, expressions.
func (d *draft) checkMeaning(lib *Library) {
	switch v := d.value.(type) {
	case *Protocol:
		d.checkProtocol(v, lib)
	case *Unit:
		d.checkUnit(v)
	case *Instrument:
		d.checkInstrument(v)
	case *Laboratory:
		d.checkLaboratory(v, lib)
	case *Values:
		d.checkValues(v)
	case *Scoring:
		d.checkScoring(v, lib)
	case *Campaign:
		d.checkCampaign(v, lib)
	case *Caution:
		d.checkCaution(v)
	case *Bench:
		if v.Seed != "" && v.Simulated != "yes" {
			d.fault("/seed", "only a simulated bench has a seed", "")
		}
	}
}

// reservedIDs are the words that ids inside a document cannot take: those of
// the expression language, its functions, and our own variables and answers.
var reservedIDs = func() map[string]bool {
	out := map[string]bool{}
	for _, w := range append(rules.Reserved(), "constants", "unit", "bench", "analyte", "yes", "no", "not_applicable",
		"not_distinguishable", "higher_unconfirmed", "higher_confirmed") {
		out[w] = true
	}
	return out
}()

// checkID reports an id that is reserved.
func (d *draft) checkID(ptr, id string) {
	if reservedIDs[id] {
		d.fault(ptr, fmt.Sprintf("%q is a word of the expressions and cannot be an id", id), "add a word to it, as in "+id+"_1")
	}
}

// checkIDKeys reports reserved ids among the keys of a map.
func (d *draft) checkIDKeys(ptr string, ids []string) {
	for _, id := range ids {
		if reservedIDs[id] {
			d.faultKey(pointer(ptr, id), fmt.Sprintf("%q is a word of the expressions and cannot be an id", id), "add a word to it, as in "+id+"_1")
		}
	}
}

// known reports a word that is not in a list of ids.
func (d *draft) known(ptr, what, word string, ids []string) bool {
	if slices.Contains(ids, word) {
		return true
	}
	d.fault(ptr, fmt.Sprintf("there is no %s %q", what, word), nearHint(word, ids))
	return false
}

// unique reports ids that stand twice; at gives the place of the i-th.
func (d *draft) unique(what string, ids []string, at func(i int) string) {
	first := map[string]int{}
	for i, id := range ids {
		if j, twice := first[id]; twice {
			hint := ""
			if n := d.nearest(at(j)).value; n != nil {
				hint = fmt.Sprintf("the first is on line %d", n.Line)
			}
			d.fault(at(i), fmt.Sprintf("the %s %q stands here a second time", what, id), hint)
			continue
		}
		first[id] = i
	}
}

// compile checks an expression where it stands in the file.
func (d *draft) compile(env *rules.Env, ptr, src string, want rules.Type) *rules.Expr {
	if p, ok := d.places[ptr]; ok && p.value.Kind == yaml.ScalarNode && d.folded(p.value) {
		d.fault(ptr, "an expression over several lines is written after |", "so that faults in it can be shown at their place")
		return nil
	}
	if env == nil {
		return nil
	}
	x, faults := env.Compile(src, want)
	for _, f := range faults {
		d.inside(ptr, f.Line, f.Col, f.Says, f.Hint)
	}
	if len(faults) > 0 {
		d.badRules = true
		return nil
	}
	return x
}

// dimension reports a quantity of another dimension than is wanted.
func (d *draft) dimension(ptr, text string, want ...quantity.Dim) {
	q, err := quantity.Parse(text)
	if text == "" || err != nil || slices.Contains(want, q.Dim) {
		return
	}
	words := make([]string, len(want))
	for i, w := range want {
		words[i] = w.String()
	}
	d.fault(ptr, fmt.Sprintf("%q is a %s; a %s is wanted here", text, q.Dim, strings.Join(words, " or a ")), "")
}

// ordered reports two quantities or dates of which the lower stands above.
func (d *draft) ordered(ptr, low, high, says string) {
	a, errA := quantity.Parse(low)
	b, errB := quantity.Parse(high)
	if errA != nil || errB != nil || a.Dim != b.Dim {
		return
	}
	if a.Cmp(b) > 0 {
		d.fault(ptr, fmt.Sprintf(says, low, high), "")
	}
}
