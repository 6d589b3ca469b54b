package stats_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
)

// NIST/ITL Statistical Reference Datasets, Analysis of Variance, SiRstv.
func TestCertifiedResistivity(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "testdata", "certified", "sirstv.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []stats.Row
	for _, l := range lines[1:] {
		v, err := strconv.ParseFloat(l[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, stats.Row{Treatment: l[0], Value: v})
	}
	a := analyse(t, rows, plain())
	trt := anovaRow(t, a.ANOVA, "treatment")
	for what, c := range map[string]struct {
		got  *float64
		want float64
	}{
		"F": {trt.F, 1.18046237440255}, "SS between": {&trt.SS, 5.11462616e-02},
		"SS within": {ptr(anovaRow(t, a.ANOVA, "residual").SS), 2.16636560e-01},
		"R squared": {a.RSquared, 0.190999039051129}, "residual SD": {a.ResidualSD, 0.104076068334656},
	} {
		near(t, what, c.got, c.want, 1e-12*c.want)
	}
}

// The sets SmLs01, 04 and 07 of NIST/ITL Statistical Reference Datasets (Simon
// & Lesage 1989, Comput. Stat. Data Anal. 8, 325): 9 groups of 21, certified F
// = 21. At 1e12 the values as float64 no longer have that F, so the exact F of
// what is stored is worked out in rational numbers beside it.
func TestCertifiedLargeConstants(t *testing.T) {
	for _, c := range []struct {
		base, certified, exact float64 // relative errors allowed
	}{{1, 1e-13, 1e-13}, {1e6, 1e-9, 1e-12}, {1e12, 1e-2, 1e-9}} {
		var rows []stats.Row
		for g := range 9 {
			middle := 0.4
			if g > 0 {
				middle = []float64{0.3, 0.5}[(g+1)%2]
			}
			for i := range 21 {
				tenths := math.Round(10 * middle)
				if i > 0 {
					tenths += float64(2*((i+1)%2) - 1)
				}
				v, err := strconv.ParseFloat(fmt.Sprintf("%.0f.%.0f", c.base, tenths), 64)
				if err != nil {
					t.Fatal(err)
				}
				rows = append(rows, stats.Row{Treatment: fmt.Sprint(g + 1), Value: v})
			}
		}
		f := anovaRow(t, analyse(t, rows, plain()).ANOVA, "treatment").F
		near(t, fmt.Sprintf("certified F at %g", c.base), f, 21, 21*c.certified)
		exact := exactOneWayF(rows)
		near(t, fmt.Sprintf("exact F at %g", c.base), f, exact, exact*c.exact)
	}
}

// exactOneWayF works in rational numbers throughout.
func exactOneWayF(rows []stats.Row) float64 {
	groups := map[string][]*big.Rat{}
	all := new(big.Rat)
	for _, r := range rows {
		v := new(big.Rat).SetFloat64(r.Value)
		groups[r.Treatment] = append(groups[r.Treatment], v)
		all.Add(all, v)
	}
	grand := all.Quo(all, big.NewRat(int64(len(rows)), 1))
	square := func(a, b *big.Rat) *big.Rat {
		d := new(big.Rat).Sub(a, b)
		return d.Mul(d, d)
	}
	between, within := new(big.Rat), new(big.Rat)
	for _, g := range groups {
		n := big.NewRat(int64(len(g)), 1)
		m := new(big.Rat)
		for _, v := range g {
			m.Add(m, v)
		}
		m.Quo(m, n)
		for _, v := range g {
			within.Add(within, square(v, m))
		}
		between.Add(between, n.Mul(n, square(m, grand)))
	}
	k, n := int64(len(groups)), int64(len(rows))
	f := between.Mul(between, big.NewRat(n-k, k-1))
	out, _ := f.Quo(f, within).Float64()
	return out
}

// damaged returns an invented trial of one of several designs, some plots lost.
func damaged(rng *rand.Rand) []stats.Row {
	t, b := 2+rng.IntN(4), 3+rng.IntN(3)
	rows := invented(t, b, 1+rng.IntN(2), rng.Float64(), rng)
	switch rng.IntN(3) {
	case 0:
		for i := range rows {
			rows[i].Plot, rows[i].Block = rows[i].Treatment+"/"+rows[i].Block, ""
		}
	case 1:
		for range 1 + rng.IntN(2) {
			rows[rng.IntN(len(rows))].Missing = true
		}
	}
	return rows
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

func TestRowOrderChangesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	for range 30 {
		rows := damaged(rng)
		o := plain()
		o.Control = "T1"
		want := asJSON(t, analyse(t, rows, o))
		rng.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
		if got := asJSON(t, analyse(t, rows, o)); got != want {
			t.Fatalf("the order of the rows changed the result:\n%s\n%s", want, got)
		}
	}
}

// agree compares what must not hang on names, places or units.
func agree(t *testing.T, what string, a, b stats.Analysis, rename map[string]string, scale float64) {
	t.Helper()
	x, y := anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, b.ANOVA, "treatment")
	near(t, what+": F", y.F, *x.F, 1e-9**x.F)
	near(t, what+": p", y.P, *x.P, 1e-9)
	name := func(s string) string {
		if to, ok := rename[s]; ok {
			return to
		}
		return s
	}
	for _, p := range a.Pairs {
		q := pair(t, b.Pairs, name(p.A), name(p.B))
		near(t, what+": pair p", q.P, *p.P, 1e-8)
		near(t, what+": SED", q.SED, math.Abs(scale)**p.SED, 1e-9*math.Abs(scale)**p.SED)
		near(t, what+": difference", ptr(math.Abs(*q.Difference)), math.Abs(scale**p.Difference), 1e-8*math.Abs(scale))
		if q.Differ != p.Differ {
			t.Errorf("%s: pair %s-%s turned from %v to %v", what, p.A, p.B, p.Differ, q.Differ)
		}
	}
}

func TestNamesPlaceAndUnitChangeNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	for range 30 {
		rows := damaged(rng)
		a := analyse(t, rows, plain())
		change := func(f func(*stats.Row)) stats.Analysis {
			c := slices.Clone(rows)
			for i := range c {
				f(&c[i])
			}
			return analyse(t, c, plain())
		}
		rename := map[string]string{"T1": "straw", "T2": "a", "T3": "10", "T4": "9", "T5": "T1"}
		agree(t, "relabelling", a, change(func(r *stats.Row) {
			r.Treatment = rename[r.Treatment]
			if r.Block != "" {
				r.Block = map[string]string{"1": "z", "2": "y", "3": "east", "4": "1", "5": "b"}[r.Block]
			}
		}), rename, 1)
		agree(t, "adding a constant", a, change(func(r *stats.Row) { r.Value += 4096 }), nil, 1)
		agree(t, "another unit", a, change(func(r *stats.Row) { r.Value *= 2.54 }), nil, 2.54)
		agree(t, "turned round", a, change(func(r *stats.Row) { r.Value = -r.Value }), nil, -1)
	}
}

// With two treatments everything is one t test.
func TestTwoTreatments(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 20 {
		rows := invented(2, 5, 1, 0.5, rng)
		o := plain()
		o.Control = "T1"
		a := analyse(t, rows, o)
		x, y := make([]float64, 5), make([]float64, 5)
		for _, r := range rows {
			b := int(r.Block[0] - '1')
			if r.Treatment == "T1" {
				x[b] = r.Value
			} else {
				y[b] = r.Value
			}
		}
		mean, squares := 0.0, 0.0 // of the differences
		for i := range x {
			mean += (x[i] - y[i]) / 5
		}
		for i := range x {
			squares += (x[i] - y[i] - mean) * (x[i] - y[i] - mean)
		}
		paired := mean / math.Sqrt(squares/4/5)
		p, err := dist.TTwoSided(paired, 4)
		if err != nil {
			t.Fatal(err)
		}
		trt := anovaRow(t, a.ANOVA, "treatment")
		near(t, "F = t^2", trt.F, paired*paired, 1e-9**trt.F)
		near(t, "p of F and t", trt.P, p, 1e-12)
		near(t, "Tukey", a.Pairs[0].P, p, 1e-12)
		near(t, "Dunnett", a.VsControl[0].P, p, 1e-8)
		// Without going round the studentized range for two.
		studentised, err := dist.NewStudentizedRange(2, float64(a.ResidualDF))
		if err != nil {
			t.Fatal(err)
		}
		q, err := studentised.SF(math.Sqrt2 * math.Abs(*a.Pairs[0].T))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "studentized range for two", &q, p, 1e-8)
	}
}

// Every set of pairs gets letters that say the same as the pairs.
func TestLettersRule(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range 400 {
		n := 1 + rng.IntN(12)
		d := make([][]bool, n)
		for i := range d {
			d[i] = make([]bool, n)
		}
		share := rng.Float64()
		for i := range n {
			for j := range i {
				d[i][j] = rng.Float64() < share
				d[j][i] = d[i][j]
			}
		}
		differ := func(i, j int) bool { return d[i][j] }
		letters, err := stats.Letters(n, differ)
		if err != nil {
			t.Fatal(err)
		}
		checkLetterRule(t, letters, differ)
	}
	// A contrived case in which splitting alone would make 3^10 groups, and
	// one that needs more letters than there are.
	if letters, err := stats.Letters(30, func(i, j int) bool { return i != j && i/3 == j/3 }); err == nil {
		checkLetterRule(t, letters, func(i, j int) bool { return i != j && i/3 == j/3 })
	}
	if _, err := stats.Letters(60, func(i, j int) bool { return i != j }); err == nil {
		t.Error("60 letters were found")
	}
}

// Under no difference, p is uniform and intervals hold at their confidence.
func TestLevelAndCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 13))
	trials := 600
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		trials = 20000
	}
	o := plain()
	o.Method = stats.LSD
	var tenth [10]int
	covered, intervals := 0, 0
	for range trials {
		a := analyse(t, invented(3, 4, 1, 0, rng), o)
		p := *anovaRow(t, a.ANOVA, "treatment").P
		tenth[min(9, int(10*p))]++
		q := a.Pairs[0]
		intervals++
		if *q.Lower <= 0 && 0 <= *q.Upper {
			covered++
		}
	}
	// Chi-square of 10 classes: 27.88 is passed once in a thousand.
	var chi float64
	for _, n := range tenth {
		e := float64(trials) / 10
		chi += (float64(n) - e) * (float64(n) - e) / e
	}
	if chi > 27.88 {
		t.Errorf("p values of no difference by tenths: %v (chi-square %.1f)", tenth, chi)
	}
	share := float64(covered) / float64(intervals)
	if se := math.Sqrt(0.95 * 0.05 / float64(intervals)); math.Abs(share-0.95) > 3.3*se {
		t.Errorf("intervals cover in %.4f, want 0.95 within %.4f", share, 3.3*se)
	}
}

// Fieller's interval covers the true suppression at its confidence.
func TestSuppressionCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 19))
	o := plain()
	o.Control = "C"
	covered, trials := 0, 600
	for range trials {
		var rows []stats.Row
		for b := range 5 {
			rows = append(rows, stats.Row{Treatment: "C", Block: fmt.Sprint(b), Value: 50 + 5*rng.NormFloat64()},
				stats.Row{Treatment: "T", Block: fmt.Sprint(b), Value: 20 + 5*rng.NormFloat64()})
		}
		s := treatment(t, analyse(t, rows, o), "T").Suppression
		if s.Method != "Fieller" {
			t.Fatalf("suppression %+v", s)
		}
		if *s.Lower <= 60 && 60 <= *s.Upper {
			covered++
		}
	}
	share := float64(covered) / float64(trials)
	if se := math.Sqrt(0.95 * 0.05 / float64(trials)); math.Abs(share-0.95) > 3.3*se {
		t.Errorf("intervals cover in %.4f, want 0.95 within %.4f", share, 3.3*se)
	}
}

// Trend contrasts are orthogonal and of length one, and take up the whole sum
// of squares of treatment in a whole trial.
func TestTrendsAddUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 29))
	for range 20 {
		k := 2 + rng.IntN(6)
		scores := make([]float64, k)
		for i := range scores {
			scores[i] = 10*float64(i) + 9*rng.Float64()
		}
		set, err := stats.PolynomialContrasts(scores, k)
		if err != nil || len(set) != k-1 {
			t.Fatalf("%d contrasts of %d scores, %v", len(set), k, err)
		}
		for i, a := range set {
			for j, b := range set[:i+1] {
				var d, sum float64
				for m := range a {
					d += a[m] * b[m]
					sum += a[m]
				}
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(d-want) > 1e-12 || math.Abs(sum) > 1e-12 {
					t.Errorf("contrasts %d and %d: product %g, sum %g", i, j, d, sum)
				}
			}
		}
		rows := invented(k, 3, 1, 1, rng)
		m, err := fitOf(t, rows).MeansOf("treatment")
		if err != nil {
			t.Fatal(err)
		}
		var ss float64
		for i, c := range set {
			r, err := m.Contrast(fmt.Sprint(i+1), c, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			ss += *r.SS
		}
		want := anovaRow(t, analyse(t, rows, plain()).ANOVA, "treatment").SS
		near(t, "sum of trends", &ss, want, 1e-9*want)
		o := plain()
		o.Rates = map[string]float64{}
		for i, s := range scores {
			o.Rates[m.Levels[i]] = s
		}
		a := analyse(t, rows, o)
		if len(a.Contrasts) != min(3, k-1) {
			t.Errorf("%d trends of %d rates", len(a.Contrasts), k)
		}
		linear, err := m.Contrast("", set[0], 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "linear trend", a.Contrasts[0].F, *linear.F, 1e-9**linear.F)
	}
	o := plain()
	o.Contrasts = []stats.Question{{Name: "cover against none", Weights: map[string]float64{"bare": 4, "RYE": -1, "RYEVETCH": -1, "STRAW": -1, "TARP": -1}}}
	near(t, "cover against none", analyse(t, d1Rows(), o).Contrasts[0].Estimate, 4*59-28-17.25-33-9, 1e-9)
	o.Contrasts[0].Weights["TARP"] = 0
	wantError(t, d1Rows(), o, "cover against none", "sum to zero")
	o.Contrasts[0].Weights = map[string]float64{"BARE": 1, "OATS": -1}
	wantError(t, d1Rows(), o, "OATS")
	for _, bad := range [][]float64{{1}, {1, 1}, {1, math.NaN()}} {
		if _, err := stats.PolynomialContrasts(bad, 2); err == nil {
			t.Errorf("scores %v were taken", bad)
		}
	}
}

// A covariate that carries the response leaves the treatments alone.
func TestCovariate(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 37))
	rows := invented(3, 5, 1, 2, rng)
	for i := range rows {
		rows[i].Covariate, rows[i].HasCovariate = 10*rng.Float64(), true
		rows[i].Value += 3 * rows[i].Covariate
	}
	without := analyse(t, rows, plain())
	o := plain()
	o.UseCovariate = true
	with := analyse(t, rows, o)
	if with.ResidualDF != without.ResidualDF-1 || *with.MSE > *without.MSE/5 {
		t.Errorf("df %d and MSE %g with the covariate, %d and %g without", with.ResidualDF, *with.MSE, without.ResidualDF, *without.MSE)
	}
	if !hasText([]string{with.Design.Words}, "3 treatments in 5 complete blocks") {
		t.Error(with.Design.Words)
	}
	rows[3].HasCovariate = false
	wantError(t, rows, o, "no covariate")
}

func FuzzAnalyse(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12})
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255})
	f.Fuzz(func(t *testing.T, data []byte) {
		var rows []stats.Row
		for len(data) >= 3 && len(rows) < 60 {
			b := data[:3]
			data = data[3:]
			r := stats.Row{Treatment: string('A' + rune(b[0]%4)), Block: fmt.Sprint(b[0] / 4 % 4), Value: float64(b[1]) / 2, Missing: b[2]%8 == 0}
			if b[2]%4 == 1 {
				r.Block = ""
			}
			if b[2]%16 == 3 {
				r.Value = math.NaN()
			}
			if b[2]%4 == 2 {
				r.Quadrat = fmt.Sprint(b[2] / 16)
			}
			rows = append(rows, r)
		}
		o := plain()
		o.Control = "A"
		a, err := stats.Analyse(rows, o)
		if err == nil {
			checkJSON(t, a)
			if len(a.Verdict) == 0 {
				t.Error("no verdict")
			}
		}
	})
}
