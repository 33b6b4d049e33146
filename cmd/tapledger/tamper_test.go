package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/runner/bench"
)

// tamper WHAT DIR ... does to a bench what somebody could do who has its disk,
// its seed and so all of its keys:
//
//	tamper flip DIR                    one bit in the middle of the largest pack
//	tamper cut DIR RUN N               the last N records off a run
//	tamper delete DIR REF              a ref
//	tamper forge DIR RUN SEQ OLD NEW   text in a record, everything after it made and signed anew
//	tamper swap DIR RUN SEQ            record SEQ and the one after it, made and signed anew
//	tamper leave-out DIR RUN SEQ       record SEQ, everything after it made and signed anew
//	tamper cut-main DIR N              the last N commits off main
//	tamper edition DIR ID PATH OLD NEW text in a file of an edition, with manifest and signature
//	tamper edition-file DIR ID PATH OLD NEW   the same, the manifest as it was
//	tamper attached DIR                a byte of a file beside the ledger
//	tamper withhold DIR                every file beside the ledger goes
//	tamper busy DIR                    another process holds the lock until the script ends
func tamper(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: tamper WHAT DIR ...")
	}
	dir := ts.MkAbs(args[1])
	v := &villain{dir: dir, git: filepath.Join(dir, bench.LedgerDir)}
	ts.Check(v.open())
	rest := args[2:]
	num := func(i int) int {
		n, err := strconv.Atoi(rest[i])
		ts.Check(err)
		return n
	}
	var err error
	switch args[0] {
	case "flip":
		err = v.flip()
	case "cut":
		err = v.cut(audit.RefRuns+v.run(rest[0]), num(1))
	case "cut-main":
		err = v.cut("refs/heads/main", num(0))
	case "delete":
		err = v.remove("refs/heads/" + v.named(rest[0]))
	case "forge":
		err = v.rewrite(v.run(rest[0]), func(recs []audit.Record) ([]audit.Record, error) {
			r := &recs[num(1)-1]
			if !bytes.Contains(r.Body, []byte(rest[2])) {
				return nil, fmt.Errorf("record %d does not hold %q: %s", r.Seq, rest[2], r.Body)
			}
			r.Body = bytes.ReplaceAll(r.Body, []byte(rest[2]), []byte(rest[3]))
			return recs, nil
		})
	case "swap":
		err = v.rewrite(v.run(rest[0]), func(recs []audit.Record) ([]audit.Record, error) {
			a, b := &recs[num(1)-1], &recs[num(1)]
			a.Kind, b.Kind, a.Body, b.Body = b.Kind, a.Kind, b.Body, a.Body
			return recs, nil
		})
	case "leave-out":
		err = v.rewrite(v.run(rest[0]), func(recs []audit.Record) ([]audit.Record, error) {
			return append(recs[:num(1)-1], recs[num(1):]...), nil
		})
	case "edition", "edition-file":
		err = v.edition(rest[0], rest[1], rest[2], rest[3], args[0] == "edition")
	case "attached":
		err = v.attached(func(name string, b []byte) error {
			b[len(b)/2] ^= 1
			return os.WriteFile(name, b, 0o600)
		})
	case "withhold":
		err = os.RemoveAll(filepath.Join(dir, "attachments"))
	case "busy":
		unlock, lerr := v.store.Lock()
		ts.Defer(func() {
			if lerr == nil {
				unlock()
			}
		})
		err = lerr
	default:
		ts.Fatalf("tamper %s?", args[0])
	}
	ts.Check(err)
}

type villain struct {
	dir, git string
	b        *bench.Bench
	store    *store.Store
	main     *bench.Main
}

func (v *villain) open() error {
	var err error
	if v.b, err = bench.Open(v.dir, bench.Options{}); err != nil {
		return err
	}
	if v.main, err = v.b.Main(); err != nil {
		return err
	}
	v.store, err = store.Open(v.git)
	return err
}

func (v *villain) run(name string) string {
	id, err := v.b.Run(name)
	if err != nil {
		return name
	}
	return id
}

// named lets a ref be given as runs/LABEL.
func (v *villain) named(ref string) string {
	if name, ok := strings.CutPrefix(ref, "runs/"); ok {
		return "runs/" + v.run(name)
	}
	return ref
}

func (v *villain) signer(who string) audit.Signer {
	return audit.NewKeySigner(who, bench.SimulatedKey(v.main.Bench.Seed, who, 0))
}

// point writes a ref's file, whatever git's rules are.
func (v *villain) point(ref, commit string) error {
	return os.WriteFile(filepath.Join(v.git, filepath.FromSlash(ref)), []byte(commit+"\n"), 0o644)
}

func (v *villain) remove(ref string) error {
	return os.Remove(filepath.Join(v.git, filepath.FromSlash(ref)))
}

func (v *villain) cut(ref string, n int) error {
	at, err := v.store.Ref(ref)
	for ; err == nil && n > 0; n-- {
		var c audit.Commit
		if c, err = audit.ReadCommit(v.store, at); err == nil {
			at = c.Parents[0]
		}
	}
	if err != nil {
		return err
	}
	return v.point(ref, at)
}

func (v *villain) flip() error {
	names, err := filepath.Glob(filepath.Join(v.git, "objects", "pack", "*.pack"))
	if err != nil || len(names) == 0 {
		return fmt.Errorf("no pack: %v", err)
	}
	var big string
	var most int64
	for _, n := range names {
		if info, err := os.Stat(n); err == nil && info.Size() > most {
			big, most = n, info.Size()
		}
	}
	b, err := os.ReadFile(big)
	if err != nil {
		return err
	}
	b[len(b)/2] ^= 0x10
	if err := os.Remove(big); err != nil { // the file may be linked into other benches
		return err
	}
	return os.WriteFile(big, b, 0o444)
}

// rewrite makes a run anew from changed records: numbers, chain, signatures.
func (v *villain) rewrite(run string, change func([]audit.Record) ([]audit.Record, error)) error {
	head, err := v.store.Ref(audit.RefRuns + run)
	if err != nil {
		return err
	}
	recs, _, err := audit.ReadRun(v.store, head)
	if err != nil {
		return err
	}
	if recs, err = change(recs); err != nil {
		return err
	}
	prev, parent := audit.ZeroPrev, recs[0].Main
	for i := range recs {
		recs[i].Seq, recs[i].Prev = int64(i+1), prev
		hash, objects, err := audit.NewRunCommit(v.store, audit.RunSpec{Record: recs[i], Parent: parent, Bench: v.main.Bench.ID, Subject: "forged"}, v.signer(recs[i].By))
		if err != nil {
			return err
		}
		if err := v.store.Put(objects...); err != nil {
			return err
		}
		b, err := recs[i].Bytes()
		if err != nil {
			return err
		}
		prev, parent = audit.Hash(b), hash
	}
	return v.point(audit.RefRuns+run, parent)
}

// edition changes a file of an edition and commits it anew over the old one.
func (v *villain) edition(id, path, old, new string, manifest bool) error {
	head, err := v.store.Ref(audit.RefEditions + id)
	if err != nil {
		return err
	}
	c, err := audit.ReadCommit(v.store, head)
	if err != nil {
		return err
	}
	files, err := audit.ReadFiles(v.store, head)
	if err != nil {
		return err
	}
	if !bytes.Contains(files[path], []byte(old)) {
		return fmt.Errorf("%s does not hold %q: %.400s", path, old, files[path])
	}
	files[path] = bytes.Replace(files[path], []byte(old), []byte(new), 1)
	if manifest {
		m, err := audit.ParseManifest(files[audit.ManifestFile])
		if err != nil {
			return err
		}
		if files[audit.ManifestFile], err = audit.MakeManifest(m, files); err != nil {
			return err
		}
	}
	heads := map[string]string{}
	for i, p := range c.Parents[1:] {
		heads[fmt.Sprintf("run-%04d", i)] = p
	}
	hash, objects, err := audit.NewEditionCommit(audit.EditionSpec{ID: id, Main: c.Parents[0], Heads: heads, Files: files, Bench: v.main.Bench.ID,
		Author: c.Author.ID, Date: time.Unix(c.Committer.Unix, 0), Subject: "forged"}, v.signer(c.Committer.ID))
	if err != nil {
		return err
	}
	if err := v.store.Put(objects...); err != nil {
		return err
	}
	return v.point(audit.RefEditions+id, hash)
}

func (v *villain) attached(change func(name string, b []byte) error) error {
	names, err := filepath.Glob(filepath.Join(v.dir, "attachments", "*.salt"))
	if err != nil || len(names) == 0 {
		return fmt.Errorf("no attachment: %v", err)
	}
	name := strings.TrimSuffix(names[0], ".salt")
	b, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	return change(name, b)
}
