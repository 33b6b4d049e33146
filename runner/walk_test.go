package runner

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/protocol/ready"
)

// walker does whatever `next` says may be done, with plausible values.
type walker struct {
	*bench
	entries int // sheets that a person filled in
	pick    func(n int) int
	value   func(f field) string
}

func newWalker(b *bench) *walker {
	w := &walker{bench: b, pick: func(int) int { return 0 }}
	w.value = func(f field) string {
		switch f.kind {
		case fieldAnswer:
			return "yes"
		case fieldQuantity:
			return plain[f.in]
		}
		return "T1"
	}
	return w
}

// plain are values at which nothing is unmet, by unit.
var plain = map[string]string{"psi": "60 psi", "bar": "0.5 bar", "uS/cm": "50 uS/cm", "pH": "8.9 pH", "L": "3.1 L", "mL": "20 mL",
	"min": "12 min", "Cel": "5 Cel", "mg/L": "0.4 mg/L", "kg": "1.2 kg", "L/min": "2 L/min"}

// read reads the cautions due at a step.
func (w *walker) read(step string) {
	for _, id := range w.st.CautionsUnread(w.by, step) {
		w.do(KindCautionRead, CautionRead{Caution: id, Version: w.p.Cautions[id].Version})
	}
}

func (w *walker) sheet(st *protocol.Step) map[string]Value {
	out := map[string]Value{}
	for _, f := range w.st.fieldsOf(st) {
		switch {
		case !f.required || f.kind == fieldMoment:
		case f.kind == fieldInstrument:
			for id, doc := range w.p.Instrument {
				if doc.Class == f.class {
					out[f.name] = Value{Text: id, Evidence: "typed"}
				}
			}
		default:
			out[f.name] = Value{Text: w.value(f), Evidence: "typed"}
		}
	}
	out["at"] = Value{Text: w.at(), Evidence: "timed"}
	return out
}

// enterTodo enters one step of the agenda.
func (w *walker) enterTodo(todo Todo) (kind string, body any) {
	st := w.st.step(todo.Step)
	switch st.Kind {
	case protocol.StepDraw:
		at := w.at()
		return KindDraw, Draw{Step: st.ID, Values: w.values(false, "at="+at, "opened_at="+at, "closed_at="+at), Bottles: w.bottles(st.ID)}
	case protocol.StepFlush, protocol.StepFill:
		if todo.Begun != "" {
			return KindEntry, Entry{Step: st.ID, Values: w.values(false, "ended="+w.at())}
		}
		return KindEntry, Entry{Step: st.ID, Values: w.values(false, "began="+audit.Time(w.now.Add(-30*time.Minute)), "ended="+w.at())}
	case protocol.StepHand:
		return KindHandOver, HandOver{Step: st.ID, To: "courier", Checkpoint: fmt.Sprintf("checkpoint\nseq %d\n", w.st.Seq), Signature: "signed", Values: w.values(true, "temperature=5 Cel")}
	case protocol.StepReport:
		return KindReport, w.fullReport(st)
	}
	return KindEntry, Entry{Common: photo(), Step: st.ID, Values: w.sheet(st)}
}

func (w *walker) fullReport(st *protocol.Step) Report {
	r := Report{Step: st.ID, Laboratory: "north-lab", Number: fmt.Sprintf("24-%d", w.st.Seq), Status: "final", Issued: w.at()[:10]}
	for _, x := range w.st.Samples {
		if x.ID != "" && (len(st.Samples) == 0 || slices.Contains(st.Samples, x.Step)) {
			for _, a := range w.p.Protocol.Analytes {
				r.Results = append(r.Results, LabResult{Sample: x.ID, Analyte: a, Result: "1 mg/L", Analysed: w.at()[:10]})
			}
		}
	}
	return r
}

// pace is how long a step takes to come to: around a fill the feed is read
// within its window, elsewhere nobody hurries.
func (w *walker) pace(step string) time.Duration {
	section, st := w.p.Protocol.Step(step)
	switch {
	case section.ID != "sampling" && section.ID != "second_day":
		return time.Hour
	case st.Kind == protocol.StepFill:
		return 35 * time.Minute
	}
	return 18 * time.Minute
}

// walk goes on until the run can be closed, and closes it.
func (w *walker) walk() {
	w.t.Helper()
	for range 400 {
		a := w.st.Next(w.now)
		for _, wait := range a.Waits {
			if from, err := audit.ParseTime(wait.From); wait.Why == "window" && err == nil {
				w.now = from
				a = w.st.Next(w.now)
				break
			}
		}
		if len(a.May) == 0 {
			if len(a.Blocked) > 0 || len(w.st.openSteps()) > 0 {
				w.t.Fatalf("no way on: %+v", a)
			}
			w.do(KindClosed, Closed{})
			return
		}
		todo := a.May[w.pick(len(a.May))]
		w.read(todo.Step)
		if todo.NotBefore == "" {
			w.wait(w.pace(todo.Step)) // what stands is drawn when it is due, everything else takes its time
		}
		kind, body := w.enterTodo(todo)
		w.do(kind, body)
		if kind == KindEntry || kind == KindDraw {
			w.entries++
		}
	}
	w.t.Fatal("no end")
}

// readyTree reads the documents that come with the tool, with an invented unit
// and an instrument of each class.
func pinReady(t testing.TB) *Pinned {
	t.Helper()
	files := ready.Files()
	for i, class := range []string{"pressure_gauge", "conductivity_meter", "thermometer", "chlorine_kit", "ph_meter", "hardness_kit", "scale", "timer", "measuring_jug"} {
		in := []string{"bar", "uS/cm", "Cel", "mg/L", "pH", "mg/L", "kg", "min", "L"}[i]
		files = append(files, protocol.File{Name: class, Bytes: []byte(fmt.Sprintf("kind: instrument\nid: inst-%d\nversion: 1.0.0\ntitle: Invented\nclass: %s\nin: %s\ninvented: \"yes\"\n", i, class, in))})
	}
	unit := strings.Replace(unitYAML, "pressure_most: 80 psi", "pressure_most: 6 bar\npressure_least: 0.1 bar\nflush_time: 20 min", 1)
	files = append(files, protocol.File{Name: "unit", Bytes: []byte(unit)})
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary())
	for _, f := range faults {
		t.Fatalf("%s", f)
	}
	tree := map[string][]byte{}
	opened := Opened{Engine: Engine, Simulated: "no", Schemas: "sha256:" + strings.Repeat("0", 64)}
	for _, d := range docs {
		tree[d.Path()+".json"] = d.Resolved
		switch d.Kind {
		case protocol.KindProtocol:
			opened.Protocol = d.Pin()
		case protocol.KindUnit:
			opened.Unit = d.Pin()
		case protocol.KindValues:
			opened.Values = append(opened.Values, d.Pin())
		}
	}
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The ready protocol from the first caution to closing, by nothing but what
// `next` offers. A full run asks for at most 25 sheets: buttons, cautions,
// hand-overs, reports, further tries and the second day are not counted, a
// series is one.
func TestWalkReadyProtocol(t *testing.T) {
	p := pinReady(t)
	w := newWalker(openBench(t, p))
	w.walk()
	if w.st.Phase != PhaseClosed {
		t.Error(w.st.Phase)
	}
	for _, d := range w.st.Decided {
		if d.State != StateMet {
			t.Errorf("%s %s %s, inputs %v", d.Criterion, d.State, d.Code, d.Inputs)
		}
	}
	sheets := 0
	for _, st := range p.rules.steps {
		if slices.Contains([]string{protocol.StepDerive, protocol.StepStand, protocol.StepHand, protocol.StepReport}, st.Kind) || strings.HasPrefix(st.ID, "second_") {
			continue
		}
		sheets++
	}
	if sheets > 25 {
		t.Errorf("%d sheets in a full run, at most 25", sheets)
	}
	t.Logf("%d records, %d entries, %d sheets", w.st.Seq, w.entries, sheets)
	again, err := Fold(p, w.st.Records)
	if err != nil {
		t.Fatal(err)
	}
	if fingerprint(t, again) != fingerprint(t, w.st) {
		t.Error("folding the records leads elsewhere")
	}
}

func TestWalkSmallProtocol(t *testing.T) {
	w := newWalker(openBench(t, pinSmall(t)))
	w.walk()
	if w.st.Phase != PhaseClosed {
		t.Error(w.st.Phase)
	}
}
