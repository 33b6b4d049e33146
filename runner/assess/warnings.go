package assess

import (
	"fmt"
	"strings"

	"tapledger/runner/lab"
)

// warningWords says what a warning about a report means, after its number; {1}
// and so on stand for the warning's arguments.
var warningWords = map[string]string{
	lab.WarnSwapped:      "the treated sample {2} holds more than the untreated one {1} of {3} ions, as if they had been swapped",
	lab.WarnAlike:        "the samples {1} and {2} are alike in {3} ions, as if the same water had been bottled twice",
	lab.WarnShifted:      "the blank {1} holds more than the sample {2} of {3} ions, as if the sample ids had been shifted",
	lab.WarnBlank:        "the blank {1} holds more {3} than the sample {2}",
	lab.WarnSameValue:    "{1} is {2} in all {3} samples",
	lab.WarnSameNumber:   "{3} analytes of the sample {1} all have the number {2}",
	lab.WarnBelowLimit:   "{2} of the sample {1}, {3}, lies below its own limit of {4}",
	lab.WarnFactor:       "{1} is {3} for {2} and {5} for {4}, as if a unit were off by a factor of 1000",
	lab.WarnDissolved:    "{2} of the sample {1} is {3} dissolved and {4} in total",
	lab.WarnNitrate:      "nitrate of the sample {1}, {2}, would be {3} if it were expressed the other way",
	lab.WarnHardness:     "the hardness of the sample {1}, {2}, does not fit its calcium and magnesium, {3}",
	lab.WarnCations:      "the sample {1} has more cations than anions, {2}, which ions that were not measured can explain",
	lab.WarnAnions:       "the sample {1} has more anions than cations, {2}",
	lab.WarnConductivity: "the conductivity of the sample {1}, {2}, does not fit its ions",
	lab.WarnLimitDiffers: "{2} of the sample {1} is {3}, and the report names a limit of {4}",
	lab.WarnFractions:    "{2} of the sample {1} is reported in two fractions",
	lab.WarnForeign:      "{2} lines are about a sample that is not ours, {1}",
	lab.WarnMissing:      "a result that was ordered is missing for the sample {1}",
}

// warningArgs are a warning's arguments as named arguments of a finding.
func warningArgs(number, revision, code string, list []string) []Arg {
	out := args("number", number, "revision", revision, "warning", code)
	for i, a := range list {
		out = append(out, Arg{Name: fmt.Sprint(i + 1), Text: a})
	}
	return out
}

// warned puts a warning into words; a code that is not in the table is said as
// it stands.
func warned(code string, args map[string]string) string {
	if w, ok := warningWords[code]; ok {
		return fill(w, args)
	}
	return strings.ReplaceAll(code, "_", " ")
}

// told tells whether a report that counts already carries one of the warnings.
func (l *look) told(codes ...string) bool {
	for _, r := range l.st.Reports {
		if r.ReplacedBy != 0 {
			continue
		}
		for _, w := range r.Warnings {
			for _, c := range codes {
				if w.Code == c {
					return true
				}
			}
		}
	}
	return false
}
