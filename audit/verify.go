package audit

import "fmt"

// Options says what Verify looks at beyond the ledger itself.
type Options struct {
	// Root is the fingerprint of the key that signed main's root commit, as
	// new printed it. "" leaves open whose ledger this is.
	Root string
	// Since holds checkpoint files (text, and signature if there is one) that
	// someone else kept: nothing they name may be cut or rewritten.
	Since [][]byte
	// Bodies lists the body formats that can be decided; nil: body/1.
	Bodies []string
	// Decide folds and decides one run again (--deep); nil: not done.
	Decide func(o Objects, run string, recs []Record) []Fault
	// Edition computes one edition again; nil: not done.
	Edition func(o Objects, edition, commit string) []Fault
	// Progress is called after each run, with runs done and runs in all; may be nil.
	Progress func(done, all int)
}

// Report is what Verify found.
type Report struct {
	Bench     string  `json:"bench"`
	Root      string  `json:"root"`         // fingerprint of the key that signed main's root
	RootKnown string  `json:"root_checked"` // yes, no
	Main      string  `json:"main"`
	Simulated string  `json:"simulated"` // yes, no, "" when the root does not say
	Changes   int     `json:"changes"`   // commits on main
	Runs      int     `json:"runs"`
	Records   int64   `json:"records"`
	Editions  int     `json:"editions"`
	Deep      string  `json:"deep"` // yes, no
	Faults    []Fault `json:"faults"`
	Notes     []Fault `json:"notes"` // no damage, but a reader should know
}

// Good reports whether nothing bad was found.
func (r *Report) Good() bool { return len(r.Faults) == 0 }

// Verify reads everything and lists every bad item. The error is only for a
// repository that cannot be listed at all.
func Verify(o Objects, opt Options) (*Report, error) {
	return nil, fmt.Errorf("not built yet")
}
