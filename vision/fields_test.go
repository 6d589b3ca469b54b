package vision

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// sharedDir is the reference folder `../shared` beside the repository, or the
// one named by QUADTALLY_SHARED; the test is skipped where there is none.
func sharedDir(t testing.TB) string {
	t.Helper()
	if d := os.Getenv("QUADTALLY_SHARED"); d != "" {
		return d
	}
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
		if d := filepath.Join(dir, "..", "shared"); exists(filepath.Join(d, "fields")) {
			return d
		}
	}
	t.Skip("reference folder ../shared is not here: the open field photos cannot be measured")
	return ""
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// fieldPhoto is one open photo with its hand-made truth.
type fieldPhoto struct {
	set, name, visit string
	path, mask       string
	truth            float64 // cover, 0..1
	m                Measurement
}

func fieldSet(t testing.TB, set string) []fieldPhoto {
	dir := filepath.Join(sharedDir(t), "fields", set)
	f, err := os.Open(filepath.Join(dir, "truth.csv"))
	if err != nil {
		t.Skipf("open field set %s is not here: %v", set, err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []fieldPhoto
	for _, row := range rows[1:] {
		pct, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		p := fieldPhoto{set: set, name: filepath.Base(row[0]), visit: set,
			path: filepath.Join(dir, row[0]), mask: filepath.Join(dir, row[1]), truth: pct / 100}
		if set == "ews" { // plot_camera_date_time_patch: the date is the visit
			p.visit = strings.Split(p.name, "_")[2]
		}
		out = append(out, p)
	}
	return out
}

func measureAll(t testing.TB, photos []fieldPhoto, opt Options) {
	t.Helper()
	for i := range photos {
		b, err := os.ReadFile(photos[i].path)
		if err != nil {
			t.Fatal(err)
		}
		if photos[i].m, err = Measure(b, opt); err != nil {
			t.Fatalf("%s: %v", photos[i].name, err)
		}
	}
}

// byVisit settles one threshold a visit and gives the cover of each photo.
func byVisit(t testing.TB, photos []fieldPhoto, opt Options) []float64 {
	t.Helper()
	curves := map[string][]Curve{}
	for _, p := range photos {
		curves[p.visit] = append(curves[p.visit], p.m.Curve)
	}
	cover := make([]float64, len(photos))
	for i, p := range photos {
		th, err := VisitThreshold(curves[p.visit], opt)
		if err != nil {
			t.Fatal(err)
		}
		cover[i] = p.m.Curve.CoverFrac(th.Value)
	}
	return cover
}

// accuracy is mean absolute error, bias and Lin's concordance (Lin 1989,
// Biometrics 45, 255-268; n divisor).
func accuracy(est, truth []float64) (mae, bias, ccc float64) {
	n := float64(len(est))
	var me, mt float64
	for i := range est {
		mae += math.Abs(est[i]-truth[i]) / n
		me += est[i] / n
		mt += truth[i] / n
	}
	var se, st, set float64
	for i := range est {
		se += (est[i] - me) * (est[i] - me)
		st += (truth[i] - mt) * (truth[i] - mt)
		set += (est[i] - me) * (truth[i] - mt)
	}
	return mae, me - mt, 2 * set / (se + st + n*(me-mt)*(me-mt))
}

func TestFields(t *testing.T) {
	opt := DefaultOptions()
	opt.ReadCard = false
	for _, set := range []string{"peanut", "ews"} {
		photos := fieldSet(t, set)
		measureAll(t, photos, opt)
		cover := byVisit(t, photos, opt)
		var truth []float64
		for _, p := range photos {
			truth = append(truth, p.truth)
		}
		mae, bias, ccc := accuracy(cover, truth)
		t.Logf("%-7s %3d photos: mean abs. error %.2f points, bias %+.2f, CCC %.3f", set, len(photos), 100*mae, 100*bias, ccc)
	}
}
