package assess

import (
	"os"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

const mainCommit = "1111111111111111111111111111111111111111"

// story is one run of the small protocol, with what its tests change.
type story struct {
	t   *testing.T
	st  *runner.State
	now time.Time
	// Feed before and after, conductivity and free chlorine.
	feedBefore, feedAfter, chlorineBefore, chlorineAfter string
	product, productChlorine, ph                         string
	secondFeedBefore, secondFeedAfter                    string
	secondAfter                                          time.Duration
	feedAge                                              time.Duration // from the first reading of the feed to the fill
	secondLot                                            string
	opened                                               bool   // the faucet was opened while the tank stood
	blankLot                                             string // lot of the blank's bottle
	contact                                              []string
	results                                              map[string]map[string]runner.LabResult // by step and analyte
	warnings                                             []runner.Warning
}

// pinned reads the documents once for all tests: nothing changes them.
var pinnedOnce *runner.Pinned

func pinned(t *testing.T) *runner.Pinned {
	t.Helper()
	if pinnedOnce != nil {
		return pinnedOnce
	}
	b, err := os.ReadFile("testdata/documents.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var files []protocol.File
	for _, doc := range strings.Split(string(b), "\n---\n") {
		files = append(files, protocol.File{Name: "documents.yaml", Bytes: []byte(doc)})
	}
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary())
	for _, f := range faults {
		t.Errorf("%s (%s)", f, f.Hint)
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	tree := map[string][]byte{}
	opened := runner.Opened{Engine: runner.Engine, Simulated: "no", Schemas: "sha256:" + strings.Repeat("0", 64)}
	for _, d := range docs {
		tree[d.Path()+".yaml"], tree[d.Path()+".json"] = d.Source, d.Resolved
		switch d.Kind {
		case protocol.KindProtocol:
			opened.Protocol = d.Pin()
		case protocol.KindUnit:
			opened.Unit = d.Pin()
		case protocol.KindValues:
			opened.Values = append(opened.Values, d.Pin())
		}
	}
	tree["documents/person/mk/1.0.0.json"] = []byte(`{"id":"mk","key":"ssh-ed25519 AAAA","kind":"person","version":"1.0.0"}` + "\n")
	p, err := runner.Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	pinnedOnce = p
	return p
}

func reported(result, limit string) runner.LabResult {
	return runner.LabResult{Result: result, Reporting: limit}
}

// newStory is a run in which nothing went wrong.
func newStory(t *testing.T) *story {
	t.Helper()
	return &story{t: t, now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), feedBefore: "500 uS/cm", feedAfter: "510 uS/cm",
		chlorineBefore: "0.5 mg/L", chlorineAfter: "0.45 mg/L", product: "40 uS/cm", productChlorine: "0.01 mg/L", ph: "9.1 pH",
		secondFeedBefore: "505 uS/cm", secondFeedAfter: "500 uS/cm", secondAfter: 20 * time.Hour, blankLot: "L-1", secondLot: "L-1",
		contact: []string{"0 min 40 uS/cm", "15 min 48 uS/cm", "30 min 54 uS/cm", "60 min 62 uS/cm", "120 min 68 uS/cm", "240 min 70 uS/cm"},
		results: map[string]map[string]runner.LabResult{
			"untreated": {"lead": reported("20 ug/L", "0.6 ug/L"), "nickel": reported("3.0 ug/L", "0.6 ug/L"), "chloride": reported("100 mg/L", "1 mg/L"),
				"nitrate": reported("22.5 mg/L as NO3", "0.1 mg/L")},
			"first_draw": {"lead": reported("1.0 ug/L", "0.6 ug/L"), "nickel": reported("2.9 ug/L", "0.6 ug/L"), "chloride": reported("10 mg/L", "1 mg/L"),
				"nitrate": reported("2.0 mg/L as N", "0.02 mg/L"), "alkalinity": reported("12 mg/L as CaCO3", "1 mg/L"), "calcium": reported("12 mg/L", "0.1 mg/L"), "magnesium": reported("1.0 mg/L", "0.1 mg/L")},
		}}
}

// set puts a result of a step and analyte.
func (s *story) set(step, analyte string, r runner.LabResult) *story {
	if s.results[step] == nil {
		s.results[step] = map[string]runner.LabResult{}
	}
	s.results[step][analyte] = r
	return s
}

func (s *story) do(kind string, body any) {
	s.t.Helper()
	s.now = s.now.Add(time.Second)
	_, st, err := s.st.Extend(runner.Proposal{Kind: kind, Body: body, By: "mk", Via: "key", Now: s.now, Clock: "wall", Main: mainCommit})
	if err != nil {
		s.t.Fatalf("%s %+v: %v", kind, body, err)
	}
	s.st = st
}

func (s *story) values(pairs ...string) map[string]runner.Value {
	out := map[string]runner.Value{}
	for _, p := range pairs {
		name, text, _ := strings.Cut(p, "=")
		out[name] = runner.Value{Text: text, Evidence: "typed"}
	}
	return out
}

func (s *story) at() string { return audit.Time(s.now) }

func (s *story) enter(step string, pairs ...string) {
	s.t.Helper()
	s.do(runner.KindEntry, runner.Entry{Step: step, Values: s.values(append(pairs, "at="+s.at())...)})
}

func (s *story) fill(step string) {
	s.t.Helper()
	began := s.at()
	s.now = s.now.Add(2 * time.Hour)
	s.do(runner.KindEntry, runner.Entry{Step: step, Values: s.values("began="+began, "ended="+s.at(), "volume=7 L")})
}

func (s *story) draw(step, lot string, pairs ...string) {
	s.t.Helper()
	n := len(s.st.Samples)
	b := []runner.DrawnBottle{{Bottle: "all", Code: "aaaaa" + string("abcdefghijklmnopqrstuvwxyz"[n]), Lot: lot}}
	s.do(runner.KindDraw, runner.Draw{Step: step, Values: s.values(pairs...), Bottles: b})
}

// run carries the run out and gives its state.
func (s *story) run() *runner.State {
	s.t.Helper()
	_, st, err := runner.Start(pinned(s.t), runner.Proposal{By: "mk", Via: "key", Now: s.now, Clock: "wall", Main: mainCommit})
	if err != nil {
		s.t.Fatal(err)
	}
	s.st = st
	s.enter("tray", "answer=yes")
	s.enter("precharge", "value=0.5 bar", "instrument=gauge-1")
	s.enter("ratio", "product_mass=1.996 kg", "product_mass_instrument=scale-1", "drain_mass=5.988 kg", "drain_mass_instrument=scale-1",
		"interval=10 min", "interval_instrument=timer-1", "pressure=3 bar", "pressure_instrument=gauge-1", "temperature=15 Cel", "temperature_instrument=thermometer-1")
	s.enter("cycles", "usable=6.0 L", "usable_2=6.4 L", "usable_instrument=jug-1", "refill=90 min", "refill_2=96 min", "refill_instrument=timer-1",
		"drain=18.4 L", "drain_2=18.8 L", "drain_instrument=jug-1")
	s.enter("faucet_flow", "value=1.8 L/min", "value_2=2.0 L/min", "value_3=1.9 L/min", "instrument=timer-1")
	s.enter("before", "conductivity="+s.feedBefore, "conductivity_instrument=meter-1", "chlorine="+s.chlorineBefore, "chlorine_instrument=kit-1")
	s.now = s.now.Add(s.feedAge)
	s.fill("last_fill")
	s.draw("untreated", "L-1")
	s.draw("drain_water", "L-1")
	s.enter("after", "conductivity="+s.feedAfter, "conductivity_instrument=meter-1", "chlorine="+s.chlorineAfter, "chlorine_instrument=kit-1")
	if s.opened {
		s.now = s.now.Add(time.Hour)
		s.do(runner.KindEntry, runner.Entry{Step: "stand", Values: s.values("opened_at=" + s.at())})
	}
	s.now = s.now.Add(9 * time.Hour)
	s.draw("first_draw", "L-1", "at="+s.at(), "opened_at="+s.at(), "closed_at="+s.at())
	s.enter("product", "conductivity="+s.product, "conductivity_instrument=meter-1", "chlorine="+s.productChlorine, "chlorine_instrument=kit-1", "ph="+s.ph, "ph_instrument=ph-1")
	s.draw("lot_blank", s.blankLot, "at="+s.at())
	for _, c := range s.contact {
		f := strings.Fields(c)
		s.enter("contact", "stood="+f[0]+" "+f[1], "value="+f[2]+" "+f[3], "instrument=meter-1")
	}
	s.now = s.now.Add(s.secondAfter - 11*time.Hour)
	s.enter("second_before", "value="+s.secondFeedBefore, "instrument=meter-1")
	s.fill("second_fill")
	s.draw("second_untreated", s.secondLot)
	s.enter("second_after", "value="+s.secondFeedAfter, "instrument=meter-1")
	s.now = s.now.Add(9 * time.Hour)
	s.draw("second_draw", s.secondLot, "at="+s.at(), "opened_at="+s.at(), "closed_at="+s.at())
	s.do(runner.KindHandOver, runner.HandOver{Step: "courier", To: "courier", Checkpoint: "checkpoint\n", Signature: "signed", Values: s.values("at=" + s.at())})
	s.report()
	return s.st
}

// report makes one final report of all results of the story.
func (s *story) report() {
	s.t.Helper()
	s.now = s.now.Add(24 * time.Hour)
	r := runner.Report{Step: "results", Laboratory: "north-lab", Number: "24-1", Revision: "0", Status: "final", Issued: s.at()[:10], Warnings: s.warnings}
	for _, x := range s.st.Samples {
		for _, analyte := range pinned(s.t).Protocol.Analytes {
			res, ok := s.results[x.Step][analyte]
			if !ok {
				continue
			}
			res.Sample, res.Analyte = x.ID, analyte
			if res.Analysed == "" {
				res.Analysed = s.at()
			}
			if analyte == "chloride" {
				res.Method = "IC"
			}
			r.Results = append(r.Results, res)
		}
	}
	s.do(runner.KindReport, r)
}

func (s *story) assess() *Assessment {
	s.t.Helper()
	a, err := Assess(s.run())
	if err != nil {
		s.t.Fatal(err)
	}
	return a
}

// find gives the finding of a subject and kind; it must be there once.
func find(t *testing.T, a *Assessment, subject, kind string) Finding {
	t.Helper()
	var out []Finding
	for _, f := range a.Findings {
		if f.Subject == subject && f.Kind == kind {
			out = append(out, f)
		}
	}
	if len(out) != 1 {
		t.Fatalf("%d findings of %s about %s", len(out), kind, subject)
	}
	return out[0]
}
