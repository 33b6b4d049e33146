package store

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
)

// signed makes an invented record with a signed commit, as the bench does.
func signed(b *testing.B, parent string, n int) []audit.RawObject {
	b.Helper()
	objs := record("bench", parent, n)
	c := audit.CommitSpec{Tree: objs[1].Hash, Message: fmt.Sprintf("bench %d\n\nRecord: %s\n", n, audit.Hash(objs[0].Data))}
	if parent != "" {
		c.Parents = []string{parent}
	}
	c.Author = audit.NewIdent("mk", "fern", time.Unix(1790000000+int64(n), 0))
	c.Committer = c.Author
	raw, err := audit.BuildCommit(c, audit.NewKeySigner("mk", ed25519.NewKeyFromSeed(make([]byte, 32))))
	must(b, err)
	objs[2] = audit.NewObject("commit", raw)
	return objs
}

// plumb does with stock git what Put and SetRef do: the same bytes, everything
// flushed, four processes.
func plumb(b *testing.B, dir, ref, old string, objs []audit.RawObject) {
	b.Helper()
	run := func(in []byte, args ...string) {
		cmd := exec.Command("git", append([]string{"-C", dir, "-c", "core.fsync=all", "-c", "core.fsyncMethod=fsync"}, args...)...)
		cmd.Stdin = bytes.NewReader(in)
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("git %v: %v\n%s", args, err, out)
		}
	}
	run(objs[0].Data, "hash-object", "-w", "--stdin")
	run([]byte("100644 blob "+objs[0].Hash+"\trecord.json\n"), "mktree")
	run(objs[2].Data, "hash-object", "-t", "commit", "-w", "--stdin")
	if old == "" {
		old = strings.Repeat("0", 40)
	}
	run(nil, "update-ref", ref, objs[2].Hash, old)
}

// bare does the flushes of an append and nothing else: four files written,
// flushed and renamed, and their four folders flushed, one after the other.
func bare(b *testing.B, dir string, n int, objs []audit.RawObject) {
	b.Helper()
	for i := 0; i < 4; i++ {
		data := []byte(strings.Repeat("0", 41))
		if i < 3 {
			data = objs[i].Data
		}
		folder := filepath.Join(dir, fmt.Sprintf("%02x", (4*n+i)%256))
		f, err := os.Create(filepath.Join(folder, "tmp"))
		must(b, err)
		_, err = f.Write(data)
		must(b, err)
		must(b, f.Sync())
		must(b, f.Close())
		must(b, os.Rename(f.Name(), filepath.Join(folder, fmt.Sprint(n))))
		must(b, syncDir(folder))
	}
}

// BenchmarkAppend measures a durable append of a signed record against stock
// git's plumbing for the same bytes and against the bare flushes, by turns in
// the same run. ns/op is of no use here: it holds all three.
func BenchmarkAppend(b *testing.B) {
	needGit(b)
	s := freshIn(b, b.TempDir())
	g := freshIn(b, b.TempDir())
	flat := b.TempDir()
	for i := 0; i < 256; i++ {
		must(b, os.Mkdir(filepath.Join(flat, fmt.Sprintf("%02x", i)), 0o777))
	}
	ref := refName(false, 0)
	var ours, gits, flushes time.Duration
	last, gitLast, n, m := "", "", 0, 0
	for b.Loop() {
		objs := signed(b, last, n)
		t := time.Now()
		unlock, err := s.Lock()
		must(b, err)
		must(b, s.Put(objs...))
		must(b, s.SetRef(ref, last, objs[2].Hash))
		unlock()
		ours += time.Since(t)
		last = objs[2].Hash
		t = time.Now()
		bare(b, flat, n, objs)
		flushes += time.Since(t)
		if n%10 == 0 {
			objs := signed(b, gitLast, n)
			t = time.Now()
			plumb(b, g.Dir(), ref, gitLast, objs)
			gits += time.Since(t)
			gitLast = objs[2].Hash
			m++
		}
		n++
	}
	each := float64(ours) / float64(n)
	b.ReportMetric(each/1e6, "ms/append")
	b.ReportMetric(each*float64(n)/float64(flushes), "of-bare-flushes")
	b.ReportMetric(each*float64(m)/float64(gits), "of-git-plumbing")
}

// BenchmarkRead measures reading and hashing again a chain of records, loose
// and packed, against `git fsck --full` of the same ledger.
func BenchmarkRead(b *testing.B) {
	needGit(b)
	const records = 1000
	s := freshIn(b, b.TempDir())
	ref := refName(false, 0)
	s.Inject(func(op Op) (int, error) { // the flushes of preparing it are not measured
		if !changes(op) {
			return 0, ErrLeftOut
		}
		return 0, nil
	})
	commits := chain(b, s, ref, records)
	s.Inject(nil)
	for _, how := range []string{"loose", "packed"} {
		if how == "packed" {
			must(b, s.Pack(allOf(b, s, commits[records-1])))
		}
		b.Run(how, func(b *testing.B) {
			var ours, gits time.Duration
			n := 0
			for b.Loop() {
				fresh := reopen(b, s)
				t := time.Now()
				_, err := reach(fresh, commits[records-1])
				ours += time.Since(t)
				must(b, err)
				must(b, fresh.Close())
				t = time.Now()
				fsck(b, s.Dir(), how)
				gits += time.Since(t)
				n++
			}
			b.ReportMetric(records*float64(n)/ours.Seconds(), "records/s")
			b.ReportMetric(float64(ours)/float64(gits), "of-git-fsck")
		})
	}
}

// BenchmarkPack measures packing a run's objects, with reading back and
// removing the loose ones, against `git repack -a -d` of the same.
func BenchmarkPack(b *testing.B) {
	needGit(b)
	const records = 300
	var ours, gits time.Duration
	n := 0
	for b.Loop() {
		s, g := freshIn(b, b.TempDir()), freshIn(b, b.TempDir())
		commits := chain(b, s, refName(false, 0), records)
		chain(b, g, refName(false, 0), records)
		all := allOf(b, s, commits[records-1])
		t := time.Now()
		must(b, s.Pack(all))
		ours += time.Since(t)
		t = time.Now()
		git(b, g.Dir(), "-c", "core.fsync=all", "repack", "-a", "-d", "-q")
		gits += time.Since(t)
		n++
	}
	b.ReportMetric(float64(ours)/float64(n*records)/1e3, "us/record")
	b.ReportMetric(float64(ours)/float64(gits), "of-git-repack")
}

// BenchmarkRecover measures a start in order beside 300 loose records.
func BenchmarkRecover(b *testing.B) {
	s := fresh(b)
	chain(b, s, refName(false, 0), 300)
	for b.Loop() {
		if _, err := s.Recover(refName(false, 0)); err != nil {
			b.Fatal(err)
		}
	}
}
