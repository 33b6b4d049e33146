package report

import (
	"fmt"
	"html/template"
	"slices"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/rules/quantity"
	"tapledger/runner/assess"
)

var noManifest audit.Manifest

// view is what the page shows, in words.
type view struct {
	Style      template.CSS
	Simulated  bool
	Campaign   string
	Subtitle   string
	Edition    string
	Made       string
	Supersedes string
	Above      []string
	AboveText  string // caution
	Ranks      []rankView
	Half       string
	Spread     string // what the points added on either side stand for
	Expires    string
	RankRule   string
	Goals      []findingView
	Groups     []groupView
	LeftOut    []string
	Units      []unitView
	Statements []statementView
	Cautions   []string
	Documents  []edition.Document
	Main       string
}

// rankView is the units with the same possible ranks: one group.
type rankView struct {
	Says  string // "rank 1", "rank 1 to 2"
	Units []scoreView
}

// scoreView is one unit's score on a line.
type scoreView struct {
	ID, Title, Low, Number, High, Band string // Number is "" when there is a range only
	Line                               lineView
	Caps                               []string // and what was repaired
	Life                               string
	Says                               string // for readers of the line
}

// lineView places an interval on a line, in percent of its length; At is ""
// where there is no single number.
type lineView struct{ From, Width, At, Says string }

// groupView is a group of measures, named by what was measured.
type groupView struct {
	Title    string
	Measures []measureView
}

type measureView struct {
	Title, Share, Basis, Because, Points string
	Units                                []pointsView
}

type pointsView struct {
	Unit, Value, Points string
	Line                lineView
}

// unitView is one unit's findings.
type unitView struct {
	ID, Title, Mark, Run, Invented string
	Notes                          []string // what holds for all rows, said once
	Rows                           []rowView
	Groups                         []findingGroup
	Looked                         int
}

type rowView struct {
	Name                                 string
	Untreated, Treated, Flushed, Another string
	Says                                 []findingView
}

type findingGroup struct {
	Title    string
	Findings []findingView
}

type findingView struct {
	Says  string
	Marks []string
	Needs string
}

type statementView struct {
	Title string
	Parts []statementPart
}

type statementPart struct {
	Says  string
	Items []string
}

func newView(c *edition.Core, m audit.Manifest) *view {
	v := &view{Simulated: c.Basis.Simulated == "yes", Campaign: c.Basis.Campaign.Title, Edition: m.ID, Made: m.Made, Supersedes: m.Supersedes,
		Half: c.Scores.Half, Spread: spreadWords(c), RankRule: rankRule, Main: c.Basis.Main}
	for _, s := range c.Statements.Statements {
		if s.Code == "expires" && len(s.Args) > 0 {
			v.Expires = s.Args[0].Text
		}
	}
	v.Subtitle = fmt.Sprintf("%s. %d units, each one item, by the protocol %s %s; scoring %s %s.", c.Basis.Title, len(c.Scores.Units),
		c.Basis.Protocol.ID, c.Basis.Protocol.Version, c.Basis.Scoring.ID, c.Basis.Scoring.Version)
	v.ranks(c)
	v.groups(c)
	for _, l := range c.Scores.LeftOut {
		v.LeftOut = append(v.LeftOut, leftOutWords(c, l))
	}
	for _, u := range c.Scores.Units {
		v.unit(c, u)
	}
	v.goals(c)
	v.statements(c)
	for _, x := range c.Basis.Cautions {
		if x.ID == "above-value" {
			v.AboveText = x.Text
			continue
		}
		v.Cautions = append(v.Cautions, x.Text)
	}
	v.Documents = append([]edition.Document{c.Basis.Campaign, c.Basis.Protocol, c.Basis.Scoring, c.Basis.Lab}, c.Basis.Values...)
	for _, u := range c.Basis.Units {
		v.Documents = append(v.Documents, u.Document)
	}
	return v
}

// rankWords are a unit's possible ranks: "rank 1", "rank 1 to 2".
func rankWords(u edition.UnitScore) string {
	if u.Rank == u.RankWorst {
		return fmt.Sprintf("rank %d", u.Rank)
	}
	return fmt.Sprintf("rank %d to %d", u.Rank, u.RankWorst)
}

// ofHundred writes points: a number with its range, or a range alone.
func ofHundred(low, number, high string) string {
	switch {
	case number == "" && low == high, number != "" && low == number && number == high:
		return low + " of 100"
	case number == "":
		return "between " + low + " and " + high + " of 100"
	}
	return number + " of 100, from " + low + " to " + high
}

// ranks puts units with the same possible ranks into one group.
func (v *view) ranks(c *edition.Core) {
	for _, u := range c.Scores.Units {
		s := scoreView{ID: u.Unit, Low: u.Low, Number: u.Number, High: u.High, Band: bandWords(c, u), Line: lineOf(u.Low, u.Number, u.High), Caps: capWords(c, u)}
		basis, _ := c.Unit(u.Unit)
		if basis != nil {
			s.Title, s.Life = basis.Document.Title, lifeWords(basis.Parts)
			s.Caps = append(repairedWords(basis), s.Caps...)
		}
		s.Says = ofHundred(u.Low, u.Number, u.High)
		s.Line.Says = s.Says
		if n := len(v.Ranks); n > 0 && v.Ranks[n-1].Says == rankWords(u) {
			v.Ranks[n-1].Units = append(v.Ranks[n-1].Units, s)
			continue
		}
		v.Ranks = append(v.Ranks, rankView{Says: rankWords(u), Units: []scoreView{s}})
	}
}

// capWords says which caps apply to a unit, each in a sentence, and which may,
// all in one.
func capWords(c *edition.Core, u edition.UnitScore) []string {
	var out, open, why []string
	least := ""
	for _, k := range u.Caps {
		for _, def := range c.Basis.Caps {
			switch {
			case def.ID != k.Cap:
			case k.State == "applies":
				out = append(out, fmt.Sprintf("Held to at most %s. %s", def.AtMost, def.Because))
			case k.State == "open":
				open = append(open, fmt.Sprintf("%s (at most %s)", spaced(k.Cap), def.AtMost))
				if words := codeWords(k.Code); words != "" && !slices.Contains(why, words) {
					why = append(why, words)
				}
				if least == "" || larger(least, def.AtMost) {
					least = def.AtMost
				}
			}
		}
	}
	if len(open) > 0 {
		says := "Caps that are undecided"
		if len(why) > 0 {
			says += " (" + strings.Join(why, ", ") + ")"
		}
		out = append(out, fmt.Sprintf("%s: %s. They may apply, so the low end is at most %s.", says, strings.Join(open, ", "), least))
	}
	return out
}

// spreadWords names the parts of what is added on either side.
func spreadWords(c *edition.Core) string {
	var parts []string
	for _, p := range c.Basis.Spread {
		part := spaced(p.ID)
		if p.Status != "" {
			part += " (" + spaced(p.Status) + ")"
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, " and ")
}

// bandWords names the band, or every band from the low to the high end.
func bandWords(c *edition.Core, u edition.UnitScore) string {
	bands := append([]edition.BandBasis(nil), c.Basis.Bands...)
	sort.SliceStable(bands, func(i, j int) bool { return larger(bands[j].From, bands[i].From) })
	var titles []string
	within := false
	for _, b := range bands {
		within = within || b.ID == u.Band
		if within {
			titles = append(titles, b.Title)
		}
		if b.ID == u.BandHigh {
			break
		}
	}
	switch n := len(titles); n {
	case 0:
		return "Band: " + u.Band
	case 1:
		return "Band: " + titles[0]
	default:
		return "Bands: " + strings.Join(titles[:n-1], ", ") + ", or " + titles[n-1]
	}
}

// lifeWords is the life point of the part that had the largest share behind it,
// else the volume that the parts had treated.
func lifeWords(parts []edition.PartBasis) string {
	var best edition.PartBasis
	for _, p := range parts {
		if best.Part == "" || larger(p.Share, best.Share) {
			best = p
		}
	}
	if best.Volume == "" {
		return ""
	}
	words := best.Volume + " treated at the draw"
	if best.Bound != "" {
		words += ", at least"
	}
	if best.Share != "" {
		words += fmt.Sprintf("; %s %% of the rated life of part %s", best.Share, best.Part)
	}
	return words
}

func larger(a, b string) bool {
	x, errX := quantity.ParseDecimal(a)
	y, errY := quantity.ParseDecimal(b)
	return errX == nil && (errY != nil || x.Cmp(y) > 0)
}

// lineOf places decimal texts of 0 to 100 on a line.
func lineOf(low, number, high string) lineView {
	out := lineView{From: low, At: number, Width: "0"}
	x, errX := quantity.ParseDecimal(low)
	y, errY := quantity.ParseDecimal(high)
	if errX == nil && errY == nil {
		out.Width = quantity.Plain(y.Sub(y, x))
	}
	return out
}

func (v *view) groups(c *edition.Core) {
	for _, g := range c.Basis.Groups {
		view := groupView{Title: g.Title}
		for _, m := range c.Basis.Measures {
			if m.Group != g.ID || m.Share == "" {
				continue
			}
			view.Measures = append(view.Measures, measureOf(c, m))
		}
		if len(view.Measures) > 0 {
			v.Groups = append(v.Groups, view)
		}
	}
}

func measureOf(c *edition.Core, m edition.MeasureBasis) measureView {
	out := measureView{Title: m.Title, Share: m.Share, Basis: m.Basis, Because: m.Because}
	var corners []string
	for _, p := range m.Points {
		corners = append(corners, p.At+" gives "+p.Points)
	}
	out.Points = strings.Join(corners, ", ")
	for _, u := range c.Scores.Units {
		for _, x := range u.Measures {
			if x.Measure != m.ID {
				continue
			}
			p := pointsView{Unit: u.Unit, Points: ofHundred(x.Low, x.Number, x.High), Line: lineOf(x.Low, x.Number, x.High)}
			p.Line.Says = p.Points
			switch x.State {
			case "known":
				p.Value = valueWords(x)
			default:
				p.Value = x.State
				if x.Code != "" {
					p.Value += ": " + codeWords(x.Code)
				}
			}
			out.Units = append(out.Units, p)
		}
	}
	return out
}

// valueWords writes a measure's value with its unit.
func valueWords(x edition.UnitMeasure) string {
	unit := ""
	if x.Unit != "" && x.Unit != "1" {
		unit = " " + x.Unit
	}
	switch {
	case x.ValueLow == x.ValueHigh:
		return x.ValueLow + unit
	case x.ValueLow == "":
		return "at most " + x.ValueHigh + unit
	case x.ValueHigh == "":
		return "at least " + x.ValueLow + unit
	case x.Bound == "yes":
		return "at least " + x.ValueLow + unit
	}
	return x.ValueLow + " to " + x.ValueHigh + unit
}

// codeWords is a code without the kind that it begins with.
func codeWords(code string) string {
	for _, kind := range []string{"reduction_", "rise_", "margin_", "bench_", "contact_", "cost_"} {
		code = strings.TrimPrefix(code, kind)
	}
	return spaced(code)
}

func spaced(code string) string { return strings.ReplaceAll(code, "_", " ") }

func leftOutWords(c *edition.Core, l edition.LeftOut) string {
	title := l.Measure
	if m := c.Measure(l.Measure); m != nil {
		title = m.Title
	}
	switch l.Why {
	case "not_counted":
		name, why := l.Code, ""
		for _, a := range c.Basis.Analytes {
			if a.ID == l.Code {
				name, why = a.Name, a.Words()
			}
		}
		if why != "" {
			why = " (" + why + ")"
		}
		return fmt.Sprintf("%s: %s does not count in this campaign%s.", title, name, why)
	case "undecided":
		return fmt.Sprintf("%s: undecided for %s (%s).", title, strings.Join(l.Units, ", "), codeWords(l.Code))
	}
	return fmt.Sprintf("%s: not on record for %s.", title, strings.Join(l.Units, ", "))
}

// kindTitles are the headings under which findings that belong to no analyte
// stand, in this order.
var kindTitles = []struct{ kind, title string }{
	{assess.KindFeed, "The feed"}, {assess.KindMineral, "Minerals and pH"}, {assess.KindBench, "On the bench"}, {assess.KindContact, "Contact time"},
	{assess.KindLife, "Parts"}, {assess.KindCost, "Cost"}, {assess.KindReport, "What weakens the reports"},
}

// unit shows one unit's findings: rows in the protocol's order, each with its
// sentences, then everything else by what it is about.
func (v *view) unit(c *edition.Core, s edition.UnitScore) {
	a := c.Assessment(s.Unit)
	basis, _ := c.Unit(s.Unit)
	if a == nil || basis == nil {
		return
	}
	out := unitView{ID: s.Unit, Title: basis.Document.Title, Mark: basis.Mark, Run: s.Run, Invented: basis.Invented, Looked: a.Looked}
	for _, f := range a.Findings {
		if f.Code == "margin_above" {
			v.Above = append(v.Above, s.Unit+": "+assess.Sentence(f))
		}
	}
	sort.SliceStable(v.Above, func(i, j int) bool { return urgent(v.Above[i]) && !urgent(v.Above[j]) })
	out.Notes = repairNotes(basis)
	common := v.notes(&out, a)
	for _, r := range a.Rows {
		row := rowView{Name: nameOf(c, r.Analyte), Untreated: cellText(r.Untreated), Treated: cellText(r.Treated), Flushed: cellText(r.Flushed), Another: cellText(r.SecondDay)}
		for _, f := range a.Findings {
			if f.Subject == r.Analyte && inRow(f) && !dull(f) {
				x := findingOf(without(f, common))
				x.Says = upper(strings.TrimPrefix(x.Says, row.Name+": "))
				row.Says = append(row.Says, x)
			}
		}
		if row.Untreated != "" || row.Treated != "" {
			out.Rows = append(out.Rows, row)
		}
	}
	for _, k := range kindTitles {
		g := findingGroup{Title: k.title}
		for _, f := range a.Findings {
			if f.Kind == k.kind && f.Code != "balance_closes" && f.Code != "balance_open" {
				g.Findings = append(g.Findings, findingOf(f))
			}
		}
		if k.kind == assess.KindBench {
			g.Findings = append(g.Findings, balances(a)...)
		}
		if len(g.Findings) > 0 {
			out.Groups = append(out.Groups, g)
		}
	}
	out.Groups = append(out.Groups, unitGroups(basis, a)...)
	v.Units = append(v.Units, out)
}

// inRow tells whether a finding stands in an analyte's row.
func inRow(f assess.Finding) bool {
	return f.Kind == assess.KindReduction || f.Kind == assess.KindRise || f.Kind == assess.KindMargin
}

// notes says once, above the rows, what holds for all of them: that the feed
// moved, and marks that every finding carries. It gives those marks.
func (v *view) notes(out *unitView, a *assess.Assessment) map[string]bool {
	count, total := map[string]int{}, 0
	var order []string
	moved := false
	for _, f := range a.Findings {
		if !inRow(f) || f.Subject == "chlorine_reduction" {
			continue
		}
		moved = moved || pairSaysNothing(f)
		if dull(f) {
			continue
		}
		total++
		for _, m := range f.Marks {
			if count[m]++; count[m] == 1 {
				order = append(order, m)
			}
		}
	}
	if moved {
		for _, f := range a.Findings {
			if f.Kind == assess.KindFeed && (f.Code == "feed_moved" || f.Code == "feed_opened") {
				out.Notes = append(out.Notes, assess.Sentence(f)+" Reduction and rise are therefore undecided for every analyte.")
				break
			}
		}
	}
	common := map[string]bool{}
	for _, m := range order {
		if count[m] == total && total > 1 {
			common[m] = true
			out.Notes = append(out.Notes, "For every analyte: "+assess.MarkWords(m)+".")
		}
	}
	return common
}

// pairSaysNothing: the pair does not stand for the same water.
func pairSaysNothing(f assess.Finding) bool {
	return strings.HasSuffix(f.Code, "_feed_moved") || strings.HasSuffix(f.Code, "_pair_opened")
}

// without takes out marks that were said for all.
func without(f assess.Finding, common map[string]bool) assess.Finding {
	var marks []string
	for _, m := range f.Marks {
		if !common[m] {
			marks = append(marks, m)
		}
	}
	f.Marks = marks
	return f
}

// balances says in two sentences which mass balances over the drain close and
// which are left open; the others stand as findings of their own.
func balances(a *assess.Assessment) []findingView {
	var out []findingView
	for _, x := range []struct{ code, says string }{
		{"balance_closes", "What product and drain carry fits the feed within its uncertainty for: "},
		{"balance_open", "Results below their limits leave the mass balance open for: "},
	} {
		var names []string
		for _, f := range a.Findings {
			if f.Code != x.code {
				continue
			}
			for _, arg := range f.Args {
				if arg.Name == "name" {
					names = append(names, strings.ToLower(arg.Text))
				}
			}
		}
		if len(names) > 0 {
			out = append(out, findingView{Says: x.says + strings.Join(names, ", ") + "."})
		}
	}
	return out
}

// upper begins a sentence with a capital.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// urgent tells whether a sentence is about one of those that come first of all.
func urgent(says string) bool {
	for _, name := range []string{"Nitrate", "Nitrite", "coli", "Lead", "Copper"} {
		if strings.Contains(says, name) {
			return true
		}
	}
	return false
}

// dull are the sentences that say only that nothing can be said, or that
// nothing was seen: the rows leave them out, the core holds them.
func dull(f assess.Finding) bool {
	return pairSaysNothing(f) || f.Code == "rise_not_distinguishable" || f.Code == "margin_none" || f.Code == "rise_no_result" || f.Code == "margin_no_result"
}

func nameOf(c *edition.Core, analyte string) string {
	for _, a := range c.Basis.Analytes {
		if a.ID == analyte {
			return a.Name
		}
	}
	return analyte
}

// cellText writes a result with its expanded uncertainty before the unit.
func cellText(x assess.Cell) string {
	number, unit, ok := strings.Cut(x.Result, " ")
	u, own, has := strings.Cut(x.U, " ")
	if !ok || !has || !strings.HasPrefix(unit, own) {
		return x.Result
	}
	return number + " \u00b1 " + u + " " + unit
}

func findingOf(f assess.Finding) findingView {
	out := findingView{Says: assess.Sentence(f), Needs: assess.NeedWords(f.Needs)}
	for i, m := range f.Marks {
		words := assess.MarkWords(m)
		if i == 0 {
			words = upper(words)
		}
		out.Marks = append(out.Marks, words)
	}
	return out
}

// statements joins those without a title of their own to the one before.
func (v *view) statements(c *edition.Core) {
	for _, s := range c.Statements.Statements {
		p := statementPart{Says: s.Says(), Items: s.ItemsSaid()}
		title := s.Title()
		if n := len(v.Statements); n > 0 && (title == "" || v.Statements[n-1].Title == title) {
			v.Statements[n-1].Parts = append(v.Statements[n-1].Parts, p)
			continue
		}
		v.Statements = append(v.Statements, statementView{Title: title, Parts: []statementPart{p}})
	}
}
