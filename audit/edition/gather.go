package edition

import (
	"fmt"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

// ledger is what an edition is made from, read once.
type ledger struct {
	o        audit.Objects
	main     string
	files    map[string][]byte // of main's tree
	lib      *protocol.Library
	register audit.Register
	bench    *protocol.Bench
	runs     map[string]*run
	trees    map[string]map[string][]byte // main commit -> files, of opening commits
}

// run is one registered run.
type run struct {
	id    string
	entry *audit.RunEntry
	head  string
	recs  []audit.Record
	state *runner.State // nil when it could not be folded
	err   error
}

// gather reads documents, register and every run that has a head. A run that
// cannot be folded keeps its error: only ranked ones need a state.
func gather(o audit.Objects, main string, heads map[string]string) (*ledger, error) {
	g := &ledger{o: o, main: main, runs: map[string]*run{}, trees: map[string]map[string][]byte{}}
	var err error
	if g.files, err = audit.ReadFiles(o, main); err != nil {
		return nil, fmt.Errorf("main %s: %w", main, err)
	}
	g.trees[main] = g.files
	if g.lib, err = protocol.FromTree(g.files); err != nil {
		return nil, fmt.Errorf("main %s: %w", main, err)
	}
	if g.register, err = audit.ParseRegister(g.files); err != nil {
		return nil, fmt.Errorf("main %s: %w", main, err)
	}
	benches := g.lib.All(protocol.KindBench)
	if len(benches) == 0 {
		return nil, fmt.Errorf("main %s holds no bench document", main)
	}
	g.bench = benches[len(benches)-1].Value.(*protocol.Bench)
	for _, id := range g.register.Sorted() {
		r := &run{id: id, entry: g.register.Runs[id], head: heads[id]}
		g.runs[id] = r
		if r.head == "" {
			continue
		}
		if r.recs, _, err = audit.ReadRun(o, r.head); err != nil {
			return nil, fmt.Errorf("run %s: %w", id, err)
		}
		if len(r.recs) > 0 && r.recs[0].Run != id {
			return nil, fmt.Errorf("the head given for run %s is one of run %s", id, r.recs[0].Run)
		}
		r.state, r.err = g.fold(r)
	}
	for id := range heads {
		if g.runs[id] == nil {
			return nil, fmt.Errorf("run %s is not in the register of main %s", id, main)
		}
	}
	return g, nil
}

// tree gives the files of a main commit, read once.
func (g *ledger) tree(commit string) (map[string][]byte, error) {
	if files, ok := g.trees[commit]; ok {
		return files, nil
	}
	files, err := audit.ReadFiles(g.o, commit)
	if err != nil {
		return nil, err
	}
	g.trees[commit] = files
	return files, nil
}

// fold works a run out from its records and the documents of the main commit
// that it was opened on.
func (g *ledger) fold(r *run) (*runner.State, error) {
	if len(r.recs) == 0 {
		return nil, fmt.Errorf("run %s has no record", r.id)
	}
	body, err := runner.DecodeBody(r.recs[0])
	if err != nil {
		return nil, err
	}
	opened, ok := body.(*runner.Opened)
	if !ok {
		return nil, fmt.Errorf("run %s does not begin with an opened record", r.id)
	}
	files, err := g.tree(r.recs[0].Main)
	if err != nil {
		return nil, fmt.Errorf("run %s: %w", r.id, err)
	}
	p, err := runner.Pin(files, r.id, *opened)
	if err != nil {
		return nil, fmt.Errorf("run %s: %w", r.id, err)
	}
	return runner.Fold(p, r.recs)
}

// sorted gives every run in order of its id.
func (g *ledger) sorted() []*run {
	var out []*run
	for _, r := range g.runs {
		out = append(out, r)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].id < out[j].id })
	return out
}

// how is how a run ended: closed, abandoned, never_started, or open.
func (r *run) how() string {
	if !r.entry.Closed() {
		return "open"
	}
	return r.entry.Closings[len(r.entry.Closings)-1].How
}

// ended is when a run was last ended, "" while it is open.
func (r *run) ended() string {
	if !r.entry.Closed() {
		return ""
	}
	return r.entry.Closings[len(r.entry.Closings)-1].Made
}

// unit is the unit that a run is about, by id.
func (r *run) unit() string {
	if r.state != nil {
		return r.state.Pinned.Unit.ID
	}
	id, _, _ := strings.Cut(r.entry.Opened.Unit, "@")
	return id
}

// campaign is the campaign with its documents.
type campaign struct {
	doc      *protocol.Document
	c        *protocol.Campaign
	scoring  *protocol.Document
	protocol *protocol.Document
	values   []*protocol.Document
	lab      *protocol.Document
}

func (c *campaign) score() *protocol.Scoring { return c.scoring.Value.(*protocol.Scoring) }

func (c *campaign) valueDocs() []*protocol.Values {
	var out []*protocol.Values
	for _, d := range c.values {
		out = append(out, d.Value.(*protocol.Values))
	}
	return out
}

// campaign finds the campaign's documents on main. version "" is the newest.
func (g *ledger) campaign(id, version string) (*campaign, error) {
	var out campaign
	ok := false
	if version == "" {
		out.doc, ok = g.lib.Newest(protocol.KindCampaign, id)
	} else {
		out.doc, ok = g.lib.Get(protocol.KindCampaign, id, version)
	}
	if !ok {
		return nil, fmt.Errorf("there is no campaign %s in the ledger", strings.TrimSuffix(id+"@"+version, "@"))
	}
	out.c = out.doc.Value.(*protocol.Campaign)
	get := func(kind string, ref protocol.DocRef) (*protocol.Document, error) {
		d, ok := g.lib.Get(kind, ref.ID, ref.Version)
		if !ok {
			return nil, fmt.Errorf("campaign %s names %s %s %s, which is not in the ledger", id, kind, ref.ID, ref.Version)
		}
		return d, nil
	}
	var err error
	if out.scoring, err = get(protocol.KindScoring, out.c.Scoring); err != nil {
		return nil, err
	}
	if out.protocol, err = get(protocol.KindProtocol, out.c.Protocol); err != nil {
		return nil, err
	}
	for _, ref := range out.c.Values {
		d, err := get(protocol.KindValues, ref)
		if err != nil {
			return nil, err
		}
		out.values = append(out.values, d)
	}
	if out.lab, ok = g.lib.Newest(protocol.KindLaboratory, out.c.Laboratory); !ok {
		return nil, fmt.Errorf("campaign %s names the laboratory %s, which is not in the ledger", id, out.c.Laboratory)
	}
	return &out, nil
}

func documentOf(d *protocol.Document, title string) Document {
	return Document{Kind: d.Kind, ID: d.ID, Version: d.Version, Title: title, Source: d.SourceHash, Resolved: d.ResolvedHash}
}
