package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"tapledger": func() { os.Exit(start()) }})
}

func TestScript(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "script"),
		Setup: func(env *testscript.Env) error {
			env.Setenv("TAPLEDGER_HOME", filepath.Join(env.WorkDir, "home"))
			env.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
			env.Setenv("GIT_CONFIG_NOSYSTEM", "1")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code": code, "demo-bench": demoBench, "tamper": tamper, "fill-in": fillIn,
		},
		Condition: func(cond string) (bool, error) {
			if cond == "git" {
				_, err := exec.LookPath("git")
				return err == nil, nil
			}
			return false, fmt.Errorf("no condition %q", cond)
		},
	})
}

// code N COMMAND... runs a command and holds its exit code to N.
func code(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

var theDemo struct {
	once sync.Once
	dir  string
	said string
	err  error
}

// runDemo runs the demo once for the whole test binary.
func runDemo() (dir, said string, err error) {
	d := &theDemo
	d.once.Do(func() {
		if d.dir, d.err = os.MkdirTemp("", "tapledger-demo-"); d.err != nil {
			return
		}
		var out, errs strings.Builder
		if c := run([]string{"demo", filepath.Join(d.dir, "bench")}, strings.NewReader(""), &out, &errs); c != codeDone {
			d.err = fmt.Errorf("demo ends with %d: %s", c, errs.String())
		}
		d.said = out.String()
	})
	return filepath.Join(d.dir, "bench"), d.said, d.err
}

// demo-bench DIR lays a copy of the demo's bench into DIR, and what the demo
// printed into DIR.txt.
func demoBench(ts *testscript.TestScript, neg bool, args []string) {
	from, said, err := runDemo()
	ts.Check(err)
	to := ts.MkAbs(args[0])
	ts.Check(copyBench(from, to))
	ts.Check(os.WriteFile(to+".txt", []byte(said), 0o644))
}

// copyBench copies a bench. Objects and editions are linked where the disk can
// do that: nothing writes into them in place.
func copyBench(from, to string) error {
	return filepath.WalkDir(from, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, name)
		if err != nil {
			return err
		}
		at := filepath.Join(to, rel)
		if d.IsDir() {
			return os.MkdirAll(at, 0o755)
		}
		slash := filepath.ToSlash(rel)
		if (strings.HasPrefix(slash, "ledger.git/objects/") || strings.HasPrefix(slash, "editions/")) && os.Link(name, at) == nil {
			return nil
		}
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(at, b, 0o644)
	})
}

// fill-in FILE FORM replaces {DRAW} in a file by the sample id that stands in the
// form which hand-over wrote: the laboratory copies ids from it.
func fillIn(ts *testscript.TestScript, neg bool, args []string) {
	text := ts.ReadFile(args[0])
	form := ts.ReadFile(args[1])
	for _, line := range strings.Split(form, "\n") {
		id, rest, ok := strings.Cut(line, "  ")
		step, _, has := strings.Cut(rest, ",")
		if ok && has && len(id) == 16 {
			text = strings.ReplaceAll(text, "{"+step+"}", id)
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o644))
}

// Every verb has one line, an example in its help, and a flag --json.
func TestEveryVerb(t *testing.T) {
	seen := map[string]bool{}
	for _, v := range verbs() {
		var out, errs strings.Builder
		if got := run([]string{v.name, "--help"}, strings.NewReader(""), &out, &errs); got != codeDone {
			t.Errorf("%s --help ends with %d: %s", v.name, got, errs.String())
		}
		help := out.String()
		for _, want := range []string{"usage: tapledger " + v.name, "example:\n  tapledger ", "--json", "-C folder"} {
			if !strings.Contains(help, want) {
				t.Errorf("%s --help lacks %q:\n%s", v.name, want, help)
			}
		}
		if v.says == "" || strings.ToLower(v.says[:1]) != v.says[:1] || seen[v.name] {
			t.Errorf("%s: says %q", v.name, v.says)
		}
		for _, line := range strings.Split(help, "\n") {
			if len([]rune(line)) > 130 {
				t.Errorf("%s --help: a line of %d characters: %s", v.name, len(line), line)
			}
		}
		seen[v.name] = true
	}
}

// Words that claim what nobody here can claim stand nowhere in the help.
func TestHelpClaimsNothing(t *testing.T) {
	text := usage()
	for _, v := range verbs() {
		fs := quiet(v.name)
		v.flags(fs)
		text += helpOf(v, fs)
	}
	text = strings.ReplaceAll(strings.ToLower(text), "not a certification, compliance or medical statement", "")
	for _, word := range []string{"safe", "unsafe", "pure", "purity", "healthy", "detox", "certif", "compliant", "compliance", "approved", "recommended", "toxic"} {
		if strings.Contains(text, word) {
			t.Errorf("help says %q", word)
		}
	}
}

type panics struct{}

func (panics) Write([]byte) (int, error) { panic("the writer broke") }

func TestPanicEndsWith70(t *testing.T) {
	var errs strings.Builder
	if got := run([]string{"--help"}, strings.NewReader(""), panics{}, &errs); got != codeInternal {
		t.Errorf("exit code %d, want %d", got, codeInternal)
	}
	if !strings.Contains(errs.String(), "internal: the writer broke") || !strings.Contains(errs.String(), "hint: ") {
		t.Errorf("said %q", errs.String())
	}
}

// A ledger folder that a file stands in the way of is the machine's refusal.
func TestMachineRefuses(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TAPLEDGER_HOME", filepath.Join(dir, "file", "home"))
	var out, errs strings.Builder
	if got := run([]string{"new", filepath.Join(dir, "b"), "--id", "fern", "--person", "mk"}, strings.NewReader(""), &out, &errs); got != codeMachine {
		t.Errorf("exit code %d, want %d: %s", got, codeMachine, errs.String())
	}
	if _, err := os.Stat(filepath.Join(dir, "b", "ledger.git")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("half a ledger is left behind")
	}
}

// A call that is interrupted ends with 130, and the ledger is whole.
func TestInterrupted(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no interrupt can be sent to another process there")
	}
	dir := filepath.Join(t.TempDir(), "b")
	t.Setenv("TAPLEDGER_HOME", filepath.Join(t.TempDir(), "home"))
	if got := run([]string{"new", dir, "--id", "fern", "--person", "mk"}, strings.NewReader(""), io.Discard, io.Discard); got != codeDone {
		t.Fatalf("new ends with %d", got)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// The test binary runs as the command; it waits for a checkpoint on standard input.
	c := exec.Command(self, "-test.run=TestStandIn")
	c.Env = append(os.Environ(), standIn+"="+dir)
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	if _, err := out.Read(make([]byte, 1)); err != nil { // it is up
		t.Fatal(err)
	}
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	err = c.Wait()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != codeInterrupted {
		t.Errorf("ends with %v, want %d", err, codeInterrupted)
	}
	if got := run([]string{"-C", dir, "verify"}, strings.NewReader(""), io.Discard, io.Discard); got != codeDone {
		t.Errorf("verify ends with %d", got)
	}
}

const standIn = "TAPLEDGER_TEST_STAND_IN"

// TestStandIn is the command in a process of its own, for TestInterrupted.
func TestStandIn(t *testing.T) {
	dir := os.Getenv(standIn)
	if dir == "" {
		t.Skip("only for TestInterrupted")
	}
	os.Args = []string{"tapledger", "-C", dir, "checkpoint", "--keep", "-"}
	watchSignals(func() { os.Stdout.WriteString("x") })
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
