package calibrate

import (
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// population invents quadrats with hand cover and an image value that reads low,
// correlated about 0.9.
func population(rng *rand.Rand, n int) (hand, image []float64) {
	for range n {
		h := 0.05 + 0.4*rng.Float64() + 0.05*math.Abs(rng.NormFloat64())
		hand = append(hand, h)
		image = append(image, 0.01+0.8*h+0.045*rng.NormFloat64())
	}
	return hand, image
}

// coverage counts how often an interval holds the truth; the share must lie
// within 3.5 binomial standard errors of [low, high].
type coverage struct{ hit, n float64 }

func (c *coverage) add(ci *Interval, truth float64) {
	c.n++
	if ci != nil && ci.Low <= truth && truth <= ci.High {
		c.hit++
	}
}

func (c *coverage) check(t *testing.T, what string, low, high float64) {
	t.Helper()
	share := c.hit / c.n
	slack := 3.5 * math.Sqrt(0.95*0.05/c.n)
	t.Logf("%s: 95 %% intervals hold the truth in %.1f %% of %.0f samples", what, 100*share, c.n)
	if share < low-slack || share > high+slack {
		t.Errorf("%s: coverage %.3f is outside %.2f to %.2f", what, share, low, high)
	}
}

func heavy(light, full int) int {
	if os.Getenv("QUADTALLY_HEAVY") != "" {
		return full
	}
	return light
}

// The same in a trial: plots as replicates, 6 photographed quadrats of which 2
// are counted; the truth is the treatment's mean over all plots there could be.
func TestDoubleSamplingAgainstTruth(t *testing.T) {
	for _, c := range []struct {
		name   string
		counts func(plot int) int // hand-counted quadrats of a plot
	}{
		{"two in every plot", func(int) int { return 2 }},
		{"in five plots of eight", func(p int) int {
			if p%8 < 5 {
				return 2
			}
			return 0
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(77, 5))
			truth := map[string]float64{"bare": 0.5, "rye": 0.3, "oats": 0.35}
			camera := map[string]float64{"bare": 0, "rye": -0.06, "oats": 0.03} // a bias of its own in each
			opt := DefaultOptions()
			var regression, hand coverage
			var errs []float64
			for range heavy(700, 6000) {
				var full, photo []Pair
				plots := 0
				for _, trt := range []string{"bare", "rye", "oats"} {
					for range 8 {
						level := truth[trt] + 0.05*rng.NormFloat64()
						n := c.counts(plots)
						for q := range 6 {
							h := level + 0.09*rng.NormFloat64()
							p := Pair{Plot: string(rune('A' + plots)), Quadrat: string(rune('1' + q)), Treatment: trt, Hand: h,
								Image: 0.03 + 0.9*h + camera[trt] + 0.03*rng.NormFloat64()}
							if q < n {
								full = append(full, p)
							} else {
								p.Hand = Missing()
								photo = append(photo, p)
							}
						}
						plots++
					}
				}
				d, err := NewDoubleSampling(full, photo, opt)
				if err != nil {
					t.Fatal(err)
				}
				for _, r := range d.Treatments {
					regression.add(r.Regression.ClusterCI, truth[r.Name])
					hand.add(r.HandOnly.ClusterCI, truth[r.Name])
					errs = append(errs, r.Regression.Value-truth[r.Name])
				}
			}
			if z := mean(errs) / math.Sqrt(variance(errs)/float64(len(errs))); math.Abs(z) > 4 {
				t.Errorf("bias %.4g is %.1f standard errors", mean(errs), z)
			}
			regression.check(t, "regression", 0.93, 0.975)
			hand.check(t, "hand only", 0.93, 0.97)
		})
	}
}

// With every quadrat counted by hand, all estimators are the hand mean.
func TestAllCountedGivesTheHandMean(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	pairs := trialPairs(rng, 3, 2)
	d, err := NewDoubleSampling(pairs, nil, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range append(d.Plots, d.Treatments...) {
		near(t, r.Name+" regression", r.Regression.Value, r.HandOnly.Value, 1e-12)
		near(t, r.Name+" ratio", r.Ratio.Value, r.HandOnly.Value, 1e-12)
		near(t, r.Name+" regression se", *r.Regression.SE, *r.HandOnly.SE, 1e-12)
	}
}

// Counting the greenest quadrats of each plot by hand is noticed.
func TestHandPickedQuadratsAreNoticed(t *testing.T) {
	for _, picked := range []bool{false, true} {
		var full, photo []Pair
		for i, p := range trialPairs(rand.New(rand.NewPCG(14, 9)), 4, 1) {
			if hand := i%2 == 0; picked && p.Image > 0.15+0.12*float64(i/4%4) || !picked && hand {
				full = append(full, p)
			} else {
				p.Hand = Missing()
				photo = append(photo, p)
			}
		}
		d, err := NewDoubleSampling(full, photo, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if warned := strings.Contains(strings.Join(d.Warnings, " "), "chosen at random"); warned != picked {
			t.Errorf("hand-picked %v, warnings %q", picked, d.Warnings)
		}
	}
}

func TestPlan(t *testing.T) {
	// By hand: r = 0.8, so (1-r^2)/r^2 = 0.5625; c'/c = 1/9; fraction = 0.75/3 =
	// 0.25. Break-even (1+0.6)^2/0.64 = 4. Same hours: 9 / ((0.36/0.25 + 0.64)
	// (0.25*9 + 1)) = 9/(2.08*3.25) = 1.33136. Variance 4 and SE 0.5: 16 hands
	// alone; 16*2.08 = 33.28 -> 34 photos, 9 hands.
	p, err := NewPlan(Costs{Hand: 9, Photo: 1}, 4, 0.8, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "fraction", p.Fraction, 0.25, 1e-12)
	near(t, "break-even", *p.BreakEven, 4, 1e-12)
	near(t, "same hours", p.SameHours, 9/(2.08*3.25), 1e-12)
	if !p.Worth || p.Photos != 34 || p.Hands != 9 || p.HandsAlone != 16 || p.Minutes != 34+81 {
		t.Errorf("got %+v", p)
	}
	// Brute force: no other fraction gives less variance for the same minutes.
	for f := 0.01; f <= 1; f += 0.01 {
		if v := (0.36/f + 0.64) * (f*9 + 1); v < 2.08*3.25-1e-12 {
			t.Errorf("fraction %v is better", f)
		}
	}
	// At the break-even cost the camera neither pays nor costs.
	if p, err = NewPlan(Costs{Hand: 4, Photo: 1}, 4, 0.8, 0); err != nil {
		t.Fatal(err)
	}
	near(t, "at break-even", p.SameHours, 1, 1e-12)
	if p, err = NewPlan(Costs{Hand: 3, Photo: 1}, 4, 0.8, 0); err != nil || p.Worth {
		t.Errorf("photos do not pay here: %+v, %v", p, err)
	}
	for _, bad := range []func() (*Plan, error){
		func() (*Plan, error) { return NewPlan(Costs{0, 1}, 1, 0.5, 0) },
		func() (*Plan, error) { return NewPlan(Costs{1, 1}, 0, 0.5, 0) },
		func() (*Plan, error) { return NewPlan(Costs{1, 1}, 1, 1, 0) },
		func() (*Plan, error) { return NewPlan(Costs{1, 1}, 1, 0.5, -1) },
	} {
		if _, err := bad(); err == nil {
			t.Error("a plan without sense was made")
		}
	}
}

// A quadrat counted by two people is one photo, and one hand value, their mean.
func TestTwoObserversAreOneQuadrat(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(16, 9)), 2, 1)
	var both []Pair
	for _, p := range pairs {
		q := p
		p.Observer, q.Observer = "first", "second"
		p.Hand, q.Hand = p.Hand-0.01, p.Hand+0.01
		both = append(both, p, q)
	}
	one, err := NewDoubleSampling(pairs, nil, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	two, err := NewDoubleSampling(both, nil, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if two.Photos != one.Photos || two.Hands != one.Hands {
		t.Errorf("%d photos and %d hands, want %d and %d", two.Photos, two.Hands, one.Photos, one.Hands)
	}
	for i, r := range two.Treatments {
		near(t, r.Name, r.Regression.Value, one.Treatments[i].Regression.Value, 1e-12)
		near(t, r.Name+" se", *r.Regression.SE, *one.Treatments[i].Regression.SE, 1e-12)
	}
	if _, err := NewDoubleSampling(pairs, []Pair{{Plot: "A1", Image: Missing()}}, DefaultOptions()); err == nil {
		t.Error("a photo without a value was used")
	}
}
