package runner

import (
	"strconv"

	"tapledger/protocol"
)

// apply takes the effective body of a record into the run. It judges nothing.
func (s *State) apply(m meta, body any) {
	switch b := body.(type) {
	case *Started:
		t := s.last(b.Step)
		t.Seqs = append(t.Seqs, m.seq)
		s.hold(t.Values, m.seq, b.Values)
	case *Entry:
		s.applyEntry(m, b)
	case *Draw:
		s.applyDraw(m, b)
	case *HandOver:
		s.applyHandOver(m, b)
	case *Report:
		s.applyReport(m, b)
	case *Departure:
		for _, id := range b.Affects {
			s.departed[key{id, b.Try}] = m.seq
			if s.Pinned.rules.byID[id] == nil {
				s.leaveOut(m, id)
			}
		}
	case *CautionRead:
		s.read[m.by+" "+b.Caution] = true
	case *Stopped:
		s.stopped = true
	case *Resumed:
		s.stopped = false
	case *Closed:
		s.closed = true
	case *Reopened:
		s.closed = false
	case *Abandoned:
		s.abandoned = true
	}
	switch m.kind {
	case KindOpened, KindStarted, KindEntry, KindDraw, KindHandOver, KindReport:
	default:
		s.Events = append(s.Events, Event{Seq: m.seq, Kind: m.kind, By: m.by, Made: m.made, Body: body})
	}
}

// leaveOut closes a step that will not be done. What decides it is accepted with
// it; a stand that this draw would have ended is left out too.
func (s *State) leaveOut(m meta, id string) {
	t := s.last(id)
	t.Closed, t.LeftOut, t.Made = true, true, m.made
	t.Seqs = append(t.Seqs, m.seq)
	for _, r := range s.Pinned.rules.deciding[id] {
		s.departed[key{r.ID, t.N}] = m.seq
	}
	if ends := s.step(id).Ends; ends != "" && !s.last(ends).Closed {
		s.leaveOut(m, ends)
	}
}

// hold writes values into a try, with where they stand and what corrected them.
func (s *State) hold(into map[string]Held, seq int64, values map[string]Value) {
	for name, v := range values {
		into[name] = s.held(seq, "/values/"+name, v)
	}
}

func (s *State) held(seq int64, path string, v Value) Held {
	h := Held{Value: v, Seq: seq, Path: path}
	if f, ok := s.fixed[seq][path]; ok {
		h.By, h.Original = f.by, f.original
	}
	return h
}

func (s *State) applyEntry(m meta, b *Entry) {
	st := s.step(b.Step)
	t := s.last(b.Step)
	t.Seqs = append(t.Seqs, m.seq)
	switch st.Kind {
	case protocol.StepSeries:
		reading := map[string]Held{}
		s.hold(reading, m.seq, b.Values)
		t.Series = append(t.Series, reading)
		return
	case protocol.StepStand:
		if v, ok := b.Values["opened_at"]; ok {
			t.Openings = append(t.Openings, s.held(m.seq, "/values/opened_at", v))
		}
		rest := map[string]Value{}
		for name, v := range b.Values {
			if name != "opened_at" {
				rest[name] = v
			}
		}
		s.hold(t.Values, m.seq, rest)
		if _, ends := b.Values["ended"]; !ends {
			return
		}
	default:
		s.hold(t.Values, m.seq, b.Values)
	}
	t.Closed, t.Made = true, m.made
}

func (s *State) applyDraw(m meta, b *Draw) {
	st := s.step(b.Step)
	t := s.last(b.Step)
	t.Seqs = append(t.Seqs, m.seq)
	s.hold(t.Values, m.seq, b.Values)
	t.Bottles = append([]DrawnBottle(nil), b.Bottles...)
	t.Closed, t.Made = true, m.made
	sample := &Sample{Step: b.Step, Try: t.N, Seq: m.seq}
	for _, bottle := range b.Bottles {
		sample.Codes = append(sample.Codes, bottle.Code)
		s.codes[bottle.Code] = m.seq
	}
	sortCodes(sample.Codes)
	s.Samples = append(s.Samples, sample)
	if st.Ends != "" {
		stand := s.last(st.Ends)
		if !stand.Closed {
			stand.Closed, stand.Made = true, m.made
			stand.Seqs = append(stand.Seqs, m.seq)
		}
	}
}

func (s *State) applyHandOver(m meta, b *HandOver) {
	for _, h := range b.Samples {
		for _, x := range s.Samples {
			if x.Step != h.Step || x.Try != h.Try {
				continue
			}
			x.ID = h.ID
			if x.HandedSeq == 0 {
				x.HandedAt, x.HandedSeq = b.Values["at"].Text, m.seq
			}
			x.Hands = append(x.Hands, Hand{To: b.To, At: b.Values["at"].Text, Temperature: b.Values["temperature"].Text, Seal: b.Values["seal"].Text, Seq: m.seq})
		}
	}
	for _, id := range s.served(b.Step, protocol.StepHand) {
		s.closeHandOver(m, b, id)
	}
}

// served lists the custody steps that a record closes: the one that it names,
// or, of one that went ahead of its step, those that have nothing left to do.
func (s *State) served(named, kind string) []string {
	if named != "" {
		return []string{named}
	}
	var out []string
	for _, st := range s.Pinned.rules.steps {
		if st.Kind == kind && !s.last(st.ID).Closed && s.nothingLeft(st) {
			out = append(out, st.ID)
		}
	}
	return out
}

// nothingLeft tells whether all samples that a custody step is about were
// drawn and handed over, or for a report have a result that counts.
func (s *State) nothingLeft(st *protocol.Step) bool {
	n := 0
	for _, draw := range s.about(st) {
		t := s.last(draw)
		x := s.sampleOf(draw, t.N)
		switch {
		case !t.Closed:
			return false
		case x == nil:
		case x.HandedSeq == 0:
			return false
		case st.Kind == protocol.StepReport && !s.reported(x.ID):
			return false
		default:
			n++
		}
	}
	return n > 0
}

// about lists the draws that a hand-over or report is about.
func (s *State) about(st *protocol.Step) []string {
	if len(st.Samples) > 0 {
		return st.Samples
	}
	var out []string
	for _, x := range s.Pinned.rules.steps {
		if x.Kind == protocol.StepDraw {
			out = append(out, x.ID)
		}
	}
	return out
}

// reported tells whether any result of a sample counts.
func (s *State) reported(sample string) bool {
	for _, a := range s.Pinned.Protocol.Analytes {
		if r, _, _ := s.Result(sample, a); r != nil {
			return true
		}
	}
	return false
}

func (s *State) closeHandOver(m meta, b *HandOver, step string) {
	t := s.last(step)
	t.Seqs = append(t.Seqs, m.seq)
	s.hold(t.Values, m.seq, b.Values)
	t.Values["to"] = s.held(m.seq, "/to", Value{Text: b.To, Evidence: "typed"})
	t.Closed, t.Made = true, m.made
}

func (s *State) applyReport(m meta, b *Report) {
	got := &Received{Report: *b, Seq: m.seq, Made: m.made, Main: m.main, Fixed: map[string]int64{}}
	for path, f := range s.fixed[m.seq] {
		got.Fixed[path] = f.by
	}
	for _, old := range s.Reports {
		if old.Laboratory == b.Laboratory && b.Replaces != "" && old.Name() == b.Replaces {
			old.ReplacedBy = m.seq
		}
	}
	s.Reports = append(s.Reports, got)
	for _, x := range s.Samples {
		for _, r := range b.Results {
			if r.Sample == x.ID && x.ID != "" && x.ReceivedAt == "" {
				x.ReceivedAt = b.Received
				x.Temperature = b.Values["receipt_temperature"].Text
			}
		}
	}
	for _, id := range s.served(b.Step, protocol.StepReport) {
		s.closeReport(m, b, id)
	}
}

func (s *State) closeReport(m meta, b *Report, step string) {
	t := s.last(step)
	t.Seqs = append(t.Seqs, m.seq)
	s.hold(t.Values, m.seq, b.Values)
	if _, ok := b.Values["at"]; !ok {
		t.Values["at"] = Held{Value: Value{Text: m.made, Evidence: "timed"}, Seq: m.seq, Path: ""}
	}
	t.Values["number"] = s.held(m.seq, "/number", Value{Text: b.Number, Evidence: "imported"})
	if b.Status != "preliminary" {
		t.Closed, t.Made = true, m.made
	}
}

// ReportName is how a report is named by one that replaces it: number and
// revision, such as "24-1187 revision 1".
func ReportName(number, revision string) string {
	if revision == "" {
		return number
	}
	return number + " revision " + revision
}

// Name is the report's number and revision in one text.
func (r *Report) Name() string { return ReportName(r.Number, r.Revision) }

// step gives a step of the protocol, nil for an unknown id.
func (s *State) step(id string) *protocol.Step {
	i, ok := s.Pinned.rules.at[id]
	if !ok {
		return nil
	}
	return s.Pinned.rules.steps[i]
}

// numbered gives the keys of a repeated value: name, name_2, name_3...
func numbered(name string, n int) string {
	if n <= 1 {
		return name
	}
	return name + "_" + strconv.Itoa(n)
}
