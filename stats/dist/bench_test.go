package dist_test

import (
	"testing"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// BenchmarkTukeyPairs adjusts all 190 pairs of 20 treatments in 10 blocks.
func BenchmarkTukeyPairs(b *testing.B) {
	for b.Loop() {
		r, err := dist.NewStudentizedRange(20, 171)
		if err != nil {
			b.Fatal(err)
		}
		for i := range 190 {
			if _, err := r.SF(0.5 + float64(i)*0.05); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkDunnett compares 19 treatments with a control: 19 p values and one
// critical value.
func BenchmarkDunnett(b *testing.B) {
	for b.Loop() {
		m, err := dist.NewMaxT(equicorrelation(19, 0.5), 171, dist.TwoSided)
		if err != nil {
			b.Fatal(err)
		}
		for i := range 19 {
			if _, _, err := m.SF(0.3 * float64(i)); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := m.Quantile(0.95); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDunnettMissing does the same for the differences from the control
// in 5 treatments and 4 blocks with two plots missing.
func BenchmarkDunnettMissing(b *testing.B) {
	corr := missingPlots(5, 4, [2]int{1, 0}, [2]int{3, 2})
	for b.Loop() {
		benchGeneral(b, corr, 10)
	}
}

func benchGeneral(b *testing.B, corr *mat.SymDense, df float64) {
	m, err := dist.NewMaxT(corr, df, dist.TwoSided)
	if err != nil {
		b.Fatal(err)
	}
	for i := range corr.SymmetricDim() {
		if _, _, err := m.SF(1 + float64(i)); err != nil {
			b.Fatal(err)
		}
	}
	if _, err := m.Quantile(0.95); err != nil {
		b.Fatal(err)
	}
}
