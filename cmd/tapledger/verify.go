package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/runner/bench"
)

var verbVerify = verb{
	name: "verify", args: "", says: "read the whole ledger and list every bad item, what it means and what to do",
	text: `--deep folds and decides every run again and replays every edition. --since holds the
ledger against a checkpoint that someone else kept: nothing that it names may be cut or
rewritten. --root holds it against the fingerprint that new printed; without it, whose
ledger this is stays unchecked. What cannot be seen from inside: records after the last
commit on main that were cut off.`,
	example: `tapledger verify --deep
tapledger verify --since checkpoint-2026-03.txt --root SHA256:...`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		deep := fs.Bool("deep", false, "fold and decide every run again, replay every edition")
		root := fs.String("root", "", "the root `fingerprint` that new printed")
		since := fs.String("since", "", "a checkpoint that someone else kept, a `file`")
		return func(c *call) error { return verify(c, *deep, *root, *since) }
	},
}

func verify(c *call, deep bool, root, since string) error {
	if err := c.want(0, 0); err != nil {
		return err
	}
	b, err := c.bench()
	if err != nil {
		return err
	}
	o := bench.VerifyOptions{Deep: deep, Root: root, Progress: c.progress("run"), Edition: replayFaults}
	if since != "" {
		file, err := c.readFile(since)
		if err != nil {
			return err
		}
		o.Since = [][]byte{file}
	}
	v, err := b.Verify(o)
	if err != nil {
		return err
	}
	if err := c.show(v, "%s", verifiedText(v)); err != nil {
		return err
	}
	if v.Good() {
		return nil
	}
	code := codeNoReplay
	for _, f := range v.Faults {
		if f.Code != editionReplay {
			code = codeDamaged
		}
	}
	return &Exit{Code: code, Says: fmt.Sprintf("%d bad items in the ledger", len(v.Faults))}
}

// editionReplay is the code of an edition that the ledger does not give again.
const editionReplay = "edition_replay"

// replayFaults computes an edition again, for verify --deep.
func replayFaults(o audit.Objects, id, commit string) []audit.Fault {
	differ, err := edition.Replay(o, commit)
	if err != nil {
		return []audit.Fault{notReplayed("edition "+id, err.Error())}
	}
	var out []audit.Fault
	for _, d := range differ {
		out = append(out, notReplayed("edition "+id+", "+d.File, d.Says))
	}
	return out
}

func notReplayed(where, says string) audit.Fault {
	return audit.Fault{Code: editionReplay, Where: where, Says: says, Means: "What was published is not what the records give.",
		Do: "tapledger replay lists every place; keep the edition as it is, and publish one that supersedes it."}
}

func verifiedText(v *bench.Verified) string {
	var s strings.Builder
	fmt.Fprintf(&s, "bench %s, root %s", v.Bench, v.Root)
	s.WriteString("\n")
	if v.Simulated == "yes" {
		s.WriteString("simulated, invented\n")
	}
	fmt.Fprintf(&s, "%d changes on main, %d runs, %d records, %d editions", v.Changes, v.Runs, v.Records, v.Editions)
	if v.Deep == "yes" {
		s.WriteString("; every run decided again, every edition computed again")
	}
	fmt.Fprintf(&s, "\nfiles beside the ledger: %d as attached, %d withheld\n", v.Attachments.Here, v.Attachments.Withheld)
	for _, f := range v.Faults {
		fmt.Fprintf(&s, "bad: %s\n", f)
	}
	for _, n := range v.Notes {
		fmt.Fprintf(&s, "note: %s\n", n)
	}
	for _, x := range v.Settings {
		fmt.Fprintf(&s, "note: git setting %s\n", x)
	}
	if v.Good() {
		s.WriteString("nothing bad was found\n")
	}
	return s.String()
}
