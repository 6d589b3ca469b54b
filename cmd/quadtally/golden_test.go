package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/vision"
	"quadtally/vision/label"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Golden values hold the program on one machine to what it says on another.
// The record of one machine kind is the same byte for byte
// (TestTortureSameRecordTwice). Between kinds, compilers may join a product and a sum
// into one rounding and mathematical functions may differ in the last digit,
// so that a number may move by what such a digit can do:
const (
	// A pixel lies on the other side of a threshold only where the last digit
	// decides: far fewer than 1 in 10 000.
	tolCoverPct = 0.01
	// Corners are fitted to hundreds of edge points found to about 0.1 pixel.
	tolCornerPx = 0.05
	// The scale follows from the corners: 0.05 of some 1000 pixels.
	tolScale = 1e-4 // relative
	// A visit's threshold is a step of the index's grid, or the next one.
	tolThreshold = 0.011
	// A pixel more or less can join two pieces or drop one.
	tolPieces = 1.0
	// Comparisons are solved directly, with at most some hundred rounding
	// steps that matter.
	tolCompared = 1e-9 // relative
	// Models are fitted step by step until nothing moves any more.
	tolFitted = 1e-6 // relative
)

// goldenNumber is the tolerance of one kind of value in the golden files.
func goldenNumber(name string, want float64) float64 {
	switch {
	case strings.HasPrefix(name, "cover"):
		return tolCoverPct
	case strings.HasPrefix(name, "corner"):
		return tolCornerPx
	case strings.HasPrefix(name, "scale"):
		return tolScale * math.Abs(want)
	case strings.HasPrefix(name, "threshold"):
		return tolThreshold
	case strings.HasPrefix(name, "pieces"):
		return tolPieces
	case strings.Contains(name, "_model."), strings.Contains(name, "variance_components"):
		return tolFitted*math.Abs(want) + 1e-9
	}
	return tolCompared*math.Abs(want) + 1e-12
}

// golden holds named values (numbers and texts) of several things against a
// file, or writes it under -update.
func golden(t *testing.T, name string, got map[string]map[string]any) {
	t.Helper()
	path := filepath.Join("../../testdata/golden", name)
	text, err := json.MarshalIndent(got, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, append(text, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	// Through JSON and back, so that both sides hold the same types.
	var now, want map[string]map[string]any
	if err := json.Unmarshal(text, &now); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(mustRead(t, path), &want); err != nil {
		t.Fatal(err)
	}
	worst, values := map[string]float64{}, 0
	for thing := range maps.Keys(want) {
		if len(now[thing]) != len(want[thing]) {
			t.Errorf("%s: %d values, the golden file has %d", thing, len(now[thing]), len(want[thing]))
		}
		for _, key := range slices.Sorted(maps.Keys(want[thing])) {
			values++
			w, isNumber := want[thing][key].(float64)
			g, ok := now[thing][key].(float64)
			if !isNumber || !ok {
				if now[thing][key] != want[thing][key] {
					t.Errorf("%s, %s: %v, the golden file has %v", thing, key, now[thing][key], want[thing][key])
				}
				continue
			}
			off := math.Abs(g-w) / goldenNumber(key, w)
			kind, _, _ := strings.Cut(key, " ")
			worst[kind] = max(worst[kind], off)
			if off > 1 {
				t.Errorf("%s, %s: %v, the golden file has %v", thing, key, g, w)
			}
		}
	}
	if len(now) != len(want) {
		t.Errorf("%d things, the golden file has %d (run with -update after looking at the change)", len(now), len(want))
	}
	most := 0.0
	for _, off := range worst {
		most = max(most, off)
	}
	if t.Failed() {
		t.Log("after a wanted change of the numbers: go test ./cmd/quadtally -run Golden -update, and look at the difference")
	}
	figure(t, "golden values of another machine: "+strings.TrimSuffix(name, ".json"), plural(values, "value"), "the furthest is off by %.2g of its tolerance", most)
}

// TestTortureGoldenMeasured measures photos drawn by the demonstration.
func TestTortureGoldenMeasured(t *testing.T) {
	tr := demo.Treatments()
	var plots []demo.Plot
	for i := range tr {
		plots = append(plots, demo.Plot{ID: fmt.Sprint(101 + i), Block: "1", Treatment: tr[i].Code})
	}
	got := map[string]map[string]any{}
	var curves []vision.Curve
	opt := vision.DefaultOptions()
	for _, marked := range []bool{false, true} {
		c := demo.DefaultConfig(plots, func(plot string, quadrat int) string {
			text, err := label.Encode(label.Label{Trial: "AB01", Plot: plot, Quadrat: quadrat})
			if err != nil {
				t.Error(err)
			}
			return text
		})
		c.Quadrats, c.CropQuadrats, c.BigPhotos, c.Troubles, c.Visits = 1, nil, 0, false, c.Visits[:2]
		if marked {
			c.Marks = demoseason.Marks()
		}
		opt.FrameMM, opt.PipeDiameterMM = [2]float64{c.Frame.InnerMM, c.Frame.InnerMM}, c.Frame.PipeMM
		season, err := demo.Season(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		r := demo.NewRenderer(c.Seed)
		for i := range plots { // each treatment at another visit
			p := &season.Photos[(i%len(c.Visits))*len(plots)+i]
			photo, err := r.JPEG(p)
			if err != nil {
				t.Fatal(err)
			}
			v := map[string]any{}
			m, err := new(vision.Workspace).Measure(photo, opt)
			if err != nil {
				t.Fatalf("%s: %v", p.File, err)
			}
			for k, at := range m.Frame.Corners {
				v[fmt.Sprintf("corner %d x", k+1)], v[fmt.Sprintf("corner %d y", k+1)] = at.X, at.Y
			}
			v["scale mm per px"], v["frame by"], v["card"] = m.MMPerPx, m.Frame.Kind, m.Card
			for _, at := range []float64{0.06, 0.12, 0.2} {
				th, err := vision.HandThreshold(opt.Index, at)
				if err != nil {
					t.Fatal(err)
				}
				res, err := vision.AtThreshold(m, th, opt)
				if err != nil {
					t.Fatal(err)
				}
				v[fmt.Sprintf("cover %% at %.2f", at)], v[fmt.Sprintf("pieces at %.2f", at)] = 100*res.CoverFrac, len(res.Pieces)
			}
			alone, err := vision.VisitThreshold([]vision.Curve{m.Curve}, opt)
			if err != nil {
				t.Fatal(err)
			}
			v["threshold alone"] = alone.Value
			curves = append(curves, m.Curve)
			got[fmt.Sprintf("%s, visit %d, marks %v", p.Treatment, p.Visit, marked)] = v
		}
	}
	all, err := vision.VisitThreshold(curves, opt)
	if err != nil {
		t.Fatal(err)
	}
	got["all photos"] = map[string]any{"threshold together": all.Value}
	golden(t, "measured.json", got)
}

// TestTortureGoldenCompared compares tables that stand in the tests.
func TestTortureGoldenCompared(t *testing.T) {
	got := map[string]map[string]any{}
	rows := strings.SplitAfter(seasonRows(), "\n")
	slices.Sort(rows[1:]) // they come in any order
	season := strings.Join(rows, "")
	for name, c := range map[string]struct {
		text string
		args []string
	}{
		"cover": {coverTable, []string{"cover", "--control", "BARE", "--side", "below"}}, "cover of a season": {season, []string{"cover"}},
		"counts": {countTable, []string{"count", "--control", "BARE"}}, "cover, arcsine": {coverTable, []string{"cover", "--scale", "arcsine_sqrt"}},
	} {
		r := must(t, append(append([]string{"compare"}, c.args...), "--from", table(t, c.text), "--json")...)
		var doc any
		if err := json.Unmarshal([]byte(r.out), &doc); err != nil {
			t.Fatal(err)
		}
		got[name] = map[string]any{}
		flatten(got[name], "", doc)
	}
	golden(t, "compared.json", got)
}

// flatten lays the numbers of a JSON document out under the paths to them.
func flatten(into map[string]any, path string, doc any) {
	switch v := doc.(type) {
	case map[string]any:
		for k, x := range v {
			flatten(into, strings.TrimPrefix(path+"."+k, "."), x)
		}
	case []any:
		for i, x := range v {
			flatten(into, fmt.Sprintf("%s[%d]", path, i), x)
		}
	case float64:
		if !strings.Contains(path, "plots[") { // as given, or fitted by what is there already
			into[path] = v
		}
	}
}
