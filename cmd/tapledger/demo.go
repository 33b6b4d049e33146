package main

import (
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"tapledger/audit/edition"
	"tapledger/audit/report"
	"tapledger/protocol/ready"
	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbDemo = verb{
	name: "demo", args: "[DIR]", says: "the whole job on an invented bench with a simulated clock, then verify and replay",
	text: `Three invented under-sink units with a tank are tested, assessed, scored and published.
DIR, or else ./tapledger-demo, is an ordinary bench afterwards, marked as simulated for
good. Nothing in it was measured; no key is kept outside it.`,
	example: `tapledger demo
tapledger -C tapledger-demo next`,
	flags: func(fs *flag.FlagSet) func(c *call) error { return demo },
}

const demoSeed = "tarn"

func demo(c *call) error {
	if err := c.want(0, 1); err != nil {
		return err
	}
	dir := "tapledger-demo"
	if len(c.args) == 1 {
		dir = c.args[0]
	}
	if list, err := os.ReadDir(dir); err == nil && len(list) > 0 {
		return &runner.Refusal{Says: dir + " is not empty", Hint: "name a new folder: tapledger demo DIR"}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	b, err := bench.Create(dir, bench.CreateOptions{ID: "tarn", Title: "The invented bench at Tarn", Currency: "quill", Person: "mk",
		Simulated: true, Seed: demoSeed, Start: bench.SimulatedStart.AddDate(0, 0, -1), Ready: ready.Files()})
	if err != nil {
		return err
	}
	c.opened = b
	c.tell("Simulated, invented: three units, nobody's water. The bench is in %s.\n", dir)
	s := &story{c: c, b: b, run: map[string]string{}, form: map[string][]byte{}}
	if err := s.tell(); err != nil {
		return err
	}
	return c.demoEnd(dir, s)
}

// tell prints a line of progress, unless JSON is wanted.
func (c *call) tell(format string, args ...any) {
	if !c.json {
		fmt.Fprintf(c.out, format, args...)
	}
}

// demoEnd shows scores, what verify and replay found, and what to try next.
func (c *call) demoEnd(dir string, s *story) error {
	ids, err := s.b.Editions()
	if err != nil {
		return err
	}
	if len(ids) == 0 {
		return fmt.Errorf("the demo published no edition")
	}
	newest := ids[len(ids)-1]
	text, err := report.Text(s.core)
	if err != nil {
		return err
	}
	c.tell("\n%s\n", text)
	v, err := s.b.Verify(bench.VerifyOptions{Deep: true, Progress: c.progress("run"), Edition: replayFaults})
	if err != nil {
		return err
	}
	c.tell("verify --deep:\n%s\nreplay:\n", indent(verifiedText(v)))
	var differ []edition.Difference
	for _, id := range ids {
		d, err := edition.Replay(s.b.Objects(), id)
		if err != nil {
			return &Exit{Code: codeNoReplay, Says: fmt.Sprintf("edition %s does not replay: %v", id, err)}
		}
		differ = append(differ, d...)
		if len(d) == 0 {
			c.tell("  edition %s replays: the same bytes in all %d files\n", id, countFiles(s.b.Objects(), id))
		}
	}
	tries := []string{
		fmt.Sprintf("tapledger -C %s trace %s wren-1.score", dir, newest),
		fmt.Sprintf("tapledger -C %s assess teal-1", dir),
		fmt.Sprintf("git -C %s/ledger.git log main..runs/%s", dir, s.run["wren-1"]),
	}
	c.tell("\nThe pages: %s/editions/%s/pages/index.html\nTry next:\n  %s\nSimulated, invented: nothing here was measured.\n", dir, newest, strings.Join(tries, "\n  "))
	if c.json {
		if err := c.show(map[string]any{"dir": dir, "simulated": "yes", "invented": "yes", "editions": ids, "runs": s.run, "records": v.Records,
			"verify": v, "replay": append([]edition.Difference{}, differ...), "next": tries}, ""); err != nil {
			return err
		}
	}
	if !v.Good() {
		return &Exit{Code: codeDamaged, Says: fmt.Sprintf("%d bad items in the ledger", len(v.Faults))}
	}
	if len(differ) > 0 {
		return &Exit{Code: codeNoReplay, Says: fmt.Sprintf("%d places do not replay", len(differ))}
	}
	return nil
}

func indent(text string) string {
	return "  " + strings.ReplaceAll(strings.TrimSuffix(text, "\n"), "\n", "\n  ") + "\n"
}
