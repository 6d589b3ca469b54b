// Package tails gives tail probabilities to the model packages, whose
// statistics and degrees of freedom are valid by construction. Should a
// rounding accident hand over something else, the answer is the one that
// claims nothing: p = 1.
package tails

import "quadtally/stats/dist"

// F is P(F > f) with d1 and d2 degrees of freedom.
func F(f, d1, d2 float64) float64 { return orOne(dist.FSF(f, d1, d2)) }

// T is P(|T| > |t|) with df degrees of freedom.
func T(t, df float64) float64 { return orOne(dist.TTwoSided(t, df)) }

// ChiSquare is P(X > x) with df degrees of freedom.
func ChiSquare(x, df float64) float64 { return orOne(dist.ChiSquareSF(x, df)) }

func orOne(p float64, err error) float64 {
	if err != nil {
		return 1
	}
	return p
}
