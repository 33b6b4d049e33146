package runner

import (
	"flag"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapledger/audit"
	"tapledger/protocol"
)

// TestMain keeps random tests the same on every run. Other seeds are tried with
// -rapid.seed and -rapid.checks.
func TestMain(m *testing.M) {
	flag.Parse()
	for name, value := range map[string]string{"rapid.seed": "20261125", "rapid.nofailfile": "true", "rapid.checks": "40"} {
		if f := flag.Lookup(name); f != nil && f.Value.String() == f.DefValue {
			if err := f.Value.Set(value); err != nil {
				panic(err)
			}
		}
	}
	os.Exit(m.Run())
}

// actor does anything that a person may do to a run, sensible or not.
type actor struct {
	*walker
	rt *rapid.T
}

func (a *actor) one(of ...string) string { return rapid.SampledFrom(of).Draw(a.rt, "value") }

func newActor(rt *rapid.T, t *testing.T) *actor {
	a := &actor{walker: newWalker(openBench(t, pinSmall(t))), rt: rt}
	a.value = func(f field) string {
		switch {
		case f.kind == fieldAnswer:
			return a.one("yes", "yes", "yes", "no", "not_applicable")
		case f.in == "psi":
			return a.one("60 psi", "4 bar", "95 psi")
		case f.in == "uS/cm":
			return a.one("50 uS/cm", "51 uS/cm", "80 uS/cm")
		case f.in == "L":
			return a.one("1.2 L", "0.4 L", "2500 mL")
		case f.kind == fieldQuantity:
			return a.one(plain[f.in], "7 "+f.in)
		}
		return "T1"
	}
	return a
}

// headStart brings a run to where later steps can go wrong too.
func (a *actor) headStart(n int) {
	if n > 0 {
		a.readAll()
		a.install()
	}
	if n > 1 {
		a.condition()
	}
	if n > 2 {
		a.sampling(9*time.Hour, time.Minute)
		a.measure()
	}
	if n > 3 {
		a.handOver()
	}
}

// propose draws something to put on record.
func (a *actor) propose() (kind string, body any) {
	agenda := a.st.Next(a.now)
	switch rapid.IntRange(0, 29).Draw(a.rt, "what") {
	case 0:
		return a.departure(agenda)
	case 1, 2:
		return a.correction()
	case 3:
		return KindStopped, Stopped{}
	case 4:
		return KindResumed, Resumed{}
	case 5:
		return KindEntry, Entry{Step: "stand", Values: a.values(false, "opened_at="+a.at())}
	case 6:
		seq := int64(rapid.IntRange(1, int(a.st.Seq)).Draw(a.rt, "seq"))
		a.by = "jo"
		return KindSecondPerson, SecondPerson{Confirms: seq, Record: a.st.hashOf(seq)}
	case 7:
		return a.oneOf(agenda)
	case 8:
		return KindClosed, Closed{}
	case 9:
		return KindReopened, Reopened{Reason: "more to do"}
	case 10:
		if rapid.IntRange(0, 9).Draw(a.rt, "rarely") == 0 {
			return KindAbandoned, Abandoned{Reason: "enough"}
		}
		return KindNote, Note{Text: "a remark"}
	}
	return a.whatIsDue(agenda)
}

// whatIsDue is the first thing on the agenda, or what frees the run.
func (a *actor) whatIsDue(agenda Agenda) (string, any) {
	switch {
	case a.st.closed || a.st.abandoned:
		return KindNote, Note{Text: "after the end"}
	case a.st.stopped && len(agenda.May) == 0:
		return KindResumed, Resumed{}
	case len(agenda.Blocked) > 0 && len(agenda.May) == 0:
		return a.departure(agenda)
	case len(agenda.May) == 0:
		return KindClosed, Closed{}
	}
	todo := agenda.May[0]
	for _, id := range a.st.CautionsUnread(a.by, todo.Step) {
		return KindCautionRead, CautionRead{Caution: id, Version: a.p.Cautions[id].Version}
	}
	if st := a.st.step(todo.Step); st.Kind == protocol.StepFlush && todo.Begun == "" && rapid.Bool().Draw(a.rt, "button") {
		return KindStarted, Started{Step: todo.Step, Values: a.values(false, "began="+a.at())}
	}
	return a.enterTodo(todo)
}

// oneOf is some step of the protocol, due or not.
func (a *actor) oneOf(agenda Agenda) (string, any) {
	steps := a.p.rules.steps
	st := steps[rapid.IntRange(0, len(steps)-1).Draw(a.rt, "step")]
	return a.enterTodo(Todo{Step: st.ID})
}

func (a *actor) departure(agenda Agenda) (string, any) {
	for _, b := range agenda.Blocked {
		if b.Criterion != "" {
			return KindDeparture, Departure{Affects: []string{b.Criterion}, Try: b.Try, Reason: "accepted"}
		}
	}
	steps := a.p.rules.steps
	return KindDeparture, Departure{Affects: []string{steps[rapid.IntRange(0, len(steps)-1).Draw(a.rt, "left out")].ID}, Reason: "cannot be done"}
}

func (a *actor) correction() (string, any) {
	seq := int64(rapid.IntRange(1, int(a.st.Seq)).Draw(a.rt, "seq"))
	c := Correction{Common: photo(), Corrects: Target{Seq: seq, Path: "/values/value"}, Value: Value{Text: a.one("50 uS/cm", "60 psi", "9 pH", "95 psi"), Evidence: "typed"}, Reason: "misread"}
	switch rapid.IntRange(0, 3).Draw(a.rt, "path") {
	case 0:
		c.Corrects.Path, c.Value.Text = "/values/answer", a.one("yes", "no")
	case 1:
		c.Corrects.Path, c.Value.Text = "/values/began", audit.Time(a.now.Add(-time.Duration(rapid.IntRange(1, 90).Draw(a.rt, "min"))*time.Minute))
	case 2:
		c.Corrects.Path, c.Value.Text = "/results/1/result", a.one("1 ug/L", "<5 mg/L")
	}
	return KindCorrection, c
}

// Any accepted sequence folds to the same state at once and piecewise, stored
// decisions always reproduce, a refused proposal changes nothing, and there is
// no state without a way on.
func TestAnyRun(t *testing.T) {
	accepted, refused := 0, 0
	deepest := map[string]int{}
	rapid.Check(t, func(rt *rapid.T) {
		a := newActor(rt, t)
		a.headStart(rapid.IntRange(0, 4).Draw(rt, "head start"))
		n := rapid.IntRange(10, 40).Draw(rt, "records")
		var middle *State
		for i := range n {
			a.by = "mk"
			a.wait(time.Duration(rapid.SampledFrom([]int{1, 60, 1800, 7 * 3600, 9 * 3600}).Draw(rt, "seconds")) * time.Second)
			kind, body := a.propose()
			r, next, err := a.try(kind, body)
			if err != nil {
				if _, ok := err.(*Refusal); !ok {
					rt.Fatalf("%s %+v: %T %v", kind, body, err, err)
				}
				refused++
				continue
			}
			accepted++
			with, err := a.st.With(r)
			if err != nil {
				rt.Fatalf("%s: With refuses what Extend made: %v", kind, err)
			}
			if fingerprint(t, with) != fingerprint(t, next) {
				rt.Fatalf("%s %+v: With and Extend lead to different states", kind, body)
			}
			a.st = next
			if i == n/2 {
				middle = next
			}
			a.wayOn(rt)
			deepest[furthest(a.st)]++
		}
		again, err := Fold(a.p, a.st.Records)
		if err != nil {
			rt.Fatal(err)
		}
		if fingerprint(t, again) != fingerprint(t, a.st) {
			rt.Fatal("folding at once leads elsewhere than piecewise")
		}
		if middle != nil {
			early, err := Fold(a.p, a.st.Records[:middle.Seq])
			if err != nil || fingerprint(t, early) != fingerprint(t, middle) {
				rt.Fatalf("a state changed after later records were folded on it: %v", err)
			}
		}
	})
	t.Logf("%d accepted, %d refused, furthest section %v", accepted, refused, deepest)
	if accepted < 300 || refused < 100 {
		t.Errorf("%d accepted, %d refused: the actor does not try enough", accepted, refused)
	}
}

func furthest(s *State) string {
	last := ""
	for i, st := range s.Pinned.rules.steps {
		if st.Kind != protocol.StepDerive && s.last(st.ID).Begun() {
			last = s.Pinned.rules.sections[s.Pinned.rules.section[i]].ID
		}
	}
	return last
}

// wayOn: something may be done, or waits for a time or the laboratory, or is
// blocked and it is said how it is freed; and what is said works.
func (a *actor) wayOn(rt *rapid.T) {
	if a.st.closed || a.st.abandoned {
		return
	}
	agenda := a.st.Next(a.now)
	for _, b := range agenda.Blocked {
		if len(b.Free) == 0 || !slices.Contains(b.Free, "abandon") {
			rt.Fatalf("blocked without a way on: %+v", b)
		}
		if b.Criterion == "" {
			continue
		}
		if _, st, err := a.try(KindDeparture, Departure{Affects: []string{b.Criterion}, Try: b.Try, Reason: "accepted"}); err != nil {
			rt.Fatalf("a departure from %+v: %v", b, err)
		} else if slices.ContainsFunc(st.Blocked, func(x Block) bool { return x.Criterion == b.Criterion && x.Try == b.Try }) {
			rt.Fatalf("a departure from %+v frees nothing", b)
		}
	}
	if len(agenda.Blocked) > 0 || len(agenda.May) > 0 {
		for _, todo := range agenda.May {
			a.mayBeEntered(rt, todo)
		}
		return
	}
	if open := a.st.openSteps(); len(open) > 0 {
		rt.Fatalf("nothing may be done, nothing is blocked, and %v are open: %+v", open, agenda)
	}
	if _, _, err := a.try(KindClosed, Closed{}); err != nil {
		rt.Fatalf("nothing is left to do, and closing is refused: %v", err)
	}
}

// mayBeEntered: what the agenda offers is taken, once its cautions were read.
func (a *actor) mayBeEntered(rt *rapid.T, todo Todo) {
	st := a.st
	for _, id := range st.CautionsUnread(a.by, todo.Step) {
		_, next, err := st.Extend(a.proposal(KindCautionRead, CautionRead{Caution: id, Version: "1.0.0"}))
		if err != nil {
			rt.Fatal(err)
		}
		st = next
	}
	probe := &actor{walker: newWalker(&bench{t: a.t, p: a.p, st: st, now: a.now, by: a.by}), rt: rt}
	kind, body := probe.enterTodo(todo)
	if _, _, err := probe.try(kind, body); err != nil && st.step(todo.Step).Kind != protocol.StepStand {
		rt.Fatalf("the agenda offers %s, and entering it is refused: %v", todo.Step, err)
	}
}
