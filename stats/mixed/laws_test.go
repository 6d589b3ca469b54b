package mixed

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/stats/internal/refcases"
	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

// near fails unless got is within rel of want, or within rel of size where
// want is smaller than that.
func near(t *testing.T, what string, got, want, rel, size float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Max(math.Abs(want), size)) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

// table reads a CSV of labels with the response in the last column.
func table(t *testing.T, name string) Model {
	t.Helper()
	file, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var m Model
	last := len(records[0]) - 1
	for k, head := range records[0][:last] {
		fac := terms.Factor{Name: head}
		for _, r := range records[1:] {
			fac.Labels = append(fac.Labels, r[k])
		}
		m.Frame.Factors = append(m.Frame.Factors, fac)
	}
	for _, r := range records[1:] {
		y, err := strconv.ParseFloat(r[last], 64)
		if err != nil {
			t.Fatal(err)
		}
		m.Response = append(m.Response, y)
	}
	return m
}

func oats(t *testing.T) Model {
	m := table(t, "oats.csv")
	m.Fixed = []terms.Term{{"variety"}, {"nitrogen"}, {"variety", "nitrogen"}}
	m.Random = []terms.Term{{"block"}, {"block", "variety"}}
	return m
}

// TestOats holds the split plot of Yates (1935) against its published
// analysis: F 1.49 on 2 and 10, 37.69 on 3 and 45, 0.30 on 6 and 45 df
// (Venables and Ripley 2002, Modern Applied Statistics with S, section 10.2),
// and against the error mean squares of that table: in a balanced design REML
// and ANOVA components agree.
func TestOats(t *testing.T) {
	msBlock, msWhole, msSub := 3175.055555555556, 601.3305555555556, 177.0833333333333
	for _, df := range []DFMethod{KenwardRoger, Satterthwaite} {
		f := mustFit(t, oats(t), df)
		near(t, "block variance", f.Components[0].Variance, (msBlock-msWhole)/12, 1e-8, 0)
		near(t, "whole-plot variance", f.Components[1].Variance, (msWhole-msSub)/4, 1e-8, 0)
		near(t, "residual", f.Components[2].Variance, msSub, 1e-8, 0)
		for i, want := range []struct{ f, num, den float64 }{{1.4853403794363396, 2, 10}, {37.685647058823506, 3, 45}, {0.30282352941176416, 6, 45}} {
			for _, tests := range [][]Test{f.Sequential, f.Adjusted} {
				near(t, tests[i].Term+" F", tests[i].F, want.f, 1e-8, 0)
				near(t, tests[i].Term+" numerator df", float64(tests[i].NumDF), want.num, 0, 0)
				near(t, tests[i].Term+" df", tests[i].DenDF, want.den, 1e-6, 0)
			}
		}
	}
}

// TestReferenceSplitPlot serves the standard errors of differences of the
// split-plot case, which a mixed model gives without special formulas.
func TestReferenceSplitPlot(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		m := Model{Response: c.Floats(t, "y"), Fixed: []terms.Term{{"whole"}, {"sub"}, {"whole", "sub"}}, Random: []terms.Term{{"block"}, {"block", "whole"}}}
		m.Frame.Factors = []terms.Factor{factor("block", c.Strings(t, "block")), factor("whole", c.Strings(t, "whole")), factor("sub", c.Strings(t, "sub"))}
		f := mustFit(t, m, Satterthwaite)
		first := func(of, within terms.Term) Difference {
			d, _, err := f.Differences(of, within)
			if err != nil {
				t.Fatal(err)
			}
			return d[0]
		}
		c.CheckWithin(t, "sed_whole", first(terms.Term{"whole"}, nil).SED, 0, 1e-8)
		c.CheckWithin(t, "sed_sub", first(terms.Term{"sub"}, nil).SED, 0, 1e-8)
		c.CheckWithin(t, "sed_sub_same_whole", first(terms.Term{"sub"}, terms.Term{"whole"}).SED, 0, 1e-8)
		d := first(terms.Term{"whole"}, terms.Term{"sub"})
		c.CheckWithin(t, "sed_whole_same_or_diff_sub", d.SED, 0, 1e-8)
		c.CheckWithin(t, "df_whole_same_sub_satterthwaite", d.DF, 0, 1e-6)
		for _, path := range []string{"strata", "levels_whole", "levels_sub", "mean_whole", "mean_sub", "mean_cells", "ms_error_a", "df_error_a", "ms_error_b", "df_error_b", "cv_a_percent", "cv_b_percent"} {
			c.PassOver(path, "analysis of variance, served by package stats")
		}
	}, refcases.SplitPlot)
}

// TestSubsampling holds the machines data of Milliken and Johnson (1992)
// against the F of their plot means: quadrats are never replicates.
func TestSubsampling(t *testing.T) {
	m := table(t, "machines.csv")
	m.Fixed = []terms.Term{{"worker"}, {"machine"}}
	m.Random = []terms.Term{{"worker", "machine"}}
	f := mustFit(t, m, KenwardRoger)
	near(t, "F", f.Adjusted[1].F, 20.576082965924, 1e-9, 0)
	near(t, "df", f.Adjusted[1].DenDF, 10, 1e-9, 0)
	near(t, "plot variance", f.Components[0].Variance, 13.9094567888, 1e-8, 0)
}

// TestTwoTreatmentsFourQuadrats: plot means 20, 35, 28, 41 and 24, 33, 36, 44
// with four quadrats at -3, -1, 1, 3 about each are 4 pairs, and the paired t
// of the means decides (t^2 on 3 df by arithmetic), not 32 rows.
func TestTwoTreatmentsFourQuadrats(t *testing.T) {
	var m Model
	var trt, block []string
	for k, means := range [][]float64{{20, 35, 28, 41}, {24, 33, 36, 44}} {
		for b, y := range means {
			for _, q := range []float64{-3, -1, 1, 3} {
				m.Response = append(m.Response, y+q)
				trt, block = append(trt, string(rune('A'+k))), append(block, fmt.Sprint(b+1))
			}
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}}
	m.Random = []terms.Term{{"block", "treatment"}}
	f := mustFit(t, m, KenwardRoger)
	diff := []float64{4, -2, 8, 3}
	mean, ss := 3.25, 0.0
	for _, d := range diff {
		ss += (d - mean) * (d - mean)
	}
	want := mean * mean / (ss / 3 / 4)
	near(t, "F", f.Adjusted[1].F, want, 1e-8, 0)
	near(t, "df", f.Adjusted[1].DenDF, 3, 1e-8, 0)
	near(t, "p", f.Adjusted[1].P, tails.F(want, 1, 3), 1e-7, 0)
}

// TestBlocksWithoutEffect: with block differences below chance the block
// variance is 0 and is said so, while the test keeps its 6 error df. Data 3
// treatments by 4 blocks; F by hand from the block analysis.
func TestBlocksWithoutEffect(t *testing.T) {
	var m Model
	var trt, block []string
	for k, row := range [][]float64{{10, 15, 12, 13}, {22, 16, 20, 18}, {27, 30, 28, 31}} {
		for b, y := range row {
			m.Response = append(m.Response, y)
			trt, block = append(trt, string(rune('A'+k))), append(block, fmt.Sprint(b+1))
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
	m.Fixed = []terms.Term{{"treatment"}}
	m.Random = []terms.Term{{"block"}}
	f := mustFit(t, m, KenwardRoger)
	if !f.Components[0].AtZero || f.Components[0].Variance != 0 {
		t.Errorf("block component %+v: want 0", f.Components[0])
	}
	if !slices.ContainsFunc(f.Warnings, func(w string) bool { return strings.Contains(w, "estimated as 0") }) {
		t.Errorf("warnings %q do not say that the block variance is 0", f.Warnings)
	}
	near(t, "df", f.Adjusted[0].DenDF, 6, 1e-8, 0)
	m.Fixed, m.Random = []terms.Term{{"block"}, {"treatment"}}, nil
	f = mustFit(t, m, KenwardRoger)
	near(t, "F with fixed blocks", f.Adjusted[1].F, 40.112903225806, 1e-10, 0)
	near(t, "df with fixed blocks", f.Adjusted[1].DenDF, 6, 1e-10, 0)
}

// TestDatesAreNotReplicates: three treatments in four blocks on four dates.
// The treatment is tested against plots (2 and 6 df), not rows (33 df). F by
// the split-plot-in-time analysis of variance.
func TestDatesAreNotReplicates(t *testing.T) {
	cover := map[string][][]float64{
		"BARE":  {{3, 14, 38, 66}, {2, 10, 30, 52}, {5, 20, 47, 75}, {3, 12, 35, 60}},
		"RYE":   {{1, 5, 16, 30}, {2, 8, 22, 35}, {2, 9, 25, 43}, {1, 4, 12, 24}},
		"STRAW": {{2, 7, 19, 36}, {1, 5, 13, 27}, {3, 11, 26, 45}, {2, 9, 22, 38}},
	}
	var m Model
	var trt, block, date []string
	for name, plots := range cover {
		for b, row := range plots {
			for k, y := range row {
				m.Response = append(m.Response, y)
				trt, block, date = append(trt, name), append(block, fmt.Sprint(b+1)), append(date, fmt.Sprint(14*k))
			}
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}, {Name: "date", Labels: date}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}, {"date"}, {"treatment", "date"}}
	m.Random = []terms.Term{{"block", "treatment"}}
	f := mustFit(t, m, KenwardRoger)
	near(t, "treatment F", f.Sequential[1].F, 24.772, 2e-5, 0)
	near(t, "treatment df", f.Sequential[1].DenDF, 6, 1e-8, 0)
	near(t, "treatment x date F", f.Sequential[3].F, 17.021, 3e-5, 0)
	near(t, "treatment x date df", f.Sequential[3].DenDF, 27, 1e-8, 0)
}

// damaged is an unbalanced season: rows knocked out of a simulated one.
func damaged(seed uint64) Model {
	rng := rand.New(rand.NewPCG(seed, 7))
	s := simulated{treatments: 4, blocks: 3, days: []float64{0, 13, 29, 42, 60}, block: 3, plot: 2, sd: 2, phiPerDay: 0.95}
	m := s.rows(rng)
	m.Random = []terms.Term{{"plot"}}
	var keep []int
	for i := range m.Response {
		if rng.Float64() > 0.12 {
			keep = append(keep, i)
		}
	}
	return pick(m, keep)
}

// pick takes rows in the order given.
func pick(m Model, order []int) Model {
	out := m
	out.Response, out.Frame.Factors = nil, nil
	if m.Serial != nil {
		out.Serial = &Serial{Group: m.Serial.Group}
	}
	for _, i := range order {
		out.Response = append(out.Response, m.Response[i])
		if m.Serial != nil {
			out.Serial.Days = append(out.Serial.Days, m.Serial.Days[i])
		}
	}
	for _, fac := range m.Frame.Factors {
		g := terms.Factor{Name: fac.Name, Levels: fac.Levels}
		for _, i := range order {
			g.Labels = append(g.Labels, fac.Labels[i])
		}
		out.Frame.Factors = append(out.Frame.Factors, g)
	}
	return out
}

// sameAnswer compares everything that may not depend on rows, labels or
// units: y is a + b times the first response.
func sameAnswer(t *testing.T, got, want *Fit, b, rel float64) {
	t.Helper()
	for i, c := range want.Components {
		near(t, "variance of "+c.Name, got.Components[i].Variance, b*b*c.Variance, rel, 1e-6*b*b)
	}
	if want.Serial != nil {
		near(t, "correlation", got.Serial.CorrelationPerDay, want.Serial.CorrelationPerDay, rel, 0)
	}
	for i, x := range want.Sequential {
		near(t, x.Term+" sequential F", got.Sequential[i].F, x.F, rel, 1)
		near(t, x.Term+" sequential df", got.Sequential[i].DenDF, x.DenDF, rel, 0)
	}
	for i, x := range want.Adjusted {
		near(t, x.Term+" adjusted F", got.Adjusted[i].F, x.F, rel, 1)
		near(t, x.Term+" adjusted df", got.Adjusted[i].DenDF, x.DenDF, rel, 0)
	}
	near(t, "log-likelihood", got.LogLik, want.LogLik-float64(want.ResidualDF)*math.Log(math.Abs(b)), rel, 1)
}

func TestLawsOfTheSeason(t *testing.T) {
	for _, df := range []DFMethod{KenwardRoger, Satterthwaite} {
		for seed := range uint64(3) {
			m := damaged(seed)
			f := mustFit(t, m, df)
			n := len(m.Response)

			rng := rand.New(rand.NewPCG(seed, 11))
			t.Run("row order", func(t *testing.T) {
				sameAnswer(t, mustFit(t, pick(m, rng.Perm(n)), df), f, 1, 1e-6)
			})
			t.Run("label order", func(t *testing.T) {
				o := pick(m, rng.Perm(n))
				for i := range o.Frame.Factors {
					levels := inOrder(o.Frame.Factors[i].Labels)
					rng.Shuffle(len(levels), func(a, b int) { levels[a], levels[b] = levels[b], levels[a] })
					o.Frame.Factors[i].Levels = levels
				}
				sameAnswer(t, mustFit(t, o, df), f, 1, 1e-6)
			})
			t.Run("units", func(t *testing.T) {
				o := m
				o.Response = slices.Clone(m.Response)
				for i := range o.Response {
					o.Response[i] = 1e3 - 2.5*o.Response[i]
				}
				sameAnswer(t, mustFit(t, o, df), f, 2.5, 1e-6)
			})
			t.Run("time in hours", func(t *testing.T) {
				o := m
				o.Serial = &Serial{Group: m.Serial.Group, Days: slices.Clone(m.Serial.Days)}
				for i := range o.Serial.Days {
					o.Serial.Days[i] = 24 * (o.Serial.Days[i] + 700)
				}
				g := mustFit(t, o, df)
				near(t, "correlation at the gap", g.Serial.CorrelationAtGap, f.Serial.CorrelationAtGap, 1e-6, 0)
				near(t, "log-likelihood", g.LogLik, f.LogLik, 1e-10, 0)
			})
		}
	}
}

// TestLargeOffset: a common offset of 1e9 leaves about seven digits of the
// rows, and the fit must keep them.
func TestLargeOffset(t *testing.T) {
	m := damaged(4)
	for i, y := range m.Response {
		m.Response[i] = math.Round(y*8) / 8 // exact in binary after the offset
	}
	f := mustFit(t, m, KenwardRoger)
	o := m
	o.Response = slices.Clone(m.Response)
	for i := range o.Response {
		o.Response[i] += 1e9
	}
	sameAnswer(t, mustFit(t, o, KenwardRoger), f, 1, 1e-5)
}

// TestNoRandomIsLeastSquares: without random terms both df methods give the
// exact residual df and the F of the linear model (here one-way by hand).
func TestNoRandomIsLeastSquares(t *testing.T) {
	m := Model{Response: []float64{6, 8, 4, 5, 3, 4, 8, 12, 9, 11, 6, 8, 13, 9, 11, 8, 7, 12}}
	labels := strings.Fields("a a a a a a b b b b b b c c c c c c")
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: labels}}
	m.Fixed = []terms.Term{{"treatment"}}
	for _, df := range []DFMethod{KenwardRoger, Satterthwaite} {
		f := mustFit(t, m, df)
		// Group means 5, 9, 10; between MS 42, within MS 68/15.
		near(t, "F", f.Adjusted[0].F, 42/(68.0/15), 1e-12, 0)
		near(t, "df", f.Adjusted[0].DenDF, 15, 1e-10, 0)
		near(t, "variance", f.Components[0].Variance, 68.0/15, 1e-12, 0)
	}
}

// TestBalancedComponents: in balanced nested data REML gives the ANOVA
// components where those are not negative, and exact df.
func TestBalancedComponents(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	compared := 0
	for range 20 {
		var m Model
		var trt, block []string
		plots := map[string]float64{}
		const blocks, treatments, quadrats = 4, 3, 3
		within := 0.0
		for b := range blocks {
			for k := range treatments {
				e, sum, squares := 2*rng.NormFloat64(), 0.0, 0.0
				for range quadrats {
					y := 10 + float64(k) + e + rng.NormFloat64()
					m.Response = append(m.Response, y)
					trt, block = append(trt, fmt.Sprint("T", k)), append(block, fmt.Sprint("B", b))
					sum += y
					squares += y * y
				}
				within += squares - sum*sum/quadrats
				plots[fmt.Sprint(b, k)] = sum / quadrats
			}
		}
		msWithin := within / (blocks * treatments * (quadrats - 1))
		msPlot := 0.0
		for b := range blocks {
			for k := range treatments {
				rowMean, colMean, grand := 0.0, 0.0, 0.0
				for j := range treatments {
					rowMean += plots[fmt.Sprint(b, j)] / treatments
				}
				for i := range blocks {
					colMean += plots[fmt.Sprint(i, k)] / blocks
					for j := range treatments {
						grand += plots[fmt.Sprint(i, j)] / blocks / treatments
					}
				}
				d := plots[fmt.Sprint(b, k)] - rowMean - colMean + grand
				msPlot += quadrats * d * d / ((blocks - 1) * (treatments - 1))
			}
		}
		if msPlot <= msWithin {
			continue
		}
		compared++
		m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
		m.Fixed = []terms.Term{{"block"}, {"treatment"}}
		m.Random = []terms.Term{{"block", "treatment"}}
		for _, df := range []DFMethod{KenwardRoger, Satterthwaite} {
			f := mustFit(t, m, df)
			near(t, "within", f.Components[1].Variance, msWithin, 1e-7, 0)
			near(t, "plot", f.Components[0].Variance, (msPlot-msWithin)/quadrats, 1e-7, 0)
			near(t, "df", f.Adjusted[1].DenDF, 6, 1e-6, 0)
		}
	}
	if compared < 10 {
		t.Fatalf("only %d of 20 data sets had a positive component", compared)
	}
}

// problemOf is the search for the variances of blocks and plots in a season with
// readings missing.
func problemOf(t *testing.T, method Method) *problem {
	t.Helper()
	m := damaged(1)
	m.Random = []terms.Term{{"block"}, {"plot"}}
	m.Fixed = m.Fixed[1:]
	design, err := terms.Build(m.Frame, m.Fixed)
	if err != nil {
		t.Fatal(err)
	}
	s, err := newStructure(m)
	if err != nil {
		t.Fatal(err)
	}
	return newProblem(m, design, s, method)
}

// TestDerivatives holds gradient and observed information against central
// differences of the log-likelihood.
func TestDerivatives(t *testing.T) {
	for _, method := range []Method{REML, ML} {
		pr := problemOf(t, method)
		at := []float64{0.7, 0.4, math.Log(0.05)}
		state := func(x []float64) *state {
			st, ok := pr.evaluate(params{gamma: x[:2], logRate: x[2]}, true)
			if !ok {
				t.Fatal("no likelihood")
			}
			return st
		}
		sl := pr.differentiate(state(at), true)
		const h = 1e-5
		for i := range at {
			up, down := slices.Clone(at), slices.Clone(at)
			up[i] += h
			down[i] -= h
			a, b := state(up), state(down)
			near(t, fmt.Sprintf("%s gradient %d", method, i), sl.grad[i], (a.logLik-b.logLik)/(2*h), 1e-6, 1)
			ga, gb := pr.differentiate(a, true).grad, pr.differentiate(b, true).grad
			for j := range at {
				near(t, fmt.Sprintf("%s information %d,%d", method, i, j), sl.info[0][i][j], -(ga[j]-gb[j])/(2*h), 1e-6, 1)
			}
		}
	}
}

// TestAdjustmentWidens: Kenward-Roger standard errors are never below the
// model's own, also where the serial correlation is all but gone.
func TestAdjustmentWidens(t *testing.T) {
	rng := rand.New(rand.NewPCG(20, 26))
	weak := 0
	for range 60 {
		s := simulated{treatments: 4, blocks: 4, days: []float64{0, 14, 28, 42}, plot: 1.5, sd: 2, phiPerDay: 0.8}
		m := s.rows(rng)
		m.Random = []terms.Term{{"plot"}}
		kr, plain := mustFit(t, m, KenwardRoger), mustFit(t, m, Satterthwaite)
		if c := kr.Serial.CorrelationAtGap; c > 0 && c < 0.1 {
			weak++
		}
		for i, b := range plain.Coefficients {
			if kr.Coefficients[i].SE < b.SE*(1-1e-9) {
				t.Errorf("%s: adjusted SE %v below %v", b.Name, kr.Coefficients[i].SE, b.SE)
			}
		}
		if len(kr.Adjusted) != 4 {
			t.Errorf("%d tests, warnings %q", len(kr.Adjusted), kr.Warnings)
		}
	}
	if weak < 5 {
		t.Fatalf("only %d of 60 seasons had a weak correlation", weak)
	}
}

// TestCrossedGroupings: in a balanced two-way table with both margins random
// REML gives the ANOVA components, worked from the sums of squares.
func TestCrossedGroupings(t *testing.T) {
	y := [][]float64{{12, 15, 19, 14}, {9, 13, 15, 12}, {16, 17, 25, 18}, {11, 16, 18, 13}, {7, 12, 15, 8}}
	r, c := len(y), len(y[0])
	var m Model
	var row, col []string
	rows, cols, grand := make([]float64, r), make([]float64, c), 0.0
	for i := range y {
		for j, v := range y[i] {
			m.Response = append(m.Response, v)
			row, col = append(row, fmt.Sprint("r", i)), append(col, fmt.Sprint("c", j))
			rows[i] += v / float64(c)
			cols[j] += v / float64(r)
			grand += v / float64(r*c)
		}
	}
	var msRow, msCol, ms float64
	for i := range y {
		msRow += float64(c) * (rows[i] - grand) * (rows[i] - grand) / float64(r-1)
		for j := range y[i] {
			d := y[i][j] - rows[i] - cols[j] + grand
			ms += d * d / float64((r-1)*(c-1))
		}
	}
	for j := range cols {
		msCol += float64(r) * (cols[j] - grand) * (cols[j] - grand) / float64(c-1)
	}
	m.Frame.Factors = []terms.Factor{{Name: "row", Labels: row}, {Name: "column", Labels: col}}
	m.Random = []terms.Term{{"row"}, {"column"}}
	f := mustFit(t, m, KenwardRoger)
	near(t, "row variance", f.Components[0].Variance, (msRow-ms)/float64(c), 1e-9, 0)
	near(t, "column variance", f.Components[1].Variance, (msCol-ms)/float64(r), 1e-9, 0)
	near(t, "residual", f.Components[2].Variance, ms, 1e-9, 0)
	near(t, "mean", f.Coefficients[0].Estimate, grand, 1e-12, 0)
	near(t, "SE of the mean", f.Coefficients[0].SE, math.Sqrt((msRow+msCol-ms)/float64(r*c)), 1e-9, 0)
}

func TestRefusals(t *testing.T) {
	base := func() Model {
		return Model{
			Response: []float64{1, 3, 2, 5, 4, 4, 7, 6},
			Frame: terms.Frame{Factors: []terms.Factor{
				{Name: "treatment", Labels: strings.Fields("a a b b a a b b")},
				{Name: "block", Labels: strings.Fields("1 1 1 1 2 2 2 2")},
			}},
			Fixed:  []terms.Term{{"treatment"}},
			Random: []terms.Term{{"block"}},
		}
	}
	for _, c := range []struct {
		name   string
		change func(*Model)
		want   string
	}{
		{"constant", func(m *Model) { m.Response = slices.Repeat([]float64{3}, 8) }, "nothing varies"},
		{"NaN", func(m *Model) { m.Response[2] = math.NaN() }, "row 3"},
		{"infinite", func(m *Model) { m.Response[0] = math.Inf(1) }, "row 1"},
		{"short", func(m *Model) { m.Response = m.Response[:7] }, "7 rows"},
		{"one treatment", func(m *Model) { m.Frame.Factors[0].Labels = slices.Repeat([]string{"a"}, 8) }, "one level"},
		{"one block", func(m *Model) { m.Frame.Factors[1].Labels = slices.Repeat([]string{"1"}, 8) }, "one group"},
		{"unknown column", func(m *Model) { m.Fixed = []terms.Term{{"tretment"}} }, "tretment"},
		{"empty label", func(m *Model) { m.Frame.Factors[0].Labels[4] = "" }, "row 5"},
		{"fixed and random", func(m *Model) { m.Fixed = []terms.Term{{"block"}, {"treatment"}} }, "either fixed or random"},
		{"each row a group", func(m *Model) {
			m.Frame.Factors[1].Labels = strings.Fields("1 2 3 4 5 6 7 8")
		}, "cannot be told apart"},
		{"twice the same groups", func(m *Model) {
			m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: "strip", Labels: strings.Fields("x x x x y y y y")})
			m.Random = append(m.Random, terms.Term{"strip"})
		}, "alike"},
		{"no residual df", func(m *Model) {
			m.Frame.Factors[0].Labels = strings.Fields("a b c d e f g h")
			m.Random = nil
		}, "no residual degrees of freedom"},
		{"huge", func(m *Model) { m.Response[3] = 1e200 }, "another unit"},
		{"two dates, two reasons to be alike", func(m *Model) {
			m.Random = []terms.Term{{"block", "treatment"}}
			m.Serial = &Serial{Group: terms.Term{"block", "treatment"}, Days: []float64{0, 7, 0, 7, 0, 7, 0, 7}}
		}, "cannot tell the variance components apart"},
		{"exact fit", func(m *Model) { m.Response = []float64{1, 1, 2, 2, 1, 1, 2, 2} }, "exactly"},
		{"rows agree in groups", func(m *Model) {
			m.Response = []float64{1, 1, 2, 2, 4, 4, 5.5, 5.5}
			m.Random = []terms.Term{{"block", "treatment"}}
		}, "exactly"},
		{"same day twice", func(m *Model) {
			m.Serial = &Serial{Group: terms.Term{"block", "treatment"}, Days: make([]float64, 8)}
		}, "two rows on day"},
		{"seen once", func(m *Model) {
			m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: "plot", Labels: strings.Fields("1 2 3 4 5 6 7 8")})
			m.Serial = &Serial{Group: terms.Term{"plot"}, Days: []float64{0, 1, 2, 3, 4, 5, 6, 7}}
		}, "one date only"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := base()
			c.change(&m)
			_, err := FitModel(m, DefaultOptions())
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want a refusal with %q", err, c.want)
			}
		})
	}
	for _, o := range []Options{{}, {Method: ML, DF: KenwardRoger, Level: 0.95}, {Method: REML, DF: "exact", Level: 0.95}, {Method: REML, DF: KenwardRoger, Level: 95}, {Method: REML, DF: KenwardRoger, Level: math.NaN()}} {
		if o.Validate() == nil {
			t.Errorf("options %+v pass", o)
		}
	}
}

// TestMissingCell: a treatment never seen on one date has no mean there, and
// the rest of the season still stands.
func TestMissingCell(t *testing.T) {
	m := damaged(2)
	var keep []int
	for i := range m.Response {
		if m.Frame.Factors[0].Labels[i] != "T2" || m.Frame.Factors[3].Labels[i] != "29" {
			keep = append(keep, i)
		}
	}
	f := mustFit(t, pick(m, keep), KenwardRoger)
	if len(f.Aliased) != 1 {
		t.Errorf("aliased %q: want one column", f.Aliased)
	}
	means, err := f.Means(terms.Term{"treatment", "date"})
	if err != nil {
		t.Fatal(err)
	}
	if len(means.Means) != 19 || len(means.Warnings) != 1 || !strings.Contains(means.Warnings[0], "T2:29") {
		t.Errorf("%d means, warnings %q", len(means.Means), means.Warnings)
	}
	_, missing, err := f.Differences(terms.Term{"treatment"}, terms.Term{"date"})
	if err != nil || len(missing) != 1 {
		t.Errorf("missing %q, %v", missing, err)
	}
	if _, _, err := f.Differences(terms.Term{"treatment"}, terms.Term{"treatment"}); err == nil {
		t.Error("differences of treatment within treatment")
	}
	if _, err := f.Means(terms.Term{"plot"}); err == nil {
		t.Error("means of a random factor")
	}
}

// FuzzFitModel throws small damaged tables at the fit: it must answer or
// refuse, never panic, and never hand out NaN or an infinity.
func FuzzFitModel(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, uint8(3), uint8(2), uint8(0))
	f.Add([]byte{0, 0, 0, 0, 5, 5, 5, 5, 9, 9, 9, 9}, uint8(2), uint8(2), uint8(1))
	f.Add([]byte{200, 3, 3, 3, 1, 1, 1, 1, 0, 255, 7, 7, 7, 9}, uint8(4), uint8(3), uint8(2))
	f.Add([]byte{1, 1, 1, 1, 1, 1, 1, 2}, uint8(2), uint8(4), uint8(3))
	f.Fuzz(func(t *testing.T, values []byte, treatments, blocks, kind uint8) {
		if len(values) > 64 {
			values = values[:64]
		}
		var m Model
		var trt, block, date []string
		for i, v := range values {
			m.Response = append(m.Response, float64(v)/4)
			k := int(v)%7*31 + i
			trt = append(trt, fmt.Sprint(k%(int(treatments)%6+1)))
			block = append(block, fmt.Sprint(i%(int(blocks)%5+1)))
			date = append(date, fmt.Sprint(i/9))
		}
		m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}, {Name: "date", Labels: date}}
		m.Fixed = []terms.Term{{"treatment"}, {"date"}}
		if kind&1 == 1 {
			m.Fixed = append(m.Fixed, terms.Term{"treatment", "date"})
		}
		m.Random = []terms.Term{{"block"}}
		if kind&2 == 2 {
			m.Random = append(m.Random, terms.Term{"block", "treatment"})
		}
		if kind&4 == 4 {
			m.Serial = &Serial{Group: terms.Term{"block", "treatment"}}
			for i := range values {
				m.Serial.Days = append(m.Serial.Days, float64(i))
			}
		}
		fit, err := FitModel(m, DefaultOptions())
		if err != nil {
			return
		}
		finiteJSON(t, fit)
		means, err := fit.Means(terms.Term{"treatment"})
		if err == nil {
			finiteJSON(t, means)
		}
	})
}
