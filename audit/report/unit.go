package report

import (
	"fmt"
	"strings"

	"tapledger/audit/edition"
	"tapledger/runner/assess"
)

// rankRule says how possible ranks are found.
const rankRule = "Possible ranks: the best is one more than the number of units whose range lies wholly above; the worst is the number of all units less those whose range lies wholly below. Ranges that touch leave either order open. Units with the same possible ranks stand in one group."

// repairNotes say first of all in a unit's section what was done to it.
func repairNotes(basis *edition.UnitBasis) []string {
	var out []string
	for _, r := range basis.Repairs {
		out = append(out, fmt.Sprintf("Repaired on %s, part %s: %s New part from: %s. Everything here was found on the unit as repaired.", r.Date, r.Part, stopped(r.Says), r.From))
	}
	return out
}

// repairedWords say beside a unit's score that it was repaired.
func repairedWords(basis *edition.UnitBasis) []string {
	var out []string
	for _, r := range basis.Repairs {
		out = append(out, fmt.Sprintf("Repaired on %s, part %s; its own section says how.", r.Date, r.Part))
	}
	return out
}

// partSentences say which parts were fitted and removed, one sentence a run and
// action.
func partSentences(changes []edition.PartChange) []findingView {
	type in struct{ run, action string }
	var order []in
	parts := map[in][]string{}
	for _, p := range changes {
		k := in{p.Run, p.Action}
		if parts[k] == nil {
			order = append(order, k)
		}
		about := fmt.Sprintf("record %d", p.Record)
		if p.Lot != "" {
			about = "lot " + p.Lot + ", " + about
		}
		day, _, _ := strings.Cut(p.Made, "T")
		parts[k] = append(parts[k], fmt.Sprintf("%s (%s, %s)", p.Part, about, day))
	}
	var out []findingView
	for _, k := range order {
		out = append(out, findingView{Says: fmt.Sprintf("%s in run %s: %s.", upper(k.action), k.run, strings.Join(parts[k], "; "))})
	}
	return out
}

// unitGroups are a unit's parts during the campaign, and what its maker states
// beside what was found.
func unitGroups(basis *edition.UnitBasis, a *assess.Assessment) []findingGroup {
	var out []findingGroup
	changed := findingGroup{Title: "Parts fitted and removed", Findings: partSentences(basis.Changes)}
	claims := findingGroup{Title: "What its maker states, and what was found"}
	for _, c := range basis.Claims {
		claims.Findings = append(claims.Findings, findingView{Says: fmt.Sprintf("%s. Stated: \u201c%s\u201d (%s). Found here: %s", upper(spaced(c.About)), strings.TrimSuffix(c.Says, "."), c.Source, foundAbout(a, c.About))})
	}
	for _, g := range []findingGroup{changed, claims} {
		if len(g.Findings) > 0 {
			out = append(out, g)
		}
	}
	return out
}

// foundAbout are the sentences on what a claim is about.
func foundAbout(a *assess.Assessment, about string) string {
	var out []string
	for _, f := range a.Findings {
		if f.Subject == about && f.Kind != assess.KindGoal {
			out = append(out, assess.Sentence(f))
		}
	}
	if len(out) == 0 {
		return "this was not looked at."
	}
	return strings.Join(out, " ")
}

// stopped ends a text with a full stop.
func stopped(s string) string {
	return strings.TrimSuffix(s, ".") + "."
}

// goals says each goal once, however many units it was looked at for.
func (v *view) goals(c *edition.Core) {
	var order []string
	units := map[string][]string{}
	said := map[string]findingView{}
	for _, a := range c.Findings.Runs {
		for _, f := range a.Findings {
			if f.Kind != assess.KindGoal {
				continue
			}
			x := findingOf(f)
			if units[x.Says] == nil {
				order = append(order, x.Says)
				said[x.Says] = x
			}
			units[x.Says] = append(units[x.Says], a.Unit)
		}
	}
	for _, says := range order {
		x := said[says]
		if len(units[says]) < len(c.Findings.Runs) {
			x.Says = strings.Join(units[says], ", ") + ": " + says
		}
		v.Goals = append(v.Goals, x)
	}
}
