package calibrate

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

func TestCleanListsWhatItSetsAside(t *testing.T) {
	nan := Missing()
	row := func(plot, quadrat string, hand, image float64) Pair {
		return Pair{Plot: plot, Quadrat: quadrat, Visit: "2026-06-14", Hand: hand, Image: image, Source: "pairs.csv:" + plot + quadrat}
	}
	pairs := []Pair{
		row("101", "1", 20, 22), row("101", "2", 30, 31), row("102", "1", 40, 44), // good
		row("102", "2", nan, 12),                         // photo only
		row("103", "1", 15, nan),                         // hand only
		row("103", "2", nan, nan),                        // nothing
		row("104", "1", -3, 5),                           // negative
		row("104", "2", 50, 120),                         // more than the frame
		row("105", "1", 10, 11), row("105", "1", 10, 11), // the same twice
		row("106", "1", 10, 11), row("106", " 1", 12, 11), // the same quadrat with different values
		row("107", "1", math.Inf(1), 3),
		row("108", "1", 0, 0), // examined and clean: a value
	}
	full, photo, in, err := Clean(pairs, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if in.Given != 14 || in.Used != 5 || in.Photo != 1 || len(full) != 5 || len(photo) != 1 {
		t.Errorf("got %d given, %d used, %d photo only", in.Given, in.Used, in.Photo)
	}
	want := map[Fault]int{NoHand: 1, NoImage: 2, OutOfRange: 3, Duplicate: 3}
	for _, p := range in.Problems {
		want[p.Fault]--
		if !strings.HasPrefix(p.Sentence, "pairs.csv:10") || !strings.Contains(p.Sentence, "quadrat") {
			t.Errorf("%q does not say where", p.Sentence)
		}
	}
	for fault, left := range want {
		if left != 0 {
			t.Errorf("%s: %d too few", fault, left)
		}
	}
	if full[0].Hand != 0.20 || pairs[0].Hand != 20 {
		t.Errorf("cover %v should become a fraction and the pairs given stay", full[0].Hand)
	}
}

func TestRefusals(t *testing.T) {
	good := [2][]float64{{10, 20, 30, 45}, {12, 19, 33, 44}}
	for _, c := range []struct {
		name  string
		pairs []Pair
		opt   func(*Options)
		want  string
	}{
		{"percent against fraction", paired(good[0], []float64{0.12, 0.19, 0.33, 0.44}), nil, "percent against proportion"},
		{"the same, unit stated", paired(good[0], []float64{0.12, 0.19, 0.33, 0.44}), func(o *Options) { o.Unit = UnitPercent }, "percent against proportion"},
		{"two pairs", paired(good[0][:2], good[1][:2]), nil, "need at least 3"},
		{"none", nil, nil, "need at least 3"},
		{"percent called fraction", paired(good[0], good[1]), func(o *Options) { o.Unit = UnitFraction }, "need at least 3"},
		{"margin in points", paired(good[0], good[1]), func(o *Options) { m := 5.0; o.Margin = &m }, "write 0.05 for 5 points"},
		{"margin 0", paired(good[0], good[1]), func(o *Options) { m := 0.0; o.Margin = &m }, "above 0"},
		{"kind", paired(good[0], good[1]), func(o *Options) { o.Kind = "height" }, "use cover or count"},
		{"group", paired(good[0], good[1]), func(o *Options) { o.By = []string{"farm"} }, "use visit, treatment or observer"},
		{"confidence", paired(good[0], good[1]), func(o *Options) { o.Confidence = 95 }, "0.95"},
	} {
		t.Run(c.name, func(t *testing.T) {
			opt := DefaultOptions()
			opt.Resamples = 200
			if c.opt != nil {
				c.opt(&opt)
			}
			_, err := Study(c.pairs, opt)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want a sentence with %q", err, c.want)
			}
		})
	}
}

// Small covers in percent, with the unit stated, are not taken for fractions.
func TestSmallPercentages(t *testing.T) {
	opt := DefaultOptions()
	opt.Unit, opt.Resamples = UnitPercent, 200
	r, err := Study(paired([]float64{0, 1, 2, 1}, []float64{0.1, 0.8, 0.9, 0.7}), opt)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "hand mean", r.Agreement.HandMean, 0.01, 1e-12)
}

func TestConstantColumns(t *testing.T) {
	for _, c := range []struct {
		name        string
		hand, image []float64
		line        bool
		want        string
	}{
		{"hand", []float64{0.2, 0.2, 0.2, 0.2}, []float64{0.1, 0.2, 0.3, 0.35}, true, "every hand value is the same"},
		{"image", []float64{0.1, 0.2, 0.3, 0.35}, []float64{0.3, 0.1 + 0.2, 0.3, 0.3}, false, "every image value is the same"},
		{"both", []float64{0, 0, 0}, []float64{0, 0, 0}, false, "every hand value is the same"},
	} {
		t.Run(c.name, func(t *testing.T) {
			opt := DefaultOptions()
			opt.Resamples = 200
			r, err := Study(paired(c.hand, c.image), opt)
			if err != nil {
				t.Fatal(err)
			}
			if r.Agreement.Pearson != nil || r.Agreement.Spearman != nil {
				t.Error("a correlation was given for a constant column")
			}
			if (r.Calibration.Chosen != nil) != c.line {
				t.Errorf("chosen line %+v", r.Calibration.Chosen)
			}
			if w := strings.Join(r.Agreement.Warnings, "; "); !strings.Contains(w, c.want) {
				t.Errorf("warnings %q lack %q", w, c.want)
			}
			if _, err := json.Marshal(r); err != nil {
				t.Error(err)
			}
		})
	}
}

// Whatever the pairs, the study refuses with a sentence or gives a report that
// JSON can hold: no panic, no NaN, no infinity, and every row accounted for.
func FuzzStudy(f *testing.F) {
	add := func(kind byte, values ...float64) {
		b := []byte{kind}
		for _, v := range values {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		f.Add(b)
	}
	add(0, 0.1, 0.2, 0.3, 0.25, 0.5, 0.6, 0.7, 0.7)
	add(1, 0, 0, 3, 4, 12, 9, 5, math.NaN(), 7, 7)
	add(2, 10, 12, 20, 20, 30, 33)
	add(3, 0, 0, 0, 0, 0, 0, 0, 0)
	add(0, 1e-300, 1e-300, 1e-310, 0.5, 1, 1, 0.3, 0.3)
	add(1, 1e300, 1e300, 1e308, 1, 3, 1e-300, 2, 2)
	add(129, 0, 0, 3, 4, 12, 9, 5, 6, 7, 7, 0, 1, 1e9, 1)
	add(1, 5, 1e9, 5, 1e9, 5, 1e9, 6, 1e9)
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 1 || len(b) > 1+16*40 {
			return
		}
		opt, margin := DefaultOptions(), 0.05
		opt.Resamples, opt.Margin, opt.HandMinutes, opt.PhotoMinutes, opt.TargetSE = 200, &margin, 5, 1, 0.1
		if b[0]&1 == 1 {
			opt.Kind, opt.Logs = Count, b[0]&128 != 0
		}
		plots := 1 + int(b[0]>>2)%9
		var pairs []Pair
		for i := 1; i+16 <= len(b); i += 16 {
			k := len(pairs)
			p := Pair{Quadrat: fmt.Sprint(k / plots), Visit: fmt.Sprint(k % 2), Treatment: fmt.Sprint(k % plots % 3), Observer: fmt.Sprint(k % 3),
				Hand:  math.Float64frombits(binary.LittleEndian.Uint64(b[i:])),
				Image: math.Float64frombits(binary.LittleEndian.Uint64(b[i+8:]))}
			if b[0]&2 == 0 {
				p.Plot = fmt.Sprint("p", k%plots)
			}
			pairs = append(pairs, p)
		}
		r, err := Study(pairs, opt)
		if err != nil {
			if len(err.Error()) < 10 {
				t.Errorf("no sentence: %v", err)
			}
			return
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("report cannot be written: %v", err)
		}
		aside := 0
		for _, p := range r.Intake.Problems {
			if p.Fault != Duplicate {
				aside++
			}
		}
		if r.Intake.Used+len(r.Intake.Problems) != r.Intake.Given {
			t.Errorf("%d given, %d used, %d set aside", r.Intake.Given, r.Intake.Used, len(r.Intake.Problems))
		}
	})
}

// The cost of the cluster bootstrap in evaluations of the statistics, and how it
// grows with the number of pairs.
func BenchmarkBootstrap(b *testing.B) {
	for _, quadrats := range []int{1, 4, 16} {
		pairs := trialPairs(rand.New(rand.NewPCG(1, 1)), quadrats, 3)
		b.Run(fmt.Sprintf("%dpairs", len(pairs)), func(b *testing.B) {
			hand, image := columns(pairs)
			s, w := newSample(hand, image), make([]float64, len(pairs))
			for i := range w {
				w[i] = 1
			}
			const single = 2000
			start := time.Now()
			for range single {
				s.all(w)
			}
			one := float64(time.Since(start).Nanoseconds()) / single
			plot, plots := plotsOf(pairs)
			opt := DefaultOptions()
			a := Agreement{CCC: &Concordance{}, Pearson: &Correlation{}, Spearman: &Correlation{}, ICC: &ICC{}, Sloping: &SlopingLimits{}}
			for b.Loop() {
				if err := a.bootstrap(s, plot, plots, opt); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(opt.Resamples)/one, "evaluations/resample")
		})
	}
}

// What a whole study costs in bootstraps of its agreement, on a season of pairs.
func BenchmarkStudy(b *testing.B) {
	pairs := trialPairs(rand.New(rand.NewPCG(1, 1)), 4, 6)
	opt := DefaultOptions()
	start := time.Now()
	if _, err := Agree(pairs, opt); err != nil {
		b.Fatal(err)
	}
	one := float64(time.Since(start).Nanoseconds())
	for b.Loop() {
		if _, err := Study(pairs, opt); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/one, "agreements/study")
}
