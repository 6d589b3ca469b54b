package intake

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"quadtally/cmd/quadtally/internal/intake/phototest"
)

type tag = phototest.Tag

func taken(s string) []tag { return phototest.Taken(s) }

// jpegWith is a small JPEG; shade tells its content apart from others.
func jpegWith(shade uint8, exif, gps []tag) []byte {
	img := image.NewRGBA(image.Rect(0, 0, 16, 16))
	for i := range 256 {
		img.Set(i%16, i/16, color.RGBA{shade, uint8(i), 60, 255})
	}
	return phototest.JPEG(img, exif, gps)
}

func pngBytes(shade uint8) []byte {
	img := image.NewRGBA(image.Rect(0, 0, 4, 4))
	img.Set(0, 0, color.RGBA{shade, 1, 2, 255})
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		panic(err)
	}
	return buf.Bytes()
}

func put(t *testing.T, dir, name string, b []byte) string {
	t.Helper()
	return writeFile(t, dir, name, b)
}

func writeFile(t testing.TB, dir, name string, b []byte) string {
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}
