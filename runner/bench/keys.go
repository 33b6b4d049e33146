package bench

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"crypto/sha256"

	"tapledger/audit"
	"tapledger/runner"
)

// HomeVar is the environment variable that names the folder of keys.
const HomeVar = "TAPLEDGER_HOME"

func homeOf(given string) (string, error) {
	if given != "" {
		return given, nil
	}
	if h := os.Getenv(HomeVar); h != "" {
		return h, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("no folder for keys: %w; set %s", err, HomeVar)
	}
	return filepath.Join(dir, "tapledger"), nil
}

// rootFolder is the name of the folder that holds a bench's keys: the root
// key's hash in hexadecimal digits, since a printed fingerprint has slashes.
func rootFolder(root ed25519.PublicKey) string {
	sum := sha256.Sum256(root)
	return hex.EncodeToString(sum[:])
}

func (b *Bench) keyFile(m *Main, principal string) string {
	return filepath.Join(b.home, rootFolder(m.Allowed.Lines[0].Key), principal)
}

// signer gives the key of a person, or of the bench, that main lists and that
// has not ended.
func (b *Bench) signer(m *Main, principal string) (audit.Signer, error) {
	if !m.Allowed.Has(principal) {
		return nil, &runner.Refusal{Says: fmt.Sprintf("%s has no key on this bench that has not ended", principal),
			Hint: "people here: " + strings.Join(m.People(), ", ") + "; add one with: tapledger person add ID"}
	}
	if m.Simulated() {
		for n := 0; n <= len(m.Allowed.Lines); n++ {
			key := SimulatedKey(m.Bench.Seed, principal, n)
			if line, ok := m.Allowed.Find(key.Public().(ed25519.PublicKey)); ok && line.Ended.IsZero() {
				return audit.NewKeySigner(principal, key), nil
			}
		}
	}
	name := b.keyFile(m, principal)
	file, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &runner.Refusal{Says: fmt.Sprintf("the key of %s is not on this machine (%s)", principal, name),
			Hint: "act as somebody whose key is here with --by, or bring the key file here; " + HomeVar + " names the folder of keys"}
	}
	if err != nil {
		return nil, err
	}
	key, err := audit.ParsePrivateKey(file)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	line, ok := m.Allowed.Find(key.Public().(ed25519.PublicKey))
	if !ok || line.Principal != principal || !line.Ended.IsZero() {
		return nil, &runner.Refusal{Says: fmt.Sprintf("%s is not a key of %s that main lists as in use", name, principal), Hint: "look at: tapledger person"}
	}
	return audit.NewKeySigner(principal, key), nil
}

// actor gives the person who acts and their key.
func (b *Bench) actor(m *Main) (audit.Signer, error) {
	if b.by == audit.BenchPrincipal {
		return nil, &runner.Refusal{Says: "nobody acts as the bench: its key signs checkpoints", Hint: "name a person with --by; tapledger person lists them"}
	}
	if b.by != "" {
		return b.signer(m, b.by)
	}
	var first error
	for _, k := range m.Allowed.Lines {
		if k.Principal == audit.BenchPrincipal || !k.Ended.IsZero() {
			continue
		}
		s, err := b.signer(m, k.Principal)
		if err == nil {
			return s, nil
		}
		if first == nil {
			first = err
		}
	}
	if first == nil {
		first = &runner.Refusal{Says: "nobody on this bench has a key that has not ended"}
	}
	return nil, first
}

// Actor is the id of the person who acts.
func (b *Bench) Actor() (string, error) {
	m, err := b.Main()
	if err != nil {
		return "", err
	}
	s, err := b.actor(m)
	if err != nil {
		return "", err
	}
	return s.Principal(), nil
}

// As gives the same bench for another person; "" leaves the person.
func (b *Bench) As(person string) *Bench {
	if person != "" {
		b.by = person
	}
	return b
}

// newKey makes a key for somebody and writes it into the folder of keys. On a
// simulated bench it comes from the seed and is written nowhere.
func (b *Bench) newKey(m *Main, principal string) (ed25519.PublicKey, error) {
	if m.Simulated() {
		for n := 0; ; n++ {
			pub := SimulatedKey(m.Bench.Seed, principal, n).Public().(ed25519.PublicKey)
			if _, used := m.Allowed.Find(pub); !used {
				return pub, nil
			}
		}
	}
	pub, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	return pub, writeKey(b.keyFile(m, principal), key, principal)
}

// writeKey keeps a key file, readable by its owner only. A key that was there
// is kept beside it under its fingerprint's digits.
func writeKey(name string, key ed25519.PrivateKey, comment string) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	file := audit.MarshalPrivateKey(key, comment)
	if old, err := os.ReadFile(name); err == nil && !bytes.Equal(old, file) {
		sum := sha256.Sum256(old)
		if err := os.Rename(name, name+"."+hex.EncodeToString(sum[:4])); err != nil {
			return err
		}
	}
	return writeFile(name, file, 0o600)
}

// writeFile writes a file under another name, flushes it, and renames it.
func writeFile(name string, data []byte, perm fs.FileMode) error {
	f, err := os.OpenFile(name+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, perm)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(name+".new", name)
	}
	if err != nil {
		os.Remove(name + ".new")
	}
	return err
}
