package estimate

import (
	"fmt"
	"math"
)

// Component is one part of a first-order uncertainty: its contribution to the
// combined standard uncertainty (sensitivity times standard uncertainty, same
// unit for all) and its degrees of freedom; Free 0 means that it is known
// without end.
type Component struct {
	U    float64
	Free float64
}

// Combined is the root of the sum of squares of the components, with the
// effective degrees of freedom by Welch and Satterthwaite, 0 when all parts
// are known without end (JCGM 100:2008, 5.1.2 and G.4.1; check value GUM-H1,
// inputs and answers from memory).
//
// Errors: no component, a negative or non-finite one.
func Combined(parts []Component) (u, free float64, err error) {
	if len(parts) == 0 {
		return 0, 0, fmt.Errorf("an uncertainty needs at least one component")
	}
	var sum, below float64
	for i, p := range parts {
		if !(p.U >= 0) || math.IsInf(p.U, 0) || !(p.Free >= 0) {
			return 0, 0, fmt.Errorf("component %d of the uncertainty is not a number from zero upwards", i+1)
		}
		v := float64(p.U * p.U)
		sum += v
		if p.Free > 0 {
			below += float64(float64(v*v) / p.Free)
		}
	}
	if below > 0 {
		free = float64(sum*sum) / below
	}
	return math.Sqrt(sum), free, nil
}
