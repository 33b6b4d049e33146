package edition

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/runner/assess"
)

// evidence lays every record of every run of the ranked units beside the
// documents that they and the scores rest on. Records hold commitments only;
// private bytes are never here.
func (b *built) evidence() (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, r := range b.list {
		for _, id := range r.runs {
			x := b.g.runs[id]
			for _, rec := range x.recs {
				data, err := rec.Bytes()
				if err != nil {
					return nil, fmt.Errorf("run %s: %w", id, err)
				}
				out["evidence/"+id+"/"+audit.RecordsDir+"/"+audit.RecordName(rec.Seq)] = data
			}
			if x.state != nil {
				if err := b.documents(out, x); err != nil {
					return nil, err
				}
			}
		}
	}
	for _, d := range append([]*protocol.Document{b.c.doc, b.c.scoring, b.c.protocol, b.c.lab}, b.c.values...) {
		lay(out, b.g.files, d.Path())
	}
	for _, d := range b.g.lib.All(protocol.KindBench) {
		lay(out, b.g.files, d.Path())
	}
	for _, c := range b.cautions() {
		lay(out, b.g.files, "documents/caution/"+c.ID+"/"+c.Version)
	}
	return out, nil
}

// documents lays what a run pinned, from the main commit it was opened on.
func (b *built) documents(out map[string][]byte, x *run) error {
	files, err := b.g.tree(x.recs[0].Main)
	if err != nil {
		return err
	}
	p := x.state.Pinned
	paths := []string{"unit/" + p.Unit.ID + "/" + p.Unit.Version, "protocol/" + p.Protocol.ID + "/" + p.Protocol.Version}
	for _, v := range p.Values {
		paths = append(paths, "values/"+v.ID+"/"+v.Version)
	}
	for _, id := range slices.Sorted(maps.Keys(p.Instrument)) {
		paths = append(paths, "instrument/"+id+"/"+p.Instrument[id].Version)
	}
	for _, id := range slices.Sorted(maps.Keys(p.Laboratory)) {
		paths = append(paths, "laboratory/"+id+"/"+p.Laboratory[id].Version)
	}
	if p.Scoring != nil {
		paths = append(paths, "scoring/"+p.Scoring.ID+"/"+p.Scoring.Version)
	}
	if p.Campaign != nil {
		paths = append(paths, "campaign/"+p.Campaign.ID+"/"+p.Campaign.Version)
	}
	for _, path := range paths {
		lay(out, files, "documents/"+path)
	}
	return nil
}

// lay copies both forms of a document, where the tree has them.
func lay(out, files map[string][]byte, path string) {
	for _, ext := range []string{".yaml", ".json"} {
		if data, ok := files[path+ext]; ok {
			out["evidence/"+path+ext] = data
		}
	}
}

func plainIn(u quantity.Unit) func(*big.Rat) string {
	return func(r *big.Rat) string { return quantity.Plain(u.FromBase(r)) }
}

// table writes CSV with line feeds.
func table(rows [][]string) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	for _, r := range rows {
		if err := w.Write(r); err != nil {
			panic(err) // a buffer takes everything
		}
	}
	w.Flush()
	return b.Bytes()
}

// resultsTable lists every result that counts, one a line.
func resultsTable(basis *Basis, f *Findings) []byte {
	rows := [][]string{{"simulated", "unit", "run", "analyte", "sample_role", "sample", "result", "expanded_uncertainty", "reporting_limit", "record"}}
	for i := range f.Runs {
		a := &f.Runs[i]
		for _, r := range a.Rows {
			for _, c := range []struct {
				role string
				cell assess.Cell
			}{{"untreated", r.Untreated}, {"treated", r.Treated}, {"flushed", r.Flushed}, {"second_day", r.SecondDay}, {"duplicate", r.Duplicate},
				{"drain", r.Drain}, {"field_blank", r.Blank}, {"bottle_lot_blank", r.LotBlank}} {
				if c.cell.Result == "" {
					continue
				}
				rows = append(rows, []string{basis.Simulated, a.Unit, a.Run, r.Analyte, c.role, c.cell.Sample, plainCell(c.cell.Result), c.cell.U, c.cell.Limit, fmt.Sprint(c.cell.Seq)})
			}
		}
	}
	return table(rows)
}

// plainCell keeps a spreadsheet from taking a text for a formula.
func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+@", rune(s[0])) {
		return "'" + s
	}
	return s
}

// scoresTable lists scores and points, one unit a line.
func scoresTable(basis *Basis, s *Scores) []byte {
	head := []string{"simulated", "rank_best", "rank_worst", "sharing", "unit", "run", "low", "number", "high", "band_low", "band_high"}
	for _, m := range basis.Measures {
		head = append(head, m.ID+"_low", m.ID, m.ID+"_high")
	}
	rows := [][]string{head}
	for _, u := range s.Units {
		row := []string{basis.Simulated, fmt.Sprint(u.Rank), fmt.Sprint(u.RankWorst), fmt.Sprint(u.Sharing), u.Unit, u.Run, u.Low, u.Number, u.High, u.Band, u.BandHigh}
		for _, m := range u.Measures {
			row = append(row, m.Low, m.Number, m.High)
		}
		rows = append(rows, row)
	}
	return table(rows)
}
