package edition

import (
	"bytes"
	"errors"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/runner"
)

func read(t *testing.T, b *bench) *Core {
	t.Helper()
	files, _, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil {
		t.Fatal(err)
	}
	c, err := ReadCore(files)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func statement(c *Core, code string) *Statement {
	for i := range c.Statements.Statements {
		if c.Statements.Statements[i].Code == code {
			return &c.Statements.Statements[i]
		}
	}
	return nil
}

// By hand. Alder: lead 20 to 1 ug/L is 93.7 to 96.3 % (see the assessment's
// tests), number 95; flow 1.5 of 2 L/min is 75 points. (3 x 95 + 75)/4 = 90,
// (3 x 93.7 + 75)/4 = 89.025, less 10 for the spread 79.025. Birch: 12 ug/L is
// 40 %, u = 0.6 sqrt(0.37/144 + 1.01/400) = 4.282 %: 31.4 to 48.6; flow 25
// points. (3 x 40 + 25)/4 = 36.25; 29.8 - 10 = 19.8; 42.7 + 10 = 52.7. Nickel
// (3 ug/L, limit 0.6) is less than ten times its limit and does not count.
func TestScoresByHand(t *testing.T) {
	c := read(t, two(t))
	var got []string
	for _, u := range c.Scores.Units {
		got = append(got, strings.Join([]string{u.Unit, u.Low, u.Number, u.High, u.Band, u.BandHigh}, " "))
	}
	want := []string{"alder-1 79 90 100 upper upper", "birch-1 19 36 53 lower lower"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("scores %q, by hand %q", got, want)
	}
	for i, u := range c.Scores.Units {
		if u.Rank != i+1 || u.RankWorst != i+1 {
			t.Errorf("possible ranks %d to %d of an interval that overlaps none", u.Rank, u.RankWorst)
		}
	}
	left := []LeftOut{{Measure: "nickel_reduction", Why: "not_counted", Code: "nickel"}}
	if !reflect.DeepEqual(c.Scores.LeftOut, left) {
		t.Errorf("left out %+v", c.Scores.LeftOut)
	}
	if m := c.Measure("lead_reduction"); m.Share != "75.00" { // 3 of 3 + 1
		t.Errorf("share %s", m.Share)
	}
}

// A rise that is confirmed caps; an undecided measure is a range of the whole
// value function; a missing one is what the document says.
func TestCapAndRange(t *testing.T) {
	b := newBench(t, nil)
	s := b.story("fern-20260302-aaaa", "alder-1")
	s.nickel = [2]string{"9 ug/L", "9 ug/L"}
	s.whole()
	x := b.story("fern-20260302-bbbb", "birch-1")
	x.after = "530 uS/cm" // moved by 6 %
	x.whole()
	c := read(t, b)
	_, alder := c.Unit("alder-1")
	// A cap comes after the spread: 89 - 10 = 79, held to 50 like the others.
	if alder.Caps[0].State != "applies" || alder.Number != "50" || alder.High != "50" || alder.Low != "50" {
		t.Errorf("capped %+v", alder)
	}
	_, birch := c.Unit("birch-1")
	m := birch.Measures[0]
	if m.State != "undecided" || m.Code != "reduction_feed_moved" || m.Low != "0.0" || m.High != "100.0" || m.Number != "" {
		t.Errorf("undecided measure %+v", m)
	}
	// (0 + 75)/4 = 18.75 - 10 = 8.75; (300 + 75)/4 = 93.75 + 10; no middle.
	if birch.Number != "" || birch.Low != "8" || birch.High != "100" || birch.Before[1] != "" {
		t.Errorf("with an undecided measure the score is a range only: %+v", birch)
	}
	if birch.Caps[0].State != "open" {
		t.Errorf("a cap on an undecided rise is open, not %s", birch.Caps[0].State)
	}
	if alder.Rank != 1 || alder.RankWorst != 2 || birch.Rank != 1 || birch.RankWorst != 2 || alder.Sharing != 2 { // 50..50 and 8..100
		t.Errorf("possible ranks %d to %d and %d to %d", alder.Rank, alder.RankWorst, birch.Rank, birch.RankWorst)
	}
}

func TestSameLedgerSameBytes(t *testing.T) {
	b := two(t)
	one, ev1, err := Build(b.o, b.main, b.heads, "small-campaign", "1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	two, ev2, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil || !reflect.DeepEqual(one, two) || !reflect.DeepEqual(ev1, ev2) {
		t.Errorf("the same ledger gives other bytes (%v)", err)
	}
	for path, data := range one {
		if strings.HasSuffix(path, ".json") {
			if again, err := audit.CanonicalJSON(data); err != nil || !bytes.Equal(again, data) {
				t.Errorf("%s is not canonical: %v", path, err)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		code string
		do   func(t *testing.T) *bench
	}{
		{"open_run", func(t *testing.T) *bench { b := two(t); b.story("fern-20260302-cccc", "alder-1").open(); return b }},
		{"no_closed_run", func(t *testing.T) *bench {
			b := newBench(t, nil)
			b.story("fern-20260302-aaaa", "alder-1").whole()
			return b
		}},
		{"preliminary_report", func(t *testing.T) *bench { return second(t, func(s *story) { s.status = "preliminary" }) }},
		{"other_laboratory", func(t *testing.T) *bench { return second(t, func(s *story) { s.lab = "south-lab" }) }},
		{"other_values", func(t *testing.T) *bench { return second(t, func(s *story) { s.noValues = true }) }},
		{"simulated_mixed", func(t *testing.T) *bench { return second(t, func(s *story) { s.simulated = "yes" }) }},
		{"envelope_broken", func(t *testing.T) *bench { return second(t, func(s *story) { s.after = "601 uS/cm" }) }},
		{"no_report", func(t *testing.T) *bench {
			b := newBench(t, nil)
			b.story("fern-20260302-aaaa", "alder-1").whole()
			b.story("fern-20260302-bbbb", "birch-1").open().work().close()
			return b
		}},
		{"life_point_beyond", func(t *testing.T) *bench {
			return secondOf(t, func(doc string) string { return strings.Replace(doc, "rated_volume: 4000 L", "rated_volume: 100 L", 1) }, nil)
		}},
		{"life_point_unknown", func(t *testing.T) *bench {
			return secondOf(t, func(doc string) string { return strings.Replace(doc, ", rated_volume: 4000 L", "", 1) }, nil)
		}},
		{"no_measure", func(t *testing.T) *bench {
			return secondOf(t, func(doc string) string {
				return strings.NewReplacer("feed_factor: 10", "feed_factor: 1000", "missing: worst, undecided: range", "missing: leave_out, undecided: leave_out",
					"value: bench.flow", "value: bench.usable_volume", "at: 0 L/min", "at: 0 L", "at: 2 L/min", "at: 2 L").Replace(doc)
			}, nil)
		}},
	} {
		b := c.do(t)
		core, evidence, err := Build(b.o, b.main, b.heads, "small-campaign", "")
		var refused *Refused
		if !errors.As(err, &refused) {
			t.Errorf("%s: error %v", c.code, err)
			continue
		}
		if core != nil || evidence != nil {
			t.Errorf("%s: refused, and something was made", c.code)
		}
		var codes []string
		for _, r := range refused.Reasons {
			codes = append(codes, r.Code)
			if r.Says == "" || strings.Contains(r.Says, "%!") || r.Hint == "" {
				t.Errorf("%s: says %q, hint %q", c.code, r.Says, r.Hint)
			}
		}
		if !slices.Contains(codes, c.code) {
			t.Errorf("refused for %v, want %s", codes, c.code)
		}
	}
}

// second is a bench whose second run was changed.
func second(t *testing.T, change func(*story)) *bench {
	t.Helper()
	return secondOf(t, nil, change)
}

func secondOf(t *testing.T, docs func(string) string, change func(*story)) *bench {
	t.Helper()
	b := newBench(t, docs)
	b.story("fern-20260302-aaaa", "alder-1").whole()
	s := b.story("fern-20260302-bbbb", "birch-1")
	if change != nil {
		change(s)
	}
	s.whole()
	return b
}

func TestUnknownCampaign(t *testing.T) {
	b := two(t)
	for _, c := range [][2]string{{"nothing", ""}, {"small-campaign", "9.0.0"}} {
		if _, _, err := Build(b.o, b.main, b.heads, c[0], c[1]); err == nil || !strings.Contains(err.Error(), "no campaign") {
			t.Errorf("%v: %v", c, err)
		}
	}
	heads := map[string]string{"fern-20260302-aaaa": b.heads["fern-20260302-bbbb"], "fern-20260302-bbbb": b.heads["fern-20260302-bbbb"]}
	if _, _, err := Build(b.o, b.main, heads, "small-campaign", ""); err == nil {
		t.Error("the head of another run was taken")
	}
}

// The last closed run of a unit counts, or the first, as the campaign says.
func TestWhichRunCounts(t *testing.T) {
	for _, counts := range []string{"last_closed", "first_closed"} {
		b := secondOf(t, func(doc string) string { return strings.Replace(doc, "counts: last_closed", "counts: "+counts, 1) }, nil)
		again := b.story("fern-20260302-cccc", "birch-1")
		again.lead = "2 ug/L"
		again.whole()
		c := read(t, b)
		_, birch := c.Unit("birch-1")
		want := map[string]string{"last_closed": "fern-20260302-cccc", "first_closed": "fern-20260302-bbbb"}[counts]
		if birch.Run != want {
			t.Errorf("%s: run %s", counts, birch.Run)
		}
		if s := statement(c, "tries_at_laboratory"); s == nil || len(s.Items) != 5 {
			t.Errorf("%s: samples of the run that does not count are not listed: %+v", counts, s)
		}
	}
}

func TestStatementsTellTheStory(t *testing.T) {
	b := two(t)
	given := b.story("fern-20260302-cccc", "alder-1").open()
	given.enter("tray", "answer=yes")
	given.enter("faucet_flow", "value=1.2 L/min", "instrument=timer-1")
	for _, to := range []string{"1.3 L/min", "1.4 L/min"} {
		given.do(runner.KindCorrection, runner.Correction{Corrects: runner.Target{Seq: 3, Path: "/values/value"}, Value: runner.Value{Text: to, Evidence: "typed"}, Reason: "misread"})
	}
	given.do(runner.KindPart, runner.Part{Action: "removed", Part: "membrane", Values: given.values("at=" + given.at())})
	given.end(runner.KindAbandoned, runner.Abandoned{Reason: "the membrane was dropped"}, audit.HowAbandoned, 1)
	late := b.story("fern-20260302-dddd", "alder-1")
	late.flow = "0.9 L/min"
	late.open().work()
	late.do(runner.KindCorrection, runner.Correction{Common: runner.Common{Attachments: []runner.Attachment{{Bytes: 10, Class: "private", Commitment: "sha256:" + strings.Repeat("ab", 32), Media: "image/jpeg"}}},
		Corrects: runner.Target{Seq: 3, Path: "/values/value"}, Value: runner.Value{Text: "1.9 L/min", Evidence: "photo"}, Reason: "digits swapped, see the photo"})
	late.report("24-9", "0", "final")
	late.do(runner.KindComplaint, runner.Complaint{From: "maker", About: "flow", Text: "ours is faster"})
	late.close()
	c := read(t, b)
	want := map[string]string{
		"corrections_turned": "alder-1, run fern-20260302-dddd, record 16: quick_enough, try 1, by mk 2026-03-07T05:01:01.000Z: record 3, /values/value, from 0.9 L/min to 1.9 L/min (photo); attached: image/jpeg (private); confirmed by a second person: no. Reason: digits swapped, see the photo",
		"accounted":          "fern-20260302-cccc: alder-1 by small-rank@1.0.0, opened",
		"corrections":        "alder-1, run fern-20260302-dddd, record 16",
		"complaints":         "run fern-20260302-dddd, alder-1, record 18",
		"acquired":           "birch-1: sent by maker, paid by maker, 2026-02-01; ties: none",
		"above_value":        "birch-1: lead, at 215.6 to 264.4 % of the value.",
		"qualified":          "birch-1: quick enough is unmet",
		"not_counted":        "Nickel: the feed held too little, in alder-1, birch-1",
	}
	want["qualified"] = "birch-1: quick_enough is unmet. A glass should fill."
	for code, says := range want {
		s := statement(c, code)
		if s == nil {
			t.Errorf("no statement %s", code)
			continue
		}
		if !strings.Contains(strings.Join(s.ItemsSaid(), "\n"), says) {
			t.Errorf("%s says\n%s\nwithout %q", code, strings.Join(s.ItemsSaid(), "\n"), says)
		}
	}
	if s := statement(c, "accounted"); !strings.Contains(s.Says(), "Runs ever opened on this bench: 4, of which 3 closed, 1 abandoned, 0 never started, 0 open; 2 count here.") || !strings.Contains(strings.Join(s.ItemsSaid(), "\n"), "the membrane was dropped") {
		t.Errorf("accounted: %s\n%s", s.Says(), strings.Join(s.ItemsSaid(), "\n"))
	}
	if first := c.Statements.Statements[1].Code; first != "corrections_turned" {
		t.Errorf("corrections that turned a decision come first, not %s", first)
	}
	if s := statement(c, "evidence"); !strings.Contains(s.Says(), "private attachments, not published: 1") {
		t.Errorf("evidence: %s", s.Says())
	}
}

// A scoring that came onto main after the results is said not to be fixed.
func TestScoringFixedAfterResults(t *testing.T) {
	b := newBench(t, nil)
	scoring := b.docs["scoring/small-score"]
	hidden := map[string][]byte{}
	for _, ext := range []string{".yaml", ".json"} {
		hidden[scoring.Path()+ext] = b.tree[scoring.Path()+ext]
	}
	// A bench that begins without the scoring.
	late := newBench(t, func(doc string) string {
		parts := strings.Split(doc, "\n---\n")
		var keep []string
		for _, p := range parts {
			if !strings.HasPrefix(p, "kind: scoring") && !strings.HasPrefix(p, "kind: campaign") {
				keep = append(keep, p)
			}
		}
		return strings.Join(keep, "\n---\n")
	})
	late.docs = b.docs
	for i, unit := range []string{"alder-1", "birch-1"} {
		s := late.story("fern-20260302-"+strings.Repeat(string(rune('a'+i)), 4), unit)
		s.pinScoring = false
		s.whole()
	}
	campaign := b.docs["campaign/small-campaign"]
	for _, ext := range []string{".yaml", ".json"} {
		hidden[campaign.Path()+ext] = b.tree[campaign.Path()+ext]
	}
	late.commit(hidden)
	c := read(t, late)
	s := statement(c, "fixed_after")
	if s == nil || len(s.Items) != 2 || !strings.Contains(s.Says(), "scoring small-score 1.0.0 was not fixed before results were entered") {
		t.Errorf("fixed after: %+v", s)
	}
	if s := statement(c, "fixed_before_entered"); s == nil || !strings.Contains(s.Says(), "protocol small-rank") {
		t.Errorf("the protocol was fixed: %+v", s)
	}
}

// A checkpoint that came back and pins documents but no results is said, with
// the dates that its holder's word is to be held against.
func TestHeldOutside(t *testing.T) {
	b := newBench(t, nil)
	early := audit.Checkpoint{Bench: "fern", Main: b.main, Records: 0}
	b.story("fern-20260302-aaaa", "alder-1").whole()
	b.story("fern-20260302-bbbb", "birch-1").whole()
	late := audit.Checkpoint{Bench: "fern", Main: b.main, Records: 30}
	for _, cp := range []audit.Checkpoint{early, late} {
		b.commit(audit.CheckpointFiles(cp.Text(), []byte("signature\n")))
	}
	s := statement(read(t, b), "held_outside")
	if s == nil || len(s.Items) != 1 || !strings.Contains(s.ItemsSaid()[0], "main "+early.Main) {
		t.Fatalf("held outside: %+v", s)
	}
	if !strings.Contains(s.Says(), "before the first report's date (2026-03-03)") {
		t.Errorf("%s", s.Says())
	}
	if s := statement(read(t, two(t)), "held_outside_none"); s == nil {
		t.Error("without a checkpoint that came back it is said")
	}
}

// The cautions that are due stand in the core, with the ledger's own texts.
func TestCautionsDue(t *testing.T) {
	ids := func(c *Core) string {
		var out []string
		for _, x := range c.Basis.Cautions {
			out = append(out, x.ID)
			if !strings.Contains(x.Text, "Local codes") {
				t.Errorf("%s: %q", x.ID, x.Text)
			}
		}
		return strings.Join(out, " ")
	}
	if got := ids(read(t, two(t))); got != "scope not-tested-micro above-value" { // birch holds 12 ug/L of lead
		t.Errorf("cautions %s", got)
	}
	if got := ids(read(t, second(t, nil))); got != "scope not-tested-micro" {
		t.Errorf("cautions %s", got)
	}
}

func TestSimulatedIsSaid(t *testing.T) {
	b := newBench(t, func(doc string) string { return strings.Replace(doc, `simulated: "no"`, `simulated: "yes"`, 1) })
	for i, unit := range []string{"alder-1", "birch-1"} {
		s := b.story("fern-20260302-"+strings.Repeat(string(rune('a'+i)), 4), unit)
		s.simulated = "yes"
		s.whole()
	}
	core, _, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil {
		t.Fatal(err)
	}
	for path, data := range core {
		if !bytes.Contains(data, []byte("simulated")) || !bytes.Contains(data, []byte("yes")) {
			t.Errorf("%s does not say that it is simulated", path)
		}
	}
	c, err := ReadCore(core)
	if err != nil || c.Statements.Statements[0].Code != "simulated" {
		t.Errorf("the first statement is %v (%v)", c.Statements.Statements[0], err)
	}
}

var forbiddenWords = regexp.MustCompile(`(?i)\b(safe|unsafe|pure|purity|healthy|detox|certified|compliant|approved|recommended|toxic|leaching)\b|times the`)

func TestStatementsAreAClosedList(t *testing.T) {
	if len(StatementCodes()) != len(statementWords) {
		t.Errorf("%d codes, %d with words", len(StatementCodes()), len(statementWords))
	}
	for _, code := range StatementCodes() {
		w, ok := statementWords[code]
		if !ok || w.says == "" {
			t.Errorf("%s has no words", code)
		}
		for _, text := range []string{w.title, w.says, w.item} {
			if x := forbiddenWords.FindString(text); x != "" {
				t.Errorf("%s says %q in %q", code, x, text)
			}
		}
	}
	c := read(t, two(t))
	for _, s := range c.Statements.Statements {
		if !slices.Contains(StatementCodes(), s.Code) {
			t.Errorf("%s is not in the list", s.Code)
		}
		for _, text := range append(s.ItemsSaid(), s.Says()) {
			if text == "" || strings.ContainsAny(text, "{}[]") {
				t.Errorf("%s: %q", s.Code, text)
			}
		}
	}
	if got := (Statement{Code: "nonsense"}).Says(); !strings.Contains(got, "nonsense") {
		t.Errorf("%q", got)
	}
}

func TestEvidenceHoldsRecordsAndDocumentsOnly(t *testing.T) {
	b := two(t)
	_, evidence, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"evidence/fern-20260302-aaaa/records/000001.json", "evidence/documents/scoring/small-score/1.0.0.json",
		"evidence/documents/unit/birch-1/1.0.0.yaml", "evidence/documents/caution/above-value/1.0.0.json", "evidence/documents/instrument/meter-1/1.0.0.json"} {
		if _, ok := evidence[path]; !ok {
			t.Errorf("%s is missing", path)
		}
	}
	for path := range evidence {
		if strings.Contains(path, "person") || !strings.HasSuffix(path, ".json") && !strings.HasSuffix(path, ".yaml") {
			t.Errorf("%s has no place in an edition", path)
		}
	}
}
