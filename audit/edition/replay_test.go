package edition

import (
	"bytes"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/runner"
)

func TestReplayGivesTheSameBytes(t *testing.T) {
	b := two(t)
	hash := b.publish("spring", "", nil)
	b.story("fern-20260302-cccc", "alder-1").open() // the ledger goes on, the edition does not
	for _, name := range []string{"spring", hash} {
		if d, err := Replay(b.o, name); err != nil || len(d) != 0 {
			t.Errorf("%s: %v, %v", name, d, err)
		}
	}
	if _, err := Replay(b.o, "autumn"); err == nil || !strings.Contains(err.Error(), `no edition "autumn"`) {
		t.Errorf("an edition that is not there: %v", err)
	}
}

// Every change to an edition is named with its file, and within JSON its path.
func TestReplayNamesWhatWasChanged(t *testing.T) {
	const record = "evidence/fern-20260302-aaaa/records/000003.json"
	redo := func(files map[string][]byte) { // whoever changes a file can write the manifest anew
		m, err := audit.ParseManifest(files[audit.ManifestFile])
		if err != nil {
			panic(err)
		}
		delete(files, audit.ManifestFile)
		if files[audit.ManifestFile], err = audit.MakeManifest(m, files); err != nil {
			panic(err)
		}
	}
	swap := func(path, old, new string) func(map[string][]byte) {
		return func(files map[string][]byte) {
			changed := bytes.Replace(files[path], []byte(old), []byte(new), 1)
			if bytes.Equal(changed, files[path]) {
				panic("nothing was changed in " + path)
			}
			files[path] = changed
		}
	}
	b := two(t)
	for _, c := range []struct {
		name, file, path string
		change           func(map[string][]byte)
		keepManifest     bool
	}{
		{"a score", ScoresFile, "/units/0/number", swap(ScoresFile, `"number":"90"`, `"number":"95"`), false},
		{"a rank", ScoresFile, "/units/1/rank", swap(ScoresFile, `"rank":2`, `"rank":1`), false},
		{"a weight", BasisFile, "/measures/0/weight", swap(BasisFile, `"weight":"3"`, `"weight":"30"`), false},
		{"a value", FindingsFile, "/runs/0/findings/0/value", swap(FindingsFile, `"value":"95.0"`, `"value":"99.0"`), false},
		{"an input", FindingsFile, "/runs/0/findings/0/", swap(FindingsFile, `"text":"20 ug/L"`, `"text":"200 ug/L"`), false},
		{"a statement", StatementsFile, "", swap(StatementsFile, `"code":"departures_none"`, `"code":"corrections_none"`), false},
		{"a table", ScoresTable, "line 2", swap(ScoresTable, "90", "99"), false},
		{"a row of results", ResultsTable, "line 2", swap(ResultsTable, "20 ug/L", "21 ug/L"), false},
		{"a record in the evidence", record, "", swap(record, "1.5 L/min", "1.9 L/min"), false},
		{"a document in the evidence", "evidence/documents/scoring/small-score/1.0.0.json", "/measures/0/weight", swap("evidence/documents/scoring/small-score/1.0.0.json", `"weight":"3"`, `"weight":"30"`), false},
		{"a record taken out", record, "", func(f map[string][]byte) { delete(f, record) }, false},
		{"two records swapped", record, "", func(f map[string][]byte) {
			other := strings.Replace(record, "03", "04", 1)
			f[record], f[other] = f[other], f[record]
		}, false},
		{"a file added to the core", "core/more.json", "", func(f map[string][]byte) { f["core/more.json"] = []byte("{}\n") }, false},
		{"a record of another run added", "evidence/fern-20260302-aaaa/records/000099.json", "", func(f map[string][]byte) { f["evidence/fern-20260302-aaaa/records/000099.json"] = f[record] }, false},
		{"a page", "pages/index.html", "", swap("pages/index.html", "<p>", "<b>"), true},
		{"a page taken out", "pages/index.html", "", func(f map[string][]byte) { delete(f, "pages/index.html") }, true},
		{"a page added", "pages/more.html", "", func(f map[string][]byte) { f["pages/more.html"] = []byte("x") }, true},
		{"another campaign", "core", "", swap(audit.ManifestFile, "small-campaign@1.0.0", "other-campaign@1.0.0"), true},
	} {
		id := "spring-" + strings.ReplaceAll(c.name, " ", "-")
		b.publish(id, "", func(files map[string][]byte) {
			c.change(files)
			if !c.keepManifest {
				redo(files)
			}
		})
		list, err := Replay(b.o, id)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		named := false
		for _, d := range list {
			named = named || d.File == c.file && strings.HasPrefix(d.Path, c.path) && d.Says != ""
		}
		if !named {
			t.Errorf("%s: %s %s is not named in %+v", c.name, c.file, c.path, list)
		}
	}
}

// An edition that leaves a registered run out of its parents gives another
// core, and an amended report is the ground for one that supersedes.
func TestAmendedReportSupersedes(t *testing.T) {
	b := newBench(t, nil)
	s := b.story("fern-20260302-aaaa", "alder-1").whole()
	b.story("fern-20260302-bbbb", "birch-1").whole()
	b.publish("spring", "", nil)
	s.lead = "3.0 ug/L"
	s.report("24-alder-1", "1", "amended")
	b.publish("summer", "spring", nil)
	for _, id := range []string{"spring", "summer"} {
		if d, err := Replay(b.o, id); err != nil || len(d) != 0 {
			t.Errorf("%s: %v, %v", id, d, err)
		}
	}
	changes, err := Compare(b.o, "spring", "summer")
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]Change{}
	for _, c := range changes {
		got[c.File+c.Path] = c
	}
	if c := got[ScoresFile+"/units/alder-1/measures/lead_reduction/number"]; c.From != "95.0" || c.To != "85.0" {
		t.Errorf("the changed number is not named: %+v in %d changes", c, len(changes))
	}
	if c := got[FindingsFile+"/runs/alder-1/findings/lead.reduction/value"]; c.From != "95.0" || c.To != "85.0" {
		t.Errorf("the changed finding is not named: %+v", c)
	}
	if _, ok := got[ScoresFile+"/units/birch-1/number"]; ok {
		t.Error("birch has not changed")
	}
	w, err := Trace(b.o, "summer", "alder-1", "lead.reduction")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(w.Text(), "treated = 3.0 ug/L    record 18 /results/3/result, imported") {
		t.Errorf("the trace does not lead to the amended report:\n%s", w.Text())
	}
	core, _, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil {
		t.Fatal(err)
	}
	c, err := ReadCore(core)
	if err != nil || statement(c, "reports_replaced") == nil {
		t.Errorf("the replaced report is not said (%v)", err)
	}
}

func TestTrace(t *testing.T) {
	b := two(t)
	b.publish("spring", "", nil)
	w, err := Trace(b.o, "spring", "alder-1", "score")
	if err != nil {
		t.Fatal(err)
	}
	if w.Score == nil || w.Score.Number != "90" || len(w.Measures) != 3 || len(w.Records) == 0 {
		t.Errorf("score: %+v", w)
	}
	text := w.Text()
	for _, part := range []string{"90 of 100, from 79 to 100", "before caps and spread: 90, from 89 to 91; the spread adds 10.00 points", "weight 3, 75.00 % of all weights that count",
		"value function: 0 % -> 0, 100 % -> 100", "left out for all units: not counted nickel", "Lead: reduced by 95.0 % (93.7 to 96.3 %) in the first draw after standing.", "untreated = 20 ug/L    record 16 /results/0/result, imported",
		"report of step results, try 1 by mk, made", "evidence/fern-20260302-aaaa/records/000003.json", "faucet_flow = 1.5 L/min    record 3 /values/value, typed", "computed by rules/water.ReductionWithin"} {
		if !strings.Contains(text, part) {
			t.Errorf("the trace does not say %q:\n%s", part, text)
		}
	}
	for _, name := range []string{"lead_reduction", "flow", "lead.reduction", "lead.rise", "lead.margin", "nitrate.reduction"} {
		w, err := Trace(b.o, "spring", "birch-1", name)
		if err != nil || len(w.Findings) == 0 || len(w.Records) == 0 {
			t.Errorf("%s: %v, %+v", name, err, w)
		}
	}
	for _, c := range [][3]string{{"autumn", "alder-1", "score"}, {"spring", "cedar-1", "score"}, {"spring", "alder-1", "zinc.reduction"}, {"spring", "alder-1", "lead.odour"}, {"spring", "alder-1", "nothing"}} {
		if _, err := Trace(b.o, c[0], c[1], c[2]); err == nil {
			t.Errorf("%v was traced", c)
		}
	}
}

// A record of the evidence that is not the one a finding names is refused.
func TestTraceHoldsRecordsAgainstTheirHash(t *testing.T) {
	b := two(t)
	b.publish("spring", "", func(files map[string][]byte) {
		const path = "evidence/fern-20260302-aaaa/records/000003.json"
		files[path] = bytes.Replace(files[path], []byte("1.5 L/min"), []byte("1.9 L/min"), 1)
	})
	if _, err := Trace(b.o, "spring", "alder-1", "flow"); err == nil || !strings.Contains(err.Error(), "is not the record") {
		t.Errorf("error %v", err)
	}
	if _, err := Trace(b.o, "spring", "alder-1", "lead_reduction"); err != nil {
		t.Errorf("lead rests on another record: %v", err)
	}
}

// A corrected value shows both, and the correction's record.
func TestTraceOfACorrection(t *testing.T) {
	b := newBench(t, nil)
	s := b.story("fern-20260302-aaaa", "alder-1").open().work()
	s.do(runner.KindCorrection, runner.Correction{Corrects: runner.Target{Seq: 3, Path: "/values/value"}, Value: runner.Value{Text: "1.6 L/min", Evidence: "typed"}, Reason: "misread"})
	s.report("24-1", "0", "final")
	s.close()
	b.story("fern-20260302-bbbb", "birch-1").whole()
	b.publish("spring", "", nil)
	w, err := Trace(b.o, "spring", "alder-1", "flow")
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{"faucet_flow = 1.6 L/min    record 16 /value/text, typed", "faucet_flow before correction = 1.5 L/min    record 3 /values/value, typed"} {
		if !strings.Contains(w.Text(), part) {
			t.Errorf("without %q:\n%s", part, w.Text())
		}
	}
}
