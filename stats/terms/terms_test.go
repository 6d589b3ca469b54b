package terms

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func grid(t *testing.T) Frame {
	t.Helper()
	return Frame{
		Factors: []Factor{
			{Name: "treatment", Labels: strings.Fields("T10 T2 T1 T10 T2 T1 T10 T2 T1 T10 T2 T1")},
			{Name: "block", Labels: strings.Fields("1 1 1 2 2 2 1 1 1 2 2 2")},
			{Name: "date", Labels: strings.Fields("0 0 0 0 0 0 14 14 14 14 14 14")},
		},
		Covariates: []Covariate{{Name: "before", Values: []float64{3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8}}},
	}
}

func build(t *testing.T, f Frame, model ...Term) *Design {
	t.Helper()
	d, err := Build(f, model)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestLevelsAreOrderedAsAPersonWould(t *testing.T) {
	d := build(t, grid(t), Term{"treatment"}, Term{"date"})
	if got := d.Levels("treatment"); !slices.Equal(got, []string{"T1", "T2", "T10"}) {
		t.Errorf("treatments %q", got)
	}
	labels := []string{"T02", "10", "b", "2", "T2", "-1", "a", "T10", "NaN", "2.5"}
	want := []string{"-1", "2", "2.5", "10", "NaN", "T02", "T2", "T10", "a", "b"}
	slices.SortFunc(labels, compareLabels)
	if !slices.Equal(labels, want) {
		t.Errorf("order %q, want %q", labels, want)
	}
	if d.Levels("nothing") != nil {
		t.Error("levels of an unknown factor")
	}
}

// TestLabelsAreNotNumbers: dates and blocks coded as numbers give one degree
// of freedom a label, not one slope.
func TestLabelsAreNotNumbers(t *testing.T) {
	d := build(t, grid(t), Term{"block"}, Term{"treatment"}, Term{"date"}, Term{"treatment", "date"})
	count := make([]int, len(d.Terms))
	for _, a := range d.Assign {
		count[a]++
	}
	if !slices.Equal(count, []int{1, 1, 2, 1, 2}) {
		t.Errorf("degrees of freedom %v", count)
	}
	want := "(intercept) block2 treatmentT2 treatmentT10 date14 treatmentT2:date14 treatmentT10:date14"
	if got := strings.Join(d.Names, " "); got != want {
		t.Errorf("names %q", got)
	}
}

// TestOrthonormalFactor: Q'Q = I, QR = X, and the two solves undo each other.
func TestOrthonormalFactor(t *testing.T) {
	f := grid(t)
	for i := range f.Covariates[0].Values {
		f.Covariates[0].Values[i] += 1e6 // a large common part must not count as aliased
	}
	d := build(t, f, Term{"block"}, Term{"before"}, Term{"treatment"}, Term{"date"}, Term{"before", "date"})
	p := d.Rank()
	if p != 7 || len(d.Aliased) != 0 {
		t.Fatalf("rank %d, aliased %q", p, d.Aliased)
	}
	for j := range p {
		for k := range p {
			s := 0.0
			for i := range d.Rows {
				s += d.Q(j)[i] * d.Q(k)[i]
			}
			if want := map[bool]float64{true: 1}[j == k]; math.Abs(s-want) > 1e-14 {
				t.Errorf("q%d'q%d = %v", j, k, s)
			}
		}
		x := d.Column(j)
		for i := range d.Rows {
			s := 0.0
			for k := range j + 1 {
				s += d.Q(k)[i] * d.r[j][k]
			}
			if math.Abs(s-x[i]) > 1e-9*math.Max(1, math.Abs(x[i])) {
				t.Errorf("column %d row %d: %v, want %v", j, i, s, x[i])
			}
		}
	}
	l := []float64{1, 2, 0, -1, 3, 1, 2}
	b := []float64{2, 1, 1, 0, -1, 4, 1}
	beta, pulled := d.Coefficients(b), d.Pull(l)
	left, right, size := 0.0, 0.0, 0.0
	for j := range p {
		left += l[j] * beta[j]
		right += pulled[j] * b[j]
		size += math.Abs(l[j] * beta[j])
	}
	if math.Abs(left-right) > 1e-12*size {
		t.Errorf("l'beta %v, pulled %v", left, right)
	}
}

func TestConfoundedColumnsAreNamed(t *testing.T) {
	f := grid(t)
	f.Factors = append(f.Factors, Factor{Name: "strip", Labels: strings.Fields("x x x y y y x x x y y y")})
	d := build(t, f, Term{"block"}, Term{"strip"}, Term{"treatment"})
	if !slices.Equal(d.Aliased, []string{"stripy"}) {
		t.Errorf("aliased %q", d.Aliased)
	}
	means, err := d.MeanRows(Term{"treatment"})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range means {
		if !m.Estimable {
			t.Errorf("%v should be estimable: it averages over both strips and blocks alike", m.Labels)
		}
	}
	means, err = d.MeanRows(Term{"strip"})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range means {
		if m.Estimable {
			t.Errorf("mean of strip %v averages over blocks it was never in", m.Labels)
		}
	}
}

// TestNestedTerm: an interaction without one of its margins spans what both
// would.
func TestNestedTerm(t *testing.T) {
	d := build(t, grid(t), Term{"block"}, Term{"block", "treatment"})
	if d.Rank() != 6 {
		t.Errorf("rank %d, want a column a cell", d.Rank())
	}
	if len(build(t, grid(t)).Names) != 1 {
		t.Error("the empty model is more than an intercept")
	}
}

// TestAdjustedRows: in a complete table the adjusted hypotheses of a main
// effect are differences of means over everything else, whatever interacts.
func TestAdjustedRows(t *testing.T) {
	d := build(t, grid(t), Term{"treatment"}, Term{"date"}, Term{"treatment", "date"})
	for k, want := range []int{0, 2, 1, 2} {
		if k == 0 {
			continue
		}
		rows, err := d.AdjustedRows(k)
		if err != nil || len(rows) != want {
			t.Errorf("term %s: %d rows, %v", d.Terms[k], len(rows), err)
		}
	}
	rows, _ := d.AdjustedRows(2)
	means, _ := d.MeanRows(Term{"date"})
	for j := range rows[0] {
		if diff := means[1].Row[j] - means[0].Row[j]; math.Abs(rows[0][j]-diff) > 1e-15 {
			t.Errorf("date, weight %d: %v, want %v", j, rows[0][j], diff)
		}
	}
	// A third factor interacts in both ways: three-way corners.
	full := Frame{Factors: []Factor{{Name: "a", Labels: strings.Fields("1 1 1 1 2 2 2 2 3 3 3 3")}, {Name: "b", Labels: strings.Fields("1 1 2 2 1 1 2 2 1 1 2 2")}, {Name: "c", Labels: strings.Fields("1 2 1 2 1 2 1 2 1 2 1 2")}}}
	d = build(t, full, Term{"a"}, Term{"b"}, Term{"c"}, Term{"a", "b"}, Term{"a", "c"}, Term{"b", "c"}, Term{"a", "b", "c"})
	for k, want := range []int{0, 2, 1, 1, 2, 2, 1, 2} {
		if rows, err := d.AdjustedRows(k); k > 0 && (err != nil || len(rows) != want) {
			t.Errorf("term %s: %d rows, %v", d.Terms[k], len(rows), err)
		}
	}
}

func TestEmptyCell(t *testing.T) {
	f := grid(t)
	for i, l := range f.Factors[0].Labels {
		if l == "T2" && f.Factors[2].Labels[i] == "14" {
			f.Factors[0].Labels[i] = "T1"
		}
	}
	d := build(t, f, Term{"treatment"}, Term{"date"}, Term{"treatment", "date"})
	if _, err := d.AdjustedRows(1); err == nil || !strings.Contains(err.Error(), "no data") {
		t.Errorf("adjusted test with an empty cell: %v", err)
	}
	if rows, err := d.AdjustedRows(3); err != nil || len(rows) != 1 {
		t.Errorf("interaction: %d rows, %v", len(rows), err)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Frame)
		model  []Term
		want   string
	}{
		{"no columns", func(f *Frame) { *f = Frame{} }, nil, "no columns"},
		{"no rows", func(f *Frame) { *f = Frame{Factors: []Factor{{Name: "a"}}} }, nil, "no rows"},
		{"unnamed", func(f *Frame) { f.Factors[0].Name = "" }, nil, "no name"},
		{"same name", func(f *Frame) { f.Covariates[0].Name = "block" }, nil, `two columns are named "block"`},
		{"short", func(f *Frame) { f.Factors[1].Labels = f.Factors[1].Labels[1:] }, nil, "11 rows"},
		{"blank label", func(f *Frame) { f.Factors[1].Labels[2] = "" }, nil, "row 3"},
		{"NaN", func(f *Frame) { f.Covariates[0].Values[0] = math.NaN() }, nil, "row 1"},
		{"unlisted label", func(f *Frame) { f.Factors[1].Levels = []string{"1"} }, nil, "not among the levels"},
		{"empty level", func(f *Frame) { f.Factors[1].Levels = []string{"1", "2", "3"} }, nil, "no row has level"},
		{"level twice", func(f *Frame) { f.Factors[1].Levels = []string{"1", "2", "2"} }, nil, "twice"},
		{"unknown column", func(f *Frame) {}, []Term{{"trt"}}, "trt"},
		{"empty term", func(f *Frame) {}, []Term{{}}, "intercept"},
		{"term twice", func(f *Frame) {}, []Term{{"block", "date"}, {"date", "block"}}, "twice"},
		{"column twice", func(f *Frame) {}, []Term{{"block", "block"}}, "twice"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := grid(t)
			c.change(&f)
			if _, err := Build(f, c.model); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	f := grid(t)
	for _, term := range []Term{nil, {"before"}, {"trt"}} {
		if _, _, err := f.Groups(term); err == nil {
			t.Errorf("groups of %v", term)
		}
	}
	d := build(t, f, Term{"block"})
	for _, term := range []Term{{"treatment"}, {"before"}} {
		if _, err := d.MeanRows(term); err == nil {
			t.Errorf("means of %v", term)
		}
	}
}

func TestGroups(t *testing.T) {
	codes, labels, err := grid(t).Groups(Term{"block", "treatment"})
	if err != nil {
		t.Fatal(err)
	}
	if len(labels) != 6 || labels[0] != "1:T10" || codes[0] != codes[6] || codes[0] == codes[1] {
		t.Errorf("codes %v, labels %q", codes, labels)
	}
}

func FuzzCompareLabels(f *testing.F) {
	f.Add("T2", "T10", "2")
	f.Add("", "0", "00")
	f.Add("1e1", "10", "x1")
	f.Fuzz(func(t *testing.T, a, b, c string) {
		if compareLabels(a, b) != -compareLabels(b, a) {
			t.Errorf("%q and %q: the order depends on the side", a, b)
		}
		if a != b && compareLabels(a, b) == 0 {
			t.Errorf("%q and %q tie", a, b)
		}
		if compareLabels(a, b) < 0 && compareLabels(b, c) < 0 && compareLabels(a, c) >= 0 {
			t.Errorf("%q < %q < %q but not %q < %q", a, b, c, a, c)
		}
	})
}
