package audit

import (
	"crypto/ed25519"
	"testing"
	"time"
)

// benchLedger: runs of 30 records each, closed, in memory.
func benchLedger(b *testing.B, runs int) *ledger {
	b.Helper()
	t := &testing.T{}
	l := newLedger(t)
	for i := range runs {
		run := runID(string([]byte{'a' + byte(i/26%26), 'a' + byte(i%26), 'q', 'q'}))
		l.open(run, "ash")
		for range 28 {
			l.add(run, "entry", "moss")
		}
		l.closeRun(run, "ash", KindClosed)
	}
	return l
}

// bareWork is what no verifier can leave out: the name of every object and
// every signature.
func bareWork(b *testing.B, l *ledger) time.Duration {
	b.Helper()
	start := time.Now()
	for _, h := range l.m.Hashes() {
		o := l.m.objects[h]
		if ObjectID(o.Type, o.Data) != h {
			b.Fatal("an object has another name")
		}
		if o.Type != "commit" {
			continue
		}
		c, err := ParseCommit(h, o.Data)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := VerifySignature(NamespaceGit, c.Payload, c.Signature); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start)
}

// BenchmarkVerify prints records a second, and how many times the bare work
// (names and signatures) of the same run a whole verification takes.
func BenchmarkVerify(b *testing.B) {
	l := benchLedger(b, 30)
	bare := min(bareWork(b, l), bareWork(b, l))
	var records int64
	b.ResetTimer()
	for b.Loop() {
		rep, err := Verify(l.m, Options{})
		if err != nil || !rep.Good() {
			b.Fatalf("%v %v", rep.Faults, err)
		}
		records = rep.Records
	}
	each := b.Elapsed() / time.Duration(b.N)
	b.ReportMetric(float64(records)/each.Seconds(), "records/s")
	b.ReportMetric(float64(each)/float64(bare), "x-bare")
}

// BenchmarkRecord prints reading and writing one record, against one ed25519
// signature of the same run.
func BenchmarkRecord(b *testing.B) {
	raw, err := goodRecord().Bytes()
	if err != nil {
		b.Fatal(err)
	}
	key := testKey("mk")
	start := time.Now()
	for range 1000 {
		ed25519.Sign(key, raw)
	}
	sign := time.Since(start) / 1000
	b.ResetTimer()
	for b.Loop() {
		r, err := ParseRecord(raw)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := r.Bytes(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed()/time.Duration(b.N))/float64(sign), "x-signature")
}
