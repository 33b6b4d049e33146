package edition

import (
	"slices"
	"strings"

	"tapledger/runner/assess"
)

// said is the words of one statement: what it says, and each of its items.
// {name} stands for an argument; what stands in [ ] is left out when an
// argument in it is empty. An empty title joins the statement to the one before.
type said struct{ title, says, item string }

// statementCodes is the closed list, in the order in which statements are made.
var statementCodes = []string{"simulated", "above_value", "corrections_turned", "corrections_turned_none", "accounted", "fixed_before_entered", "fixed_after",
	"held_outside", "held_outside_none", "departures", "departures_none", "corrections", "corrections_none", "qualified", "qualified_none", "reports_replaced",
	"further_tries", "further_tries_none", "bottles_unused", "bottles_unused_none",
	"tries_at_laboratory", "tries_at_laboratory_none", "evidence", "people", "people_alone", "acquired", "complaints", "complaints_none",
	"not_counted", "not_counted_none", "many_tests", "one_item", "not_tested_germs",
	"expires", "expires_none", "reference", "reference_none", "kept", "listing_not_searched", "corrections_policy", "one_person", "never_entered", "tail", "witness"}

var statementWords = map[string]said{
	"simulated":                {"Simulated", "Everything here is simulated: bench, units, laboratory, readings and results are invented.", ""},
	"above_value":              {"Above a health-based value", "Treated samples in which the laboratory found more than a health-based value: {count}.", "{unit}: {analyte}, at {low} to {high} % of the value."},
	"corrections_turned":       {"Corrections that turned a decision", "Decisions that became met by a correction: {count}.", "{unit}, run {run}, record {record}: {criterion}, try {try}, by {by} {made}: {corrects}, from {from} to {to} ({evidence})[; attached: {attached}][; confirmed by {confirmed_by} on {confirmed}][; confirmed by a second person: {unconfirmed}]. Reason: {reason}"},
	"corrections_turned_none":  {"Corrections that turned a decision", "No decision became met by a correction.", ""},
	"accounted":                {"Every run on this bench", "Runs ever opened on this bench: {runs}, of which {closed} closed, {abandoned} abandoned, {never_started} never started, {open} open; {counting} count here.", "{run}: {unit} by {protocol}, opened {opened}, {how}[ {ended}][, reopened: {reopened}][, counts here: {counts}][. Reason: {reason}]"},
	"fixed_before_entered":     {"Fixed before results", "The {kind} {id} {version} was fixed before any result was entered (grade {grade}); the tester could have seen a report before.", ""},
	"fixed_after":              {"Fixed before results", "The {kind} {id} {version} was not fixed before results were entered.", "{unit}, run {run}: first results in record {record}"},
	"held_outside":             {"", "Checkpoints kept by someone else that pin protocol and scoring and none of the results: {count}. Had the holder received one before the first report's date ({issued}), they were fixed before that (grade 1)[, and before {received}, before the samples were received (grade 2)].", "{checkpoint} (main {main}, {records} records)"},
	"held_outside_none":        {"", "No checkpoint that someone else kept has come back, so that no higher grade is shown.", ""},
	"departures":               {"Departures", "Accepted departures: {count}. They unblock a run and change no decision.", "{unit}, run {run}, record {record}, by {by} {made}: {criteria}. Reason: {reason}"},
	"departures_none":          {"Departures", "No departure was accepted.", ""},
	"corrections":              {"Corrections", "Corrected values: {count}. Both stay readable.", "{unit}, run {run}, record {record}, by {by} {made}: {corrects}, from {from} to {to} ({evidence})[; attached: {attached}][; confirmed by {confirmed_by} on {confirmed}][; confirmed by a second person: {unconfirmed}]. Reason: {reason}"},
	"corrections_none":         {"Corrections", "No value was corrected.", ""},
	"qualified":                {"Used with a reservation", "Criteria that are not met, or undecided, and whose values are used all the same and marked: {count}.", "{unit}: {criterion} is {state}[ ({code})]. {because}"},
	"qualified_none":           {"Used with a reservation", "Nothing is used with a reservation.", ""},
	"further_tries":            {"Further tries", "Steps that were done again: {count}. What was opened with them is not listed.", "{unit}, run {run}: {step}, try {try}, opened by record {record}[, because {criterion} was {state}][. {because}]"},
	"further_tries_none":       {"Further tries", "No step was done again.", ""},
	"bottles_unused":           {"", "Bottles drawn whose results are not used: {bottles}.", "{unit}, run {run}, record {record}: {step}, try {try}, drawn {drawn}; bottles: {bottles}; handed over: {handed}"},
	"bottles_unused_none":      {"", "Every bottle drawn is used.", ""},
	"reports_replaced":         {"Reports replaced", "Reports of the laboratory that a later one replaced, which counts: {count}.", "{unit}: report {number}[, revision {revision}] ({status}), record {record}, replaced by record {replaced_by}"},
	"tries_at_laboratory":      {"Tries that reached the laboratory", "Samples that reached the laboratory and do not count here: {count}.", "{unit}, run {run}: {step}, try {try}, sample {sample}"},
	"tries_at_laboratory_none": {"Tries that reached the laboratory", "No sample that reached the laboratory was left out.", ""},
	"evidence":                 {"Evidence", "Of {values} values {timed} were timed by a button, {typed} typed, {imported} imported, {photo} read from a photo and {legacy} taken over from older notes; records made more than {minutes} min after what they tell of: {late}; private attachments, not published: {private}.", ""},
	"people":                   {"Who wrote it", "People who wrote these runs: {count} ({people}). Records confirmed by a second person with a key of their own: {confirmed}.", ""},
	"people_alone":             {"Who wrote it", "People who wrote these runs: {count} ({people}). No record was confirmed by a second person.", ""},
	"acquired":                 {"How the units were obtained", "How each unit was obtained, and who paid.", "{unit}: {how}[ from {seller}][, paid by {paid_by}][, {date}][; ties: {ties}]"},
	"complaints":               {"Complaints", "Complaints on record: {count}.", "[run {run}, {unit}, record {record}, {made}, from a {from}][ about {about}][{file}]"},
	"complaints_none":          {"Complaints", "No complaint is on record.", ""},
	"not_counted":              {"Analytes that do not count", "Analytes whose reduction is left out for all units: {count}. A reduction counts when in every ranked run the feed holds at least {factor} x its reporting limit and treated was reported against the same or a lower limit. The rule narrows reductions only: a reduction is a share of what the feed held, and means little when the feed held next to nothing; a rise or a value above a health-based one is a finding about the treated sample, so it still counts: it is scored, and it can cap.", "{name}: {why}[, in {units}]"},
	"not_counted_none":         {"Analytes that do not count", "Every analyte counts.", ""},
	"many_tests":               {"Many tests", "A rise is decided at {level} over all analytes in which one could have been seen.", "{unit}: {looked} analytes looked at"},
	"one_item":                 {"What one item on one day cannot show", "One item on one day shows neither how units differ nor how days do, so {half} points are added on either side[. Retest: {retest}]", "{part}: {standard} points, standard, {status}"},
	"not_tested_germs":         {"", "Nothing was tested for germs.", ""},
	"expires":                  {"How long the scores hold", "The scores are said to hold until {date}.", ""},
	"expires_none":             {"How long the scores hold", "The campaign names no day on which the scores expire.", ""},
	"reference":                {"Reference unit", "The reference unit of the campaign is {unit}.", ""},
	"reference_none":           {"Reference unit", "No reference unit with fresh parts was run, so a drift between runs would not be seen.", ""},
	"kept":                     {"Where the used units are", "The used units and their parts are kept, for a second look.", "{unit}: [{place}][, seal {seal}][, until {until}][stated: {stated}]"},
	"listing_not_searched":     {"Listings", "No register of listed products was searched for these models: nothing here says whether a listing exists.", ""},
	"corrections_policy":       {"Corrections and complaints", "An edition is never edited: a mistake in a published number is put right by a new edition that names the one it supersedes, and both stay readable. Makers and readers can complain to the bench about a number; a complaint is put on record, stands in the next edition while it is open, and a reply is kept with it. No deadline for an answer is laid down.", ""},
	"one_person":               {"What one person could fake", "One person with the bench and its keys could invent readings, set the clock, sign for others on the same machine, and rebuild everything since the last checkpoint that someone else holds.", ""},
	"never_entered":            {"", "What was never entered cannot be seen.", ""},
	"tail":                     {"", "Records after the newest commit on main can be cut without a trace, except against a checkpoint that someone else holds.", ""},
	"witness":                  {"", "Sample ids are made from a checkpoint at hand-over, so that the laboratory's own report pins protocol, scoring and every record up to the draw.", ""},
}

// whyNot says in words why an analyte does not count.
var whyNot = map[string]string{
	"feed_below":        "the feed held too little",
	"feed_limit_raised": "the feed was measured against a raised limit, too coarsely to tell",
	"feed_unknown":      "no untreated result, or none with its limit",
	"limit_higher":      "treated was reported against a higher limit than untreated",
	"treated_none":      "no treated result",
	"limit_unknown":     "the treated result came without its limit",
	"not_in_campaign":   "the campaign does not ask for it",
}

// Words says why, with the units of one reason put together.
func (a AnalyteBasis) Words() string {
	var parts []string
	for _, why := range a.reasons() {
		part := whyNot[why]
		if part == "" {
			part = strings.ReplaceAll(why, "_", " ")
		}
		if units := a.unitsOf(why); units != "" {
			part += ", in " + units
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, "; ")
}

// reasons lists the codes of why it does not count, each once.
func (a AnalyteBasis) reasons() []string {
	var out []string
	for _, x := range a.Why {
		if !slices.Contains(out, x.Why) {
			out = append(out, x.Why)
		}
	}
	return out
}

func (a AnalyteBasis) unitsOf(why string) string {
	var out []string
	for _, x := range a.Why {
		if x.Why == why && x.Unit != "" {
			out = append(out, x.Unit)
		}
	}
	return strings.Join(out, ", ")
}

// StatementCodes is the closed list of statement codes.
func StatementCodes() []string { return statementCodes }

// Title is the heading under which a statement stands; "" joins it to the one
// before.
func (s Statement) Title() string { return statementWords[s.Code].title }

// Says is the statement in words.
func (s Statement) Says() string {
	w, ok := statementWords[s.Code]
	if !ok {
		return "Nothing is known about the statement " + s.Code + "."
	}
	text := assess.Fill(w.says, s.Args)
	if text != "" && !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}

// ItemsSaid is each item of the statement in words.
func (s Statement) ItemsSaid() []string {
	var out []string
	for _, it := range s.Items {
		named := make([]assess.Arg, len(it))
		for i, a := range it {
			named[i] = a
			if a.Name == "why" || a.Name == "how" || a.Name == "part" || a.Name == "code" {
				named[i].Text = strings.ReplaceAll(a.Text, "_", " ")
				if words := whyNot[a.Text]; a.Name == "why" && words != "" {
					named[i].Text = words
				}
			}
		}
		out = append(out, strings.TrimSpace(assess.Fill(statementWords[s.Code].item, named)))
	}
	return out
}
