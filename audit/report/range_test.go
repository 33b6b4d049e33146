package report

import (
	"strings"
	"testing"

	"tapledger/audit/edition"
	"tapledger/protocol"
	"tapledger/runner/assess"
)

// ranged is the sample with a unit whose score is a range only and whose cap
// is open, with a goal in every unit, and with a repair and a claim.
func ranged() edition.Core {
	c := sample()
	u := &c.Scores.Units[1]
	u.Low, u.Number, u.High = "42", "", "96"
	u.Measures[0] = edition.UnitMeasure{Measure: "lead_reduction", State: "undecided", Code: "reduction_feed_moved", Low: "0.0", High: "100.0", Rests: []edition.Rest{}}
	u.Caps[0].State, u.Caps[0].Code = "open", "feed_moved"
	c.Scores.Units[0].Measures[0] = edition.UnitMeasure{Measure: "lead_reduction", State: "known", Bound: "yes", ValueLow: "94.0", ValueHigh: "100.0", Unit: "%", Low: "80.0", High: "100.0", Rests: []edition.Rest{}}
	goal := assess.Finding{Subject: "lead", Kind: assess.KindGoal, Code: "goal_zero", Rule: "goal", Source: "x", Args: []assess.Arg{{Name: "name", Text: "Lead"}, {Name: "value", Text: "0"}, {Name: "type", Text: "MCLG"}, {Name: "jurisdiction", Text: "Nowhere"}, {Name: "document", Text: "Invented list"}, {Name: "year", Text: "2020"}}}
	for i := range c.Findings.Runs {
		c.Findings.Runs[i].Findings = append(c.Findings.Runs[i].Findings, goal)
	}
	b := &c.Basis.Units[1]
	b.Repairs = []protocol.Repair{{Date: "2026-03-10", Part: "housing", Says: "The thread was cracked.", From: "the seller"}}
	b.Changes = []edition.PartChange{{Run: "r", Record: 9, Made: "2026-03-10T09:00:00.000Z", Action: "fitted", Part: "housing", Lot: "H-2"}}
	b.Claims = []protocol.UnitClaim{{About: "flow", Says: "two litres a minute", Source: "data sheet"}, {About: "colour", Says: "blue", Source: "data sheet"}}
	c.Basis.Spread = []edition.SpreadBasis{{SpreadPart: protocol.SpreadPart{ID: "unit_to_unit", Standard: "3", Status: "assumed"}}, {SpreadPart: protocol.SpreadPart{ID: "day_to_day", Standard: "4", Status: "assumed"}}}
	c.Statements.Statements = append(c.Statements.Statements, edition.Statement{Code: "expires", Args: []assess.Arg{{Name: "date", Text: "2027-03-31"}}})
	return c
}

func TestRangeWithoutNumber(t *testing.T) {
	page := render(t, ranged())
	for _, part := range []string{
		`between <span class="big">42</span> and <span class="big">96</span> of 100`, `aria-label="between 42 and 96 of 100"`,
		"no single number: a measure is undecided", "undecided: feed moved", "between 0.0 and 100.0 of 100",
		"at least 94.0 %", "between 80.0 and 100.0 of 100",
		"Caps that are undecided (feed moved): nickel higher (at most 80). They may apply, so the low end is at most 80.",
		"for unit to unit (assumed) and day to day (assumed)", "It does not hold how the samples were taken",
		"the scores are said to hold until 2027-03-31", "one more than the number of units whose range lies wholly above",
		"Repaired on 2026-03-10, part housing: The thread was cracked. New part from: the seller. Everything here was found on the unit as repaired.", "Fitted in run r: housing (lot H-2, record 9, 2026-03-10).",
		"Flow. Stated: \u201ctwo litres a minute\u201d (data sheet). Found here: Flow at the faucet: 1.9 L/min.", "Found here: this was not looked at.",
	} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	if n := strings.Count(page, "the goal of 0 (MCLG"); n != 1 {
		t.Errorf("a goal that holds for all units is said %d times", n)
	}
	// Neither the range nor the undecided and the bound have a mark for a number.
	if n, all := strings.Count(page, `class="at"`), strings.Count(page, `<svg class="line"`); all != 6 || n != 3 {
		t.Errorf("%d marks for a number on %d lines, want 3 on 6", n, all)
	}
	text, err := Text(encode(t, ranged()))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{"rank 1 to 2", "birch-1  between 42 and 96 of 100", "birch-1: Repaired on 2026-03-10, part housing; its own section says how.", "birch-1: Caps that are undecided (feed moved)"} {
		if !strings.Contains(text, part) {
			t.Errorf("the text lacks %q:\n%s", part, text)
		}
	}
	for row := range strings.Lines(text) {
		if strings.Contains(row, "between 42") && strings.Contains(row, "|") {
			t.Errorf("a range has a mark for a number: %s", row)
		}
	}
}

// Bands are named from the lowest that is possible to the highest, none between
// left out.
func TestBandWords(t *testing.T) {
	c := ranged()
	c.Basis.Bands = []edition.BandBasis{{Band: protocol.Band{ID: "upper", Title: "80 and above", From: "80"}}, {Band: protocol.Band{ID: "lower", Title: "below 60", From: "0"}}, {Band: protocol.Band{ID: "middle", Title: "60 to below 80", From: "60"}}}
	for _, x := range []struct{ low, high, want string }{
		{"middle", "middle", "Band: 60 to below 80"}, {"middle", "upper", "Bands: 60 to below 80, or 80 and above"}, {"lower", "upper", "Bands: below 60, 60 to below 80, or 80 and above"},
	} {
		if got := bandWords(&c, edition.UnitScore{Band: x.low, BandHigh: x.high}); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
}
