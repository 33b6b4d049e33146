package runner

import (
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// field is what a value of an entry must be.
type field struct {
	name     string
	kind     fieldKind
	dim      quantity.Dim
	in       string // unit that is asked for
	class    string // of instrument
	required bool
}

type fieldKind uint8

const (
	fieldText fieldKind = iota
	fieldMoment
	fieldQuantity
	fieldAnswer
	fieldInstrument
)

// mostTasters bounds the answers of one tasting.
const mostTasters = 20

// fieldsOf lists the values that the record of a step holds, in the order in
// which they are asked for.
func (s *State) fieldsOf(st *protocol.Step) []field {
	at := field{name: "at", kind: fieldMoment, required: true}
	volume := func(required bool) field {
		return field{name: "volume", kind: fieldQuantity, dim: quantity.Volume, in: "L", required: required}
	}
	switch st.Kind {
	case protocol.StepInspect:
		return []field{{name: "answer", kind: fieldAnswer, required: true}, {name: "reason"}, at}
	case protocol.StepReading:
		return append(s.sheetFields(st), at)
	case protocol.StepSeries:
		fs := s.sheetFields(st)
		switch st.Over {
		case "standing":
			fs = append(fs, field{name: "stood", kind: fieldQuantity, dim: quantity.Time, in: "min", required: true})
		case "volume":
			fs = append(fs, volume(true))
		case "fills":
			fs = append(fs, volume(false))
		}
		return append(fs, at)
	case protocol.StepFlush, protocol.StepFill:
		return []field{{name: "began", kind: fieldMoment, required: true}, {name: "ended", kind: fieldMoment, required: true}, volume(false)}
	case protocol.StepStand:
		return []field{{name: "began", kind: fieldMoment}, {name: "opened_at", kind: fieldMoment}, {name: "ended", kind: fieldMoment}}
	case protocol.StepDraw:
		at.required = st.CompositeOver == ""
		return []field{at, {name: "opened_at", kind: fieldMoment}, {name: "closed_at", kind: fieldMoment},
			{name: "flow", kind: fieldQuantity, dim: quantity.Flow, in: "L/min"},
			{name: "temperature", kind: fieldQuantity, dim: quantity.Temperature, in: "Cel"}}
	case protocol.StepTaste:
		fs := []field{at}
		for n := 1; n <= mostTasters; n++ {
			fs = append(fs, field{name: numbered("answer", n), required: n == 1}, field{name: numbered("taster", n), required: n == 1})
		}
		return fs
	}
	return nil
}

// handFields and partFields are the values of records that belong to no step.
var (
	handFields = []field{{name: "at", kind: fieldMoment, required: true},
		{name: "temperature", kind: fieldQuantity, dim: quantity.Temperature, in: "Cel"}, {name: "seal"}}
	reportFields = []field{{name: "at", kind: fieldMoment},
		{name: "receipt_temperature", kind: fieldQuantity, dim: quantity.Temperature, in: "Cel"}}
	partFields = []field{{name: "at", kind: fieldMoment, required: true},
		{name: "volume", kind: fieldQuantity, dim: quantity.Volume, in: "L"}}
)

func (s *State) sheetFields(st *protocol.Step) []field {
	var fs []field
	for _, a := range s.Pinned.rules.asks[st.ID] {
		u, err := quantity.LookupUnit(a.In)
		if err != nil {
			continue
		}
		for n := 1; n <= max(a.Repeats, 1); n++ {
			fs = append(fs, field{name: numbered(a.Name, n), kind: fieldQuantity, dim: u.Dim, in: a.In, required: true})
		}
		if a.Instrument != "" {
			name := a.Name + "_instrument"
			if a.Name == "value" {
				name = "instrument"
			}
			fs = append(fs, field{name: name, kind: fieldInstrument, class: a.Instrument, required: true})
		}
	}
	return fs
}

// checkValues holds the values of a record against what the fields ask for.
func (s *State) checkValues(step string, values map[string]Value, fields []field, c circumstances) *Refusal {
	names := make([]string, 0, len(values))
	for name := range values {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		i := slices.IndexFunc(fields, func(f field) bool { return f.name == name })
		if i < 0 {
			return refuse(step, "it takes: "+fieldNames(fields), "there is no value %q here", clip(name))
		}
		if ref := s.checkValue(step, fields[i], values[name], c); ref != nil {
			return ref
		}
	}
	for _, f := range fields {
		if _, ok := values[f.name]; f.required && !ok {
			return refuse(step, wantedHint(f), "%s is missing", f.name)
		}
	}
	return checkOrder(step, values)
}

func fieldNames(fields []field) string {
	var out []string
	for _, f := range fields {
		if !strings.HasSuffix(f.name, "_3") {
			out = append(out, f.name)
		} else {
			out = append(out, "...")
		}
		if len(out) > 12 {
			break
		}
	}
	return strings.Join(out, ", ")
}

func wantedHint(f field) string {
	switch f.kind {
	case fieldMoment:
		return "a time such as 2026-03-02T09:14:05.120Z"
	case fieldQuantity:
		return fmt.Sprintf("a %s, such as %s=\"1 %s\"", f.dim, f.name, f.in)
	case fieldAnswer:
		return "yes, no or not_applicable"
	case fieldInstrument:
		return "the id of an instrument of class " + f.class
	}
	return ""
}

func (s *State) checkValue(step string, f field, v Value, c circumstances) *Refusal {
	if !slices.Contains([]string{"timed", "typed", "imported", "photo", "legacy"}, v.Evidence) {
		return refuse(step, "timed, typed, imported, photo or legacy", "%s: evidence %q", f.name, clip(v.Evidence))
	}
	if v.Evidence == "timed" && f.kind != fieldMoment {
		return refuse(step, "", "%s: only a time can be timed", f.name)
	}
	if v.Evidence == "timed" && c.clock == "behind" {
		return refuse(step, "", "%s: the clock is behind, so its time counts as typed", f.name)
	}
	if ref := checkText(step, f.name, v.Text, mostValue, true); ref != nil {
		return ref
	}
	switch f.kind {
	case fieldMoment:
		return s.checkMoment(step, f.name, v, c)
	case fieldQuantity:
		return checkQuantity(step, f, v.Text)
	case fieldAnswer:
		if v.Text != "yes" && v.Text != "no" && v.Text != "not_applicable" {
			return refuse(step, "yes, no or not_applicable", "%s: %q is no answer", f.name, clip(v.Text))
		}
	case fieldInstrument:
		return s.checkInstrument(step, f, v.Text, c)
	}
	return nil
}

// checkMoment holds a time to what can have been: not after now; if timed, not
// before the run was opened; if typed from a sheet of paper, that may be, but
// not before the unit was there.
func (s *State) checkMoment(step, name string, v Value, c circumstances) *Refusal {
	t, err := audit.ParseTime(v.Text)
	if err != nil {
		return refuse(step, "a time such as 2026-03-02T09:14:05.120Z", "%s: %v", name, err)
	}
	if t.After(c.now) {
		return refuse(step, "the clock says "+audit.Time(c.now), "%s: %s lies in the future", name, v.Text)
	}
	if len(s.metas) > 0 && v.Evidence == "timed" && v.Text < s.metas[0].made {
		return refuse(step, "", "%s: %s is timed, and before the run was opened", name, v.Text)
	}
	if a := s.Pinned.Unit.Acquired; a != nil {
		if day, err := time.Parse("2006-01-02", a.Date); err == nil && t.Before(day) {
			return refuse(step, "", "%s: %s is before the unit was obtained, %s", name, v.Text, a.Date)
		}
	}
	return nil
}

var mostPH = big.NewRat(14, 1)

func checkQuantity(step string, f field, text string) *Refusal {
	q, err := quantity.Parse(text)
	if err != nil {
		return refuse(step, fmt.Sprintf("a %s, such as \"1 %s\"", f.dim, f.in), "%s: %v", f.name, err)
	}
	if q.Dim != f.dim {
		return refuse(step, fmt.Sprintf("a %s is wanted, such as \"1 %s\"", f.dim, f.in), "%s: %s is a %s", f.name, text, q.Dim)
	}
	switch f.dim {
	case quantity.Temperature, quantity.TemperatureDifference, quantity.Potential:
		return nil
	case quantity.PH:
		if q.Base.Sign() < 0 || q.Base.Cmp(mostPH) > 0 {
			return refuse(step, "between 0 and 14", "%s: %s cannot be", f.name, text)
		}
	}
	if q.Base.Sign() < 0 {
		return refuse(step, "zero or more", "%s: %s cannot be", f.name, text)
	}
	return nil
}

func (s *State) checkInstrument(step string, f field, id string, c circumstances) *Refusal {
	if !reDocID.MatchString(id) {
		return refuse(step, wantedHint(f), "%s: %q is no id of an instrument", f.name, clip(id))
	}
	known := c.instruments
	if known == nil {
		known = s.Pinned.Instrument
	}
	doc, ok := known[id]
	switch {
	case !ok && !c.fresh:
		return nil // added to main after this run was opened; whoever wrote the record had it
	case !ok:
		return refuse(step, "instruments of class "+f.class+": "+ofClass(known, f.class), "%s: there is no instrument %q on this bench", f.name, id)
	case doc.Class != f.class:
		return refuse(step, "instruments of class "+f.class+": "+ofClass(known, f.class), "%s: %s is a %s, and a %s is wanted", f.name, id, doc.Class, f.class)
	}
	return nil
}

func ofClass(known map[string]*protocol.Instrument, class string) string {
	var out []string
	for id, doc := range known {
		if doc.Class == class {
			out = append(out, id)
		}
	}
	if len(out) == 0 {
		return "none yet; `add` one"
	}
	sort.Strings(out)
	return strings.Join(out, ", ")
}

// checkOrder holds pairs of times to their order.
func checkOrder(step string, values map[string]Value) *Refusal {
	for _, p := range [][2]string{{"began", "ended"}, {"began", "opened_at"}, {"opened_at", "closed_at"}, {"opened_at", "at"}, {"at", "closed_at"}} {
		a, okA := values[p[0]]
		b, okB := values[p[1]]
		if okA && okB && b.Text < a.Text {
			return refuse(step, "", "%s (%s) is before %s (%s)", p[1], b.Text, p[0], a.Text)
		}
	}
	return nil
}
