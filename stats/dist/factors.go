package dist

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	// maxFactors is the number of common factors integrated exactly.
	maxFactors = 3
	// exactEnough is the error of a probability up to which what the factors
	// leave of the correlations is ignored.
	exactEnough = 2e-9
	// mostExplained is the largest share of a comparison's variance that the
	// factors may take: a share of one would leave nothing to integrate.
	mostExplained = 0.9999
)

// factors holds the loadings of each comparison (row) on each common factor.
type factors [][]float64

func (f factors) count() int {
	if len(f) == 0 {
		return 0
	}
	return len(f[0])
}

// fitFactors fits rho_ij = lambda_i . lambda_j to the off-diagonal entries by
// least squares, one comparison at a time (minimum residual factor analysis,
// Harman and Jones 1966, Psychometrika 31, 351-368). fewer is the fit with one
// factor less, from which it starts.
func fitFactors(corr mat.Symmetric, count int, fewer factors) factors {
	k := corr.SymmetricDim()
	f := make(factors, k)
	start := firstLoadings(corr, fewer)
	for i := range f {
		f[i] = make([]float64, count)
		if len(fewer) > 0 {
			copy(f[i], fewer[i])
		}
		f[i][count-1] = start[i]
	}
	if k == 1 {
		return f
	}
	if k == 2 && count == 1 { // one equation for two loadings: make them equal
		rho := corr.At(0, 1)
		l := math.Sqrt(math.Abs(rho))
		return factors{{l}, {math.Copysign(l, rho)}}
	}
	row := make([]float64, count)
	for range 3000 {
		moved := 0.0
		for i := range f {
			regress(corr, f, i, row)
			if most := dot(row, row); most > mostExplained {
				scale(row, math.Sqrt(mostExplained/most))
			}
			for j := range row {
				moved = math.Max(moved, math.Abs(row[j]-f[i][j]))
				f[i][j] = row[j]
			}
		}
		if moved < 1e-16 {
			break
		}
	}
	return f
}

// firstLoadings returns loadings on one more factor to start from: the leading
// direction of what is left of the off-diagonal correlations.
func firstLoadings(corr mat.Symmetric, fewer factors) []float64 {
	k := corr.SymmetricDim()
	left := mat.NewSymDense(k, nil)
	for i := range k {
		for j := range i {
			r := corr.At(i, j)
			if len(fewer) > 0 {
				r -= dot(fewer[i], fewer[j])
			}
			left.SetSym(i, j, r)
		}
	}
	var eig mat.EigenSym
	start := make([]float64, k)
	if !eig.Factorize(left, true) {
		return start
	}
	values := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	for i := range start {
		start[i] = math.Sqrt(math.Max(0, values[k-1])) * vectors.At(i, k-1)
	}
	return start
}

// regress puts into row the loadings of comparison i that fit its correlations
// with the others best, given theirs.
func regress(corr mat.Symmetric, f factors, i int, row []float64) {
	// Normal equations of at most three unknowns, by elimination; a ridge of
	// rounding size lets a factor that explains nothing drop to zero.
	var a [maxFactors][maxFactors + 1]float64
	n := len(row)
	for j, other := range f {
		if j == i {
			continue
		}
		for p, l := range other {
			for q := range n {
				a[p][q] += l * other[q]
			}
			a[p][n] += l * corr.At(i, j)
		}
	}
	for p := range n {
		a[p][p] += 1e-15
		for r := p + 1; r < n; r++ {
			m := a[r][p] / a[p][p]
			for q := p; q <= n; q++ {
				a[r][q] -= m * a[p][q]
			}
		}
	}
	for p := n - 1; p >= 0; p-- {
		row[p] = a[p][n]
		for q := p + 1; q < n; q++ {
			row[p] -= a[p][q] * row[q]
		}
		row[p] /= a[p][p]
	}
}

// errorBound bounds the error of P(max > w) made by taking the factors for the
// whole of the correlations. A change of one correlation moves the probability
// of a rectangle by at most its change times the bivariate normal density at
// the four corners, each at most 1/(2 pi sqrt(1 - rho^2)) (Plackett 1954,
// Biometrika 41, 351-360).
func errorBound(corr mat.Symmetric, f factors) float64 {
	bound := 0.0
	for i := range f {
		for j := range i {
			rho := math.Max(math.Abs(corr.At(i, j)), math.Abs(dot(f[i], f[j])))
			bound += math.Abs(corr.At(i, j)-dot(f[i], f[j])) * 2 / (math.Pi * math.Sqrt((1-rho)*(1+rho)))
		}
	}
	return bound
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

func scale(a []float64, by float64) {
	for i := range a {
		a[i] *= by
	}
}
