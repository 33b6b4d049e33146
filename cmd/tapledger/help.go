package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/rules/quantity"
)

// usage is what tapledger --help prints.
func usage() string {
	var s strings.Builder
	s.WriteString(`Tapledger runs a test of a water treatment unit step by step, keeps every record
in a git-backed ledger, and makes every published number answer for itself.

usage: tapledger [-C DIR] [--by PERSON] [--json] VERB ...

`)
	for _, v := range verbs() {
		fmt.Fprintf(&s, "  %-12s %s\n", v.name, v.says)
	}
	s.WriteString(`
tapledger VERB --help says what a verb takes, with an example. To look around first:

  tapledger demo

Exit codes: 0 done, 1 wrong usage or no bench, 2 input refused, 3 may not be published,
4 the ledger is damaged, 5 an edition does not replay, 6 busy, 7 the machine refused,
70 internal, 130 interrupted. Treat any other code as failed.
One unit, one place, one set of samples: not a certification, compliance or medical statement.
`)
	return s.String()
}

// helpOf is what tapledger VERB --help prints.
func helpOf(v verb, fs *flag.FlagSet) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s\n\nusage: tapledger %s\n", v.says, strings.TrimSpace(v.name+" "+v.args))
	if v.text != "" {
		s.WriteString("\n" + strings.TrimSpace(v.text) + "\n")
	}
	s.WriteString("\nexample:\n")
	for _, line := range strings.Split(strings.TrimSpace(v.example), "\n") {
		s.WriteString("  " + line + "\n")
	}
	s.WriteString("\nflags:\n")
	fs.VisitAll(func(f *flag.Flag) {
		kind, text := flag.UnquoteUsage(f)
		dash := "--"
		if len(f.Name) == 1 {
			dash = "-"
		}
		fmt.Fprintf(&s, "  %-22s %s\n", strings.TrimSpace(dash+f.Name+" "+kind), text)
	})
	return s.String()
}

// nearestVerb names the verb that was probably meant.
func nearestVerb(word string) string {
	best, least := "", 3
	for _, v := range verbs() {
		if n := quantity.Distance(word[:min(len(word), 40)], v.name); n < least {
			best, least = v.name, n
		}
	}
	if best == "" {
		return "tapledger --help lists them"
	}
	return "did you mean " + best + "?"
}
