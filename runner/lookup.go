package runner

import (
	"math/big"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
)

// At names one try of one step.
type At struct {
	Step string
	Try  int
}

// Lookup gives values in effect to the rules: those of the newest tries, or
// those that belong together with the named try.
func (s *State) Lookup(at ...At) rules.Lookup {
	var a At
	if len(at) > 0 {
		a = at[0]
	}
	return s.lookup(a, "")
}

// lookupFor lets a criterion see the step that it decides even where its try is
// void: that very decision may be the reason.
func (s *State) lookupFor(r *rule, at At) rules.Lookup { return s.lookup(at, r.Decides) }

func (s *State) lookup(at At, own string) rules.Lookup {
	return func(path string) (any, rules.Presence) {
		f := s.find(path, at, own)
		return f.value, f.presence
	}
}

// seqOf is the record that a path's value in effect stands in, 0 for none.
func (s *State) seqOf(path string, at At) int64 {
	f := s.find(path, at, at.Step)
	if f.presence != rules.Recorded {
		return 0
	}
	return f.seq
}

// found is a value in effect with the record that it stands in: of several
// that it is made from, the last.
type found struct {
	value    any
	presence rules.Presence
	seq      int64
}

var missing = found{presence: rules.NotRecorded}

func (s *State) find(path string, at At, own string) found {
	c := s.Pinned.rules
	if rest, ok := strings.CutPrefix(path, `analyte("`); ok {
		id, field, _ := strings.Cut(rest, `").`)
		return s.findResult(id, field, at)
	}
	name, field, _ := strings.Cut(path, ".")
	switch name {
	case "constants":
		if v, ok := c.constants[field]; ok {
			return found{value: v, presence: rules.Recorded}
		}
		return missing
	case "unit":
		if q, ok := c.unit[field]; ok {
			return found{value: q, presence: rules.Recorded}
		}
		return missing
	}
	st := s.step(name)
	if st == nil {
		return missing
	}
	if st.Kind == protocol.StepDerive {
		return s.findDerived(st, at)
	}
	t := s.together(at, name)
	if t.Void && name != own {
		return missing
	}
	if st.Kind == protocol.StepInspect && field == "answer" && t.Values["answer"].Text == "not_applicable" {
		return found{presence: rules.NotApplicable}
	}
	if f, ok := s.findField(st, t, field, at); ok {
		return f
	}
	if t.Closed {
		return missing
	}
	return found{presence: rules.Open}
}

// findField gives the value of one field of a step for one try.
func (s *State) findField(st *protocol.Step, t *Try, field string, at At) (found, bool) {
	switch st.Kind {
	case protocol.StepReading:
		if v, ok := t.Values[field]; ok && isMoment(field) {
			return moment(v)
		}
		return s.findReading(st, []map[string]Held{t.Values}, field)
	case protocol.StepSeries:
		return s.findSeries(st, t, field)
	case protocol.StepTaste:
		if field == "count" && t.Begun() && !t.LeftOut {
			return found{new(big.Rat).SetInt64(answers(t)), rules.Recorded, lastSeq(t)}, true
		}
	case protocol.StepFlush, protocol.StepFill:
		if field == "elapsed" {
			return between(t.Values["began"], t.Values["ended"])
		}
	case protocol.StepStand:
		began, ended := s.standing(st, t, at)
		switch field {
		case "began":
			return moment(began)
		case "ended":
			return moment(ended)
		case "elapsed":
			return between(began, ended)
		}
	case protocol.StepDraw:
		opened, closed, when := s.drawn(st, t, at)
		switch field {
		case "at":
			return moment(when)
		case "opened_at":
			return moment(opened)
		case "closed_at":
			return moment(closed)
		case "took":
			return between(opened, closed)
		}
	}
	v, ok := t.Values[field]
	if !ok {
		return found{}, false
	}
	return typed(v, s.Pinned.rules.fields[st.ID][field], field)
}

// standing gives when a stand began and ended: it begins when it was started,
// else when the step named by `from` ended, and anew with each opening of the
// faucet in between; it ends when the draw that `ends` it opens the faucet.
func (s *State) standing(st *protocol.Step, t *Try, at At) (began, ended Held) {
	began = t.Values["began"]
	if began.Text == "" && st.From != "" {
		began = s.endOf(st.From, at)
	}
	if n := len(t.Openings); n > 0 {
		began = t.Openings[n-1]
	}
	ended = t.Values["ended"]
	if ended.Text != "" {
		return began, ended
	}
	for _, x := range s.Pinned.rules.steps {
		if x.Ends == st.ID {
			opened, _, when := s.drawn(x, s.together(at, x.ID), at)
			if ended = opened; ended.Text == "" {
				ended = when
			}
		}
	}
	return began, ended
}

// endOf is when a step ended, whatever its kind.
func (s *State) endOf(step string, at At) Held {
	t := s.together(at, step)
	if n := len(t.Series); n > 0 {
		return t.Series[n-1]["at"]
	}
	for _, name := range []string{"ended", "closed_at", "at"} {
		if v, ok := t.Values[name]; ok {
			return v
		}
	}
	return Held{}
}

// drawn gives when a draw's faucet was opened, when its last bottle was closed,
// and when it was drawn. A composite opens and closes with the step that it is
// collected over.
func (s *State) drawn(st *protocol.Step, t *Try, at At) (opened, closed, when Held) {
	opened, closed, when = t.Values["opened_at"], t.Values["closed_at"], t.Values["at"]
	if st.CompositeOver != "" && t.Begun() && !t.LeftOut {
		over := s.together(at, st.CompositeOver)
		if opened.Text == "" {
			opened = over.Values["began"]
		}
		if closed.Text == "" {
			closed = s.endOf(st.CompositeOver, at)
		}
		if when.Text == "" {
			when = closed
		}
	}
	if when.Text == "" {
		if when = closed; when.Text == "" {
			when = opened
		}
	}
	return opened, closed, when
}

// findReading gives a field of the sheet of one or more readings: the value
// (of several the median, exact), or the list of all.
func (s *State) findReading(st *protocol.Step, sheets []map[string]Held, field string) (found, bool) {
	for _, a := range s.Pinned.rules.asks[st.ID] {
		if field != a.Name && field != listName(a.Name) {
			continue
		}
		var list []quantity.Quantity
		var seq int64
		for _, sheet := range sheets {
			for n := 1; n <= max(a.Repeats, 1); n++ {
				v, ok := sheet[numbered(a.Name, n)]
				if !ok {
					continue
				}
				q, err := quantity.Parse(v.Text)
				if err != nil {
					continue
				}
				list, seq = append(list, q), max(seq, inEffect(v))
			}
		}
		if len(list) == 0 {
			return found{}, false
		}
		if field == a.Name {
			return found{quantity.Median(list), rules.Recorded, seq}, true
		}
		return found{anyList(list), rules.Recorded, seq}, true
	}
	for _, sheet := range sheets {
		if v, ok := sheet[field]; ok {
			return typed(v, s.Pinned.rules.fields[st.ID][field], field)
		}
	}
	return found{}, false
}

// listName is the field that holds all readings of a value of a sheet.
func listName(name string) string {
	if name == "value" {
		return "values"
	}
	return name + "_values"
}

// findSeries gives a field of a series: all values, the first, the last, the
// one before the last, their count.
func (s *State) findSeries(st *protocol.Step, t *Try, field string) (found, bool) {
	if field == "count" {
		n := len(t.Series)
		if n == 0 && !t.Closed {
			return found{}, false
		}
		return found{new(big.Rat).SetInt64(int64(n)), rules.Recorded, lastSeq(t)}, true
	}
	if len(t.Series) == 0 {
		return found{}, false
	}
	readings := t.Series
	base, which := field, ""
	for _, a := range s.Pinned.rules.asks[st.ID] {
		for _, word := range []string{"first", "last", "previous"} {
			if field == word && a.Name == "value" || field == a.Name+"_"+word {
				base, which = a.Name, word
			}
		}
	}
	switch n := len(readings); which {
	case "first":
		readings = readings[:1]
	case "last":
		readings = readings[n-1:]
	case "previous":
		if n < 2 {
			return found{}, false
		}
		readings = readings[n-2 : n-1]
	}
	if isMoment(base) {
		return moment(readings[len(readings)-1][base])
	}
	return s.findReading(st, readings, base)
}

// answers counts the answers of a tasting.
func answers(t *Try) (n int64) {
	for k := 1; k <= mostTasters; k++ {
		if _, ok := t.Values[numbered("answer", k)]; ok {
			n++
		}
	}
	return n
}

func lastSeq(t *Try) int64 {
	if len(t.Seqs) == 0 {
		return 0
	}
	return t.Seqs[len(t.Seqs)-1]
}

// findDerived computes a derive step, rounded to its declared digits; the
// rounded text is what goes on.
func (s *State) findDerived(st *protocol.Step, at At) found {
	x := s.Pinned.rules.derives[st.ID]
	v, d := x.Value(s.lookup(at, ""))
	switch d.State {
	case rules.Met:
	case rules.Awaiting:
		return found{presence: rules.Open}
	default:
		switch d.Code {
		case rules.CodeNotApplicable:
			return found{presence: rules.NotApplicable}
		case rules.CodeFeedMoved:
			return found{presence: rules.FeedMoved}
		}
		return missing
	}
	return found{value: rounded(v, st), presence: rules.Recorded}
}

// rounded brings a derived value to its declared digits: a number or quantity
// half to even, an interval's lower end down and its upper end up.
func rounded(v any, st *protocol.Step) any {
	switch v := v.(type) {
	case *big.Rat:
		n, err := quantity.ParseDecimal(quantity.Decimal(v, st.Digits, quantity.HalfEven))
		if err == nil {
			return n
		}
	case quantity.Quantity:
		u := shownUnit(st, v.Dim, v.Unit)
		if q, err := quantity.Parse(quantity.Decimal(v.In(u), st.Digits, quantity.HalfEven) + " " + u.Code); err == nil {
			return q
		}
	case quantity.Interval:
		u := shownUnit(st, v.Dim, quantity.BaseUnit(v.Dim))
		end := func(x *big.Rat, m quantity.Mode) *big.Rat {
			if x == nil {
				return nil
			}
			n, err := quantity.ParseDecimal(quantity.Decimal(u.FromBase(x), st.Digits, m))
			if err != nil {
				return x
			}
			return u.ToBase(n)
		}
		v.Lo, v.Hi = end(v.Lo, quantity.Down), end(v.Hi, quantity.Up)
		return v
	}
	return v
}

func shownUnit(st *protocol.Step, d quantity.Dim, own quantity.Unit) quantity.Unit {
	if u, err := quantity.LookupUnit(st.In); err == nil && u.Dim == d {
		return u
	}
	if own.Code != "" && own.Dim == d {
		return own
	}
	return quantity.BaseUnit(d)
}

// Derived gives the rounded value of a derive step as text ("" while it has
// none) and how it was come by.
func (s *State) Derived(step string) (string, rules.Presence) {
	st := s.step(step)
	if st == nil || st.Kind != protocol.StepDerive {
		return "", rules.NotRecorded
	}
	f := s.findDerived(st, At{})
	switch v := f.value.(type) {
	case *big.Rat:
		return quantity.Decimal(v, st.Digits, quantity.HalfEven), f.presence
	case quantity.Quantity:
		return v.String(), f.presence
	case string:
		return v, f.presence
	case bool:
		if v {
			return "yes", f.presence
		}
		return "no", f.presence
	}
	return "", f.presence
}

// inEffect is the record that a value in effect stands in.
func inEffect(h Held) int64 { return max(h.Seq, h.By) }

func anyList(list []quantity.Quantity) []any {
	out := make([]any, len(list))
	for i, q := range list {
		out[i] = q
	}
	return out
}

// isMoment tells whether a value of that name is a point in time.
func isMoment(name string) bool {
	switch name {
	case "at", "began", "ended", "opened_at", "closed_at":
		return true
	}
	return false
}

func moment(h Held) (found, bool) {
	t, err := audit.ParseTime(h.Text)
	if err != nil {
		return found{}, false
	}
	return found{t, rules.Recorded, inEffect(h)}, true
}

// between is the time from one moment to another, exact to the millisecond.
func between(a, b Held) (found, bool) {
	x, errA := audit.ParseTime(a.Text)
	y, errB := audit.ParseTime(b.Text)
	if errA != nil || errB != nil {
		return found{}, false
	}
	return found{elapsed(x, y), rules.Recorded, max(inEffect(a), inEffect(b))}, true
}

func elapsed(from, to time.Time) quantity.Quantity {
	unit, err := quantity.LookupUnit("s")
	if err != nil {
		unit = quantity.BaseUnit(quantity.Time)
	}
	return quantity.Of(big.NewRat(to.Sub(from).Milliseconds(), 1000), unit)
}

// typed turns a recorded text into the value that its field has.
func typed(h Held, want rules.Type, name string) (found, bool) {
	if isMoment(name) {
		return moment(h)
	}
	f := found{presence: rules.Recorded, seq: inEffect(h)}
	switch {
	case want == rules.Text || want == rules.Answer:
		f.value = h.Text
		return f, true
	}
	q, err := quantity.Parse(h.Text)
	if err != nil {
		f.value = h.Text
		return f, true
	}
	f.value = q
	return f, true
}
