package assess

import (
	"tapledger/rules/quantity"
	"tapledger/runner"
)

// Range is from the lowest to the highest of all readings that count of a
// bench measurement, the instrument's uncertainty left aside: "feed_pressure"
// takes in "feed_pressure_after" where that is read too. False when nothing was
// read.
func Range(st *runner.State, name string) (quantity.Interval, bool) {
	l := &look{st: st, p: st.Pinned.Protocol}
	var out quantity.Interval
	found := false
	for _, gives := range []string{name, name + "_after"} {
		for _, s := range l.p.Steps() {
			a, ok := asked(s, gives)
			if !ok {
				continue
			}
			r := l.reading(s, a)
			if !r.ok {
				continue
			}
			if !found {
				out, found = quantity.Point(r.q), true
				continue
			}
			if r.q.Dim != out.Dim {
				continue
			}
			if r.q.Base.Cmp(out.Lo) < 0 {
				out.Lo = r.q.Base
			}
			if r.q.Base.Cmp(out.Hi) > 0 {
				out.Hi = r.q.Base
			}
		}
	}
	return out, found
}
