package audit

import (
	"bytes"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Trailers: the line that lifts a signature from SHA-1 to SHA-256.
const (
	TrailerRecord   = "Record"   // over record.json, in a run's commits
	TrailerTree     = "Tree"     // over TreeLines, in main's commits
	TrailerManifest = "Manifest" // over manifest.json, in an edition's commit
)

// Ident is an author or committer: "<id> <id@bench-id.invalid>", UTC.
type Ident struct {
	ID    string
	Bench string
	Unix  int64 // seconds since 1970
}

// NewIdent gives the identity of a person (or of the bench) at a time, cut
// down to whole seconds.
func NewIdent(id, bench string, t time.Time) Ident {
	return Ident{ID: id, Bench: bench, Unix: t.Unix()}
}

// String is the identity as it stands in a commit.
func (i Ident) String() string {
	return fmt.Sprintf("%s <%s@%s.invalid> %d +0000", i.ID, i.ID, i.Bench, i.Unix)
}

// CommitSpec says what a commit holds.
type CommitSpec struct {
	Tree      string
	Parents   []string
	Author    Ident
	Committer Ident
	Message   string // ends in a line feed
}

// Commit is a commit as read. Payload is what was signed: the raw bytes
// without the signature's header.
type Commit struct {
	Hash      string
	Tree      string
	Parents   []string
	Author    Ident
	Committer Ident
	Message   string
	Payload   []byte
	Signature []byte // armored SSHSIG
}

// whole reports whether ParseCommit read the commit to its end.
func (c Commit) whole() bool { return c.Payload != nil }

var reIdent = regexp.MustCompile(`^([a-z][a-z0-9-]{0,39}) <([a-z][a-z0-9-]{0,39})@([a-z][a-z0-9-]{0,39})\.invalid> (0|[1-9][0-9]{0,11}) \+0000$`)

func parseIdent(s string) (Ident, error) {
	m := reIdent.FindStringSubmatch(s)
	if m == nil || m[1] != m[2] {
		return Ident{}, fmt.Errorf("identity %q is not \"<id> <id@bench-id.invalid> <seconds> +0000\"", clip(s))
	}
	n, err := strconv.ParseInt(m[4], 10, 64)
	return Ident{ID: m[1], Bench: m[3], Unix: n}, err
}

// encode gives the commit's bytes, with the signature when there is one.
func (c CommitSpec) encode(signature []byte) []byte {
	var b bytes.Buffer
	b.WriteString("tree " + c.Tree + "\n")
	for _, p := range c.Parents {
		b.WriteString("parent " + p + "\n")
	}
	b.WriteString("author " + c.Author.String() + "\ncommitter " + c.Committer.String() + "\n")
	if len(signature) > 0 {
		text := strings.TrimSuffix(string(signature), "\n")
		b.WriteString("gpgsig " + strings.ReplaceAll(text, "\n", "\n ") + "\n")
	}
	b.WriteString("\n" + c.Message)
	return b.Bytes()
}

// BuildCommit signs the commit in the namespace "git" and gives its raw bytes;
// NewObject("commit", raw) names it.
func BuildCommit(c CommitSpec, s Signer) ([]byte, error) {
	if err := checkMessage(c.Message); err != nil {
		return nil, err
	}
	sig, err := s.Sign(NamespaceGit, c.encode(nil))
	if err != nil {
		return nil, fmt.Errorf("sign the commit: %w", err)
	}
	raw := c.encode(sig)
	if _, err := ParseCommit("", raw); err != nil {
		return nil, fmt.Errorf("commit to be made: %w", err)
	}
	return raw, nil
}

// checkMessage holds messages to plain text: a subject line, and nothing that
// a terminal would obey.
func checkMessage(m string) error {
	if m == "" || m[0] == '\n' || !strings.HasSuffix(m, "\n") {
		return fmt.Errorf("commit message %q needs a subject line and a final line feed", clip(m))
	}
	if err := checkText(m); err != nil {
		return fmt.Errorf("commit message: %w", err)
	}
	return nil
}

// Message joins subject, an optional text and one trailer. Lines of the text
// that would read as that trailer are refused.
func Message(subject, text, trailer, hash string) (string, error) {
	if subject == "" || strings.ContainsAny(subject, "\n") {
		return "", fmt.Errorf("commit subject %q must be one line", clip(subject))
	}
	m := subject + "\n\n"
	if text = strings.Trim(text, "\n"); text != "" {
		m += text + "\n\n"
	}
	m += trailer + ": " + hash + "\n"
	if got, err := findTrailer(m, trailer); err != nil || got != hash {
		return "", fmt.Errorf("commit text must not hold a line that begins with %q", trailer+":")
	}
	return m, checkMessage(m)
}

// findTrailer gives the value of the one trailer, which must be the last line.
func findTrailer(message, trailer string) (string, error) {
	lines := strings.Split(strings.TrimSuffix(message, "\n"), "\n")
	for i, l := range lines {
		if !strings.HasPrefix(strings.ToLower(l), strings.ToLower(trailer)+":") {
			continue
		}
		v, ok := strings.CutPrefix(l, trailer+": ")
		if i != len(lines)-1 || !ok || !reHash.MatchString(v) || i < 2 || lines[i-1] != "" {
			return "", fmt.Errorf("the line %q must be the last line, after an empty one, with sha256: and 64 digits", clip(l))
		}
		return v, nil
	}
	return "", fmt.Errorf("the message has no line %q", trailer+": sha256:...")
}

// ParseCommit reads a raw commit strictly: tree, parents, author, committer,
// one SSH signature, nothing else, each once and in this order. It does not
// compute hash again; Verify does.
func ParseCommit(hash string, raw []byte) (Commit, error) {
	c := Commit{Hash: hash}
	head, message, ok := bytes.Cut(raw, []byte("\n\n"))
	if !ok {
		return c, fmt.Errorf("commit has no message")
	}
	c.Message = string(message)
	lines := strings.Split(string(head), "\n")
	next := func(key string) (string, bool) {
		if len(lines) == 0 {
			return "", false
		}
		v, found := strings.CutPrefix(lines[0], key+" ")
		if found {
			lines = lines[1:]
		}
		return v, found
	}
	if c.Tree, ok = next("tree"); !ok || !reObject.MatchString(c.Tree) {
		return c, fmt.Errorf("commit does not begin with its tree")
	}
	for {
		p, found := next("parent")
		if !found {
			break
		}
		if !reObject.MatchString(p) {
			return c, fmt.Errorf("parent %q is not 40 hexadecimal digits", clip(p))
		}
		c.Parents = append(c.Parents, p)
	}
	for _, who := range []struct {
		key string
		to  *Ident
	}{{"author", &c.Author}, {"committer", &c.Committer}} {
		v, found := next(who.key)
		if !found {
			return c, fmt.Errorf("%s is missing, out of order or stands twice", who.key)
		}
		var err error
		if *who.to, err = parseIdent(v); err != nil {
			return c, fmt.Errorf("%s: %w", who.key, err)
		}
	}
	sig, found := next("gpgsig")
	if !found {
		return c, fmt.Errorf("commit has no signature in its place")
	}
	for len(lines) > 0 && strings.HasPrefix(lines[0], " ") {
		sig += "\n" + lines[0][1:]
		lines = lines[1:]
	}
	if len(lines) > 0 {
		return c, fmt.Errorf("unexpected or repeated header %q", clip(lines[0]))
	}
	c.Signature = []byte(sig + "\n")
	spec := CommitSpec{Tree: c.Tree, Parents: c.Parents, Author: c.Author, Committer: c.Committer, Message: c.Message}
	c.Payload = spec.encode(nil)
	if !bytes.Equal(spec.encode(c.Signature), raw) {
		return c, fmt.Errorf("commit is not written in the ledger's way")
	}
	return c, checkMessage(c.Message)
}
