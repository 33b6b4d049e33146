package bench

import (
	"strings"

	"tapledger/audit"
	"tapledger/runner"
)

// VerifyOptions says how far verify goes.
type VerifyOptions struct {
	Deep     bool
	Root     string
	Since    [][]byte
	Edition  func(o audit.Objects, edition, commit string) []audit.Fault
	Progress func(done, all int)
}

// Verified is what verify found, in the ledger and beside it.
type Verified struct {
	*audit.Report
	Attachments AttachmentCount `json:"attachments"`
	Settings    []string        `json:"settings,omitempty"` // of git, that could harm the ledger
}

// Verify reads everything and writes nothing. It works on a ledger that Main
// cannot read, too.
func (b *Bench) Verify(opt VerifyOptions) (*Verified, error) {
	o := audit.Options{Root: opt.Root, Since: opt.Since, Progress: opt.Progress}
	if opt.Deep {
		o.Decide, o.Edition = runner.Deep(b.store), opt.Edition
	}
	rep, err := audit.Verify(b.store, o)
	if err != nil {
		return nil, err
	}
	v := &Verified{Report: rep}
	if v.Settings, err = b.store.Settings(); err != nil {
		return nil, err
	}
	if v.Attachments, err = b.CheckAttachments(); err != nil {
		return v, nil // main cannot be read: the report says so
	}
	for _, c := range v.Attachments.Changed {
		rep.Faults = append(rep.Faults, audit.Fault{Code: "attachment_changed", Where: "attachments/" + strings.TrimPrefix(c, "sha256:"),
			Says:  "the file is not the one that was attached, or its salt is not",
			Means: "The record stands; the file beside it proves nothing.", Do: "Bring back the file from a copy, or take it away: missing bytes are no damage."})
	}
	return v, nil
}
