package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"fmt"
	"sort"
	"strconv"
	"strings"
)

// CheckpointFormat is the first line of a checkpoint.
const CheckpointFormat = "tapledger checkpoint/1"

// CheckpointRun pins one run's last record.
type CheckpointRun struct {
	Run    string
	Seq    int64 // 0 and ZeroPrev: registered, no record yet
	Record string
}

// Checkpoint is a small text that pins the state of the ledger, to be kept by
// someone else. Runs whose head is the one in their newest closing file have
// no line: main pins them.
type Checkpoint struct {
	Bench   string
	Main    string
	Records int64 // of all runs together
	Runs    []CheckpointRun
}

// Text gives the checkpoint's text, which is what gets signed.
func (c Checkpoint) Text() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\nbench %s\nmain %s\nrecords %d\n", CheckpointFormat, c.Bench, c.Main, c.Records)
	runs := append([]CheckpointRun(nil), c.Runs...)
	sort.Slice(runs, func(i, j int) bool { return runs[i].Run < runs[j].Run })
	for _, r := range runs {
		fmt.Fprintf(&b, "run %s %d %s\n", r.Run, r.Seq, r.Record)
	}
	return b.Bytes()
}

// ParseCheckpoint reads exactly what Text writes.
func ParseCheckpoint(text []byte) (Checkpoint, error) {
	var c Checkpoint
	lines := strings.Split(string(text), "\n")
	if len(lines) < 5 || lines[len(lines)-1] != "" || lines[0] != CheckpointFormat {
		return c, fmt.Errorf("this is not a text of the format %q", CheckpointFormat)
	}
	var ok [3]bool
	var count string
	c.Bench, ok[0] = strings.CutPrefix(lines[1], "bench ")
	c.Main, ok[1] = strings.CutPrefix(lines[2], "main ")
	count, ok[2] = strings.CutPrefix(lines[3], "records ")
	n, err := strconv.ParseInt(count, 10, 64)
	if !ok[0] || !ok[1] || !ok[2] || err != nil || n < 0 || CheckID(c.Bench) != nil || !reObject.MatchString(c.Main) {
		return c, fmt.Errorf("checkpoint lines 2 to 4 must be bench, main and records")
	}
	c.Records = n
	for i, l := range lines[4 : len(lines)-1] {
		f := strings.Split(l, " ")
		if len(f) != 4 || f[0] != "run" || CheckRun(f[1]) != nil || !reHash.MatchString(f[3]) {
			return c, fmt.Errorf("checkpoint line %d: %q is not \"run <id> <seq> sha256:...\"", i+5, clip(l))
		}
		seq, err := strconv.ParseInt(f[2], 10, 64)
		if err != nil || seq < 0 || (seq == 0) != (f[3] == ZeroPrev) {
			return c, fmt.Errorf("checkpoint line %d: seq %q is wrong", i+5, clip(f[2]))
		}
		c.Runs = append(c.Runs, CheckpointRun{Run: f[1], Seq: seq, Record: f[3]})
	}
	for i := 1; i < len(c.Runs); i++ {
		if c.Runs[i-1].Run >= c.Runs[i].Run {
			return c, fmt.Errorf("checkpoint: the line of run %s is out of order or stands twice", c.Runs[i].Run)
		}
	}
	if !bytes.Equal(c.Text(), text) {
		return c, fmt.Errorf("checkpoint is not written in the ledger's way")
	}
	return c, nil
}

// SignCheckpoint gives an armored signature over the text.
func SignCheckpoint(text []byte, s Signer) ([]byte, error) {
	if _, err := ParseCheckpoint(text); err != nil {
		return nil, err
	}
	return s.Sign(NamespaceCheckpoint, text)
}

// VerifyCheckpoint checks the signature and gives who made it. It does not say
// that the ledger still holds what the text names: Verify does, with Since.
func VerifyCheckpoint(text, signature []byte, a Allowed) (principal string, err error) {
	key, err := VerifySignature(NamespaceCheckpoint, text, signature)
	if err != nil {
		return "", fmt.Errorf("checkpoint: %w", err)
	}
	k, ok := a.Find(key)
	if !ok {
		return "", fmt.Errorf("checkpoint: key %s is not in allowed_signers", Fingerprint(key))
	}
	return k.Principal, nil
}

// JoinCheckpoint puts text and signature into one file, for the person who
// keeps it; SplitCheckpoint takes them apart.
func JoinCheckpoint(text, signature []byte) []byte {
	return append(append([]byte(nil), text...), signature...)
}

// SplitCheckpoint gives text and signature; signature is nil when the file
// holds none.
func SplitCheckpoint(file []byte) (text, signature []byte) {
	file = bytes.ReplaceAll(file, []byte("\r\n"), []byte("\n"))
	i := bytes.Index(file, []byte(sigBegin))
	if i < 0 {
		return file, nil
	}
	return file[:i], file[i:]
}

// MakeCheckpoint pins the ledger as it is now: main at mainHash, every run at
// its ref.
func MakeCheckpoint(o Objects, mainHash string) (Checkpoint, error) {
	bench, _, err := benchOf(o, mainHash)
	if err != nil {
		return Checkpoint{}, err
	}
	refs, err := o.Refs()
	if err != nil {
		return Checkpoint{}, err
	}
	reg, err := ReadRegister(o, mainHash)
	if err != nil {
		return Checkpoint{}, err
	}
	c := Checkpoint{Bench: bench, Main: mainHash}
	for _, run := range reg.Sorted() {
		h := Head{Seq: 0, Record: ZeroPrev}
		if commit := refs[RefRuns+run]; commit != "" {
			if h, err = headOf(o, run, commit); err != nil {
				return Checkpoint{}, err
			}
		}
		c.Records += h.Seq
		if last, ok := reg.Runs[run].lastClosing(); ok && last.Seq == h.Seq && last.Record == h.Record {
			continue
		}
		c.Runs = append(c.Runs, CheckpointRun{Run: run, Seq: h.Seq, Record: h.Record})
	}
	return c, nil
}

// SampleID gives the id under which the laboratory reports a sample: 16
// characters, the first 10 bytes of SHA-256 over "tapledger sample/1", the hex
// SHA-256 of the checkpoint's text and the sorted bottle codes, in base32.
func SampleID(checkpointText []byte, codes []string) string {
	text := sha256.Sum256(checkpointText)
	sorted := append([]string(nil), codes...)
	sort.Strings(sorted)
	s := sha256.Sum256([]byte("tapledger sample/1\n" + hex.EncodeToString(text[:]) + "\n" + strings.Join(sorted, ",") + "\n"))
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(s[:10]))
}

// Commitment names an attachment's bytes without showing them: Hash over salt
// and bytes. The salt is 16 random bytes, or more.
func Commitment(salt, data []byte) string {
	return Hash(append(append([]byte(nil), salt...), data...))
}
