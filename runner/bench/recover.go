package bench

import (
	"fmt"

	"tapledger/audit"
	"tapledger/runner"
)

// recover sets right what an earlier process left behind: what a crash did to
// files, and openings, closings and reopenings that were half done. What was
// done goes on record. The lock is held.
func (b *Bench) recover() error {
	about := map[string][]string{} // run -> what was done; "" for no run
	if b.store.Unclean() {
		done, err := b.store.Recover(b.openRefs()...)
		if err != nil {
			return err
		}
		if len(done.Damage) > 0 {
			return fmt.Errorf("%w; and %d more: run verify, it lists every one", done.Damage[0], len(done.Damage)-1)
		}
		for _, act := range done.Acts {
			about[runOf(act.Ref)] = append(about[runOf(act.Ref)], act.Did)
		}
	}
	m, err := b.Main()
	if err != nil {
		return err
	}
	for _, run := range m.Register.Sorted() {
		did, err := b.finish(m, run)
		if err != nil {
			return err
		}
		if did != "" {
			about[run] = append(about[run], did)
			b.Recovered = append(b.Recovered, run+": "+did)
			if m, err = b.Main(); err != nil {
				return err
			}
		}
	}
	return b.recordRecovery(m, about)
}

func runOf(ref string) string {
	if len(ref) > len(audit.RefRuns) && ref[:len(audit.RefRuns)] == audit.RefRuns {
		return ref[len(audit.RefRuns):]
	}
	return ""
}

// openRefs names main and the runs that have not ended: their tails are read
// and hashed again.
func (b *Bench) openRefs() []string {
	refs := []string{mainRef}
	m, err := b.Main()
	if err != nil {
		return refs // Recover says what is wrong with it
	}
	for _, run := range m.Register.Sorted() {
		if !m.Register.Runs[run].Closed() {
			refs = append(refs, audit.RefRuns+run)
		}
	}
	return refs
}

// finish completes a half-done opening, closing or reopening of one run and
// says what it did.
func (b *Bench) finish(m *Main, run string) (string, error) {
	e := m.Register.Runs[run]
	st, err := b.stateIfAny(run)
	if err != nil {
		return "", err
	}
	switch {
	case st == nil && e.NeverStarted():
		return "", nil
	case st == nil && e.Head != nil:
		return "", fmt.Errorf("run %s is gone: main names record %d of it: run verify", run, e.Head.Seq)
	case st == nil:
		return "an opening that was cut short is registered as never started", b.neverStarted(m, run)
	case e.Head != nil && !reaches(st, *e.Head):
		return "", fmt.Errorf("run %s ends at record %d and does not hold record %d that main names: run verify", run, st.Seq, e.Head.Seq)
	}
	ended := st.Phase == runner.PhaseClosed || st.Phase == runner.PhaseAbandoned
	switch {
	case ended && !e.Closed() && len(e.Reopenings) > 0 && closings(st) == len(e.Closings):
		_, _, err := b.append(m, run, []Propose{reopened(e.Reopenings[len(e.Reopenings)-1].Reason)}, nil)
		return "a reopening that was cut short is finished", err
	case ended && !e.Closed():
		return "a closing that was cut short is registered", b.registerEnd(m, run, st, reasonOf(st))
	}
	return "", nil
}

// reaches reports whether a run still holds the record that main names.
func reaches(st *runner.State, h audit.Head) bool {
	if h.Seq > st.Seq {
		return false
	}
	b, err := st.Records[h.Seq-1].Bytes()
	return err == nil && audit.Hash(b) == h.Record
}

// closings counts the records that ended the run.
func closings(st *runner.State) int {
	n := 0
	for _, r := range st.Records {
		if r.Closes() {
			n++
		}
	}
	return n
}

func reasonOf(st *runner.State) string {
	var reason string
	for _, r := range st.Records {
		var body runner.Abandoned
		if r.Kind == runner.KindAbandoned && decode(r, &body) {
			reason = body.Reason
		}
	}
	return reason
}

func (b *Bench) neverStarted(m *Main, run string) error {
	s, err := b.actor(m)
	if err != nil {
		return err
	}
	c := audit.Closing{Run: run, By: s.Principal(), Made: audit.Time(b.mainTime(m)), How: audit.HowNeverStarted, Seq: 0, Record: audit.ZeroPrev,
		Reason: "the program ended between the register and the first record"}
	path, data, err := c.File(1)
	if err != nil {
		return err
	}
	_, err = b.commitMain(m, change{put: map[string][]byte{path: data}, subject: "Run " + run + " was never started"})
	return err
}

// recordRecovery writes what was done: into the run that it touched, or into
// register/recovered when it touched none or the run takes no more records.
func (b *Bench) recordRecovery(m *Main, about map[string][]string) error {
	var rest []string
	for _, run := range m.Register.Sorted() {
		did := about[run]
		if len(did) == 0 {
			continue
		}
		st, err := b.stateIfAny(run)
		if err != nil {
			return err
		}
		if st == nil {
			rest = append(rest, prefixed(run, did)...)
			continue
		}
		propose := func(*runner.State) (runner.Proposal, error) {
			return runner.Proposal{Kind: runner.KindRecovered, Body: runner.Recovered{Common: common(), Did: did}}, nil
		}
		if _, _, err := b.append(m, run, []Propose{propose}, nil); err != nil {
			return err
		}
	}
	rest = append(rest, about[""]...)
	if len(rest) == 0 {
		return nil
	}
	b.Recovered = append(b.Recovered, about[""]...)
	s, err := b.actor(m)
	if err != nil {
		return err
	}
	did := make([]any, len(rest))
	for i, x := range rest {
		did[i] = x
	}
	data, err := audit.Marshal(map[string]any{"by": s.Principal(), "did": did, "format": audit.RegisterFormat, "made": audit.Time(b.now)})
	if err != nil {
		return err
	}
	_, err = b.commitMain(m, change{put: map[string][]byte{countFile("recovered", m.Register.Recovered): data}, subject: "Set right what was left half done"})
	return err
}

func prefixed(run string, did []string) []string {
	out := make([]string, len(did))
	for i, x := range did {
		out[i] = run + ": " + x
	}
	return out
}
