package main

import (
	"context"
	"encoding/json"
	"image"
	"io"
	"math"
	"os"
	"path/filepath"
	"quadtally/cmd/quadtally/internal/outfile"
	"sort"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/export"
	"quadtally/cmd/quadtally/internal/tables"
)

// inventedSeason renders a small season into a trial folder made by the real
// command: every treatment, three blocks, the first and the last but one visit.
func inventedSeason(t *testing.T, dir string) (*demo.SeasonPlan, string) {
	t.Helper()
	tr := demoseason.Trial(7)
	tr.Blocks = 3
	tr.Quadrat.PerPlot = 2
	newTrial(t, dir, tr)
	cfg := drawnConfig(t, tr, newestOf(t, dir).Plots)
	cfg.Size, cfg.BigPhotos, cfg.Quadrats = image.Pt(1200, 900), 0, 2
	cfg.Visits = cfg.Visits[:3:3]
	cfg.Visits = append(cfg.Visits[:1:1], cfg.Visits[2])
	season, err := demo.Season(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	photos := writePhotos(t, dir, season)
	for _, s := range demoseason.Sheets(season) {
		if err := outfile.Whole(filepath.Join(dir, s.Name+".csv"), func(w io.Writer) error { return tables.WriteCSV(w, s) }); err != nil {
			t.Fatal(err)
		}
	}
	return season, photos
}

// TestInventedSeasonReport runs the whole spine on photos whose truth is known
// and prints how far each part was off.
func TestInventedSeasonReport(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures 60 photos")
	}
	dir := t.TempDir()
	season, photos := inventedSeason(t, dir)
	say(t, "photos", photos, "--trial", dir).expect(t, exitPartly, "cut short") // one file is truncated on purpose
	must(t, "counts", filepath.Join(dir, "counts.csv"), "--trial", dir)
	must(t, "yields", filepath.Join(dir, "yields.csv"), "--trial", dir)
	must(t, "field", filepath.Join(dir, "field.csv"), "--trial", dir)

	must(t, "export", filepath.Join(dir, "out"), "--trial", dir)
	raw, err := os.ReadFile(filepath.Join(dir, "out", "trial.json"))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Photos []export.Photo `json:"photos"`
	}
	if err := json.Unmarshal(raw, &got); err != nil {
		t.Fatal(err)
	}
	truth := map[string]*demo.PhotoPlan{}
	for i := range season.Photos {
		truth[season.Photos[i].File] = &season.Photos[i]
	}
	var cover, pieces []float64
	placed, wrong, noFrame := 0, 0, 0
	for _, p := range got.Photos {
		want := truth[filepath.Base(p.Path)]
		if want == nil {
			continue
		}
		if p.Fault != "" {
			noFrame++
			continue
		}
		if p.Place.State == "settled" {
			placed++
			if p.Place.Plot != want.Plot || p.Place.Quadrat != want.Quadrat || season.Photos[0].Taken.After(want.Taken) {
				wrong++
				t.Errorf("%s was placed at plot %s quadrat %d but shows %s %d", p.Path, p.Place.Plot, p.Place.Quadrat, want.Plot, want.Quadrat)
			}
		}
		cover = append(cover, 100*(p.Result.CoverFrac-want.Truth.SeenGreenFrac))
		n := 0
		for _, k := range want.Truth.Rooted {
			n += k
		}
		pieces = append(pieces, float64(p.Result.Pieces-n))
	}
	mae, bias, p95 := errorFigures(cover)
	countMAE, countBias, _ := errorFigures(pieces)
	t.Logf("invented season of %d photos: measured %d, frame not found in %d", len(season.Photos), len(cover), noFrame)
	t.Logf("placed without a question %d (%.1f %%), of these wrongly %d", placed, 100*float64(placed)/float64(len(season.Photos)), wrong)
	t.Logf("cover against what the lens sees, points: mean absolute error %.2f, bias %+.2f, 95 %% within %.2f", mae, bias, p95)
	t.Logf("green pieces against plants rooted in the frame: mean absolute error %.1f, bias %+.1f (pieces are no plants: touching ones count once, leaves lean in)", countMAE, countBias)
	if mae > 2 || p95 > 6 {
		t.Errorf("cover is off by %.2f points on average, 95 %% within %.2f; 2 and 6 were held before", mae, p95)
	}
	if float64(placed) < 0.85*float64(len(season.Photos)) {
		t.Errorf("only %d of %d photos were placed", placed, len(season.Photos))
	}

	say(t, "status", "--trial", dir).expect(t, exitDone, "visit", "yields: 15 of 15 plots")
	say(t, "agree", "--trial", dir, "--of", "cover", "--margin", "5").expect(t, exitDone, "camera")
	for _, response := range []string{"cover", "count", "yield"} {
		r := must(t, "compare", response, "--trial", dir, "--json")
		var c analysis.Comparison
		if err := json.Unmarshal([]byte(r.out), &c); err != nil {
			t.Errorf("compare %s: %v", response, err)
		}
		if df := residualDF(c); df != 8 {
			t.Errorf("compare %s has %d residual df, want (5-1)(3-1) = 8: quadrats and visits are no replicates", response, df)
		}
	}
}

func residualDF(c analysis.Comparison) int {
	if c.Season != nil {
		return c.Season.PeriodMean.ResidualDF
	}
	if c.Analysis == nil {
		return -1
	}
	return c.Analysis.ResidualDF
}

func errorFigures(e []float64) (mae, bias, p95 float64) {
	var abs []float64
	for _, v := range e {
		mae += math.Abs(v) / float64(len(e))
		bias += v / float64(len(e))
		abs = append(abs, math.Abs(v))
	}
	sort.Float64s(abs)
	if len(abs) > 0 {
		p95 = abs[int(0.95*float64(len(abs)-1))]
	}
	return mae, bias, p95
}
