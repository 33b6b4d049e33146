package report

import (
	"testing"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/protocol"
	"tapledger/runner/assess"
)

// sample is an invented core: two units that share a rank and one behind them.
func sample() edition.Core {
	arg := func(pairs ...string) []assess.Arg {
		var out []assess.Arg
		for i := 0; i < len(pairs); i += 2 {
			out = append(out, assess.Arg{Name: pairs[i], Text: pairs[i+1]})
		}
		return out
	}
	unit := func(id, share string) edition.UnitBasis {
		return edition.UnitBasis{Unit: id, Document: edition.Document{Kind: "unit", ID: id, Version: "1.0.0", Title: "The invented unit " + id, Resolved: "sha256:" + id},
			Mark: "mark of " + id, Invented: "yes", Run: "fern-20260302-" + id[:4], Runs: []string{}, Parts: []edition.PartBasis{{Part: "filter", Volume: "55.0 L"}, {Part: "membrane", Volume: "55.0 L", Share: share}}}
	}
	score := func(id string, rank, sharing int, low, number, high, band, top, value string) edition.UnitScore {
		return edition.UnitScore{Unit: id, Run: "fern-20260302-" + id[:4], Rank: rank, RankWorst: rank + sharing - 1, Sharing: sharing, Low: low, Number: number, High: high, Band: band, BandHigh: top, Before: [3]string{low, number, high},
			Caps:     []edition.UnitCap{{Cap: "nickel_higher", State: map[bool]string{true: "applies", false: "applies_not"}[id == "alder-1"], Rests: []edition.Rest{}}},
			Measures: []edition.UnitMeasure{{Measure: "lead_reduction", State: "known", ValueLow: value, Unit: "%", Low: low, Number: number, High: high, Rests: []edition.Rest{}}}}
	}
	findings := func(id string, extra ...assess.Finding) assess.Assessment {
		a := assess.Assessment{Run: "fern-20260302-" + id[:4], Unit: id, Protocol: "small/1.0.0", Looked: 2,
			Rows: []assess.Row{{Analyte: "lead", Untreated: assess.Cell{Result: "20 ug/L", U: "2.1 ug/L"}, Treated: assess.Cell{Result: "<0.6 ug/L"}},
				{Analyte: "nickel", Untreated: assess.Cell{Result: "3.0 ug/L"}, Treated: assess.Cell{Result: "6.0 ug/L"}}},
			Findings: []assess.Finding{
				{Subject: "lead", Kind: "reduction", Code: "reduction_at_least", Low: "96.6", High: "100.0", Unit: "%", Args: arg("name", "Lead", "limit", "0.6 ug/L"), Needs: "finer_treated", Marks: []string{"assumed:uncertainty"}, Rule: "reduction", Source: "x"},
				{Subject: "lead", Kind: "rise", Code: "rise_not_distinguishable", Args: arg("name", "Lead"), Rule: "rise", Source: "x"},
				{Subject: "nickel", Kind: "rise", Code: "rise_unconfirmed", Args: arg("name", "Nickel", "untreated", "3.0 ug/L", "treated", "6.0 ug/L", "lacks", "no_second_day"), Rule: "rise", Source: "x"},
				{Subject: "balance_lead", Kind: "bench", Code: "balance_closes", Args: arg("name", "Lead"), Low: "80.0", High: "120.0", Rule: "drain_balance", Source: "x"},
				{Subject: "flow", Kind: "bench", Code: "bench_measured", Value: "1.9", Unit: "L/min", Args: arg("what", "Flow at the faucet"), Rule: "read", Source: "x"},
			}}
		a.Findings = append(a.Findings, extra...)
		return a
	}
	doc := func(kind, id, title string) edition.Document {
		return edition.Document{Kind: kind, ID: id, Version: "1.0.0", Title: title, Source: "sha256:0", Resolved: "sha256:1"}
	}
	above := assess.Finding{Subject: "nickel", Kind: "margin", Code: "margin_above", Low: "110.0", High: "130.0", Unit: "%", Rule: "margin", Source: "x", Needs: "advice",
		Args: arg("name", "Nickel", "value", "5 ug/L", "type", "GV", "jurisdiction", "Nowhere", "document", "Invented list", "year", "2020")}
	lead := above
	lead.Subject, lead.Args = "lead", arg("name", "Lead", "value", "1 ug/L", "type", "GV", "jurisdiction", "Nowhere", "document", "Invented list", "year", "2020")
	return edition.Core{
		Basis: edition.Basis{Format: edition.CoreFormat, Bench: "fern", Title: "An invented bench", Simulated: "yes", Main: "1111111111111111111111111111111111111111",
			Campaign: doc("campaign", "spring", "Three invented units <b>&amp; more"), Protocol: doc("protocol", "small", "Small"), Scoring: doc("scoring", "plain", "Plain"), Lab: doc("laboratory", "north-lab", "An invented laboratory"),
			Values: []edition.Document{doc("values", "small", "Small")}, Units: []edition.UnitBasis{unit("alder-1", "1.4"), unit("birch-1", "1.2"), unit("cedar-1", "")},
			Analytes: []edition.AnalyteBasis{{ID: "lead", Name: "Lead", Unit: "ug/L", Role: "contaminant", Counts: "yes"}, {ID: "nickel", Name: "Nickel", Unit: "ug/L", Role: "contaminant", Counts: "no", Why: []edition.NotCounted{{Unit: "alder-1", Why: "feed_below"}}}},
			Groups:   []edition.GroupBasis{{ID: "reduction", Title: "Reduction"}, {ID: "cost", Title: "Cost"}},
			Measures: []edition.MeasureBasis{
				{Measure: protocol.Measure{ID: "lead_reduction", Group: "reduction", Title: "Lead, reduction", Value: "x", Weight: "3", Basis: "measured", Because: "It comes from the house.", Points: []protocol.ValueFun{{At: "0 %", Points: "0"}, {At: "100 %", Points: "100"}}}, Share: "100.00"},
				{Measure: protocol.Measure{ID: "nickel_reduction", Group: "reduction", Title: "Nickel, reduction", Points: []protocol.ValueFun{}}}},
			Caps:   []edition.CapBasis{{Cap: protocol.Cap{ID: "nickel_higher", AtMost: "80", Because: "More nickel after than before."}}},
			Bands:  []edition.BandBasis{{Band: protocol.Band{ID: "lower", Title: "below 60", From: "0"}}, {Band: protocol.Band{ID: "upper", Title: "60 and above", From: "60"}}},
			Spread: []edition.SpreadBasis{}, Envelope: []edition.EnvelopeBasis{},
			Cautions: []edition.CautionBasis{{ID: "scope", Version: "1.0.0", Text: "One unit, one place; not a certification, compliance or medical statement."}, {ID: "above-value", Version: "1.0.0", Text: "Do not rely on this water for drinking until your supplier has advised."}}},
		Scores: edition.Scores{Format: edition.CoreFormat, Simulated: "yes", Half: "9.50", LeftOut: []edition.LeftOut{{Measure: "nickel_reduction", Why: "not_counted", Code: "nickel"}},
			Units: []edition.UnitScore{score("alder-1", 1, 2, "62", "72", "80", "upper", "upper", "72"), score("birch-1", 1, 2, "50", "60", "70", "lower", "upper", "60"), score("cedar-1", 3, 1, "10", "20", "30", "lower", "lower", "20")}},
		Findings: edition.Findings{Format: edition.CoreFormat, Simulated: "yes", Runs: []assess.Assessment{findings("alder-1", above), findings("birch-1"), findings("cedar-1", lead)}},
		Statements: edition.Statements{Format: edition.CoreFormat, Simulated: "yes", Statements: []edition.Statement{{Code: "simulated"}, {Code: "departures", Args: arg("count", "1"),
			Items: [][]assess.Arg{arg("unit", "alder-1", "run", "r", "record", "7", "by", "mk", "made", "2026-03-02T09:14:07.482Z", "criteria", "tray", "reason", "a tub was used")}}, {Code: "one_person"}, {Code: "never_entered"}}},
	}
}

// encode writes a core as an edition holds it.
func encode(t *testing.T, c edition.Core) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for path, v := range map[string]any{edition.BasisFile: c.Basis, edition.ScoresFile: c.Scores, edition.FindingsFile: c.Findings, edition.StatementsFile: c.Statements} {
		b, err := audit.Marshal(v)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		out[path] = b
	}
	return out
}
