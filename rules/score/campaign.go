package score

import (
	"math/big"

	"tapledger/rules/quantity"
)

// Why a unit may not be ranked with the others.
const (
	EnvelopeBroken  = "envelope_broken"  // the feed lay outside the campaign's envelope, or may have
	EnvelopeMissing = "envelope_missing" // it was not measured
	LifeBeyond      = "life_point_beyond"
	LifeUnknown     = "life_point_unknown"
	MixedSimulated  = "simulated_mixed"
)

// Envelope is a range that the feed must lie in.
type Envelope struct {
	Gives    string
	From, To quantity.Quantity
}

// Limits is what a campaign asks of every run that is ranked.
type Limits struct {
	Envelope  []Envelope
	LifePoint *big.Rat // largest share of rated life, nil: not asked
}

// Standing is what one ranked run was tested under.
type Standing struct {
	Unit      string
	Simulated string                       // "yes" or "no"
	Life      *big.Rat                     // largest share of rated life over its parts, nil: unknown
	Feed      map[string]quantity.Interval // by what was measured; over all readings
}

// Refusal is one thing that stands against ranking a unit.
type Refusal struct {
	Code, Unit string
	About      string // what of the envelope
	Has, Asked string // as text
}

// Refusals says what stands against ranking these runs together, in the order
// of the units and of the envelope. A simulated and a real run are never
// ranked together.
func Refusals(l Limits, runs []Standing) []Refusal {
	var out []Refusal
	for _, r := range runs {
		if r.Simulated != runs[0].Simulated {
			out = append(out, Refusal{Code: MixedSimulated, Unit: r.Unit, Has: r.Simulated, Asked: runs[0].Simulated})
		}
		for _, e := range l.Envelope {
			out = append(out, e.against(r)...)
		}
		if l.LifePoint == nil {
			continue
		}
		asked := percent(l.LifePoint)
		switch {
		case r.Life == nil:
			out = append(out, Refusal{Code: LifeUnknown, Unit: r.Unit, Asked: asked})
		case r.Life.Cmp(l.LifePoint) > 0:
			out = append(out, Refusal{Code: LifeBeyond, Unit: r.Unit, Has: percent(r.Life), Asked: asked})
		}
	}
	return out
}

func (e Envelope) against(r Standing) []Refusal {
	asked := e.From.String() + " to " + e.To.String()
	got, ok := r.Feed[e.Gives]
	if !ok {
		return []Refusal{{Code: EnvelopeMissing, Unit: r.Unit, About: e.Gives, Asked: asked}}
	}
	inside := got.Dim == e.From.Dim && got.Lo != nil && got.Hi != nil && got.Lo.Cmp(e.From.Base) >= 0 && got.Hi.Cmp(e.To.Base) <= 0
	if inside {
		return nil
	}
	has := got.Dim.String()
	if got.Dim == e.From.Dim {
		has = got.Text(e.From.Unit, 4)
	}
	return []Refusal{{Code: EnvelopeBroken, Unit: r.Unit, About: e.Gives, Has: has, Asked: asked}}
}

func percent(r *big.Rat) string {
	return quantity.Plain(new(big.Rat).Mul(r, hundred)) + " %"
}

// Why an analyte does not count in a campaign.
const (
	FeedBelow    = "feed_below"        // the feed held less than k times the finest limit that was reached
	FeedRaised   = "feed_limit_raised" // the feed was measured against a raised limit, and falls short of k times that one alone
	FeedUnknown  = "feed_unknown"      // no untreated result, or no limit stated
	LimitHigher  = "limit_higher"      // treated was reported against a higher limit than untreated
	TreatedNone  = "treated_none"      // no treated result
	LimitUnknown = "limit_unknown"     // the treated result came without a limit
	CountsForAll = ""
)

// Fed is one ranked run's evidence on whether an analyte counts.
type Fed struct {
	Unit           string
	Untreated      *quantity.Result
	UntreatedLimit *big.Rat // reporting limit, base unit
	HasTreated     bool
	TreatedLimit   *big.Rat
}

// Short is a ranked run for which an analyte does not count, and why.
type Short struct{ Unit, Why string }

// Counts decides whether an analyte counts in a campaign: in every ranked run
// the feed held at least k times its reporting limit, and treated was reported
// against the same or a lower limit. It gives every run for which it does not,
// in the order given: none, and the analyte counts. A feed that falls short of
// its own limit is told from one whose limit was raised, by a dilution say, by
// the lowest limit that any of these runs reports the analyte against.
// Practice, point 2; k by default 10: common practice, no source.
func Counts(k *big.Rat, runs []Fed) []Short {
	var finest *big.Rat
	for _, r := range runs {
		for _, l := range []*big.Rat{r.UntreatedLimit, r.TreatedLimit} {
			if l != nil && (finest == nil || l.Cmp(finest) < 0) {
				finest = l
			}
		}
	}
	var out []Short
	for _, r := range runs {
		if why := r.short(k, finest); why != CountsForAll {
			out = append(out, Short{Unit: r.Unit, Why: why})
		}
	}
	return out
}

func (r Fed) short(k, finest *big.Rat) string {
	switch {
	case r.Untreated == nil || r.UntreatedLimit == nil:
		return FeedUnknown
	case r.Untreated.Qualifier == quantity.Below:
		if r.UntreatedLimit.Cmp(finest) > 0 {
			return FeedRaised
		}
		return FeedBelow
	case r.Untreated.Quantity.Base.Cmp(new(big.Rat).Mul(k, r.UntreatedLimit)) < 0:
		if r.Untreated.Quantity.Base.Cmp(new(big.Rat).Mul(k, finest)) >= 0 {
			return FeedRaised
		}
		return FeedBelow
	case !r.HasTreated:
		return TreatedNone
	case r.TreatedLimit == nil:
		return LimitUnknown
	case r.TreatedLimit.Cmp(r.UntreatedLimit) > 0:
		return LimitHigher
	}
	return CountsForAll
}
