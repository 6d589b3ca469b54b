package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// Paired differences 1, 2, 3, 4, 5 against margin 6: mean 3, SE sqrt(2.5/5) =
// 0.70711, t = 3/0.70711 = 4.24264 with 4 df on the upper side, p = 0.0066178
// (half of the two-sided 0.0132356; R 4.2.2, pt).
func TestTOSTByHand(t *testing.T) {
	e, err := NewTOST(paired(make([]float64, 5), []float64{1, 2, 3, 4, 5}), 6, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "se", *e.SE, math.Sqrt(0.5), 1e-12)
	near(t, "p upper", *e.PUpper, 0.0066178, 1e-7)
	near(t, "p lower", *e.PLower, 0.00010976, 1e-8) // t = 12.7279
	near(t, "high", e.CI.High, 3+2.131847*math.Sqrt(0.5), 1e-5)
	near(t, "level", e.CI.Level, 0.90, 1e-12)
	if e.Answer != Yes {
		t.Errorf("answer %v, want yes", e.Answer)
	}
}

func TestAnswers(t *testing.T) {
	diffs := []float64{1, 2, 3, 4, 5} // 90 % interval 1.49 to 4.51
	for _, c := range []struct {
		margin float64
		want   Answer
		needs  bool
	}{{4.6, Yes, false}, {4.4, NotEnough, true}, {3.01, NotEnough, false}, {2.9, No, false}, {1.4, No, false}} {
		e, err := NewTOST(paired(make([]float64, 5), diffs), c.margin, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if e.Answer != c.want || (e.PlotsNeeded != nil) != c.needs && c.margin != 3.01 {
			t.Errorf("margin %v: %v (plots needed %v), want %v", c.margin, e.Answer, e.PlotsNeeded, c.want)
		}
		if yes := e.PLower != nil && *e.PLower < e.Alpha && *e.PUpper < e.Alpha; yes != (e.Answer == Yes) {
			t.Errorf("margin %v: tests and interval disagree", c.margin)
		}
	}
	if _, err := NewTOST(paired(make([]float64, 5), diffs), 0, 0.95); err == nil {
		t.Error("a margin of 0 was accepted")
	}
}

// clusteredPairs have 12 plots of 5 quadrats, with a camera error shared by a plot.
func clusteredPairs(rng *rand.Rand, plots int, bias float64) (out []Pair) {
	for p := range plots {
		shared := 0.03 * rng.NormFloat64()
		for range 5 {
			h := 0.3 + 0.1*rng.NormFloat64()
			out = append(out, Pair{Plot: fmt.Sprint(p), Hand: h, Image: h + bias + shared + 0.02*rng.NormFloat64()})
		}
	}
	return out
}

// With the true bias at the margin a yes is wrong; it must come in no more than
// 5 % of trials, also though quadrats share their plot's error. The number of
// plots said to be needed must give a yes in about 80 %.
func TestTOSTErrorAndPower(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	runs := heavy(2000, 20000)
	wrong, naive := 0.0, 0.0
	for range runs {
		pairs := clusteredPairs(rng, 12, 0.05)
		e, err := NewTOST(pairs, 0.05, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if e.Answer == Yes {
			wrong++
		}
		for i := range pairs {
			pairs[i].Plot = ""
		}
		if e, _ = NewTOST(pairs, 0.05, 0.95); e.Answer == Yes {
			naive++
		}
	}
	n := float64(runs)
	t.Logf("wrong yes: %.3f with plots as units, %.3f with quadrats taken as replicates", wrong/n, naive/n)
	if wrong/n > 0.05+3.5*math.Sqrt(0.05*0.95/n) {
		t.Errorf("wrong yes in %.3f of trials", wrong/n)
	}
	if naive/n < 0.09 {
		t.Error("the set does not show what ignoring plots does")
	}

	// One set with standard error and bias fixed exactly, then as many plots as asked.
	e := &TOST{Margin: 0.05, Alpha: 0.05, Bias: 0.02, Plots: 4, Pairs: 20}
	sd := math.Sqrt(0.03*0.03 + 0.02*0.02/5)
	e.need(sd / math.Sqrt(4))
	if e.PlotsNeeded == nil || *e.PairsNeeded != 5**e.PlotsNeeded {
		t.Fatalf("got %+v", e)
	}
	yes := 0.0
	for range runs {
		if r, _ := NewTOST(clusteredPairs(rng, *e.PlotsNeeded, 0.02), 0.05, 0.95); r.Answer == Yes {
			yes++
		}
	}
	t.Logf("%d plots: yes in %.3f of trials", *e.PlotsNeeded, yes/n)
	if yes/n < 0.76 || yes/n > 0.88 {
		t.Errorf("power %.3f, want about 0.80", yes/n)
	}
}

// One treatment beyond the margin turns an overall yes into a no.
func TestVerdictLooksIntoTreatments(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 1))
	build := func(off float64) (out []Pair) {
		for p := range 40 {
			trt, bias := "bare", 0.0
			switch {
			case p >= 36:
				trt, bias = "tarp", off
			case p >= 18:
				trt = "rye"
			}
			for visit := range 3 {
				h := 0.3 + 0.1*rng.NormFloat64()
				out = append(out, Pair{Plot: fmt.Sprint(p), Visit: fmt.Sprint(visit), Treatment: trt, Hand: h, Image: h + bias + 0.01*rng.NormFloat64()})
			}
		}
		return out
	}
	for _, c := range []struct {
		off  float64
		want Answer
		loud bool
	}{{0, Yes, false}, {0.12, No, true}} {
		opt, margin := DefaultOptions(), 0.05
		opt.Margin, opt.Resamples = &margin, 200
		r, err := Study(build(c.off), opt)
		if err != nil {
			t.Fatal(err)
		}
		if r.Verdict.Answer != c.want || (len(r.Loud) > 0) != c.loud {
			t.Errorf("bias %v in one treatment: %v, %q, loud %q", c.off, r.Verdict.Answer, r.Verdict.Sentence, r.Loud)
		}
		if r.Verdict.Overall.Answer != Yes {
			t.Errorf("overall %v, want yes", r.Verdict.Overall.Answer)
		}
	}
}
