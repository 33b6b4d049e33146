package audit

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strconv"
	"strings"
)

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

func isNewer(err error) bool { return errors.Is(err, ErrNewerFormat) }

// edition is one edition as far as it is read before the runs are.
type edition struct {
	id     string
	commit Commit
	where  string
}

// startEditions reads the commits of all editions, so that the heads they name
// are looked for while the runs are read.
func (v *verifier) startEditions() {
	for _, name := range slices.Sorted(maps.Keys(v.refs)) {
		id, ok := strings.CutPrefix(name, RefEditions)
		if !ok {
			continue
		}
		v.rep.Editions++
		e := &edition{id: id, where: name + " (" + v.refs[name] + ")"}
		var err error
		if e.commit, err = ReadCommit(v.o, v.refs[name]); err != nil {
			v.broken(err, "commit_bad", e.where)
			if e.commit.Hash == "" {
				continue
			}
		}
		for _, p := range e.commit.Parents[min(1, len(e.commit.Parents)):] {
			v.wanted[p] = runPlace{}
		}
		v.editions = append(v.editions, e)
	}
	for _, id := range slices.Sorted(maps.Keys(v.reg.Editions)) {
		at := RefEditions + id
		if v.refs[at] != v.reg.Editions[id] {
			v.fault("edition_missing", at, "main names commit %s, the branch is at %q", v.reg.Editions[id], v.refs[at])
		}
	}
}

// readEditions checks what editions hold, after the runs were read.
func (v *verifier) readEditions() {
	for _, e := range v.editions {
		faults := len(v.rep.Faults)
		v.editionSigner(e)
		v.editionParents(e)
		v.editionFiles(e)
		v.ghosts(e)
		if v.opt.Edition != nil && len(v.rep.Faults) == faults {
			v.rep.Faults = append(v.rep.Faults, v.opt.Edition(v.o, e.id, e.commit.Hash)...)
		}
	}
	if v.tails > 0 {
		v.note("tail_open", RefMain, "%d runs have records that main does not name yet", v.tails)
	}
}

// editionMain gives the place on main that an edition rests on.
func (v *verifier) editionMain(e *edition) (int, bool) {
	if len(e.commit.Parents) == 0 {
		return 0, false
	}
	at, ok := v.mainAt[e.commit.Parents[0]]
	return at, ok
}

func (v *verifier) editionSigner(e *edition) {
	at, known := v.editionMain(e)
	list := v.newest()
	if known {
		list = v.main[at].allowed
		if e.commit.Committer.Unix < v.main[at].unix {
			v.fault("time_back", e.where, "dated %s, the main commit it rests on %s", timeOf(e.commit.Committer.Unix), timeOf(v.main[at].unix))
		}
	}
	if e.commit.Author.Unix != e.commit.Committer.Unix {
		v.fault("date", e.where, "author's and committer's dates differ")
	}
	key, line, ok := v.signer(e.commit, list, e.where)
	if !ok {
		return
	}
	if gone, has := v.ended[Fingerprint(key)]; has {
		if named, ok := v.named[e.id]; !ok || named > gone {
			v.fault("key_ended", e.where, "key %s of %s ended with main %s, which does not name this edition", Fingerprint(key), line.Principal, v.main[gone].hash)
		}
	}
	if line.Principal != e.commit.Author.ID {
		v.bySigner(e.commit.Author.ID, "page", line, list, e.where)
	}
}

// editionParents wants main and then, sorted by run, a head of every run that
// was registered there.
func (v *verifier) editionParents(e *edition) {
	at, known := v.editionMain(e)
	if !known {
		if v.mainWhole {
			v.fault("edition_parents", e.where, "its first parent is not on main")
		}
		return
	}
	if at+1 < len(v.main) {
		if named, ok := v.named[e.id]; !ok || named != at+1 {
			v.fault("edition_parents", e.where, "it rests on main %s, but main %s after it does not name it", v.main[at].hash, v.main[at+1].hash)
		}
	}
	var runs []string
	for id, f := range v.runs {
		if f.openedAt >= 0 && f.openedAt <= at && v.refs[RefRuns+id] != "" {
			runs = append(runs, id)
		}
	}
	sort.Strings(runs)
	heads := e.commit.Parents[1:]
	for i := range max(len(runs), len(heads)) {
		if i >= len(runs) {
			v.fault("edition_parents", e.where, "parent %s belongs to no registered run", heads[i])
			continue
		}
		least := v.headAt(v.runs[runs[i]], at)
		switch place := v.placeOf(heads, i); {
		case place.run != runs[i]:
			v.fault("edition_parents", e.where, "the head of run %s is missing or out of order", runs[i])
			return
		case place.seq < least:
			v.fault("edition_parents", e.where, "it takes run %s at record %d, main named record %d", runs[i], place.seq, least)
		}
	}
}

func (v *verifier) placeOf(heads []string, i int) runPlace {
	if i >= len(heads) {
		return runPlace{}
	}
	return v.wanted[heads[i]]
}

// editionFiles compares every file with the manifest, and the manifest with
// the signed trailer.
func (v *verifier) editionFiles(e *edition) {
	sums := map[string]string{}
	if err := v.hashFiles(e.commit.Tree, "", sums, 1); err != nil {
		v.broken(err, "tree_bad", e.where)
		return
	}
	entryOf, found, err := entry(v.o, e.commit.Tree, ManifestFile)
	if err != nil || !found || entryOf.Dir {
		v.fault("edition_file", e.where, "there is no %s", ManifestFile)
		return
	}
	b, err := object(v.o, entryOf.Hash, "blob")
	if err != nil {
		v.broken(err, "edition_file", e.where)
		return
	}
	if got, err := findTrailer(e.commit.Message, TrailerManifest); err != nil {
		v.fault("trailer", e.where, "%v", err)
	} else if got != Hash(b) {
		v.fault("trailer", e.where, "trailer Manifest is %s, %s gives %s", got, ManifestFile, Hash(b))
	}
	m, err := ParseManifest(b)
	if err != nil {
		v.recordFault(fmt.Errorf("%s: %w", ManifestFile, err), e.where)
		return
	}
	if m.ID != e.id {
		v.fault("edition_file", e.where, "%s is of edition %s", ManifestFile, m.ID)
	}
	if m.Supersedes != "" && v.refs[RefEditions+m.Supersedes] == "" {
		v.fault("edition_missing", RefEditions+m.Supersedes, "edition %s supersedes it, there is no such branch", e.id)
	}
	for _, f := range m.Files {
		switch got := sums[f.Path]; {
		case got == "":
			v.fault("edition_file", e.where, "%s is listed in the manifest and missing", f.Path)
		case got != f.SHA256:
			v.fault("edition_file", e.where, "%s gives %s, the manifest lists %s", f.Path, got, f.SHA256)
		}
		delete(sums, f.Path)
	}
	for _, p := range slices.Sorted(maps.Keys(sums)) {
		if p != ManifestFile {
			v.fault("edition_file", e.where, "%s is not listed in the manifest", p)
		}
	}
}

// ghosts wants evidence of runs that are here only: what stands in a run's
// folder was compared while the run was read.
func (v *verifier) ghosts(e *edition) {
	at, found, err := entry(v.o, e.commit.Tree, "evidence")
	if err != nil || !found || !at.Dir {
		return // a tree that cannot be read is named by editionFiles
	}
	list, err := readTree(v.o, at.Hash)
	if err != nil {
		return
	}
	for _, f := range list {
		if f.Name != "documents" && v.refs[RefRuns+f.Name] == "" {
			v.fault("edition_evidence", e.where, "evidence/%s belongs to no run of this ledger", f.Name)
		}
	}
}

// hashFiles hashes every file of a tree, one at a time.
func (v *verifier) hashFiles(tree, prefix string, sums map[string]string, depth int) error {
	if depth > maxDepth {
		return Damaged("tree_bad", "folders nested deeper than %d at %q", maxDepth, prefix)
	}
	list, err := readTree(v.o, tree)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.Dir {
			if err := v.hashFiles(e.Hash, prefix+e.Name+"/", sums, depth+1); err != nil {
				return err
			}
			continue
		}
		b, err := object(v.o, e.Hash, "blob")
		if err != nil {
			return fmt.Errorf("%s%s: %w", prefix, e.Name, err)
		}
		if sums[prefix+e.Name] = Hash(b); len(sums) > mostFiles {
			return Damaged("tree_bad", "more than %d files", mostFiles)
		}
	}
	return nil
}

// evidence compares evidence/<run>/records of every edition with the run that
// was just read.
func (v *verifier) evidence(w *runWalk) {
	for _, e := range v.editions {
		dir := "evidence/" + w.id + "/" + RecordsDir
		at, found, err := entry(v.o, e.commit.Tree, dir)
		if err != nil || !found || !at.Dir {
			continue // a tree that cannot be read is named by editionFiles
		}
		list, err := readTree(v.o, at.Hash)
		if err != nil {
			continue
		}
		for _, f := range list {
			n, err := strconv.ParseInt(strings.TrimSuffix(f.Name, ".json"), 10, 64)
			if err != nil || n < 1 || n > w.seq || f.Name != RecordName(n) || f.Dir || f.Hash != w.blobs[n-1] {
				v.fault("edition_evidence", e.where, "%s/%s is not the record of that number", dir, f.Name)
			}
		}
	}
}
