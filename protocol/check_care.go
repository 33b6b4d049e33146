package protocol

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// checkCautionsDue reports cautions that are due and not listed, and listed
// ones that the library does not hold.
func (d *draft) checkCautionsDue(p *Protocol, steps []placedStep, lib *Library) {
	all := newestCautions(lib)
	var ids []string
	for _, c := range all {
		ids = append(ids, c.ID)
	}
	for i, id := range p.Cautions {
		d.known(fmt.Sprintf("/cautions/%d", i), "caution", id, ids)
	}
	at := "/cautions"
	if _, listed := d.places[at]; !listed {
		at = "/title"
	}
	for _, c := range all {
		if slices.Contains(p.Cautions, c.ID) {
			continue
		}
		if why, due := dueWhy(p, nil, nil, c); due {
			d.faultKey(at, fmt.Sprintf("the caution %s is due and not listed: %s", c.ID, why), "add it to cautions; it is shown before the step")
		}
	}
	for _, name := range slices.Sorted(maps.Keys(p.Points)) {
		if text := strings.ToLower(name + " " + p.Points[name].Where); (strings.Contains(text, "challenge") || strings.Contains(text, "spik")) &&
			!slices.Contains(p.Cautions, "no-spiking") {
			d.faultKey("/points/"+name, fmt.Sprintf("the point %q sounds like a challenge test", name),
				"nothing is dosed into a household connection; list the caution no-spiking, or name the point otherwise")
		}
	}
}

// newestCautions returns the newest version of every caution, sorted by id.
func newestCautions(lib *Library) []*Caution {
	var out []*Caution
	for _, doc := range lib.All(KindCaution) {
		c, ok := doc.Value.(*Caution)
		if !ok {
			continue
		}
		if n := len(out); n > 0 && out[n-1].ID == c.ID {
			out[n-1] = c
			continue
		}
		out = append(out, c)
	}
	return out
}

// triggerWords are words of an ask that speak of work with a caution of its
// own, and the trigger that must be declared for it.
var triggerWords = []struct {
	words   *regexp.Regexp
	trigger string
	is      string
}{
	{regexp.MustCompile(`(?i)\bdrill(s|ed|ing)?\b`), "involves", "drilling"},
	{regexp.MustCompile(`(?i)\b(taste|tastes|tasted|tasting|smell|smells|odou?r)\b`), "involves", "tasting"},
	{regexp.MustCompile(`(?i)\b(lamps?|UV)\b`), "unit_has", "lamp"},
	{regexp.MustCompile(`(?i)\b(saniti[sz](e|es|ed|ing|er)|disinfect(s|ed|ing|ant)?|bleach)\b`), "involves", "sanitising"},
	{regexp.MustCompile(`(?i)\b(coliforms?|E\. ?coli|legionella)\b`), "involves", "microbiology"},
	{regexp.MustCompile(`(?i)\b(replace|change|exchange|swap)s?\b[^.]*\b(filter|cartridge|membrane)s?\b`), "involves", "filter_change"},
	{regexp.MustCompile(`(?i)\b(solder(s|ed|ing)?|pipe cutter|cut the pipe)\b`), "involves", "plumbing"},
	{regexp.MustCompile(`(?i)\b(mains socket|wall socket|plug (it )?in|plugged in)\b`), "involves", "mains"},
	{regexp.MustCompile(`(?i)\b(boil(s|ed|ing)?|scald(ing)?|heater)\b`), "involves", "heat"},
}

// checkAsk reports a word in an ask whose trigger is not declared, so that its
// caution would not be shown.
func (d *draft) checkAsk(p *Protocol, s placedStep) {
	asks := map[string]string{s.ptr + "/ask": s.Ask}
	order := []string{s.ptr + "/ask"}
	for i, a := range s.Sheet {
		ptr := fmt.Sprintf("%s/sheet/%d/ask", s.ptr, i)
		asks[ptr], order = a.Ask, append(order, ptr)
	}
	involves := append(append([]string(nil), s.section.Involves...), s.Involves...)
	for _, ptr := range order {
		for _, w := range triggerWords {
			loc := w.words.FindStringIndex(asks[ptr])
			if loc == nil {
				continue
			}
			if w.trigger == "unit_has" && slices.Contains(p.UnitHas, w.is) || w.trigger == "involves" && slices.Contains(involves, w.is) {
				continue
			}
			where := "at the step or its section"
			if w.trigger == "unit_has" {
				where = "at the protocol"
			}
			before := asks[ptr][:loc[0]]
			line, col := 1+strings.Count(before, "\n"), 1+len([]rune(before[strings.LastIndexByte(before, '\n')+1:]))
			d.inside(ptr, line, col, fmt.Sprintf("%q speaks of work whose caution is not triggered", asks[ptr][loc[0]:loc[1]]),
				fmt.Sprintf("write %s: [%s] %s", w.trigger, w.is, where))
		}
	}
}

var (
	trayWord  = regexp.MustCompile(`(?i)\btray\b`)
	alarmWord = regexp.MustCompile(`(?i)\bleak (alarm|detector|sensor)\b`)
)

// checkCare reports water that stands, or a tank that fills, without tray and
// leak alarm looked at before, and a pressurised unit whose limit stops nothing.
func (d *draft) checkCare(p *Protocol, steps []placedStep) {
	looked := false
	for _, s := range steps {
		if s.Kind == StepInspect && trayWord.MatchString(s.Ask) && alarmWord.MatchString(s.Ask) {
			looked = true
		}
		if (s.Kind == StepStand || s.Kind == StepFill) && !looked {
			d.fault(s.ptr+"/kind", fmt.Sprintf("nobody has looked at tray and leak alarm before the %s %q", s.Kind, s.ID),
				"put an inspect step before it that asks for the tray and the leak alarm under the unit")
			break
		}
	}
	if !slices.Contains(p.UnitHas, "feed_pressure") {
		return
	}
	for _, c := range p.Criteria {
		if c.Otherwise == ThenStop && c.Undecided == ThenStop && mentions(c.Must, "unit.pressure_most") {
			return
		}
	}
	at := "/unit_has"
	d.faultKey(at, "the unit stands under feed pressure and no criterion stops above its limit",
		"write a criterion with must: feed_pressure.value <= unit.pressure_most, otherwise: stop and undecided: stop")
}
