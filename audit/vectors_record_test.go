package audit

import (
	"bytes"
	"time"
)

func recordVectors() []vector {
	return []vector{
		{name: "prev-wrong", code: "chain_prev", why: "prev names another record than the one before", build: spoiled(func(d *draft) {
			d.rec.Prev = Hash([]byte("another record"))
		})},
		{name: "run-other", code: "chain_run", why: "the record names another run", build: tiny(func(l *ledger) {
			b := runID("bbbb")
			l.forge(b, "entry", "moss", func(d *draft) {
				raw, err := d.rec.Bytes()
				l.must(err)
				d.bytes = bytes.Replace(raw, []byte(b), []byte(runID("aaaa")), 1)
			})
		})},
		{name: "made-back", code: "time_back", why: "made lies before that of the record before", build: tiny(func(l *ledger) {
			l.forge(runID("bbbb"), "entry", "moss", func(d *draft) { d.rec.Made = Time(l.now.Add(-2 * time.Second)); atMade(d) })
		})},
		{name: "main-back", code: "main_back", also: []string{"backdated"}, why: "a record names an older main than the record before it", build: do(func(l *ledger) {
			l.add(runID("aaaa"), "entry", "ash")
			l.forge(runID("aaaa"), "entry", "ash", func(d *draft) { d.rec.Main = l.mains[1] })
		})},
		{name: "main-unknown", code: "main_unknown", why: "a record names a main commit that is not on main", build: spoiled(func(d *draft) {
			d.rec.Main = "00000000000000000000000000000000000000aa"
		})},
		{name: "record-unknown-format", code: "record_format", why: "the envelope has a format that is not known", build: rewritten(`"record/1"`, `"record/2"`)},
		{name: "record-unknown-field", code: "record_bad", why: "the envelope has a field that its format does not know", build: rewritten(`"format":"record/1"`, `"extra":"","format":"record/1"`)},
		{name: "record-missing-field", code: "record_bad", why: "the envelope lacks a field", build: rewritten(`,"via":"key"`, ``)},
		{name: "record-not-canonical", code: "record_bad", why: "a space stands after a colon", build: rewritten(`"clock":"`, `"clock": "`)},
		{name: "record-key-order", code: "record_bad", why: "two keys stand in the wrong order", build: rewritten(`"seq":2,"via":"key"`, `"via":"key","seq":2`)},
		{name: "record-two-lines", code: "record_bad", why: "a second line feed stands at the end", build: rewritten("}\n", "}\n\n")},
		{name: "record-duplicate-key", code: "record_bad", why: "a key stands twice", build: rewritten(`"via":"key"`, `"via":"key","via":"key"`)},
		{name: "record-fraction", code: "record_bad", why: "a number is a fraction", build: rewritten(`"format":"body/1"`, `"amount":1.5,"format":"body/1"`)},
		{name: "record-boolean", code: "record_bad", why: "a value is a boolean", build: rewritten(`"format":"body/1"`, `"dry":true,"format":"body/1"`)},
		{name: "record-control-character", code: "record_bad", why: "text holds U+0085", build: rewritten("entry by", "entry\u0085by")},
		{name: "record-bad-utf8", code: "record_bad", why: "text is not UTF-8", build: rewritten("entry by", "entry\xffby")},
		{name: "record-escaped-slash", code: "record_bad", why: "a slash is escaped where the shortest form is not", build: rewritten("body/1", `body\/1`)},
	}
}

func commitVectors() []vector {
	b := runID("bbbb")
	return []vector{
		{name: "wrong-key", code: "wrong_key", why: "the record says moss, ash's key signed it", build: spoiled(func(d *draft) {
			d.signer, d.spec.Committer.ID = testSigner("ash"), "ash"
		})},
		{name: "page-other-key", code: "wrong_key", why: "written through the page, but signed with a person's key", build: spoiled(func(d *draft) {
			d.rec.Via = "page"
		})},
		{name: "page-unlisted-person", code: "unlisted_key", why: "written through the page for someone who has no key there", build: tiny(func(l *ledger) {
			l.forge(b, "entry", "rowan", func(d *draft) {
				d.rec.Via, d.signer, d.spec.Committer.ID = "page", testSigner(BenchPrincipal), BenchPrincipal
			})
		})},
		{name: "unlisted-signer", code: "unlisted_key", why: "signed with a key that the bench never listed", build: spoiled(func(d *draft) { d.signer = testSigner("rowan") })},
		{name: "signature-broken", code: "signature", why: "the subject was changed after signing", build: tiny(func(l *ledger) {
			changeCommit(l, b, []byte("\n\nopened\n"), []byte("\n\nOpened\n"))
		})},
		{name: "signature-namespace", code: "signature", why: "a commit was signed in the namespace of checkpoints", build: spoiled(func(d *draft) {
			d.signer = otherSpace{testSigner("moss")}
		})},
		{name: "trailer-wrong", code: "trailer", why: "the signed message names other bytes than the record", build: spoiled(func(d *draft) { d.trailer = Hash([]byte("other")) })},
		{name: "date-not-made", code: "date", why: "the commit is dated one second after made", build: spoiled(func(d *draft) {
			d.spec.Author.Unix++
			d.spec.Committer.Unix++
		})},
		{name: "author-other", code: "author", why: "the commit's author is not who the record says", build: spoiled(func(d *draft) { d.spec.Author.ID = "ash" })},
		{name: "author-other-bench", code: "author", why: "author and committer name another bench", build: spoiled(func(d *draft) {
			d.spec.Author.Bench, d.spec.Committer.Bench = "other", "other"
		})},
		{name: "tree-extra-file", code: "tree_extra", why: "a further file stands beside the record", build: tiny(func(l *ledger) {
			extra := NewObject("blob", []byte("hello\n"))
			l.must(l.m.Put(extra))
			l.forge(b, "entry", "moss", func(d *draft) { d.entries = []Entry{{Name: "extra.txt", Hash: extra.Hash}, {Name: RecordFile}} })
		})},
		{name: "header-twice", code: "commit_bad", why: "the commit has two author lines", build: tiny(func(l *ledger) {
			resignCommit(l, b, "author ", "author moss <moss@fern.invalid> 1772442000 +0000\nauthor ")
		})},
		{name: "header-zone", code: "commit_bad", why: "the commit's dates have a zone other than +0000", build: tiny(func(l *ledger) {
			resignCommit(l, b, "+0000", "+0100")
		})},
		{name: "parent-two", code: "chain_parent", why: "a commit of a run has two parents", build: do(func(l *ledger) {
			l.forge(b, "entry", "moss", func(d *draft) { d.spec.Parents = append(d.spec.Parents, l.heads[runID("aaaa")]) })
		})},
		{name: "parent-none", code: "chain_parent", why: "the first commit of a run has no parent", build: do(func(l *ledger) {
			l.registerRun(runID("cccc"), "ash")
			l.forge(runID("cccc"), KindOpened, "ash", func(d *draft) { d.spec.Parents = nil })
		})},
	}
}

// otherSpace signs in the wrong namespace.
type otherSpace struct{ Signer }

func (o otherSpace) Sign(_ string, msg []byte) ([]byte, error) {
	return o.Signer.Sign(NamespaceCheckpoint, msg)
}

// changeCommit replaces the head commit of a run by its bytes with a change,
// signature left as it was.
func changeCommit(l *ledger, run string, old, new []byte) {
	_, raw, err := l.m.Object(l.heads[run])
	l.must(err)
	c := NewObject("commit", bytes.Replace(raw, old, new, 1))
	l.must(l.m.Put(c))
	l.must(l.m.SetRef(RefRuns+run, l.heads[run], c.Hash))
	l.heads[run] = c.Hash
}

// resignCommit changes the payload of the head commit of a run and signs it
// again with moss's key.
func resignCommit(l *ledger, run, old, new string) {
	c, err := ReadCommit(l.m, l.heads[run])
	l.must(err)
	payload := bytes.ReplaceAll(c.Payload, []byte(old), []byte(new))
	sig, err := testSigner("moss").Sign(NamespaceGit, payload)
	l.must(err)
	head, message, _ := bytes.Cut(payload, []byte("\n\n"))
	text := bytes.ReplaceAll(bytes.TrimSuffix(sig, []byte("\n")), []byte("\n"), []byte("\n "))
	raw := bytes.Join([][]byte{head, append([]byte("gpgsig "), text...), nil, message}, []byte("\n"))
	o := NewObject("commit", raw)
	l.must(l.m.Put(o))
	l.must(l.m.SetRef(RefRuns+run, l.heads[run], o.Hash))
	l.heads[run] = o.Hash
}

func mainVectors() []vector {
	doc := "documents/bench/fern/1.0.0.yaml"
	return []vector{
		{name: "signers-changed-unlisted", code: "signers_change", also: []string{"unlisted_key"}, why: "someone who is not listed put their own key into the list", build: tiny(func(l *ledger) {
			list, err := l.list.Add("rowan", testSigner("rowan").Public())
			l.must(err)
			l.commitMain("rowan", "Add rowan", map[string][]byte{AllowedFile: list.Format()})
		})},
		{name: "signers-changed-by-bench", code: "signers_change", why: "the list of keys was changed with the bench's own key", build: tiny(func(l *ledger) {
			list, err := l.list.Add("rowan", testSigner("rowan").Public())
			l.must(err)
			l.commitMain(BenchPrincipal, "Add rowan", map[string][]byte{AllowedFile: list.Format()})
		})},
		{name: "signers-line-gone", code: "signers_bad", why: "a line was taken out of the list of keys", build: tiny(func(l *ledger) {
			list := Allowed{Lines: l.list.Lines[:2]}
			l.commitMain("ash", "Remove moss", map[string][]byte{AllowedFile: list.Format()})
		})},
		{name: "document-changed", code: "main_file", why: "a document was changed under its version", build: tiny(func(l *ledger) {
			l.commitMain("ash", "Touch up", map[string][]byte{doc: []byte("kind: bench\n")})
		})},
		{name: "main-extra-file", code: "main_file", why: "main holds a file that the format does not know", build: tiny(func(l *ledger) {
			l.commitMain("ash", "Add a file", map[string][]byte{"notes.txt": []byte("hello\n")})
		})},
		{name: "register-entry-changed", code: "register_bad", why: "an entry of the register was changed", build: do(func(l *ledger) {
			p, b, err := RunOpened{Run: runID("aaaa"), By: "ash", Made: Time(l.now), Unit: "unit-b", Protocol: "short"}.File()
			l.must(err)
			l.commitMain("ash", "Change an entry", map[string][]byte{p: b})
		})},
		{name: "register-entry-gone", code: "register_bad", why: "an entry of the register was taken away together with its run", also: []string{"run_missing"}, build: do(func(l *ledger) {
			files := mainFiles(l)
			for p := range files {
				if bytes.HasPrefix([]byte(p), []byte("register/"+runID("aaaa"))) {
					delete(files, p)
				}
			}
			forgeMainTree(l, files, Hash(TreeLines(files)))
			l.must(l.m.SetRef(RefRuns+runID("aaaa"), l.heads[runID("aaaa")], ""))
		})},
		{name: "main-trailer-wrong", code: "trailer", why: "the signed message of a main commit names other files", build: tiny(func(l *ledger) {
			files := mainFiles(l)
			forgeMainTree(l, files, Hash([]byte("other")))
		})},
		{name: "main-cut", code: "checkpoint_main", why: "the newest main commit was cut off, a kept checkpoint names it", build: func(l *ledger) []byte {
			base(l)
			before := l.main
			l.forgeMain("ash", "Say more", map[string][]byte{"README.md": []byte("More words.\n")})
			c := l.checkpoint()
			l.must(l.m.SetRef(RefMain, l.main, before))
			return c
		}},
		{name: "main-time-back", code: "time_back", why: "a main commit is dated before its parent", build: tiny(func(l *ledger) {
			files := mainFiles(l)
			l.now = l.now.Add(-time.Hour)
			forgeMainTree(l, files, Hash(TreeLines(files)))
		})},
		{name: "root-other", code: "root_other", why: "main was begun with another key than the expected one", root: Fingerprint(testSigner("moss").Public()), build: tiny(func(*ledger) {})},
		{name: "ref-unknown", code: "ref_unknown", why: "a branch stands beside those of the format", build: tiny(func(l *ledger) { l.must(l.m.SetRef("refs/heads/draft", "", l.main)) })},
	}
}

// mainFiles gives main's files with the heads that moved since.
func mainFiles(l *ledger) map[string][]byte {
	files, err := ReadFiles(l.m, l.main)
	l.must(err)
	moved, err := RegisterFiles(l.m, l.main)
	l.must(err)
	for p, b := range moved {
		files[p] = b
	}
	return files
}

// forgeMainTree commits files as main's whole tree under any trailer.
func forgeMainTree(l *ledger, files map[string][]byte, trailer string) {
	root, objects := BuildTree(files)
	message, err := Message("Change main", "", TrailerTree, trailer)
	l.must(err)
	who := NewIdent("ash", testBench, l.now)
	raw, err := BuildCommit(CommitSpec{Tree: root, Parents: []string{l.main}, Author: who, Committer: who, Message: message}, testSigner("ash"))
	l.must(err)
	c := NewObject("commit", raw)
	l.must(l.m.Put(append(objects, c)...))
	l.must(l.m.SetRef(RefMain, l.main, c.Hash))
	l.main = c.Hash
}

func editionVectors() []vector {
	edition := func(spoil func(files map[string][]byte, heads map[string]string)) func(l *ledger) []byte {
		return do(func(l *ledger) { l.publish("first", "ash", spoil) })
	}
	return []vector{
		{name: "edition-file-unlisted", code: "edition_file", why: "a file of the edition is not in its manifest", build: edition(func(files map[string][]byte, _ map[string]string) {
			files["core/more.json"] = []byte("{}\n")
		})},
		{name: "edition-file-changed", code: "edition_file", why: "a score was changed, its manifest was not", build: edition(func(files map[string][]byte, _ map[string]string) {
			files["core/scores.json"] = []byte("{\"unit-a\":\"99\"}\n")
		})},
		{name: "edition-run-left-out", code: "edition_parents", why: "the edition does not name the head of a registered run", build: edition(func(_ map[string][]byte, heads map[string]string) {
			delete(heads, runID("aaaa"))
		})},
		{name: "edition-run-cut", code: "edition_parents", why: "the edition takes a run below the head that main names", build: do(func(l *ledger) {
			c, err := ReadCommit(l.m, l.heads[runID("aaaa")])
			l.must(err)
			l.publish("first", "ash", func(_ map[string][]byte, heads map[string]string) { heads[runID("aaaa")] = c.Parents[0] })
		})},
		{name: "edition-evidence-changed", code: "edition_evidence", why: "a record shown as evidence is not the one in the run", build: edition(func(files map[string][]byte, _ map[string]string) {
			files["evidence/"+runID("aaaa")+"/records/000002.json"] = files["evidence/"+runID("aaaa")+"/records/000003.json"]
			delete(files, ManifestFile)
			m, err := MakeManifest(Manifest{ID: "first", Made: "2026-03-02T10:00:00.000Z"}, files)
			if err != nil {
				panic(err)
			}
			files[ManifestFile] = m
		})},
		{name: "edition-deleted", code: "edition_missing", why: "the branch of an edition that main names was deleted", build: do(func(l *ledger) {
			hash := l.publish("first", "ash", nil)
			l.commitMain("ash", "Say more", map[string][]byte{"README.md": []byte("More words.\n")})
			l.must(l.m.SetRef(RefEditions+"first", hash, ""))
		})},
	}
}
