package audit

import "fmt"

// Fault is one bad item of a ledger: what is wrong, where, what that means and
// what to do. Code is one of the words listed in FORMAT.md.
type Fault struct {
	Code  string `json:"code"`
	Where string `json:"where"` // ref, commit, file or record
	Says  string `json:"says"`
	Do    string `json:"do"`
}

// String is the fault in one line.
func (f Fault) String() string {
	return fmt.Sprintf("%s: %s: %s; %s", f.Where, f.Code, f.Says, f.Do)
}
