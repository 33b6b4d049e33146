package protocol

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// edited reads the small whole protocol after some replacements, each of which
// must be found in it.
func edited(t *testing.T, lib *Library, pairs ...string) (*Protocol, []Fault) {
	t.Helper()
	var text string
	for _, f := range corpus(t, "whole") {
		if f.Name == "protocol.yaml" {
			text = strings.ReplaceAll(string(f.Bytes), "\r\n", "\n")
		}
	}
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%q is not in the protocol", pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	d, faults := Read(File{Name: "p.yaml", Bytes: []byte(text)}, lib)
	if d == nil {
		return nil, faults
	}
	return d.Value.(*Protocol), faults
}

// TestWindowsBecomeCriteria holds the rule that each window turns into: time by
// default, volume where the limit is one, the time of a draw.
func TestWindowsBecomeCriteria(t *testing.T) {
	lib := wholeLibrary(t)
	for is, want := range map[string]string{
		"30 min":                       `line_flush.elapsed >= (qty("30 min"))`,
		"5 L":                          `line_flush.volume >= (qty("5 L"))`,
		"constants.tank_volume":        `line_flush.volume >= (constants.tank_volume)`,
		"constants.least":              `line_flush.elapsed >= (constants.least)`,
		"unit.flush_volume":            `line_flush.volume >= (unit.flush_volume)`,
		"constants.least + qty('1 h')": `line_flush.elapsed >= (constants.least + qty('1 h'))`,
	} {
		p, faults := edited(t, lib, "at_least: {is: 30 min", "at_least: {is: "+is)
		wantNoFaults(t, faults)
		if c := p.Criterion("line_flush.at_least"); c.Must != want || c.Decides != "line_flush" || c.Window != "at_least" {
			t.Errorf("%s: %+v, want %s", is, c, want)
		}
	}
	p, faults := edited(t, lib)
	wantNoFaults(t, faults)
	if c := p.Criterion("first_draw.within"); c.Must != `first_draw.took <= (qty("2 min"))` {
		t.Errorf("%+v", c)
	}
	var ids []string
	for _, c := range p.Criteria {
		ids = append(ids, c.ID)
	}
	want := []string{"pressure_in_range", "conditioned", "tray_ready", "line_flush.at_least", "stand.at_least", "stand.at_most", "first_draw.within"}
	if !slices.Equal(ids, want) {
		t.Errorf("criteria %v", ids)
	}
}

// TestAllFaultsAreListed puts several faults of shape and meaning into one
// document; each is reported, in the order of the file.
func TestAllFaultsAreListed(t *testing.T) {
	_, faults := edited(t, wholeLibrary(t), "title: Small", "titel: Small", "point: product\n", "point: prodct\n",
		"tanks.last, tanks.previous", "tanks.lst, tanks.previous", "    because: Water stands.\n", "", "ask: Fill the tank}", "ask: Fill the tank, colour: red}")
	var got []string
	for _, f := range faults {
		got = append(got, f.String())
	}
	want := []string{`p.yaml:4:1: unknown key "titel"`, `p.yaml:35:57: unknown key "colour" in the fill "last_fill"`,
		`p.yaml:44:16: there is no point "prodct"`, `p.yaml:66:20: tanks has no field "lst"`, `p.yaml:72:5: "because" is missing in "tray_ready"`}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestBracketedPair reads a treated draw between two untreated ones.
func TestBracketedPair(t *testing.T) {
	lib := wholeLibrary(t)
	p, faults := edited(t, lib, "pairing: composite", "pairing: bracketed\n        pairs_after: untreated_after",
		"      - {id: send, kind", "      - {id: untreated_after, kind: draw, point: feed_tee, bottles: [anions, metals]}\n      - {id: send, kind")
	wantNoFaults(t, faults)
	if _, s := p.Step("untreated_after"); s.Water != "untreated" {
		t.Errorf("the draw afterwards is of %q water", s.Water)
	}
	if !slices.Contains(p.Dependents("untreated_after"), "first_draw") {
		t.Error("the treated draw does not go along with the untreated one after it")
	}
}

// TestDependents works out by hand what goes along when a step is done again.
func TestDependents(t *testing.T) {
	p, faults := edited(t, wholeLibrary(t))
	wantNoFaults(t, faults)
	for step, want := range map[string]string{
		"feed_pressure": "tray", "tray": "", "line_flush": "tanks feed jug", "jug": "",
		"last_fill": "untreated stand first_draw send report_in", "stand": "first_draw send report_in", "first_draw": "send report_in",
		"report_in": "", "rise_tanks": "",
	} {
		if got := strings.Join(p.Dependents(step), " "); got != want {
			t.Errorf("with %s go %q, want %q", step, got, want)
		}
	}
	for step, want := range map[string]string{"line_flush": "", "stand": "untreated last_fill", "first_draw": "stand", "untreated": "last_fill"} {
		if got := strings.Join(p.Before(step), " "); got != want {
			t.Errorf("before %s stand %q, want %q", step, got, want)
		}
	}
}

// TestPreservation holds what a bottle's words say is in it.
func TestPreservation(t *testing.T) {
	for text, want := range map[string]string{
		"none": "none", "none; laboratory acidifies within 14 d": "none", "no preservative": "none",
		"HNO3 to pH<2": "acid", "nitric acid": "acid", "H2SO4": "acid", "HCl to pH < 2, ascorbic acid 25 mg before": "acid other",
		"ascorbic acid 25 mg": "other", "25 mg ascorbic acid and 200 mg maleic acid": "other", "Na2S2O3": "other", "tris buffer 5 g/L": "other",
	} {
		if got := strings.Join(preservations(text), " "); got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}

// TestScoredAnalytes holds a campaign against a scoring that reads what its
// protocol never asks a laboratory for.
func TestScoredAnalytes(t *testing.T) {
	lib := wholeLibrary(t)
	for _, f := range corpus(t, "whole") {
		if f.Name != "campaign.yaml" {
			continue
		}
		f.Bytes = []byte(strings.Replace(string(f.Bytes), "{id: small-score", "{id: household-ro", 1))
		_, faults := Read(f, lib)
		if len(faults) != 5 || faults[0].Says != `the measure "antimony_margin" reads "antimony", which the protocol small does not ask for` {
			t.Errorf("%v", faults)
		}
	}
}

// TestCautionsOfADraw holds that what a bottle holds shows at its draw and at
// its hand-over, and what a section involves at each of its steps.
func TestCautionsOfADraw(t *testing.T) {
	lib := wholeLibrary(t)
	p, faults := edited(t, lib)
	wantNoFaults(t, faults)
	all := newestCautions(lib)
	for step, want := range map[string][]string{"first_draw": {"acid-bottle", "never-mix", "flush-water"}, "send": {"acid-bottle", "shipping-acid", "never-mix"},
		"tray": {"feed-shut", "old-pipes", "pressure-limit"}, "jug": {"lifting", "wet-floor"}, "feed": {"glass", "reagent"}} {
		section, s := p.Step(step)
		got := DueCautions(p, section, s, all)
		for _, id := range want {
			if !slices.Contains(got, id) {
				t.Errorf("%s is not due at %s: %v", id, step, got)
			}
		}
	}
	section, s := p.Step("rise_tanks")
	if got := DueCautions(p, section, s, all); len(got) > 0 {
		t.Errorf("%v at a step that is only worked out", got)
	}
	if got := DueCautions(p, &p.Sections[0], nil, all); !slices.Contains(got, "feed-shut") || slices.Contains(got, "reagent") {
		t.Errorf("in the first section %v", got)
	}
}

// TestCycles finds steps that wait for each other, also over three of them.
func TestCycles(t *testing.T) {
	lib := wholeLibrary(t)
	_, faults := edited(t, lib, "{id: tanks, kind: series,", "{id: tanks, kind: series, after: jug,")
	if len(faults) != 1 || faults[0].Says != "these steps wait for each other: tanks after jug after feed after tanks" {
		t.Errorf("%v", faults)
	}
	p, faults := edited(t, lib, "{id: jug, kind: reading,", "{id: jug, kind: reading, after: line_flush,")
	wantNoFaults(t, faults)
	if slices.Contains(p.Dependents("tanks"), "jug") {
		t.Error("a step with after still depends on the one before it in the list")
	}
}

// BenchmarkRead reads the full ready protocol; the second figure is how many
// times longer that takes than reading its YAML alone.
func BenchmarkRead(b *testing.B) {
	lib := readyLibrary(b, "cautions/*.yaml", "documents/*.yaml")
	var f File
	for _, x := range readyFiles(b, "documents/*.yaml") {
		if strings.Contains(x.Name, "under-sink") {
			f = x
		}
	}
	const rounds = 50
	began := time.Now()
	for range rounds {
		readTree(f)
	}
	plain := float64(time.Since(began).Nanoseconds()) / rounds
	for b.Loop() {
		if _, faults := Read(f, lib); len(faults) > 0 {
			b.Fatal(faults[0])
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/plain, "times-yaml")
}
