package edition

import (
	"encoding/json"
	"fmt"
	"strings"

	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/assess"
)

// events goes over what happened in every registered run of the ranked units,
// those that do not count too.
func (b *built) events(do func(r *ranked, x *run, e runner.Event)) {
	for _, r := range b.list {
		for _, x := range b.runsOf(r) {
			for _, e := range x.state.Events {
				do(r, x, e)
			}
		}
	}
}

// runsOf gives every run of a ranked unit that has a record, sorted.
func (b *built) runsOf(r *ranked) []*run {
	var out []*run
	for _, id := range r.runs {
		if x := b.g.runs[id]; x.state != nil {
			out = append(out, x)
		}
	}
	return out
}

// turned lists corrections that turned a decision to met: they come first.
func (b *built) turned() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		for _, x := range b.runsOf(r) {
			for _, d := range x.state.Turned {
				it := item("unit", r.unit, "run", x.id, "record", fmt.Sprint(d.Seq), "criterion", d.Criterion, "try", fmt.Sprint(d.Try), "state", d.State)
				for _, e := range x.state.Events {
					if c, ok := e.Body.(*runner.Correction); ok && e.Seq == d.Seq {
						it = append(it, x.corrected(e, c)...)
					}
				}
				items = append(items, it)
			}
		}
	}
	return listed("corrections_turned", "corrections_turned_none", items)
}

func (b *built) corrections() []Statement {
	var items [][]assess.Arg
	b.events(func(r *ranked, x *run, e runner.Event) {
		if c, ok := e.Body.(*runner.Correction); ok {
			items = append(items, append(item("unit", r.unit, "run", x.id, "record", fmt.Sprint(e.Seq)), x.corrected(e, c)...))
		}
	})
	return listed("corrections", "corrections_none", items)
}

// corrected tells of a correction: what it corrects, both values, the evidence
// attached, and who confirmed it and when.
func (x *run) corrected(e runner.Event, c *runner.Correction) []assess.Arg {
	var attached []string
	for _, a := range c.Attachments {
		attached = append(attached, a.Media+" ("+a.Class+")")
	}
	by, when, alone := "", "", "no"
	for _, other := range x.state.Events {
		if s, ok := other.Body.(*runner.SecondPerson); ok && s.Confirms == e.Seq && by == "" {
			by, when, alone = other.By, other.Made, ""
		}
	}
	return item("by", e.By, "made", e.Made, "corrects", fmt.Sprintf("record %d, %s", c.Corrects.Seq, c.Corrects.Path), "from", x.before(e.Seq, c.Corrects),
		"to", c.Value.Text, "evidence", c.Value.Evidence, "attached", strings.Join(attached, ", "),
		"confirmed_by", by, "confirmed", when, "unconfirmed", alone, "reason", c.Reason)
}

// before is the value that a correction took the place of: that of the newest
// earlier correction of the same place, else what the record itself holds.
func (x *run) before(seq int64, target runner.Target) string {
	text := ""
	for _, rec := range x.recs {
		if rec.Seq == target.Seq {
			text = textAt(rec.Body, target.Path)
		}
	}
	for _, e := range x.state.Events {
		if c, ok := e.Body.(*runner.Correction); ok && e.Seq < seq && c.Corrects == target {
			text = c.Value.Text
		}
	}
	return text
}

// textAt reads the text that a JSON Pointer names, or that of the value there.
func textAt(body []byte, path string) string {
	var v any
	if json.Unmarshal(body, &v) != nil {
		return ""
	}
	for _, part := range strings.Split(strings.TrimPrefix(path, "/"), "/") {
		switch x := v.(type) {
		case map[string]any:
			v = x[part]
		case []any:
			var i int
			if _, err := fmt.Sscan(part, &i); err != nil || i < 0 || i >= len(x) {
				return ""
			}
			v = x[i]
		default:
			return ""
		}
	}
	if m, ok := v.(map[string]any); ok {
		v = m["text"]
	}
	text, _ := v.(string)
	return text
}

func (b *built) departures() []Statement {
	var items [][]assess.Arg
	b.events(func(r *ranked, x *run, e runner.Event) {
		if d, ok := e.Body.(*runner.Departure); ok {
			items = append(items, item("unit", r.unit, "run", x.id, "record", fmt.Sprint(e.Seq), "by", e.By, "made", e.Made, "criteria", strings.Join(d.Affects, " "), "reason", d.Reason))
		}
	})
	return listed("departures", "departures_none", items)
}

// furtherTries lists every further try with the decision that opened it. Steps
// that were opened together with the one done again are not listed.
func (b *built) furtherTries() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		for _, x := range b.runsOf(r) {
			st := x.state
			for si := range st.Pinned.Protocol.Sections {
				for _, step := range st.Pinned.Protocol.Sections[si].Steps {
					for _, t := range st.Tries[step.ID] {
						if t.OpenedBy != 0 && t.Target == step.ID {
							items = append(items, x.furtherTry(r.unit, t))
						}
					}
				}
			}
		}
	}
	return listed("further_tries", "further_tries_none", items)
}

func (x *run) furtherTry(unit string, t *runner.Try) []assess.Arg {
	criterion, state, because := "", "", ""
	for _, d := range x.state.History {
		c := x.state.Pinned.Protocol.Criterion(d.Criterion)
		if d.Seq != t.OpenedBy || c == nil || criterion != "" {
			continue
		}
		if d.State == "unmet" && c.Otherwise == protocol.ThenRepeat || d.State == "undecided" && c.Undecided == protocol.ThenRepeat {
			criterion, state, because = d.Criterion, d.State, c.Because
		}
	}
	return item("unit", unit, "run", x.id, "step", t.Step, "try", fmt.Sprint(t.N), "record", fmt.Sprint(t.OpenedBy), "criterion", criterion, "state", state, "because", because)
}

// bottlesUnused lists bottles that were drawn and whose results are not used.
func (b *built) bottlesUnused() []Statement {
	var items [][]assess.Arg
	bottles := 0
	for _, r := range b.list {
		for _, x := range b.runsOf(r) {
			for _, s := range x.state.Samples {
				if x.counted(r, s) {
					continue
				}
				bottles += len(s.Codes)
				handed := "no"
				if s.HandedSeq != 0 {
					handed = "yes"
				}
				items = append(items, item("unit", r.unit, "run", x.id, "step", s.Step, "try", fmt.Sprint(s.Try), "record", fmt.Sprint(s.Seq), "drawn", s.DrawnAt, "bottles", fmt.Sprint(len(s.Codes)), "handed", handed))
			}
		}
	}
	return listed("bottles_unused", "bottles_unused_none", items, "bottles", fmt.Sprint(bottles))
}

// counted tells whether a sample is of a try that counts in the run that counts.
func (x *run) counted(r *ranked, s *runner.Sample) bool {
	if x.id != r.run.id {
		return false
	}
	for _, t := range x.state.CountedTries(s.Step) {
		if t.N == s.Try {
			return true
		}
	}
	return false
}

// triesAtLaboratory lists tries that reached the laboratory and do not count.
func (b *built) triesAtLaboratory() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		for _, x := range b.runsOf(r) {
			for _, s := range x.state.Samples {
				if s.HandedSeq != 0 && !x.counted(r, s) {
					items = append(items, item("unit", r.unit, "run", x.id, "step", s.Step, "try", fmt.Sprint(s.Try), "sample", s.ID))
				}
			}
		}
	}
	return listed("tries_at_laboratory", "tries_at_laboratory_none", items)
}

// terms says how long the scores hold, what a campaign's reference unit was,
// whether listings were searched for, where the used units are, and how a
// mistake is corrected.
func (b *built) terms() []Statement {
	out := []Statement{{Code: "expires_none"}}
	if b.c.c.Expires != "" {
		out[0] = Statement{Code: "expires", Args: item("date", b.c.c.Expires)}
	}
	reference := Statement{Code: "reference_none"}
	if ref := b.c.c.Reference; ref != "" && ref != "none" {
		reference = Statement{Code: "reference", Args: item("unit", ref)}
	}
	var kept [][]assess.Arg
	for _, r := range b.list {
		k := b.newestUnit(r).Kept
		if k == nil {
			kept = append(kept, item("unit", r.unit, "stated", "no"))
			continue
		}
		kept = append(kept, item("unit", r.unit, "place", k.Place, "seal", k.Seal, "until", k.Until))
	}
	out = append(out, reference)
	out = append(out, listed("kept", "", kept)...)
	return append(out, Statement{Code: "listing_not_searched"}, Statement{Code: "corrections_policy"})
}

// newestUnit is the unit's newest document on main: what was repaired and where
// it is kept is known after the run was opened.
func (b *built) newestUnit(r *ranked) *protocol.Unit {
	if d, ok := b.g.lib.Newest(protocol.KindUnit, r.unit); ok {
		return d.Value.(*protocol.Unit)
	}
	return r.run.state.Pinned.Unit
}

// partChanges lists the parts fitted and removed in every run of a unit.
func (b *built) partChanges(r *ranked) []PartChange {
	var out []PartChange
	for _, x := range b.runsOf(r) {
		for _, e := range x.state.Events {
			if p, ok := e.Body.(*runner.Part); ok {
				out = append(out, PartChange{Run: x.id, Record: e.Seq, Made: e.Made, Action: p.Action, Part: p.Part, Lot: p.Lot})
			}
		}
	}
	return out
}
