package main

import (
	"bytes"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/demo"
)

// TestThroughput measures framed 12-megapixel photos with 1, 2, 4, ... workers
// and says what that makes in an hour; beyond the cores of this machine it
// multiplies, which holds as long as the photos arrive fast enough.
func TestThroughput(t *testing.T) {
	if os.Getenv("QUADTALLY_THROUGHPUT") == "" {
		t.Skip("takes a machine for itself: `make throughput`")
	}
	const drawn, copies = 6, 20
	tr := demo.Treatments()
	var plots []demo.Plot
	for i := range drawn {
		plots = append(plots, demo.Plot{ID: fmt.Sprint(101 + i), Block: "1", Treatment: tr[i%len(tr)].Code})
	}
	c := demo.DefaultConfig(plots, func(plot string, quadrat int) string { return plot })
	c.Quadrats, c.CropQuadrats, c.BigPhotos, c.Troubles, c.Visits, c.Size = 1, nil, 0, false, c.Visits[2:3], image.Pt(4000, 3000)
	season, err := demo.Season(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	r := demo.NewRenderer(c.Seed)
	stored := 0
	for i := range season.Photos {
		photo, err := r.JPEG(&season.Photos[i])
		if err != nil {
			t.Fatal(err)
		}
		for k := range copies {
			// What comes after the picture's end makes each file a photo of its own.
			b := append(bytes.Clone(photo), fmt.Sprint(k)...)
			stored += len(b)
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d-%d.jpg", i, k)), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	n := len(season.Photos) * copies
	one := 0.0
	for workers := 1; workers <= runtime.NumCPU(); workers *= 2 {
		began := time.Now()
		cmd := program("measure", "--frame", "500mm", "--pipe", "25mm", "--workers", fmt.Sprint(workers), "--json", dir)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%.2000s", err, out)
		}
		took := time.Since(began).Seconds()
		if workers == 1 {
			one = float64(n) / took
		}
		t.Logf("%3d cores: %.1f s for %d photos, %.1f photos a second, %.0f an hour (measured)", workers, took, n, float64(n)/took, 3600*float64(n)/took)
	}
	for _, cores := range []int{1, 16, 256} {
		t.Logf("%3d cores: %.0f photos an hour (one core's, times the cores), if photos arrive at %.0f MB a second", cores, 3600*one*float64(cores), one*float64(cores)*float64(stored)/float64(n)/1e6)
	}
}
