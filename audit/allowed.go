package audit

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"strings"
	"time"
)

// AllowedFile is the path of the list of keys in main's tree.
const AllowedFile = "allowed_signers"

const (
	allowedSpaces = `namespaces="git,checkpoint@tapledger"`
	allowedTime   = "20060102150405Z"
)

// AllowedKey is one line: a principal's key, and when it ended, if it did.
type AllowedKey struct {
	Principal string
	Key       ed25519.PublicKey
	Ended     time.Time // zero: it has not ended
}

// Allowed is the list of keys as it stands in allowed_signers. Lines are only
// ever added, or get a time at which the key ended.
type Allowed struct {
	Lines []AllowedKey
}

// ParseAllowed reads allowed_signers strictly: what Format writes, so that
// stock ssh-keygen and every verifier read the same list in every time zone.
func ParseAllowed(b []byte) (Allowed, error) {
	var a Allowed
	if len(b) == 0 || b[len(b)-1] != '\n' {
		return a, fmt.Errorf("allowed_signers must end in a line feed and name at least one key")
	}
	for i, line := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		k, err := parseAllowedLine(line)
		if err != nil {
			return a, fmt.Errorf("allowed_signers line %d: %w", i+1, err)
		}
		if was, twice := a.Find(k.Key); twice {
			return a, fmt.Errorf("allowed_signers line %d: the key of %s stands already under %s", i+1, k.Principal, was.Principal)
		}
		a.Lines = append(a.Lines, k)
	}
	if !bytes.Equal(a.Format(), b) {
		return a, fmt.Errorf("allowed_signers is not written in the ledger's way")
	}
	return a, nil
}

func parseAllowedLine(line string) (AllowedKey, error) {
	var k AllowedKey
	f := strings.Split(line, " ")
	if len(f) != 4 {
		return k, fmt.Errorf("%q is not \"<id> %s ssh-ed25519 AAAA...\"", clip(line), allowedSpaces)
	}
	k.Principal = f[0]
	if err := CheckID(k.Principal); err != nil {
		return k, err
	}
	rest, ok := strings.CutPrefix(f[1], allowedSpaces)
	if !ok {
		return k, fmt.Errorf("options must begin with %s", allowedSpaces)
	}
	if rest != "" {
		when, ok := strings.CutPrefix(rest, `,valid-before="`)
		t, err := time.Parse(allowedTime, strings.TrimSuffix(when, `"`))
		if !ok || err != nil {
			return k, fmt.Errorf("options %q: only valid-before=\"yyyymmddhhmmssZ\" may follow", clip(rest))
		}
		k.Ended = t
	}
	var err error
	k.Key, err = ParsePublicKeyLine(f[2] + " " + f[3])
	return k, err
}

// Format gives the bytes of allowed_signers.
func (a Allowed) Format() []byte {
	var b bytes.Buffer
	for _, k := range a.Lines {
		b.WriteString(k.Principal + " " + allowedSpaces)
		if !k.Ended.IsZero() {
			b.WriteString(`,valid-before="` + k.Ended.UTC().Format(allowedTime) + `"`)
		}
		b.WriteString(" " + PublicKeyLine(k.Key) + "\n")
	}
	return b.Bytes()
}

// Find gives the line of a key.
func (a Allowed) Find(key ed25519.PublicKey) (AllowedKey, bool) {
	for _, k := range a.Lines {
		if bytes.Equal(k.Key, key) {
			return k, true
		}
	}
	return AllowedKey{}, false
}

// Has reports whether a principal has a key that has not ended.
func (a Allowed) Has(principal string) bool {
	for _, k := range a.Lines {
		if k.Principal == principal && k.Ended.IsZero() {
			return true
		}
	}
	return false
}

// Add gives the list with one more key.
func (a Allowed) Add(principal string, key ed25519.PublicKey) (Allowed, error) {
	if err := CheckID(principal); err != nil {
		return a, err
	}
	if was, ok := a.Find(key); ok {
		return a, fmt.Errorf("this key stands already under %s; make a new one", was.Principal)
	}
	lines := append([]AllowedKey(nil), a.Lines...)
	return Allowed{Lines: append(lines, AllowedKey{Principal: principal, Key: key})}, nil
}

// End gives the list in which a key, named by its fingerprint, ended at a
// time, cut down to whole seconds. The time must not lie before the commit
// that ends it, nor before any record that this commit names.
func (a Allowed) End(fingerprint string, at time.Time) (Allowed, error) {
	lines := append([]AllowedKey(nil), a.Lines...)
	for i := range lines {
		if Fingerprint(lines[i].Key) != fingerprint {
			continue
		}
		if !lines[i].Ended.IsZero() {
			return a, fmt.Errorf("key %s of %s ended already at %s", fingerprint, lines[i].Principal, lines[i].Ended.Format(allowedTime))
		}
		lines[i].Ended = at.UTC().Truncate(time.Second)
		return Allowed{Lines: lines}, nil
	}
	return a, fmt.Errorf("no key %s in allowed_signers; look at the fingerprints that person prints", fingerprint)
}

// endsFrom says what is wrong with the ends that a list sets: none may lie
// before the commit that sets it, or stock git would refuse what was good.
func (a Allowed) endsFrom(old Allowed, unix int64) error {
	for _, k := range a.Lines {
		if was, _ := old.Find(k.Key); was.Ended.IsZero() && !k.Ended.IsZero() && k.Ended.Unix() < unix {
			return fmt.Errorf("a key of %s is said to have ended at %s, before the commit that says so", k.Principal, k.Ended.Format(allowedTime))
		}
	}
	return nil
}

// grewFrom says what is wrong with a list that follows an older one: lines
// may be added at the end, and a key may end, nothing else.
func (a Allowed) grewFrom(old Allowed) error {
	if len(a.Lines) < len(old.Lines) {
		return fmt.Errorf("a line was taken out of allowed_signers; keys end, they do not go")
	}
	for i, was := range old.Lines {
		now := a.Lines[i]
		if now.Principal != was.Principal || !bytes.Equal(now.Key, was.Key) {
			return fmt.Errorf("line %d of allowed_signers was replaced; keys end, they do not go", i+1)
		}
		if !was.Ended.IsZero() && !now.Ended.Equal(was.Ended) {
			return fmt.Errorf("the end of a key of %s was moved or taken back", was.Principal)
		}
	}
	return nil
}
