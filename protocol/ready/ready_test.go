package ready

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/protocol"
)

// read reads every ready document the way a bench does.
func read(t testing.TB) *protocol.Library {
	t.Helper()
	docs, faults := protocol.ReadAll(Files(), protocol.NewLibrary())
	for _, f := range faults {
		t.Error("\n" + f.Text())
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	return protocol.NewLibrary(docs...)
}

func theProtocol(t testing.TB) *protocol.Protocol {
	t.Helper()
	d, ok := read(t).Get(protocol.KindProtocol, "under-sink-ro-tank", "1.0.0")
	if !ok {
		t.Fatal("under-sink-ro-tank 1.0.0 is not there")
	}
	return d.Value.(*protocol.Protocol)
}

func TestReadyDocumentsHaveNoFault(t *testing.T) {
	lib := read(t)
	for _, want := range [][3]string{{protocol.KindProtocol, "under-sink-ro-tank", "1.0.0"}, {protocol.KindValues, "drinking-water", "1.0.0"},
		{protocol.KindScoring, "household-ro", "1.0.0"}} {
		if _, ok := lib.Get(want[0], want[1], want[2]); !ok {
			t.Errorf("%v is not there", want)
		}
	}
}

// TestResolvedIsCanonical compares the resolved forms with the ledger's own
// encoder, which is proven against the vectors of RFC 8785.
func TestResolvedIsCanonical(t *testing.T) {
	for _, d := range read(t).All("") {
		canonical, err := audit.CanonicalJSON(d.Resolved)
		if err != nil {
			t.Errorf("%s: %v", d.Path(), err)
			continue
		}
		if !bytes.Equal(canonical, d.Resolved) {
			t.Errorf("%s: the resolved form is not canonical", d.Path())
		}
	}
}

// entries counts what a person must fill in, as adoption counts it: one step of
// any kind, a whole series or all repeats once, all bottles of a draw once;
// hand-overs, reports, what is worked out, and the repeat on another day are
// not counted.
func entries(p *protocol.Protocol) (n int, names []string) {
	for _, s := range p.Sections {
		if s.ID == "second_day" {
			continue
		}
		for _, st := range s.Steps {
			switch st.Kind {
			case protocol.StepHand, protocol.StepReport, protocol.StepDerive:
			default:
				n++
				names = append(names, st.ID)
			}
		}
	}
	return n, names
}

func TestAtMost25Entries(t *testing.T) {
	n, names := entries(theProtocol(t))
	if n > 25 || n < 20 {
		t.Errorf("%d required entries, at most 25 are asked of a person: %v", n, names)
	}
}

// TestWhatPracticeAsks holds the protocol against the list of what a tester
// would look for.
func TestWhatPracticeAsks(t *testing.T) {
	p := theProtocol(t)
	for _, name := range []string{"feed_pressure", "producing_pressure", "feed_conductivity", "feed_conductivity_after", "feed_temperature",
		"feed_temperature_after", "feed_free_chlorine", "feed_free_chlorine_after", "feed_total_chlorine", "feed_hardness", "feed_ph",
		"product_conductivity", "product_ph", "product_free_chlorine", "contact_conductivity", "conditioning_conductivity", "flow",
		"product_mass", "drain_mass", "interval_time", "tank_precharge", "usable_volume", "refill_time", "shut_off_drain", "water_temperature", "refill_drain_volume"} {
		if s, _ := p.Giving(name); s == nil {
			t.Errorf("no step gives %s", name)
		}
	}
	has := map[string]bool{}
	for _, s := range p.Steps() {
		has[strings.Join([]string{s.Kind, s.Water, s.Draw, s.Blank, s.Duplicate, s.Pairing}, " ")] = true
	}
	for _, want := range []string{"draw treated first   composite", "draw treated flushed   composite", "draw untreated    ", "draw drain    ",
		"draw blank  field  ", "draw blank  bottle_lot  ", "draw treated first  repeat composite"} {
		if !has[want] {
			t.Errorf("no draw is %q; there are %v", want, has)
		}
	}
	for _, c := range p.Criteria {
		if c.Because == "" || c.Source == "" || c.Otherwise == "" || c.Undecided == "" {
			t.Errorf("criterion %s does not say why, whence or what follows: %+v", c.ID, c)
		}
	}
	for _, id := range []string{"feed_steady", "chlorine_steady", "second_feed_steady", "second_chlorine_steady", "kept_cold", "second_kept_cold"} {
		if p.Criterion(id) == nil {
			t.Errorf("there is no criterion %s", id)
		}
	}
	_, series := p.Step("discarded_tanks")
	if series.Fewest != 3 || series.Most != 8 {
		t.Errorf("the discarded tanks are %d to %d", series.Fewest, series.Most)
	}
}

// TestRepeatGoesBack holds that a first draw that missed its window goes back
// to the feed before the fill, and takes along what rests on it and nothing else.
func TestRepeatGoesBack(t *testing.T) {
	p := theProtocol(t)
	for _, id := range []string{"first_draw.within", "stand.at_least", "stand.at_most"} {
		if got := p.RepeatFrom(p.Criterion(id)); got != "feed_before" {
			t.Errorf("%s is repeated from %s", id, got)
		}
	}
	if got := p.RepeatFrom(p.Criterion("second_stand.at_least")); got != "second_feed_before" {
		t.Errorf("the second standing is repeated from %s", got)
	}
	with := p.Dependents("feed_before")
	for _, id := range []string{"last_fill", "feed_after", "untreated", "stand", "first_draw", "flushed_draw", "second_draw"} {
		if !slices.Contains(with, id) {
			t.Errorf("%s does not go along with feed_before: %v", id, with)
		}
	}
	for _, id := range []string{"field_blank", "lot_blank", "discarded_tanks", "contact", "ratio"} {
		if slices.Contains(with, id) {
			t.Errorf("%s goes along with feed_before for no reason", id)
		}
	}
}

// TestCautionsAreComplete compares with the catalogue's ids, and holds that
// each is worded as a caution and shown somewhere.
func TestCautionsAreComplete(t *testing.T) {
	want := strings.Fields(`above-value acid-bottle carbon-dust code-plumbing cold-only drain-saddle drill drinking-test feed-shut
		flush-water glass hot know-main-valve lifting mains micro-lab-only never-mix no-spiking not-tested-micro old-pipes
		other-preservative pressure-gauge pressure-limit private-well reagent sanitiser scope shipping-acid sterile-bottle tank
		unattended used-filter uv-lamp wet-floor`)
	var got []string
	for _, d := range read(t).All(protocol.KindCaution) {
		c := d.Value.(*protocol.Caution)
		got = append(got, c.ID)
		if !strings.HasSuffix(c.Text, protocol.CautionEnding) || len(c.Text) < len(protocol.CautionEnding)+20 {
			t.Errorf("%s: %q", c.ID, c.Text)
		}
		if slices.Contains(c.Shown, "step") != (len(c.Due) > 0) {
			t.Errorf("%s is shown %v and due by %v: what is shown at steps is due by something", c.ID, c.Shown, c.Due)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("cautions %v\nwant %v", got, want)
	}
}

// TestDueBeforeTheStep holds that each caution stands before the work that it
// is about.
func TestDueBeforeTheStep(t *testing.T) {
	lib := read(t)
	p := theProtocol(t)
	var all []*protocol.Caution
	for _, d := range lib.All(protocol.KindCaution) {
		all = append(all, d.Value.(*protocol.Caution))
	}
	for step, want := range map[string]string{
		"feed_pressure":   "code-plumbing cold-only drain-saddle drill feed-shut know-main-valve old-pipes pressure-gauge pressure-limit",
		"feed":            "glass pressure-limit reagent",
		"line_flush":      "carbon-dust flush-water tank wet-floor",
		"precharge":       "pressure-gauge pressure-limit",
		"discarded_tanks": "flush-water tank unattended",
		"tank_cycles":     "lifting pressure-limit wet-floor",
		"last_fill":       "flush-water tank unattended wet-floor",
		"stand":           "unattended",
		"first_draw":      "flush-water",
		"hand_over":       "",
	} {
		section, st := p.Step(step)
		if got := strings.Join(protocol.DueCautions(p, section, st, all), " "); got != want {
			t.Errorf("before %s: %s\nwant %s", step, got, want)
		}
	}
	for _, id := range protocol.DueCautions(p, nil, nil, all) {
		if !slices.Contains(p.Cautions, id) {
			t.Errorf("%s is due and not listed", id)
		}
	}
}

// Words that no text of ours uses of a water, a unit or a result.
var claims = regexp.MustCompile(`(?i)\b(safe|safely|unsafe|pure|purity|healthy|detox|certified|compliant|approved|recommended|toxic)\b`)

// TestWords looks through every ready text. Titles of documents are quoted
// where they stand; type codes are not shown.
func TestWords(t *testing.T) {
	for _, f := range Files() {
		for i, line := range strings.Split(string(f.Bytes), "\n") {
			text := strings.ReplaceAll(line, "type: recommended", "")
			if w := claims.FindString(text); w != "" {
				t.Errorf("%s:%d: the word %q: %s", f.Name, i+1, w, line)
			}
		}
	}
	if claims.FindString("This water is Safe.") == "" {
		t.Error("the guard does not see the words")
	}
}

// TestHoldTimes compares the bottles with the reference table; see
// testdata/references/guidelines_ready.md.
func TestHoldTimes(t *testing.T) {
	rows := table(t, "holding_times.csv")
	hours := map[string]string{}
	for _, r := range rows {
		hours[r["analyte_group"]] = r["max_hold_hours"]
	}
	p := theProtocol(t)
	for bottle, group := range map[string]string{"metals": "Metals (not B, Cr(VI), Hg) incl. hardness", "anions": "Nitrate", "alkalinity": "Alkalinity"} {
		want := map[string]string{"4320": "180 d", "48": "48 h", "336": "14 d"}[hours[group]]
		if got := p.Bottles[bottle].Hold; got != want || want == "" {
			t.Errorf("%s may be held %s; the table says %s h", bottle, got, hours[group])
		}
	}
}

// TestFilesAreStable holds the order in which the documents are given.
func TestFilesAreStable(t *testing.T) {
	var names []string
	for _, f := range Files() {
		names = append(names, f.Name)
	}
	if !slices.IsSorted(names) || len(names) < 37 {
		t.Errorf("%d files: %v", len(names), names)
	}
}

// table reads a reference table as maps by column.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "references", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := readTable(f)
	if err != nil || len(rows) == 0 {
		t.Fatal(fmt.Errorf("%s: %d rows: %w", name, len(rows), err))
	}
	return rows
}
