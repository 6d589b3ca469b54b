package mixed

import (
	"fmt"
	"math"

	"quadtally/stats/internal/tails"
)

// Comparison is a likelihood-ratio test of a smaller model inside a larger.
type Comparison struct {
	// Statistic is twice the difference in log-likelihood.
	Statistic float64 `json:"statistic"`
	DF        int     `json:"df"`
	P         float64 `json:"p"`
	Note      string  `json:"note,omitempty"`
}

// CompareModels tests whether the larger of two fits, of which the smaller is
// a special case, explains more. Fixed terms are compared between ML fits;
// REML fits are comparable when their fixed coefficients are the same. A
// variance that the smaller model lacks lies on the edge of what is possible,
// so the chi-square p is too large, at most about twofold for one variance
// (Self and Liang 1987, J. Am. Stat. Assoc. 82, 605-610); the note says so.
func CompareModels(small, large *Fit) (Comparison, error) {
	df := large.Parameters - small.Parameters
	fixed := len(large.Coefficients) - len(small.Coefficients)
	switch {
	case small.Method != large.Method:
		return Comparison{}, fmt.Errorf("one model is fitted by %s, the other by %s: fit both by one method", small.Method, large.Method)
	case small.Rows != large.Rows:
		return Comparison{}, fmt.Errorf("the models have %d and %d rows: fit both to the same rows", small.Rows, large.Rows)
	case small.Method == REML && !sameCoefficients(small, large):
		return Comparison{}, fmt.Errorf("restricted likelihoods of different fixed terms cannot be compared: fit both models by %s", ML)
	case df <= 0:
		return Comparison{}, fmt.Errorf("the larger model must come second and have more parameters (%d against %d)", large.Parameters, small.Parameters)
	}
	c := Comparison{DF: df, Statistic: math.Max(2*(large.LogLik-small.LogLik), 0)}
	c.P = tails.ChiSquare(c.Statistic, float64(df))
	if df > fixed {
		c.Note = "a variance of zero is the edge of what is possible: this p is too large, at most about twofold for one variance"
	}
	return c, nil
}

func sameCoefficients(a, b *Fit) bool {
	if len(a.Coefficients) != len(b.Coefficients) {
		return false
	}
	for i := range a.Coefficients {
		if a.Coefficients[i].Name != b.Coefficients[i].Name {
			return false
		}
	}
	return true
}
