package runner

import (
	"fmt"
	"sort"
	"strings"

	"tapledger/audit"
)

// Subject is one line about a record for a commit's subject, so that a log
// reads like a bench sheet: `12 feed_pressure: 61 psi (pressure_in_range met)`.
// It is made from the record alone and is no evidence: only record.json is.
func Subject(rec audit.Record) string {
	body, err := DecodeBody(rec)
	if err != nil {
		return fmt.Sprintf("%d %s", rec.Seq, rec.Kind)
	}
	line := fmt.Sprintf("%d %s", rec.Seq, phrase(rec.Kind, body))
	var decided []string
	for _, d := range common(body).Decisions {
		text := d.Criterion + " " + d.State
		if d.Code != "" {
			text += ": " + d.Code
		}
		decided = append(decided, text)
	}
	if len(decided) > 0 {
		line += " (" + strings.Join(decided, ", ") + ")"
	}
	return oneLine(line, 120)
}

// subjectOf is what a record of this run says, in one phrase.
func (s *State) subjectOf(seq int64) string {
	return oneLine(phrase(s.metas[seq-1].kind, s.originals[seq-1]), 80)
}

func oneLine(s string, most int) string {
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > most {
		return string(r[:most-3]) + "..."
	}
	return s
}

func phrase(kind string, body any) string {
	switch b := body.(type) {
	case *Opened:
		return fmt.Sprintf("opened: unit %s, protocol %s %s", b.Unit.ID, b.Protocol.ID, b.Protocol.Version)
	case *Started:
		return ofTry(b.Step, b.Try) + " begun " + b.Values["began"].Text
	case *Entry:
		return ofTry(b.Step, b.Try) + ": " + spoken(b.Values)
	case *Draw:
		return ofTry(b.Step, b.Try) + ": drawn, " + count(len(b.Bottles), "bottle")
	case *HandOver:
		return "hand-over to " + b.To + ": " + count(len(b.Samples), "sample")
	case *Report:
		return fmt.Sprintf("report %s of %s, %s: %s", b.Name(), b.Laboratory, b.Status, count(len(b.Results), "result"))
	case *Part:
		return "part " + b.Part + " " + b.Action
	case *Departure:
		return "departure from " + strings.Join(b.Affects, ", ") + ": " + b.Reason
	case *Correction:
		return fmt.Sprintf("correction of %d %s to %s: %s", b.Corrects.Seq, b.Corrects.Path, b.Value.Text, b.Reason)
	case *Note:
		return "note: " + b.Text
	case *CautionRead:
		return "caution read: " + b.Caution
	case *Stopped:
		return join("stopped", b.Reason)
	case *Resumed:
		return join("resumed", b.Reason)
	case *SecondPerson:
		return fmt.Sprintf("second person confirms %d", b.Confirms)
	case *Complaint:
		return "complaint from " + b.From + ": " + b.Text
	case *Removed:
		return "attachment removed: " + b.Reason
	case *Recovered:
		return "recovered: " + strings.Join(b.Did, "; ")
	case *Reopened:
		return join("reopened", b.Reason)
	case *Abandoned:
		return join("abandoned", b.Reason)
	}
	return kind
}

func join(word, reason string) string {
	if reason == "" {
		return word
	}
	return word + ": " + reason
}

func ofTry(step string, try int) string {
	if try > 1 {
		return fmt.Sprintf("%s, try %d", step, try)
	}
	return step
}

func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// spoken says the values of an entry: what was read first, times last, and
// times only where nothing else was entered or they are what it is about.
func spoken(values map[string]Value) string {
	var names []string
	for name := range values {
		if name != "at" && !strings.HasSuffix(name, "instrument") {
			names = append(names, name)
		}
	}
	sort.Slice(names, func(i, j int) bool {
		if a, b := isMoment(names[i]), isMoment(names[j]); a != b {
			return b
		}
		return names[i] < names[j]
	})
	var out []string
	for _, name := range names {
		switch {
		case name == "value" || name == "answer" || strings.HasPrefix(name, "value_"):
			out = append(out, values[name].Text)
		default:
			out = append(out, name+" "+values[name].Text)
		}
	}
	return strings.Join(out, ", ")
}
