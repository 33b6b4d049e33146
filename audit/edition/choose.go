package edition

import (
	"fmt"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/score"
	"tapledger/runner/assess"
)

// ranked is one unit of the campaign with the run that counts.
type ranked struct {
	unit   string
	run    *run
	runs   []string // every run of the unit, sorted
	a      *assess.Assessment
	parts  []PartBasis
	stands score.Standing
}

// choose picks for every unit of the campaign the run that counts, and says
// what stands against publishing.
func (g *ledger) choose(c *campaign) ([]*ranked, []Reason, error) {
	var out []*ranked
	var reasons []Reason
	for _, unit := range c.c.Units {
		r := &ranked{unit: unit}
		var closed []*run
		for _, x := range g.sorted() {
			if x.unit() != unit {
				continue
			}
			r.runs = append(r.runs, x.id)
			if x.err != nil {
				return nil, nil, fmt.Errorf("a run of ranked unit %s cannot be read: %w", unit, x.err)
			}
			switch {
			case x.how() == "open":
				reasons = append(reasons, Reason{Code: "open_run", Unit: unit, Run: x.id,
					Says: fmt.Sprintf("unit %s: run %s is still open", unit, x.id), Hint: "close or abandon it, so that nothing is left out"})
			case x.how() == audit.HowClosed && sameDocument(x.state.Pinned.Opened.Protocol, c.protocol):
				closed = append(closed, x)
			}
		}
		if len(closed) == 0 {
			reasons = append(reasons, Reason{Code: "no_closed_run", Unit: unit,
				Says: fmt.Sprintf("unit %s: no closed run by protocol %s %s", unit, c.protocol.ID, c.protocol.Version), Hint: "carry a run out and close it, or take the unit out of the campaign in a new version"})
			continue
		}
		sort.SliceStable(closed, func(i, j int) bool { return closed[i].ended() < closed[j].ended() })
		r.run = closed[len(closed)-1]
		if c.c.Counts == "first_closed" {
			r.run = closed[0]
		}
		reasons = append(reasons, g.against(c, r)...)
		out = append(out, r)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].unit < out[j].unit })
	return out, reasons, nil
}

func sameDocument(pin protocol.Pin, d *protocol.Document) bool {
	return pin.ID == d.ID && pin.Version == d.Version && pin.Resolved == d.ResolvedHash
}

// against says what stands against one run before anything is computed.
func (g *ledger) against(c *campaign, r *ranked) []Reason {
	var out []Reason
	add := func(code, hint, format string, args ...any) {
		out = append(out, Reason{Code: code, Unit: r.unit, Run: r.run.id, Says: fmt.Sprintf("unit %s, run %s: ", r.unit, r.run.id) + fmt.Sprintf(format, args...), Hint: hint})
	}
	st := r.run.state
	if st.Pinned.Opened.Simulated != g.bench.Simulated {
		add("simulated_mixed", "no simulated run enters a real edition, nor the other way", "simulated is %q, and the bench's is %q", st.Pinned.Opened.Simulated, g.bench.Simulated)
	}
	var pinned, want []string
	for _, p := range st.Pinned.Opened.Values {
		pinned = append(pinned, p.Resolved)
	}
	for _, d := range c.values {
		want = append(want, d.ResolvedHash)
	}
	sort.Strings(pinned)
	sort.Strings(want)
	if strings.Join(pinned, " ") != strings.Join(want, " ") {
		add("other_values", "units are compared by one set of values: name in the campaign what the runs were opened with", "it was opened with other values documents than the campaign names")
	}
	final := 0
	for _, rep := range st.Reports {
		switch {
		case rep.ReplacedBy != 0:
		case rep.Status == "preliminary":
			add("preliminary_report", "wait for the final report and receive it", "report %s is preliminary", rep.Number)
		default:
			final++
			if rep.Laboratory != c.c.Laboratory {
				add("other_laboratory", "units are compared by one laboratory and method set", "report %s is from %s, the campaign names %s", rep.Number, rep.Laboratory, c.c.Laboratory)
			}
		}
	}
	if final == 0 {
		add("no_report", "receive the laboratory's report", "no final report is on record")
	}
	return out
}

// assess works out the findings of every ranked run, its feed and life point.
func (g *ledger) assess(c *campaign, list []*ranked) error {
	for _, r := range list {
		a, err := assess.Assess(r.run.state)
		if err != nil {
			return err
		}
		r.a = a
		r.stands = score.Standing{Unit: r.unit, Simulated: r.run.state.Pinned.Opened.Simulated, Feed: map[string]quantity.Interval{}}
		for _, e := range c.c.Envelope {
			if i, ok := assess.Range(r.run.state, e.Gives); ok {
				r.stands.Feed[e.Gives] = i
			}
		}
		for _, f := range a.Findings {
			if f.Kind == assess.KindLife {
				r.life(f)
			}
		}
	}
	return nil
}

// life takes a part's life point over.
func (r *ranked) life(f assess.Finding) {
	p := PartBasis{Part: f.Subject, Share: f.Value}
	for _, a := range f.Args {
		switch a.Name {
		case "lot":
			p.Lot = a.Text
		case "volume":
			p.Volume = a.Text
		}
	}
	if f.Code == "life_at_least" {
		p.Bound = "at_least"
	}
	if share, err := quantity.ParseDecimal(f.Value); err == nil {
		share.Quo(share, hundred)
		if r.stands.Life == nil || share.Cmp(r.stands.Life) > 0 {
			r.stands.Life = share
		}
	}
	r.parts = append(r.parts, p)
}

// limits reads what the campaign asks of every run.
func limits(c *protocol.Campaign) (score.Limits, error) {
	var out score.Limits
	for _, e := range c.Envelope {
		from, err := quantity.Parse(e.From)
		if err != nil {
			return out, fmt.Errorf("campaign %s, envelope of %s: %w", c.ID, e.Gives, err)
		}
		to, err := quantity.Parse(e.To)
		if err != nil {
			return out, fmt.Errorf("campaign %s, envelope of %s: %w", c.ID, e.Gives, err)
		}
		out.Envelope = append(out.Envelope, score.Envelope{Gives: e.Gives, From: from, To: to})
	}
	if c.LifePoint != "" {
		q, err := quantity.Parse(c.LifePoint)
		if err != nil {
			return out, fmt.Errorf("campaign %s, life point: %w", c.ID, err)
		}
		out.LifePoint = q.Base
	}
	return out, nil
}

// compare says which units may not be ranked with the others.
func compare(c *protocol.Campaign, list []*ranked) ([]Reason, error) {
	l, err := limits(c)
	if err != nil {
		return nil, err
	}
	var standings []score.Standing
	runs := map[string]string{}
	for _, r := range list {
		standings = append(standings, r.stands)
		runs[r.unit] = r.run.id
	}
	if len(standings) == 0 {
		return nil, nil
	}
	words := map[string]string{
		score.EnvelopeBroken:  "the feed lay outside the campaign's envelope: %[1]s was %[2]s, asked is %[3]s",
		score.EnvelopeMissing: "the feed's %[1]s is not on record, asked is %[3]s",
		score.LifeBeyond:      "a part had %[2]s of its rated life behind it, asked are at most %[3]s",
		score.LifeUnknown:     "how much of its rated life was behind it is not known, asked are at most %[3]s",
		score.MixedSimulated:  "simulated is %[2]q, and that of the others %[3]q",
	}
	var out []Reason
	for _, x := range score.Refusals(l, standings) {
		says := fmt.Sprintf(words[x.Code]+"%.0[1]s%.0[2]s%.0[3]s", strings.ReplaceAll(x.About, "_", " "), x.Has, x.Asked)
		out = append(out, Reason{Code: x.Code, Unit: x.Unit, Run: runs[x.Unit], Args: []string{x.About, x.Has, x.Asked},
			Says: fmt.Sprintf("unit %s, run %s: %s", x.Unit, runs[x.Unit], says), Hint: "only units tested alike are ranked together: test it again, or take it out of the campaign in a new version"})
	}
	return out, nil
}
