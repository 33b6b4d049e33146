package runner

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
)

func todo(a Agenda, step string) *Todo {
	for i := range a.May {
		if a.May[i].Step == step {
			return &a.May[i]
		}
	}
	return nil
}

// What the agenda says about a step is what an entry needs.
func TestAgendaTodo(t *testing.T) {
	b := openBench(t, pinSmall(t))
	a := b.st.Next(b.now)
	x := todo(a, "feed_pressure")
	if x == nil || len(a.May) != 1 {
		t.Fatalf("%+v", a.May)
	}
	if x.Section != "install" || x.Try != 1 || x.Kind != "reading" || x.In != "psi" || x.Instrument != "pressure_gauge" {
		t.Errorf("%+v", x)
	}
	if strings.Join(x.Fields, " ") != "value instrument at" || strings.Join(x.Decides, " ") != "pressure_in_range" || strings.Join(x.Cautions, " ") != "feed-shut" {
		t.Errorf("%+v", x)
	}
	if len(a.Later) != 14 { // all others but the derived one
		t.Errorf("later: %v", a.Later)
	}
	b.readAll()
	b.install()
	b.span("line_flush", time.Hour)
	b.enter("discarded_tanks", "value=50 uS/cm", "instrument=meter-1")
	if x := todo(b.st.Next(b.now), "discarded_tanks"); x == nil || x.Count != 1 || x.Fewest != 3 || x.Most != 5 || strings.Join(x.Optional, " ") != "volume" {
		t.Errorf("%+v", x)
	}
	raw, err := json.Marshal(newState(b.p).Next(opening))
	if err != nil || strings.Contains(string(raw), "null") {
		t.Errorf("%s %v", raw, err)
	}
}

// Windows as clock times: before, in, at its last moment, after.
func TestAgendaWindows(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.span("last_fill", 2*time.Hour)
	b.draw("untreated")
	full, err := audit.ParseTime(b.st.Current("last_fill").Values["ended"].Text)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at     time.Duration
		waits  bool
		missed string
	}{
		{8*time.Hour - time.Millisecond, true, ""},
		{8 * time.Hour, false, ""},
		{10 * time.Hour, false, ""},
		{10*time.Hour + time.Millisecond, false, "yes"},
	} {
		a := b.st.Next(full.Add(c.at))
		x := todo(a, "first_draw")
		if x != nil && !(slices.Contains(x.Fields, "opened_at") && slices.Contains(x.Fields, "closed_at")) {
			t.Errorf("a draw under a window asks for %v", x.Fields)
		}
		if x == nil || x.NotBefore != audit.Time(full.Add(8*time.Hour)) || x.NotAfter != audit.Time(full.Add(10*time.Hour)) || x.Missed != c.missed {
			t.Errorf("%s: %+v", c.at, x)
		}
		if (len(a.Waits) == 1) != c.waits {
			t.Errorf("%s: waits %+v", c.at, a.Waits)
		}
		if todo(a, "stand") != nil {
			t.Error("nobody enters a stand that its draw ends")
		}
	}
	b.now = full.Add(9 * time.Hour)
	at := b.at()
	b.do(KindDraw, Draw{Step: "first_draw", Values: b.values(false, "at="+at), Bottles: b.bottles("first_draw")})
	a := b.st.Next(b.now)
	if len(a.Expires) != 6 || a.Expires[0].Until > a.Expires[5].Until || a.Expires[0].Hold != "14 d" {
		t.Errorf("%+v", a.Expires)
	}
}

func TestAgendaBlocked(t *testing.T) {
	b := variant(t, "otherwise: qualify, undecided: qualify, because: \"Custody.\"", "otherwise: stop, undecided: stop, because: \"Custody.\"")
	b.toLaboratory()
	a := b.st.Next(b.now)
	if len(a.Blocked) != 1 || strings.Join(a.Blocked[0].Free, " ") != "confirm departure correct abandon" || a.Blocked[0].Code != "evidence" {
		t.Errorf("%+v", a.Blocked)
	}
	if todo(a, "courier") == nil {
		t.Error("samples do not wait")
	}
	b.by = "jo"
	seq := b.st.Current("seal").Seqs[0]
	b.do(KindSecondPerson, SecondPerson{Confirms: seq, Record: b.st.hashOf(seq)})
	if len(b.st.Blocked) != 0 {
		t.Errorf("%+v", b.st.Blocked)
	}
	b.do(KindStopped, Stopped{})
	if a := b.st.Next(b.now); len(a.Blocked) != 1 || a.Blocked[0].Why != "stopped" || a.Blocked[0].Free[0] != "resume" {
		t.Errorf("%+v", a.Blocked)
	}
	b.by = "mk"
	b.do(KindComplaint, Complaint{From: "maker", Text: "the pressure was too low"})
	if a := b.st.Next(b.now); len(a.Owed) != 1 || a.Owed[0].Code != "complaint" {
		t.Errorf("%+v", a.Owed)
	}
	b.refused("no record of that number", KindNote, Note{About: "99", Text: "x"})
	b.do(KindNote, Note{About: sprint("", b.st.Seq), Text: "the gauge was checked, the pressure stands"})
	if a := b.st.Next(b.now); len(a.Owed) != 0 {
		t.Errorf("a note about a complaint answers it: %+v", a.Owed)
	}
}

// A log of the run reads like a bench sheet.
func TestSubjects(t *testing.T) {
	b := wholeRun(t)
	b.do(KindDeparture, Departure{Affects: []string{"seal_whole"}, Reason: "no second person\nthat day"})
	var lines []string
	for _, r := range b.st.Records {
		lines = append(lines, Subject(r))
	}
	log := strings.Join(lines, "\n")
	for _, want := range []string{
		"1 opened: unit alder-1, protocol small-tank 1.0.0",
		"2 caution read: feed-shut",
		"4 feed_pressure: 61 psi (pressure_in_range met)",
		"5 leak_check: yes (leak_free met)",
		"line_flush: began 2026-03-02T08:01:07.000Z, ended 2026-03-02T08:30:07.000Z (line_flush.at_least unmet)",
		"line_flush, try 2: ",
		"discarded_tanks: 51 uS/cm (conditioned met)",
		"untreated: drawn, 2 bottles",
		"first_draw: drawn, 2 bottles (first_draw.within met, stand.at_least met, stand.at_most met)",
		"product_ph: 8.9 pH, 8.8 pH, 8.85 pH (ph_steady met)",
		"streams: drain 3.1 L, product 1.2 L (enough_product met)",
		"seal: yes (seal_whole undecided: evidence)",
		"correction of 4 /values/value to 62 psi: misread",
		"hand-over to courier: 3 samples",
		"departure from seal_whole: no second person that day",
	} {
		if !strings.Contains(log, want) {
			t.Errorf("no line %q in\n%s", want, log)
		}
	}
	for _, line := range lines {
		if strings.ContainsAny(line, "\n\t") || len([]rune(line)) > 120 {
			t.Errorf("%q", line)
		}
	}
	if got := Subject(audit.Record{Seq: 3, Kind: "dream"}); got != "3 dream" {
		t.Errorf("%q", got)
	}
}

// Folding 500 records, against encoding and hashing the same ones.
func BenchmarkFold500(b *testing.B) {
	run := wholeRun(b)
	for run.st.Seq < 500 {
		run.do(KindNote, Note{Text: "a remark among many"})
	}
	recs := run.st.Records
	b.Run("fold", func(b *testing.B) {
		for b.Loop() {
			if _, err := Fold(run.p, recs); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("bytes_and_hash", func(b *testing.B) {
		for b.Loop() {
			for _, r := range recs {
				raw, err := r.Bytes()
				if err != nil {
					b.Fatal(err)
				}
				audit.Hash(raw)
			}
		}
	})
	b.Run("one_more", func(b *testing.B) {
		p := run.proposal(KindNote, Note{Text: "one more"})
		for b.Loop() {
			if _, _, err := run.st.Extend(p); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("next", func(b *testing.B) {
		for b.Loop() {
			run.st.Next(run.now)
		}
	})
}
