package runner

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"sort"

	"tapledger/audit"
)

// Newer says that a record's body was written in a format that this version
// does not know: its chain and signatures can be proven, its decisions not.
type Newer struct {
	Run    string
	Seq    int64
	Format string
}

// Error says what the format is and what to do.
func (n *Newer) Error() string {
	return fmt.Sprintf("run %s, record %d: body format %q was written by a newer version, cannot decide; use that version", n.Run, n.Seq, n.Format)
}

// Damage is a record that cannot be as it stands: this package would never
// have written it.
type Damage struct {
	Run  string
	Seq  int64
	Code string // body, order, decisions, refused
	Says string
}

// Error is the damage in one line.
func (d *Damage) Error() string {
	return fmt.Sprintf("run %s, record %d: %s", d.Run, d.Seq, d.Says)
}

// newBody returns an empty body of a kind, nil for a kind that body/1 lacks.
func newBody(kind string) any {
	switch kind {
	case KindOpened:
		return &Opened{}
	case KindStarted:
		return &Started{}
	case KindEntry:
		return &Entry{}
	case KindDraw:
		return &Draw{}
	case KindHandOver:
		return &HandOver{}
	case KindReport:
		return &Report{}
	case KindPart:
		return &Part{}
	case KindDeparture:
		return &Departure{}
	case KindCorrection:
		return &Correction{}
	case KindNote:
		return &Note{}
	case KindCautionRead:
		return &CautionRead{}
	case KindStopped:
		return &Stopped{}
	case KindResumed:
		return &Resumed{}
	case KindSecondPerson:
		return &SecondPerson{}
	case KindComplaint:
		return &Complaint{}
	case KindRemoved:
		return &Removed{}
	case KindRecovered:
		return &Recovered{}
	case KindClosed:
		return &Closed{}
	case KindReopened:
		return &Reopened{}
	case KindAbandoned:
		return &Abandoned{}
	}
	return nil
}

// Kinds lists every record kind of body/1, sorted.
func Kinds() []string {
	out := []string{KindOpened, KindStarted, KindEntry, KindDraw, KindHandOver, KindReport, KindPart, KindDeparture,
		KindCorrection, KindNote, KindCautionRead, KindStopped, KindResumed, KindSecondPerson, KindComplaint,
		KindRemoved, KindRecovered, KindClosed, KindReopened, KindAbandoned}
	sort.Strings(out)
	return out
}

// common gives the part that every body holds.
func common(body any) *Common {
	v := reflect.ValueOf(body)
	if v.Kind() != reflect.Pointer || v.IsNil() {
		return nil
	}
	c, ok := v.Elem().FieldByName("Common").Addr().Interface().(*Common)
	if !ok {
		return nil
	}
	return c
}

// DecodeBody reads a record's body strictly: a pointer to the type of its kind
// (*Entry, *Draw, ...). Another body format gives *Newer; an unknown kind or
// field, or a value of another type, gives *Damage.
func DecodeBody(r audit.Record) (any, error) {
	if f := r.BodyFormat(); f != BodyFormat {
		if f == "" {
			return nil, &Damage{Run: r.Run, Seq: r.Seq, Code: "body", Says: "the body has no format"}
		}
		return nil, &Newer{Run: r.Run, Seq: r.Seq, Format: f}
	}
	b, err := decodeBody(r.Kind, r.Body)
	if err != nil {
		return nil, &Damage{Run: r.Run, Seq: r.Seq, Code: "body", Says: err.Error()}
	}
	return b, nil
}

func decodeBody(kind string, raw []byte) (any, error) {
	b := newBody(kind)
	if b == nil {
		return nil, fmt.Errorf("no record of kind %q in %s; the kinds are %v", kind, BodyFormat, Kinds())
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if err := d.Decode(b); err != nil {
		return nil, fmt.Errorf("the body of this %s record: %w", kind, err)
	}
	if d.More() {
		return nil, fmt.Errorf("the body of this %s record is followed by more text", kind)
	}
	return b, nil
}

// encodeBody writes a body as canonical JSON without a line feed.
func encodeBody(body any) (json.RawMessage, error) {
	b, err := audit.Marshal(body)
	if err != nil {
		return nil, err
	}
	return json.RawMessage(bytes.TrimSuffix(b, []byte("\n"))), nil
}

// copyBody makes an own copy of a proposal's body, whether it came as a value
// or a pointer, and holds it to the type of its kind.
func copyBody(kind string, body any) (any, error) {
	want := newBody(kind)
	if want == nil {
		return nil, fmt.Errorf("there is no record of kind %q; the kinds are %v", kind, Kinds())
	}
	v := reflect.ValueOf(body)
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return nil, fmt.Errorf("a %s record needs a body", kind)
		}
		v = v.Elem()
	}
	if !v.IsValid() || v.Type() != reflect.TypeOf(want).Elem() {
		return nil, fmt.Errorf("a %s record needs a body of type %T, not %T", kind, want, body)
	}
	raw, err := encodeBody(withoutNil(v).Interface())
	if err != nil {
		return nil, err
	}
	return decodeBody(kind, raw)
}

// withoutNil copies a body with empty lists and maps for nil ones, since
// records know no null.
func withoutNil(v reflect.Value) reflect.Value {
	c := reflect.New(v.Type()).Elem()
	c.Set(v)
	switch v.Kind() {
	case reflect.Struct:
		for i := range c.NumField() {
			c.Field(i).Set(withoutNil(v.Field(i)))
		}
	case reflect.Slice:
		c.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		for i := range v.Len() {
			c.Index(i).Set(withoutNil(v.Index(i)))
		}
	case reflect.Map:
		c.Set(reflect.MakeMap(v.Type()))
		for it := v.MapRange(); it.Next(); {
			c.SetMapIndex(it.Key(), it.Value())
		}
	}
	return c
}
