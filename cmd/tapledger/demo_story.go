package main

import (
	"embed"
	"fmt"
	"path"
	"sort"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/bench"
	"tapledger/runner/lab"
)

//go:embed demo
var demoFiles embed.FS

// story enters the demo's days into a bench, as a person would.
type story struct {
	c    *call
	b    *bench.Bench
	run  map[string]string // unit -> its newest run
	form map[string][]byte // unit -> the checkpoint that went with its first samples
	core map[string][]byte // of the newest edition
	day  string            // last one that was told
}

// deed is one entry of a day's file.
type deed struct {
	bench.Input
	unit  string
	clock time.Time
}

// tell brings the documents in and enters all days, in order of the clock.
func (s *story) tell() error {
	var files []protocol.File
	names, err := demoFiles.ReadDir("demo/documents")
	if err != nil {
		return err
	}
	for _, n := range names {
		data, err := demoFiles.ReadFile("demo/documents/" + n.Name())
		if err != nil {
			return err
		}
		files = append(files, protocol.File{Name: n.Name(), Bytes: data})
	}
	if _, err := s.b.AddDocuments(files); err != nil {
		return err
	}
	deeds, err := demoDeeds()
	if err != nil {
		return err
	}
	for _, d := range deeds {
		if err := s.do(d); err != nil {
			return fmt.Errorf("demo/days/%s.yaml:%d: %w", d.unit, d.Line, err)
		}
	}
	return nil
}

// demoDeeds reads all days.
func demoDeeds() ([]deed, error) {
	names, err := demoFiles.ReadDir("demo/days")
	if err != nil {
		return nil, err
	}
	var out []deed
	for _, n := range names {
		data, err := demoFiles.ReadFile("demo/days/" + n.Name())
		if err != nil {
			return nil, err
		}
		list, err := bench.ParseEntries(n.Name(), data)
		if err != nil {
			return nil, err
		}
		for _, in := range list {
			d := deed{Input: in, unit: strings.TrimSuffix(n.Name(), path.Ext(n.Name()))}
			if d.clock, err = bench.ParseMoment(d.Take("clock")); err != nil {
				return nil, fmt.Errorf("%s:%d: %w", n.Name(), in.Line, err)
			}
			out = append(out, d)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].clock.Before(out[j].clock) })
	return out, nil
}

// do does one deed at its time.
func (s *story) do(d deed) error {
	now, err := s.b.Now()
	if err != nil {
		return err
	}
	if d.clock.After(now) {
		if _, err := s.b.SetClock(audit.Time(d.clock)); err != nil {
			return err
		}
	}
	if day := d.clock.Format("2006-01-02") + "  " + d.unit; day != s.day {
		s.day = day
		s.c.tell("%s\n", day)
	}
	what := d.Take("do")
	if what == "" {
		return s.enter(d)
	}
	f := map[string]func(deed) error{"person": s.person, "add": s.add, "open": s.open, "part": s.part, "correct": s.correct, "confirm": s.confirm,
		"departure": s.departure, "stop": s.stop, "abandon": s.abandon, "note": s.note, "hand-over": s.handOver, "receive": s.receive,
		"close": s.close, "keep-checkpoint": s.keep, "publish": s.publish}[what]
	if f == nil {
		return fmt.Errorf("nobody can do %q", what)
	}
	return f(d)
}

func (s *story) runOf(d *deed) string {
	if named := d.Take("run"); named != "" {
		return s.run[named]
	}
	return s.run[d.unit]
}

// wrote tells what a record decided, where it is worth a line.
func (s *story) wrote(st *runner.State, rec audit.Record) {
	for _, x := range st.History {
		if x.Seq == rec.Seq && (x.State == runner.StateUnmet || x.State == runner.StateUndecided) {
			s.c.tell("    record %d: %s\n", x.Seq, decisionText(st, x.Decision))
		}
	}
	switch rec.Kind {
	case runner.KindEntry, runner.KindStarted, runner.KindDraw, runner.KindPart, runner.KindCautionRead:
	default:
		s.c.tell("    record %s\n", runner.Subject(rec))
	}
}

// photo seals a file that goes with a deed; private, as photos are.
func (s *story) photo(d *deed) ([]*bench.Sealed, error) {
	name := d.Take("photo")
	shows := d.Take("shows")
	if name == "" {
		return nil, nil
	}
	return s.sealed(name, shows)
}

func (s *story) sealed(name, shows string) ([]*bench.Sealed, error) {
	data, err := demoFiles.ReadFile("demo/files/" + name)
	if err != nil {
		return nil, err
	}
	x, err := s.b.Seal(bench.SealSpec{Data: data, Name: shows})
	return []*bench.Sealed{x}, err
}

// readCautions reads what is due at a step before it is entered.
func (s *story) readCautions(run, step string) error {
	st, err := s.b.State(run)
	if err != nil {
		return err
	}
	by, err := s.b.Actor()
	if err != nil {
		return err
	}
	if due := st.CautionsUnread(by, step); len(due) > 0 {
		_, _, err = s.b.ReadCautions(run, due)
	}
	return err
}

func (s *story) enter(d deed) error {
	run := s.runOf(&d)
	sealed, err := s.photo(&d)
	if err != nil {
		return err
	}
	if err := s.readCautions(run, d.Step); err != nil {
		return err
	}
	rec, st, err := s.b.Append(run, s.b.Propose(run, d.Input, sealed...), sealed...)
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) person(d deed) error {
	_, err := s.b.AddPerson(d.Take("id"), "")
	return err
}

// add brings in a document that was written on a later day.
func (s *story) add(d deed) error {
	name := d.Take("file")
	data, err := demoFiles.ReadFile("demo/" + name)
	if err != nil {
		return err
	}
	_, err = s.b.AddDocuments([]protocol.File{{Name: path.Base(name), Bytes: data}})
	return err
}

func (s *story) open(d deed) error {
	unit := d.Take("unit")
	run, _, err := s.b.OpenRun(bench.OpenSpec{Unit: unit, Protocol: d.Take("protocol"), Label: d.Take("label")})
	s.run[unit] = run
	if err == nil {
		s.c.tell("    run %s is open\n", run)
	}
	return err
}

func (s *story) part(d deed) error {
	action, part := d.Take("action"), d.Take("part")
	rec, st, err := s.b.Part(s.runOf(&d), action, part, d.Texts)
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) correct(d deed) error {
	run := s.runOf(&d)
	st, err := s.b.State(run)
	if err != nil {
		return err
	}
	sealed, err := s.photo(&d)
	if err != nil {
		return err
	}
	of := st.Current(d.Take("of"))
	rec, st, err := s.b.Correct(run, of.Seqs[len(of.Seqs)-1], d.Take("name"), d.Take("value"), d.Take("reason"), sealed...)
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

// confirm lets the second person confirm the newest record.
func (s *story) confirm(d deed) error {
	run := s.runOf(&d)
	st, err := s.b.State(run)
	if err != nil {
		return err
	}
	first, err := s.b.Actor()
	if err != nil {
		return err
	}
	defer s.b.As(first)
	rec, st, err := s.b.As(d.Take("as")).Confirm(run, st.Seq)
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) departure(d deed) error {
	rec, st, err := s.b.Depart(s.runOf(&d), strings.Fields(d.Take("affects")), 0, d.Take("reason"))
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) stop(d deed) error {
	rec, st, err := s.b.Stop(s.runOf(&d), d.Take("reason"))
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) note(d deed) error {
	rec, st, err := s.b.Note(s.runOf(&d), d.Take("about"), d.Take("text"))
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) ended(st *runner.State, err error) error {
	if err == nil {
		s.wrote(st, st.Records[len(st.Records)-1])
	}
	return err
}

func (s *story) abandon(d deed) error {
	return s.ended(s.b.AbandonRun(s.runOf(&d), d.Take("reason")))
}

func (s *story) close(d deed) error { return s.ended(s.b.CloseRun(s.runOf(&d))) }

func (s *story) handOver(d deed) error {
	run := s.runOf(&d)
	st, err := s.b.State(run)
	if err != nil {
		return err
	}
	if err := s.readCautions(run, s.b.DueHandOver(st)); err != nil {
		return err
	}
	to := d.Take("to")
	rec, st, err := s.b.HandOver(run, bench.HandOverSpec{To: to, Texts: d.Texts})
	if err != nil {
		return err
	}
	s.wrote(st, rec)
	if body, err := runner.DecodeBody(rec); err == nil && s.form[d.unit] == nil {
		h := body.(*runner.HandOver)
		s.form[d.unit] = audit.JoinCheckpoint([]byte(h.Checkpoint), []byte(h.Signature))
	}
	return nil
}

// receive brings in a laboratory's file. The laboratory wrote the sample ids
// that it was given: they stand in the file in place of {step}.
func (s *story) receive(d deed) error {
	run := s.runOf(&d)
	st, err := s.b.State(run)
	if err != nil {
		return err
	}
	name := d.Take("file")
	data, err := demoFiles.ReadFile("demo/lab/" + name)
	if err != nil {
		return err
	}
	text := string(data)
	for _, x := range st.Samples {
		if x.ID != "" {
			text = strings.ReplaceAll(text, "{"+x.Step+"},", x.ID+",")
		}
	}
	var sealed []*bench.Sealed
	if printed := d.Take("print"); printed != "" {
		if sealed, err = s.sealed(printed, "the laboratory's report as printed"); err != nil {
			return err
		}
	}
	_, rec, st, err := s.b.Receive(run, bench.ReceiveSpec{Name: name, Data: []byte(text), Temperature: d.Take("temperature"),
		Header: lab.Header{Laboratory: "brook-lab", Received: d.Take("received")}}, sealed...)
	if err == nil {
		s.wrote(st, rec)
	}
	return err
}

func (s *story) keep(d deed) error {
	_, err := s.b.KeepCheckpoint(s.form[d.Take("of")])
	if err == nil {
		s.c.tell("    the laboratory's copy of the checkpoint is kept on main\n")
	}
	return err
}

func (s *story) publish(d deed) error {
	files, _, err := s.b.Publish(bench.PublishSpec{ID: d.Take("edition"), Campaign: d.Take("campaign"), Make: makeEdition})
	if err != nil {
		return err
	}
	s.core = map[string][]byte{}
	for name, data := range files {
		if strings.HasPrefix(name, "core/") {
			s.core[name] = data
		}
	}
	s.c.tell("    published: %d files\n", len(files))
	return nil
}
