package audit

import (
	"errors"
	"fmt"
	"strings"
)

// Fault is one bad item of a ledger: what is wrong, where, what that means and
// what to do. Code is one of the words of Codes.
type Fault struct {
	Code  string `json:"code"`
	Where string `json:"where"` // ref, commit, file or record
	Says  string `json:"says"`
	Means string `json:"means,omitempty"`
	Do    string `json:"do"`
}

// String is the fault in one line.
func (f Fault) String() string {
	s := fmt.Sprintf("%s: %s: %s", f.Where, f.Code, f.Says)
	if f.Means != "" {
		s += ". " + f.Means
	}
	if f.Do != "" {
		s += " " + f.Do
	}
	return printable(s)
}

// printable writes control characters as escapes: names come from a ledger
// that may be hostile, and a terminal obeys them.
func printable(s string) string {
	var b strings.Builder
	for _, r := range s {
		if r < 0x20 || r >= 0x7f && r <= 0x9f {
			fmt.Fprintf(&b, "\\x%02x", r)
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// CodeText says what a fault's code means and what to do about it.
type CodeText struct{ Code, Means, Do string }

const (
	doCopy   = "Compare with a copy: a backup, another bench, the checkpoint that the laboratory holds."
	doAsk    = "Ask who wrote it, and keep this ledger as it is: do not repair it by hand."
	doReopen = "Open the bench with any verb that writes: start-up finishes what was half done, on record."
)

// Codes lists every code that Verify gives, in the order of FORMAT.md.
func Codes() []CodeText {
	return []CodeText{
		{"object_missing", "Something that was recorded is no longer there.", doCopy},
		{"object_hash", "Bytes were changed after they were stored.", doCopy},
		{"object_type", "An object of another kind lies where this one should.", doCopy},
		{"ref_bad", "A ref of the ledger cannot be read as one commit.", doCopy},
		{"ref_unknown", "A branch stands in the ledger that is not part of it.", "Move it elsewhere: verify says nothing about it."},
		{"commit_bad", "A commit is not as this format writes it.", doAsk},
		{"tree_bad", "A tree is not as this format writes it.", doAsk},
		{"tree_extra", "A tree holds what nothing vouches for, or lacks what must be there.", doAsk},
		{"trailer", "The signed message names other bytes than the commit holds.", doCopy},
		{"signature", "The signature does not fit the commit.", doAsk},
		{"unlisted_key", "Someone signed whose key the bench had not listed.", doAsk},
		{"wrong_key", "It was signed with another person's key than it names.", doAsk},
		{"key_ended", "A key was used after it had ended; a stolen key looks like this.", doAsk},
		{"author", "The commit names another author, bench or committer than its content and its key.", doAsk},
		{"date", "The commit's date is not the time of its record.", doAsk},
		{"time_back", "Times run backwards where they must rise.", doAsk},
		{"record_bad", "A record is not as this format writes it.", doCopy},
		{"record_format", "The record has a format that this version does not know.", "Verify with a newer version of the tool."},
		{"chain_prev", "The record does not follow the one before it: something was changed, put in or taken out.", doCopy},
		{"chain_seq", "The numbers of the records have a gap or a repeat.", doCopy},
		{"chain_run", "The record belongs to another run.", doAsk},
		{"chain_parent", "The commits of the run are not one line from the main commit that opened it.", doAsk},
		{"main_unknown", "The record says it saw a main commit that is not on main.", doAsk},
		{"main_back", "The record says it saw an older main commit than the record before it.", doAsk},
		{"backdated", "A main commit that this record says it had not seen had already named the run's head below it.", doAsk},
		{"root_unsigned", "Main's first commit is not signed by a key in its own list: nothing below it can be trusted.", doAsk},
		{"root_other", "This ledger was begun with another key than you expect.", "Ask the bench for its root fingerprint, not by way of this ledger."},
		{"main_missing", "Without main there is no register and no list of keys.", doCopy},
		{"main_chain", "Main is not one line of commits.", doAsk},
		{"main_file", "Main holds a file that is not part of the format, or one was changed that never changes.", doAsk},
		{"signers_bad", "The list of keys cannot be read, or a line went that must stay.", doAsk},
		{"signers_change", "The list of keys was changed by someone who may not.", doAsk},
		{"bench_bad", "Main does not say whose bench this is, and whether it is simulated.", doAsk},
		{"register_bad", "A file of the register is not as this format writes it, or was changed.", doAsk},
		{"run_missing", "A run that was opened has no records: it was deleted, or its opening was interrupted.", "If opening was interrupted just now, open the bench with any verb that writes; else look for a copy."},
		{"run_unregistered", "A run has records but was never entered in the register.", doAsk},
		{"run_cut", "Records were cut off the end of the run: main names a later one.", doCopy},
		{"head_differs", "Main names this record with other bytes.", doCopy},
		{"after_closed", "The run was closed; this record could follow only after reopening it.", doAsk},
		{"reopen", "The run was reopened without an entry in the register, or was not closed.", doAsk},
		{"closing_differs", "The register says that the run ended in another way than its records.", doAsk},
		{"closing_tree", "The sheet of all records at closing differs from the records.", doAsk},
		{"edition_parents", "The edition does not account for every run that was registered.", doAsk},
		{"edition_missing", "An edition that main, or a later edition, names is gone or moved.", doCopy},
		{"edition_file", "A file of the edition is not the one that its manifest lists.", doCopy},
		{"edition_evidence", "A record shown as evidence is not the one in the run.", doCopy},
		{"checkpoint_bad", "A checkpoint cannot be read, or its signature does not fit.", "Compare it with what its keeper holds."},
		{"checkpoint_main", "The checkpoint names a main commit that is gone: main was cut or rewritten.", doCopy},
		{"checkpoint_cut", "Records that the checkpoint names were cut off.", doCopy},
		{"checkpoint_differs", "The checkpoint names other records than the ledger holds: something was rewritten.", doCopy},
	}
}

// Notes lists every code of a note: no damage, but a reader should know.
func Notes() []CodeText {
	return []CodeText{
		{"newer_body", "Written by a newer version: chain and signatures hold, but this version cannot decide.", "Verify with a newer version of the tool."},
		{"half_closed", "The run's last record closes it, main does not say so yet.", doReopen},
		{"half_reopened", "Main says that the run was reopened, its records do not yet.", doReopen},
		{"root_unchecked", "The ledger is consistent in itself; whose it is was not checked.", "Give the root fingerprint that the bench told you."},
		{"tail_open", "Records after the last commit on main could be cut off unseen, except against a checkpoint that someone else holds.", "Compare with a kept checkpoint."},
		{"other_ref", "A ref outside refs/heads is no part of the ledger and was not read.", ""},
	}
}

var codeTexts = func() map[string]CodeText {
	m := map[string]CodeText{}
	for _, c := range append(Codes(), Notes()...) {
		m[c.Code] = c
	}
	return m
}()

// NewFault gives a fault with the meaning and advice of its code.
func NewFault(code, where, format string, args ...any) Fault {
	t := codeTexts[code]
	return Fault{Code: code, Where: where, Says: fmt.Sprintf(format, args...), Means: t.Means, Do: t.Do}
}

// damage is an error with the code of its fault.
type damage struct {
	code string
	err  error
}

func (d *damage) Error() string { return d.err.Error() }
func (d *damage) Unwrap() error { return d.err }

// Damaged gives an error that carries the code of its fault, such as object_hash
// for an object whose bytes cannot be read; an implementation of Objects may
// use it.
func Damaged(code, format string, args ...any) error {
	return &damage{code, fmt.Errorf(format, args...)}
}

// codeOf gives the code of the innermost damage in an error.
func codeOf(err error, otherwise string) string {
	var d *damage
	for e := err; errors.As(e, &d); e = d.err {
		otherwise = d.code
	}
	return otherwise
}

// CodeOf gives the code of an error that reading a ledger gave, or "" when it
// names no damage.
func CodeOf(err error) string { return codeOf(err, "") }
