package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/mathext"
)

// setSampled prepares the distribution for correlations that a few factors do
// not explain at bearable cost. One common factor is integrated; it is shrunk
// until what it leaves is comfortably positive definite and it is itself no
// long sum.
func (m *MaxT) setSampled(corr mat.Symmetric) error {
	const (
		enough     = 0.3 // a smallest pivot that costs no accuracy
		mostPlaces = 150 // along the common factor
	)
	m.rule, m.beyond, m.bound, m.groups = coarse, 6.7, 0, nil
	full := fitFactors(corr, 1, nil)
	best := -1.0
	var chosen factors
	for _, shrink := range []float64{1, 0.97, 0.9, 0.8, 0.6, 0.3, 0} {
		f := make(factors, m.k)
		for i, row := range full {
			f[i] = []float64{shrink * row[0]}
		}
		chol, order, pivot := cholesky(corr, f)
		if chol == nil || pivot <= best {
			continue
		}
		if m.setFactors(f); shrink > 0 && m.places() > mostPlaces {
			continue
		}
		best, chosen = pivot, make(factors, m.k)
		for i, at := range order {
			chosen[i] = f[at]
		}
		m.rest = chol
		if pivot >= enough {
			break
		}
	}
	if best < 0 {
		return fmt.Errorf("the correlation matrix is not positive definite: some comparison follows from the others")
	}
	m.setFactors(chosen)
	// Judging a comparison takes the longer, the more stand before it.
	each := float64(shifts*m.places()*m.k) * (1 + float64(m.k)/40)
	for i, rule := range lattices {
		if i > 0 && each*float64(rule.n) > mostSampledWork {
			break // the error estimate says what is left
		}
		m.points = latticePoints(rule, m.k-1)
		m.tails = nil
		for _, points := range m.points {
			m.tails = append(m.tails, newTailTable(func(w float64) float64 { return m.sampledSF(w, points) }, widePieces))
		}
		worst := 0.0
		for _, t := range []float64{2, m.typical()} {
			_, absErr, err := m.SF(t)
			if err != nil {
				return err
			}
			worst = math.Max(worst, absErr)
		}
		if worst < fineSample {
			break
		}
	}
	return nil
}

const (
	// mostSampledWork bounds the work for one value of the tail, as [mostWork]
	// does; sampled tails are asked for at fewer places.
	mostSampledWork = 150_000
	// fineSample is the error of a probability at which a finer lattice is not
	// tried.
	fineSample = 5e-6
)

// typical is a t value near the 5 % point, at which the lattice is sized.
func (m *MaxT) typical() float64 {
	t, err := TQuantile(1-0.025/float64(m.k), m.df)
	if err != nil {
		return 2.5
	}
	return t
}

// cholesky factors what the factors leave of corr and returns its smallest
// pivot; nil if that is not positive definite. The comparison known least from
// those before comes next (Genz and Bretz 2009, section 4.1.3: the innermost
// integral should have the least spread), and order says which that is.
func cholesky(corr mat.Symmetric, f factors) (l [][]float64, order []int, least float64) {
	k := len(f)
	l = make([][]float64, k)
	left := make([]float64, k) // variance not yet explained
	for i := range k {
		l[i] = make([]float64, k)
		order = append(order, i)
		left[i] = 1 - dot(f[i], f[i])
	}
	least = 1
	for j := range k {
		next := j
		for i := j + 1; i < k; i++ {
			if left[i] > left[next]+1e-12 {
				next = i
			}
		}
		l[j], l[next] = l[next], l[j]
		order[j], order[next] = order[next], order[j]
		left[j], left[next] = left[next], left[j]
		if left[j] < 1e-10 {
			return nil, nil, 0
		}
		l[j][j] = math.Sqrt(left[j])
		least = math.Min(least, l[j][j])
		for i := j + 1; i < k; i++ {
			l[i][j] = (corr.At(order[i], order[j]) - dot(f[order[i]], f[order[j]]) - dot(l[i][:j], l[j][:j])) / l[j][j]
			left[i] -= l[i][j] * l[i][j]
		}
	}
	for i := range l {
		l[i] = l[i][:i+1]
	}
	return l, order, least
}

// sampledSF returns P(max > w) of the normal vector: the common factor is
// integrated, and given it the comparisons are taken one after the other, each
// drawn inside its limits given those before. The points give the draws; they
// are shifted anew for every value of the factor, so that their errors average
// out over it.
//
// With out_i the chance that comparison i is beyond w, none before being so,
// the value at a point is 1 - prod(1 - out_i), built up from below so that small
// tails keep their digits.
func (m *MaxT) sampledSF(w float64, points [][]float64) float64 {
	y := make([]float64, m.k)
	shift := make([]float64, m.k)
	return m.overFactors(w, func(z []float64) float64 {
		sum := 0.0
		for i := range shift {
			_, shift[i] = math.Modf(shift[i] + steps[i])
		}
		for _, v := range points {
			any := 0.0
			for i, row := range m.rest {
				mean := m.factors[i][0]*z[0] + dot(row[:i], y[:i])
				above := normalSF((w - mean) / row[i])
				below := 0.0
				if m.sided == TwoSided {
					below = normalSF((w + mean) / row[i])
				}
				out := math.Min(above+below, 1)
				any += (1 - any) * out
				if out == 1 {
					break
				}
				if i < m.k-1 {
					x := v[i] + shift[i]
					x -= math.Floor(x)
					// The tent map lets a smooth integrand converge as if
					// it were periodic (Hickernell 2002).
					u := below + (1-math.Abs(2*x-1))*(1-out)
					y[i] = mathext.NormalQuantile(math.Max(1e-300, math.Min(u, 1-1e-16)))
				}
			}
			sum += any
		}
		return sum / float64(len(points))
	})
}

// A korobov rule is the lattice of points i (1, g, g^2, ...)/n mod 1.
type korobov struct{ n, g int }

// lattices holds rules of growing size. For its prime n, g has the smallest
// weighted P2 in 20 dimensions, weights 1/j^2 (Sloan and Joe 1994, Lattice
// Methods for Multiple Integration, ch. 4), by search over all g.
var lattices = []korobov{{7, 3}, {31, 7}, {61, 7}, {127, 44}, {251, 60}, {509, 146}}

// shifts is the number of shifted copies of a lattice from which the error is
// estimated.
const shifts = 6

// latticePoints returns the shifted copies of a lattice in dim dimensions.
func latticePoints(rule korobov, dim int) [][][]float64 {
	copies := make([][][]float64, shifts)
	for s := range copies {
		points := make([][]float64, rule.n)
		for i := range points {
			points[i] = make([]float64, dim)
			h := i
			for j := range dim {
				points[i][j] = math.Mod(float64(h)/float64(rule.n)+float64(s)*math.Sqrt(nthPrime(j+MaxComparisons)), 1)
				h = h * rule.g % rule.n
			}
		}
		copies[s] = points
	}
	return copies
}

// steps are the square roots of the primes: their multiples, less whole
// numbers, fill the cube evenly and need no random numbers.
var steps = func() (s [MaxComparisons]float64) {
	for j := range s {
		s[j] = math.Sqrt(nthPrime(j))
	}
	return s
}()

// nthPrime returns the prime number with index j from zero.
func nthPrime(j int) float64 {
	for p := 2; ; p++ {
		prime := true
		for q := 2; q*q <= p; q++ {
			if p%q == 0 {
				prime = false
				break
			}
		}
		if !prime {
			continue
		}
		if j == 0 {
			return float64(p)
		}
		j--
	}
}
