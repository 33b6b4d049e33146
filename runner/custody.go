package runner

import (
	"math/big"
	"sort"
	"strconv"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
)

func sortCodes(codes []string) { sort.Strings(codes) }

// sampleOf is the sample of one try of a draw, nil if it was not drawn.
func (s *State) sampleOf(step string, try int) *Sample {
	for _, x := range s.Samples {
		if x.Step == step && x.Try == try {
			return x
		}
	}
	return nil
}

// SampleByID is the sample that reports name by this id, nil if none.
func (s *State) SampleByID(id string) *Sample {
	for _, x := range s.Samples {
		if x.ID == id && id != "" {
			return x
		}
	}
	return nil
}

// Role is the sample that plays a part in the assessment: treated (the first
// draw where there is one), untreated (its pair), untreated_after, flushed,
// field_blank, trip_blank, equipment_blank, lot_blank, drain, duplicate. It is
// nil when the protocol has none, or none that counts.
func (s *State) Role(role string) *Sample {
	step := s.Pinned.rules.roles[role]
	t := s.CountedTry(step)
	if t == nil {
		return nil
	}
	return s.sampleOf(step, t.N)
}

// Result is the newest result that counts for a sample and analyte: from a
// report that is neither preliminary nor replaced, a total before a dissolved
// one. seq is the report's record, path the JSON Pointer of the result in that
// record's body.
func (s *State) Result(sample, analyte string) (r *LabResult, seq int64, path string) {
	for i := len(s.Reports) - 1; i >= 0; i-- {
		rep := s.Reports[i]
		if rep.Status == "preliminary" || rep.ReplacedBy != 0 {
			continue
		}
		best := -1
		for j := range rep.Results {
			x := &rep.Results[j]
			if x.Sample == sample && x.Analyte == analyte && (best < 0 || rep.Results[best].Fraction == "dissolved" && x.Fraction != "dissolved") {
				best = j
			}
		}
		if best >= 0 {
			return &rep.Results[best], rep.Seq, "/results/" + strconv.Itoa(best)
		}
	}
	return nil, 0, ""
}

// findResult gives a result to the rules: of the sample that plays the part,
// in the try that belongs to the named one.
func (s *State) findResult(analyte, role string, at At) found {
	step, ok := s.Pinned.rules.roles[role]
	if !ok {
		return missing
	}
	t := s.together(at, step)
	switch {
	case t.Void || t.LeftOut:
		return missing
	case !t.Begun():
		return found{presence: rules.Open}
	}
	if role == "untreated" && s.moved(s.Pinned.rules.roles["treated"], at) {
		return found{presence: rules.FeedMoved}
	}
	sample := s.sampleOf(step, t.N)
	if sample == nil {
		return missing
	}
	if sample.ID != "" {
		if r, seq, path := s.Result(sample.ID, analyte); r != nil {
			res, err := quantity.ParseResult(r.Result)
			if err != nil {
				return missing
			}
			return found{value: res, presence: rules.Recorded, seq: max(seq, s.fixed[seq][path+"/result"].by)}
		}
	}
	if s.resultsDone() {
		return missing
	}
	return found{presence: rules.Open}
}

// resultsDone tells whether no further result is to be expected: every report
// step is closed, or the run is.
func (s *State) resultsDone() bool {
	if s.closed || s.abandoned {
		return true
	}
	n := 0
	for _, st := range s.Pinned.rules.steps {
		if st.Kind == protocol.StepReport {
			n++
			if !s.last(st.ID).Closed {
				return false
			}
		}
	}
	return n > 0
}

// Moved tells whether a draw's composite pair no longer stands for the same
// water: while the water stood, the faucet was opened, and the tank took in
// feed that the composite knows nothing of. A further try of the fill, with a
// composite of its own, sets it right.
func (s *State) Moved(step string, try int) bool {
	if s.step(step) == nil {
		return false
	}
	return s.moved(step, At{step, try})
}

func (s *State) moved(step string, at At) bool {
	st := s.step(step)
	if st == nil || st.Pairing != "composite" {
		return false
	}
	pair := s.step(st.PairsWith)
	if pair == nil || pair.CompositeOver == "" {
		return false
	}
	for _, stand := range s.Pinned.rules.steps {
		if stand.Kind == protocol.StepStand && stand.From == pair.CompositeOver && len(s.together(at, stand.ID).Openings) > 0 {
			return true
		}
	}
	return false
}

// partners are the draws that a draw is compared with.
func (s *State) partners(step string) []*protocol.Step {
	own := s.step(step)
	var out []*protocol.Step
	for _, st := range s.Pinned.rules.steps {
		if st.ID == own.PairsWith || st.ID == own.PairsAfter || st.PairsWith == step || st.PairsAfter == step {
			out = append(out, st)
		}
	}
	return out
}

// holdTime is how long a bottle's analyte may be held: the bottle's own time,
// or the shorter one of the bottle in which the other of the pair is held for
// the same analyte. One of a pair that spoiled makes the other worthless.
func (s *State) holdTime(step, bottle, analyte string) (quantity.Quantity, bool) {
	best, ok := s.ownHold(bottle)
	for _, st := range s.partners(step) {
		for _, other := range st.Bottles {
			b := s.Pinned.Protocol.Bottles[other]
			if other != bottle && (analyte == "" || !contains(b.Analytes, analyte)) {
				continue
			}
			if q, has := s.ownHold(other); has && (!ok || q.Cmp(best) < 0) {
				best, ok = q, true
			}
		}
	}
	return best, ok
}

func (s *State) ownHold(bottle string) (quantity.Quantity, bool) {
	b, ok := s.Pinned.Protocol.Bottles[bottle]
	if !ok {
		return quantity.Quantity{}, false
	}
	q, err := quantity.Parse(b.Hold)
	return q, err == nil && q.Dim == quantity.Time
}

func contains(list []string, x string) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}

// Holds decides the hold time of every bottle that was drawn: of each analyte
// read from it, from the draw to the analysis. The last moment is in: 48 h is
// 48:00:00.000. An analysis on record by its date alone is undecided when the
// limit falls on that day.
func (s *State) Holds(now time.Time) []Hold {
	var out []Hold
	for _, x := range s.Samples {
		t := s.Tries[x.Step][x.Try-1]
		st := s.step(x.Step)
		_, _, when := s.drawn(st, t, At{x.Step, x.Try})
		drawn, err := audit.ParseTime(when.Text)
		if err != nil {
			continue
		}
		for _, b := range t.Bottles {
			analytes := s.Pinned.Protocol.Bottles[b.Bottle].Analytes
			if len(analytes) == 0 {
				analytes = []string{""}
			}
			for _, a := range analytes {
				q, ok := s.holdTime(x.Step, b.Bottle, a)
				if !ok {
					continue
				}
				h := Hold{Step: x.Step, Try: x.Try, Sample: x.ID, Bottle: b.Bottle, Code: b.Code, Analyte: a, Hold: q.String(),
					Drawn: when.Text, Until: audit.Time(drawn.Add(length(q)))}
				s.decideHold(&h, drawn.Add(length(q)), now)
				out = append(out, h)
			}
		}
	}
	return out
}

func (s *State) decideHold(h *Hold, until, now time.Time) {
	if now.After(until) {
		h.Passed = "yes"
	}
	if h.Sample == "" || h.Analyte == "" {
		return
	}
	r, _, _ := s.Result(h.Sample, h.Analyte)
	if r == nil || r.Analysed == "" {
		return
	}
	from, to, err := analysed(r.Analysed)
	if err != nil {
		return
	}
	h.Analysed = r.Analysed
	switch {
	case !to.After(until):
		h.State = StateMet
	case from.After(until):
		h.State = StateUnmet
	default:
		h.State = StateUndecided
	}
}

// analysed reads a time or date of analysis: the first and last moment that it
// can mean.
func analysed(text string) (from, to time.Time, err error) {
	if t, err := audit.ParseTime(text); err == nil {
		return t, t, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.UTC(), t.UTC(), nil
	}
	day, err := time.Parse("2006-01-02", text)
	if err != nil {
		return time.Time{}, time.Time{}, err
	}
	return day, day.Add(24*time.Hour - time.Millisecond), nil
}

// length turns a quantity of time into whole milliseconds, cut off.
func length(q quantity.Quantity) time.Duration {
	ms, err := quantity.LookupUnit("ms")
	if err != nil || q.Dim != quantity.Time {
		return 0
	}
	n := q.In(ms)
	whole := new(big.Int).Quo(n.Num(), n.Denom())
	if !whole.IsInt64() || whole.Int64() > int64(1)<<62/int64(time.Millisecond) {
		return 1<<62 - 1
	}
	return time.Duration(whole.Int64()) * time.Millisecond
}

// Current is the newest try of a step, nil for an unknown step.
func (s *State) Current(step string) *Try {
	tries := s.Tries[step]
	if len(tries) == 0 {
		return nil
	}
	return tries[len(tries)-1]
}

// CountedTry is the try of a step that counts: the newest, if it is closed, was
// not left out and is not void; else nil. Where the protocol counts all tries,
// it is the newest of those that CountedTries lists.
func (s *State) CountedTry(step string) *Try {
	list := s.CountedTries(step)
	if len(list) == 0 {
		return nil
	}
	return list[len(list)-1]
}

// CountedTries lists the tries of a step that count, in order.
func (s *State) CountedTries(step string) []*Try {
	tries := s.Tries[step]
	if s.Pinned.Protocol.Tries.Counts != "all" && len(tries) > 0 {
		tries = tries[len(tries)-1:]
	}
	var out []*Try
	for _, t := range tries {
		if t.Closed && !t.Void && !t.LeftOut {
			out = append(out, t)
		}
	}
	return out
}
