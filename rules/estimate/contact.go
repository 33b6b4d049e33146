package estimate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"tapledger/rules/estimate/det"
)

// Point is one reading of a contact-time series: a value at a time.
type Point struct{ T, Y float64 }

// ContactOptions says what is held fixed and where to begin.
type ContactOptions struct {
	// Origin is a known value at time zero; nil lets it be fitted.
	Origin *float64
	// Start is a first guess of the rate. Zero takes one from the readings. The
	// outcome does not depend on it, only the grid that is searched begins there.
	Start float64
}

// Contact is the curve c(t) = C0 + A (1 - exp(-K t)) that fits best, with
// standard deviations, and limits of 95 %.
type Contact struct {
	C0, A, K, Plateau         float64 // Plateau is C0 + A
	SdC0, SdA, SdK, SdPlateau float64 // SdC0 is zero when the origin is given
	RSS, S                    float64 // residual sum of squares; residual standard deviation
	Free                      int     // degrees of freedom
	KLimits, PlateauLimits    Limits
}

// Limits are the ends of a profile likelihood interval: every value for which
// the best fit of all else leaves a residual sum of squares of at most
// RSS (1 + t^2/Free), t Student's quantile for 95 % two-sided. An end that the
// readings do not bound is open, and its number means nothing.
type Limits struct {
	Low, High         float64
	LowOpen, HighOpen bool
}

// Refusals of a contact-time fit.
var (
	// ErrTooFew: fewer readings, or fewer different times, than the curve needs.
	ErrTooFew = errors.New("too few readings for a contact-time curve")
	// ErrNoRise: the best "curve" is flat after the first reading, which says
	// nothing about a rate. This is the false optimum of such fits.
	ErrNoRise = errors.New("the readings do not change enough after the first to give a rate")
	// ErrNoPlateau: the best "curve" is a straight line; no plateau is in sight.
	ErrNoPlateau = errors.New("the readings still change along a straight line: no plateau is in sight")
)

// gridStep is the eighth root of two: the ratio of neighbouring rates tried.
const gridStep = 1.0905077326652577

// FitContact fits a contact-time curve by least squares. For each rate the
// best plateau (and origin) is a linear problem, so only the rate is searched:
// first on a grid from rates so slow that the curve is a straight line to so
// fast that it is flat, then by bisection of the derivative until nothing
// changes. The outcome therefore does not depend on a start. Checked against
// two reference sets of NIST StRD from both of their starts (NLS-1, NLS-2).
//
// Readings: at least two more than there are parameters (2 with a given
// origin, 3 without), at times not below zero, at as many different times as
// parameters and one more. Errors: ErrTooFew, ErrNoRise, ErrNoPlateau, or what
// is wrong with a reading.
func FitContact(points []Point, opt ContactOptions) (*Contact, error) {
	f, err := newContactFit(points, opt)
	if err != nil {
		return nil, err
	}
	at, err := f.valley()
	if err != nil {
		return nil, err
	}
	k := f.root(f.grid[at-1], f.grid[at+1])
	c := f.solve(k)
	out := &Contact{C0: c.c0, A: c.a, K: k, Plateau: c.c0 + c.a, RSS: c.rss, Free: len(f.p) - f.params}
	out.S = math.Sqrt(c.rss / float64(out.Free))
	f.spread(out)
	t, err := StudentQuantile(0.025, out.Free)
	if err != nil {
		return nil, err
	}
	most := float64(c.rss * (1 + float64(t*t)/float64(out.Free)))
	out.KLimits = f.rateLimits(at, k, most)
	out.PlateauLimits = f.plateauLimits(out, most)
	return out, nil
}

// contactFit is the working state of one fit.
type contactFit struct {
	p      []Point
	origin *float64
	params int
	grid   []float64
	rss    []float64
}

type linear struct{ c0, a, rss float64 }

func newContactFit(points []Point, opt ContactOptions) (*contactFit, error) {
	f := &contactFit{p: slices.Clone(points), origin: opt.Origin, params: 3}
	if opt.Origin != nil {
		f.params = 2
	}
	slices.SortStableFunc(f.p, func(a, b Point) int { return cmp.Compare(a.T, b.T) })
	times := map[float64]bool{}
	first := 0.0 // smallest time above zero
	for i, p := range f.p {
		if !(p.T >= 0) || math.IsInf(p.T, 0) || math.IsNaN(p.Y) || math.IsInf(p.Y, 0) {
			return nil, fmt.Errorf("reading %d is no number at a time from zero upwards", i+1)
		}
		if p.T > 0 && first == 0 {
			first = p.T
		}
		times[p.T] = true
	}
	if len(f.p) < f.params+2 || len(times) < f.params+1 || first == 0 {
		return nil, fmt.Errorf("%w: %d readings at %d times, and at least %d at %d are needed", ErrTooFew, len(f.p), len(times), f.params+2, f.params+1)
	}
	last := f.p[len(f.p)-1].T
	k := opt.Start
	if !(k > 0) || math.IsInf(k, 0) {
		k = 1 / last
	}
	for k > 1e-4/last {
		k /= gridStep
	}
	for ; k < 60/first; k *= gridStep {
		if k > 1e-5/last {
			f.grid = append(f.grid, k)
			f.rss = append(f.rss, f.solve(k).rss)
		}
	}
	return f, nil
}

// solve gives the best origin and height for a rate.
func (f *contactFit) solve(k float64) linear {
	n := float64(len(f.p))
	var c linear
	var mx, my float64
	if f.origin == nil {
		for _, p := range f.p {
			mx += rise(k, p.T)
			my += p.Y
		}
		mx, my = mx/n, my/n
	} else {
		my = *f.origin
	}
	var sxx, sxy float64
	for _, p := range f.p {
		x, y := rise(k, p.T)-mx, p.Y-my
		sxx += float64(x * x)
		sxy += float64(x * y)
	}
	if sxx > 0 {
		c.a = sxy / sxx
	}
	c.c0 = my - float64(c.a*mx)
	for _, p := range f.p {
		r := p.Y - c.c0 - float64(c.a*rise(k, p.T))
		c.rss += float64(r * r)
	}
	return c
}

// rise is 1 - exp(-k t) without cancellation.
func rise(k, t float64) float64 { return -det.Expm1(-float64(k * t)) }

// valley finds the grid's lowest point that is no end, and refuses the rest.
func (f *contactFit) valley() (int, error) {
	at, last := 0, len(f.rss)-1
	for i := range f.rss {
		if f.rss[i] < f.rss[at] {
			at = i
		}
	}
	// An end that is as good as the valley, to nine digits, is what the fit slid
	// to: flat at the fast end, a straight line at the slow one.
	clear := func(end float64) bool { return f.rss[at] < float64(end*(1-1e-9)) }
	switch {
	case !clear(f.rss[last]):
		return 0, ErrNoRise
	case at == 0 || at == last || !clear(f.rss[0]):
		return 0, ErrNoPlateau
	}
	return at, nil
}

// slope is half the derivative of the residual sum of squares by the rate, with
// the sign turned so that it rises through zero at the best rate.
func (f *contactFit) slope(k float64) float64 {
	c := f.solve(k)
	var s float64
	for _, p := range f.p {
		r := p.Y - c.c0 - float64(c.a*rise(k, p.T))
		s -= float64(r * float64(c.a*float64(p.T*det.Exp(-float64(k*p.T)))))
	}
	return s
}

// root bisects the slope between two rates around the valley.
func (f *contactFit) root(lo, hi float64) float64 {
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if f.slope(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	if f.solve(lo).rss < f.solve(hi).rss {
		return lo
	}
	return hi
}

// spread fills in the standard deviations: s^2 (J'J)^-1, by orthogonal columns.
func (f *contactFit) spread(out *Contact) {
	var cols [][]float64
	if f.origin == nil {
		cols = append(cols, make([]float64, len(f.p)))
	}
	x, q := make([]float64, len(f.p)), make([]float64, len(f.p))
	for i, p := range f.p {
		if f.origin == nil {
			cols[0][i] = 1
		}
		x[i] = rise(out.K, p.T)
		q[i] = float64(out.A * float64(p.T*det.Exp(-float64(out.K*p.T))))
	}
	inv := inverseTriangle(triangle(append(cols, x, q)))
	sd := func(weights ...float64) float64 { // of a weighted sum of the parameters
		var v float64
		for col := range inv {
			var s float64
			for row, w := range weights {
				s += float64(w * inv[row][col])
			}
			v += float64(s * s)
		}
		return float64(out.S * math.Sqrt(v))
	}
	if f.origin == nil {
		out.SdC0, out.SdA, out.SdK, out.SdPlateau = sd(1, 0, 0), sd(0, 1, 0), sd(0, 0, 1), sd(1, 1, 0)
		return
	}
	out.SdA, out.SdK, out.SdPlateau = sd(1, 0), sd(0, 1), sd(1, 0)
}

// triangle is R of the QR decomposition of columns, by modified Gram-Schmidt,
// done twice so that nearly parallel columns lose no digits. cols is used up.
func triangle(cols [][]float64) [][]float64 {
	n := len(cols)
	r := make([][]float64, n)
	for i := range r {
		r[i] = make([]float64, n)
	}
	for j := range cols {
		for range 2 {
			for i := range j {
				d := dot(cols[i], cols[j])
				r[i][j] += d
				for k := range cols[j] {
					cols[j][k] -= float64(d * cols[i][k])
				}
			}
		}
		r[j][j] = math.Sqrt(dot(cols[j], cols[j]))
		for k := range cols[j] {
			cols[j][k] /= r[j][j]
		}
	}
	return r
}

func inverseTriangle(r [][]float64) [][]float64 {
	n := len(r)
	inv := make([][]float64, n)
	for i := range inv {
		inv[i] = make([]float64, n)
	}
	for j := range n {
		inv[j][j] = 1 / r[j][j]
		for i := j - 1; i >= 0; i-- {
			var s float64
			for k := i + 1; k <= j; k++ {
				s += float64(r[i][k] * inv[k][j])
			}
			inv[i][j] = -s / r[i][i]
		}
	}
	return inv
}

func dot(a, b []float64) float64 {
	var s float64
	for i := range a {
		s += float64(a[i] * b[i])
	}
	return s
}
