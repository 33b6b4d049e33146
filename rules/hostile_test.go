package rules

import (
	"fmt"
	"strings"
	"testing"

	"tapledger/rules/quantity"
)

var deep = strings.Repeat("(", 200) + "true" + strings.Repeat(")", 200)

// refused lists expressions with the place and words of their first fault.
var refused = []struct {
	src       string
	line, col int
	says      string
	hint      string
}{
	// dimensions
	{`reading.volume > qty("30 min")`, 1, 16, "cannot compare a volume with a time (operator >)", ""},
	{`reading.volume + reading.time > qty("1 L")`, 1, 16, "cannot add a volume and a time (operator +)", ""},
	{`reading.volume - reading.time > qty("1 L")`, 1, 16, "cannot subtract a volume and a time", ""},
	{`reading.volume * reading.volume > qty("1 L")`, 1, 16, "cannot multiply a volume by a volume", ""},
	{`reading.time / reading.pressure > qty("1 L")`, 1, 14, "cannot divide a time by a pressure", ""},
	{`reading.volume == reading.time`, 1, 16, "cannot compare a volume with a time (operator ==)", ""},
	{`reading.volume != reading.time`, 1, 16, "cannot compare a volume with a time", ""},
	{`reading.pressure > 5`, 1, 18, "cannot compare a pressure with a number", "qty()"},
	{`change(series.last, series.previous) <= 0.05`, 1, 38, "cannot compare a ratio with a number", `qty("5 %")`},
	{`reading.volume > "1 L"`, 1, 16, "cannot compare a volume with a text", "qty("},
	{`reading.temperature + reading.later > qty("1 Cel")`, 1, 21, "cannot add a temperature and a temperature", "no sum"},
	{`2 * reading.temperature > qty("1 Cel")`, 1, 3, "cannot multiply a number by a temperature", ""},
	{`reading.temperature - reading.later > qty("1 Cel")`, 1, 37, "cannot compare a temperature difference with a temperature", ""},
	{`change(reading.temperature, reading.later) < qty("5 %")`, 1, 1, "change() does not take a temperature and a temperature", "it takes"},
	{`2 * reading.ph > qty("1 pH")`, 1, 3, "cannot multiply a number by a pH", ""},
	{`mean(series.ph) > qty("7 pH")`, 1, 1, "mean() does not take a list (each a pH)", ""},
	{`rpd(reading.ph, reading.ph_before) < qty("5 %")`, 1, 1, "rpd() does not take a pH and a pH", ""},
	{`flush.began + flush.ended > flush.ended`, 1, 13, "cannot add a moment and a moment", ""},
	{`flush.began > reading.time`, 1, 13, "cannot compare a moment with a time", ""},
	{`analyte("lead").reduction > 0.9`, 1, 27, "cannot compare an interval of a ratio with a number", ""},
	{`analyte("lead").treated + qty("1 mg/L") > qty("1 mg/L")`, 1, 25, "cannot add a result and a concentration", ""},
	{`reduction(qty("1 mg/L"), qty("2 mg/L")) > qty("5 %")`, 1, 1, "reduction() does not take a concentration and a concentration", "reduction(untreated, treated)"},
	{`inspect.answer == true`, 1, 16, "cannot compare an answer with a statement that is true or false", "answers are yes, no"},
	{`inspect.answer == higher_confirmed`, 1, 16, "cannot compare an answer with a rise", ""},
	{`inspect.answer && true`, 1, 8, "this is an answer", "compare it with yes"},
	{`!inspect.answer`, 1, 1, "this is an answer", ""},
	{`reading.volume ? true : false`, 1, 16, "wanted before the ?", ""},
	{`(true ? reading.volume : reading.time) > qty("1 L")`, 1, 7, "both values of ? : must be of one type", ""},
	{`-reading.temperature > qty("1 Cel")`, 1, 1, "there is no opposite of a temperature", ""},
	{`number(reading.volume, "min") > 1`, 1, 24, "a volume has no value in min, which is a unit of time", ""},
	{`number(reading.volume, "mni") > 1`, 1, 24, `did you mean "min"`, ""},
	{`number(reading.volume, inspect.reason) > 1`, 1, 31, "a unit written out", ""},
	// literals
	{`reading.time < qty("30 mni")`, 1, 20, `unknown unit "mni"; did you mean "min"?`, ""},
	{`reading.time < qty("30")`, 1, 20, "the unit is missing", ""},
	{`reading.time < qty("")`, 1, 20, "missing", ""},
	{`reading.time < qty("1e400 s")`, 1, 20, "at most two digits", ""},
	{`reading.time < qty("` + strings.Repeat("9", 41) + ` s")`, 1, 20, "too long", ""},
	{`reading.time < qty(inspect.reason)`, 1, 27, "a text written out", ""},
	{`reading.time < qty("30 min", "x")`, 1, 16, `nothing here is called "qty"`, ""},
	{`series.count > .5`, 1, 16, "both sides of the point", ""},
	{`series.count > 0x10`, 1, 16, "is not a number", ""},
	{`series.count > 5u`, 1, 16, "only numbers, texts", ""},
	{`series.count > 1e400`, 1, 16, "cannot be read", ""},
	{`series.count > 99999999999999999999`, 1, 16, "cannot be read", ""},
	{`inspect.reason == b"x"`, 1, 19, "only numbers, texts", ""},
	{`inspect.reason == null`, 1, 19, "only numbers, texts", ""},
	// names
	{`reading.presure > qty("1 psi")`, 1, 9, `reading has no field "presure"`, `did you mean "pressure"?`},
	{`inspect.zzz == yes`, 1, 9, `inspect has no field "zzz"`, "its fields are answer, dry, reason"},
	{`inspct.answer == yes`, 1, 1, `nothing here is called "inspct"`, `did you mean "inspect"?`},
	{`inspect.answer == yse`, 1, 19, `nothing here is called "yse"`, `did you mean "yes"?`},
	{`chnage(series.last, series.previous) < qty("5 %")`, 1, 1, `nothing here is called "chnage"`, `did you mean "change"?`},
	{`analyte("led").treated < qty("1 ug/L")`, 1, 9, `no analyte "led"; did you mean "lead"?`, ""},
	{`analyte("x").treated < qty("1 ug/L")`, 1, 9, `no analyte "x"`, ""},
	{`analyte(inspect.reason).treated < qty("1 ug/L")`, 1, 16, "an id written out", ""},
	{`analyte("lead").trated < qty("1 ug/L")`, 1, 17, `an analyte has no field "trated"`, `did you mean "treated"?`},
	{`analyte("lead") == 1`, 1, 17, "whole analyte", ""},
	{`inspect == inspect`, 1, 9, "whole record (inspect)", ""},
	{`inspect`, 1, 1, "is not one value", "its fields are"},
	{`reading.volume.value > 1`, 1, 15, "a volume has no fields", ""},
	{`@analyte_lead.treated < qty("1 ug/L")`, 1, 1, `"@" has no meaning`, ""},
	// parts of CEL that are left out
	{`dyn(reading.volume) > dyn(reading.time)`, 1, 1, "there is no dyn", ""},
	{`type(reading.volume) == type(reading.time)`, 1, 1, `nothing here is called "type"`, ""},
	{`has(inspect.answer)`, 1, 1, "there is no has", "recorded("},
	{`inspect.reason.matches("(a+)+$")`, 1, 23, "no patterns", ""},
	{`inspect.reason.contains("x")`, 1, 16, `nothing here is called "contains"`, ""},
	{`size(series.values) > 1`, 1, 1, "there is no size", "count(list)"},
	{`series.values[0] > qty("1 uS/cm")`, 1, 14, "not picked by number", "first"},
	{`series.count % 2 == 0`, 1, 14, "no remainder", ""},
	{`yes in [yes, no]`, 1, 5, "there is no in", "exists"},
	{`{"a": 1}.all(k, true)`, 1, 1, "no maps", ""},
	{`{"a": 1} == {"a": 1}`, 1, 1, "no maps", ""},
	{`google.protobuf.Timestamp{seconds: 1} == flush.began`, 1, 26, "no maps or structures", ""},
	{`timestamp("2026-01-01T00:00:00Z") < flush.began`, 1, 1, `nothing here is called "timestamp"`, ""},
	{`flush.began.getHours() > 1`, 1, 21, `nothing here is called "getHours"`, ""},
	{`duration("1s") < flush.elapsed`, 1, 1, `nothing here is called "duration"`, ""},
	{`now() > flush.began`, 1, 1, `nothing here is called "now"`, ""},
	{`string(series.count) == "3"`, 1, 1, `nothing here is called "string"`, ""},
	{`"a" + "b" == "ab"`, 1, 5, "cannot add a text and a text", ""},
	{`series.values.exists_one(v, v > qty("1 uS/cm"))`, 1, 15, `nothing here is called`, ""},
	{`[1, qty("1 L")] .all(v, true)`, 1, 1, "must be of one type", ""},
	{`count([]) == 0`, 1, 7, "must be of one type", ""},
	{`max([1, qty("1 L")]) > 0`, 1, 5, "must be of one type", ""},
	{`series.count.all(v, true)`, 1, 7, "only a list can be looped over", ""},
	{`series.values == series.values`, 1, 15, "cannot compare a list", ""},
	// limits
	{deep, 1, 1, "nested too deeply", ""},
	{strings.Repeat("!", 3000) + "true", 0, 0, "", ""}, // collapsed by the parser: harmless either way
	{"1" + strings.Repeat(" + 1", 600) + " > 0", 1, 1, "nested too deeply", ""},
	{strings.Repeat("true && ", 510) + "true", 1, 1, "at most 4000", ""},
	{"[" + strings.Repeat("1,", 1950) + "1].all(v, v == 1)", 1, 1, "too many parts", ""},
	{strings.Repeat("x", 4001), 1, 1, "at most 4000", ""},
	{`series.values.all(a, series.values.all(b, series.values.all(c, a == c)))`, 1, 60, "at most 2 loops", ""},
	// text and syntax
	{``, 1, 1, "empty", ""},
	{" \n\t ", 1, 1, "empty", ""},
	{"true\x00", 1, 5, "control character", ""},
	{"true &&\n \x07true", 2, 2, "control character", ""},
	{"inspect.reason == \"\xff\"", 1, 20, "control character", ""},
	{`reading.volume >`, 1, 17, "ends too early", ""},
	{`inspect.answer = yes`, 1, 16, `"=" has no meaning here`, "write =="},
	{`inspect.answer == yes)`, 1, 22, `")" cannot stand here`, ""},
	{`(inspect.answer == yes`, 1, 23, `")" is missing here`, ""},
	{`inspect.answer == 'yes`, 1, 19, "has no meaning", ""},
	{`# note`, 1, 1, `"#" has no meaning`, ""},
	{`if.answer == yes`, 1, 1, `reserved word`, ""},
	{"true &&\n reading.volume > qty(\"1 min\")", 2, 17, "cannot compare a volume with a time", ""},
	{"é == yes", 1, 1, "has no meaning here", ""},
}

// TestRefused: each expression is refused at its place, in the trade's words.
func TestRefused(t *testing.T) {
	e := corpusEnv(t)
	for _, c := range refused {
		name := c.src
		if len(name) > 50 {
			name = name[:50] + "..."
		}
		x, faults := e.Compile(c.src, Bool)
		if c.line == 0 {
			continue // either outcome will do, as long as it ends
		}
		if len(faults) == 0 {
			t.Errorf("%s: taken as %v", name, x.Type())
			continue
		}
		f := faults[0]
		if f.Line != c.line || f.Col != c.col || !strings.Contains(f.Says, c.says) || !strings.Contains(f.Hint, c.hint) {
			t.Errorf("%s:\n  %v\n  wanted %d:%d: %s (%s)", name, f, c.line, c.col, c.says, c.hint)
		}
		for _, f := range faults {
			if strings.Contains(f.Says, "_") && strings.Contains(f.Says, "overload") || strings.Contains(f.Says, "Quantity(") || strings.Contains(f.Says, "no matching") {
				t.Errorf("%s: the words are CEL's: %s", name, f.Says)
			}
		}
	}
}

func TestWanted(t *testing.T) {
	e := corpusEnv(t)
	volume := QuantityOf(quantity.Volume)
	for _, c := range []struct {
		src  string
		want Type
		says string
	}{
		{`inspect.answer`, Bool, "a statement that is true or false is wanted here, and this is an answer"},
		{`reading.volume`, Bool, "this is a volume"},
		{`reading.time`, volume, "a volume is wanted here, and this is a time"},
		{`reading.volume`, Number, "a number is wanted here, and this is a volume"},
		{`series.values`, QuantityOf(quantity.Conductivity), "this is a list (each a conductivity)"},
		{`analyte("lead").reduction`, QuantityOf(quantity.Ratio), "this is an interval of a ratio"},
		{`series.count`, QuantityOf(quantity.Ratio), "this is a number"},
	} {
		if _, fs := e.Compile(c.src, c.want); len(fs) != 1 || !strings.Contains(fs[0].Says, c.says) || fs[0].Col != 1 {
			t.Errorf("%s as %s: %v", c.src, c.want, fs)
		}
	}
	for src, want := range map[string]Type{`reading.volume`: volume, `inspect.dry`: Bool, `flush.began`: Moment, `inspect.reason`: Text, `series.values`: ListOf(QuantityOf(quantity.Conductivity)),
		`analyte("lead").rise`: Rise, `analyte("lead").treated`: Result, `analyte("lead").margin`: IntervalOf(quantity.Ratio), `1 / 3`: Number, `yes`: Answer} {
		if x, fs := e.Compile(src, want); len(fs) > 0 || x.Type() != want {
			t.Errorf("%s as %s: %v", src, want, fs)
		}
	}
}

// TestAllFaults: every fault of an expression is given, by place.
func TestAllFaults(t *testing.T) {
	_, fs := corpusEnv(t).Compile(`reading.presure > qty("1 psi") && inspct.answer == yes && reading.volume > reading.time`, Bool)
	var got []string
	for _, f := range fs {
		got = append(got, fmt.Sprintf("%d", f.Col))
	}
	if strings.Join(got, " ") != "9 35 74" {
		t.Errorf("faults: %v", fs)
	}
}

func TestNewEnvRefuses(t *testing.T) {
	f := []Field{{"value", Number}}
	for _, c := range []struct {
		level int
		v     Vocabulary
		says  string
	}{
		{2, Vocabulary{}, "engine level 2 is not known"},
		{0, Vocabulary{}, "engine level 0 is not known"},
		{1, Vocabulary{Records: []Record{{"Pressure", f}}}, "no id"},
		{1, Vocabulary{Records: []Record{{"in", f}}}, "reserved"},
		{1, Vocabulary{Records: []Record{{"mean", f}}}, "reserved"},
		{1, Vocabulary{Records: []Record{{"yes", f}}}, "reserved"},
		{1, Vocabulary{Records: []Record{{"qty", f}}}, "reserved"},
		{1, Vocabulary{Records: []Record{{"a", f}, {"a", f}}}, "stands twice"},
		{1, Vocabulary{Records: []Record{{"a", []Field{{"value", Number}, {"value", Text}}}}}, "stands twice"},
		{1, Vocabulary{Records: []Record{{"a", []Field{{"for", Number}}}}}, "reserved"},
		{1, Vocabulary{Records: []Record{{"a", []Field{{"value", Type{}}}}}}, "no type"},
		{1, Vocabulary{Analytes: []string{"lead"}, AnalyteFields: []Field{{"a-b", Number}}}, "no id"},
	} {
		if _, err := NewEnv(c.level, c.v); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, wanted %q", c.v, err, c.says)
		}
	}
	// Names that CEL uses for types, and those of its loops, are free.
	for _, name := range []string{"list", "string", "bytes", "int", "map", "filter", "all", "step", "size", "stand", "timestamp"} {
		e, err := NewEnv(1, Vocabulary{Records: []Record{{name, f}}})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		x, fs := e.Compile(name+".value == 1", Bool)
		if len(fs) > 0 {
			t.Errorf("%s: %v", name, fs)
			continue
		}
		if d := x.Judge(nil); d.State != Awaiting || d.Awaits[0] != name+".value" {
			t.Errorf("%s: %v", name, d)
		}
	}
	for _, w := range []string{"yes", "in", "mean", "qty", "not_distinguishable", "change"} {
		if !contains(Reserved(), w) {
			t.Errorf("%s is not reserved", w)
		}
	}
}

func contains(xs []string, x string) bool {
	for _, y := range xs {
		if x == y {
			return true
		}
	}
	return false
}
