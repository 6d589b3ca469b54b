package vision

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"os"
	"runtime"
	"strings"
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

// TestTurnedHEIC: the file's own turn (irot) is followed. The scene is that of
// TestHEIC, stored lying and turned a quarter clockwise to be seen, so that the
// leaf lies in the upper right; encoded once by libheif 1.15.
func TestTurnedHEIC(t *testing.T) {
	photo, err := os.ReadFile("../testdata/scenes/quarter-leaf-turned.heic")
	if err != nil {
		t.Fatal(err)
	}
	m, r := alone(t, photo, plain())
	if m.Width != 64 || m.Height != 96 || m.Orientation != 1 {
		t.Errorf("read as %d x %d, orientation %d; want 64 x 96 upright", m.Width, m.Height, m.Orientation)
	}
	near(t, "cover", r.CoverFrac, 0.25, 0.01)
	if len(r.Pieces) != 1 {
		t.Fatalf("%d pieces, want one leaf", len(r.Pieces))
	}
	near(t, "leaf's middle across", r.Pieces[0].Centre.X, 48, 1)
	near(t, "leaf's middle down", r.Pieces[0].Centre.Y, 24, 1)
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
	for i := range 60 {
		if n := i * len(photo) / 60; !refused(photo[:n]) {
			t.Errorf("%d of %d bytes were measured", n, len(photo))
		}
	}
}

func refused(photo []byte) bool {
	_, err := Measure(photo, plain())
	return err != nil
}

// TestForgedSizes: a small file that claims a giant picture, in every format,
// is refused in one sentence before memory is asked for.
func TestForgedSizes(t *testing.T) {
	s := newScene(160, 120, soilRGB).fill(0, 0, 80, 60, leafRGB)
	put16, put32 := binary.BigEndian.PutUint16, binary.BigEndian.PutUint32
	jpeg := s.jpeg(t, 90)
	sof := bytes.Index(jpeg, []byte("\xff\xc0"))
	put16(jpeg[sof+5:], 60000)
	put16(jpeg[sof+7:], 60000)
	png := s.png(t)
	put32(png[16:], 60000)
	put32(png[20:], 60000)
	put32(png[29:], crc32.ChecksumIEEE(png[12:29]))
	heic, err := os.ReadFile("../testdata/scenes/quarter-leaf.heic")
	if err != nil {
		t.Fatal(err)
	}
	ispe := bytes.Index(heic, []byte("ispe"))
	put32(heic[ispe+8:], 19000)
	put32(heic[ispe+12:], 19000)
	// WebP (RFC 9649): a key frame of 16383 x 16383, lossy, and a lossless one.
	lossy := append([]byte("RIFF\x20\x00\x00\x00WEBPVP8 \x14\x00\x00\x00\x10\x00\x00\x9d\x01\x2a\xff\x3f\xff\x3f"), make([]byte, 10)...)
	lossless := append([]byte("RIFF\x20\x00\x00\x00WEBPVP8L\x14\x00\x00\x00\x2f\xff\xff\xff\x0f"), make([]byte, 15)...)

	var before, after runtime.MemStats
	for name, c := range map[string]struct {
		photo []byte
		says  string
	}{
		"jpeg":          {jpeg, "60000 x 60000"},
		"png":           {png, "60000 x 60000"},
		"heic":          {heic, "19000 x 19000"},
		"webp":          {lossy, "16383 x 16383"},
		"lossless webp": {lossless, "16384 x 16384"},
	} {
		runtime.ReadMemStats(&before)
		_, err := Measure(c.photo, plain())
		runtime.ReadMemStats(&after)
		switch {
		case err == nil:
			t.Errorf("%s: measured", name)
		case !strings.Contains(err.Error(), c.says):
			t.Errorf("%s: error %q does not say %q", name, err, c.says)
		}
		if mb := (after.TotalAlloc - before.TotalAlloc) >> 20; mb > 4 {
			t.Errorf("%s: %d MB were asked for", name, mb)
		}
	}
}

// TestColourModels: grey and printing inks hold no measure of green. The CMYK
// file is a header only, which is as far as it may be read.
func TestColourModels(t *testing.T) {
	cmyk := []byte("\xff\xd8" +
		"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x00" +
		"\xff\xc0\x00\x14\x08\x01\x00\x01\x00\x04\x01\x11\x00\x02\x11\x00\x03\x11\x00\x04\x11\x00" +
		"\xff\xda\x00\x0e\x04\x01\x00\x02\x00\x03\x00\x04\x00\x00\x3f\x00")
	cmyk = append(cmyk, make([]byte, 4000)...)
	var grey, deep bytes.Buffer
	if err := png.Encode(&grey, image.NewGray(image.Rect(0, 0, 64, 64))); err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(&deep, image.NewGray16(image.Rect(0, 0, 64, 64))); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		photo []byte
		says  string
	}{
		"cmyk jpeg": {cmyk, "CMYK"}, "grey png": {grey.Bytes(), "no colour"}, "16-bit grey png": {deep.Bytes(), "no colour"},
	} {
		if _, err := Measure(c.photo, plain()); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error %v does not say %q", name, err, c.says)
		}
	}
}
