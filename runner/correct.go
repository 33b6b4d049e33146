package runner

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tapledger/protocol"
)

// What a correction may set right in the body of a record, by kind. Values are
// corrected whole, with their evidence; other texts keep the record's shape.
var correctable = map[string]*regexp.Regexp{
	KindStarted:  regexp.MustCompile(`^/values/[a-z][a-z0-9_]*$`),
	KindEntry:    regexp.MustCompile(`^/values/[a-z][a-z0-9_]*$`),
	KindDraw:     regexp.MustCompile(`^/(values/[a-z][a-z0-9_]*|bottles/[0-9]+/(lot|expires|from|to))$`),
	KindHandOver: regexp.MustCompile(`^/values/[a-z][a-z0-9_]*$`),
	KindReport:   regexp.MustCompile(`^/(values/[a-z][a-z0-9_]*|issued|received|results/[0-9]+/(result|qualifier|fraction|method|detection|quantitation|reporting|dilution|batch|uncertainty|analysed|performed))$`),
	KindPart:     regexp.MustCompile(`^/(values/[a-z][a-z0-9_]*|lot|date_code)$`),
}

// Correctable lists the kinds of records that have something to correct, sorted.
func Correctable() []string {
	var out []string
	for kind := range correctable {
		out = append(out, kind)
	}
	slices.Sort(out)
	return out
}

func (s *State) checkCorrection(m meta, b *Correction, c circumstances) *Refusal {
	if ref := checkText("", "the reason", b.Reason, mostText, true); ref != nil {
		return ref
	}
	seq := b.Corrects.Seq
	if seq < 1 || seq > s.Seq {
		return refuse("", "", "there is no record %d to correct", seq)
	}
	kind := s.metas[seq-1].kind
	if kind == KindCorrection {
		of := s.bodies[seq-1].(*Correction)
		return refuse("", fmt.Sprintf("correct record %d, %s, once more", of.Corrects.Seq, of.Corrects.Path), "record %d is itself a correction", seq)
	}
	allowed := correctable[kind]
	if allowed == nil {
		return refuse("", "records that can be corrected: "+strings.Join(Correctable(), ", "), "a %s record holds nothing that a correction can set right", kind)
	}
	path := b.Corrects.Path
	if !allowed.MatchString(path) {
		return refuse("", "a JSON Pointer into its body, such as /values/value", "%q is not among what can be set right in a record of kind %s", clip(path), kind)
	}
	old, has := valueAt(s.bodies[seq-1], path)
	if !has {
		return refuse("", "only what was recorded can be corrected; add what was forgotten as a note", "record %d has no %s", seq, path)
	}
	if old == b.Value || old.Evidence == "" && old.Text == b.Value.Text {
		return refuse("", "", "record %d, %s: that is what stands there", seq, path)
	}
	if name, ok := strings.CutPrefix(path, "/values/"); ok {
		if ref := s.checkShadowed(seq, name); ref != nil {
			return ref
		}
	}
	return s.checkCorrected(seq, b, c)
}

// checkShadowed refuses to correct a value that a later record of the same try
// repeats: the later one is in effect.
func (s *State) checkShadowed(seq int64, name string) *Refusal {
	st, ok := s.bodies[seq-1].(*Started)
	if !ok {
		return nil
	}
	for _, t := range s.Tries[st.Step] {
		if v, has := t.Values[name]; has && t.N == st.Try && v.Seq != seq {
			return refuse(st.Step, fmt.Sprintf("correct record %d, %s", v.Seq, v.Path), "record %d repeats %s, and is the one in effect", v.Seq, name)
		}
	}
	return nil
}

// checkCorrected holds the record as it would read after the correction to the
// same rules as when it was written, but for its order in the run.
func (s *State) checkCorrected(seq int64, b *Correction, c circumstances) *Refusal {
	body, err := overlay(s.metas[seq-1].kind, s.bodies[seq-1], b)
	if err != nil {
		return refuse("", "", "record %d, %s: %v", seq, b.Corrects.Path, err)
	}
	switch x := body.(type) {
	case *Started:
		return s.checkValues(x.Step, x.Values, []field{{name: "began", kind: fieldMoment, required: true}}, c)
	case *Entry:
		if ref := s.checkValues(x.Step, x.Values, s.fieldsOf(s.step(x.Step)), c); ref != nil {
			return ref
		}
		if s.step(x.Step).Kind == protocol.StepTaste {
			return checkTasters(x)
		}
		return checkAnswer(x)
	case *Draw:
		if ref := s.checkValues(x.Step, x.Values, s.fieldsOf(s.step(x.Step)), c); ref != nil {
			return ref
		}
		for _, bottle := range x.Bottles {
			if ref := checkBottle(x.Step, bottle); ref != nil {
				return ref
			}
		}
	case *HandOver:
		return s.checkValues(x.Step, x.Values, handFields, c)
	case *Report:
		if ref := s.checkValues(x.Step, x.Values, reportFields, c); ref != nil {
			return ref
		}
		if ref := s.checkReportHead(x, circumstances{now: c.now}); ref != nil {
			return ref
		}
		for i := range x.Results {
			if ref := s.checkResult(x, &x.Results[i]); ref != nil {
				ref.Line = x.Results[i].Line
				return ref
			}
		}
	case *Part:
		return s.checkPart(x, c)
	}
	return nil
}

// rebuild works the run out anew after a correction: the same records, with the
// values now in effect and the decisions as they were stored.
func (s *State) rebuild(c *Correction) {
	i := c.Corrects.Seq - 1
	if body, err := overlay(s.metas[i].kind, s.bodies[i], c); err == nil {
		original := ""
		if v, ok := valueAt(s.originals[i], c.Corrects.Path); ok {
			original = v.Text
		}
		s.bodies = slices.Clone(s.bodies)
		s.bodies[i] = body
		fixes := map[string]fix{}
		for path, f := range s.fixed[c.Corrects.Seq] {
			fixes[path] = f
		}
		fixes[c.Corrects.Path] = fix{by: s.Seq, original: original}
		s.fixed[c.Corrects.Seq] = fixes
	}
	fresh := newState(s.Pinned)
	fresh.fixed = s.fixed
	fresh.originals, fresh.bodies, fresh.metas = s.originals, s.bodies, s.metas
	for k, m := range s.metas {
		fresh.Seq, fresh.Made, fresh.Main = m.seq, m.made, m.main
		fresh.apply(m, s.bodies[k])
		if k < len(s.metas)-1 {
			fresh.store(m, common(s.originals[k]).Decisions)
			fresh.effects(m.seq)
		}
	}
	fresh.Records, fresh.Head = s.Records, s.Head
	*s = *fresh
}

// overlay gives a body with one value corrected.
func overlay(kind string, body any, c *Correction) (any, error) {
	raw, err := encodeBody(body)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		return nil, err
	}
	parts := strings.Split(strings.TrimPrefix(c.Corrects.Path, "/"), "/")
	var value any = c.Value.Text
	if parts[0] == "values" {
		value = map[string]any{"text": c.Value.Text, "evidence": c.Value.Evidence}
	}
	at := tree
	for i, part := range parts {
		last := i == len(parts)-1
		switch x := at.(type) {
		case map[string]any:
			if last {
				x[part] = value
			}
			at = x[part]
		case []any:
			n, err := strconv.Atoi(part)
			if err != nil || n < 0 || n >= len(x) || last {
				return nil, fmt.Errorf("there is no %s", c.Corrects.Path)
			}
			at = x[n]
		default:
			return nil, fmt.Errorf("there is no %s", c.Corrects.Path)
		}
	}
	if raw, err = json.Marshal(tree); err != nil {
		return nil, err
	}
	return decodeBody(kind, raw)
}

// valueAt reads a value, or a plain text as one without evidence.
func valueAt(body any, path string) (Value, bool) {
	raw, err := encodeBody(body)
	if err != nil {
		return Value{}, false
	}
	var at any
	if err := json.Unmarshal(raw, &at); err != nil {
		return Value{}, false
	}
	for _, part := range strings.Split(strings.TrimPrefix(path, "/"), "/") {
		switch x := at.(type) {
		case map[string]any:
			at = x[part]
		case []any:
			n, err := strconv.Atoi(part)
			if err != nil || n < 0 || n >= len(x) {
				return Value{}, false
			}
			at = x[n]
		default:
			return Value{}, false
		}
	}
	switch x := at.(type) {
	case string:
		return Value{Text: x}, true
	case map[string]any:
		text, okText := x["text"].(string)
		evidence, okEvidence := x["evidence"].(string)
		return Value{Text: text, Evidence: evidence}, okText && okEvidence
	}
	return Value{}, false
}
