package vision

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"quadtally/vision/jpegturbo"
)

// TestFullSizeReport: what the scaled decode costs. The same 11-megapixel
// photo is measured as it is by default and at full size, every pixel a cell,
// and evaluated at one threshold. Photos are put together of sixteen open field
// photos each where these are present, and drawn (invented) otherwise.
func TestFullSizeReport(t *testing.T) {
	photos, opts := mosaics(t)
	what := "field photos, sixteen to a picture"
	if photos == nil {
		what = "drawn scenes"
		for seed := range uint64(1) {
			photo, opt := framedPhoto(t, seed+1, true)
			photos, opts = append(photos, photo), append(opts, opt)
		}
	}
	var diffs []float64
	for i, photo := range photos {
		full := opts[i]
		full.NeedLongSide, full.WorkCells = 0, 4096
		a, r := alone(t, photo, opts[i])
		b, err := Measure(photo, full)
		if err != nil {
			t.Fatal(err)
		}
		if a.Denom == b.Denom {
			t.Fatalf("both were decoded at 1/%d", a.Denom)
		}
		diffs = append(diffs, 100*math.Abs(r.CoverFrac-b.Curve.CoverFrac(r.Threshold.Value)))
	}
	slices.Sort(diffs)
	at := func(p float64) float64 { return diffs[min(int(p*float64(len(diffs))), len(diffs)-1)] }
	t.Logf("Scaled decode against full size, %d %s: median difference %.3f points of cover, p95 %.3f", len(diffs), what, at(.5), at(.95))
	if at(.5) > 0.2 || at(.95) > 0.6 {
		t.Errorf("differences %.3f, documented as 0.2 at the median and 0.6 at the 95th centile", diffs)
	}
}

// mosaics are 4 x 4 open field photos each, at the size of a phone's photo;
// nil where the photos are not present.
func mosaics(t *testing.T) (photos [][]byte, opts []Options) {
	dir, ok := findShared(t)
	if !ok {
		return nil, nil
	}
	files, err := filepath.Glob(filepath.Join(dir, "fields", "peanut", "images", "*.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	most := 2
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		most = len(files) / 16
	}
	const w, h, n = 960, 720, 4
	for m := range min(most, len(files)/(n*n)) {
		rgb := make([]byte, 3*n*w*n*h)
		for k := range n * n {
			photo, err := os.ReadFile(files[m*n*n+k])
			if err != nil {
				t.Fatal(err)
			}
			part, pw, ph, err := jpegturbo.DecodeRGB(photo)
			if err != nil || pw != w || ph != h {
				t.Fatalf("%s: %d x %d, %v", files[m*n*n+k], pw, ph, err)
			}
			for y := range h {
				at := 3 * ((k/n*h+y)*n*w + k%n*w)
				copy(rgb[at:at+3*w], part[3*y*w:])
			}
		}
		photo, err := jpegturbo.Encode(rgb, n*w, n*h, 90, true)
		if err != nil {
			t.Fatal(err)
		}
		photos, opts = append(photos, photo), append(opts, plain())
	}
	return photos, opts
}
