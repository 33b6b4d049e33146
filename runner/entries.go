package runner

import (
	"slices"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// complete fills in what a proposal leaves to the state: the try that is due,
// and what a button began. With a clock that is behind, what was timed counts
// as typed.
func (s *State) complete(body any, clock string) {
	due := func(step string, try *int) {
		if t := s.Current(step); t != nil && *try == 0 {
			*try = t.N
		}
	}
	var values map[string]Value
	switch b := body.(type) {
	case *Started:
		due(b.Step, &b.Try)
		values = b.Values
	case *Entry:
		due(b.Step, &b.Try)
		values = b.Values
		if st := s.step(b.Step); st != nil && (st.Kind == protocol.StepFlush || st.Kind == protocol.StepFill) && values != nil {
			began, started := s.last(b.Step).Values["began"]
			if _, has := values["began"]; started && !has {
				values["began"] = began.Value
			}
		}
	case *Draw:
		due(b.Step, &b.Try)
		values = b.Values
		if values == nil {
			b.Values = map[string]Value{}
		}
	case *HandOver:
		due(b.Step, &b.Try)
		values = b.Values
		s.completeHandOver(b)
	case *Report:
		due(b.Step, &b.Try)
		values = b.Values
	case *Part:
		values = b.Values
	case *Departure:
		s.completeDeparture(b)
	}
	if clock != "behind" {
		return
	}
	for name, v := range values {
		if v.Evidence == "timed" {
			v.Evidence = "typed"
			values[name] = v
		}
	}
}

// completeDeparture finds the try that a departure is about: the newest one
// that has a decision to depart from.
func (s *State) completeDeparture(b *Departure) {
	if b.Try != 0 || len(b.Affects) == 0 {
		return
	}
	r := s.Pinned.rules.byID[b.Affects[0]]
	if r == nil {
		if t := s.Current(b.Affects[0]); t != nil {
			b.Try = t.N
		}
		return
	}
	tries := s.newestBegun(r.Decides)
	b.Try = tries[0].N
	for _, t := range tries {
		if d, ok := s.decided[key{r.ID, t.N}]; ok && d.State != StateAwaiting && d.State != StateMet {
			b.Try = t.N
		}
	}
}

func (s *State) checkStarted(m meta, b *Started, c circumstances) *Refusal {
	if ref := s.checkStep(m, b.Step, b.Try, protocol.StepFlush, protocol.StepFill, protocol.StepStand); ref != nil {
		return ref
	}
	if v, begun := s.last(b.Step).Values["began"]; begun {
		return refuse(b.Step, "enter it when it has ended", "%s was begun already, at %s", b.Step, v.Text)
	}
	return s.checkValues(b.Step, b.Values, []field{{name: "began", kind: fieldMoment, required: true}}, c)
}

func (s *State) checkEntry(m meta, b *Entry, c circumstances) *Refusal {
	ref := s.checkStep(m, b.Step, b.Try, protocol.StepInspect, protocol.StepReading, protocol.StepFlush, protocol.StepFill,
		protocol.StepStand, protocol.StepSeries, protocol.StepTaste)
	if ref != nil {
		return ref
	}
	st, t := s.step(b.Step), s.last(b.Step)
	if ref := s.checkValues(b.Step, b.Values, s.fieldsOf(st), c); ref != nil {
		return ref
	}
	switch st.Kind {
	case protocol.StepInspect:
		return checkAnswer(b)
	case protocol.StepTaste:
		return checkTasters(b)
	case protocol.StepFlush, protocol.StepFill:
		if began, started := t.Values["began"]; started && began.Value != b.Values["began"] {
			return refuse(b.Step, "leave began out, or correct that record first", "%s was begun at %s (record %d), not at %s", b.Step, began.Text, began.Seq, b.Values["began"].Text)
		}
	case protocol.StepStand:
		return s.checkStand(st, t, b)
	case protocol.StepSeries:
		return checkNextReading(t, b)
	}
	return nil
}

func checkAnswer(b *Entry) *Refusal {
	if b.Values["answer"].Text == "not_applicable" && b.Values["reason"].Text == "" {
		return refuse(b.Step, "say why in reason=", "an answer that does not apply needs a reason")
	}
	return nil
}

// checkTasters keeps names out: a tasting knows adults by codes, one a answer.
func checkTasters(b *Entry) *Refusal {
	seen := map[string]bool{}
	for n := 1; n <= mostTasters; n++ {
		answer, hasAnswer := b.Values[numbered("answer", n)]
		taster, hasTaster := b.Values[numbered("taster", n)]
		switch {
		case hasAnswer != hasTaster:
			return refuse(b.Step, "each answer has a taster's code", "answer and taster %d do not come together", n)
		case hasTaster && (len(taster.Text) > 8 || strings.ContainsAny(taster.Text, " @.")):
			return refuse(b.Step, "a code such as T1; names are not recorded", "taster %q is no code", clip(taster.Text))
		case hasTaster && seen[taster.Text]:
			return refuse(b.Step, "", "taster %s answers twice", taster.Text)
		}
		seen[taster.Text] = hasAnswer && answer.Text != ""
	}
	return nil
}

// checkNextReading keeps the readings of a series in the order of their times.
func checkNextReading(t *Try, b *Entry) *Refusal {
	if n := len(t.Series); n > 0 {
		if last := t.Series[n-1]["at"]; b.Values["at"].Text < last.Text {
			return refuse(b.Step, "readings are entered in the order in which they were taken", "this reading (%s) was taken before the last one (%s)", b.Values["at"].Text, last.Text)
		}
	}
	return nil
}

// checkStand: an entry of a stand says when it began, that the faucet was
// opened in between, or, where no draw ends it, when it ended.
func (s *State) checkStand(st *protocol.Step, t *Try, b *Entry) *Refusal {
	if len(b.Values) != 1 {
		if _, both := b.Values["ended"]; !both || len(b.Values) != 2 || b.Values["began"].Text == "" {
			return refuse(st.ID, "began=, opened_at= or ended=", "an entry of a stand says one thing")
		}
	}
	began, _ := s.standing(st, t, At{})
	_, saysBegan := b.Values["began"]
	if saysBegan {
		if v, begun := t.Values["began"]; begun {
			return refuse(st.ID, "", "%s was begun already, at %s", st.ID, v.Text)
		}
		if from := s.endOf(st.From, At{}); st.From != "" && b.Values["began"].Text < from.Text {
			return refuse(st.ID, "", "it cannot stand before %s ended, at %s", st.From, from.Text)
		}
		began = Held{Value: b.Values["began"]}
	}
	for _, name := range []string{"opened_at", "ended"} {
		v, ok := b.Values[name]
		if !ok {
			continue
		}
		if began.Text == "" {
			return refuse(st.ID, "enter began= first", "%s has not begun", st.ID)
		}
		if v.Text < began.Text {
			return refuse(st.ID, "", "%s (%s) is before it began (%s)", name, v.Text, began.Text)
		}
	}
	if _, ends := b.Values["ended"]; ends {
		for _, x := range s.Pinned.rules.steps {
			if x.Ends == st.ID {
				return refuse(st.ID, "draw "+x.ID+"; an opening in between is opened_at=", "%s is ended by the draw %s", st.ID, x.ID)
			}
		}
	}
	return nil
}

func (s *State) checkDraw(m meta, b *Draw, c circumstances) *Refusal {
	if ref := s.checkStep(m, b.Step, b.Try, protocol.StepDraw); ref != nil {
		return ref
	}
	st := s.step(b.Step)
	if ref := s.checkValues(b.Step, b.Values, s.fieldsOf(st), c); ref != nil {
		return ref
	}
	if st.Ends != "" {
		began, _ := s.standing(s.step(st.Ends), s.last(st.Ends), At{})
		opened := b.Values["opened_at"]
		if opened.Text == "" {
			opened = b.Values["at"]
		}
		if opened.Text < began.Text {
			return refuse(b.Step, "", "it was opened at %s, before %s began at %s", opened.Text, st.Ends, began.Text)
		}
	}
	return s.checkBottles(b, st)
}

// checkBottles wants each bottle that the step names, once, with a code that
// this run has not seen and the lot that it comes from.
func (s *State) checkBottles(b *Draw, st *protocol.Step) *Refusal {
	left := slices.Clone(st.Bottles)
	seen := map[string]bool{}
	for _, x := range b.Bottles {
		i := slices.Index(left, x.Bottle)
		if i < 0 {
			return refuse(st.ID, "it takes: "+strings.Join(st.Bottles, ", "), "bottle %q is not asked for, or too often", clip(x.Bottle))
		}
		left = slices.Delete(left, i, i+1)
		if !reCode.MatchString(x.Code) {
			return refuse(st.ID, "six letters a to z or digits 2 to 7, as on the label", "bottle %s: code %q", x.Bottle, clip(x.Code))
		}
		if seq, used := s.codes[x.Code]; used {
			return refuse(st.ID, "each bottle has a label of its own", "bottle %s: code %s was used in record %d", x.Bottle, x.Code, seq)
		}
		if seen[x.Code] {
			return refuse(st.ID, "each bottle has a label of its own", "bottle %s: code %s stands on two bottles", x.Bottle, x.Code)
		}
		seen[x.Code] = true
		if ref := checkBottle(st.ID, x); ref != nil {
			return ref
		}
	}
	if len(left) > 0 {
		return refuse(st.ID, "a bottle that broke: leave the draw out with a departure, or draw again", "bottle %s is missing", strings.Join(left, ", "))
	}
	return nil
}

func checkBottle(step string, x DrawnBottle) *Refusal {
	if ref := checkText(step, "the lot of bottle "+x.Bottle, x.Lot, mostValue, true); ref != nil {
		ref.Hint = "the lot on the box, or \"none stated\""
		return ref
	}
	if x.Expires != "" && !reDate.MatchString(x.Expires) {
		return refuse(step, "a date such as 2027-01-31", "bottle %s: expires %q", x.Bottle, clip(x.Expires))
	}
	if (x.From == "") != (x.To == "") {
		return refuse(step, "both, since the faucet was opened", "bottle %s: from and to come together", x.Bottle)
	}
	if x.From == "" {
		return nil
	}
	mL := field{name: "from", kind: fieldQuantity, dim: quantity.Volume, in: "mL"}
	if ref := checkQuantity(step, mL, x.From); ref != nil {
		return ref
	}
	mL.name = "to"
	if ref := checkQuantity(step, mL, x.To); ref != nil {
		return ref
	}
	from, errFrom := quantity.Parse(x.From)
	to, errTo := quantity.Parse(x.To)
	if errFrom != nil || errTo != nil || from.Cmp(to) >= 0 {
		return refuse(step, "", "bottle %s: it was filled from %s to %s", x.Bottle, x.From, x.To)
	}
	return nil
}
