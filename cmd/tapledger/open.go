package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/protocol"
	"tapledger/runner/bench"
)

var verbOpen = verb{
	name: "open", args: "UNIT PROTOCOL", says: "open a run: register it, then pin every document that it rests on",
	text: `The register keeps every run that was ever opened, and how it ended. Pinned are the
unit, the protocol, all values documents, and the scoring and campaign that the run
belongs to: what counts is fixed before the first reading.`,
	example: `tapledger open alder-1 under-sink-ro-tank
tapledger open alder-1 under-sink-ro-tank@1.0.0 --campaign spring --label "first"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		var o bench.OpenSpec
		fs.StringVar(&o.Campaign, "campaign", "", "campaign `id`, or none; default: the one that names the unit")
		fs.StringVar(&o.Scoring, "scoring", "", "scoring `id`, or none; default: the campaign's")
		fs.StringVar(&o.Label, "label", "", "a `word` of your own by which the run can be named")
		return func(c *call) error { return openRun(c, o) }
	},
}

func openRun(c *call, o bench.OpenSpec) error {
	if err := c.want(2, 2); err != nil {
		return err
	}
	b, err := c.bench()
	if err != nil {
		return err
	}
	o.Unit, o.Protocol = c.args[0], c.args[1]
	run, st, err := b.OpenRun(o)
	if err != nil {
		return err
	}
	c.recovered(b)
	var s strings.Builder
	fmt.Fprintf(&s, "run %s is open: unit %s, protocol %s %s\n", run, st.Pinned.Unit.ID, st.Pinned.Protocol.ID, st.Pinned.Protocol.Version)
	shown := cautionsShown(st.Pinned.Cautions, "opening")
	for _, x := range shown {
		s.WriteString(cautionText(x))
	}
	return c.show(map[string]any{"run": run, "unit": st.Pinned.Unit.ID, "protocol": st.Pinned.Protocol.ID + "@" + st.Pinned.Protocol.Version,
		"pinned": st.Pinned.Opened, "cautions": shown}, "%snext: tapledger next %s\n", s.String(), run)
}

// cautionsShown lists the cautions that are shown at a place, sorted by id.
func cautionsShown(all map[string]*protocol.Caution, where string) []*protocol.Caution {
	var out []*protocol.Caution
	for _, id := range sorted(all) {
		for _, w := range all[id].Shown {
			if w == where {
				out = append(out, all[id])
			}
		}
	}
	return out
}

func cautionText(x *protocol.Caution) string { return "caution " + x.ID + ": " + x.Text + "\n" }
