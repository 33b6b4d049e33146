package edition

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/assess"
)

// Way is the way from a published number of one unit down to raw records.
type Way struct {
	Edition   string       `json:"edition"`
	Commit    string       `json:"commit"`
	Simulated string       `json:"simulated"`
	Unit      string       `json:"unit"`
	Title     string       `json:"title"`
	Run       string       `json:"run"`
	Name      string       `json:"name"`
	Score     *WayScore    `json:"score,omitempty"`
	Measures  []WayMeasure `json:"measures,omitempty"`
	Findings  []WayFinding `json:"findings"`
	Records   []WayRecord  `json:"records"` // every record that an input stands in, by number
}

// WayScore is how the published score came about.
type WayScore struct {
	Low      string    `json:"low"`
	Number   string    `json:"number"`
	High     string    `json:"high"`
	Rank     int       `json:"rank"`
	Worst    int       `json:"rank_worst"` // the worst possible rank; Rank is the best
	Sharing  int       `json:"sharing"`
	Band     string    `json:"band"`
	BandHigh string    `json:"band_high"`
	Before   [3]string `json:"before"`
	Half     string    `json:"half"`
	Caps     []UnitCap `json:"caps"`
}

// WayMeasure is a measure with its weight and value function, and what it gave.
type WayMeasure struct {
	UnitMeasure
	Title     string              `json:"title"`
	Value     string              `json:"value"`  // expression
	Weight    string              `json:"weight"` // as written
	Share     string              `json:"share,omitempty"`
	Points    []protocol.ValueFun `json:"points"`
	Undecided string              `json:"when_undecided"`
	Missing   string              `json:"when_missing"`
	LeftOut   *LeftOut            `json:"left_out,omitempty"`
	Because   string              `json:"because"`
	Source    string              `json:"source"`
}

// WayFinding is a finding with its sentence and formula.
type WayFinding struct {
	assess.Finding
	Sentence string         `json:"sentence"`
	Formula  assess.Formula `json:"formula"`
}

// WayRecord is a record that an input stands in: who, when, how it came to be
// known.
type WayRecord struct {
	Run    string `json:"run"`
	Seq    int64  `json:"seq"`
	Record string `json:"record"`
	Kind   string `json:"kind"`
	Step   string `json:"step,omitempty"`
	Try    int    `json:"try,omitempty"`
	By     string `json:"by"`
	Via    string `json:"via"`
	Made   string `json:"made"`
	Clock  string `json:"clock"`
	At     string `json:"at,omitempty"` // when it happened
	// Evidence of the values: their paths and how each came to be known.
	Evidence []assess.Arg `json:"evidence,omitempty"`
	File     string       `json:"file"` // in the edition
}

// Trace follows a published number of a unit down to raw records. name is
// "score", a measure's id, or ANALYTE.reduction, ANALYTE.rise, ANALYTE.margin.
// Errors: an edition, unit or name that does not exist, with what there is.
func Trace(o audit.Objects, edition, unit, name string) (*Way, error) {
	e, err := open(o, edition)
	if err != nil {
		return nil, err
	}
	c, err := ReadCore(e.files)
	if err != nil {
		return nil, fmt.Errorf("edition %s: %w", edition, err)
	}
	basis, score := c.Unit(unit)
	a := c.Assessment(unit)
	if basis == nil || a == nil {
		var have []string
		for _, u := range c.Basis.Units {
			have = append(have, u.Unit)
		}
		return nil, fmt.Errorf("edition %s ranks no unit %q; it ranks %s", e.id, unit, strings.Join(have, ", "))
	}
	w := &Way{Edition: e.id, Commit: e.commit.Hash, Simulated: c.Basis.Simulated, Unit: unit, Title: basis.Document.Title, Run: basis.Run, Name: name, Findings: []WayFinding{}, Records: []WayRecord{}}
	switch {
	case name == "score":
		w.Score = &WayScore{Low: score.Low, Number: score.Number, High: score.High, Rank: score.Rank, Worst: score.RankWorst, Sharing: score.Sharing,
			Band: score.Band, BandHigh: score.BandHigh, Before: score.Before, Half: c.Scores.Half, Caps: score.Caps}
		for _, m := range score.Measures {
			w.measure(c, a, m)
		}
		for _, k := range score.Caps {
			w.rest(a, k.Rests)
		}
	case c.Measure(name) != nil:
		for _, m := range score.Measures {
			if m.Measure == name {
				w.measure(c, a, m)
			}
		}
	default:
		subject, kind, ok := strings.Cut(name, ".")
		if !ok || (kind != assess.KindReduction && kind != assess.KindRise && kind != assess.KindMargin) || !w.finding(a, kind, subject) {
			return nil, fmt.Errorf("edition %s has no number %q for unit %s: write score, a measure (%s), or ANALYTE.reduction, ANALYTE.rise, ANALYTE.margin", e.id, name, unit, strings.Join(measureIDs(c), ", "))
		}
	}
	return w, w.records(e)
}

func measureIDs(c *Core) []string {
	var out []string
	for _, m := range c.Basis.Measures {
		out = append(out, m.ID)
	}
	return out
}

// measure takes in one measure and the findings that it rests on.
func (w *Way) measure(c *Core, a *assess.Assessment, m UnitMeasure) {
	def := c.Measure(m.Measure)
	x := WayMeasure{UnitMeasure: m, Title: def.Title, Value: def.Value, Weight: def.Weight, Share: def.Share, Points: def.Points,
		Undecided: def.Undecided, Missing: def.Missing, Because: def.Because, Source: def.Source}
	for i := range c.Scores.LeftOut {
		if c.Scores.LeftOut[i].Measure == m.Measure {
			x.LeftOut = &c.Scores.LeftOut[i]
		}
	}
	w.Measures = append(w.Measures, x)
	w.rest(a, m.Rests)
}

func (w *Way) rest(a *assess.Assessment, rests []Rest) {
	for _, r := range rests {
		if r.Kind != "" {
			w.finding(a, r.Kind, r.Subject)
		}
	}
}

// finding takes in a finding once.
func (w *Way) finding(a *assess.Assessment, kind, subject string) bool {
	for _, f := range w.Findings {
		if f.Kind == kind && f.Subject == subject {
			return true
		}
	}
	for _, f := range a.Findings {
		if f.Kind == kind && f.Subject == subject {
			formula, _ := assess.FormulaOf(f.Rule)
			if f.Source == "" {
				f.Source = formula.Source
			}
			w.Findings = append(w.Findings, WayFinding{Finding: f, Sentence: assess.Sentence(f), Formula: formula})
			return true
		}
	}
	return false
}

// records looks up every record that an input stands in, in the edition's
// evidence, and holds its bytes against the hash that the finding names.
func (w *Way) records(e *opened) error {
	want := map[string]assess.Input{}
	for _, f := range w.Findings {
		for _, in := range f.Inputs {
			if in.Seq > 0 {
				want[fmt.Sprintf("evidence/%s/%s/%s", in.Run, audit.RecordsDir, audit.RecordName(in.Seq))] = in
			}
		}
	}
	for _, path := range slices.Sorted(maps.Keys(want)) {
		in := want[path]
		data, ok := e.files[path]
		if !ok {
			return fmt.Errorf("edition %s lacks %s, which a finding rests on", e.id, path)
		}
		if audit.Hash(data) != in.Record {
			return fmt.Errorf("edition %s: %s is not the record %s that a finding names", e.id, path, in.Record)
		}
		r, err := audit.ParseRecord(data)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		w.Records = append(w.Records, wayRecord(r, in.Record, path))
	}
	sort.SliceStable(w.Records, func(i, j int) bool { return w.Records[i].Seq < w.Records[j].Seq })
	return nil
}

func wayRecord(r audit.Record, hash, path string) WayRecord {
	out := WayRecord{Run: r.Run, Seq: r.Seq, Record: hash, Kind: r.Kind, By: r.By, Via: r.Via, Made: r.Made, Clock: r.Clock, File: path}
	var body struct {
		Step   string                  `json:"step"`
		Try    int                     `json:"try"`
		Values map[string]runner.Value `json:"values"`
		Value  *runner.Value           `json:"value"`
	}
	if json.Unmarshal(r.Body, &body) != nil {
		return out
	}
	out.Step, out.Try = body.Step, body.Try
	for _, name := range []string{"at", "ended", "closed_at", "opened_at"} {
		if v, ok := body.Values[name]; ok && out.At == "" {
			out.At = v.Text
		}
	}
	for _, name := range slices.Sorted(maps.Keys(body.Values)) {
		out.Evidence = append(out.Evidence, assess.Arg{Name: "/values/" + name, Text: body.Values[name].Evidence})
	}
	if body.Value != nil {
		out.Evidence = append(out.Evidence, assess.Arg{Name: "/value/text", Text: body.Value.Evidence})
	}
	if r.Kind == runner.KindReport {
		out.Evidence = append(out.Evidence, assess.Arg{Name: "/results", Text: "imported"})
	}
	return out
}
