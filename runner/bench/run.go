package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/runner"
	"tapledger/schemas"
)

// Propose says what to put on record, given the run as it is. It is called
// again when another writer was faster, so it must depend on nothing else.
type Propose func(*runner.State) (runner.Proposal, error)

// State works a run out from its records.
func (b *Bench) State(run string) (*runner.State, error) {
	st, err := b.stateIfAny(run)
	if err == nil && st == nil {
		return nil, &runner.Refusal{Says: fmt.Sprintf("run %s has no record", run), Hint: "see the runs of this bench: tapledger next"}
	}
	return st, err
}

func (b *Bench) stateIfAny(run string) (*runner.State, error) {
	head, err := b.store.Ref(audit.RefRuns + run)
	if err != nil || head == "" {
		return nil, err
	}
	if f := b.states[run]; f != nil && f.head == head {
		return f.state, nil
	}
	recs, _, err := audit.ReadRun(b.store, head)
	if err != nil {
		return nil, err
	}
	p, err := b.pin(run, recs[0])
	if err != nil {
		return nil, err
	}
	st, err := runner.Fold(p, recs)
	if err != nil {
		return nil, err
	}
	b.states[run] = &folded{head: head, state: st}
	return st, nil
}

// pin reads what a run's opened record pins, once.
func (b *Bench) pin(run string, opened audit.Record) (*runner.Pinned, error) {
	if p := b.pinned[run]; p != nil {
		return p, nil
	}
	body, err := runner.DecodeBody(opened)
	if err != nil {
		return nil, err
	}
	o, ok := body.(*runner.Opened)
	if !ok {
		return nil, fmt.Errorf("run %s does not begin with an opened record: run verify", run)
	}
	files, err := audit.ReadFiles(b.store, opened.Main)
	if err != nil {
		return nil, err
	}
	p, err := runner.Pin(files, run, *o)
	if err == nil {
		b.pinned[run] = p
	}
	return p, err
}

// Append puts one record on a run: the lock, the fold, the judging, the
// objects, a flush, a compare-and-set. Sealed attachments are kept first.
func (b *Bench) Append(run string, f Propose, sealed ...*Sealed) (audit.Record, *runner.State, error) {
	recs, st, err := b.AppendAll(run, []Propose{f}, sealed...)
	if err != nil {
		return audit.Record{}, nil, err
	}
	return recs[0], st, nil
}

// AppendAll puts several records on a run, all of them or none: the run's ref
// moves once.
func (b *Bench) AppendAll(run string, fs []Propose, sealed ...*Sealed) (recs []audit.Record, st *runner.State, err error) {
	err = b.write(func(m *Main) error {
		recs, st, err = b.append(m, run, fs, sealed)
		return err
	})
	return recs, st, err
}

// append is AppendAll with the lock held.
func (b *Bench) append(m *Main, run string, fs []Propose, sealed []*Sealed) ([]audit.Record, *runner.State, error) {
	if len(fs) == 0 {
		return nil, nil, &runner.Refusal{Says: "there is nothing to put on record"}
	}
	for try := 0; ; try++ {
		st, err := b.State(run)
		if err != nil {
			return nil, nil, err
		}
		recs, next, err := b.tryAppend(m, run, st, fs, sealed)
		if err == nil {
			return recs, next, nil
		}
		if !errors.Is(err, store.ErrMoved) || try > 20 {
			return nil, nil, err
		}
		if m, err = b.Main(); err != nil { // somebody was faster: fold again, judge again
			return nil, nil, err
		}
	}
}

func (b *Bench) tryAppend(m *Main, run string, st *runner.State, fs []Propose, sealed []*Sealed) ([]audit.Record, *runner.State, error) {
	s, err := b.actor(m)
	if err != nil {
		return nil, nil, err
	}
	before := b.states[run].head
	head := before
	var recs []audit.Record
	var objects []audit.RawObject
	for i, f := range fs {
		p, err := f(st)
		if err != nil {
			return nil, nil, at(err, i, len(fs))
		}
		b.complete(&p, m, st, s)
		rec, next, err := st.Extend(p)
		if err != nil {
			return nil, nil, at(err, i, len(fs))
		}
		var free struct{ Text, Reason string } // what people write in their own words, whatever the kind
		if decode(rec, &free) {
			if err := b.notPrivate(free.Text, free.Reason); err != nil {
				return nil, nil, at(err, i, len(fs))
			}
		}
		hash, made, err := audit.NewRunCommit(b.store, audit.RunSpec{Record: rec, Parent: head, Bench: m.Bench.ID, Subject: runner.Subject(rec)}, s)
		if err != nil {
			return nil, nil, err
		}
		recs, objects, st, head = append(recs, rec), append(objects, made...), next, hash
	}
	if err := keep(sealed); err != nil {
		return nil, nil, err
	}
	if err := b.store.Put(objects...); err != nil {
		return nil, nil, err
	}
	if err := b.store.SetRef(audit.RefRuns+run, before, head); err != nil {
		return nil, nil, err
	}
	b.states[run] = &folded{head: head, state: st}
	return recs, st, nil
}

// Item is an error about one of several entries, counted from 1.
type Item struct {
	N   int
	Err error
}

// Error names the entry.
func (i *Item) Error() string { return fmt.Sprintf("entry %d: %v", i.N, i.Err) }

// Unwrap gives the error of the entry.
func (i *Item) Unwrap() error { return i.Err }

func at(err error, i, n int) error {
	if n == 1 {
		return err
	}
	return &Item{N: i + 1, Err: err}
}

// complete fills in what every proposal has from the bench: who, how, when, and
// what main holds now.
func (b *Bench) complete(p *runner.Proposal, m *Main, st *runner.State, s audit.Signer) {
	p.By, p.Via = s.Principal(), "key"
	if p.Now.IsZero() {
		p.Now = b.now
	}
	p.Clock, p.Main, p.People = b.clockWord(m, st), m.Commit, m.People()
	p.Instruments, p.Laboratories = map[string]*protocol.Instrument{}, map[string]*protocol.Laboratory{}
	for _, d := range m.Library.All(protocol.KindInstrument) { // ascending versions: the newest stays
		p.Instruments[d.ID] = d.Value.(*protocol.Instrument)
	}
	for _, d := range m.Library.All(protocol.KindLaboratory) {
		p.Laboratories[d.ID] = d.Value.(*protocol.Laboratory)
	}
}

// OpenSpec says what a run is opened with.
type OpenSpec struct {
	Unit     string // id
	Protocol string // id, or id@version
	Campaign string // id; "" takes the one that names the unit, "none" none
	Scoring  string // id; "" takes the campaign's, or the only one there is, "none" none
	Label    string
}

// OpenRun registers a run on main, then writes its first record.
func (b *Bench) OpenRun(spec OpenSpec) (run string, st *runner.State, err error) {
	err = b.write(func(m *Main) error {
		opened, err := m.openedBody(spec)
		if err != nil {
			return err
		}
		s, err := b.actor(m)
		if err != nil {
			return err
		}
		run = m.newRunID(b.now.UTC().Format("20060102"))
		if _, err := runner.Pin(m.Files, run, opened); err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		if err := fits(m, opened); err != nil {
			return err
		}
		path, data, err := audit.RunOpened{Run: run, By: s.Principal(), Made: audit.Time(b.mainTime(m)),
			Unit: opened.Unit.ID, Protocol: opened.Protocol.ID + "@" + opened.Protocol.Version}.File()
		if err != nil {
			return err
		}
		if m, err = b.commitMain(m, change{put: map[string][]byte{path: data}, subject: "Open run " + run}); err != nil {
			return err
		}
		st, err = b.startRun(m, run, opened, s)
		return err
	})
	return run, st, err
}

// fits refuses a unit that has more than the protocol is made for: it would
// need cautions and steps that the protocol lacks.
func fits(m *Main, o runner.Opened) error {
	u, _ := m.Library.Get(protocol.KindUnit, o.Unit.ID, o.Unit.Version)
	p, _ := m.Library.Get(protocol.KindProtocol, o.Protocol.ID, o.Protocol.Version)
	known := map[string]bool{}
	for _, has := range p.Value.(*protocol.Protocol).UnitHas {
		known[has] = true
	}
	for _, has := range u.Value.(*protocol.Unit).Has {
		if !known[has] {
			return &runner.Refusal{Says: fmt.Sprintf("unit %s has a %s, and protocol %s is not made for one", o.Unit.ID, strings.ReplaceAll(has, "_", " "), o.Protocol.ID),
				Hint: "its cautions would be missing: use a protocol whose unit_has names it"}
		}
	}
	return nil
}

// startRun writes a run's first record; the register names it already.
func (b *Bench) startRun(m *Main, run string, opened runner.Opened, s audit.Signer) (*runner.State, error) {
	p, err := runner.Pin(m.Files, run, opened)
	if err != nil {
		return nil, err
	}
	pr := runner.Proposal{Kind: runner.KindOpened, Body: opened}
	b.complete(&pr, m, nil, s)
	rec, st, err := runner.Start(p, pr)
	if err != nil {
		return nil, err
	}
	hash, objects, err := audit.NewRunCommit(b.store, audit.RunSpec{Record: rec, Parent: m.Commit, Bench: m.Bench.ID, Subject: runner.Subject(rec)}, s)
	if err != nil {
		return nil, err
	}
	if err := b.store.Put(objects...); err != nil {
		return nil, err
	}
	if err := b.store.SetRef(audit.RefRuns+run, "", hash); err != nil {
		return nil, err
	}
	b.pinned[run], b.states[run] = p, &folded{head: hash, state: st}
	return st, nil
}

// newRunID makes an id that no run has: <bench>-<yyyymmdd>-<4 letters>.
func (m *Main) newRunID(day string) string {
	for n := 0; ; n++ {
		id := m.Bench.ID + "-" + day + "-" + m.letters(4, "run", fmt.Sprint(len(m.Register.Runs)), fmt.Sprint(n))
		if m.Register.Runs[id] == nil {
			return id
		}
	}
}

// openedBody finds the documents that a run pins.
func (m *Main) openedBody(spec OpenSpec) (runner.Opened, error) {
	o := runner.Opened{Common: runner.Common{Format: runner.BodyFormat}, Schemas: schemas.Hash(), Engine: rules.Level, Simulated: m.Bench.Simulated, Label: spec.Label}
	unit, err := m.newest(protocol.KindUnit, spec.Unit)
	if err != nil {
		return o, err
	}
	proto, err := m.document(protocol.KindProtocol, spec.Protocol)
	if err != nil {
		return o, err
	}
	o.Unit, o.Protocol = unit.Pin(), proto.Pin()
	seen := map[string]bool{}
	for _, d := range m.Library.All(protocol.KindValues) {
		if seen[d.ID] {
			continue
		}
		seen[d.ID] = true
		newest, _ := m.Library.Newest(protocol.KindValues, d.ID)
		o.Values = append(o.Values, newest.Pin())
	}
	campaign, err := m.campaignOf(spec.Campaign, unit.ID)
	if err != nil {
		return o, err
	}
	scoring := spec.Scoring
	if campaign != nil {
		pin := campaign.Pin()
		o.Campaign = &pin
		ref := campaign.Value.(*protocol.Campaign).Scoring
		if scoring == "" {
			scoring = ref.ID + "@" + ref.Version
		}
	}
	if ids := m.ids(protocol.KindScoring); scoring == "" && len(ids) == 1 {
		scoring = ids[0]
	}
	if scoring != "" && scoring != "none" {
		d, err := m.document(protocol.KindScoring, scoring)
		if err != nil {
			return o, err
		}
		pin := d.Pin()
		o.Scoring = &pin
	}
	return o, nil
}

// campaignOf gives the campaign that a run belongs to, nil for none.
func (m *Main) campaignOf(wanted, unit string) (*protocol.Document, error) {
	if wanted == "none" {
		return nil, nil
	}
	if wanted != "" {
		return m.document(protocol.KindCampaign, wanted)
	}
	var found []*protocol.Document
	for _, id := range m.ids(protocol.KindCampaign) {
		d, _ := m.Library.Newest(protocol.KindCampaign, id)
		for _, u := range d.Value.(*protocol.Campaign).Units {
			if u == unit {
				found = append(found, d)
			}
		}
	}
	if len(found) > 1 {
		return nil, &runner.Refusal{Says: fmt.Sprintf("unit %s is in %d campaigns", unit, len(found)), Hint: "name one with --campaign, or --campaign none"}
	}
	if len(found) == 0 {
		return nil, nil
	}
	return found[0], nil
}

// ids lists the ids of a kind of document, sorted.
func (m *Main) ids(kind string) []string {
	var out []string
	for _, d := range m.Library.All(kind) {
		if len(out) == 0 || out[len(out)-1] != d.ID {
			out = append(out, d.ID)
		}
	}
	return out
}

// document finds a document by "id" or "id@version".
func (m *Main) document(kind, name string) (*protocol.Document, error) {
	id, version, exact := strings.Cut(name, "@")
	if !exact {
		return m.newest(kind, id)
	}
	d, ok := m.Library.Get(kind, id, version)
	if !ok {
		return nil, m.unknown(kind, name)
	}
	return d, nil
}

func (m *Main) newest(kind, id string) (*protocol.Document, error) {
	d, ok := m.Library.Newest(kind, id)
	if !ok {
		return nil, m.unknown(kind, id)
	}
	return d, nil
}

func (m *Main) unknown(kind, name string) error {
	have := m.ids(kind)
	hint := "there is none yet; bring one in with: tapledger add FILE"
	if len(have) > 0 {
		sort.Strings(have)
		hint = "there are: " + strings.Join(have, ", ")
	}
	return &runner.Refusal{Says: fmt.Sprintf("no %s %q in the ledger", kind, name), Hint: hint}
}

// decode reads a record's body into into, loosely: for looking, never for
// deciding.
func decode(rec audit.Record, into any) bool { return json.Unmarshal(rec.Body, into) == nil }
