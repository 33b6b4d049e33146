package bench

import (
	"errors"
	"fmt"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/runner"
)

// change is one commit on main to be made: files to put, and what the commit
// says. The heads of all runs that moved since are added by itself.
type change struct {
	put     map[string][]byte
	subject string
	text    string
	by      audit.Signer // nil: the person who acts
}

// commitMain makes one commit on main. The lock is held.
func (b *Bench) commitMain(m *Main, c change) (*Main, error) {
	s := c.by
	if s == nil {
		var err error
		if s, err = b.actor(m); err != nil {
			return nil, err
		}
	}
	put, err := audit.RegisterFiles(b.store, m.Commit)
	if err != nil {
		return nil, err
	}
	for path, data := range c.put {
		put[path] = data
	}
	hash, objects, err := audit.NewMainCommit(b.store, audit.MainSpec{Parent: m.Commit, Put: put, Bench: m.Bench.ID,
		Author: s.Principal(), Date: b.mainTime(m), Subject: c.subject, Text: c.text}, s)
	if err != nil {
		return nil, err
	}
	if err := b.store.Put(objects...); err != nil {
		return nil, err
	}
	if err := b.store.SetRef(mainRef, m.Commit, hash); err != nil {
		if errors.Is(err, store.ErrMoved) {
			return nil, fmt.Errorf("%w: main was moved by another program while the lock was held here", store.ErrBusy)
		}
		return nil, err
	}
	return b.Main()
}

// countFile gives the path of the next file of register/<dir>/: six digits.
func countFile(dir string, have []string) string {
	return fmt.Sprintf("register/%s/%06d.json", dir, len(have)+1)
}

// Complain puts a complaint that is about no run on main.
func (b *Bench) Complain(c runner.Complaint) error {
	return b.write(func(m *Main) error {
		s, err := b.actor(m)
		if err != nil {
			return err
		}
		if c.Text == "" || c.From == "" {
			return &runner.Refusal{Says: "a complaint needs who it is from and what it says", Hint: "--from maker, reader, laboratory or other, and the text"}
		}
		if !runner.ComplaintFrom(c.From) {
			return &runner.Refusal{Says: fmt.Sprintf("a complaint from %.40q", c.From), Hint: "maker, reader, laboratory or other; no names"}
		}
		if err := b.notPrivate(c.Text, c.About); err != nil {
			return err
		}
		data, err := audit.Marshal(map[string]any{"about": c.About, "by": s.Principal(), "format": audit.RegisterFormat,
			"from": c.From, "made": audit.Time(b.now), "text": c.Text})
		if err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		_, err = b.commitMain(m, change{put: map[string][]byte{countFile("complaints", m.Register.Complaints): data},
			subject: "Complaint from " + c.From})
		return err
	})
}
