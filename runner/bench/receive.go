package bench

import (
	"fmt"
	"slices"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/lab"
)

// ReceiveSpec is a laboratory's report with what its file does not say.
type ReceiveSpec struct {
	Name         string // of the file, for messages
	Data         []byte
	Limits       []byte // a separate table of limits
	LimitsName   string
	Header       lab.Header
	Step         string // a report step; "" takes the one that is due for these samples
	Temperature  string // on receipt, as the laboratory states it
	Ignore       []string
	DecimalComma bool
}

// FileFaults is everything that is wrong in a laboratory's file.
type FileFaults struct{ Faults []lab.Fault }

// Error is the number of faults and the first of them.
func (f *FileFaults) Error() string {
	if len(f.Faults) == 1 {
		return f.Faults[0].String()
	}
	return fmt.Sprintf("%d faults, the first: %s", len(f.Faults), f.Faults[0])
}

// Receive reads a laboratory's report and puts its values on record. The file
// itself is not parsed again later: what was read is the record.
func (b *Bench) Receive(run string, spec ReceiveSpec, sealed ...*Sealed) (sheet *lab.Sheet, rec audit.Record, st *runner.State, err error) {
	rec, st, err = b.Append(run, func(st *runner.State) (runner.Proposal, error) {
		var body runner.Report
		sheet, body, err = b.report(st, spec)
		body.Attachments = attached(sealed)
		return runner.Proposal{Kind: runner.KindReport, Body: body}, err
	}, sealed...)
	return sheet, rec, st, err
}

// Read reads a laboratory's report without putting anything on record.
func (b *Bench) Read(run string, spec ReceiveSpec) (*lab.Sheet, error) {
	st, err := b.State(run)
	if err != nil {
		return nil, err
	}
	sheet, _, err := b.report(st, spec)
	return sheet, err
}

func (b *Bench) report(st *runner.State, spec ReceiveSpec) (*lab.Sheet, runner.Report, error) {
	m, err := b.Main()
	if err != nil {
		return nil, runner.Report{}, err
	}
	opt := lab.Options{Header: spec.Header, Limits: spec.Limits, LimitsName: spec.LimitsName, Ignore: spec.Ignore, DecimalComma: spec.DecimalComma,
		Samples: handed(st)}
	if opt.Samples == nil {
		return nil, runner.Report{}, &runner.Refusal{Says: "no sample of this run was handed over", Hint: "a report is matched by the ids that hand-over makes"}
	}
	for _, v := range st.Pinned.Values {
		opt.Analytes = append(opt.Analytes, v.Analytes...)
	}
	if spec.Header.Laboratory == "" {
		if ids := m.ids(protocol.KindLaboratory); len(ids) == 1 {
			opt.Header.Laboratory = ids[0]
		}
	}
	if d, ok := m.Library.Newest(protocol.KindLaboratory, opt.Header.Laboratory); ok {
		opt.LaboratoryTitle = d.Value.(*protocol.Laboratory).Title
	}
	sheet, faults := lab.Parse(spec.Name, spec.Data, opt)
	if len(faults) > 0 {
		return nil, runner.Report{}, &FileFaults{Faults: faults}
	}
	step := spec.Step
	if step == "" {
		step = b.reportStep(st, sheet)
	}
	// Once it is known what the report is about, only that can be missing in it.
	opt.Samples = slices.DeleteFunc(opt.Samples, func(x lab.Sample) bool { return !concerns(st, step, sheet, x.ID) })
	if sheet, faults = lab.Parse(spec.Name, spec.Data, opt); len(faults) > 0 {
		return nil, runner.Report{}, &FileFaults{Faults: faults}
	}
	if asks := slices.DeleteFunc(slices.Clone(sheet.Asks), func(a string) bool { return a == "revision" }); len(asks) > 0 {
		return sheet, runner.Report{}, &runner.Refusal{Says: spec.Name + " does not say: " + strings.Join(asks, ", "), Hint: "read it in the report itself: --" + strings.Join(asks, " ... --") + " ..."}
	}
	h := sheet.Header
	body := runner.Report{Common: common(), Step: step, Laboratory: h.Laboratory, Number: h.Number, Revision: h.Revision, Status: h.Status,
		Issued: h.Issued, Replaces: h.Replaces, Received: h.Received, Results: sheet.Results, Warnings: sheet.Warnings}
	if spec.Temperature != "" {
		body.Values = map[string]runner.Value{"receipt_temperature": {Text: spec.Temperature, Evidence: "imported"}}
	}
	return sheet, body, nil
}

// concerns tells whether a report is about a sample: it reports it, or its step
// names the draw.
func concerns(st *runner.State, step string, sheet *lab.Sheet, id string) bool {
	if slices.ContainsFunc(sheet.Results, func(r runner.LabResult) bool { return r.Sample == id }) {
		return true
	}
	x := st.SampleByID(id)
	_, s := st.Pinned.Protocol.Step(step)
	return x != nil && s != nil && slices.Contains(s.Samples, x.Step)
}

// handed lists the samples that were passed on, with what is read from their
// bottles.
func handed(st *runner.State) []lab.Sample {
	p := st.Pinned.Protocol
	var out []lab.Sample
	for _, x := range st.Samples {
		if x.ID == "" {
			continue
		}
		s := lab.Sample{ID: x.ID, Codes: x.Codes}
		_, step := p.Step(x.Step)
		for _, id := range step.Bottles {
			for _, a := range p.Bottles[id].Analytes {
				if !slices.Contains(s.Ordered, a) {
					s.Ordered = append(s.Ordered, a)
				}
			}
		}
		out = append(out, s)
	}
	return out
}

// reportStep finds the report step that is due and is about the samples of the
// file; none after a run was closed, and for a report that replaces another.
func (b *Bench) reportStep(st *runner.State, sheet *lab.Sheet) string {
	about := map[string]bool{}
	for _, r := range sheet.Results {
		if x := st.SampleByID(r.Sample); x != nil {
			about[x.Step] = true
		}
	}
	for _, todo := range st.Next(b.now).May {
		if todo.Kind != protocol.StepReport {
			continue
		}
		_, step := st.Pinned.Protocol.Step(todo.Step)
		for _, draw := range step.Samples {
			if about[draw] {
				return todo.Step
			}
		}
		if len(step.Samples) == 0 {
			return todo.Step
		}
	}
	return ""
}
