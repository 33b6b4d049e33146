package runner

import (
	"fmt"
	"math/big"
	"slices"
	"sort"

	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// LifePoint is the volume that a part had treated when a sample was drawn.
type LifePoint struct {
	Part   string   `json:"part"`
	Lot    string   `json:"lot,omitempty"`
	Step   string   `json:"step"`
	Try    int      `json:"try"`
	Seq    int64    `json:"seq"`
	Volume string   `json:"volume"`          // quantity, L, one decimal
	Rated  string   `json:"rated,omitempty"` // quantity, as stated
	Share  string   `json:"share,omitempty"` // quantity, %, one decimal
	Bound  string   `json:"bound"`           // "exact" or "at_least": some volume was not recorded
	Inputs []string `json:"inputs"`          // path@seq
}

// passed is water that went through the unit: how much, or that it is not known.
type passed struct {
	seq    int64
	path   string
	when   string
	volume *big.Rat // L, nil when not recorded
}

// LifePoints gives the life point of every part at every draw of water from the
// unit: what the part had treated when it was fitted (0 unless its record says
// so) and every flush, fill, fill of a series and volume measured on the bench
// since. A fill whose volume was not recorded counts as the tank's volume where
// the unit states one. What is left unrecorded, and water that a flow or a
// weighing took, makes the volume a lower bound; so does a rated volume that
// counts the feed, which is at least what left the unit.
func LifePoints(s *State) []LifePoint {
	flows := s.flows()
	var out []LifePoint
	for _, x := range s.Samples {
		st := s.step(x.Step)
		if st.Water == "untreated" || st.Water == "blank" {
			continue
		}
		t := s.Tries[x.Step][x.Try-1]
		_, _, when := s.drawn(st, t, At{x.Step, x.Try})
		for _, part := range s.Pinned.Unit.Parts {
			if l, ok := s.lifePoint(part, x, when.Text, flows); ok {
				out = append(out, l)
			}
		}
	}
	return out
}

// flows lists the water that went through the unit, in order of time.
func (s *State) flows() []passed {
	var out []passed
	tank, hasTank := s.Pinned.rules.unit["tank_volume"]
	add := func(h Held, end string, wholeTank bool) {
		p := passed{seq: h.Seq, path: h.Path, when: end}
		if q, err := quantity.Parse(h.Text); err == nil {
			p.volume = q.Base
		} else if wholeTank && hasTank {
			p.volume = tank.Base
		}
		out = append(out, p)
	}
	for _, st := range s.Pinned.rules.steps {
		for _, t := range s.Tries[st.ID] {
			out = append(out, benchFlows(st, t)...)
			switch {
			case (st.Kind == protocol.StepFlush || st.Kind == protocol.StepFill) && t.Closed && !t.LeftOut:
				v := t.Values["volume"]
				if v.Seq == 0 {
					v = Held{Seq: lastSeq(t), Path: "/values/ended"}
				}
				add(v, t.Values["ended"].Text, st.Kind == protocol.StepFill)
			case st.Kind == protocol.StepSeries && st.Over == "fills":
				for _, reading := range t.Series {
					v, at := reading["volume"], reading["at"]
					if v.Seq == 0 {
						v = Held{Seq: at.Seq, Path: "/values/at"}
					}
					add(v, at.Text, true)
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].when < out[j].when })
	return out
}

// benchFlows lists the water that a reading on the bench took from the unit: a
// volume by its text, a flow or a weighing as water whose volume is not known.
func benchFlows(st *protocol.Step, t *Try) []passed {
	var out []passed
	if st.Kind != protocol.StepReading || !t.Closed || t.LeftOut {
		return out
	}
	for _, a := range st.Asks() {
		known := a.Gives == "usable_volume" || a.Gives == "product_volume"
		if !known && a.Gives != "flow" && a.Gives != "product_mass" {
			continue
		}
		for n := 1; n <= max(a.Repeats, 1); n++ {
			name := a.Name
			if n > 1 {
				name = fmt.Sprintf("%s_%d", a.Name, n)
			}
			h, ok := t.Values[name]
			if !ok {
				continue
			}
			p := passed{seq: h.Seq, path: h.Path, when: t.Values["at"].Text}
			if q, err := quantity.Parse(h.Text); err == nil && known {
				p.volume = q.Base
			}
			out = append(out, p)
		}
	}
	return out
}

func (s *State) lifePoint(part protocol.PartSpec, x *Sample, when string, flows []passed) (LifePoint, bool) {
	l := LifePoint{Part: part.ID, Lot: part.Lot, Step: x.Step, Try: x.Try, Seq: x.Seq, Bound: "exact", Inputs: []string{}}
	sum := new(big.Rat)
	fitted, since := true, ""
	for _, e := range s.Events {
		b, ok := e.Body.(*Part)
		if !ok || b.Part != part.ID || b.Values["at"].Text > when {
			continue
		}
		fitted = b.Action == "fitted"
		since, sum = b.Values["at"].Text, new(big.Rat)
		if fitted {
			l.Lot, l.Inputs = b.Lot, []string{fmt.Sprintf("/values/at@%d", e.Seq)}
			if q, err := quantity.Parse(b.Values["volume"].Text); err == nil {
				sum.Set(q.Base)
				l.Inputs = []string{fmt.Sprintf("/values/volume@%d", e.Seq)}
			}
		}
	}
	if !fitted {
		return l, false
	}
	for _, f := range flows {
		if f.when > when || f.when < since {
			continue
		}
		l.Inputs = append(l.Inputs, fmt.Sprintf("%s@%d", f.path, f.seq))
		if f.volume == nil {
			l.Bound = "at_least"
			continue
		}
		sum.Add(sum, f.volume)
	}
	if part.RatedOf == "feed" {
		l.Bound = "at_least"
	}
	slices.Sort(l.Inputs)
	l.Inputs = slices.Compact(l.Inputs)
	mode := quantity.HalfEven
	if l.Bound == "at_least" {
		mode = quantity.Down
	}
	l.Volume = quantity.Decimal(sum, 1, mode) + " L"
	if rated, err := quantity.Parse(part.RatedVolume); err == nil && rated.Base.Sign() > 0 {
		l.Rated = part.RatedVolume
		share := new(big.Rat).Quo(sum, rated.Base)
		l.Share = quantity.Decimal(share.Mul(share, big.NewRat(100, 1)), 1, mode) + " %"
	}
	return l, true
}
