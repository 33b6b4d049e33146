package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
)

// RecordFormat is the only envelope format that this package reads and writes.
const RecordFormat = "record/1"

// ZeroPrev stands as prev in a run's first record, and as the head of a run
// that has no record.
const ZeroPrev = "sha256:0000000000000000000000000000000000000000000000000000000000000000"

// Kinds that the ledger itself reads. All others are text to this package.
const (
	KindOpened    = "opened"
	KindClosed    = "closed"
	KindReopened  = "reopened"
	KindAbandoned = "abandoned"
	KindHandOver  = "hand_over" // its body's checkpoint and signature only
)

// BenchPrincipal is the name under which the bench's own key stands in
// allowed_signers. No person may have it.
const BenchPrincipal = "bench"

// ErrNewerFormat is wrapped by errors about a format number this package does
// not know.
var ErrNewerFormat = errors.New("format is not known to this version")

// Record is the envelope of one record. Body is a canonical JSON object that
// only the runner reads, except for its "format".
type Record struct {
	Format string          `json:"format"`
	Run    string          `json:"run"`
	Seq    int64           `json:"seq"`  // from 1
	Prev   string          `json:"prev"` // Hash of the record before, or ZeroPrev
	Kind   string          `json:"kind"`
	Made   string          `json:"made"`  // Time, rises along a run
	Clock  string          `json:"clock"` // wall, behind, simulated
	By     string          `json:"by"`    // person id, or bench
	Via    string          `json:"via"`   // key, page
	Main   string          `json:"main"`  // main commit that the writer saw, 40 hex
	Body   json.RawMessage `json:"body"`
}

var (
	reHash     = regexp.MustCompile(`^sha256:[0-9a-f]{64}$`)
	reObject   = regexp.MustCompile(`^[0-9a-f]{40}$`)
	reID       = regexp.MustCompile(`^[a-z][a-z0-9-]*$`)
	reKey      = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)
	reKind     = regexp.MustCompile(`^[a-z][a-z_]*$`)
	reRun      = regexp.MustCompile(`^([a-z][a-z0-9-]*)-[0-9]{8}-[a-z2-7]{4}$`)
	reFormat   = regexp.MustCompile(`^([a-z]+)/([1-9][0-9]{0,5})$`)
	reReserved = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)
)

// Hash gives "sha256:" and 64 hexadecimal digits over b. Over the bytes of a
// record it is what the next record's prev and the commit's trailer hold.
func Hash(b []byte) string {
	s := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(s[:])
}

// Time writes t as records hold it: UTC, three decimals, Z. What is finer than
// a millisecond is cut off.
func Time(t time.Time) string {
	return t.UTC().Truncate(time.Millisecond).Format("2006-01-02T15:04:05.000Z")
}

// ParseTime reads exactly what Time writes. There is no leap second.
func ParseTime(s string) (time.Time, error) {
	t, err := time.Parse("2006-01-02T15:04:05.000Z", s)
	if err != nil || Time(t) != s {
		return time.Time{}, fmt.Errorf("%q is not a time such as 2026-03-02T09:14:07.482Z", clip(s))
	}
	return t, nil
}

// CheckID says what is wrong with an id of a document, bench, person or
// edition: [a-z][a-z0-9-]*, at most 40 characters, no device name of Windows.
func CheckID(id string) error {
	switch {
	case !reID.MatchString(id):
		return fmt.Errorf("id %q must begin with a-z and hold only a-z, 0-9 and hyphens", clip(id))
	case len(id) > 40:
		return fmt.Errorf("id %q has more than 40 characters", clip(id))
	case reReserved.MatchString(id):
		return fmt.Errorf("id %q is a device name on Windows", id)
	}
	return nil
}

// CheckRun says what is wrong with a run id: <bench>-<yyyymmdd>-<4 base32>.
func CheckRun(run string) error {
	m := reRun.FindStringSubmatch(run)
	if m == nil {
		return fmt.Errorf("run id %q is not <bench>-<yyyymmdd>-<4 of a-z2-7>", clip(run))
	}
	return CheckID(m[1])
}

// Bytes gives the canonical bytes of the record and one line feed.
func (r Record) Bytes() ([]byte, error) {
	body, err := parseJSON(r.Body)
	if err != nil {
		return nil, fmt.Errorf("body of record %d: %w", r.Seq, err)
	}
	if err := r.check(body); err != nil {
		return nil, err
	}
	b, err := Canonical(map[string]any{
		"format": r.Format, "run": r.Run, "seq": r.Seq, "prev": r.Prev, "kind": r.Kind, "made": r.Made,
		"clock": r.Clock, "by": r.By, "via": r.Via, "main": r.Main, "body": body,
	})
	if err != nil {
		return nil, err
	}
	if len(b) >= maxRecord {
		return nil, fmt.Errorf("record %d has %d bytes, the limit is %d; keep files as attachments", r.Seq, len(b), maxRecord)
	}
	return append(b, '\n'), nil
}

// ParseRecord reads one record strictly: known format, exactly the fields of
// the envelope, every field well formed, and bytes that are canonical.
func ParseRecord(b []byte) (Record, error) {
	if len(b) > maxRecord {
		return Record{}, fmt.Errorf("record of %d bytes is larger than the limit of %d", len(b), maxRecord)
	}
	v, err := parseJSON(b)
	if err != nil {
		return Record{}, err
	}
	m, ok := v.(map[string]any)
	if !ok {
		return Record{}, fmt.Errorf("a record is a JSON object")
	}
	if f, _ := m["format"].(string); f != RecordFormat {
		return Record{}, fmt.Errorf("record format %q: %w; this version reads %s", clip(f), ErrNewerFormat, RecordFormat)
	}
	r, err := fromMap(m)
	if err != nil {
		return Record{}, err
	}
	if err := r.check(m["body"]); err != nil {
		return Record{}, err
	}
	return r, canonicalLine(b, v)
}

// fromMap takes the envelope out of a parsed object.
func fromMap(m map[string]any) (Record, error) {
	var r Record
	texts := map[string]*string{"format": &r.Format, "run": &r.Run, "prev": &r.Prev, "kind": &r.Kind, "made": &r.Made,
		"clock": &r.Clock, "by": &r.By, "via": &r.Via, "main": &r.Main}
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if p, isText := texts[k]; isText {
			if *p, isText = m[k].(string); !isText {
				return r, fmt.Errorf("field %q must be a string", k)
			}
			delete(texts, k)
			continue
		}
		var ok bool
		switch k {
		case "seq":
			r.Seq, ok = m[k].(int64)
		case "body":
			_, ok = m[k].(map[string]any)
		default:
			return r, fmt.Errorf("unknown field %q in a %s envelope", clip(k), RecordFormat)
		}
		if !ok {
			return r, fmt.Errorf("field %q has the wrong type", k)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(texts)) {
		return r, fmt.Errorf("field %q is missing", k)
	}
	if _, ok := m["body"]; !ok {
		return r, fmt.Errorf("field %q is missing", "body")
	}
	body, err := Canonical(m["body"])
	r.Body = body
	return r, err
}

// check says what is wrong with the envelope's fields, and with the keys of
// the body.
func (r Record) check(body any) error {
	m, ok := body.(map[string]any)
	if !ok {
		return fmt.Errorf("body must be an object")
	}
	if f, _ := m["format"].(string); !reFormat.MatchString(f) || !strings.HasPrefix(f, "body/") {
		return fmt.Errorf("body.format %q is not such as body/1", clip(f))
	}
	if r.Format != RecordFormat {
		return fmt.Errorf("record format %q: %w; this version writes %s", clip(r.Format), ErrNewerFormat, RecordFormat)
	}
	if err := CheckRun(r.Run); err != nil {
		return err
	}
	if err := CheckID(r.By); err != nil {
		return fmt.Errorf("by: %w", err)
	}
	if _, err := ParseTime(r.Made); err != nil {
		return fmt.Errorf("made: %w", err)
	}
	switch {
	case r.Seq < 1 || r.Seq > MaxWhole:
		return fmt.Errorf("seq %d is not from 1 on", r.Seq)
	case !reHash.MatchString(r.Prev):
		return fmt.Errorf("prev %q is not sha256: and 64 hexadecimal digits", clip(r.Prev))
	case (r.Seq == 1) != (r.Prev == ZeroPrev):
		return fmt.Errorf("prev %q does not fit seq %d: zeros stand in the first record and only there", r.Prev, r.Seq)
	case !reKind.MatchString(r.Kind) || len(r.Kind) > 40:
		return fmt.Errorf("kind %q is not a word of a-z and _", clip(r.Kind))
	case r.Clock != "wall" && r.Clock != "behind" && r.Clock != "simulated":
		return fmt.Errorf("clock %q is not wall, behind or simulated", clip(r.Clock))
	case r.Via != "key" && r.Via != "page":
		return fmt.Errorf("via %q is not key or page", clip(r.Via))
	case !reObject.MatchString(r.Main):
		return fmt.Errorf("main %q is not 40 hexadecimal digits", clip(r.Main))
	}
	return checkKeys(m)
}

// checkKeys holds the keys of records to [a-z][a-z0-9_]*.
func checkKeys(v any) error {
	switch x := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(x)) {
			if !reKey.MatchString(k) || len(k) > maxKeyBytes {
				return fmt.Errorf("key %q is not [a-z][a-z0-9_]* of at most %d characters", clip(k), maxKeyBytes)
			}
			if err := checkKeys(x[k]); err != nil {
				return fmt.Errorf("%s: %w", k, err)
			}
		}
	case []any:
		for i := range x {
			if err := checkKeys(x[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// BodyFormat gives the record's body.format, such as "body/1".
func (r Record) BodyFormat() string {
	var f struct {
		Format string `json:"format"`
	}
	if json.Unmarshal(r.Body, &f) != nil {
		return ""
	}
	return f.Format
}

// Closes reports whether the record ends its run.
func (r Record) Closes() bool { return r.Kind == KindClosed || r.Kind == KindAbandoned }

// readCanonical reads canonical bytes and one line feed into a struct, with no
// unknown field.
func readCanonical(b []byte, into any) error {
	v, err := parseJSON(b)
	if err != nil {
		return err
	}
	if err := canonicalLine(b, v); err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	return d.Decode(into)
}
