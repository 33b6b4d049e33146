package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"tapledger/audit"
	"tapledger/runner"
)

// Classes of attachments. Photos and reports are private unless somebody says
// otherwise: they carry places, names and signatures.
const (
	ClassPrivate  = "private"
	ClassRedacted = "redacted"
	ClassPublic   = "public"
)

const attachmentsDir = "attachments"

// commitmentForm is what a commitment looks like. It names a file, so nothing
// else may reach the disk, whatever a ledger says.
var commitmentForm = regexp.MustCompile(`^sha256:[0-9a-f]{64}$`)

// Sealed is a file that is about to be attached: what the record will say, and
// the bytes and salt that are kept outside the ledger.
type Sealed struct {
	Attachment runner.Attachment
	data, salt []byte
	dir        string
}

// SealSpec says what a file is.
type SealSpec struct {
	Data  []byte
	Class string // "" is private
	Media string // "" is told from the bytes
	Name  string // what it shows
	Of    string // redacted: the commitment of its original
}

// Seal makes the salted commitment of a file. Nothing is written before the
// record that names it is about to be.
func (b *Bench) Seal(spec SealSpec) (*Sealed, error) {
	m, err := b.Main()
	if err != nil {
		return nil, err
	}
	if spec.Class == "" {
		spec.Class = ClassPrivate
	}
	if spec.Class != ClassPrivate && spec.Class != ClassRedacted && spec.Class != ClassPublic {
		return nil, &runner.Refusal{Says: fmt.Sprintf("an attachment's class %q is not private, redacted or public", spec.Class)}
	}
	if len(spec.Data) == 0 {
		return nil, &runner.Refusal{Says: "the file to attach is empty"}
	}
	if spec.Media == "" {
		spec.Media, _, _ = strings.Cut(http.DetectContentType(spec.Data), ";")
	}
	now, err := b.Now()
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(spec.Data)
	s := &Sealed{data: spec.Data, dir: filepath.Join(b.Dir, attachmentsDir),
		salt: m.entropy(16, "salt", hex.EncodeToString(sum[:]), spec.Class, audit.Time(now))}
	s.Attachment = runner.Attachment{Bytes: int64(len(spec.Data)), Class: spec.Class, Media: spec.Media, Name: spec.Name, Of: spec.Of,
		Commitment: audit.Commitment(s.salt, spec.Data)}
	return s, nil
}

// keep writes sealed files under their commitment.
func keep(sealed []*Sealed) error {
	for _, s := range sealed {
		if err := os.MkdirAll(s.dir, 0o700); err != nil {
			return err
		}
		name := filepath.Join(s.dir, strings.TrimPrefix(s.Attachment.Commitment, "sha256:"))
		if err := writeFile(name+".salt", []byte(hex.EncodeToString(s.salt)+"\n"), 0o600); err != nil {
			return err
		}
		if err := writeFile(name, s.data, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// Attached reads an attachment's bytes and salt, if they are still here.
func (b *Bench) Attached(commitment string) (data, salt []byte, err error) {
	if !commitmentForm.MatchString(commitment) {
		return nil, nil, fmt.Errorf("%.80q is no commitment", commitment)
	}
	name := filepath.Join(b.Dir, attachmentsDir, strings.TrimPrefix(commitment, "sha256:"))
	if data, err = os.ReadFile(name); err != nil {
		return nil, nil, err
	}
	text, err := os.ReadFile(name + ".salt")
	if err != nil {
		return nil, nil, err
	}
	if salt, err = hex.DecodeString(strings.TrimSpace(string(text))); err != nil {
		return nil, nil, fmt.Errorf("%s.salt holds no hexadecimal digits", name)
	}
	if audit.Commitment(salt, data) != commitment {
		return data, salt, fmt.Errorf("%s is not the file that was attached", name)
	}
	return data, salt, nil
}

// AttachmentCount says how the attachments named on record are: here, withheld
// (their bytes are not here, which is no damage), or changed.
type AttachmentCount struct {
	Here     int      `json:"here"`
	Withheld int      `json:"withheld"`
	Changed  []string `json:"changed,omitempty"` // commitments
}

// attachments lists every attachment named in a run's records, in order.
func attachments(recs []audit.Record) []runner.Attachment {
	var out []runner.Attachment
	for _, r := range recs {
		var c runner.Common
		if decode(r, &c) {
			out = append(out, c.Attachments...)
		}
	}
	return out
}

// CheckAttachments compares every file outside the ledger with what the
// records say of it.
func (b *Bench) CheckAttachments() (AttachmentCount, error) {
	var n AttachmentCount
	refs, err := b.store.Refs()
	if err != nil {
		return n, err
	}
	m, err := b.Main()
	if err != nil {
		return n, err
	}
	seen := map[string]bool{}
	for _, run := range m.Register.Sorted() {
		head := refs[audit.RefRuns+run]
		if head == "" {
			continue
		}
		recs, _, err := audit.ReadRun(b.store, head)
		if err != nil {
			continue // verify itself says what is wrong with the run
		}
		for _, a := range attachments(recs) {
			if seen[a.Commitment] {
				continue
			}
			seen[a.Commitment] = true
			switch _, _, err := b.Attached(a.Commitment); {
			case err == nil:
				n.Here++
			case errors.Is(err, fs.ErrNotExist):
				n.Withheld++
			default:
				n.Changed = append(n.Changed, a.Commitment)
			}
		}
	}
	return n, nil
}

// publicAttachments gives the files of class public that runs name, with their
// salts, by path in an edition's tree.
func (b *Bench) publicAttachments(runs []string) (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, run := range runs {
		st, err := b.State(run)
		if err != nil {
			return nil, err
		}
		for _, a := range attachments(st.Records) {
			if a.Class != ClassPublic {
				continue
			}
			data, salt, err := b.Attached(a.Commitment)
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err != nil {
				return nil, err
			}
			path := attachmentsDir + "/" + strings.TrimPrefix(a.Commitment, "sha256:")
			out[path], out[path+".salt"] = data, []byte(hex.EncodeToString(salt)+"\n")
		}
	}
	return out, nil
}
