package runner

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// completeHandOver fills in which samples are passed on (those of the step that
// nobody has taken yet), their bottle codes, and the ids that the laboratory
// reports them under, made from the checkpoint.
func (s *State) completeHandOver(b *HandOver) {
	if len(b.Samples) == 0 {
		for _, x := range s.stillHere(b.Step) {
			b.Samples = append(b.Samples, HandedSample{Step: x.Step, Try: x.Try})
		}
	}
	for i := range b.Samples {
		h := &b.Samples[i]
		if h.Try == 0 {
			if t := s.Current(h.Step); t != nil {
				h.Try = t.N
			}
		}
		x := s.sampleOf(h.Step, h.Try)
		if x == nil {
			continue
		}
		if len(h.Codes) == 0 {
			h.Codes = slices.Clone(x.Codes)
		}
		if h.ID == "" {
			if h.ID = x.ID; h.ID == "" && b.Checkpoint != "" {
				h.ID = audit.SampleID([]byte(b.Checkpoint), h.Codes)
			}
		}
	}
}

// stillHere lists the samples still on the bench that a hand-over step is about.
func (s *State) stillHere(step string) []*Sample {
	var about []string
	if st := s.step(step); st != nil {
		about = st.Samples
	}
	var out []*Sample
	for _, x := range s.Samples {
		if x.HandedSeq == 0 && (len(about) == 0 || slices.Contains(about, x.Step)) {
			out = append(out, x)
		}
	}
	return out
}

func (s *State) checkHandOver(m meta, b *HandOver, c circumstances) *Refusal {
	if b.Step != "" {
		if ref := s.checkCustodyStep(m, b.Step, b.Try, protocol.StepHand); ref != nil {
			return ref
		}
	} else if b.Try != 0 {
		return refuse("", "", "a hand-over that belongs to no step has no try")
	}
	if !reDocID.MatchString(b.To) {
		return refuse(b.Step, "the id of a laboratory or person, or courier", "it is not said to whom: %q", clip(b.To))
	}
	if ref := s.checkValues(b.Step, b.Values, handFields, c); ref != nil {
		return ref
	}
	if len(b.Samples) == 0 {
		return refuse(b.Step, "draw samples first", "there is no sample to hand over")
	}
	if b.Checkpoint == "" || b.Signature == "" {
		return refuse(b.Step, "make a checkpoint; sample ids are derived from it", "the checkpoint or its signature is missing")
	}
	seen := map[string]bool{}
	for _, h := range b.Samples {
		if ref := s.checkHanded(b, h, seen); ref != nil {
			return ref
		}
	}
	if b.Step == "" {
		return nil
	}
	for _, x := range s.stillHere(b.Step) {
		// A sample of a try that was done again may stay: it is kept, and need not
		// be analysed.
		if x.Try == s.last(x.Step).N && !seen[x.Step+"#"+strconv.Itoa(x.Try)] && !s.Tries[x.Step][x.Try-1].Void {
			return refuse(b.Step, "hand over what goes ahead of the rest without naming a step", "sample %s of try %d is still here", x.Step, x.Try)
		}
	}
	return nil
}

func (s *State) checkHanded(b *HandOver, h HandedSample, seen map[string]bool) *Refusal {
	x := s.sampleOf(h.Step, h.Try)
	if x == nil {
		return refuse(b.Step, "", "no sample was drawn in try %d of %q", h.Try, clip(h.Step))
	}
	name := h.Step + "#" + strconv.Itoa(h.Try)
	if seen[name] {
		return refuse(b.Step, "", "sample %s stands twice", h.Step)
	}
	seen[name] = true
	if !slices.Equal(h.Codes, x.Codes) {
		return refuse(b.Step, "", "sample %s has the bottles %s, not %s", h.Step, strings.Join(x.Codes, ","), strings.Join(h.Codes, ","))
	}
	if x.ID != "" {
		if h.ID != x.ID {
			return refuse(b.Step, "", "sample %s has the id %s already", h.Step, x.ID)
		}
	} else if want := audit.SampleID([]byte(b.Checkpoint), h.Codes); h.ID != want {
		return refuse(b.Step, "", "sample %s: id %q does not follow from this checkpoint, %s does", h.Step, clip(h.ID), want)
	}
	_, _, when := s.drawn(s.step(h.Step), s.Tries[h.Step][h.Try-1], At{h.Step, h.Try})
	if at := b.Values["at"]; when.Text != "" && at.Text < when.Text {
		return refuse(b.Step, "", "sample %s was drawn at %s, after this hand-over (%s)", h.Step, when.Text, at.Text)
	}
	return nil
}

// checkCustodyStep is checkStep for what comes from outside or goes out: it may
// go on while the run waits for a person, because samples do not wait.
func (s *State) checkCustodyStep(m meta, id string, try int, kind string) *Refusal {
	free := *s
	free.stopped, free.Blocked = false, nil
	ref := free.checkStep(m, id, try, kind)
	if ref == nil || kind != protocol.StepReport || s.step(id) == nil || s.step(id).Kind != kind {
		return ref
	}
	if t := s.last(id); t.Closed || s.closed || s.abandoned {
		ref.Hint = "a further report belongs to no step: leave the step out"
	}
	return ref
}

func (s *State) checkReport(m meta, b *Report, c circumstances) *Refusal {
	if b.Step != "" {
		if ref := s.checkCustodyStep(m, b.Step, b.Try, protocol.StepReport); ref != nil {
			return ref
		}
	} else if b.Try != 0 {
		return refuse("", "", "a report that belongs to no step has no try")
	}
	if ref := s.checkReportHead(b, c); ref != nil {
		return ref
	}
	if ref := s.checkValues(b.Step, b.Values, reportFields, c); ref != nil {
		return ref
	}
	if ref := s.checkRevision(b); ref != nil {
		return ref
	}
	if len(b.Results) == 0 {
		return refuse(b.Step, "", "the report holds no result")
	}
	seen := map[string]int{}
	for i := range b.Results {
		r := &b.Results[i]
		if ref := s.checkResult(b, r); ref != nil {
			ref.Step, ref.Line = b.Step, r.Line
			return ref
		}
		name := r.Sample + " " + r.Analyte + " " + r.Fraction + " " + r.Method
		if first, twice := seen[name]; twice {
			return &Refusal{Step: b.Step, Line: r.Line, Says: "sample " + r.Sample + ": " + r.Analyte + " stands twice, as result " + strconv.Itoa(first+1) + " and " + strconv.Itoa(i+1),
				Hint: "the laboratory says which one counts; keep the other as a note"}
		}
		seen[name] = i
	}
	for _, w := range b.Warnings {
		if !reWarning.MatchString(w.Code) {
			return refuse(b.Step, "", "warning code %q", clip(w.Code))
		}
	}
	return nil
}

func (s *State) checkReportHead(b *Report, c circumstances) *Refusal {
	known := c.laboratories
	if known == nil {
		known = s.Pinned.Laboratory
	}
	if !reDocID.MatchString(b.Laboratory) {
		return refuse(b.Step, "the id of a laboratory document", "laboratory %q", clip(b.Laboratory))
	}
	if _, ok := known[b.Laboratory]; c.fresh && len(known) > 0 && !ok {
		return refuse(b.Step, "`add` its document first", "there is no laboratory %q on this bench", b.Laboratory)
	}
	if !slices.Contains([]string{"preliminary", "final", "amended"}, b.Status) {
		return refuse(b.Step, "preliminary, final or amended", "status %q", clip(b.Status))
	}
	for _, x := range []struct{ what, text string }{{"the report's number", b.Number}, {"the date of issue", b.Issued}} {
		if ref := checkText(b.Step, x.what, x.text, mostValue, true); ref != nil {
			return ref
		}
	}
	for _, x := range []struct{ what, text string }{{"the revision", b.Revision}, {"what it replaces", b.Replaces}} {
		if ref := checkText(b.Step, x.what, x.text, mostValue, false); ref != nil {
			return ref
		}
	}
	issued, _, err := analysed(b.Issued)
	if err != nil {
		return refuse(b.Step, "a date such as 2026-03-09", "date of issue %q", clip(b.Issued))
	}
	if issued.After(c.now) {
		return refuse(b.Step, "the clock says "+audit.Time(c.now), "it was issued in the future, %s", b.Issued)
	}
	if b.Received == "" {
		return nil
	}
	received, _, err := analysed(b.Received)
	if err != nil {
		return refuse(b.Step, "a date such as 2026-03-05, or a time", "date of receipt %q", clip(b.Received))
	}
	if received.After(c.now) {
		return refuse(b.Step, "", "the samples were received in the future, %s", b.Received)
	}
	return nil
}

// checkRevision keeps the reports of a laboratory in one line: the same number
// once per revision, a later revision naming the one that it replaces.
func (s *State) checkRevision(b *Report) *Refusal {
	var same, named *Received
	for _, old := range s.Reports {
		if old.Laboratory != b.Laboratory {
			continue
		}
		if old.Number == b.Number {
			if old.Revision == b.Revision {
				return refuse(b.Step, "", "report %s is on record already, as record %d", old.Name(), old.Seq)
			}
			same = old
		}
		if old.Name() == b.Replaces {
			named = old
		}
	}
	switch {
	case b.Replaces != "" && named == nil:
		return refuse(b.Step, "enter that one first, or leave it out if it never came", "it replaces %q, which is not on record", clip(b.Replaces))
	case named != nil && named.ReplacedBy != 0:
		return refuse(b.Step, "", "report %s is replaced already, by record %d", named.Name(), named.ReplacedBy)
	case b.Replaces == "" && same != nil:
		return refuse(b.Step, "say replaces: "+same.Name(), "report %s is on record with another revision", same.Number)
	case named != nil && earlier(b.Revision, named.Revision) && b.Number == named.Number:
		return refuse(b.Step, "", "revision %q cannot replace the later revision %q", b.Revision, named.Revision)
	}
	return nil
}

// earlier compares revisions that are both whole numbers; others have no order.
func earlier(a, b string) bool {
	if b == "" {
		return false
	}
	if a == "" {
		return true
	}
	x, errA := strconv.Atoi(a)
	y, errB := strconv.Atoi(b)
	return errA == nil && errB == nil && x < y
}

func (s *State) checkResult(b *Report, r *LabResult) *Refusal {
	x := s.SampleByID(r.Sample)
	if x == nil {
		return &Refusal{Says: "sample " + strconv.Quote(clip(r.Sample)) + " was never handed over in this run", Hint: s.knownSamples()}
	}
	if !slices.Contains(s.Pinned.Protocol.Analytes, r.Analyte) {
		return &Refusal{Says: "analyte " + strconv.Quote(clip(r.Analyte)) + " is not asked for by protocol " + s.Pinned.Protocol.ID,
			Hint: "it asks for: " + strings.Join(s.Pinned.Protocol.Analytes, ", ")}
	}
	res, err := quantity.ParseResult(r.Result)
	if err != nil {
		return &Refusal{Says: r.Analyte + ": " + err.Error()}
	}
	for _, limit := range []struct{ what, text string }{{"detection limit", r.Detection}, {"quantitation limit", r.Quantitate},
		{"reporting limit", r.Reporting}, {"uncertainty", r.Uncertainty}} {
		if limit.text == "" {
			continue
		}
		q, err := quantity.Parse(limit.text)
		if err != nil {
			return &Refusal{Says: r.Analyte + ", " + limit.what + ": " + err.Error()}
		}
		if q.Dim != res.Quantity.Dim && !(limit.what == "uncertainty" && q.Dim == quantity.Ratio) {
			return &Refusal{Says: r.Analyte + ": the " + limit.what + " is a " + q.Dim.String() + ", the result a " + res.Quantity.Dim.String()}
		}
	}
	if !slices.Contains([]string{"", "total", "dissolved"}, r.Fraction) {
		return &Refusal{Says: r.Analyte + ": fraction " + strconv.Quote(clip(r.Fraction)), Hint: "total or dissolved"}
	}
	for _, text := range []string{r.Qualifier, r.Method, r.Dilution, r.Batch, r.Performed} {
		if ref := checkText("", r.Analyte, text, mostValue, false); ref != nil {
			return ref
		}
	}
	return s.checkAnalysed(x, r)
}

func (s *State) checkAnalysed(x *Sample, r *LabResult) *Refusal {
	if r.Analysed == "" {
		return nil
	}
	_, to, err := analysed(r.Analysed)
	if err != nil {
		return &Refusal{Says: r.Analyte + ": date of analysis " + strconv.Quote(clip(r.Analysed)), Hint: "a date such as 2026-03-06, or a time"}
	}
	_, _, when := s.drawn(s.step(x.Step), s.Tries[x.Step][x.Try-1], At{x.Step, x.Try})
	if drawn, err := audit.ParseTime(when.Text); err == nil && to.Before(drawn.Truncate(time.Millisecond)) {
		return &Refusal{Says: r.Analyte + ": it was analysed " + r.Analysed + ", before the sample was drawn, " + when.Text}
	}
	return nil
}

func (s *State) knownSamples() string {
	var out []string
	for _, x := range s.Samples {
		if x.ID != "" {
			out = append(out, x.ID+" ("+x.Step+")")
		}
	}
	if len(out) == 0 {
		return "no sample was handed over yet"
	}
	return "handed over: " + strings.Join(out, ", ")
}
