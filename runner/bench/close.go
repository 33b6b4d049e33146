package bench

import (
	"tapledger/audit"
	"tapledger/runner"
)

// CloseRun ends a run that was carried out: the record first, then main, then
// its objects go into one pack.
func (b *Bench) CloseRun(run string) (*runner.State, error) {
	return b.end(run, runner.KindClosed, runner.Closed{Common: common()}, "")
}

// AbandonRun ends a run that will not be carried out.
func (b *Bench) AbandonRun(run, reason string) (*runner.State, error) {
	return b.end(run, runner.KindAbandoned, runner.Abandoned{Common: common(), Reason: reason}, reason)
}

func common() runner.Common { return runner.Common{Format: runner.BodyFormat} }

func (b *Bench) end(run, kind string, body any, reason string) (st *runner.State, err error) {
	err = b.write(func(m *Main) error {
		if kind == runner.KindAbandoned && reason == "" {
			return &runner.Refusal{Says: "abandoning a run needs a reason", Hint: "the register keeps it for good: --reason TEXT"}
		}
		propose := func(*runner.State) (runner.Proposal, error) { return runner.Proposal{Kind: kind, Body: body}, nil }
		if _, st, err = b.append(m, run, []Propose{propose}, nil); err != nil {
			return err
		}
		if err := b.registerEnd(m, run, st, reason); err != nil {
			return err
		}
		return b.packRun(run)
	})
	return st, err
}

// registerEnd writes the closing of a run whose last record ends it.
func (b *Bench) registerEnd(m *Main, run string, st *runner.State, reason string) error {
	how := audit.HowClosed
	if st.Phase == runner.PhaseAbandoned {
		how = audit.HowAbandoned
	}
	s, err := b.actor(m)
	if err != nil {
		return err
	}
	last := st.Records[len(st.Records)-1]
	for i := len(st.Records) - 1; i >= 0 && !last.Closes(); i-- {
		last = st.Records[i] // records such as a report may follow one that closes
	}
	data, err := last.Bytes()
	if err != nil {
		return err
	}
	c := audit.Closing{Run: run, By: s.Principal(), Made: audit.Time(b.mainTime(m)), How: how, Seq: last.Seq, Record: audit.Hash(data), Reason: reason}
	path, file, err := c.File(len(m.Register.Runs[run].Closings) + 1)
	if err != nil {
		return err
	}
	word := map[string]string{audit.HowClosed: "Close", audit.HowAbandoned: "Abandon"}[how]
	_, err = b.commitMain(m, change{put: map[string][]byte{path: file}, subject: word + " run " + run})
	return err
}

// packRun puts all objects of a run into one pack.
func (b *Bench) packRun(run string) error {
	head, err := b.store.Ref(audit.RefRuns + run)
	if err != nil {
		return err
	}
	_, commits, err := audit.ReadRun(b.store, head)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	var hashes []string
	var walk func(hash string) error
	walk = func(hash string) error {
		if seen[hash] {
			return nil
		}
		seen[hash] = true
		hashes = append(hashes, hash)
		typ, data, err := b.store.Object(hash)
		if err != nil || typ != "tree" {
			return err
		}
		entries, err := audit.ParseTree(data)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if err := walk(e.Hash); err != nil {
				return err
			}
		}
		return nil
	}
	for _, c := range commits {
		hashes = append(hashes, c.Hash)
		if err := walk(c.Tree); err != nil {
			return err
		}
	}
	return b.store.Pack(hashes)
}

// ReopenRun takes a closed run up again: main first, then the record.
func (b *Bench) ReopenRun(run, reason string) (st *runner.State, err error) {
	err = b.write(func(m *Main) error {
		was, err := b.State(run)
		if err != nil {
			return err
		}
		if was.Phase != runner.PhaseClosed {
			return &runner.Refusal{Says: "run " + run + " is " + was.Phase + ", not closed", Hint: "only a closed run can be reopened"}
		}
		if reason == "" {
			return &runner.Refusal{Says: "reopening a run needs a reason", Hint: "--reason TEXT"}
		}
		s, err := b.actor(m)
		if err != nil {
			return err
		}
		r := audit.Reopening{Run: run, By: s.Principal(), Made: audit.Time(b.mainTime(m)), Reason: reason}
		path, data, err := r.File(len(m.Register.Runs[run].Reopenings) + 1)
		if err != nil {
			return err
		}
		if m, err = b.commitMain(m, change{put: map[string][]byte{path: data}, subject: "Reopen run " + run}); err != nil {
			return err
		}
		_, st, err = b.append(m, run, []Propose{reopened(reason)}, nil)
		return err
	})
	return st, err
}

func reopened(reason string) Propose {
	return func(*runner.State) (runner.Proposal, error) {
		return runner.Proposal{Kind: runner.KindReopened, Body: runner.Reopened{Common: common(), Reason: reason}}, nil
	}
}
