package frame

import (
	"errors"
	"image"
	"image/color"
	_ "image/jpeg"
	_ "image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/vision/raster"
)

// sharedDir is the reference folder beside the repository, or what
// QUADTALLY_SHARED says; empty where there is none.
func sharedDir() string {
	if dir := os.Getenv("QUADTALLY_SHARED"); dir != "" {
		return dir
	}
	dir, err := os.Getwd()
	for err == nil && dir != filepath.Dir(dir) {
		if _, e := os.Stat(filepath.Join(dir, "go.mod")); e == nil {
			shared := filepath.Join(filepath.Dir(dir), "shared")
			if _, e := os.Stat(shared); e == nil {
				return shared
			}
			return ""
		}
		dir = filepath.Dir(dir)
	}
	return ""
}

func loadRaster(t testing.TB, path string) *raster.Raster {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	im, _, err := image.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	b := im.Bounds()
	w, h := b.Dx()&^1, b.Dy()&^1
	r := &raster.Raster{Width: w, Height: h, ChromaWidth: w, ChromaHeight: h, FullWidth: w, FullHeight: h, Denom: 1, Orientation: 1,
		Y: make([]byte, w*h), Cb: make([]byte, w*h), Cr: make([]byte, w*h)}
	for y := range h {
		for x := range w {
			c := color.YCbCrModel.Convert(im.At(b.Min.X+x, b.Min.Y+y)).(color.YCbCr)
			i := y*w + x
			r.Y[i], r.Cb[i], r.Cr[i] = c.Y, c.Cb, c.Cr
		}
	}
	return r
}

// TestNoFrameInFieldPhotos: the open field photos of the reference folder
// hold no quadrat frame and no marks; none may be reported.
func TestNoFrameInFieldPhotos(t *testing.T) {
	dir := sharedDir()
	if dir == "" {
		t.Skip("the reference folder ../shared is not there")
	}
	var paths []string
	filepath.WalkDir(filepath.Join(dir, "fields"), func(p string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.Contains(p, "images") {
			paths = append(paths, p)
		}
		return nil
	})
	if len(paths) == 0 {
		t.Skip("no field photos in the reference folder")
	}
	step := 5
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		step = 1
	}
	n := 0
	for i := 0; i < len(paths); i += step {
		r := loadRaster(t, paths[i])
		n++
		for _, size := range [][2]float64{{500, 500}, {250, 1000}} {
			opt := DefaultOptions()
			opt.WidthMM, opt.HeightMM = size[0], size[1]
			f, err := Find(r, opt)
			if err == nil {
				t.Errorf("%s: a %gx%g frame was reported, support %.2f, pipe %.0f mm", filepath.Base(paths[i]), size[0], size[1], f.Support, f.PipeWidthMM)
			} else if !errors.Is(err, ErrNotFound) {
				t.Errorf("%s: %v", paths[i], err)
			}
		}
		if seen := allMarks(r); len(seen) > 0 {
			t.Errorf("%s: marks were read: %v", filepath.Base(paths[i]), seen)
		}
	}
	t.Logf("%d photos, two sizes of frame each", n)
}
