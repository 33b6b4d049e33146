package assess

import (
	"fmt"
	"math/big"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/runner"
)

// reading is a bench measurement in effect: of several readings the median,
// with the instrument's expanded uncertainty.
type reading struct {
	ok         bool
	q          quantity.Quantity
	lo, hi     *big.Rat // lowest and highest of several readings, base unit; nil: one reading
	written    bool     // q is one value as written
	u          *big.Rat // expanded, base unit; nil: not known
	belowFloor bool
	floor      quantity.Quantity
	instrument *protocol.Instrument
	inputs     []Input
	marks      []string
	step       *protocol.Step
}

// interval is the reading with its uncertainty, from zero upwards where its
// dimension has a floor. Of several readings it holds all, from the lowest less
// U to the highest and U: they differ by more than an instrument does.
func (r reading) interval() quantity.Interval {
	i := quantity.Point(r.q)
	if r.lo != nil && r.hi != nil {
		i.Lo, i.Hi = r.lo, r.hi
	}
	if r.u == nil || r.u.Sign() == 0 {
		return i
	}
	i.Lo, i.Hi = new(big.Rat).Sub(i.Lo, r.u), new(big.Rat).Add(i.Hi, r.u)
	if r.q.Dim.FromZero() && i.Lo.Sign() < 0 {
		i.Lo = new(big.Rat)
	}
	return i
}

// lowest and highest are the ends of the interval as quantities.
func (r reading) lowest() quantity.Quantity  { return quantity.New(r.interval().Lo, r.q.Unit) }
func (r reading) highest() quantity.Quantity { return quantity.New(r.interval().Hi, r.q.Unit) }

// asked finds what a step asks for that gives a measurement.
func asked(s *protocol.Step, gives string) (protocol.Asked, bool) {
	for _, a := range s.Asks() {
		if a.Gives == gives {
			return a, true
		}
	}
	if s.Gives == gives && s.Kind != protocol.StepReading && s.Kind != protocol.StepSeries {
		return protocol.Asked{}, true
	}
	return protocol.Asked{}, false
}

// gives reads the measurement of a name, of the steps that give it and have a
// try that counts: the last in the section of the treated draw, so that a feed
// read again on another day is not set against this day's product; if none is
// there, the last of the protocol.
func (l *look) gives(name string) reading {
	var out, near reading
	var own *protocol.Section
	if l.draws.treated.step != nil {
		own, _ = l.p.Step(l.draws.treated.step.ID)
	}
	for _, s := range l.p.Steps() {
		a, ok := asked(s, name)
		if !ok {
			continue
		}
		if r := l.reading(s, a); r.ok {
			out = r
			if in, _ := l.p.Step(s.ID); in == own {
				near = r
			}
		}
	}
	if near.ok {
		return near
	}
	return out
}

// reading takes the value that a step gives out of the try that counts. A fill
// or flush gives its elapsed time or its volume.
func (l *look) reading(s *protocol.Step, a protocol.Asked) reading {
	t := l.st.CountedTry(s.ID)
	if t == nil {
		return reading{}
	}
	r := reading{step: s}
	if a.Name == "" {
		return l.span(r, s, t)
	}
	sheet := t.Values
	if s.Kind == protocol.StepSeries {
		if len(t.Series) == 0 {
			return reading{}
		}
		sheet = t.Series[len(t.Series)-1]
	}
	var list []quantity.Quantity
	for n := 1; n <= max(a.Repeats, 1); n++ {
		name := a.Name
		if n > 1 {
			name = fmt.Sprintf("%s_%d", a.Name, n)
		}
		h, ok := sheet[name]
		if !ok {
			continue
		}
		q, err := quantity.Parse(h.Text)
		if err != nil {
			continue
		}
		list = append(list, q)
		r.inputs = append(r.inputs, l.held(inputName(s, name), h)...)
	}
	if len(list) == 0 {
		return reading{}
	}
	r.ok, r.written, r.q = true, len(list) == 1, quantity.Median(list)
	for _, q := range list {
		if r.lo == nil || q.Base.Cmp(r.lo) < 0 {
			r.lo = q.Base
		}
		if r.hi == nil || q.Base.Cmp(r.hi) > 0 {
			r.hi = q.Base
		}
	}
	key := a.Name + "_instrument"
	if a.Name == "value" {
		key = "instrument"
	}
	l.instrument(&r, sheet[key].Text)
	return r
}

// inputName is the role of a value in a formula: the step, and the value's
// name where the step asks for several.
func inputName(s *protocol.Step, name string) string {
	if name == "value" {
		return s.ID
	}
	return s.ID + "." + name
}

// held names a value in effect: the record that it was first written in and,
// when it was corrected, the correction.
func (l *look) held(name string, h runner.Held) []Input {
	if h.By == 0 {
		return []Input{l.input(name, h.Text, h.Seq, h.Path)}
	}
	return []Input{l.input(name, h.Text, h.By, "/value/text"), l.input(name+" before correction", h.Original, h.Seq, h.Path)}
}

// span reads a fill or flush: its elapsed time, or its volume.
func (l *look) span(r reading, s *protocol.Step, t *runner.Try) reading {
	dim, _ := protocol.GivesDimension(s.Gives)
	if dim == quantity.Volume {
		h, ok := t.Values["volume"]
		q, err := quantity.Parse(h.Text)
		if !ok || err != nil {
			return reading{}
		}
		r.ok, r.written, r.q, r.inputs = true, true, q, l.held(inputName(s, "volume"), h)
		return r
	}
	began, errB := audit.ParseTime(t.Values["began"].Text)
	ended, errE := audit.ParseTime(t.Values["ended"].Text)
	if errB != nil || errE != nil || dim != quantity.Time || ended.Before(began) {
		return reading{}
	}
	seconds := big.NewRat(int64(ended.Sub(began)/time.Millisecond), 1000)
	unit, err := quantity.LookupUnit("min")
	if err != nil {
		return reading{}
	}
	r.ok, r.q = true, quantity.New(seconds, unit)
	r.inputs = append(l.held(inputName(s, "began"), t.Values["began"]), l.held(inputName(s, "ended"), t.Values["ended"])...)
	return r
}

// instrument takes over an instrument's uncertainty and floor.
func (l *look) instrument(r *reading, id string) {
	if id == "" {
		return
	}
	doc := l.st.Pinned.Instrument[id]
	if doc == nil {
		r.marks = append(r.marks, "assumed:instrument")
		return
	}
	r.instrument = doc
	name := "instrument/" + doc.ID + "/" + doc.Version
	if q, err := quantity.Parse(doc.Floor); err == nil && q.Dim == r.q.Dim {
		r.floor = q
		if r.q.Base.Cmp(q.Base) < 0 {
			r.belowFloor = true
			r.inputs = append(r.inputs, Input{Name: "floor", Text: doc.Floor, Doc: name, Path: "/floor"})
		}
	}
	if q, err := quantity.Parse(doc.Uncertainty); err == nil {
		switch {
		case q.Dim == quantity.Ratio && r.q.Dim != quantity.Ratio:
			r.u = new(big.Rat).Mul(q.Base, new(big.Rat).Abs(r.q.Base))
		case q.Dim == r.q.Dim && (q.Dim.FromZero() || q.Dim == quantity.PH):
			r.u = q.Base
		}
		if r.u != nil {
			r.inputs = append(r.inputs, Input{Name: "U (k = 2)", Text: doc.Uncertainty, Doc: name, Path: "/uncertainty"})
			return
		}
	}
	if q, err := quantity.Parse(doc.Resolution); err == nil && q.Dim == r.q.Dim {
		r.u = q.Base
		r.inputs = append(r.inputs, Input{Name: "resolution", Text: doc.Resolution, Doc: name, Path: "/resolution"})
		r.marks = append(r.marks, "assumed:resolution")
		return
	}
	r.marks = append(r.marks, "assumed:instrument")
}
