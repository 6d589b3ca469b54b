package dist

import (
	"fmt"
	"math"

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
// Where the correlations have product form, rho_ij = lambda_i lambda_j, as for
// a control and treatments of any replication without blocks or with complete
// ones (Dunnett 1955, JASA 50, 1096-1121), the probability is a double
// integral and exact to rounding. Otherwise, as after missing plots, the best
// common factor is still integrated exactly and only what it leaves is
// sampled, by fixed lattice points and successive conditioning (Genz and Bretz
// 2009, Computation of Multivariate Normal and t Probabilities, ch. 4); then
// [MaxT.SF] gives an error estimate with the probability. There is no random
// element: the same question has the same answer.
type MaxT struct {
	k     int
	df    float64
	sided Sided

	lambda []float64 // loading of each comparison on the common factor
	groups []loading // the same with equal loadings joined; product form only
	least  float64   // smallest standard deviation left by the factor
	reach  float64   // largest |lambda|

	rest   [][]float64   // Cholesky factor of what the common factor leaves
	points [][][]float64 // lattice points by shift; nil in product form
}

// loading is a number n of comparisons with one loading on the common factor
// and the standard deviation it leaves them.
type loading struct {
	lambda, sd float64
	n          float64
}

// NewMaxT returns the distribution for a correlation matrix of the
// comparisons (ones on the diagonal, positive definite, at most
// [MaxComparisons] rows) and the df of the common error variance, +Inf if it
// is known.
func NewMaxT(corr mat.Symmetric, df float64, sided Sided) (*MaxT, error) {
	if err := checkDF("df", df); err != nil {
		return nil, err
	}
	if sided != TwoSided && sided != OneSided {
		return nil, fmt.Errorf("sidedness %d is neither one-sided nor two-sided", sided)
	}
	if err := checkCorrelation(corr); err != nil {
		return nil, err
	}
	m := &MaxT{k: corr.SymmetricDim(), df: df, sided: sided}
	lambda, product := commonFactor(corr)
	if product {
		m.setFactor(lambda)
		m.groups = joinLoadings(lambda)
		return m, nil
	}
	if err := m.setGeneral(corr, lambda); err != nil {
		return nil, err
	}
	return m, nil
}

// DunnettSF returns P(max > t) for the largest t (or |t|) of comparisons with
// the given correlation matrix and df: the single-step adjusted p value of a
// comparison whose statistic is t. To adjust several, make one [MaxT].
func DunnettSF(t float64, corr mat.Symmetric, df float64, sided Sided) (float64, error) {
	m, err := NewMaxT(corr, df, sided)
	if err != nil {
		return 0, err
	}
	p, _, err := m.SF(t)
	return p, err
}

// DunnettQuantile returns the critical value c with P(max <= c) = p; p = 0.95
// gives the 5 % point. See [DunnettSF].
func DunnettQuantile(p float64, corr mat.Symmetric, df float64, sided Sided) (float64, error) {
	m, err := NewMaxT(corr, df, sided)
	if err != nil {
		return 0, err
	}
	return m.Quantile(p)
}

// DunnettCorrelation returns the correlations among the differences of
// independent means from a control mean: the control has nControl plots,
// treatment i has nTreatment[i].
func DunnettCorrelation(nControl float64, nTreatment []float64) (*mat.SymDense, error) {
	if len(nTreatment) == 0 {
		return nil, fmt.Errorf("no treatment beside the control: at least one is needed")
	}
	lambda := make([]float64, len(nTreatment))
	for i, n := range nTreatment {
		if !(n > 0 && nControl > 0) || math.IsInf(n, 1) || math.IsInf(nControl, 1) {
			return nil, fmt.Errorf("replication %v against a control with %v: both must be positive", n, nControl)
		}
		lambda[i] = math.Sqrt(n / (n + nControl))
	}
	corr := mat.NewSymDense(len(lambda), nil)
	for i := range lambda {
		corr.SetSym(i, i, 1)
		for j := range i {
			corr.SetSym(i, j, lambda[i]*lambda[j])
		}
	}
	return corr, nil
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
	peak := 1.0
	if t > 0 && !math.IsInf(m.df, 1) {
		peak = math.Sqrt(m.df / (m.df + t*t))
	}
	width := spreadOfExtremes(m.k)
	if m.points == nil {
		p = fine.overScale(m.df, peak, width, func(s float64) float64 { return m.productSF(t * s) })
		return math.Min(p, 1), 0, nil
	}
	var sum, squares float64
	for _, points := range m.points {
		q := coarse.overScale(m.df, peak, width, func(s float64) float64 { return m.latticeSF(t*s, points) })
		sum += q
		squares += q * q
	}
	n := float64(len(m.points))
	p = sum / n
	// Three standard errors of the mean over the shifts.
	absErr = 3 * math.Sqrt(math.Max(0, squares/n-p*p)/(n-1))
	return math.Min(p, 1), absErr, nil
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
	sf := func(t float64) float64 { p, _, _ := m.SF(t); return p }
	if m.sided == TwoSided {
		return upperPoint(sf, alpha, start)
	}
	// One-sided critical values may be negative for small p.
	la := math.Log(alpha)
	return solveFalling(func(t float64) float64 { return math.Log(sf(t)) - la }, start)
}

// Exact reports whether the correlations have product form, so that
// probabilities are exact to rounding.
func (m *MaxT) Exact() bool { return m.points == nil }

// factorReach is how far beyond its peak, in standard deviations, the integral
// over the common factor runs: exp(-8.5^2/2) is below rounding.
const factorReach = 8.5

// overFactor returns the mean of tail(z) over a standard normal common factor
// z, where tail is the chance that some comparison exceeds w given z.
func (m *MaxT) overFactor(step, w float64, tail func(z float64) float64) float64 {
	h := step * m.least
	far := m.reach*math.Min(math.Abs(w), 39) + factorReach // beyond 39 all is underflow
	n := int(math.Ceil(far / h))
	sum := 0.0
	for i := 0; i <= n; i++ {
		z := float64(i) * h
		phi := normalPDF(z)
		switch {
		case i == 0:
			sum += phi * tail(0)
		case m.sided == TwoSided: // even in z
			sum += 2 * phi * tail(z)
		default:
			sum += phi * (tail(z) + tail(-z))
		}
	}
	return math.Min(1, h*sum)
}

// productSF returns P(max > w) of the normal vector in product form: given the
// factor the comparisons are independent.
func (m *MaxT) productSF(w float64) float64 {
	return m.overFactor(0.7, w, func(z float64) float64 {
		logNone := 0.0
		for _, g := range m.groups {
			out := normalSF((w - g.lambda*z) / g.sd)
			if m.sided == TwoSided {
				out += normalSF((w + g.lambda*z) / g.sd)
			}
			logNone += g.n * math.Log1p(-math.Min(out, 1))
		}
		return -math.Expm1(logNone)
	})
}

func (m *MaxT) setFactor(lambda []float64) {
	m.lambda = lambda
	m.least = 1
	for _, l := range lambda {
		m.reach = math.Max(m.reach, math.Abs(l))
		m.least = math.Min(m.least, math.Sqrt((1-l)*(1+l)))
	}
}

func joinLoadings(lambda []float64) []loading {
	var groups []loading
next:
	for _, l := range lambda {
		for i := range groups {
			if math.Abs(groups[i].lambda-l) < 1e-14 {
				groups[i].n++
				continue next
			}
		}
		groups = append(groups, loading{l, math.Sqrt((1 - l) * (1 + l)), 1})
	}
	return groups
}

// commonFactor fits rho_ij = lambda_i lambda_j to the off-diagonal entries by
// least squares, one loading at a time, and reports whether the fit is exact.
func commonFactor(corr mat.Symmetric) (lambda []float64, product bool) {
	const (
		most  = 0.9999 // a loading of one would leave no variance
		exact = 1e-13
	)
	k := corr.SymmetricDim()
	lambda = make([]float64, k)
	if k == 1 {
		return lambda, true
	}
	if k == 2 { // one equation, two loadings: make them equal
		rho := corr.At(0, 1)
		l := math.Sqrt(math.Abs(rho))
		return []float64{l, math.Copysign(l, rho)}, l < most
	}
	for i := range lambda {
		lambda[i] = math.Copysign(0.7, corr.At(0, i))
	}
	for range 5000 {
		moved := 0.0
		for i := range lambda {
			num, den := 0.0, 0.0
			for j, l := range lambda {
				if j != i {
					num += corr.At(i, j) * l
					den += l * l
				}
			}
			l := 0.0
			if den > 0 {
				l = math.Max(-most, math.Min(most, num/den))
			}
			moved = math.Max(moved, math.Abs(l-lambda[i]))
			lambda[i] = l
		}
		if moved < 1e-16 {
			break
		}
	}
	off := 0.0
	for i := range lambda {
		for j := range i {
			off = math.Max(off, math.Abs(corr.At(i, j)-lambda[i]*lambda[j]))
		}
	}
	return lambda, off < exact*100
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
			if r := corr.At(i, j); !(math.Abs(r) < 1) {
				return fmt.Errorf("comparisons %d and %d have correlation %v: they must differ", j+1, i+1, r)
			}
		}
	}
	return nil
}
