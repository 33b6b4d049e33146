package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/protocol/ready"
	"tapledger/runner"
)

// files reads the documents in testdata; all of them are invented.
func files(t *testing.T) []protocol.File {
	t.Helper()
	names, err := filepath.Glob(filepath.Join("testdata", "*.yaml"))
	if err != nil || len(names) == 0 {
		t.Fatal(err, "no documents")
	}
	var out []protocol.File
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, protocol.File{Name: n, Bytes: b})
	}
	return out
}

// simulated makes a simulated bench with the documents of testdata.
func simulated(t *testing.T, seed string) *Bench {
	t.Helper()
	b, err := Create(filepath.Join(t.TempDir(), "bench"), CreateOptions{ID: "fern", Person: "mk", Simulated: true, Seed: seed, Ready: ready.Files()})
	must(t, err)
	_, err = b.AddDocuments(files(t))
	must(t, err)
	return b
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// again opens a bench's folder as another process would.
func again(t *testing.T, b *Bench) *Bench {
	t.Helper()
	x, err := Open(b.Dir, Options{Home: b.home, Now: b.wall})
	must(t, err)
	return x
}

func openRun(t *testing.T, b *Bench) string {
	t.Helper()
	run, _, err := b.OpenRun(OpenSpec{Unit: "alder-1", Protocol: "short"})
	must(t, err)
	return run
}

func note(t *testing.T, b *Bench, run, text string) *runner.State {
	t.Helper()
	_, st, err := b.Note(run, "", text)
	must(t, err)
	return st
}

// good verifies deeply and wants nothing bad.
func good(t *testing.T, b *Bench) *Verified {
	t.Helper()
	v, err := b.Verify(VerifyOptions{Deep: true})
	must(t, err)
	for _, f := range v.Faults {
		t.Errorf("verify: %s", f)
	}
	return v
}

func refused(t *testing.T, err error, want string) {
	t.Helper()
	var r *runner.Refusal
	if !errors.As(err, &r) || !strings.Contains(r.Says, want) {
		t.Errorf("want a refusal with %q, got %v", want, err)
	}
}

func refsOf(t *testing.T, b *Bench) string {
	t.Helper()
	refs, err := b.store.Refs()
	must(t, err)
	var list []string
	for name, commit := range refs {
		list = append(list, name+" "+commit)
	}
	slices.Sort(list)
	return strings.Join(list, "\n")
}

// A simulated bench's ids, codes, salts, keys and times come from its seed and
// its clock: the same script gives the same ledger, another seed another one.
func TestSameScriptSameLedger(t *testing.T) {
	script := func(seed string) string {
		b := simulated(t, seed)
		_, err := b.AddPerson("rv", "")
		must(t, err)
		run := openRun(t, b)
		_, err = b.SetClock("+1h")
		must(t, err)
		s, err := b.Seal(SealSpec{Data: []byte("a photo"), Media: "image/jpeg"})
		must(t, err)
		_, _, err = b.Note(run, "", "a note", s)
		must(t, err)
		_, err = b.AbandonRun(run, "enough")
		must(t, err)
		good(t, b)
		return refsOf(t, b)
	}
	one, two, other := script("a"), script("a"), script("b")
	if one != two {
		t.Errorf("the same script, two ledgers:\n%s\n%s", one, two)
	}
	if one == other {
		t.Error("another seed, the same ledger")
	}
}

func TestRealBenchKeepsKeysOutside(t *testing.T) {
	home := t.TempDir()
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	opt := Options{Home: home, Now: func() time.Time { return now }}
	b, err := Create(filepath.Join(t.TempDir(), "bench"), CreateOptions{Options: opt, ID: "fern", Person: "mk", Ready: ready.Files()})
	must(t, err)
	_, err = b.AddDocuments(files(t))
	must(t, err)
	m, err := b.Main()
	must(t, err)
	name := b.keyFile(m, "mk")
	info, err := os.Stat(name)
	must(t, err)
	if runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("key has mode %o", info.Mode().Perm())
	}
	err = filepath.WalkDir(b.Dir, func(name string, d fs.DirEntry, err error) error {
		if data, _ := os.ReadFile(name); strings.Contains(string(data), "PRIVATE KEY") {
			t.Errorf("%s holds a private key", name)
		}
		return err
	})
	must(t, err)
	run := openRun(t, b)
	one, err := b.BottleCode(run, "untreated", 1, 0)
	must(t, err)
	two, err := b.BottleCode(run, "untreated", 1, 0)
	must(t, err)
	other, err := b.BottleCode(run, "untreated", 2, 0)
	must(t, err)
	if one != two || one == other || len(one) != 6 {
		t.Errorf("bottle codes %q, %q and of another try %q", one, two, other)
	}
	// Without the bench's key no code can be made; without a person's nothing written.
	must(t, os.Remove(b.keyFile(m, audit.BenchPrincipal)))
	_, err = b.BottleCode(run, "untreated", 1, 0)
	refused(t, err, "the bench's own key is not here")
	must(t, os.Rename(name, name+".away"))
	_, _, err = b.Note(run, "", "x")
	refused(t, err, "the key of mk is not on this machine")
	must(t, os.Rename(name+".away", name))
	// A clock that went back is said, and what was timed then counts as typed.
	now = now.Add(-time.Hour)
	rec, _, err := b.Append(run, b.Propose(run, Input{}))
	if err == nil {
		t.Errorf("an entry without a step was recorded: %+v", rec)
	}
	rec, _, err = b.Note(run, "", "the clock is behind")
	must(t, err)
	if rec.Clock != "behind" || rec.Made < "2026-03-02T08:00" {
		t.Errorf("clock %s, made %s", rec.Clock, rec.Made)
	}
	good(t, b)
}

// Two processes write to one run: no record is lost, and who was slower folds
// and judges again.
func TestTwoWriters(t *testing.T) {
	b := simulated(t, "two")
	run := openRun(t, b)
	var wg sync.WaitGroup
	errs := make([]error, 2)
	for i := range 2 {
		wg.Go(func() {
			x, err := Open(b.Dir, Options{})
			for n := 0; n < 8 && err == nil; n++ {
				_, _, err = x.Note(run, "", fmt.Sprintf("writer %d, note %d", i, n))
			}
			errs[i] = err
		})
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	st, err := b.State(run)
	must(t, err)
	if st.Seq != 17 {
		t.Errorf("%d records, want 17", st.Seq)
	}
	note(t, b, run, "a handle that saw an old head")
	good(t, b)
}

// A proposal is made again when somebody else was faster, from the new state.
func TestLostRaceJudgesAgain(t *testing.T) {
	b := simulated(t, "race")
	run := openRun(t, b)
	_, err := b.State(run)
	must(t, err)
	note(t, again(t, b), run, "faster")
	var saw []int64
	_, st, err := b.Append(run, func(st *runner.State) (runner.Proposal, error) {
		saw = append(saw, st.Seq)
		return runner.Proposal{Kind: runner.KindNote, Body: runner.Note{Common: common(), Text: "slower"}}, nil
	})
	must(t, err)
	if st.Seq != 3 || saw[len(saw)-1] != 2 {
		t.Errorf("seq %d, proposals saw %v", st.Seq, saw)
	}
}

func TestSheetIsAllOrNothing(t *testing.T) {
	b := simulated(t, "sheet")
	run := openRun(t, b)
	_, _, err := b.ReadCautions(run, []string{"pressure-gauge", "pressure-limit"})
	must(t, err)
	list, err := ParseSheet("day.csv", []byte("step,value,instrument,word\nfeed_pressure,3.1 bar,gauge-1,\nleak_check,,,perhaps\n"))
	must(t, err)
	_, _, err = b.EnterSheet(run, list)
	var sf *SheetFault
	if !errors.As(err, &sf) || sf.Line != 3 {
		t.Errorf("want a fault in line 3, got %v", err)
	}
	st, err := b.State(run)
	must(t, err)
	if st.Seq != 3 {
		t.Errorf("%d records after a sheet that was refused, want 3", st.Seq)
	}
	list, err = ParseSheet("day.yaml", []byte("- {step: feed_pressure, value: 3.10 bar, instrument: gauge-1}\n- {step: leak_check, word: \"yes\"}\n"))
	must(t, err)
	n, st, err := b.EnterSheet(run, list)
	must(t, err)
	if n != 2 || st.Seq != 5 || st.Current("feed_pressure").Values["value"].Text != "3.10 bar" {
		t.Errorf("%d entries, %d records, %+v", n, st.Seq, st.Current("feed_pressure").Values)
	}
}

func TestParseSheetFaults(t *testing.T) {
	for _, x := range []struct{ name, data, want string }{
		{"a.csv", "", "a.csv:1: the sheet is empty"},
		{"a.csv", "\xff\xfe", "a.csv:1: the sheet is not UTF-8"},
		{"a.csv", "value\n1\n", "a.csv:1: there is no column step"},
		{"a.csv", "step,step\na,b\n", "a.csv:1: column 2 has no heading of its own"},
		{"a.csv", "step,value\n", "a.csv:2: the sheet holds no entry"},
		{"a.csv", "step,value\na\n", "a.csv:2: 1 cells, the heading has 2"},
		{"a.csv", "step,value\n,1\n", "a.csv:2: step is missing"},
		{"a.csv", "step,value\n\"a,1\n", "a.csv:2"},
		{"a.yaml", "step: a\n", "a.yaml:1: a sheet is a list of entries"},
		{"a.yaml", "- a\n", "a.yaml:1: an entry is a map"},
		{"a.yaml", "- {step: a}\n- {step: b, value: {x: 1}}\n", "a.yaml:2: value is no plain text"},
		{"a.yaml", "[]\n", "a.yaml:1: the sheet holds no entry"},
		{"a.yaml", "- {step: [\n", "a.yaml:1: this is no YAML"},
		{"a.yaml", "- {value: 1}\n", "a.yaml:1: step is missing"},
	} {
		_, err := ParseSheet(x.name, []byte(x.data))
		if err == nil || !strings.HasPrefix(err.Error(), x.want) {
			t.Errorf("%q: want %q, got %v", x.data, x.want, err)
		}
	}
}

// What a process left half done is finished by the next one that writes, and
// put on record.
func TestHalfDone(t *testing.T) {
	b := simulated(t, "half")
	good(t, b)
	s, err := b.actor(b.main)
	must(t, err)
	put := func(path string, data []byte, err error) {
		t.Helper()
		must(t, err)
		must(t, b.write(func(m *Main) error {
			_, err := b.commitMain(m, change{put: map[string][]byte{path: data}, subject: "half"})
			return err
		}))
	}
	// An opening: registered, and then nothing.
	half := "fern-20260302-aaaa"
	path, data, err := audit.RunOpened{Run: half, By: s.Principal(), Made: audit.Time(b.now), Unit: "alder-1", Protocol: "short@1.0.0"}.File()
	put(path, data, err)
	b = again(t, b)
	run := openRun(t, b)
	if m, _ := b.Main(); !m.Register.Runs[half].NeverStarted() {
		t.Errorf("half-done opening: %+v", m.Register.Runs[half])
	}
	if len(b.Recovered) == 0 {
		t.Error("nothing was said about it")
	}
	good(t, b)
	// A closing: the record is there, the register does not know.
	end := func(*runner.State) (runner.Proposal, error) {
		return runner.Proposal{Kind: runner.KindAbandoned, Body: runner.Abandoned{Common: common(), Reason: "cut short"}}, nil
	}
	must(t, b.write(func(m *Main) error { _, _, err := b.append(m, run, []Propose{end}, nil); return err }))
	b = again(t, b)
	st := note(t, b, run, "after the crash")
	m, err := b.Main()
	must(t, err)
	if e := m.Register.Runs[run]; !e.Closed() || e.Closings[0].How != audit.HowAbandoned || e.Closings[0].Reason != "cut short" {
		t.Errorf("half-done closing: %+v", e)
	}
	if !slices.ContainsFunc(st.Records, func(r audit.Record) bool { return r.Kind == runner.KindRecovered }) {
		t.Error("the run does not say what was recovered")
	}
	good(t, b)
}

// A disk that fails at any moment of opening, writing and closing: what was
// acknowledged is there, and the next process sets the rest right.
func TestEveryCrash(t *testing.T) {
	from := simulated(t, "crash")
	every := 19
	if testing.Short() {
		every = 61
	}
	crashed := errors.New("crash")
	for k := 1; ; k += every {
		dir := filepath.Join(t.TempDir(), "bench")
		must(t, os.CopyFS(dir, os.DirFS(from.Dir)))
		b, err := Open(dir, Options{})
		must(t, err)
		n, acknowledged, run := 0, int64(0), ""
		b.store.Inject(func(store.Op) (int, error) {
			if n++; n >= k {
				return 0, crashed
			}
			return 0, nil
		})
		var st *runner.State
		run, st, err = b.OpenRun(OpenSpec{Unit: "alder-1", Protocol: "short"})
		for i := 0; i < 2 && err == nil; i++ {
			acknowledged = st.Seq
			_, st, err = b.Note(run, "", "a note")
		}
		if err == nil {
			acknowledged = st.Seq
			_, err = b.AbandonRun(run, "enough")
		}
		if err == nil {
			if k == 1 {
				t.Fatal("the hook saw no operation")
			}
			return // nothing is left to break
		}
		died(t, dir)
		b, err = Open(dir, Options{})
		must(t, err)
		other := openRun(t, b)
		note(t, b, other, "goes on")
		if acknowledged > 0 {
			st, err := b.State(run)
			if err != nil || st.Seq < acknowledged {
				t.Errorf("crash at operation %d: %d records were acknowledged: %v", k, acknowledged, err)
			}
		}
		if v := good(t, b); len(v.Faults) > 0 {
			t.Fatalf("after a crash at operation %d", k)
		}
	}
}

// died leaves a ledger as a process leaves it that ended with the lock in its
// hands: its mark is there, and what it had under way is as old as it is.
func died(t *testing.T, dir string) {
	t.Helper()
	git := filepath.Join(dir, LedgerDir)
	must(t, os.WriteFile(filepath.Join(git, "tapledger.lock"), []byte("process 1\n"), 0o644))
	old := time.Now().Add(-time.Hour)
	must(t, filepath.WalkDir(git, func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && name != filepath.Join(git, "tapledger.lock") {
			err = os.Chtimes(name, old, old)
		}
		return err
	}))
}

func TestPeople(t *testing.T) {
	b := simulated(t, "people")
	refused(t, b.EndKey("mk"), "the last person's key")
	refused(t, b.EndKey("rv"), "has no key here")
	_, err := b.AddPerson("bench", "")
	refused(t, err, "no id for a person")
	first, err := b.AddPerson("rv", "")
	must(t, err)
	_, err = b.AddPerson("rv", "")
	refused(t, err, "has a key that has not ended")
	run := openRun(t, b)
	rec, _, err := b.As("rv").Note(run, "", "by rv")
	must(t, err)
	if rec.By != "rv" {
		t.Errorf("by %s", rec.By)
	}
	must(t, b.As("mk").EndKey("rv"))
	_, _, err = b.As("rv").Note(run, "", "too late")
	refused(t, err, "rv has no key on this bench that has not ended")
	second, err := b.As("mk").AddPerson("rv", "")
	must(t, err)
	if second == first {
		t.Error("a new key is the old one")
	}
	_, _, err = b.As("rv").Note(run, "", "with the new key")
	must(t, err)
	// Somebody may keep their key elsewhere.
	key := SimulatedKey("elsewhere", "pt", 0)
	_, err = b.As("mk").AddPerson("pt", audit.PublicKeyLine(public(key)))
	must(t, err)
	_, err = b.AddPerson("pv", audit.PublicKeyLine(public(key)))
	refused(t, err, "stands already under pt")
	_, _, err = b.As("pt").Note(run, "", "x")
	refused(t, err, "the key of pt is not on this machine")
	good(t, b)
}
