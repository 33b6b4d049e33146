package assess

import (
	"errors"
	"fmt"
	"math"
	"math/big"

	"tapledger/protocol"
	"tapledger/rules/estimate"
	"tapledger/rules/quantity"
	"tapledger/runner"
)

// contactReading is one reading of the contact-time series.
type contactReading struct {
	stood, value quantity.Quantity
	instrument   string
	inputs       []Input
}

// contact says how the conductivity at the faucet changes while water stands.
func (l *look) contact() error {
	var step *protocol.Step
	var a protocol.Asked
	for _, s := range l.p.Steps() {
		if x, ok := asked(s, "contact_conductivity"); ok && s.Kind == protocol.StepSeries {
			step, a = s, x
		}
	}
	if step == nil {
		return nil
	}
	list := l.contactReadings(step, a)
	base := Finding{Kind: KindContact, Marks: l.marked(nil, step)}
	for _, r := range list {
		base.Inputs = append(base.Inputs, r.inputs...)
	}
	if len(list) == 0 {
		base.Subject, base.Code, base.Rule, base.Source, base.Needs = "contact_rise", "contact_not_recorded", FChange, sourceOf(FChange), NeedsResult
		l.add(base)
		return nil
	}
	l.contactRise(base, list)
	return l.contactCurve(base, list)
}

func (l *look) contactReadings(step *protocol.Step, a protocol.Asked) []contactReading {
	t := l.st.CountedTry(step.ID)
	if t == nil {
		return nil
	}
	var out []contactReading
	for i, sheet := range t.Series {
		stood, errS := quantity.Parse(sheet["stood"].Text)
		value, errV := quantity.Parse(sheet[a.Name].Text)
		if errS != nil || errV != nil || stood.Dim != quantity.Time || value.Dim != quantity.Conductivity {
			continue
		}
		r := contactReading{stood: stood, value: value, instrument: sheet["instrument"].Text}
		for _, x := range []struct {
			name string
			h    runner.Held
		}{{"stood", sheet["stood"]}, {"read", sheet[a.Name]}} {
			r.inputs = append(r.inputs, l.held(fmt.Sprintf("%s %d", x.name, i+1), x.h)...)
		}
		out = append(out, r)
	}
	return out
}

// contactRise compares the reading after the shortest standing with that after
// the longest.
func (l *look) contactRise(f Finding, list []contactReading) {
	first, last := list[0], list[0]
	for _, r := range list {
		if r.stood.Base.Cmp(first.stood.Base) < 0 {
			first = r
		}
		if r.stood.Base.Cmp(last.stood.Base) > 0 {
			last = r
		}
	}
	f.Subject, f.Rule, f.Source = "contact_rise", FChange, sourceOf(FChange)
	if first.value.Base.Sign() <= 0 || first.stood.Base.Cmp(last.stood.Base) == 0 {
		f.Code, f.Needs = "contact_too_few", NeedsLongerSeries
		l.add(f)
		return
	}
	d := new(big.Rat).Sub(last.value.Base, first.value.Base)
	f.Code, f.Unit = "contact_rise", "%"
	f.Value = percent(d.Quo(d, first.value.Base), quantity.HalfEven)
	f.Args = args("from", first.stood.String(), "stood", last.stood.String(), "first", first.value.String(), "last", last.value.String())
	l.add(f)
}

// contactCurve fits the curve of the contact-time series.
func (l *look) contactCurve(f Finding, list []contactReading) error {
	f.Subject, f.Rule, f.Source = "contact_curve", FContact, sourceOf(FContact)
	var points []estimate.Point
	for _, r := range list {
		t, _ := r.stood.Base.Float64()
		y, _ := r.value.Base.Float64()
		points = append(points, estimate.Point{T: t, Y: y})
	}
	c, err := estimate.FitContact(points, estimate.ContactOptions{})
	switch {
	case errors.Is(err, estimate.ErrTooFew):
		f.Code = "contact_too_few"
	case errors.Is(err, estimate.ErrNoRise):
		f.Code = "contact_no_rise"
	case err != nil: // no plateau, or readings that no curve fits
		f.Code = "contact_no_plateau"
	default:
		if err := fitted(&f, c, l.meterShare(&f, list)); err != nil {
			return err
		}
	}
	f.Needs = byCode[f.Code].Needs
	l.add(f)
	return nil
}

// meterShare is the largest expanded uncertainty of the meters of a series, as
// a share of their readings: a fit's limits hold scatter only.
func (l *look) meterShare(f *Finding, list []contactReading) float64 {
	share := 0.0
	for _, x := range list {
		r := reading{ok: true, q: x.value}
		l.instrument(&r, x.instrument)
		f.Marks = l.marked(append(f.Marks, r.marks...))
		for _, in := range r.inputs {
			if !named(f.Inputs, in.Name) {
				f.Inputs = append(f.Inputs, in)
			}
		}
		if r.u != nil && x.value.Base.Sign() > 0 {
			s, _ := new(big.Rat).Quo(r.u, x.value.Base).Float64()
			share = max(share, s)
		}
	}
	return share
}

// fitted writes the plateau with its limits, widened by the meter's share, and
// the half time in minutes.
func fitted(f *Finding, c *estimate.Contact, meter float64) error {
	wide := float64(meter * c.Plateau)
	plateau, err := quantity.FromFloat(c.Plateau, figures)
	if err != nil || !(c.K > 0) {
		f.Code = "contact_no_plateau"
		return nil
	}
	half, err := quantity.FromFloat(math.Ln2/c.K/60, 2)
	if err != nil {
		return err
	}
	f.Code, f.Unit, f.Value = "contact_fit", "uS/cm", plateau
	if !c.PlateauLimits.LowOpen {
		if f.Low, err = quantity.FromFloat(c.PlateauLimits.Low-wide, figures); err != nil {
			return err
		}
	}
	if !c.PlateauLimits.HighOpen {
		if f.High, err = quantity.FromFloat(c.PlateauLimits.High+wide, figures); err != nil {
			return err
		}
	}
	f.Args = args("plateau", plateau, "half", half+" min")
	return nil
}
