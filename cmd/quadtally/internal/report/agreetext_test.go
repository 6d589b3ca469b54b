package report

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/calibrate"
)

func init() {
	if flag.Lookup("update") == nil {
		flag.Bool("update", false, "rewrite golden files")
	}
}

// alderBend invents pairs of the trial at Alder Bend: four treatments in four
// blocks, two visits, four photographed quadrats a plot of which two are counted
// by hand. odd is the camera's extra error on tarped plots.
func alderBend(kind calibrate.Kind, odd float64) []calibrate.Pair {
	rng := rand.New(rand.NewPCG(5, 26))
	var out []calibrate.Pair
	for block := range 4 {
		for ti, trt := range []string{"bare", "rye", "vetch", "tarp"} {
			plot := fmt.Sprintf("%d%02d", block+1, ti+1)
			camera := 0.01 * rng.NormFloat64()
			for vi, visit := range []string{"2026-06-14", "2026-06-28"} {
				for q := range 4 {
					hand := max(0.01, 0.45-0.10*float64(ti)+0.12*float64(vi)+0.02*float64(block)+0.06*rng.NormFloat64())
					image := max(0, 0.01+0.96*hand+camera+0.02*rng.NormFloat64())
					if trt == "tarp" {
						image += odd
					}
					if kind == calibrate.Count {
						hand, image = float64(int(60*hand)), float64(int(50*image))
					}
					p := calibrate.Pair{Plot: plot, Quadrat: fmt.Sprint(q + 1), Visit: visit, Treatment: trt, Hand: hand, Image: image,
						Observer: []string{"first counter", "second counter"}[block%2]}
					if q >= 2 {
						p.Hand = calibrate.Missing()
					}
					out = append(out, p)
				}
			}
		}
	}
	slip := out[0]
	slip.Quadrat, slip.Hand = "9", -1
	return append(out, slip)
}

func TestWriteAgreementGolden(t *testing.T) {
	points := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name  string
		pairs []calibrate.Pair
		opt   func(*calibrate.Options)
	}{
		{"agree_cover_yes", alderBend(calibrate.Cover, 0), func(o *calibrate.Options) {
			o.Margin, o.HandMinutes, o.PhotoMinutes, o.TargetSE = points(0.05), 6, 0.7, 0.01
			o.Enough.Range = &[2]float64{0.05, 0.6}
		}},
		{"agree_cover_loud", alderBend(calibrate.Cover, 0.12), func(o *calibrate.Options) { o.Margin = points(0.05) }},
		{"agree_count", alderBend(calibrate.Count, 0), func(o *calibrate.Options) { o.Kind, o.Margin = calibrate.Count, points(6) }},
		{"agree_no_margin", alderBend(calibrate.Cover, 0)[:40], func(o *calibrate.Options) { o.By = nil }},
	} {
		t.Run(c.name, func(t *testing.T) {
			opt := calibrate.DefaultOptions()
			c.opt(&opt)
			r, err := calibrate.Study(c.pairs, opt)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := WriteAgreement(&b, r, TextOptions{}); err != nil {
				t.Fatal(err)
			}
			golden := filepath.Join("testdata", c.name+".golden")
			if flag.Lookup("update").Value.String() == "true" {
				if err := os.WriteFile(golden, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			got, wanted := strings.Split(b.String(), "\n"), strings.Split(string(want), "\n")
			for i := range max(len(got), len(wanted)) {
				if i >= len(got) || i >= len(wanted) || got[i] != wanted[i] {
					t.Fatalf("line %d differs from %s (run with -update after checking):\ngot:\n%s", i+1, golden, b.String())
				}
			}
			if strings.Contains(b.String(), "NaN") || strings.Contains(b.String(), "Inf") || strings.Contains(b.String(), "%!") {
				t.Error("a number or format leaked into the text")
			}
		})
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestWriteAgreementReportsWriteErrors(t *testing.T) {
	opt := calibrate.DefaultOptions()
	opt.Resamples = 200
	r, err := calibrate.Study(alderBend(calibrate.Cover, 0), opt)
	if err != nil {
		t.Fatal(err)
	}
	if err := WriteAgreement(fullDisk{}, r, TextOptions{}); err == nil {
		t.Error("a failed write was not reported")
	}
}
