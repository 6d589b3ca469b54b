package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"

	"quadtally/stats/dist"
)

// A StudentisedResidual is one residual in units of its own standard error.
type StudentisedResidual struct {
	// Internal divides by the error SD of all observations, External by that
	// of the others alone; the latter has a t distribution.
	Internal, External float64
	// Cook is Cook's distance, how far the fit would move without the
	// observation (Cook 1977, Technometrics 19, 15-18).
	Cook float64
	// P is the two-sided p value of External, PBonferroni the same adjusted
	// for having looked at every observation.
	P, PBonferroni float64
	// Defined is false where the fit passes through the observation whatever
	// its value (leverage one) or nothing is left over to judge it by; Note
	// says which.
	Defined bool
	Note    string
}

// Studentise returns the studentised residuals of a least-squares fit with
// their outlier p values (Cook and Weisberg 1982, Residuals and Influence in
// Regression, ch. 2), from residuals, leverages (diagonal of the hat matrix)
// and residual degrees of freedom. It informs; nothing is ever dropped on its
// word. External residuals need df of at least 2.
func Studentise(residuals, leverages []float64, df int) ([]StudentisedResidual, error) {
	if len(residuals) != len(leverages) {
		return nil, fmt.Errorf("%d residuals but %d leverages: need one of each an observation", len(residuals), len(leverages))
	}
	out := make([]StudentisedResidual, len(residuals))
	all := func(note string) []StudentisedResidual {
		for i := range out {
			out[i].Note = note
		}
		return out
	}
	if df < 2 {
		return all(fmt.Sprintf("residual df %d: need 2 to judge one residual by the others", df)), nil
	}
	sse := floats.Dot(residuals, residuals)
	if sse == 0 {
		return all("the model fits every observation perfectly"), nil
	}
	d := float64(df)
	tested := 0
	for i, e := range residuals {
		h := leverages[i]
		if h > 1-1e-10 {
			out[i].Note = "the fit passes through this observation whatever its value (leverage 1)"
			continue
		}
		r := &out[i]
		r.Internal = e / math.Sqrt(sse/d*(1-h))
		r.Cook = r.Internal * r.Internal * h / (1 - h) / (float64(len(residuals)) - d)
		rest := d - r.Internal*r.Internal // share of the error left by the others
		if rest <= 1e-12*d {
			r.Note = "the other observations leave no error: any deviation would stand out"
			continue
		}
		r.External = r.Internal * math.Sqrt((d-1)/rest)
		r.P, r.Defined = outlierP(r.External, df), true
		tested++
	}
	for i := range out {
		if out[i].Defined {
			out[i].PBonferroni = math.Min(1, float64(tested)*out[i].P)
		}
	}
	return out, nil
}

// outlierP is the two-sided p value of an external studentised residual.
func outlierP(external float64, df int) float64 {
	return must(dist.TTwoSided(external, float64(df-1)))
}

// AdditiveDesign returns the columns of the model mean + first factor + second
// factor + ..., given the label of each observation for each factor: a
// constant and an indicator a level. The columns are not independent; the
// functions that take them do not mind.
func AdditiveDesign(factors ...[]string) ([][]float64, error) {
	if len(factors) == 0 || len(factors[0]) == 0 {
		return nil, fmt.Errorf("no factor: need the label of each observation")
	}
	n := len(factors[0])
	one := make([]float64, n)
	for i := range one {
		one[i] = 1
	}
	columns := [][]float64{one}
	for f, labels := range factors {
		if len(labels) != n {
			return nil, fmt.Errorf("factor %d has %d labels where factor 1 has %d", f+1, len(labels), n)
		}
		names, of := indexLabels(labels)
		indicator := make([][]float64, len(names))
		for j := range indicator {
			indicator[j] = make([]float64, n)
		}
		for i, j := range of {
			indicator[j][i] = 1
		}
		columns = append(columns, indicator...)
	}
	return columns, nil
}

// space is an orthonormal basis of the column space of a design.
type space [][]float64

// spanOf orthogonalises the columns one after the other, each twice, which
// keeps the basis orthogonal to rounding (Giraud, Langou and Rozloznik 2005),
// and leaves out those that follow from the ones before.
func spanOf(columns [][]float64) space {
	var basis space
	for _, c := range columns {
		size := floats.Norm(c, 2)
		v := basis.residual(basis.residual(c))
		if left := floats.Norm(v, 2); left > 1e-9*size {
			floats.Scale(1/left, v)
			basis = append(basis, v)
		}
	}
	return basis
}

// residual returns what the space leaves of y.
func (s space) residual(y []float64) []float64 {
	e := append([]float64(nil), y...)
	for _, b := range s {
		floats.AddScaled(e, -floats.Dot(b, e), b)
	}
	return e
}

// checkDesign reports a response and design that do not fit together.
func checkDesign(y []float64, columns [][]float64) error {
	if len(y) == 0 {
		return fmt.Errorf("no observations")
	}
	if err := allFinite(y); err != nil {
		return err
	}
	for j, c := range columns {
		if len(c) != len(y) {
			return fmt.Errorf("design column %d has %d entries for %d observations", j+1, len(c), len(y))
		}
		if err := allFinite(c); err != nil {
			return fmt.Errorf("design column %d: %w", j+1, err)
		}
	}
	return nil
}

// NonAdditivity is Tukey's one-degree-of-freedom test of whether treatment
// effects grow with block effects, as they do when effects multiply (Tukey
// 1949, Biometrics 5, 232-242): the squared fitted values, less what the
// additive model explains of them, are tried as one more regressor. y, rows
// and columns have one entry a plot; plots may be missing and cells may
// repeat. The second result is its sum of squares, the third the residual sum
// of squares that remains.
func NonAdditivity(y []float64, rows, columns []string) (test Test, ss, left float64, err error) {
	const name = "Tukey non-additivity"
	design, err := AdditiveDesign(rows, columns)
	if err != nil {
		return Test{}, 0, 0, err
	}
	if err := checkDesign(y, design); err != nil {
		return Test{}, 0, 0, err
	}
	basis := spanOf(design)
	df := float64(len(y) - len(basis) - 1)
	if df < 1 {
		return undefinedTest(name, fmt.Sprintf("residual df %d: need 2", len(y)-len(basis))), 0, 0, nil
	}
	mean := floats.Sum(y) / float64(len(y))
	e := basis.residual(y)
	fitted := make([]float64, len(y)) // about the mean, which changes nothing
	floats.SubTo(fitted, y, e)
	floats.AddConst(-mean, fitted)
	largest := floats.Norm(fitted, math.Inf(1))
	if largest <= 1e-12*math.Max(math.Abs(mean), floats.Norm(y, math.Inf(1))) {
		return undefinedTest(name, "no differences between rows or columns to multiply"), 0, 0, nil
	}
	square := make([]float64, len(y))
	for i, f := range fitted {
		square[i] = f / largest * (f / largest)
	}
	q := basis.residual(basis.residual(square))
	qq := floats.Dot(q, q)
	if qq < 1e-18 {
		return undefinedTest(name, "rows or columns do not differ: there is no product to try"), 0, 0, nil
	}
	sse := floats.Dot(e, e)
	eq := floats.Dot(e, q)
	ss = eq * eq / qq
	left = math.Max(0, sse-ss)
	if left <= 1e-12*sse || noSpread(sse, y) {
		return undefinedTest(name, "nothing is left over as error, so F has no finite value"), ss, left, nil
	}
	return fTest(name, ss/(left/df), 1, df), ss, left, nil
}

// A BoxCox is the profile likelihood of the power transformation y^lambda
// (Box and Cox 1964, JRSS B 26, 211-252): 1 no transformation, 0.5 square
// root, 0 logarithm.
type BoxCox struct {
	// Lambda is the most likely power between -4 and 4, MaxLogLik its
	// likelihood, constants dropped: -n/2 log(RSS/n) on the scale of the
	// geometric mean.
	Lambda, MaxLogLik float64
	// Lo and Hi are where the log-likelihood has come down from its maximum by
	// the drop that was asked for, searched for between -10 and 10; LoDefined and
	// HiDefined are false where it does not come down so far.
	Lo, Hi               float64
	LoDefined, HiDefined bool
	// Defined is false, and Note says why, where no power can be judged.
	Defined  bool
	Note     string
	Warnings []string
}

// BoxCoxPower returns the most likely power for a positive response and the
// columns of a linear model (see [AdditiveDesign]). It is information about
// the scale; the scale is fixed by the kind of response, not by this. The limits
// are where the log-likelihood has come down by drop: half the 95 % point of
// chi-square with 1 df gives the likelihood interval of Box and Cox, which is
// short where few residual df are left.
func BoxCoxPower(y []float64, design [][]float64, drop float64) (BoxCox, error) {
	if err := checkDesign(y, design); err != nil {
		return BoxCox{}, err
	}
	n := float64(len(y))
	logs := make([]float64, len(y))
	for i, v := range y {
		if v <= 0 {
			return BoxCox{Note: fmt.Sprintf("value %d is %v: powers need every value above 0", i+1, v)}, nil
		}
		logs[i] = math.Log(v)
	}
	basis := spanOf(design)
	if len(y) <= len(basis) {
		return BoxCox{Note: "no residual degrees of freedom"}, nil
	}
	meanLog := floats.Sum(logs) / n
	gm := math.Exp(meanLog)
	floats.AddConst(-meanLog, logs)
	// (y^l - 1)/(l gm^(l-1)) is gm expm1(l u)/l with u = log(y/gm), up to a
	// constant that the fitted mean takes up.
	z := make([]float64, len(y))
	rss := func(lambda float64) float64 {
		for i, u := range logs {
			z[i] = gm * u
			if lambda != 0 {
				z[i] = gm * math.Expm1(lambda*u) / lambda
			}
		}
		e := basis.residual(z)
		return floats.Dot(e, e)
	}
	if r := rss(1); r <= n*1e-26*gm*gm {
		return BoxCox{Note: "the model fits every observation perfectly on the raw scale"}, nil
	}
	loglik := func(lambda float64) float64 { return -n / 2 * math.Log(math.Max(rss(lambda), 1e-300)/n) }
	res := BoxCox{Defined: true}
	const edge, far = 4.0, 10.0
	res.Lambda = maximise(loglik, -edge, edge)
	res.MaxLogLik = loglik(res.Lambda)
	if edge-math.Abs(res.Lambda) < 1e-4 {
		res.Warnings = append(res.Warnings, "the likelihood still rises at a power of -4 or 4: no power is singled out")
	}
	above := func(l float64) float64 { return loglik(l) - (res.MaxLogLik - drop) }
	res.Lo, res.LoDefined = crossing(above, res.Lambda, -far)
	res.Hi, res.HiDefined = crossing(above, res.Lambda, far)
	return res, nil
}

// maximise returns the place of the largest value of f between lo and hi: the
// best of a grid, closed in on by golden section.
func maximise(f func(float64) float64, lo, hi float64) float64 {
	const cells = 32
	step := (hi - lo) / cells
	best := lo
	for i := range cells + 1 {
		if x := lo + float64(i)*step; f(x) > f(best) {
			best = x
		}
	}
	a, b := math.Max(lo, best-step), math.Min(hi, best+step)
	ratio := (math.Sqrt(5) - 1) / 2
	c, d := b-ratio*(b-a), a+ratio*(b-a)
	fc, fd := f(c), f(d)
	for b-a > 1e-9 {
		if fc > fd {
			b, d, fd = d, c, fc
			c = b - ratio*(b-a)
			fc = f(c)
		} else {
			a, c, fc = c, d, fd
			d = a + ratio*(b-a)
			fd = f(d)
		}
	}
	return (a + b) / 2
}

// crossing returns the place between inside, where f is not negative, and end
// where f turns negative, by bisection on the last quarter-unit step that
// shows it; false if f stays up to the end.
func crossing(f func(float64) float64, inside, end float64) (float64, bool) {
	step := math.Copysign(0.25, end-inside)
	in := inside
	for {
		out := in + step
		if math.Abs(out-inside) >= math.Abs(end-inside) {
			out = end
		}
		if f(out) < 0 {
			for math.Abs(out-in) > 1e-12*math.Max(1, math.Abs(in)) {
				mid := (in + out) / 2
				if mid == in || mid == out {
					break
				}
				if f(mid) < 0 {
					out = mid
				} else {
					in = mid
				}
			}
			return (in + out) / 2, true
		}
		if out == end {
			return 0, false
		}
		in = out
	}
}
