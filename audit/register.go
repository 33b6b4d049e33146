package audit

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// RegisterFormat is the format of the files under register/.
const RegisterFormat = "register/1"

// How a run ended, in a closing.
const (
	HowClosed       = "closed"
	HowAbandoned    = "abandoned"
	HowNeverStarted = "never_started" // registered, but no record was written
)

// RunOpened is register/<run>/opened.json: written before the run's first
// record. Unit and Protocol are texts to this package.
type RunOpened struct {
	Format   string `json:"format"`
	Run      string `json:"run"`
	By       string `json:"by"`
	Made     string `json:"made"`
	Unit     string `json:"unit"`
	Protocol string `json:"protocol"`
}

// Closing is register/<run>/closed-<n>.json: how the run ended and its last
// record. never_started has seq 0 and ZeroPrev.
type Closing struct {
	Format string `json:"format"`
	Run    string `json:"run"`
	By     string `json:"by"`
	Made   string `json:"made"`
	How    string `json:"how"`
	Seq    int64  `json:"seq"`
	Record string `json:"record"` // hash of that record
	Reason string `json:"reason,omitempty"`
}

// Reopening is register/<run>/reopened-<n>.json: written before the record
// that reopens the run.
type Reopening struct {
	Format string `json:"format"`
	Run    string `json:"run"`
	By     string `json:"by"`
	Made   string `json:"made"`
	Reason string `json:"reason"`
}

// Head is register/<run>/head.json: the run's last record when main moved.
type Head struct {
	Format string `json:"format"`
	Run    string `json:"run"`
	Seq    int64  `json:"seq"`
	Record string `json:"record"`
}

// EditionNamed is register/editions/<id>.json: the commit of an edition,
// written when main moves the next time after it was published.
type EditionNamed struct {
	Format  string `json:"format"`
	Edition string `json:"edition"`
	Commit  string `json:"commit"`
}

// RunEntry is what the register says about one run.
type RunEntry struct {
	Run        string
	Opened     RunOpened
	Closings   []Closing
	Reopenings []Reopening
	Head       *Head // nil: no record was named yet
}

// Closed reports whether the run has ended and was not reopened.
func (e *RunEntry) Closed() bool { return len(e.Closings) > len(e.Reopenings) }

// lastClosing gives the newest closing; ok is false when there is none.
func (e *RunEntry) lastClosing() (c Closing, ok bool) {
	if len(e.Closings) == 0 {
		return c, false
	}
	return e.Closings[len(e.Closings)-1], true
}

// NeverStarted reports whether the run ended without a record.
func (e *RunEntry) NeverStarted() bool {
	return len(e.Closings) == 1 && e.Closings[0].How == HowNeverStarted
}

// Register is the list on main of every run that was ever opened, and how it
// ended.
type Register struct {
	Runs        map[string]*RunEntry
	Editions    map[string]string // id -> commit, as far as named
	Complaints  []string          // paths, sorted
	Recovered   []string          // paths, sorted
	Checkpoints []string          // paths of the .txt files, sorted
}

// Sorted gives the run ids in order.
func (r Register) Sorted() []string { return slices.Sorted(maps.Keys(r.Runs)) }

var (
	reRunFile   = regexp.MustCompile(`^(opened|head|(?:closed|reopened)-([1-9][0-9]{0,5}))\.json$`)
	reCheckpath = regexp.MustCompile(`^[0-9a-f]{64}\.(txt|sig)$`)
	reCountFile = regexp.MustCompile(`^[0-9]{6}\.json$`)
)

// ParseRegister reads register/ from the files of main's tree (path -> bytes;
// other paths are passed over). Every file must be canonical and known.
func ParseRegister(files map[string][]byte) (Register, error) {
	reg := Register{Runs: map[string]*RunEntry{}, Editions: map[string]string{}}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		rest, ok := strings.CutPrefix(path, "register/")
		if !ok {
			continue
		}
		dir, name, ok := strings.Cut(rest, "/")
		if !ok {
			return reg, fmt.Errorf("%s: no file may stand here", path)
		}
		if err := reg.read(dir, name, path, files[path]); err != nil {
			return reg, fmt.Errorf("%s: %w", path, err)
		}
	}
	for _, run := range reg.Sorted() {
		if err := reg.Runs[run].check(); err != nil {
			return reg, fmt.Errorf("register/%s: %w", run, err)
		}
	}
	return reg, nil
}

// read takes in one file of the register.
func (r *Register) read(dir, name, path string, data []byte) error {
	switch dir {
	case "complaints", "recovered":
		if !reCountFile.MatchString(name) {
			return fmt.Errorf("the name must be six digits and .json")
		}
		if c, err := CanonicalJSON(data); err != nil || string(c) != string(data) {
			return fmt.Errorf("not canonical JSON")
		}
		if dir == "complaints" {
			r.Complaints = append(r.Complaints, path)
		} else {
			r.Recovered = append(r.Recovered, path)
		}
		return nil
	case "checkpoints":
		if !reCheckpath.MatchString(name) {
			return fmt.Errorf("the name must be the checkpoint's 64 digits and .txt or .sig")
		}
		if hex, isText := strings.CutSuffix(name, ".txt"); isText {
			if Hash(data) != "sha256:"+hex {
				return fmt.Errorf("the name is not the hash of the text")
			}
			r.Checkpoints = append(r.Checkpoints, path)
		}
		return nil
	case "editions":
		var e EditionNamed
		if err := readCanonical(data, &e); err != nil {
			return err
		}
		if e.Format != RegisterFormat || e.Edition+".json" != name || CheckID(e.Edition) != nil || !reObject.MatchString(e.Commit) {
			return fmt.Errorf("format, edition or commit is wrong")
		}
		r.Editions[e.Edition] = e.Commit
		return nil
	}
	if err := CheckRun(dir); err != nil {
		return err
	}
	return r.readRun(dir, name, data)
}

func (r *Register) readRun(run, name string, data []byte) error {
	m := reRunFile.FindStringSubmatch(name)
	if m == nil {
		return fmt.Errorf("unknown file")
	}
	e := r.Runs[run]
	if e == nil {
		e = &RunEntry{Run: run}
		r.Runs[run] = e
	}
	var format, named, by, made string
	n, _ := strconv.Atoi(m[2])
	switch {
	case m[1] == "opened":
		if err := readCanonical(data, &e.Opened); err != nil {
			return err
		}
		format, named, by, made = e.Opened.Format, e.Opened.Run, e.Opened.By, e.Opened.Made
	case m[1] == "head":
		e.Head = &Head{}
		if err := readCanonical(data, e.Head); err != nil {
			return err
		}
		if e.Head.Seq < 1 || !reHash.MatchString(e.Head.Record) {
			return fmt.Errorf("seq or record is wrong")
		}
		format, named, by, made = e.Head.Format, e.Head.Run, BenchPrincipal, Time(zeroTime)
	case strings.HasPrefix(m[1], "closed"):
		var c Closing
		if err := readCanonical(data, &c); err != nil {
			return err
		}
		if err := c.check(); err != nil {
			return err
		}
		e.Closings = putAt(e.Closings, n, c)
		format, named, by, made = c.Format, c.Run, c.By, c.Made
	default:
		var c Reopening
		if err := readCanonical(data, &c); err != nil {
			return err
		}
		e.Reopenings = putAt(e.Reopenings, n, c)
		format, named, by, made = c.Format, c.Run, c.By, c.Made
	}
	if _, err := ParseTime(made); err != nil {
		return err
	}
	if format != RegisterFormat || named != run {
		return fmt.Errorf("format %q or run %q is wrong", clip(format), clip(named))
	}
	return CheckID(by)
}

// putAt puts item n (from 1); files are read in the order of their names, in
// which 10 stands before 2. A gap stays a zero value, which check refuses.
func putAt[T any](list []T, n int, v T) []T {
	for len(list) < n && n < 10_000 {
		var zero T
		list = append(list, zero)
	}
	if n <= len(list) {
		list[n-1] = v
	}
	return list
}

func (c Closing) check() error {
	switch c.How {
	case HowClosed, HowAbandoned:
		if c.Seq < 1 || !reHash.MatchString(c.Record) || c.Record == ZeroPrev {
			return fmt.Errorf("a closing names seq and hash of its record")
		}
	case HowNeverStarted:
		if c.Seq != 0 || c.Record != ZeroPrev {
			return fmt.Errorf("never_started goes with seq 0 and zeros")
		}
	default:
		return fmt.Errorf("how %q is not closed, abandoned or never_started", clip(c.How))
	}
	return nil
}

// check says what is missing in the entry of one run.
func (e *RunEntry) check() error {
	if e.Opened.Format == "" {
		return fmt.Errorf("opened.json is missing")
	}
	if n := len(e.Closings) - len(e.Reopenings); n != 0 && n != 1 {
		return fmt.Errorf("%d closings and %d reopenings do not follow each other", len(e.Closings), len(e.Reopenings))
	}
	for i, c := range e.Closings {
		if c.Format == "" {
			return fmt.Errorf("closed-%d.json is missing", i+1)
		}
		if c.How == HowNeverStarted && (len(e.Closings) > 1 || e.Head != nil) {
			return fmt.Errorf("closed-%d.json says never_started, other files name records", i+1)
		}
	}
	for i, c := range e.Reopenings {
		if c.Format == "" {
			return fmt.Errorf("reopened-%d.json is missing", i+1)
		}
	}
	return nil
}
