package vision

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"

	"gocv.io/x/gocv"
)

// noisyPicture is a picture of two overlapping groups of grey levels, the
// higher one in patches.
func noisyPicture(rng *rand.Rand, w, h int) []byte {
	pix := make([]byte, w*h)
	for i := range pix {
		pix[i] = byte(min(max(80+20*rng.NormFloat64(), 0), 255))
	}
	for range 1 + rng.IntN(12) {
		cx, cy, r := rng.IntN(w), rng.IntN(h), 2+rng.IntN(w/6)
		for y := max(cy-r, 0); y < min(cy+r, h); y++ {
			for x := max(cx-r, 0); x < min(cx+r, w); x++ {
				pix[y*w+x] = byte(min(max(150+25*rng.NormFloat64(), 0), 255))
			}
		}
	}
	return pix
}

func histogram(pix []byte) []uint64 {
	h := make([]uint64, 256)
	for _, v := range pix {
		h[v]++
	}
	return h
}

// TestSplitAgainstOpenCV: Otsu's split is that of OpenCV, which names the last
// level below it.
func TestSplitAgainstOpenCV(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for round := range 30 {
		w, h := 40+rng.IntN(60), 40+rng.IntN(60)
		pix := noisyPicture(rng, w, h)
		src, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8U, pix)
		if err != nil {
			t.Fatal(err)
		}
		dst := gocv.NewMat()
		theirs := gocv.Threshold(src, &dst, 0, 255, gocv.ThresholdBinary|gocv.ThresholdOtsu)
		src.Close()
		dst.Close()
		if ours, ok := split(histogram(pix)); !ok || ours-1 != int(theirs) {
			t.Errorf("round %d: split at %d, OpenCV puts the last level below it at %g", round, ours, theirs)
		}
	}
}

// TestAgainstScikitImage: Otsu's split, pieces and their areas are those of
// scikit-image (van der Walt et al. 2014, PeerJ 2, e453), where it is
// installed.
func TestAgainstScikitImage(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") != "1" {
		t.Skip("set QUADTALLY_HEAVY=1 to ask scikit-image")
	}
	const script = `
import json, sys
import numpy as np
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops
out = []
for p in json.load(sys.stdin):
    a = np.array(p["Pix"], dtype=np.uint8).reshape(p["H"], p["W"])
    k = int(threshold_otsu(a))
    areas = sorted(int(r.area) for r in regionprops(label(a > k, connectivity=2)))
    out.append({"Split": k, "Areas": areas})
json.dump(out, sys.stdout)
`
	python := "/usr/bin/python3" // Debian's own, which has Debian's packages
	if exec.Command(python, "-c", "import skimage").Run() != nil {
		t.Skip("python3-skimage is not installed")
	}
	type picture struct {
		W, H int
		Pix  []int
	}
	type answer struct {
		Split int
		Areas []int
	}
	rng := rand.New(rand.NewPCG(5, 5))
	var asked []picture
	for range 25 {
		p := picture{W: 40 + rng.IntN(60), H: 40 + rng.IntN(60)}
		for _, v := range noisyPicture(rng, p.W, p.H) {
			p.Pix = append(p.Pix, int(v))
		}
		asked = append(asked, p)
	}
	in, err := json.Marshal(asked)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", script)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(in), os.Stderr
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []answer
	if err := json.Unmarshal(text, &theirs); err != nil || len(theirs) != len(asked) {
		t.Fatalf("%d answers to %d pictures, %v", len(theirs), len(asked), err)
	}
	for i, p := range asked {
		pix := make([]byte, len(p.Pix))
		for k, v := range p.Pix {
			pix[k] = byte(v)
		}
		k, ok := split(histogram(pix))
		if !ok || k-1 != theirs[i].Split {
			t.Errorf("picture %d: split at %d, theirs above %d", i, k, theirs[i].Split)
		}
		// A grey level of 255 would mean "not measured" here.
		levels := slices.Clone(pix)
		for j, v := range levels {
			levels[j] = min(v, 254)
		}
		runs := greenRuns(levels, p.W, uint8(theirs[i].Split+1))
		areas := make([]int, connect(runs))
		for _, r := range runs {
			areas[r.piece-1] += int(r.end - r.from)
		}
		slices.Sort(areas)
		if !slices.Equal(areas, theirs[i].Areas) {
			t.Errorf("picture %d: %d pieces, theirs %d, or their areas differ", i, len(areas), len(theirs[i].Areas))
		}
	}
	t.Logf("%d pictures: split, pieces and areas as scikit-image has them", len(asked))
}
