package calibrate

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// referenceCase is one file of agreement and calibration (kind k11).
type referenceCase struct {
	ID   string `json:"id"`
	Kind string `json:"kind"`
	Data struct {
		X, Y    []float64
		Ratings [][]float64
	} `json:"data"`
	Expected   map[string]any `json:"expected"`
	Tolerances struct{ Rel, Abs float64 }
	own        bool
}

// referenceCases reads the project's own cases, in testdata/reference, without
// which the test fails, and those of the folders named in QUADTALLY_REFERENCE,
// where a file that cannot be read is named and left out.
func referenceCases(t *testing.T) []referenceCase {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test: the reference cases are found from there")
		}
		dir = up
	}
	var cases []referenceCase
	folders := append([]string{filepath.Join(dir, "testdata", "reference")}, filepath.SplitList(os.Getenv("QUADTALLY_REFERENCE"))...)
	for i, folder := range folders {
		files, err := filepath.Glob(filepath.Join(folder, "*.json"))
		if err != nil || len(files) == 0 {
			t.Fatalf("no reference cases in %s (%v)", folder, err)
		}
		for _, file := range files {
			c := referenceCase{own: i == 0}
			raw, err := os.ReadFile(file)
			if err == nil {
				var kind struct{ Kind string }
				if err = json.Unmarshal(raw, &kind); err == nil && kind.Kind != "k11" {
					continue // run by package stats
				}
				err = json.Unmarshal(raw, &c)
			}
			switch {
			case err == nil:
				cases = append(cases, c)
			case c.own:
				t.Fatalf("%s: %v", file, err)
			default:
				t.Logf("%s is not a case of this kind and is left out: %v", file, err)
			}
		}
	}
	return cases
}

// flatten writes nested expected values as "group.entry.index" numbers; null,
// text and truth values are kept apart.
func flatten(prefix string, v any, numbers map[string]float64, other map[string]any) {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			flatten(strings.TrimPrefix(prefix+"."+k, "."), e, numbers, other)
		}
	case []any:
		for i, e := range v {
			flatten(fmt.Sprintf("%s.%d", prefix, i), e, numbers, other)
		}
	case float64:
		numbers[prefix] = v
	default:
		other[prefix] = v
	}
}

// got collects our numbers under the names of the reference files.
type got map[string]float64

func (g got) put(name string, v *float64) {
	if v != nil {
		g[name] = *v
	}
}

func (g got) ci(low, high string, ci *Interval) {
	if ci != nil {
		g[low], g[high] = ci.Low, ci.High
	}
}

func (g got) test(stat, p string, t *Test) {
	if t != nil {
		g[stat], g[p] = t.Statistic, t.P
	}
}

func (g got) icc(c *ICC) {
	g["icc.bms"], g["icc.jms"], g["icc.ems"], g["icc.wms"] = c.BMS, c.JMS, c.EMS, c.WMS
	g["icc.icc_1_1"], g["icc.icc_2_1"], g["icc.icc_3_1"] = c.OneOne, c.Value, c.ThreeOne
	g["icc.icc_1_k"], g["icc.icc_2_k"], g["icc.icc_3_k"] = c.OneK, c.TwoK, c.ThreeK
	g["icc.satterthwaite_v"] = c.DF
	g.ci("icc.icc_2_1_lower95", "icc.icc_2_1_upper95", c.CI)
}

func (g got) ols(prefix string, l *OLS) {
	g[prefix+"intercept"], g[prefix+"slope"], g[prefix+"sigma"] = l.Intercept.Value, l.Slope.Value, l.Sigma
	g.put(prefix+"se_intercept", l.Intercept.SE)
	g.put(prefix+"se_slope", l.Slope.SE)
	g.put(prefix+"r2", l.R2)
	g.ci(prefix+"slope_ci95.0", prefix+"slope_ci95.1", l.Slope.CI)
	g.ci(prefix+"intercept_ci95.0", prefix+"intercept_ci95.1", l.Intercept.CI)
	g.test(prefix+"t_slope_eq_1", prefix+"p_slope_eq_1", l.SlopeOne)
	g.test(prefix+"f_joint_0_1", prefix+"p_joint_0_1", l.Equality)
}

func (g got) inverse(t *testing.T, l *OLS, want map[string]float64) {
	for i := 0; ; i++ {
		y, ok := want[fmt.Sprintf("inverse_prediction.y0.%d", i)]
		if !ok {
			return
		}
		inv, err := l.Inverse(y, 1)
		if err != nil {
			t.Fatal(err)
		}
		g[fmt.Sprintf("inverse_prediction.y0.%d", i)] = inv.Y
		g[fmt.Sprintf("inverse_prediction.x0.%d", i)] = inv.X
		g.put(fmt.Sprintf("inverse_prediction.lower95.%d", i), inv.Low)
		g.put(fmt.Sprintf("inverse_prediction.upper95.%d", i), inv.High)
		g["inverse_prediction.g"] = inv.G
	}
}

// agreement puts everything a paired case expects. x is the hand, y the image.
func (g got) agreement(t *testing.T, x, y []float64, ratio float64) {
	pairs := make([]Pair, len(x))
	for i := range x {
		pairs[i] = Pair{Hand: x[i], Image: y[i]}
	}
	opt := DefaultOptions()
	opt.Kind, opt.Resamples = Count, 200
	a, err := Agree(pairs, opt)
	if err != nil {
		t.Fatal(err)
	}
	g["n"] = float64(a.N)
	g["pearson.r"] = a.Pearson.Value
	g.test("pearson.t", "pearson.p", a.Pearson.Test)
	g.ci("pearson.lower95", "pearson.upper95", a.Pearson.CI)
	g["spearman.rho"] = a.Spearman.Value
	g.test("spearman.t", "spearman.p_t", a.Spearman.Test)
	g["lin_ccc.ccc"], g["lin_ccc.ccc_with_n_minus_1"] = a.CCC.Value, a.CCC.NMinus1
	g["lin_ccc.location_shift_u"], g["lin_ccc.scale_shift_v"] = a.CCC.LocationShift, a.CCC.ScaleShift
	g.put("lin_ccc.bias_correction_Cb", a.CCC.BiasCorrection)
	g.put("lin_ccc.z", a.CCC.Z)
	g.put("lin_ccc.se_z", a.CCC.SEZ)
	g.ci("lin_ccc.lower95", "lin_ccc.upper95", a.CCC.CI)
	const ba = "bland_altman."
	g[ba+"bias"], g[ba+"sd_diff"], g[ba+"multiplier"] = a.Bias.Value, a.SDDiff.Value, LimitsMultiplier
	g[ba+"lower_limit"], g[ba+"upper_limit"] = a.LowerLimit.Value, a.UpperLimit.Value
	g.put(ba+"bias_se", a.Bias.SE)
	g.ci(ba+"bias_lower95", ba+"bias_upper95", a.Bias.CI)
	g.put(ba+"limit_se_1999", a.LowerLimit.SE)
	g[ba+"limit_se_1986"] = a.LimitSE1986
	g.ci(ba+"lower_limit_ci95.0", ba+"lower_limit_ci95.1", a.LowerLimit.CI)
	g.ci(ba+"upper_limit_ci95.0", ba+"upper_limit_ci95.1", a.UpperLimit.CI)
	g[ba+"proportional_bias_slope"] = a.Sloping.BiasSlope.Value
	g.put(ba+"proportional_bias_se", a.Sloping.BiasSlope.SE)
	g.put(ba+"proportional_bias_p", a.Sloping.BiasP)
	g.icc(a.ICC)
	g["errors.rmse_y_minus_x"], g["errors.mae"] = a.RMSE.Value, a.MAE.Value

	l, err := FitOLS(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	g.ols("ols.", l)
	g["errors.rmse_ols_divisor_n"], g["errors.loo_rmsep_ols"] = l.RMSE, l.LeaveOne
	d, err := FitDeming(x, y, ratio, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	g["deming.lambda"], g["deming.intercept"], g["deming.slope"] = d.Ratio, d.Intercept.Value, d.Slope.Value
	g.put("deming.jackknife_se.0", d.Intercept.SE)
	g.put("deming.jackknife_se.1", d.Slope.SE)
	g["deming.jackknife_mean_pseudovalue.0"], g["deming.jackknife_mean_pseudovalue.1"] = d.Pseudo[0], d.Pseudo[1]
	g.ci("deming.intercept_ci95.0", "deming.intercept_ci95.1", d.Intercept.CI)
	g.ci("deming.slope_ci95.0", "deming.slope_ci95.1", d.Slope.CI)
	ts, err := FitTheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	g["theil_sen.slope"], g["theil_sen.n_slopes"] = ts.Slope.Value, float64(ts.Slopes)
	g["theil_sen.intercept_median_y_minus_b_median_x"] = ts.Intercept.Value
	g.put("theil_sen.intercept_median_residual", ts.InterceptResidual)
	g.ci("theil_sen.slope_ci95.0", "theil_sen.slope_ci95.1", ts.Slope.CI)
	pb, err := FitPassingBablok(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	g["passing_bablok.slope"], g["passing_bablok.intercept"] = pb.Slope.Value, pb.Intercept.Value
	g["passing_bablok.n_slopes"], g["passing_bablok.K"] = float64(pb.Slopes), float64(pb.Offset)
	g.ci("passing_bablok.slope_ci95.0", "passing_bablok.slope_ci95.1", pb.Slope.CI)
	g.ci("passing_bablok.intercept_ci95.0", "passing_bablok.intercept_ci95.1", pb.Intercept.CI)
}

// printed is our number for a value copied from a publication, with the decimals
// it was printed to.
func printed(g got, name string) (v, digits float64, ok bool) {
	switch {
	case name == "published.bias_wright_minus_mini":
		return -g["bland_altman.bias"], 1, true
	case name == "published.sd":
		return g["bland_altman.sd_diff"], 1, true
	case name == "published.r":
		return g["pearson.r"], 2, true
	case strings.HasPrefix(name, "icc.published."):
		v, ok = g["icc."+strings.TrimPrefix(name, "icc.published.")]
		return v, 2, ok
	}
	return 0, 0, false
}

// notComputed are the expected entries of our own cases that package calibrate
// has no use for: a relative error weighs plots with next to no cover most, and
// no reading is calibrated by a line that is held at the origin.
var notComputed = []string{"errors.mean_relative_error", "errors.loo_rmsep_origin",
	"through_origin.slope", "through_origin.sigma", "through_origin.df", "through_origin.se", "through_origin.r2_uncentered"}

// Every agreement and calibration case, each with the tolerance written in it.
// A number of our own cases that we do not compute fails, but for those named
// above; of other folders they are listed.
func TestReferenceCases(t *testing.T) {
	served, unserved := 0, 0
	for _, c := range referenceCases(t) {
		t.Run(c.ID, func(t *testing.T) {
			defer func() {
				if r := recover(); r != nil {
					t.Errorf("panic: %v", r)
				}
			}()
			want, other := map[string]float64{}, map[string]any{}
			flatten("", c.Expected, want, other)
			g := got{}
			switch {
			case c.Data.Ratings != nil:
				icc, err := NewICC(c.Data.Ratings, 0.95)
				if err != nil {
					t.Fatal(err)
				}
				g.icc(icc)
			default:
				l, err := FitOLS(c.Data.X, c.Data.Y, 0.95)
				if err != nil {
					t.Fatal(err)
				}
				g.inverse(t, l, want)
				if ratio, ok := want["deming.lambda"]; ok {
					g.agreement(t, c.Data.X, c.Data.Y, ratio)
					tau, err := KendallTauB(c.Data.X, c.Data.Y)
					if err != nil {
						t.Fatal(err)
					}
					g["kendall_tau_b"] = tau
				} else {
					g.ols("", l)
					g["f"] = l.F.Statistic
					g.ols("certified.", l)
					g["certified.f"] = l.F.Statistic
				}
				if u, ok := other["inverse_prediction.unbounded"]; ok && u != (g["inverse_prediction.g"] >= 1) {
					t.Errorf("inverse prediction unbounded: got g = %v, want unbounded = %v", g["inverse_prediction.g"], u)
				}
			}
			var missing, lost []string
			for _, name := range slices.Sorted(maps.Keys(want)) {
				if v, digits, ok := printed(g, name); ok {
					served++
					if math.Abs(v-want[name]) > 0.5*math.Pow(10, -digits)+1e-9 {
						t.Errorf("%s: got %g, printed %g", name, v, want[name])
					}
					continue
				}
				v, ok := g[name]
				if !ok {
					missing = append(missing, name)
					if c.own && !slices.Contains(notComputed, name) {
						lost = append(lost, name)
					}
					continue
				}
				served++
				if tol := c.Tolerances.Abs + c.Tolerances.Rel*math.Abs(want[name]); !(math.Abs(v-want[name]) <= tol) {
					t.Errorf("%s: got %.17g, want %.17g (tolerance %.2g)", name, v, want[name], tol)
				}
			}
			for name, v := range other {
				if _, has := g[name]; v == nil && has && name != "certified" {
					t.Errorf("%s: got %v where the reference says it is undefined", name, g[name])
				}
			}
			unserved += len(missing)
			if len(lost) > 0 {
				t.Errorf("expected entries that nothing here gives: %s", strings.Join(lost, ", "))
			}
			if len(missing) > 0 {
				t.Logf("not served: %s", strings.Join(missing, ", "))
			}
		})
	}
	t.Logf("%d expected numbers checked, %d not served", served, unserved)
	if served < 400 {
		t.Errorf("only %d expected numbers were checked: names no longer match", served)
	}
}
