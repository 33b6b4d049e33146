package audit

import (
	"bytes"
	"compress/zlib"
	"crypto/ed25519"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func run(t *testing.T, stdin []byte, name string, args ...string) ([]byte, error) {
	t.Helper()
	c := exec.Command(name, args...)
	c.Stdin = bytes.NewReader(stdin)
	c.Env = append(os.Environ(), "LC_ALL=C", "GIT_CONFIG_NOSYSTEM=1", "GIT_CONFIG_GLOBAL="+os.DevNull)
	return c.CombinedOutput()
}

func mustRun(t *testing.T, stdin []byte, name string, args ...string) string {
	t.Helper()
	out, err := run(t, stdin, name, args...)
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// lay writes a ledger as loose objects and refs, for stock git.
func lay(t *testing.T, m *Memory) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ledger.git")
	mustRun(t, nil, "git", "init", "-q", "--bare", "--initial-branch=main", dir)
	for _, h := range m.Hashes() {
		typ, data, err := m.Object(h)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		z := zlib.NewWriter(&b)
		fmt.Fprintf(z, "%s %d\x00%s", typ, len(data), data)
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, "objects", h[:2], h[2:])
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	refs, _ := m.Refs()
	for _, name := range slices.Sorted(maps.Keys(refs)) {
		mustRun(t, nil, "git", "--git-dir", dir, "update-ref", name, refs[name])
	}
	return dir
}

// TestStockGitReadsLedger wants fsck --strict clean and every commit accepted
// by verify-commit with the newest list of keys, wherever the reader lives.
func TestStockGitReadsLedger(t *testing.T) {
	needTools(t, "git", "ssh-keygen")
	l := fullLedger(t)
	dir := lay(t, l.m)
	if out := mustRun(t, nil, "git", "--git-dir", dir, "fsck", "--strict", "--no-dangling", "--no-progress"); strings.TrimSpace(out) != "" {
		t.Errorf("git fsck --strict: %s", out)
	}
	allowed := filepath.Join(t.TempDir(), AllowedFile)
	l.must(os.WriteFile(allowed, []byte(mustRun(t, nil, "git", "--git-dir", dir, "show", "main:"+AllowedFile)), 0o644))
	for _, zone := range []string{"UTC", "America/Los_Angeles", "Asia/Tokyo"} {
		t.Setenv("TZ", zone)
		out := mustRun(t, nil, "git", "--git-dir", dir, "-c", "gpg.ssh.allowedSignersFile="+allowed, "log", "--all", "--format=%G? %GS %cn")
		lines := strings.Split(strings.TrimSpace(out), "\n")
		if len(lines) < 20 {
			t.Fatalf("git log lists %d commits", len(lines))
		}
		for _, line := range lines {
			if f := strings.Fields(line); len(f) != 3 || f[0] != "G" || f[1] != f[2] {
				t.Errorf("zone %s: git says %q of a commit", zone, line)
			}
		}
	}
	mustRun(t, nil, "git", "--git-dir", dir, "-c", "gpg.ssh.allowedSignersFile="+allowed, "verify-commit", l.heads[runID("aaaa")])
	if got := mustRun(t, nil, "git", "--git-dir", dir, "log", "--format=%s", "main..refs/heads/runs/"+runID("bbbb")); got != "abandoned\nentry\nopened\n" {
		t.Errorf("git log of a run: %q", got)
	}
}

// TestSignatureBothWays holds SSHSIG against stock ssh-keygen: what we sign it
// accepts, what it signs with our key file we accept.
func TestSignatureBothWays(t *testing.T) {
	needTools(t, "ssh-keygen")
	dir := t.TempDir()
	key := testKey("ash")
	pub := key.Public().(ed25519.PublicKey)
	file, allowed, msg := filepath.Join(dir, "ash"), filepath.Join(dir, "allowed"), []byte("tree of words\nwith a second line\n")
	list, err := Allowed{}.Add("ash", pub)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{file: MarshalPrivateKey(key, "ash@fern"), file + ".pub": []byte(PublicKeyLine(pub) + "\n"), allowed: list.Format()} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got := mustRun(t, nil, "ssh-keygen", "-y", "-f", file); !strings.HasPrefix(got, PublicKeyLine(pub)) {
		t.Errorf("ssh-keygen reads another public key from our file: %s", got)
	}
	if got := strings.Fields(mustRun(t, nil, "ssh-keygen", "-l", "-f", file+".pub"))[1]; got != Fingerprint(pub) {
		t.Errorf("fingerprint %s, ssh-keygen says %s", Fingerprint(pub), got)
	}
	for _, space := range []string{NamespaceGit, NamespaceCheckpoint} {
		ours, err := NewKeySigner("ash", key).Sign(space, msg)
		if err != nil {
			t.Fatal(err)
		}
		sig := filepath.Join(dir, "sig")
		if err := os.WriteFile(sig, ours, 0o600); err != nil {
			t.Fatal(err)
		}
		mustRun(t, msg, "ssh-keygen", "-Y", "verify", "-f", allowed, "-I", "ash", "-n", space, "-s", sig)
		if out, err := run(t, append(msg, 'x'), "ssh-keygen", "-Y", "verify", "-f", allowed, "-I", "ash", "-n", space, "-s", sig); err == nil {
			t.Errorf("ssh-keygen accepts our signature over other bytes: %s", out)
		}
		c := exec.Command("ssh-keygen", "-q", "-Y", "sign", "-f", file, "-n", space)
		c.Stdin = bytes.NewReader(msg)
		theirs, err := c.Output()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(ours, theirs) {
			t.Errorf("namespace %s: our signature differs from ssh-keygen's", space)
		}
		if got, err := VerifySignature(space, msg, theirs); err != nil || !bytes.Equal(got, pub) {
			t.Errorf("namespace %s: %v", space, err)
		}
	}
}

// TestKeyFileFromStock reads a key that ssh-keygen made.
func TestKeyFileFromStock(t *testing.T) {
	needTools(t, "ssh-keygen")
	file := filepath.Join(t.TempDir(), "key")
	mustRun(t, nil, "ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "someone", "-f", file)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ParsePrivateKey(b)
	if err != nil {
		t.Fatal(err)
	}
	line, err := os.ReadFile(file + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	pub, err := ParsePublicKeyLine(string(line))
	if err != nil || !bytes.Equal(pub, key.Public().(ed25519.PublicKey)) {
		t.Errorf("public key line gives another key: %v", err)
	}
	mustRun(t, nil, "ssh-keygen", "-q", "-p", "-P", "", "-N", "secret words", "-f", file)
	if b, err = os.ReadFile(file); err != nil {
		t.Fatal(err)
	}
	if _, err := ParsePrivateKey(b); err == nil || !strings.Contains(err.Error(), "passphrase") {
		t.Errorf("a key with a passphrase: %v", err)
	}
}

// TestEndedKeyAgainstStock: our reading of valid-before agrees with stock git
// at the second on which a key ended, and one later.
func TestEndedKeyAgainstStock(t *testing.T) {
	needTools(t, "ssh-keygen")
	dir := t.TempDir()
	at := time.Date(2026, 3, 2, 9, 14, 7, 0, time.UTC)
	list, err := Allowed{}.Add("ash", testSigner("ash").Public())
	if err != nil {
		t.Fatal(err)
	}
	if list, err = list.End(Fingerprint(testSigner("ash").Public()), at); err != nil {
		t.Fatal(err)
	}
	sig, err := testSigner("ash").Sign(NamespaceGit, []byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"allowed": list.Format(), "sig": sig} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		when time.Time
		good bool
	}{{at, true}, {at.Add(time.Second), false}} {
		_, err := run(t, []byte("x"), "ssh-keygen", "-Y", "verify", "-f", filepath.Join(dir, "allowed"), "-I", "ash", "-n", NamespaceGit,
			"-s", filepath.Join(dir, "sig"), "-O", "verify-time="+c.when.Format(allowedTime))
		if ours := c.when.Unix() <= list.Lines[0].Ended.Unix(); (err == nil) != c.good || ours != c.good {
			t.Errorf("at %s: stock says %v, we say %v, want %v", c.when, err == nil, ours, c.good)
		}
	}
}
