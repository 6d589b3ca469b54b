package mixed

import (
	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
)

// The few vector and matrix steps of the fit, on row-major slices whose
// lengths agree by construction.

func vec(x []float64) blas64.Vector { return blas64.Vector{N: len(x), Data: x, Inc: 1} }

func dot(x, y []float64) float64 { return blas64.Dot(vec(x), vec(y)) }

func axpy(a float64, x, y []float64) { blas64.Axpy(a, vec(x), vec(y)) }

func scale(a float64, x []float64) { blas64.Scal(a, vec(x)) }

func general(rows, cols int, data []float64) blas64.General {
	return blas64.General{Rows: rows, Cols: cols, Stride: max(cols, 1), Data: data}
}

// crossProduct gives A'B for A and B of n rows and p columns each.
func crossProduct(a, b []float64, n, p int) []float64 {
	out := make([]float64, p*p)
	if n > 0 && p > 0 {
		blas64.Gemm(blas.Trans, blas.NoTrans, 1, general(n, p, a), general(n, p, b), 0, general(p, p, out))
	}
	return out
}

// symmetricGram gives A'A in full.
func symmetricGram(a []float64, n, p int) []float64 {
	out := make([]float64, p*p)
	blas64.Syrk(blas.Trans, 1, general(n, p, a), 0, blas64.Symmetric{N: p, Stride: p, Data: out, Uplo: blas.Upper})
	for i := range p {
		for j := range i {
			out[i*p+j] = out[j*p+i]
		}
	}
	return out
}

// timesSymmetric gives U M for U of q rows and p columns and symmetric M: row
// i of it is M times row i of U.
func timesSymmetric(u, m []float64, q, p int) []float64 {
	um := make([]float64, q*p)
	blas64.Gemm(blas.NoTrans, blas.NoTrans, 1, general(q, p, u), general(p, p, m), 0, general(q, p, um))
	return um
}

// sandwich gives U M U' for U of q rows and p columns and symmetric M.
func sandwich(u, m []float64, q, p int) []float64 {
	out := make([]float64, q*q)
	blas64.Gemm(blas.NoTrans, blas.Trans, 1, general(q, p, timesSymmetric(u, m, q, p)), general(q, p, u), 0, general(q, q, out))
	return out
}
