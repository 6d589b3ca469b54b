package terms

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// Two slopes, one a treatment: the adjusted mean is where the line of the
// treatment stands at the mean of the covariate, and the slopes themselves have
// no test adjusted for the interaction.
func TestMeansAtTheMeanOfACovariate(t *testing.T) {
	x := []float64{1, 2, 3, 4, 2, 4, 6, 8}
	y := make([]float64, 8)
	labels := strings.Fields("a a a a b b b b")
	for i := range y {
		y[i] = 10 + 2*x[i]
		if labels[i] == "b" {
			y[i] = 5 - x[i]
		}
	}
	f := Frame{Factors: []Factor{{Name: "treatment", Labels: labels}}, Covariates: []Covariate{{Name: "x", Values: x}}}
	d := build(t, f, Term{"treatment"}, Term{"x"}, Term{"treatment", "x"})
	// The exact coefficients by Q'y.
	coord := make([]float64, d.Rank())
	for j := range coord {
		for i := range y {
			coord[j] += d.Q(j)[i] * y[i]
		}
	}
	beta := d.Coefficients(coord)
	rows, err := d.MeanRows(Term{"treatment"})
	if err != nil {
		t.Fatal(err)
	}
	const mean = 30.0 / 8
	for i, want := range []float64{10 + 2*mean, 5 - mean} {
		got := 0.0
		for j, w := range rows[i].Row {
			got += w * beta[j]
		}
		if math.Abs(got-want) > 1e-11 || !rows[i].Estimable {
			t.Errorf("mean of %v: %v, want %v", rows[i].Labels, got, want)
		}
	}
	if _, err := d.AdjustedRows(2); err == nil || !strings.Contains(err.Error(), "test the interaction first") {
		t.Errorf("slope beside its interaction: %v", err)
	}
	if rows, err := d.AdjustedRows(3); err != nil || len(rows) != 1 {
		t.Errorf("interaction: %v, %v", rows, err)
	}
}

// A mean over an empty cell hangs on the interaction that the data cannot
// give, whichever way round the term is written; without the interaction it
// does not.
func TestMeansOverAnEmptyCell(t *testing.T) {
	f := Frame{Factors: []Factor{
		{Name: "a", Labels: strings.Fields("1 1 2 2 3 1 2 3")},
		{Name: "b", Labels: strings.Fields("x y x y x x y x")},
	}}
	for _, term := range []Term{{"a", "b"}, {"b", "a"}} {
		d := build(t, f, Term{"a"}, Term{"b"}, term)
		rows, err := d.MeanRows(Term{"a"})
		if err != nil {
			t.Fatal(err)
		}
		var can []bool
		for _, r := range rows {
			can = append(can, r.Estimable)
		}
		if !slices.Equal(can, []bool{true, true, false}) {
			t.Errorf("%v: means of a can be given: %v", term, can)
		}
		if _, err := d.AdjustedRows(1); err == nil || !strings.Contains(err.Error(), "no adjusted test, since 3 has no data") {
			t.Errorf("adjusted test over an empty cell: %v", err)
		}
	}
	d := build(t, f, Term{"a"}, Term{"b"})
	rows, err := d.MeanRows(Term{"a"})
	if err != nil || !rows[2].Estimable {
		t.Errorf("additive model: %v, %v", rows, err)
	}
}

// R'R = X'X: the sequential rows, each times its place on the diagonal of R,
// and the determinant of R are those of the sums of squares and products.
func TestSequentialRows(t *testing.T) {
	d := build(t, grid(t), Term{"block"}, Term{"treatment"})
	// Columns: intercept, block 2, T2, T10; 12 rows, 6 of block 2, 4 of each
	// treatment, 2 of each in a block.
	products := [][]float64{{12, 6, 4, 4}, {6, 6, 2, 2}, {4, 2, 4, 0}, {4, 2, 0, 4}}
	// By elimination: row j of what is left over its pivot, and the pivots.
	logs := 0.0
	for j := range products {
		pivot := products[j][j]
		logs += math.Log(pivot) / 2
		row := d.SequentialRow(j)
		for k := j; k < 4; k++ {
			if want := products[j][k] / pivot; math.Abs(row[k]-want) > 1e-13 {
				t.Errorf("row %d: %v, want %v in place %d", j, row, want, k)
			}
		}
		for k := range j {
			if row[k] != 0 {
				t.Errorf("row %d: %v", j, row)
			}
		}
		for i := j + 1; i < 4; i++ {
			by := products[i][j] / pivot
			for k := range 4 {
				products[i][k] -= by * products[j][k]
			}
		}
	}
	if got := d.LogDetR(); math.Abs(math.Abs(got)-logs) > 1e-12 {
		t.Errorf("log determinant %v, want %v", got, logs)
	}
}

func TestMoreRefusals(t *testing.T) {
	for size, ok := range map[float64]bool{1e100: true, 1.1e100: false, -1e100: true, -1.1e100: false} {
		f := grid(t)
		f.Covariates[0].Values[3] = size
		if _, err := Build(f, []Term{{"block"}}); (err == nil) != ok {
			t.Errorf("covariate of %g: %v", size, err)
		}
	}
	d := build(t, grid(t), Term{"block"}, Term{"before"})
	for _, c := range []struct {
		term Term
		want string
	}{{Term{"weeds"}, "is not a factor of the table"}, {Term{"before"}, "is not a factor"}, {Term{"treatment"}, "is in no term of the model"}} {
		if _, err := d.MeanRows(c.term); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("means of %v: %v, want %q", c.term, err, c.want)
		}
	}
	one := Frame{Factors: []Factor{{Name: "block", Labels: strings.Fields("1 1 1")}}}
	if _, err := Build(one, []Term{{"block"}}); err == nil || !strings.Contains(err.Error(), "one level only") {
		t.Errorf("one level: %v", err)
	}
	// A column that no term names may have one level.
	if _, err := Build(one, nil); err != nil {
		t.Error(err)
	}
}
