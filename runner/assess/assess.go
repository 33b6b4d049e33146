package assess

import (
	"fmt"
	"math/big"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
)

// look is one assessment under way.
type look struct {
	st      *runner.State
	p       *protocol.Protocol
	assumed water.Assumed
	// assumedBy is the values document that the assumptions stand in, "" for the
	// defaults.
	assumedBy         string
	moveCond, moveChl *big.Rat // largest moves of the feed, as shares
	defs              map[string]protocol.AnalyteDef
	published         []water.Published
	from              map[water.Published]Input
	recommended       map[string][]recommendation
	draws             draws
	hashes            map[int64]string
	marks             map[string][]string // by step
	out               *Assessment
	looked            int // family of the rises being decided
}

type recommendation struct {
	row protocol.ValueRow
	in  Input
}

// Assess works out everything that can be found about one run, from its state
// and the documents that it pins: rows and findings in the protocol's order of
// analytes, then the bench, contact time, life points, cost, feed and report.
// Errors are states that cannot be assessed at all; what the evidence cannot
// tell is a finding with its code.
func Assess(st *runner.State) (*Assessment, error) {
	if st == nil || st.Pinned == nil || st.Pinned.Protocol == nil || st.Pinned.Unit == nil {
		return nil, fmt.Errorf("a run without its protocol and unit cannot be assessed")
	}
	l := &look{st: st, p: st.Pinned.Protocol, out: &Assessment{Run: st.Run, Unit: st.Pinned.Unit.ID,
		Protocol: st.Pinned.Protocol.ID + "/" + st.Pinned.Protocol.Version, Rows: []Row{}, Findings: []Finding{}}}
	if err := l.documents(); err != nil {
		return nil, err
	}
	if err := l.hash(); err != nil {
		return nil, err
	}
	l.findDraws()
	l.findMarks()
	for _, do := range []func() error{l.analytes, l.minerals, l.bench, l.contact, l.life, l.cost, l.feeds, l.reports} {
		if err := do(); err != nil {
			return nil, fmt.Errorf("run %s: %w", st.Run, err)
		}
	}
	return l.out, nil
}

// hash takes the hash of every record, so that inputs can name it.
func (l *look) hash() error {
	l.hashes = map[int64]string{}
	for _, r := range l.st.Records {
		b, err := r.Bytes()
		if err != nil {
			return fmt.Errorf("record %d of run %s: %w", r.Seq, l.st.Run, err)
		}
		l.hashes[r.Seq] = audit.Hash(b)
	}
	return nil
}

// documents reads analytes, published values and assumptions from the pinned
// values documents; the first that says something about an analyte counts.
func (l *look) documents() error {
	l.assumed = water.DefaultAssumed()
	l.moveCond, l.moveChl = big.NewRat(5, 100), big.NewRat(20, 100)
	l.defs, l.from, l.recommended = map[string]protocol.AnalyteDef{}, map[water.Published]Input{}, map[string][]recommendation{}
	for _, v := range l.st.Pinned.Values {
		doc := protocol.KindValues + "/" + v.ID + "/" + v.Version
		for _, a := range v.Analytes {
			if _, has := l.defs[a.ID]; !has {
				l.defs[a.ID] = a
			}
		}
		for i, row := range v.Values {
			in := Input{Name: "value", Text: join(row.Value, row.Speciation), Doc: doc, Path: fmt.Sprintf("/values/%d", i)}
			if row.Type == "recommended" {
				l.recommended[row.Analyte] = append(l.recommended[row.Analyte], recommendation{row, in})
				continue
			}
			p := water.Published{Analyte: row.Analyte, Jurisdiction: row.Jurisdiction, Type: row.Type, Value: row.Value,
				Speciation: row.Speciation, Basis: row.Basis, Document: row.Document, Year: row.Year, Status: row.Status}
			l.published = append(l.published, p)
			if _, has := l.from[p]; !has {
				l.from[p] = in
			}
		}
		if v.Assumed != nil && l.assumedBy == "" {
			if err := l.assume(v.Assumed); err != nil {
				return fmt.Errorf("%s: %w", doc, err)
			}
			l.assumedBy = doc
		}
	}
	return nil
}

// assume takes over the bench's assumptions.
func (l *look) assume(a *protocol.Assumed) error {
	for _, x := range []struct {
		name, text string
		to         **big.Rat
	}{{"relative_standard", a.RelativeStandard, &l.assumed.Relative}, {"family_level", a.FamilyLevel, &l.assumed.Family},
		{"feed_conductivity", a.FeedConductivity, &l.moveCond}, {"feed_chlorine", a.FeedChlorine, &l.moveChl}} {
		q, err := quantity.Parse(x.text)
		if err != nil || q.Dim != quantity.Ratio {
			return fmt.Errorf("assumed %s: %q is no share such as 5 %%", x.name, x.text)
		}
		*x.to = q.Base
	}
	divisor, err := quantity.ParseDecimal(a.LimitDivisor)
	if err != nil || divisor.Sign() <= 0 {
		return fmt.Errorf("assumed limit_divisor: %q is no number above zero", a.LimitDivisor)
	}
	l.assumed.Divisor = divisor
	if a.Shared != "" {
		q, err := quantity.Parse(a.Shared)
		if err != nil || q.Dim != quantity.Ratio || q.Base.Sign() < 0 || q.Base.Cmp(one) > 0 {
			return fmt.Errorf("assumed shared: %q is no share from 0 to 100 %%", a.Shared)
		}
		l.assumed.Shared = q.Base
	}
	return nil
}

// analyteIDs lists the analytes that the protocol asks the laboratory for.
func (l *look) analyteIDs() []string { return l.p.Analytes }

// def is what the values documents say about an analyte, or what holds without.
func (l *look) def(id string) protocol.AnalyteDef {
	if d, ok := l.defs[id]; ok {
		return d
	}
	return protocol.AnalyteDef{ID: id, Name: id, In: "mg/L", Role: "contaminant"}
}

func (l *look) add(f Finding) { l.out.Findings = append(l.out.Findings, f) }

// input fills in the run and the hash of an input's record.
func (l *look) input(name, text string, seq int64, path string) Input {
	return Input{Name: name, Text: text, Run: l.st.Run, Seq: seq, Record: l.hashes[seq], Path: path}
}

func join(a, b string) string {
	if b == "" {
		return a
	}
	return a + " " + b
}

func args(pairs ...string) []Arg {
	var out []Arg
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			out = append(out, Arg{pairs[i], pairs[i+1]})
		}
	}
	return out
}

var (
	one     = big.NewRat(1, 1)
	hundred = big.NewRat(100, 1)
)

// percent writes a share in percent with one decimal.
func percent(r *big.Rat, m quantity.Mode) string {
	if r == nil {
		return ""
	}
	return quantity.Decimal(new(big.Rat).Mul(r, hundred), 1, m)
}

// figures is to how many significant digits computed concentrations and bench
// figures are written.
const figures = 3

// number writes a base value in a unit with significant digits.
func number(r *big.Rat, u quantity.Unit, digits int, m quantity.Mode) string {
	if r == nil {
		return ""
	}
	return quantity.Significant(u.FromBase(r), digits, m)
}
