package dist

import (
	"context"
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Sided says which differences from the control count as far out.
type Sided int

const (
	// TwoSided looks at the largest |t|.
	TwoSided Sided = iota
	// OneSided looks at the largest t. For differences below the control,
	// turn the signs of all t values.
	OneSided
)

// MaxComparisons is the largest number of comparisons [NewMaxT] takes.
const MaxComparisons = 100

// MaxT is the distribution of the largest of several correlated t values that
// share one error variance: the multivariate t of Dunnett's comparison with a
// control. Make one with [NewMaxT]; it may be used from several goroutines.
//
// Correlations come from common factors: rho_ij = lambda_i . lambda_j. One
// factor, the control mean, is all there is in completely randomised and
// complete block designs of any replication (Dunnett 1955, JASA 50,
// 1096-1121); every block with a missing plot adds one. Given the factors the
// comparisons are independent, so up to [maxFactors] of them are integrated
// exactly. What then remains is sampled by fixed lattice points and successive
// conditioning (Genz and Bretz 2009, Computation of Multivariate Normal and t
// Probabilities, ch. 4), and [MaxT.SF] gives an error estimate with the
// probability. There is no random element: the same question has the same
// answer.
type MaxT struct {
	ctx   context.Context
	k     int
	df    float64
	sided Sided

	factors factors
	groups  []loading // comparisons with equal loadings joined; unless sampled
	width   []float64 // narrowest feature of the integrand along each factor
	reach   []float64 // largest |loading| on each factor

	rule   trapezoid // fineness of the integrals
	beyond float64   // standard deviations integrated beyond the outermost peak
	bound  float64   // bound on the error of p from ignoring what the factors leave

	rest   [][]float64   // Cholesky factor of what one factor leaves; sampled only
	points [][][]float64 // lattice points by shift; sampled only

	tails []*tailTable // P(max > w) of the normal vector, by shift if sampled
}

// loading is a number n of comparisons with the same loadings on the factors
// and the standard deviation those leave.
type loading struct {
	lambda []float64
	sd, n  float64
}

// mostWork bounds the work for one value of the tail of the normal vector,
// counted in comparisons judged. A whole question (p values and a critical
// value) needs one to two hundred such values at about 50 ns a comparison.
const mostWork = 60_000

// NewMaxT returns the distribution for a correlation matrix of the
// comparisons (ones on the diagonal, positive definite, at most
// [MaxComparisons] rows) and the df of the common error variance, +Inf if it
// is known.
func NewMaxT(corr mat.Symmetric, df float64, sided Sided) (*MaxT, error) {
	return NewMaxTContext(context.Background(), corr, df, sided)
}

// NewMaxTContext is [NewMaxT] with a context whose end stops the work: from
// then on every method returns its error.
func NewMaxTContext(ctx context.Context, corr mat.Symmetric, df float64, sided Sided) (*MaxT, error) {
	if err := checkDF("df", df); err != nil {
		return nil, err
	}
	if sided != TwoSided && sided != OneSided {
		return nil, fmt.Errorf("sidedness %d is neither one-sided nor two-sided", sided)
	}
	if err := checkCorrelation(corr); err != nil {
		return nil, err
	}
	m := &MaxT{ctx: ctx, k: corr.SymmetricDim(), df: df, sided: sided}
	var f factors
	for count := 1; count <= maxFactors; count++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f = fitFactors(corr, count, f)
		bound := errorBound(corr, f)
		if bound > exactEnough {
			continue
		}
		m.setFactors(f)
		m.groups = joinLoadings(f)
		m.rule, m.beyond = fine, 8.5 // exp(-8.5^2/2) is below rounding
		if count > 1 || m.places()*len(m.groups) > mostWork {
			m.rule, m.beyond = coarse, 6.7
			m.bound = bound
		}
		if m.places()*len(m.groups) > mostWork {
			break // more factors cost more
		}
		m.tails = []*tailTable{newTailTable(m.independentSF, closePieces)}
		return m, nil
	}
	if err := m.setSampled(corr); err != nil {
		return nil, err
	}
	return m, nil
}

// DunnettQuantile returns the critical value c with P(max <= c) = p; p = 0.95
// gives the 5 % point: the largest of the |t| (or t) of comparisons with the
// given correlation matrix and df stays below it with that probability.
func DunnettQuantile(p float64, corr mat.Symmetric, df float64, sided Sided) (float64, error) {
	m, err := NewMaxT(corr, df, sided)
	if err != nil {
		return 0, err
	}
	return m.Quantile(p)
}

// SF returns P(max > t), the single-step adjusted p value of a comparison with
// statistic t, and an estimate of its absolute error (zero where the value is
// exact to rounding). Two-sided, t <= 0 gives 1.
func (m *MaxT) SF(t float64) (p, absErr float64, err error) {
	switch {
	case math.IsNaN(t):
		return 0, 0, errNaN("t")
	case math.IsInf(t, 1):
		return 0, 0, nil
	case math.IsInf(t, -1), t <= 0 && m.sided == TwoSided:
		return 1, 0, nil
	}
	if m.points == nil {
		p = m.overScale(t, m.tails[0])
		if err := m.ctx.Err(); err != nil {
			return 0, 0, err
		}
		if m.rule == fine {
			return p, 0, nil
		}
		return p, m.bound + 1e-9*p, nil
	}
	byShift := make([]float64, len(m.tails))
	var done sync.WaitGroup
	for i, tail := range m.tails {
		done.Go(func() { byShift[i] = m.overScale(t, tail) })
	}
	done.Wait()
	var sum, squares float64
	for _, q := range byShift {
		sum += q
		squares += q * q
	}
	if err := m.ctx.Err(); err != nil {
		return 0, 0, err
	}
	n := float64(len(m.tails))
	p = sum / n
	// Three standard errors of the mean over the shifts, and the table's.
	absErr = 3*math.Sqrt(math.Max(0, squares/n-p*p)/(n-1)) + 3e-6*p
	return p, absErr, nil
}

// overScale averages the tail of the normal vector beyond w = t s over s.
func (m *MaxT) overScale(t float64, tail *tailTable) float64 {
	peak := 1.0
	if t > 0 && !math.IsInf(m.df, 1) {
		peak = 1 / math.Hypot(1, t/math.Sqrt(m.df)) // the tail behaves as exp(-t^2 s^2/2)
	}
	return math.Min(1, m.rule.overScale(m.df, peak, spreadOfExtremes(m.k), func(s float64) float64 { return tail.at(t * s) }))
}

// Quantile returns the critical value c with P(max <= c) = p, 0 < p < 1.
func (m *MaxT) Quantile(p float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	alpha := 1 - p
	// A single t is a lower bound, Bonferroni an upper one.
	tail := alpha / float64(m.k)
	if m.sided == TwoSided {
		tail /= 2
	}
	start, err := TQuantile(1-tail, m.df)
	if err != nil {
		return 0, err
	}
	// No closer than the probability itself is known.
	tol := sharpest
	switch {
	case m.points != nil:
		tol = 1e-6
	case m.bound > 0:
		tol = 1e-10
	}
	sf := func(t float64) float64 { p, _, _ := m.SF(t); return p }
	var c float64
	if m.sided == TwoSided {
		c, err = upperPointWithin(tol, sf, alpha, start)
	} else {
		// One-sided critical values may be negative for small p.
		la := math.Log(alpha)
		c, err = solveFalling(tol, func(t float64) float64 { return math.Log(sf(t)) - la }, start)
	}
	if stopped := m.ctx.Err(); stopped != nil {
		return 0, stopped
	}
	return c, err
}

// overFactors returns the mean of tail(z) over independent standard normal
// factors z, where tail is the chance that some comparison exceeds w given z:
// the trapezoid rule in every factor.
func (m *MaxT) overFactors(w float64, tail func(z []float64) float64) float64 {
	// The more comparisons, the sharper the step of the largest.
	sharp := m.sharp()
	w = math.Min(math.Abs(w), 39) // beyond 39 all is underflow
	// The tail is at least that of one comparison: places whose density is
	// negligible beside it cannot count.
	floor := m.rule.negligible * normalSF(w)
	z := make([]float64, len(m.reach))
	var along func(f int, density float64) float64
	along = func(f int, density float64) float64 {
		if density < floor {
			return 0
		}
		if f == len(z) {
			return density * tail(z)
		}
		h := sharp * m.width[f]
		last := m.last(f, w, h)
		even := f == 0 && m.sided == TwoSided // one half is enough
		sum := 0.0
		for i := -last; i <= last; i++ {
			if even && i < 0 {
				continue
			}
			if f == 0 && m.ctx.Err() != nil {
				return 0 // nobody will read it
			}
			z[f] = float64(i) * h
			part := along(f+1, density*normalPDF(z[f]))
			if even && i > 0 {
				part *= 2
			}
			sum += part
		}
		return h * sum
	}
	return math.Min(1, along(0, 1))
}

// sharp is the step along a factor in widths of the narrowest feature.
func (m *MaxT) sharp() float64 { return m.rule.step * math.Min(1, 4*spreadOfExtremes(m.k)) }

// last is the number of steps h on either side of zero along factor f.
func (m *MaxT) last(f int, w, h float64) int {
	return int(math.Ceil((m.reach[f]*w + m.beyond) / h))
}

// places is the number of places in the space of the factors at which the
// integral for a tail of common size is summed.
func (m *MaxT) places() int {
	const w = 4
	n := 1.0
	for f := range m.reach {
		n *= float64(2*m.last(f, w, m.sharp()*m.width[f]) + 1)
	}
	if m.sided == TwoSided {
		n /= 2
	}
	return int(math.Min(math.Max(1, n), 1e12))
}

// independentSF returns P(max > w) of the normal vector where nothing but the
// factors ties the comparisons together.
func (m *MaxT) independentSF(w float64) float64 {
	return m.overFactors(w, func(z []float64) float64 {
		logNone := 0.0
		for _, g := range m.groups {
			mean := 0.0
			for f, l := range g.lambda {
				mean += l * z[f]
			}
			out := normalSF((w - mean) / g.sd)
			if m.sided == TwoSided {
				out += normalSF((w + mean) / g.sd)
			}
			logNone += g.n * math.Log1p(-math.Min(out, 1))
		}
		return -math.Expm1(logNone)
	})
}

func (m *MaxT) setFactors(f factors) {
	m.factors = f
	m.reach = make([]float64, f.count())
	m.width = make([]float64, f.count())
	for j := range m.width {
		m.width[j] = 1
		for _, row := range f {
			l := row[j]
			left := 1 - dot(row, row)
			m.reach[j] = math.Max(m.reach[j], math.Abs(l))
			// Spread of the factor, given the others, where a comparison
			// just exceeds its limit.
			m.width[j] = math.Min(m.width[j], math.Sqrt(left/(left+l*l)))
		}
	}
}

func joinLoadings(f factors) []loading {
	var groups []loading
next:
	for _, row := range f {
		for i := range groups {
			if floats.EqualApprox(groups[i].lambda, row, 1e-14) {
				groups[i].n++
				continue next
			}
		}
		groups = append(groups, loading{row, math.Sqrt(1 - dot(row, row)), 1})
	}
	return groups
}

func checkCorrelation(corr mat.Symmetric) error {
	if corr == nil || corr.SymmetricDim() == 0 {
		return fmt.Errorf("no comparisons: the correlation matrix is empty")
	}
	k := corr.SymmetricDim()
	if k > MaxComparisons {
		return fmt.Errorf("%d comparisons are more than the %d that can be taken together", k, MaxComparisons)
	}
	for i := range k {
		if !(math.Abs(corr.At(i, i)-1) < 1e-8) {
			return fmt.Errorf("diagonal entry %d of the correlation matrix is %v, not 1", i+1, corr.At(i, i))
		}
		for j := range i {
			if r := corr.At(i, j); !(math.Abs(r) <= mostExplained) {
				return fmt.Errorf("comparisons %d and %d have correlation %v: they are one comparison for all purposes", j+1, i+1, r)
			}
		}
	}
	return nil
}
