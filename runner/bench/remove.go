package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"tapledger/audit"
	"tapledger/runner"
)

// Remove puts on record that an attachment's bytes are gone, then deletes the
// bytes and their salt, without which nobody can tell any more what the
// commitment stood for. Chain, verify and replay stay valid. which is
// the number of the record that it came with, or its commitment's first digits. A removal that
// was cut short after its record is finished by saying it again; the record is
// then not written twice.
func (b *Bench) Remove(run, which, reason string) (rec audit.Record, st *runner.State, err error) {
	if strings.TrimSpace(reason) == "" {
		return rec, nil, &runner.Refusal{Says: "removing a file needs a reason", Hint: "it stays on record for good: --reason TEXT"}
	}
	if st, err = b.State(run); err != nil {
		return rec, nil, err
	}
	commitment, err := findAttachment(st.Records, which)
	if err != nil {
		return rec, nil, err
	}
	for _, r := range st.Records {
		var body runner.Removed
		if r.Kind == runner.KindRemoved && decode(r, &body) && body.Commitment == commitment {
			return r, st, b.dropBytes(commitment)
		}
	}
	if rec, st, err = b.Append(run, fixed(runner.KindRemoved, runner.Removed{Common: common(), Commitment: commitment, Reason: reason})); err != nil {
		return rec, nil, err
	}
	return rec, st, b.dropBytes(commitment)
}

// findAttachment finds the one attachment of a run that which names: by the
// number of the record that it came with, or by its commitment's first digits.
func findAttachment(recs []audit.Record, which string) (string, error) {
	digits := strings.TrimPrefix(which, "sha256:")
	var found, all []string
	for _, r := range recs {
		for _, a := range attachments([]audit.Record{r}) {
			hex := strings.TrimPrefix(a.Commitment, "sha256:")
			all = append(all, fmt.Sprintf("%d (%s %s)", r.Seq, hex[:6], a.Name))
			if fmt.Sprint(r.Seq) == which || len(digits) >= 6 && strings.HasPrefix(hex, digits) {
				found = append(found, a.Commitment)
			}
		}
	}
	if len(found) != 1 {
		return "", &runner.Refusal{Says: fmt.Sprintf("%q names %d attachments of this run, not one", which, len(found)),
			Hint: "name its record, or the first 6 digits or more of its commitment; there are: " + strings.Join(all, ", ")}
	}
	return found[0], nil
}

// dropBytes deletes an attachment's bytes first, then the salt.
func (b *Bench) dropBytes(commitment string) error {
	name := filepath.Join(b.Dir, attachmentsDir, strings.TrimPrefix(commitment, "sha256:"))
	for _, file := range []string{name, name + ".salt"} {
		if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}
