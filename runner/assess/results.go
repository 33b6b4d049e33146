package assess

import (
	"math/big"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
)

// got is a laboratory result ready for computing, expressed as its analyte is
// printed.
type got struct {
	ok      bool
	m       water.Measured
	text    string // as reported
	limit   string
	inputs  []Input
	seq     int64
	path    string
	sample  string
	marks   []string
	problem bool // on record, but expressed in a way that cannot be converted
}

// result looks up a draw's result of an analyte and names its inputs by role.
func (l *look) result(d drawn, analyte, role string) got {
	if d.id() == "" {
		return got{}
	}
	r, seq, path := l.st.Result(d.id(), analyte)
	if r == nil {
		return got{}
	}
	g := got{text: r.Result, limit: r.Reporting, seq: seq, path: path, sample: d.id()}
	g.inputs = append(g.inputs, l.input(role, r.Result, seq, path+"/result"))
	res, err := quantity.ParseResult(r.Result)
	if err != nil {
		g.problem = true
		return g
	}
	g.m = water.Measured{Result: res, Batch: r.Batch, Estimated: strings.Contains(strings.ToUpper(r.Qualifier), "J")}
	limits := []struct {
		name, text string
		to         **quantity.Quantity
	}{{"detection", r.Detection, &g.m.Detection}, {"quantitation", r.Quantitate, &g.m.Quantitation}, {"reporting", r.Reporting, &g.m.Reporting}}
	for _, x := range limits {
		q, err := limitOf(x.text)
		if err != nil || q == nil || q.Dim != res.Quantity.Dim {
			continue
		}
		*x.to = q
		g.inputs = append(g.inputs, l.input(role+" "+x.name+" limit", x.text, seq, path+"/"+x.name))
	}
	l.uncertainty(&g, r, role, analyte)
	want := l.def(analyte).Speciation
	if want != "" && res.Speciation != want {
		m, err := water.ConvertMeasured(analyte, g.m, want)
		if err != nil {
			g.problem = true
			return g
		}
		g.m = m
	}
	g.ok = true
	return g
}

// limitOf reads a limit, which may carry what it is expressed as; nil for none.
func limitOf(text string) (*quantity.Quantity, error) {
	if text == "" {
		return nil, nil
	}
	r, err := quantity.ParseResult(text)
	if err != nil {
		return nil, err
	}
	return &r.Quantity, nil
}

// uncertainty takes the laboratory's statement, else the half width of its QC
// limits; without either the bench assumes.
func (l *look) uncertainty(g *got, r *runner.LabResult, role, analyte string) {
	res := g.m.Result
	if q, err := limitOf(r.Uncertainty); err == nil && q != nil {
		stated := *q
		if q.Dim == quantity.Ratio && res.Quantity.Dim != quantity.Ratio {
			stated = quantity.New(new(big.Rat).Mul(q.Base, res.Quantity.Base), res.Quantity.Unit)
		}
		if stated.Dim == res.Quantity.Dim {
			g.m.Stated = &stated
			g.inputs = append(g.inputs, l.input(role+" U (k = 2)", r.Uncertainty, g.seq, g.path+"/uncertainty"))
			return
		}
	}
	scope, lab := l.scope(g.seq, analyte, r.Method)
	if scope != nil && scope.QCHalfWidth != "" {
		if q, err := quantity.Parse(scope.QCHalfWidth); err == nil && q.Dim == quantity.Ratio {
			g.m.HalfWidth = q.Base
			g.inputs = append(g.inputs, Input{Name: role + " half width of QC limits", Text: scope.QCHalfWidth, Doc: "laboratory/" + lab.ID + "/" + lab.Version})
		}
	}
	if g.m.HalfWidth != nil && g.m.Limit() != nil {
		g.marks = append(g.marks, "assumed:small_values")
	}
	if g.m.HalfWidth == nil {
		g.marks = append(g.marks, "assumed:uncertainty")
	}
	if g.m.Limit() == nil {
		g.marks = append(g.marks, "assumed:no_limit")
	}
}

// scope is what the laboratory document says about an analyte and method at
// the report's date: the newest entry that is not after it.
func (l *look) scope(seq int64, analyte, method string) (*protocol.LabScope, *protocol.Laboratory) {
	var best *protocol.LabScope
	var lab *protocol.Laboratory
	for _, r := range l.st.Reports {
		if r.Seq != seq {
			continue
		}
		if lab = l.st.Pinned.Laboratory[r.Laboratory]; lab == nil {
			return nil, nil
		}
		for i := range lab.Analytes {
			s := &lab.Analytes[i]
			if s.Analyte != analyte || method != "" && s.Method != "" && s.Method != method || s.Since > r.Issued {
				continue
			}
			if best == nil || s.Since >= best.Since {
				best = s
			}
		}
	}
	return best, lab
}

// cell is a result as the tables print it.
func (l *look) cell(g got) Cell {
	if g.text == "" {
		return Cell{}
	}
	c := Cell{Result: g.text, Limit: g.limit, Seq: g.seq, Path: g.path, Sample: g.sample}
	if g.ok && g.m.Result.Qualifier == quantity.Exact {
		u := g.m.Uncertainty(l.assumed).Expanded()
		own, err := quantity.ParseResult(g.text)
		if err == nil && u.Sign() > 0 && g.m.Result.Quantity.Base.Sign() > 0 {
			// as a share of the value, so that it fits the result as it was reported
			share := new(big.Rat).Quo(u, g.m.Result.Quantity.Base)
			c.U = quantity.Significant(own.Quantity.Unit.FromBase(share.Mul(share, own.Quantity.Base)), 2, quantity.Up) + " " + own.Quantity.Unit.Code
		}
	}
	return c
}
