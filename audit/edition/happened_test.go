package edition

import (
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/runner"
)

// Whatever happened in any run of a ranked unit is told, not only in the run
// that counts; a further try comes with its reason, and with the bottles that
// were drawn before it.
func TestEveryRunOfARankedUnitIsTold(t *testing.T) {
	b := two(t)
	given := b.story("fern-20260302-cccc", "alder-1").open()
	given.enter("tray", "answer=yes")
	given.enter("faucet_flow", "value=1.2 L/min", "instrument=timer-1")
	for _, to := range []string{"1.3 L/min", "1.4 L/min"} {
		given.do(runner.KindCorrection, runner.Correction{Corrects: runner.Target{Seq: 3, Path: "/values/value"}, Value: runner.Value{Text: to, Evidence: "photo"}, Reason: "misread"})
	}
	given.do(runner.KindPart, runner.Part{Action: "removed", Part: "membrane", Values: given.values("at=" + given.at())})
	given.enter("before", "value=500 uS/cm", "instrument=meter-1")
	given.fillAndDraw(7 * time.Hour) // too short: to be done again
	given.end(runner.KindAbandoned, runner.Abandoned{Reason: "the tank was bumped"}, audit.HowAbandoned, 1)
	c := read(t, b)
	for code, parts := range map[string][]string{
		"corrections":    {"run fern-20260302-cccc, record 4, by mk", "record 3, /values/value, from 1.2 L/min to 1.3 L/min (photo)", "from 1.3 L/min to 1.4 L/min (photo); confirmed by a second person: no."},
		"further_tries":  {"alder-1, run fern-20260302-cccc: last_fill, try 2, opened by record 11, because ", "was unmet. Every unit stands equally long."},
		"bottles_unused": {"alder-1, run fern-20260302-cccc, record 9: untreated, try 1, drawn ", "bottles: 1; handed over: no", "record 11: first_draw, try 1"},
	} {
		s := statement(c, code)
		if s == nil {
			t.Errorf("no statement %s", code)
			continue
		}
		for _, part := range parts {
			if said := strings.Join(s.ItemsSaid(), "\n"); !strings.Contains(said, part) {
				t.Errorf("%s says\n%s\nwithout %q", code, said, part)
			}
		}
	}
	if s := statement(c, "bottles_unused"); s != nil && s.Says() != "Bottles drawn whose results are not used: 2." {
		t.Errorf("%q", s.Says())
	}
	alder, _ := c.Unit("alder-1")
	if len(alder.Changes) != 1 || alder.Changes[0].Action != "removed" || alder.Changes[0].Part != "membrane" || alder.Changes[0].Run != "fern-20260302-cccc" {
		t.Errorf("parts that changed: %+v", alder.Changes)
	}
	if s := statement(c, "evidence"); !strings.Contains(s.Says(), "0 read from a photo") {
		t.Errorf("only the runs that count are counted: %q", s.Says())
	}
}

// A corrected value is a value: its evidence is counted, and who confirmed it
// is named with the time.
func TestACorrectionIsCountedAndConfirmed(t *testing.T) {
	b := two(t)
	s := b.story("fern-20260302-dddd", "alder-1")
	s.flow = "0.9 L/min"
	s.open().work()
	r := s.do(runner.KindCorrection, runner.Correction{Corrects: runner.Target{Seq: 3, Path: "/values/value"}, Value: runner.Value{Text: "1.9 L/min", Evidence: "photo"}, Reason: "digits swapped",
		Common: runner.Common{Attachments: []runner.Attachment{{Bytes: 10, Class: "private", Commitment: "sha256:" + strings.Repeat("ab", 32), Media: "image/jpeg"}}}})
	s.report("24-9", "0", "final")
	s.close()
	c := read(t, b)
	if s := statement(c, "evidence"); !strings.Contains(s.Says(), "1 read from a photo") {
		t.Errorf("the photo of the correction is not counted: %q", s.Says())
	}
	x := &run{state: &runner.State{Events: []runner.Event{
		{Seq: r.Seq + 1, By: "rv", Made: "2026-03-08T09:00:00.000Z", Body: &runner.SecondPerson{Confirms: r.Seq}},
		{Seq: r.Seq + 2, By: "zz", Made: "2026-03-09T09:00:00.000Z", Body: &runner.SecondPerson{Confirms: r.Seq + 9}}}}}
	args := map[string]string{}
	for _, a := range x.corrected(runner.Event{Seq: r.Seq}, &runner.Correction{}) {
		args[a.Name] = a.Text
	}
	if args["confirmed_by"] != "rv" || args["confirmed"] != "2026-03-08T09:00:00.000Z" || args["unconfirmed"] != "" {
		t.Errorf("%v", args)
	}
}

// What cannot be said is said.
func TestTerms(t *testing.T) {
	c := read(t, two(t))
	for _, code := range []string{"expires_none", "reference_none", "listing_not_searched", "corrections_policy"} {
		if statement(c, code) == nil {
			t.Errorf("no statement %s", code)
		}
	}
	if s := statement(c, "kept"); s == nil || !strings.Contains(strings.Join(s.ItemsSaid(), "\n"), "alder-1: stated: no") {
		t.Errorf("where the units are kept: %+v", s)
	}
	for _, code := range []string{"expires", "reference"} {
		if statement(c, code) != nil {
			t.Errorf("statement %s of a campaign that says nothing", code)
		}
	}
}
