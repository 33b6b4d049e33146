package bench

import (
	"fmt"
	"slices"
	"strings"

	"tapledger/audit"
	"tapledger/runner"
)

// CautionsDue lists the cautions that the acting person has not read in a run
// and that are due at what may be done now, sorted.
func (b *Bench) CautionsDue(st *runner.State) ([]string, error) {
	by, err := b.Actor()
	if err != nil {
		return nil, err
	}
	now, err := b.Now()
	if err != nil {
		return nil, err
	}
	var out []string
	for _, t := range st.Next(now).May {
		out = append(out, st.CautionsUnread(by, t.Step)...)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// ReadCautions puts on record that the acting person read these cautions.
func (b *Bench) ReadCautions(run string, ids []string) ([]audit.Record, *runner.State, error) {
	var fs []Propose
	for _, id := range ids {
		fs = append(fs, func(st *runner.State) (runner.Proposal, error) {
			body := runner.CautionRead{Common: common(), Caution: id}
			if x := st.Pinned.Cautions[id]; x != nil {
				body.Version = x.Version
			}
			return runner.Proposal{Kind: runner.KindCautionRead, Body: body}, nil
		})
	}
	return b.AppendAll(run, fs)
}

// fixed proposes the same body whatever the run's state.
func fixed(kind string, body any) Propose {
	return func(*runner.State) (runner.Proposal, error) { return runner.Proposal{Kind: kind, Body: body}, nil }
}

// Part puts on record that a part was fitted or removed. texts holds lot,
// date_code, at and volume; at left out is now.
func (b *Bench) Part(run, action, part string, texts map[string]string, sealed ...*Sealed) (audit.Record, *runner.State, error) {
	return b.Append(run, func(*runner.State) (runner.Proposal, error) {
		body := runner.Part{Common: common(), Action: action, Part: part, Lot: texts["lot"], DateCode: texts["date_code"], Values: map[string]runner.Value{}}
		body.Attachments = attached(sealed)
		for name, text := range texts {
			switch name {
			case "lot", "date_code":
			case "at":
				t, err := b.moment(text)
				if err != nil {
					return runner.Proposal{}, err
				}
				body.Values["at"] = runner.Value{Text: audit.Time(t), Evidence: "typed"}
			default:
				body.Values[name] = runner.Value{Text: text, Evidence: "typed"}
			}
		}
		if _, has := body.Values["at"]; !has {
			body.Values["at"] = runner.Value{Text: audit.Time(b.now), Evidence: "timed"}
		}
		return runner.Proposal{Kind: runner.KindPart, Body: body}, nil
	}, sealed...)
}

// Stop takes the way out; Resume takes the run up again.
func (b *Bench) Stop(run, reason string) (audit.Record, *runner.State, error) {
	return b.Append(run, fixed(runner.KindStopped, runner.Stopped{Common: common(), Reason: reason}))
}

// Resume takes a stopped run up again.
func (b *Bench) Resume(run, reason string) (audit.Record, *runner.State, error) {
	return b.Append(run, fixed(runner.KindResumed, runner.Resumed{Common: common(), Reason: reason}))
}

// Confirm puts on record that a second person confirms a record, with a key of
// their own: open the bench as that person.
func (b *Bench) Confirm(run string, seq int64) (audit.Record, *runner.State, error) {
	return b.Append(run, func(st *runner.State) (runner.Proposal, error) {
		body := runner.SecondPerson{Common: common(), Confirms: seq}
		if seq >= 1 && seq <= int64(len(st.Records)) {
			data, err := st.Records[seq-1].Bytes()
			if err != nil {
				return runner.Proposal{}, err
			}
			body.Record = audit.Hash(data)
		}
		return runner.Proposal{Kind: runner.KindSecondPerson, Body: body}, nil
	})
}

// Correct supersedes one value of an earlier record. path is a JSON Pointer
// into its body, or the plain name of a value.
func (b *Bench) Correct(run string, seq int64, path, text, reason string, sealed ...*Sealed) (audit.Record, *runner.State, error) {
	return b.Append(run, func(*runner.State) (runner.Proposal, error) {
		name, evidence, said := strings.Cut(path, ":")
		if !said {
			evidence = "typed"
		}
		if !strings.HasPrefix(name, "/") {
			name = "/values/" + name
		}
		value := text
		if last := name[strings.LastIndexByte(name, '/')+1:]; slices.Contains(moments, last) {
			t, err := b.moment(text)
			if err != nil {
				return runner.Proposal{}, err
			}
			value = audit.Time(t)
		}
		body := runner.Correction{Common: common(), Corrects: runner.Target{Path: name, Seq: seq}, Reason: reason,
			Value: runner.Value{Text: value, Evidence: evidence}}
		body.Attachments = attached(sealed)
		return runner.Proposal{Kind: runner.KindCorrection, Body: body}, nil
	}, sealed...)
}

// Depart accepts a deviation: criteria, or steps that are left out.
func (b *Bench) Depart(run string, affects []string, try int, reason string) (audit.Record, *runner.State, error) {
	return b.Append(run, fixed(runner.KindDeparture, runner.Departure{Common: common(), Affects: affects, Try: try, Reason: reason}))
}

// Note puts a remark on record.
func (b *Bench) Note(run, about, text string, sealed ...*Sealed) (audit.Record, *runner.State, error) {
	body := runner.Note{Common: common(), About: about, Text: text}
	body.Attachments = attached(sealed)
	return b.Append(run, fixed(runner.KindNote, body), sealed...)
}

// notPrivate refuses texts that look like an address, a telephone number or
// e-mail unless the bench was opened as sure: what is signed cannot be taken
// back.
func (b *Bench) notPrivate(texts ...string) error {
	for _, text := range texts {
		if why := looksPrivate(text); why != "" && !b.sure {
			return &runner.Refusal{Says: fmt.Sprintf("%.60q seems to hold %s, and a record can never be taken back", text, why),
				Hint: "leave it out, or say --sure"}
		}
	}
	return nil
}

// looksPrivate says what personal detail a text seems to hold.
func looksPrivate(text string) string {
	if i := strings.IndexByte(text, '@'); i > 0 && i+1 < len(text) && strings.Contains(text[i:], ".") && text[i-1] != ' ' && text[i+1] != ' ' {
		return "an e-mail address"
	}
	digits := 0
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case strings.ContainsRune(" -/()+", r):
		default:
			digits = 0
		}
		if digits >= 9 {
			return "a telephone number"
		}
	}
	low := strings.ToLower(text)
	for _, word := range []string{" street", " road", " avenue", " lane", "straße", "strasse", "postcode", "zip code"} {
		if strings.Contains(low, word) && strings.ContainsAny(text, "0123456789") {
			return "an address"
		}
	}
	return ""
}

// ComplainRun puts a complaint about a run's number on record, also after the
// run was closed.
func (b *Bench) ComplainRun(run, about, from, text string) (audit.Record, *runner.State, error) {
	return b.Append(run, fixed(runner.KindComplaint, runner.Complaint{Common: common(), About: about, From: from, Text: text}))
}

// ParseSeq reads a record's number.
func ParseSeq(text string) (int64, error) {
	var n int64
	if _, err := fmt.Sscanf(text, "%d", &n); err != nil || n < 1 || fmt.Sprint(n) != text {
		return 0, &runner.Refusal{Says: fmt.Sprintf("%q is no record number", text), Hint: "records are numbered from 1; git log main..runs/RUN shows them"}
	}
	return n, nil
}
