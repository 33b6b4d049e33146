package protocol

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"tapledger/rules/quantity"
)

// Preservation of a bottle, as it triggers cautions and rules of order.
const (
	preservedNot   = "none"
	preservedAcid  = "acid"
	preservedOther = "other"
)

// preservations says what is in a bottle before the sample: acid, another
// agent, both or nothing. A text that begins with "none" says nothing is,
// whatever the laboratory adds later.
func preservations(text string) []string {
	low := strings.ToLower(strings.TrimSpace(text))
	if low == "" || strings.HasPrefix(low, "none") || strings.HasPrefix(low, "no ") {
		return []string{preservedNot}
	}
	var out []string
	for _, agent := range []string{"ascorbic acid", "maleic acid"} { // buffers and quenchers, weak acids
		if strings.Contains(low, agent) {
			out, low = append(out, preservedOther), strings.ReplaceAll(low, agent, "")
		}
	}
	for _, word := range []string{"hno3", "h2so4", "hcl", "h3po4", "acid"} {
		if strings.Contains(low, word) {
			return append([]string{preservedAcid}, out...)
		}
	}
	if len(out) == 0 {
		out = []string{preservedOther}
	}
	return out[:1]
}

// checkSamples reports draws whose samples could not say what they are drawn
// for: no pair, no water, a wrong order of bottles, more water than there is.
func (d *draft) checkSamples(p *Protocol, steps []placedStep) {
	ended := map[string]string{}
	for _, s := range steps {
		if s.Kind != StepDraw || s.lent {
			continue
		}
		d.checkDraw(p, s)
		d.checkPair(p, s)
		d.checkDuplicate(p, s)
		d.checkBottleOrder(p, s)
		if other, twice := ended[s.Ends]; twice && s.Ends != "" {
			d.fault(s.ptr+"/ends", fmt.Sprintf("%q is ended by the draw %q already", s.Ends, other), "a standing is ended by the first water that is drawn")
		}
		ended[s.Ends] = s.ID
	}
	for _, s := range steps {
		if s.Kind == StepStand && ended[s.ID] == "" && !s.lent && allStands(p, ended) {
			d.fault(s.ptr+"/id", fmt.Sprintf("no draw ends the standing %q", s.ID), "a draw that begins with the water that stood says ends: "+s.ID)
		}
	}
	d.checkDelivered(p, steps)
}

// allStands tells whether every step that a draw ends is a stand; if not, that
// is the fault, and the standing it meant is not reported too.
func allStands(p *Protocol, ended map[string]string) bool {
	for id := range ended {
		if _, s := p.Step(id); id != "" && (s == nil || s.Kind != StepStand) {
			return false
		}
	}
	return true
}

// lacksPair finds a treated draw without a pair, which is a fault of its own.
func lacksPair(p *Protocol) bool {
	return slices.ContainsFunc(p.Steps(), func(s *Step) bool { return s.Water == "treated" && s.PairsWith == "" && s.DuplicateOf == "" })
}

func (d *draft) checkDraw(p *Protocol, s placedStep) {
	switch {
	case s.Blank == "" && s.Water == "blank":
		d.fault(s.ptr+"/water", "which blank is this?", "write blank: field, trip, equipment or bottle_lot")
	case s.Blank != "" && s.Water != "blank":
		d.fault(s.ptr+"/water", fmt.Sprintf("a blank is no %s water", s.Water), "take water out, or write blank")
	case s.Water == "" && !lacksPair(p):
		d.fault(s.ptr, fmt.Sprintf("whose water the draw %q is cannot be told", s.ID), "write water: untreated, treated, drain or blank")
	}
	if s.Point == "" && s.Blank == "" && s.Water != "blank" {
		d.fault(s.ptr, fmt.Sprintf("the draw %q has no point", s.ID), "name one of the protocol's points")
	}
	if s.Ends != "" && s.Water != "treated" {
		d.fault(s.ptr+"/ends", "only a treated draw ends a standing", "")
	}
	if s.Ends != "" && s.Water == "treated" && s.Draw != "first" {
		d.fault(s.ptr+"/draw", "a draw that ends a standing is a first draw", "")
	}
	if s.Draw == "first" && s.Water == "treated" && s.Ends == "" {
		d.fault(s.ptr+"/draw", "a first draw ends a standing", "write ends: and the step of kind stand")
	}
}

// checkPair reports a treated draw without an untreated one that stands for
// the same water, and pairs that cannot be what they are said to be.
func (d *draft) checkPair(p *Protocol, s placedStep) {
	_, with := p.Step(s.PairsWith)
	splits := s.DuplicateOf != "" && s.Duplicate != "repeat" // the same water as what it doubles
	switch {
	case s.Water == "treated" && s.PairsWith == "" && !splits:
		d.fault(s.ptr, fmt.Sprintf("the treated draw %q has no pair", s.ID), "write pairs_with: an untreated draw, and pairing: simultaneous, bracketed or composite")
		return
	case s.PairsWith != "" && s.Pairing == "":
		d.fault(s.ptr+"/pairs_with", "how the pair stands for the same water is not said", "write pairing: simultaneous, bracketed or composite")
		return
	case s.PairsWith == "" && s.Pairing != "":
		d.fault(s.ptr+"/pairing", "a pairing without a pair", "write pairs_with: an untreated draw")
		return
	case with == nil || with.Kind != StepDraw:
		return
	}
	if s.Water != "treated" {
		d.fault(s.ptr+"/pairs_with", fmt.Sprintf("the draw %q is of %s water; the treated draw names its pair", s.ID, s.Water), "")
	}
	if with.Water != "untreated" && with.Water != "" {
		d.fault(s.ptr+"/pairs_with", fmt.Sprintf("%q is a draw of %s water; a pair is a treated and an untreated one", with.ID, with.Water), "")
	}
	if s.Pairing == "composite" && with.CompositeOver == "" {
		d.fault(s.ptr+"/pairing", fmt.Sprintf("%q is not collected over the fill that made this water", with.ID), "write composite_over: and the fill at "+with.ID)
	}
	if s.Pairing == "bracketed" && s.PairsAfter == "" {
		d.fault(s.ptr+"/pairing", "a bracketed pair has an untreated draw before and one after", "write pairs_after: and the draw taken afterwards")
	}
	if s.Pairing == "simultaneous" && s.Ends != "" {
		d.fault(s.ptr+"/pairing", "water that stood is not the water of the same minutes", "pair it with a composite over the fill that made it")
	}
	d.checkPairAlike(p, s, with)
}

// checkPairAlike reports a pair whose bottles or outlets differ.
func (d *draft) checkPairAlike(p *Protocol, s placedStep, with *Step) {
	for _, b := range with.Bottles {
		if _, declared := p.Bottles[b]; !declared {
			return // that is the fault
		}
	}
	for i, b := range s.Bottles {
		if _, declared := p.Bottles[b]; declared && !slices.Contains(with.Bottles, b) {
			d.fault(fmt.Sprintf("%s/bottles/%d", s.ptr, i), fmt.Sprintf("the untreated draw %q fills no bottle %q", with.ID, b), "both of a pair fill the same bottles")
		}
	}
	a, okA := p.Points[s.Point]
	b, okB := p.Points[with.Point]
	if okA && okB && a.Aerator != b.Aerator {
		d.fault(s.ptr+"/point", fmt.Sprintf("the aerators of a pair differ: %q at %s, %q at %s", a.Aerator, s.Point, b.Aerator, with.Point),
			"lead and copper first draws keep the aerator on, volatile compounds are drawn without")
	}
}

func (d *draft) checkDuplicate(p *Protocol, s placedStep) {
	_, of := p.Step(s.DuplicateOf)
	switch {
	case s.Duplicate != "" && s.DuplicateOf == "":
		d.fault(s.ptr+"/duplicate", "of which draw this is a duplicate is not said", "write duplicate_of:")
	case s.Duplicate == "" && s.DuplicateOf != "":
		d.fault(s.ptr+"/duplicate_of", "what sort of duplicate this is, is not said", "write duplicate: split, consecutive or repeat")
	case of != nil && s.Duplicate == "consecutive" && (of.Draw == "first" || of.Ends != ""):
		d.fault(s.ptr+"/duplicate", fmt.Sprintf("%q is a first draw; the water after it is other water", of.ID), "a first draw is repeated on another day: duplicate: repeat")
	case of != nil && of.Kind == StepDraw && of.Water != s.Water:
		d.fault(s.ptr+"/duplicate_of", fmt.Sprintf("%q is a draw of %s water, this one of %s water", of.ID, of.Water, s.Water), "")
	}
}

// checkBottleOrder reports a bottle with acid that is filled before one whose
// sample the acid would spoil.
func (d *draft) checkBottleOrder(p *Protocol, s placedStep) {
	acid := ""
	for i, id := range s.Bottles {
		b, ok := p.Bottles[id]
		if !ok {
			continue
		}
		if b.Sterile == "yes" && i > 0 && p.Bottles[s.Bottles[i-1]].Sterile != "yes" {
			d.fault(fmt.Sprintf("%s/bottles/%d", s.ptr, i), fmt.Sprintf("the sterile bottle %q is not the first", id), "fill sterile bottles before all others")
		}
		switch has := preservations(b.Preservative); {
		case has[0] == preservedAcid:
			acid = id
		case has[0] == preservedNot && acid != "":
			why := "a drop of its acid would spoil the unpreserved sample"
			if slices.Contains(b.Analytes, "nitrate") {
				why = "a drop of nitric acid is nitrate"
			}
			d.fault(fmt.Sprintf("%s/bottles/%d", s.ptr, i), fmt.Sprintf("%q holds acid and is filled before %q", acid, id), why+": fill bottles with acid last")
		}
	}
}

// checkDelivered reports draws from one tank of water that need more than
// constants.tank_volume, where the protocol declares it.
func (d *draft) checkDelivered(p *Protocol, steps []placedStep) {
	tank, err := quantity.Parse(p.Constants["tank_volume"])
	if err != nil || tank.Dim != quantity.Volume {
		return
	}
	sum := new(big.Rat)
	for _, s := range steps {
		if s.Kind == StepFill {
			sum = new(big.Rat)
		}
		if s.Kind != StepDraw || s.Water != "treated" {
			continue
		}
		before := new(big.Rat).Set(sum)
		for _, b := range s.Bottles {
			if q, err := quantity.Parse(p.Bottles[b].Volume); err == nil && q.Dim == quantity.Volume {
				sum.Add(sum, q.Base)
			}
		}
		if sum.Cmp(tank.Base) > 0 && before.Cmp(tank.Base) <= 0 {
			need := quantity.New(sum, quantity.BaseUnit(quantity.Volume))
			d.fault(s.ptr+"/bottles", fmt.Sprintf("up to here the draws need %s; one tank gives %s", need, tank.Text), "fewer or smaller bottles, or a further fill")
		}
	}
}

// checkAnalytes reports analytes that no bottle is filled for, that the
// protocol does not ask for, or that no values document knows.
func (d *draft) checkAnalytes(p *Protocol, lib *Library) {
	var known []string
	for _, doc := range lib.All(KindValues) {
		if v, ok := doc.Value.(*Values); ok {
			for _, a := range v.Analytes {
				known = append(known, a.ID)
			}
		}
	}
	for i, a := range p.Analytes {
		if len(known) > 0 {
			d.known(fmt.Sprintf("/analytes/%d", i), "analyte", a, known)
		}
	}
	read, strange := map[string]bool{}, false
	for _, id := range slices.Sorted(maps.Keys(p.Bottles)) {
		for i, a := range p.Bottles[id].Analytes {
			read[a] = true
			if len(p.Analytes) > 0 && !slices.Contains(p.Analytes, a) {
				strange = true
				d.fault(fmt.Sprintf("/bottles/%s/analytes/%d", id, i), fmt.Sprintf("the protocol does not ask for %q", a), nearHint(a, p.Analytes))
			}
		}
	}
	for i, a := range p.Analytes {
		if len(read) > 0 && !read[a] && !strange {
			d.fault(fmt.Sprintf("/analytes/%d", i), fmt.Sprintf("no bottle is filled for %q", a), "list it at the bottle that it is read from")
		}
	}
}
