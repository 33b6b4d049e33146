package runner

import (
	"errors"
	"fmt"

	"tapledger/audit"
)

// Deep gives the function by which verify --deep folds and decides a run again
// from nothing but its records and the documents on main when it was opened.
// Reading documents is what o is for; the inner function prefers the objects
// that it is given.
func Deep(o audit.Objects) func(o audit.Objects, run string, recs []audit.Record) []audit.Fault {
	outer := o
	return func(o audit.Objects, run string, recs []audit.Record) []audit.Fault {
		if o == nil {
			o = outer
		}
		if len(recs) == 0 {
			return nil
		}
		p, err := PinFrom(o, recs[0])
		if err != nil {
			return []audit.Fault{deepFault(run, 1, "documents", err.Error(), "the run cannot be decided again without the documents that it pins; fetch main from another copy")}
		}
		if _, err := Fold(p, recs); err != nil {
			return []audit.Fault{foldFault(run, err)}
		}
		return nil
	}
}

// PinFrom resolves the documents of a run from its opened record, out of main's
// tree at the commit that the record names.
func PinFrom(o audit.Objects, opened audit.Record) (*Pinned, error) {
	body, err := DecodeBody(opened)
	if err != nil {
		return nil, err
	}
	b, ok := body.(*Opened)
	if !ok {
		return nil, &Damage{Run: opened.Run, Seq: opened.Seq, Code: "order", Says: fmt.Sprintf("a run begins with an opened record, not with %s", opened.Kind)}
	}
	files, err := audit.ReadFiles(o, opened.Main)
	if err != nil {
		return nil, fmt.Errorf("main at %s: %w", opened.Main, err)
	}
	pins := *b
	pins.Common = Common{Format: BodyFormat}
	return Pin(files, opened.Run, pins)
}

func foldFault(run string, err error) audit.Fault {
	var newer *Newer
	var damage *Damage
	switch {
	case errors.As(err, &newer):
		return deepFault(run, newer.Seq, "newer", newer.Error(), "chain and signatures were checked; use a newer version to decide it")
	case errors.As(err, &damage):
		do := "compare with another copy of the ledger; a record that was changed does not match its commit"
		if damage.Code == "decisions" {
			do = "compare with another copy; if every copy has it, the record was written by something else than this tool"
		}
		return deepFault(run, damage.Seq, damage.Code, damage.Says, do)
	}
	return deepFault(run, 0, "fold", err.Error(), "")
}

func deepFault(run string, seq int64, code, says, do string) audit.Fault {
	return audit.Fault{Code: "deep_" + code, Where: fmt.Sprintf("runs/%s record %d", run, seq), Says: says, Do: do}
}
