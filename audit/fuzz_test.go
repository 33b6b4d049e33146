package audit

import (
	"bytes"
	"testing"
)

// The fuzz targets hold the strict readers to one promise: what is read is
// written again as the same bytes, and nothing panics. Their seeds run with
// every go test.

func FuzzParseRecord(f *testing.F) {
	r := goodRecord()
	b, err := r.Bytes()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	r.Seq, r.Prev, r.Body = 2, Hash(b), []byte("{\"a\":[1,{\"b\":\"\u00e9\\n\\\"\"}],\"format\":\"body/12\"}")
	b2, err := r.Bytes()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b2)
	for _, s := range []string{"", "{}", "{}\n", "[[[[", "{\"a\":1e9}", "{\"a\":\"\\ud800\"}", "{\"format\":\"record/2\"}"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		if c, err := CanonicalJSON(in); err == nil {
			again, err := CanonicalJSON(c)
			if err != nil || !bytes.Equal(again, c) {
				t.Fatalf("canonical bytes are not stable: %q, %q, %v", c, again, err)
			}
		}
		r, err := ParseRecord(in)
		if err != nil {
			return
		}
		out, err := r.Bytes()
		if err != nil || !bytes.Equal(out, in) {
			t.Fatalf("read %q, written %q, %v", in, out, err)
		}
	})
}

func FuzzParseCommit(f *testing.F) {
	raw, err := BuildCommit(commitSpec(), testSigner("mk"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Add([]byte("tree \n\n"))
	f.Add([]byte("\n\n"))
	f.Add(bytes.Replace(raw, []byte("gpgsig "), []byte("gpgsig \n gpgsig "), 1))
	f.Fuzz(func(t *testing.T, in []byte) {
		c, err := ParseCommit("", in)
		if err != nil {
			return
		}
		spec := CommitSpec{Tree: c.Tree, Parents: c.Parents, Author: c.Author, Committer: c.Committer, Message: c.Message}
		if out := spec.encode(c.Signature); !bytes.Equal(out, in) {
			t.Fatalf("read %q, written %q", in, out)
		}
		_, _ = VerifySignature(NamespaceGit, c.Payload, c.Signature)
	})
}

func FuzzParseTree(f *testing.F) {
	root, objects := BuildTree(map[string][]byte{"a.b": {1}, "a/c": {2}, "a0": {3}})
	for _, o := range objects {
		if o.Hash == root {
			f.Add(o.Data)
			f.Add(o.Data[:len(o.Data)-1])
		}
	}
	f.Add([]byte("40000 \x00"))
	f.Fuzz(func(t *testing.T, in []byte) {
		list, err := ParseTree(in)
		if err != nil {
			return
		}
		if out := EncodeTree(list); !bytes.Equal(out, in) {
			t.Fatalf("read %q, written %q", in, out)
		}
	})
}

func FuzzParseAllowed(f *testing.F) {
	a, err := Allowed{}.Add("mk", testSigner("mk").Public())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(a.Format())
	f.Add(bytes.Replace(a.Format(), []byte("\" ssh"), []byte("\",valid-before=\"20260302091407Z\" ssh"), 1))
	f.Add([]byte("\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		a, err := ParseAllowed(in)
		if err == nil && !bytes.Equal(a.Format(), in) {
			t.Fatalf("read %q, written %q", in, a.Format())
		}
	})
}

func FuzzParseCheckpoint(f *testing.F) {
	c := Checkpoint{Bench: "fern", Main: ObjectID("blob", nil), Records: 3, Runs: []CheckpointRun{{runID("aaaa"), 3, Hash(nil)}, {runID("bbbb"), 0, ZeroPrev}}}
	f.Add(c.Text())
	f.Add([]byte(CheckpointFormat + "\nbench \nmain \nrecords \n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		c, err := ParseCheckpoint(in)
		if err == nil && !bytes.Equal(c.Text(), in) {
			t.Fatalf("read %q, written %q", in, c.Text())
		}
	})
}
