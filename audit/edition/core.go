package edition

import (
	"encoding/json"
	"fmt"

	"tapledger/protocol"
	"tapledger/runner/assess"
)

// CoreFormat stands in every file of core/.
const CoreFormat = "edition/1"

// Files of core/.
const (
	ScoresFile     = "core/scores.json"
	FindingsFile   = "core/findings.json"
	StatementsFile = "core/statements.json"
	BasisFile      = "core/basis.json"
	ResultsTable   = "core/tables/results.csv"
	ScoresTable    = "core/tables/scores.csv"
)

// Basis is core/basis.json: the documents that everything rests on, and what
// pages need of them.
type Basis struct {
	Format    string          `json:"format"`
	Bench     string          `json:"bench"`
	Title     string          `json:"title"`
	Simulated string          `json:"simulated"` // "yes" or "no"
	Engine    int             `json:"engine"`
	Main      string          `json:"main"` // commit whose documents and register count
	Campaign  Document        `json:"campaign"`
	Protocol  Document        `json:"protocol"`
	Scoring   Document        `json:"scoring"`
	Values    []Document      `json:"values"`
	Lab       Document        `json:"laboratory"`
	Units     []UnitBasis     `json:"units"`
	Analytes  []AnalyteBasis  `json:"analytes"` // in the protocol's order
	Groups    []GroupBasis    `json:"groups"`
	Measures  []MeasureBasis  `json:"measures"`
	Caps      []CapBasis      `json:"caps"`
	Bands     []BandBasis     `json:"bands"`
	Spread    []SpreadBasis   `json:"spread"`
	Envelope  []EnvelopeBasis `json:"envelope"`
	LifePoint string          `json:"life_point,omitempty"`
	Digits    int             `json:"digits"`
	Cautions  []CautionBasis  `json:"cautions"` // those due on everything published
}

// Document names a document of the ledger and its hashes.
type Document struct {
	Kind     string `json:"kind"`
	ID       string `json:"id"`
	Version  string `json:"version"`
	Title    string `json:"title,omitempty"`
	Source   string `json:"source,omitempty"`
	Resolved string `json:"resolved,omitempty"`
}

// UnitBasis is what is said about a ranked unit.
type UnitBasis struct {
	Unit     string             `json:"unit"`
	Document Document           `json:"document"`
	Mark     string             `json:"mark"`
	Invented string             `json:"invented,omitempty"`
	Acquired *protocol.Acquired `json:"acquired,omitempty"`
	Run      string             `json:"run"`
	Runs     []string           `json:"runs"` // every run of this unit, sorted
	Parts    []PartBasis        `json:"parts"`
	// Changes are the parts fitted and removed in any of these runs; Repairs and
	// Claims are what the unit's newest document says.
	Changes []PartChange         `json:"changes,omitempty"`
	Repairs []protocol.Repair    `json:"repairs,omitempty"`
	Claims  []protocol.UnitClaim `json:"claims,omitempty"`
}

// PartChange is a part fitted or removed.
type PartChange struct {
	Run    string `json:"run"`
	Record int64  `json:"record"`
	Made   string `json:"made"`
	Action string `json:"action"` // fitted, removed
	Part   string `json:"part"`
	Lot    string `json:"lot,omitempty"`
}

// PartBasis is a part of a unit at the treated draw.
type PartBasis struct {
	Part   string `json:"part"`
	Lot    string `json:"lot,omitempty"`
	Volume string `json:"volume,omitempty"`
	Share  string `json:"share,omitempty"` // percent of rated life
	Bound  string `json:"bound,omitempty"` // at_least: some volume was not on record
}

// AnalyteBasis is an analyte and whether it counts in this campaign.
type AnalyteBasis struct {
	ID     string `json:"id"`
	Name   string `json:"name"`
	Unit   string `json:"unit"`
	Role   string `json:"role"`
	Counts string `json:"counts"` // "yes" or "no"
	// Why says for "no" where it does not count: every unit, each with its code.
	Why []NotCounted `json:"why,omitempty"`
}

// NotCounted is why an analyte does not count; Unit is empty when it holds for
// the whole campaign.
type NotCounted struct {
	Unit string `json:"unit,omitempty"`
	Why  string `json:"why"`
}

// GroupBasis, MeasureBasis, CapBasis, BandBasis, SpreadBasis and EnvelopeBasis
// are the scoring's and campaign's own words and figures.
type GroupBasis struct {
	ID    string `json:"id"`
	Title string `json:"title"`
}

// MeasureBasis is a measure of the scoring document with its share of the
// weights that count; Share is empty when it was left out.
type MeasureBasis struct {
	protocol.Measure
	Share string `json:"share,omitempty"` // percent
}

// CapBasis is a cap of the scoring document.
type CapBasis struct{ protocol.Cap }

// BandBasis is a band of the scoring document.
type BandBasis struct{ protocol.Band }

// SpreadBasis is a part of the spread.
type SpreadBasis struct{ protocol.SpreadPart }

// EnvelopeBasis is a range of the feed, and where each unit's feed lay.
type EnvelopeBasis struct {
	protocol.EnvelopePart
	Had []assess.Arg `json:"had"` // unit and range
}

// CautionBasis is a caution with its text.
type CautionBasis struct {
	ID      string `json:"id"`
	Version string `json:"version"`
	Text    string `json:"text"`
}

// Scores is core/scores.json.
type Scores struct {
	Format    string      `json:"format"`
	Simulated string      `json:"simulated"`
	Half      string      `json:"half"` // what the spread adds on either side, points
	Units     []UnitScore `json:"units"`
	LeftOut   []LeftOut   `json:"left_out"`
}

// UnitScore is one unit's score, best rank first.
type UnitScore struct {
	Unit string `json:"unit"`
	Run  string `json:"run"`
	// Rank and RankWorst are the best and the worst possible rank; Sharing is
	// how many units have the same two.
	Rank      int    `json:"rank"`
	RankWorst int    `json:"rank_worst"`
	Sharing   int    `json:"sharing"`
	Low       string `json:"low"`
	// Number is empty when the score is a range only: a measure that counts is
	// undecided or missing.
	Number   string        `json:"number,omitempty"`
	High     string        `json:"high"`
	Band     string        `json:"band"`
	BandHigh string        `json:"band_high"`
	Before   [3]string     `json:"before"` // low, number, high before caps and spread
	Caps     []UnitCap     `json:"caps"`
	Measures []UnitMeasure `json:"measures"`
}

// UnitCap is how a cap stands for one unit, and the finding that it rests on.
type UnitCap struct {
	Cap   string `json:"cap"`
	State string `json:"state"` // applies, applies_not, open
	Code  string `json:"code,omitempty"`
	Rests []Rest `json:"rests"`
}

// UnitMeasure is what a measure gives one unit.
type UnitMeasure struct {
	Measure string `json:"measure"`
	State   string `json:"state"` // known, missing, undecided
	Code    string `json:"code,omitempty"`
	// Value is the measure's value from low to high in Unit; "" is unbounded.
	ValueLow  string `json:"value_low,omitempty"`
	ValueHigh string `json:"value_high,omitempty"`
	Unit      string `json:"unit,omitempty"`
	// Bound is "yes" when the value is known by a bound alone.
	Bound string `json:"bound,omitempty"`
	// Points of 100; empty when the measure was left out for all, Number also
	// where there is a range only.
	Low    string `json:"low,omitempty"`
	Number string `json:"number,omitempty"`
	High   string `json:"high,omitempty"`
	Rests  []Rest `json:"rests"`
}

// Rest names what an expression read: a field, and the finding behind it.
type Rest struct {
	Path    string `json:"path"`
	Kind    string `json:"kind,omitempty"`
	Subject string `json:"subject,omitempty"`
	Code    string `json:"code,omitempty"`
}

// LeftOut is a measure that was left out for all units.
type LeftOut struct {
	Measure string   `json:"measure"`
	Why     string   `json:"why"` // missing, undecided, not_counted
	Code    string   `json:"code,omitempty"`
	Units   []string `json:"units,omitempty"`
}

// Findings is core/findings.json: the assessment of every ranked run.
type Findings struct {
	Format    string              `json:"format"`
	Simulated string              `json:"simulated"`
	Runs      []assess.Assessment `json:"runs"` // sorted by unit
}

// Statements is core/statements.json.
type Statements struct {
	Format     string      `json:"format"`
	Simulated  string      `json:"simulated"`
	Statements []Statement `json:"statements"`
}

// Statement is a code with arguments; Items lists what it is about.
type Statement struct {
	Code  string         `json:"code"`
	Args  []assess.Arg   `json:"args,omitempty"`
	Items [][]assess.Arg `json:"items,omitempty"`
}

// Core is the whole of core/, read.
type Core struct {
	Basis      Basis
	Scores     Scores
	Findings   Findings
	Statements Statements
}

// ReadCore reads core/ from the files of an edition.
func ReadCore(files map[string][]byte) (*Core, error) {
	c := &Core{}
	for _, f := range []struct {
		path string
		to   any
	}{{BasisFile, &c.Basis}, {ScoresFile, &c.Scores}, {FindingsFile, &c.Findings}, {StatementsFile, &c.Statements}} {
		b, ok := files[f.path]
		if !ok {
			return nil, fmt.Errorf("%s is missing", f.path)
		}
		if err := json.Unmarshal(b, f.to); err != nil {
			return nil, fmt.Errorf("%s: %w", f.path, err)
		}
	}
	for path, format := range map[string]string{BasisFile: c.Basis.Format, ScoresFile: c.Scores.Format, FindingsFile: c.Findings.Format, StatementsFile: c.Statements.Format} {
		if format != CoreFormat {
			return nil, fmt.Errorf("%s: format %q is not known to this version, which reads %s", path, format, CoreFormat)
		}
	}
	return c, nil
}

// Unit finds a ranked unit's basis and score, nil when it is not in the edition.
func (c *Core) Unit(id string) (*UnitBasis, *UnitScore) {
	for i := range c.Scores.Units {
		if c.Scores.Units[i].Unit != id {
			continue
		}
		for j := range c.Basis.Units {
			if c.Basis.Units[j].Unit == id {
				return &c.Basis.Units[j], &c.Scores.Units[i]
			}
		}
	}
	return nil, nil
}

// Assessment finds the findings about a unit.
func (c *Core) Assessment(unit string) *assess.Assessment {
	for i := range c.Findings.Runs {
		if c.Findings.Runs[i].Unit == unit {
			return &c.Findings.Runs[i]
		}
	}
	return nil
}

// Measure finds a measure of the scoring document.
func (c *Core) Measure(id string) *MeasureBasis {
	for i := range c.Basis.Measures {
		if c.Basis.Measures[i].ID == id {
			return &c.Basis.Measures[i]
		}
	}
	return nil
}
