package audit

import (
	"bytes"
	"maps"
	"slices"
	"time"
)

func objectCases() []spoiledCase {
	return []spoiledCase{
		{name: "record gone", codes: []string{"object_missing"}, spoil: dropObject(recordA)},
		{name: "record altered in place", codes: []string{"object_hash"}, spoil: alterObject(recordA)},
		{name: "tree gone", codes: []string{"object_missing"}, spoil: dropObject(func(l *ledger) string { return l.treeOf(l.heads[caseA]) })},
		{name: "head commit gone", codes: []string{"object_missing", "run_cut"}, spoil: dropObject(headA)},
		{name: "head commit altered", codes: []string{"object_hash", "run_cut"}, spoil: alterObject(headA)},
		{name: "main document gone", codes: []string{"object_missing"}, spoil: dropObject(func(l *ledger) string { return l.blobAt(l.main, "README.md") })},
		{name: "main list altered", codes: []string{"object_hash"}, spoil: alterObject(func(l *ledger) string { return l.blobAt(l.main, AllowedFile) })},
		{name: "a main commit gone", codes: []string{"object_missing"}, spoil: dropObject(func(l *ledger) string { return l.mains[0] })},
		{name: "main leads to a tree", codes: []string{"object_type"}, spoil: func(l *ledger) { l.must(l.m.SetRef(RefMain, l.main, l.treeOf(l.main))) }},
		{name: "record is a tree", codes: []string{"tree_extra"}, spoil: func(l *ledger) {
			l.cut(caseA, 1)
			l.last[caseA] = firstOf(l, caseA)
			l.forge(caseA, "entry", "ash", func(d *draft) { d.entries = []Entry{{Dir: true, Name: RecordFile, Hash: l.treeOf(l.heads[caseA])}} })
		}},
		{name: "run ref half", codes: []string{"ref_bad", "run_missing"}, spoil: func(l *ledger) { l.m.refs[RefRuns+caseA] = l.heads[caseA][:20] }},
		{name: "run ref name", codes: []string{"ref_bad"}, spoil: func(l *ledger) { l.m.refs[RefRuns+"x"] = l.heads[caseA] }},
		{name: "no main", codes: []string{"main_missing"}, spoil: func(l *ledger) { delete(l.m.refs, RefMain) }},
		{name: "tree out of order", codes: []string{"tree_bad"}, spoil: func(l *ledger) {
			l.forge(caseB, "entry", "moss", func(d *draft) {
				raw, err := d.rec.Bytes()
				l.must(err)
				d.entries = []Entry{{Name: "Record.json", Hash: ObjectID("blob", raw)}, {Name: "con"}, {Name: RecordFile}}
			})
		}},
	}
}

func mainCases() []spoiledCase {
	return []spoiledCase{
		{name: "root not in its list", codes: []string{"root_unsigned", "unlisted_key"}, spoil: func(l *ledger) {
			files, err := ReadFiles(l.m, l.mains[0])
			l.must(err)
			list, err := Allowed{}.Add("ash", testSigner("rowan").Public())
			l.must(err)
			files[AllowedFile] = list.Format()
			hash, objects, err := NewMainCommit(l.m, MainSpec{Put: files, Bench: testBench, Author: "ash", Date: l.now, Subject: "Begin"}, testSigner("ash"))
			l.must(err)
			l.m.refs = map[string]string{RefMain: hash}
			l.must(l.m.Put(objects...))
		}},
		{name: "main with two parents", codes: []string{"main_chain"}, spoil: func(l *ledger) {
			files := mainFiles(l)
			root, objects := BuildTree(files)
			message, err := Message("Join", "", TrailerTree, Hash(TreeLines(files)))
			l.must(err)
			l.tick(time.Minute)
			who := NewIdent("ash", testBench, l.now)
			raw, err := BuildCommit(CommitSpec{Tree: root, Parents: []string{l.main, l.mains[1]}, Author: who, Committer: who, Message: message}, testSigner("ash"))
			l.must(err)
			c := NewObject("commit", raw)
			l.must(l.m.Put(append(objects, c)...))
			l.must(l.m.SetRef(RefMain, l.main, c.Hash))
		}},
		{name: "no bench document", codes: []string{"bench_bad"}, spoil: func(l *ledger) {
			hash, objects, err := NewMainCommit(l.m, MainSpec{Put: map[string][]byte{AllowedFile: l.list.Format()}, Bench: testBench, Author: "ash", Date: l.now, Subject: "Begin"}, testSigner("ash"))
			l.must(err)
			l.m.refs = map[string]string{RefMain: hash}
			l.must(l.m.Put(objects...))
		}},
		{name: "simulated taken back", codes: []string{"bench_bad"}, spoil: func(l *ledger) {
			l.commitMain("ash", "No longer simulated", map[string][]byte{"documents/bench/fern/1.0.1.json": []byte("{\"simulated\":\"no\"}\n")})
		}},
		{name: "key used on main after it ended", codes: []string{"key_ended"}, spoil: func(l *ledger) {
			l.endKey("moss", "ash")
			l.commitMain("moss", "Say more", map[string][]byte{"README.md": []byte("x\n")})
		}},
	}
}

func keyCases() []spoiledCase {
	return []spoiledCase{
		{name: "key ended before the commit that says so", codes: []string{"signers_bad"}, spoil: func(l *ledger) {
			var err error
			l.list, err = l.list.End(Fingerprint(testSigner("moss").Public()), l.now.Add(-time.Second))
			l.must(err)
			putFile(l, AllowedFile, string(l.list.Format()))
		}},
		{name: "key used on main after it ended, within its time", codes: []string{"key_ended"}, spoil: func(l *ledger) {
			var err error
			l.list, err = l.list.End(Fingerprint(testSigner("moss").Public()), l.now.Add(time.Hour))
			l.must(err)
			putFile(l, AllowedFile, string(l.list.Format()))
			l.commitMain("moss", "Say more", map[string][]byte{"README.md": []byte("x\n")})
		}},
		{name: "bench document replaced", codes: []string{"bench_bad", "main_file"}, spoil: func(l *ledger) {
			all := mainFiles(l)
			delete(all, "documents/bench/fern/1.0.0.json")
			all["documents/bench/fern/2.0.0.json"] = []byte("{\"simulated\":\"no\"}\n")
			forgeMainTree(l, all, Hash(TreeLines(all)))
		}},
		{name: "list of keys gone", codes: []string{"main_file", "signers_bad"}, spoil: func(l *ledger) {
			all := mainFiles(l)
			delete(all, AllowedFile)
			forgeMainTree(l, all, Hash(TreeLines(all)))
		}},
		{name: "README gone", codes: []string{"main_file"}, spoil: func(l *ledger) {
			all := mainFiles(l)
			delete(all, "README.md")
			forgeMainTree(l, all, Hash(TreeLines(all)))
		}},
		{name: "document gone", codes: []string{"main_file"}, spoil: func(l *ledger) {
			all := mainFiles(l)
			delete(all, "documents/bench/fern/1.0.0.yaml")
			forgeMainTree(l, all, Hash(TreeLines(all)))
		}},
		{name: "main commit with two dates", codes: []string{"date"}, spoil: func(l *ledger) { forgeMainCommit(l, func(c *CommitSpec) { c.Author.Unix-- }) }},
		{name: "main commit without trailer", codes: []string{"trailer"}, spoil: func(l *ledger) { forgeMainCommit(l, func(c *CommitSpec) { c.Message = "Say more\n" }) }},
		{name: "main commit for someone else", codes: []string{"wrong_key"}, spoil: func(l *ledger) { forgeMainCommit(l, func(c *CommitSpec) { c.Author.ID = "moss" }) }},
	}
}

func registerCases() []spoiledCase {
	return []spoiledCase{
		{name: "head named otherwise", codes: []string{"head_differs"}, spoil: func(l *ledger) {
			l.add(caseB, "entry", "moss")
			_, data, err := Head{Run: caseB, Seq: 3, Record: Hash([]byte("other"))}.File()
			l.must(err)
			l.forgeMain("ash", "Name another head", map[string][]byte{"register/" + caseB + "/head.json": data})
		}},
		{name: "head named back", codes: []string{"register_bad", "head_differs", "backdated"}, spoil: func(l *ledger) {
			_, data, err := Head{Run: caseA, Seq: 1, Record: Hash([]byte("other"))}.File()
			l.must(err)
			l.forgeMain("ash", "Name an older head", map[string][]byte{"register/" + caseA + "/head.json": data})
		}},
		{name: "head not named", codes: []string{"backdated"}, spoil: func(l *ledger) { l.forgeMain("ash", "Say more", map[string][]byte{"README.md": []byte("x\n")}) }},
		{name: "register says never started", codes: []string{"closing_differs", "register_bad"}, spoil: func(l *ledger) {
			p, data, err := Closing{Run: caseB, By: "moss", Made: Time(l.now), How: HowNeverStarted, Record: ZeroPrev}.File(1)
			l.must(err)
			l.commitMain("moss", "Close", map[string][]byte{p: data})
		}},
		{name: "file beside the folders of the register", codes: []string{"register_bad"}, spoil: func(l *ledger) { putFile(l, "register/x.json", "{}\n") }},
		{name: "unknown file in the register", codes: []string{"register_bad"}, spoil: func(l *ledger) { putFile(l, "register/"+caseB+"/note.json", "{}\n") }},
		{name: "opened before it was registered", codes: []string{"backdated", "run_unregistered"}, spoil: func(l *ledger) {
			old := l.main
			l.registerRun(runID("cccc"), "ash")
			l.forge(runID("cccc"), KindOpened, "ash", func(d *draft) { d.rec.Main, d.spec.Parents = old, []string{old} })
		}},
		{name: "register closes at an entry", codes: []string{"closing_differs"}, spoil: func(l *ledger) { l.registerClosing(caseB, "moss", HowClosed) }},
		{name: "closed, then reopened, the register silent", codes: []string{"closing_differs", "reopen"}, spoil: func(l *ledger) { l.add(caseB, KindClosed, "moss"); l.add(caseB, KindReopened, "moss") }},
		{name: "register reopens and closes alone", codes: []string{"closing_differs", "reopen"}, spoil: func(l *ledger) {
			l.closeRun(caseB, "moss", KindClosed)
			for n := 1; n <= 2; n++ {
				p, data, err := Reopening{Run: caseB, By: "moss", Made: Time(l.now), Reason: "x"}.File(n)
				l.must(err)
				l.commitMain("moss", "Reopen", map[string][]byte{p: data})
				if n == 1 {
					l.registerClosing(caseB, "moss", KindClosed)
				}
			}
		}},
	}
}

func runCases() []spoiledCase {
	return []spoiledCase{
		{name: "run registered after it was carried out", codes: []string{"run_unregistered"}, spoil: func(l *ledger) {
			run := runID("cccc")
			put, err := RegisterFiles(l.m, l.main)
			l.must(err)
			l.add(run, KindOpened, "ash")
			h, err := headOf(l.m, run, l.heads[run])
			l.must(err)
			path, b, err := h.File()
			l.must(err)
			put[path] = b
			path, b, err = RunOpened{Run: run, By: "ash", Made: Time(l.now), Unit: "unit-a", Protocol: "short"}.File()
			l.must(err)
			put[path] = b
			l.forgeMain("ash", "Register it late", put)
		}},
		{name: "branch of a run at a main commit", codes: []string{"run_missing"}, spoil: func(l *ledger) { l.m.refs[RefRuns+caseB] = l.main }},
		{name: "closing without its sheet", codes: []string{"closing_tree"}, spoil: func(l *ledger) { l.forge(caseB, KindClosed, "moss", func(*draft) {}) }},
		{name: "sheet without closing", codes: []string{"tree_extra"}, spoil: func(l *ledger) {
			l.forge(caseB, "entry", "moss", func(d *draft) {
				d.entries = []Entry{{Name: RecordFile}, {Dir: true, Name: RecordsDir, Hash: l.treeOf(l.heads[caseB])}}
			})
		}},
		{name: "committer other than the key's owner", codes: []string{"author"}, spoil: forgeEntry(func(_ *ledger, d *draft) { d.spec.Committer.ID = "ash" })},
		{name: "record commit without trailer", codes: []string{"trailer"}, spoil: forgeEntry(func(_ *ledger, d *draft) { d.message = "entry\n" })},
		{name: "commit without a file", codes: []string{"tree_extra"}, spoil: forgeEntry(func(_ *ledger, d *draft) { d.entries = []Entry{} })},
		{name: "opened twice", codes: []string{"chain_seq"}, spoil: func(l *ledger) { l.add(caseB, KindOpened, "moss") }},
		{name: "begun with an entry", codes: []string{"chain_seq"}, spoil: func(l *ledger) { l.registerRun(runID("cccc"), "ash"); l.add(runID("cccc"), "entry", "ash") }},
		{name: "begun at another main", codes: []string{"chain_parent"}, spoil: func(l *ledger) {
			l.registerRun(runID("cccc"), "ash")
			l.forge(runID("cccc"), KindOpened, "ash", func(d *draft) { d.spec.Parents = []string{l.mains[0]} })
		}},
		{name: "closed twice", codes: []string{"after_closed"}, spoil: func(l *ledger) { l.add(caseB, KindClosed, "moss"); l.add(caseB, KindClosed, "moss") }},
		{name: "sheet with one more", codes: []string{"closing_tree"}, spoil: forgeSheet(func(blobs []string) RawObject { return CloseTree(append(blobs, blobs[0])) })},
		{name: "sheet with one less", codes: []string{"closing_tree"}, spoil: forgeSheet(func(blobs []string) RawObject { return CloseTree(blobs[:2]) })},
		{name: "sheet with another name", codes: []string{"closing_tree"}, spoil: forgeSheet(func(blobs []string) RawObject {
			return NewObject("tree", EncodeTree([]Entry{{Name: "000001.json", Hash: blobs[0]}, {Name: "000002.json", Hash: blobs[1]}, {Name: "3.json", Hash: blobs[2]}}))
		})},
	}
}

func editionCases() []spoiledCase {
	return []spoiledCase{
		{name: "edition that rests on an older main", codes: []string{"edition_parents"}, spoil: func(l *ledger) {
			old, heads := l.main, maps.Clone(l.heads)
			l.open(runID("cccc"), "ash")
			now := l.main
			l.main, l.heads = old, heads
			l.publish("first", "ash", nil)
			l.main = now
		}},
		{name: "evidence of a run that is not here", codes: []string{"edition_evidence"}, spoil: func(l *ledger) {
			l.publish("first", "ash", func(files map[string][]byte, _ map[string]string) {
				files["evidence/"+runID("zzzz")+"/records/000001.json"] = []byte("{}\n")
				m, err := MakeManifest(Manifest{ID: "first", Made: Time(l.now)}, files)
				l.must(err)
				files[ManifestFile] = m
			})
		}},
		{name: "edition ref name", codes: []string{"ref_bad"}, spoil: func(l *ledger) { l.m.refs[RefEditions+"A"] = l.heads[caseA] }},
		{name: "edition signed after a key ended", codes: []string{"key_ended"}, spoil: func(l *ledger) { l.endKey("moss", "ash"); l.publish("first", "moss", nil) }},
		{name: "edition backdated before a key ended", codes: []string{"edition_parents", "key_ended"}, spoil: func(l *ledger) {
			old, heads := l.main, maps.Clone(l.heads)
			l.endKey("moss", "ash")
			now := l.main
			l.main, l.heads, l.now = old, heads, l.now.Add(-90*time.Second)
			l.publish("first", "moss", nil)
			l.main = now
		}},
		{name: "superseded edition gone", codes: []string{"edition_missing"}, spoil: func(l *ledger) {
			l.publish("second", "ash", func(files map[string][]byte, _ map[string]string) {
				m, err := MakeManifest(Manifest{ID: "second", Made: Time(l.now), Supersedes: "first"}, files)
				l.must(err)
				files[ManifestFile] = m
			})
		}},
		{name: "edition dated before its main", codes: []string{"time_back"}, spoil: func(l *ledger) { l.now = l.now.Add(-time.Hour); l.publish("first", "ash", nil) }},
		{name: "edition with two dates", codes: []string{"date"}, spoil: func(l *ledger) { forgeEdition(l, func(c *CommitSpec) { c.Author.Unix-- }) }},
		{name: "edition without trailer", codes: []string{"trailer"}, spoil: func(l *ledger) { forgeEdition(l, func(c *CommitSpec) { c.Message = "Publish\n" }) }},
		{name: "edition with another trailer", codes: []string{"trailer"}, spoil: func(l *ledger) {
			forgeEdition(l, func(c *CommitSpec) { c.Message = "Publish\n\nManifest: " + Hash([]byte("x")) + "\n" })
		}},
		{name: "edition for someone else", codes: []string{"wrong_key"}, spoil: func(l *ledger) { forgeEdition(l, func(c *CommitSpec) { c.Author.ID = "moss" }) }},
		{name: "edition that rests on a run", codes: []string{"edition_parents"}, spoil: func(l *ledger) { forgeEdition(l, func(c *CommitSpec) { c.Parents[0] = l.heads[caseB] }) }},
		{name: "edition with one parent more", codes: []string{"edition_parents"}, spoil: func(l *ledger) {
			forgeEdition(l, func(c *CommitSpec) { c.Parents = append(c.Parents, l.heads[caseB]) })
		}},
		{name: "edition with parents out of order", codes: []string{"edition_parents"}, spoil: func(l *ledger) {
			forgeEdition(l, func(c *CommitSpec) { c.Parents[1], c.Parents[2] = c.Parents[2], c.Parents[1] })
		}},
	}
}

// manifestCases: what an edition's manifest may not be.
func manifestCases() []spoiledCase {
	return []spoiledCase{
		{name: "edition without manifest", codes: []string{"edition_file"}, spoil: func(l *ledger) {
			forgeEdition(l, func(c *CommitSpec) {
				root, objects := BuildTree(map[string][]byte{"a": nil})
				l.must(l.m.Put(objects...))
				c.Tree = root
			})
		}},
		{name: "edition with a manifest of another", codes: []string{"edition_file"}, spoil: func(l *ledger) {
			forgeEdition(l, manifestIs(l, Manifest{ID: "second", Made: Time(l.now)}, nil))
		}},
		{name: "edition with a manifest of another format", codes: []string{"record_format"}, spoil: func(l *ledger) {
			forgeEdition(l, manifestIs(l, Manifest{ID: "first", Made: Time(l.now)}, func(b []byte) []byte { return bytes.Replace(b, []byte("manifest/1"), []byte("manifest/2"), 1) }))
		}},
		{name: "edition with a manifest that is not canonical", codes: []string{"record_bad"}, spoil: func(l *ledger) {
			forgeEdition(l, manifestIs(l, Manifest{ID: "first", Made: Time(l.now)}, func(b []byte) []byte { return append([]byte(" "), b...) }))
		}},
		{name: "edition that lists a file it lacks", codes: []string{"edition_file"}, spoil: func(l *ledger) {
			forgeEdition(l, manifestIs(l, Manifest{ID: "first", Made: Time(l.now)}, func([]byte) []byte {
				b, err := MakeManifest(Manifest{ID: "first", Made: Time(l.now)}, map[string][]byte{"gone": nil})
				l.must(err)
				return b
			}))
		}},
	}
}

func checkpointCases() []spoiledCase {
	return []spoiledCase{
		{name: "run rewritten below the checkpoint of a hand-over", codes: []string{"checkpoint_differs"}, spoil: func(l *ledger) {
			handOver(l, caseA)
			l.cut(caseB, 1)
			l.last[caseB] = firstOf(l, caseB)
			l.add(caseB, "entry", "moss")
		}},
		{name: "hand-over without a checkpoint", codes: []string{"checkpoint_differs"}, spoil: func(l *ledger) {
			handOverWith(l, caseB, nil, nil)
		}},
		{name: "hand-over whose checkpoint names an older main", codes: []string{"checkpoint_differs"}, spoil: func(l *ledger) {
			text, sig := SplitCheckpoint(l.checkpoint())
			l.commitMain("ash", "Say more", nil)
			handOverWith(l, caseB, text, sig)
		}},
		{name: "checkpoint of a hand-over unreadable", codes: []string{"checkpoint_bad"}, spoil: func(l *ledger) {
			r := l.next(caseB, KindHandOver, "moss")
			r.Body = []byte(`{"checkpoint":"x","format":"body/1","signature":"y"}`)
			l.commitRecord(r, testSigner("moss"))
		}},
		{name: "checkpoint unreadable", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(*ledger) []byte { return []byte("hello\n") }},
		{name: "checkpoint signed by a stranger", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			sig, err := SignCheckpoint(text, testSigner("rowan"))
			l.must(err)
			return JoinCheckpoint(text, sig)
		}},
		{name: "checkpoint of another bench", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return bytes.Replace(text, []byte("bench fern"), []byte("bench elm"), 1)
		}},
		{name: "checkpoint with another count", codes: []string{"checkpoint_differs"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return bytes.Replace(text, []byte("records 5"), []byte("records 6"), 1)
		}},
		{name: "checkpoint without a line for an open run", codes: []string{"checkpoint_differs"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return text[:bytes.Index(text, []byte("run "+caseB))]
		}},
		{name: "kept checkpoint cut", codes: []string{"checkpoint_cut", "backdated"}, spoil: func(l *ledger) {
			text, sig := SplitCheckpoint(l.checkpoint())
			l.forgeMain("ash", "Keep it", CheckpointFiles(text, sig))
			l.cut(caseB, 1)
			l.last[caseB] = firstOf(l, caseB)
		}},
		{name: "kept checkpoint without signature", codes: []string{"checkpoint_bad", "backdated"}, spoil: func(l *ledger) {
			text, sig := SplitCheckpoint(l.checkpoint())
			files := CheckpointFiles(text, sig)
			delete(files, slices.Sorted(maps.Keys(files))[0])
			l.forgeMain("ash", "Keep it", files)
		}},
	}
}
