package audit

import (
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"regexp"
	"slices"
	"sort"
	"strings"
	"time"
)

// line is one file of a tree: path relative to the tree, and its sha256.
type line struct{ path, sum string }

func timeOf(unix int64) string { return time.Unix(unix, 0).UTC().Format("2006-01-02T15:04:05Z") }

// readMain reads main from its root on.
func (v *verifier) readMain() {
	v.rep.Main = v.refs[RefMain]
	var chain []Commit
	v.mainWhole = true
	for at := v.rep.Main; at != ""; {
		c, err := ReadCommit(v.o, at)
		if err != nil {
			v.broken(err, "commit_bad", "main "+at)
			if len(c.Parents) == 0 && c.Tree == "" {
				v.mainWhole = false
				break
			}
		}
		if len(c.Parents) > 1 {
			v.fault("main_chain", "main "+at, "it has %d parents", len(c.Parents))
		}
		chain = append(chain, c)
		at = ""
		if len(c.Parents) > 0 {
			at = c.Parents[0]
		}
	}
	reverse(chain)
	v.rep.Changes = len(chain)
	v.listBroken = len(chain) == 0
	if len(chain) > 0 {
		v.readBench(chain[0].Hash, chain[len(chain)-1].Hash)
		v.preloadSigners(chain)
	}
	var before Commit
	for i, c := range chain {
		v.readMainCommit(i, c, before)
		before = c
	}
	for _, run := range v.reg.Sorted() {
		if err := v.reg.Runs[run].check(); err != nil {
			v.fault("register_bad", "main register/"+run, "%v", err)
		}
	}
}

// readBench takes the bench's id, and whether it is simulated, from the root,
// and wants the newest main to say the same.
func (v *verifier) readBench(root, newest string) {
	id, simulated, err := benchOf(v.o, root)
	if err != nil {
		v.broken(err, "bench_bad", "main "+root)
		return
	}
	v.rep.Bench, v.rep.Simulated = id, simulated
	id2, simulated2, err := benchOf(v.o, newest)
	switch {
	case err != nil:
		v.broken(err, "bench_bad", "main "+newest)
	case id2 != id || simulated2 != simulated:
		v.fault("bench_bad", "main "+newest, "bench %s, simulated %s, became %s, %s", id, simulated, id2, simulated2)
	}
}

// preloadSigners reads the list of keys of every main commit, so that a later
// list can say when a key ended.
func (v *verifier) preloadSigners(chain []Commit) {
	blob := ""
	var list Allowed
	for i, c := range chain {
		where := "main " + c.Hash
		e, found, err := entry(v.o, c.Tree, AllowedFile)
		switch {
		case err != nil:
			v.broken(err, "signers_bad", where)
			v.listBroken = true
		case !found || e.Dir:
			v.fault("signers_bad", where, "there is no %s", AllowedFile)
		case e.Hash != blob:
			blob = e.Hash
			list = v.nextSigners(list, blob, i, c.Committer.Unix, where)
		}
		v.mainAt[c.Hash] = i
		v.main = append(v.main, mainState{hash: c.Hash, unix: c.Committer.Unix, allowed: list})
	}
}

// nextSigners reads a changed list and notes which keys ended with it.
func (v *verifier) nextSigners(old Allowed, blob string, at int, unix int64, where string) Allowed {
	b, err := object(v.o, blob, "blob")
	if err != nil {
		v.broken(err, "signers_bad", where)
		v.listBroken = true
		return old
	}
	list, err := ParseAllowed(b)
	if err == nil && at > 0 {
		err = list.grewFrom(old)
	}
	if err == nil {
		err = list.endsFrom(old, unix)
	}
	if err != nil {
		v.fault("signers_bad", where, "%v", err)
		return old
	}
	for _, k := range list.Lines {
		fp := Fingerprint(k.Key)
		if _, known := v.ended[fp]; !known && !k.Ended.IsZero() {
			v.ended[fp] = at
		}
	}
	return list
}

// readMainCommit checks one commit on main against the one before it.
func (v *verifier) readMainCommit(i int, c, before Commit) {
	where := "main " + c.Hash
	if i > 0 && c.whole() && before.whole() && c.Committer.Unix < before.Committer.Unix {
		v.fault("time_back", where, "dated %s, the commit before it %s", timeOf(c.Committer.Unix), timeOf(before.Committer.Unix))
	}
	if c.whole() && c.Author.Unix != c.Committer.Unix {
		v.fault("date", where, "author's and committer's dates differ")
	}
	list := v.main[max(i-1, 0)].allowed
	if i == 0 && !v.mainWhole {
		list = v.newest()
	}
	key, line, ok := v.signer(c, list, where)
	if ok && !line.Ended.IsZero() {
		v.fault("key_ended", where, "key %s of %s had ended in the commit before", Fingerprint(key), line.Principal)
	}
	if ok && line.Principal != c.Author.ID {
		v.bySigner(c.Author.ID, "page", line, list, where)
	}
	if i == 0 && v.mainWhole {
		if key != nil {
			v.rep.Root = Fingerprint(key)
		}
		if !ok && !v.listBroken {
			v.fault("root_unsigned", where, "its key is not in its own allowed_signers")
		}
	}
	if i > 0 && ok && line.Principal == BenchPrincipal && v.signersDiffer(i) {
		v.fault("signers_change", where, "allowed_signers was changed with the bench's own key; a listed person must sign that")
	}
	if i > 0 && !ok && v.signersDiffer(i) {
		v.fault("signers_change", where, "allowed_signers was changed without a key in the list before it")
	}
	v.readMainTree(i, c, before.Tree)
}

func (v *verifier) signersDiffer(i int) bool {
	return string(v.main[i].allowed.Format()) != string(v.main[i-1].allowed.Format())
}

// readMainTree checks the trailer over all files, and what changed since the
// tree before.
func (v *verifier) readMainTree(i int, c Commit, before string) {
	where := "main " + c.Hash
	want, err := findTrailer(c.Message, TrailerTree)
	if err != nil && c.whole() {
		v.fault("trailer", where, "%v", err)
	}
	if files, err := v.treeLines(c.Tree, 1); err != nil {
		v.broken(err, "tree_bad", where)
	} else if got := hashLines(files); want != "" && got != want {
		v.fault("trailer", where, "trailer Tree is %s, the files give %s", want, got)
	}
	changes, err := diffTrees(v.o, before, c.Tree, "", 1)
	if err != nil {
		v.broken(err, "tree_bad", where)
		return
	}
	for _, ch := range changes {
		v.mainChange(i, ch, where)
	}
}

// hashLines is Hash over what TreeLines writes.
func hashLines(files []line) string {
	sort.Slice(files, func(a, b int) bool { return files[a].path < files[b].path })
	h := sha256.New()
	for _, f := range files {
		h.Write([]byte(f.sum + "  " + f.path + "\n"))
	}
	return "sha256:" + hex.EncodeToString(h.Sum(nil))
}

// treeLines gives the files of a tree of main. Folders below the first level
// change seldom, so they are kept.
func (v *verifier) treeLines(tree string, depth int) ([]line, error) {
	if l, ok := v.lines[tree]; ok {
		return append([]line(nil), l...), nil
	}
	if depth > maxDepth {
		return nil, Damaged("tree_bad", "folders nested deeper than %d", maxDepth)
	}
	list, err := readTree(v.o, tree)
	if err != nil {
		return nil, err
	}
	var out []line
	for _, e := range list {
		if e.Dir {
			inside, err := v.treeLines(e.Hash, depth+1)
			if err != nil {
				return nil, err
			}
			for _, l := range inside {
				out = append(out, line{e.Name + "/" + l.path, l.sum})
			}
			if len(out) > mostFiles {
				return nil, Damaged("tree_bad", "more than %d files", mostFiles)
			}
			continue
		}
		sum, ok := v.sums[e.Hash]
		if !ok {
			b, err := object(v.o, e.Hash, "blob")
			if err != nil {
				return nil, err
			}
			sum = strings.TrimPrefix(Hash(b), "sha256:")
			v.sums[e.Hash] = sum
		}
		out = append(out, line{e.Name, sum})
	}
	if depth > 2 {
		v.lines[tree] = append([]line(nil), out...)
	}
	return out, nil
}

// change is one file that differs between two trees; "" stands for no file.
type change struct{ path, old, new string }

// diffTrees lists the files that differ, sorted by path; before "" is an empty
// tree. Equal folders are not opened.
func diffTrees(o Objects, before, after, prefix string, depth int) ([]change, error) {
	if depth > maxDepth {
		return nil, Damaged("tree_bad", "folders nested deeper than %d", maxDepth)
	}
	type pair struct{ old, new *Entry }
	pairs := map[string]*pair{}
	for n, tree := range []string{before, after} {
		if tree == "" {
			continue
		}
		list, err := readTree(o, tree)
		if err != nil {
			return nil, err
		}
		for _, e := range list {
			p := pairs[e.key()]
			if p == nil {
				p = &pair{}
				pairs[e.key()] = p
			}
			if n == 0 {
				p.old = &e
			} else {
				p.new = &e
			}
		}
	}
	var out []change
	for _, k := range slices.Sorted(maps.Keys(pairs)) {
		was, now := "", ""
		p := pairs[k]
		if p.old != nil {
			was = p.old.Hash
		}
		if p.new != nil {
			now = p.new.Hash
		}
		switch {
		case was == now:
		case strings.HasSuffix(k, "/"):
			inside, err := diffTrees(o, was, now, prefix+k, depth+1)
			if err != nil {
				return nil, err
			}
			if out = append(out, inside...); len(out) > mostFiles {
				return nil, Damaged("tree_bad", "more than %d files", mostFiles)
			}
		default:
			out = append(out, change{prefix + k, was, now})
		}
	}
	return out, nil
}

var reDocument = regexp.MustCompile(`^documents/[a-z_]+/[a-z][a-z0-9-]*/[0-9A-Za-z.+-]+\.(yaml|json)$`)

// mainChange holds one changed file to what main may hold.
func (v *verifier) mainChange(i int, ch change, where string) {
	at := where + " " + ch.path
	switch {
	case ch.path == AllowedFile || ch.path == "README.md" || strings.HasPrefix(ch.path, "schemas/"):
		if ch.new == "" {
			v.fault("main_file", at, "it was taken away")
		}
	case strings.HasPrefix(ch.path, "register/"):
		v.registerChange(i, ch, at)
	case !reDocument.MatchString(ch.path):
		v.fault("main_file", at, "main holds documents/<kind>/<id>/<version>.yaml and .json, schemas/, register/, %s and README.md", AllowedFile)
	case ch.new == "":
		v.fault("main_file", at, "a document was taken away; versions stay")
	case ch.old != "":
		v.fault("main_file", at, "a document was changed under its version; a change is a new version")
	}
}

// registerChange takes in one changed file of the register.
func (v *verifier) registerChange(i int, ch change, at string) {
	rest := strings.TrimPrefix(ch.path, "register/")
	dir, name, ok := strings.Cut(rest, "/")
	isHead := name == "head.json"
	switch {
	case !ok:
		v.fault("register_bad", at, "no file may stand here")
		return
	case ch.new == "":
		v.fault("register_bad", at, "a file of the register was taken away")
		return
	case ch.old != "" && !isHead:
		v.fault("register_bad", at, "a file of the register was changed; only head.json may")
		return
	}
	b, err := object(v.o, ch.new, "blob")
	if err != nil {
		v.broken(err, "register_bad", at)
		return
	}
	var was *Head
	if e := v.reg.Runs[dir]; e != nil {
		was = e.Head
	}
	if err := v.reg.read(dir, name, ch.path, b); err != nil {
		v.fault("register_bad", at, "%v", err)
		return
	}
	if dir == "editions" {
		v.named[strings.TrimSuffix(name, ".json")] = i
	}
	e := v.reg.Runs[dir]
	if e == nil {
		return
	}
	f := v.run(dir)
	switch {
	case name == "opened.json":
		f.openedAt = i
	case isHead:
		if was != nil && e.Head.Seq <= was.Seq {
			v.fault("register_bad", at, "the head went from %d to %d", was.Seq, e.Head.Seq)
		}
		f.pins = append(f.pins, pin{e.Head.Seq, e.Head.Record, i, at})
	case strings.HasPrefix(name, "closed-"):
		last := e.Closings[len(e.Closings)-1]
		f.closings = append(f.closings, closingAt{last, i})
		if last.Seq > 0 {
			f.pins = append(f.pins, pin{last.Seq, last.Record, i, at})
		}
	default:
		f.reopened = append(f.reopened, i)
	}
}
