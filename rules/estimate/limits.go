package estimate

import (
	"math"

	"tapledger/rules/estimate/det"
)

// rateLimits walks from the valley to both sides until the residual sum of
// squares exceeds most, and bisects there.
func (f *contactFit) rateLimits(at int, k, most float64) Limits {
	inside := func(k float64) bool { return f.solve(k).rss <= most }
	out := Limits{LowOpen: true, HighOpen: true}
	good := k
	for i := at - 1; i >= 0; i-- {
		if f.grid[i] < k && f.rss[i] > most {
			out.Low, out.LowOpen = edge(good, f.grid[i], inside), false
			break
		}
		good = min(good, f.grid[i])
	}
	good = k
	for i := at + 1; i < len(f.grid); i++ {
		if f.grid[i] > k && f.rss[i] > most {
			out.High, out.HighOpen = edge(good, f.grid[i], inside), false
			break
		}
		good = max(good, f.grid[i])
	}
	return out
}

// edge bisects between a value inside and one outside until nothing changes.
func edge(in, outside float64, inside func(float64) bool) float64 {
	for range 200 {
		mid := in + (outside-in)/2
		if mid == in || mid == outside {
			break
		}
		if inside(mid) {
			in = mid
		} else {
			outside = mid
		}
	}
	return in
}

// plateauLimits does the same for the plateau: for each plateau tried, the best
// rate is searched anew.
func (f *contactFit) plateauLimits(c *Contact, most float64) Limits {
	inside := func(p float64) bool { return f.bestFor(p) <= most }
	side := func(sign float64) (float64, bool) {
		good, step := c.Plateau, c.SdPlateau
		for range 40 { // doubling: about 10^12 standard deviations
			next := c.Plateau + float64(sign*step)
			if next == good || math.IsInf(next, 0) {
				return 0, true
			}
			if !inside(next) {
				return edgeSteps(good, next, inside, 60), false
			}
			good, step = next, 2*step
		}
		return 0, true
	}
	var out Limits
	out.Low, out.LowOpen = side(-1)
	out.High, out.HighOpen = side(1)
	// A rate without a lower limit is a straight line, whose plateau lies
	// nowhere; the grid of rates would end it somewhere.
	if c.KLimits.LowOpen && c.A >= 0 {
		out.High, out.HighOpen = 0, true
	}
	if c.KLimits.LowOpen && c.A < 0 {
		out.Low, out.LowOpen = 0, true
	}
	return out
}

func edgeSteps(in, outside float64, inside func(float64) bool, steps int) float64 {
	for range steps {
		mid := in + (outside-in)/2
		if inside(mid) {
			in = mid
		} else {
			outside = mid
		}
	}
	return in
}

// goldenSteps narrows a bracket of two grid steps to about 1e-13 of itself.
const goldenSteps = 64

// bestFor is the smallest residual sum of squares over all rates when the
// plateau is held: every fourth rate of the grid, then a golden section.
func (f *contactFit) bestFor(plateau float64) float64 {
	const coarse = 4
	at, best := 0, math.Inf(1)
	for i := 0; i < len(f.grid); i += coarse {
		if r := f.held(plateau, f.grid[i]); r < best {
			at, best = i, r
		}
	}
	lo, hi := f.grid[max(0, at-coarse)], f.grid[min(len(f.grid)-1, at+coarse)]
	const g = 0.6180339887498949
	x, y := hi-float64(g*(hi-lo)), lo+float64(g*(hi-lo))
	fx, fy := f.held(plateau, x), f.held(plateau, y)
	for range goldenSteps {
		if fx < fy {
			hi, y, fy = y, x, fx
			x = hi - float64(g*(hi-lo))
			fx = f.held(plateau, x)
		} else {
			lo, x, fx = x, y, fy
			y = lo + float64(g*(hi-lo))
			fy = f.held(plateau, y)
		}
	}
	return min(best, fx, fy)
}

// held is the residual sum of squares of plateau - a exp(-k t): with a given
// origin a is what is left to the plateau, else it is the best one.
func (f *contactFit) held(plateau, k float64) float64 {
	var a float64
	if f.origin != nil {
		a = plateau - *f.origin
	} else {
		var see, sey float64
		for _, p := range f.p {
			e := det.Exp(-float64(k * p.T))
			see += float64(e * e)
			sey += float64(e * (plateau - p.Y))
		}
		if see > 0 {
			a = sey / see
		}
	}
	var rss float64
	for _, p := range f.p {
		r := p.Y - plateau + float64(a*det.Exp(-float64(k*p.T)))
		rss += float64(r * r)
	}
	return rss
}
