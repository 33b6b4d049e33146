package score

import (
	"testing"

	"tapledger/rules/quantity"
)

func parse(s string) quantity.Quantity {
	q, err := quantity.Parse(s)
	if err != nil {
		panic(err)
	}
	return q
}

func result(s string) *quantity.Result {
	r, err := quantity.ParseResult(s)
	if err != nil {
		panic(err)
	}
	return &r
}

func TestRefusals(t *testing.T) {
	limits := Limits{LifePoint: rat("5/100"), Envelope: []Envelope{{"feed_pressure", parse("3 bar"), parse("5 bar")}}}
	bar := func(lo, hi string) map[string]quantity.Interval {
		return map[string]quantity.Interval{"feed_pressure": {Dim: quantity.Pressure, Lo: parse(lo).Base, Hi: parse(hi).Base}}
	}
	first := Standing{Unit: "a", Simulated: "no", Life: rat("5/100"), Feed: bar("3 bar", "5 bar")}
	for _, c := range []struct {
		name, code string
		run        Standing
	}{
		{"both ends in", "", Standing{Unit: "b", Simulated: "no", Life: rat("1/100"), Feed: bar("3.1 bar", "4 bar")}},
		{"below", EnvelopeBroken, Standing{Unit: "b", Simulated: "no", Life: rat("1/100"), Feed: bar("2.9 bar", "4 bar")}},
		{"above", EnvelopeBroken, Standing{Unit: "b", Simulated: "no", Life: rat("1/100"), Feed: bar("4 bar", "5.01 bar")}},
		{"other dimension", EnvelopeBroken, Standing{Unit: "b", Simulated: "no", Life: rat("1/100"),
			Feed: map[string]quantity.Interval{"feed_pressure": quantity.Point(parse("400 L"))}}},
		{"not measured", EnvelopeMissing, Standing{Unit: "b", Simulated: "no", Life: rat("1/100")}},
		{"older parts", LifeBeyond, Standing{Unit: "b", Simulated: "no", Life: rat("501/10000"), Feed: bar("4 bar", "4 bar")}},
		{"life not known", LifeUnknown, Standing{Unit: "b", Simulated: "no", Feed: bar("4 bar", "4 bar")}},
		{"invented", MixedSimulated, Standing{Unit: "b", Simulated: "yes", Life: rat("1/100"), Feed: bar("4 bar", "4 bar")}},
	} {
		got := Refusals(limits, []Standing{first, c.run})
		switch {
		case c.code == "" && len(got) > 0:
			t.Errorf("%s: refused for %+v", c.name, got)
		case c.code != "" && (len(got) != 1 || got[0].Code != c.code || got[0].Unit != "b"):
			t.Errorf("%s: %+v, want %s", c.name, got, c.code)
		}
	}
}

// Practice, point 2: feed at least 10 times its limit, treated against the
// same or a lower limit.
func TestCounts(t *testing.T) {
	fed := func(untreated, limit, treatedLimit string) Fed {
		f := Fed{Unit: "a", HasTreated: true}
		if untreated != "" {
			f.Untreated = result(untreated)
		}
		if limit != "" {
			f.UntreatedLimit = parse(limit).Base
		}
		if treatedLimit != "" {
			f.TreatedLimit = parse(treatedLimit).Base
		}
		return f
	}
	ok := fed("10 ug/L", "1 ug/L", "1 ug/L")
	for _, c := range []struct {
		name, why string
		run       Fed
	}{
		{"ten times exactly", CountsForAll, ok},
		{"a lower treated limit", CountsForAll, fed("10 ug/L", "1 ug/L", "0.5 ug/L")},
		{"less than ten times", FeedBelow, fed("9.99 ug/L", "1 ug/L", "1 ug/L")},
		{"a non-detect", FeedBelow, fed("<1 ug/L", "1 ug/L", "1 ug/L")},
		{"a non-detect against a raised limit", FeedRaised, fed("<2.5 ug/L", "2.5 ug/L", "1 ug/L")},
		{"ten times the finest limit, not of its own", FeedRaised, fed("12 ug/L", "2.5 ug/L", "1 ug/L")},
		{"less than ten times either", FeedBelow, fed("9 ug/L", "2.5 ug/L", "1 ug/L")},
		{"a higher treated limit", LimitHigher, fed("10 ug/L", "1 ug/L", "1.01 ug/L")},
		{"no untreated result", FeedUnknown, fed("", "1 ug/L", "1 ug/L")},
		{"no limit", FeedUnknown, fed("10 ug/L", "", "1 ug/L")},
		{"no treated limit", LimitUnknown, fed("10 ug/L", "1 ug/L", "")},
	} {
		got := Counts(rat("10"), []Fed{ok, c.run})
		if c.why == CountsForAll && len(got) > 0 || c.why != CountsForAll && (len(got) != 1 || got[0].Why != c.why) {
			t.Errorf("%s: %v, want %q", c.name, got, c.why)
		}
	}
	none := ok
	none.HasTreated, none.Unit = false, "b"
	low := fed("2 ug/L", "1 ug/L", "1 ug/L")
	low.Unit = "c"
	// Every run for which it does not count is named.
	if got := Counts(rat("10"), []Fed{ok, none, low}); len(got) != 2 || got[0] != (Short{"b", TreatedNone}) || got[1] != (Short{"c", FeedBelow}) {
		t.Errorf("no treated result, and too little: %v", got)
	}
}
