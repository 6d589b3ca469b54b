package vision

import (
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestHEIC reads a drawn scene of 96 x 64 pixels, its upper left quarter leaf,
// encoded once by libheif 1.15 (quality 90).
func TestHEIC(t *testing.T) {
	photo, err := os.ReadFile("../testdata/scenes/quarter-leaf.heic")
	if err != nil {
		t.Fatal(err)
	}
	m, r := alone(t, photo, plain())
	if m.Format != FormatHEIC || m.Width != 96 || m.Height != 64 {
		t.Errorf("read as %s of %d x %d", m.Format, m.Width, m.Height)
	}
	near(t, "cover", r.CoverFrac, 0.25, 0.01)
	for _, share := range []float64{0.3, 0.7, 0.95} {
		if _, err := Measure(photo[:int(share*float64(len(photo)))], plain()); err == nil {
			t.Errorf("%.0f %% of the file was measured", 100*share)
		}
	}
}

// TestWebP reads a lossy WebP, which stores video range, written by OpenCV.
func TestWebP(t *testing.T) {
	s := newScene(200, 120, soilRGB).fill(0, 0, 100, 60, leafRGB)
	rgb, err := gocv.NewMatFromBytes(s.h, s.w, gocv.MatTypeCV8UC3, s.rgb)
	if err != nil {
		t.Fatal(err)
	}
	defer rgb.Close()
	bgr := gocv.NewMat()
	defer bgr.Close()
	gocv.CvtColor(rgb, &bgr, gocv.ColorBGRToRGB)
	buf, err := gocv.IMEncodeWithParams(".webp", bgr, []int{gocv.IMWriteWebpQuality, 90})
	if err != nil {
		t.Skipf("this OpenCV writes no WebP: %v", err)
	}
	photo := append([]byte{}, buf.GetBytes()...)
	buf.Close()
	m, r := alone(t, photo, plain())
	if m.Format != FormatWebP {
		t.Errorf("read as %s", m.Format)
	}
	near(t, "cover", r.CoverFrac, 0.25, 0.01)
	ras, _, _, err := Decode(photo, 0)
	if err != nil {
		t.Fatal(err)
	}
	// Luma of the leaf and the soil, full range: 96.5 and 99.6.
	near(t, "leaf luma", float64(ras.Y[20*ras.Width+20]), 96.5, 3)
	near(t, "soil luma", float64(ras.Y[100*ras.Width+150]), 99.6, 3)
	if _, err := Measure(photo[:len(photo)/2], plain()); err == nil {
		t.Error("half of the file was measured")
	}
}
