package vision

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"image"
	_ "image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// sharedDir is the reference folder `../shared` beside the repository, or the
// one named by QUADTALLY_SHARED; the test is skipped where there is none.
func sharedDir(t testing.TB) string {
	t.Helper()
	dir, ok := findShared(t)
	if !ok {
		t.Skip("reference folder ../shared is not here: the open field photos cannot be measured")
	}
	return dir
}

func findShared(t testing.TB) (string, bool) {
	t.Helper()
	if d := os.Getenv("QUADTALLY_SHARED"); d != "" {
		return d, true
	}
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
		if d := filepath.Join(dir, "..", "shared"); exists(filepath.Join(d, "fields")) {
			return d, true
		}
	}
	return "", false
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

// thresholds finds the threshold of each photo among those of its visit.
func thresholds(t testing.TB, photos []fieldPhoto, opt Options) []float64 {
	t.Helper()
	curves := map[string][]Curve{}
	for _, p := range photos {
		curves[p.visit] = append(curves[p.visit], p.m.Curve)
	}
	of := map[string]Threshold{}
	for visit, c := range curves {
		th, err := VisitThreshold(c, opt)
		if err != nil {
			t.Fatal(err)
		}
		of[visit] = th
	}
	at := make([]float64, len(photos))
	for i, p := range photos {
		at[i] = forPhoto(t, of[p.visit], p.m, opt)
	}
	return at
}

// forPhoto is the threshold of one photo of a visit.
func forPhoto(t testing.TB, visit Threshold, m Measurement, opt Options) float64 {
	t.Helper()
	th, err := visit.For(m.Curve, opt)
	if err != nil {
		t.Fatal(err)
	}
	return th.Value
}

// byVisit gives the cover of each photo at its threshold.
func byVisit(t testing.TB, photos []fieldPhoto, opt Options) []float64 {
	t.Helper()
	cover := make([]float64, len(photos))
	for i, at := range thresholds(t, photos, opt) {
		cover[i] = photos[i].m.Curve.CoverFrac(at)
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

var fieldSets = []string{"peanut", "ews"}

// measured holds the open sets once measured, for all tests of this file.
var measured = map[string][]fieldPhoto{}

func fields(t testing.TB, set string) []fieldPhoto {
	t.Helper()
	if measured[set] == nil {
		photos := fieldSet(t, set)
		measureAll(t, photos, plain())
		measured[set] = photos
	}
	return measured[set]
}

func truths(photos []fieldPhoto) []float64 {
	out := make([]float64, len(photos))
	for i, p := range photos {
		out[i] = p.truth
	}
	return out
}

// TestFieldsReport prints how far measured cover lies from hand-made masks,
// how much is seen where nothing grows, how often the stated range holds and,
// under QUADTALLY_HEAVY, how far cover drifts with the light.
//
// The limits in its parts are what was reached and a small margin, so that a
// change for the worse is seen; they are not the accuracy aimed at.
func TestFieldsReport(t *testing.T) {
	photos := map[string][]fieldPhoto{}
	for _, set := range fieldSets {
		photos[set] = fields(t, set)
	}
	say("Green cover against hand-made masks, points of cover; one set of defaults, one threshold a visit.")
	say("The defaults were chosen with these photos seen.")
	for _, set := range fieldSets {
		accuracyReport(t, set, photos[set])
	}
	pooledReport(t, photos["ews"])
	crossCheckReport(t, photos)
	for _, set := range fieldSets {
		bareReport(t, set, photos[set])
	}
	rangeReport(t, photos)
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		say("Drift with the light: set QUADTALLY_HEAVY=1 to measure it.")
		return
	}
	for _, set := range fieldSets {
		driftReport(t, set, photos[set])
	}
}

// say prints a line of the report as it is, without file and line.
func say(format string, args ...any) { fmt.Printf(format+"\n", args...) }

func accuracyReport(t *testing.T, set string, photos []fieldPhoto) {
	reached := map[string]struct{ mae, bias, ccc float64 }{
		"peanut": {0.0101, 0.0040, 0.988},
		"ews":    {0.0205, 0.0060, 0.985},
	}[set]
	cover, truth := byVisit(t, photos, plain()), truths(photos)
	mae, bias, ccc := accuracy(cover, truth)
	say("%-7s all        %3d photos: mean abs. error %.2f, bias %+.2f, CCC %.3f", set, len(photos), 100*mae, 100*bias, ccc)
	if mae > reached.mae || math.Abs(bias) > reached.bias || ccc < reached.ccc {
		t.Errorf("%s: error %.4f, bias %+.4f, CCC %.4f; once reached %+v", set, mae, bias, ccc, reached)
	}
	for _, class := range [][2]float64{{0, 0.05}, {0.05, 0.35}, {0.35, 1}} {
		var e, tr []float64
		for i := range photos {
			if truth[i] >= class[0] && (truth[i] < class[1] || class[1] == 1) {
				e, tr = append(e, cover[i]), append(tr, truth[i])
			}
		}
		mae, bias, _ := accuracy(e, tr)
		say("%-7s %3.0f-%3.0f %%  %3d photos: mean abs. error %.2f, bias %+.2f", set, 100*class[0], 100*class[1], len(e), 100*mae, 100*bias)
	}
}

// pooledReport measures the wheat photos at one threshold a year instead of one
// a date: how far the photos of a season, of bare ground and closed canopy, in
// sun and under cloud, can share one.
func pooledReport(t *testing.T, photos []fieldPhoto) {
	const reached = 0.0257
	years := slices.Clone(photos)
	for i := range years {
		years[i].visit = years[i].visit[:4]
	}
	mae, bias, ccc := accuracy(byVisit(t, years, plain()), truths(years))
	say("ews     one threshold a year: mean abs. error %.2f, bias %+.2f, CCC %.3f", 100*mae, 100*bias, ccc)
	if mae > reached {
		t.Errorf("one threshold a year: error %.4f, once within %.4f", mae, reached)
	}
}

// half puts a photo into one of two halves that share no spot: peanut photos
// go by blocks of ten neighbours, wheat photos by plot.
func (p fieldPhoto) half(t testing.TB) int {
	digits := strings.TrimSuffix(p.name, ".jpg")
	if p.set == "ews" { // FPWW, three digits of the trial, four of the plot
		digits = p.name[7:11]
	}
	n, err := strconv.Atoi(digits)
	if err != nil {
		t.Fatalf("photo name %q: %v", p.name, err)
	}
	if p.set == "peanut" {
		n = (n - 1) / 10
	}
	return n % 2
}

// crossCheckReport chooses prior, shrinkage and weight of the threshold anew
// on one half of the photos and measures on the other with them, both ways.
func crossCheckReport(t *testing.T, photos map[string][]fieldPhoto) {
	var tries []Options
	for _, prior := range []float64{0.11, 0.12, 0.13, 0.14, 0.15} {
		for _, weight := range []float64{0.6, 0.8, 1} {
			for _, shrink := range []float64{0.1, 0.4, 1} {
				o := plain()
				o.Prior, o.MaxWeight, o.Shrink = &prior, weight, shrink
				tries = append(tries, o)
			}
		}
	}
	covers := map[string][][]float64{} // by set and try
	for _, set := range fieldSets {
		for _, o := range tries {
			covers[set] = append(covers[set], byVisit(t, photos[set], o))
		}
	}
	// errors of one half at one try
	on := func(set string, try, half int) (est, truth []float64) {
		for i, p := range photos[set] {
			if p.half(t) == half {
				est, truth = append(est, covers[set][try][i]), append(truth, p.truth)
			}
		}
		return est, truth
	}
	est, truth := map[string][]float64{}, map[string][]float64{}
	for half := range 2 {
		best, least := 0, math.Inf(1)
		for try := range tries {
			loss := 0.0 // each set counts by its usual error: 1 and 3 points
			for set, usual := range map[string]float64{"peanut": 0.01, "ews": 0.03} {
				mae, _, _ := accuracy(on(set, try, half))
				loss += mae / usual
			}
			if loss < least-1e-12 {
				best, least = try, loss
			}
		}
		for _, set := range fieldSets {
			e, tr := on(set, best, 1-half)
			est[set], truth[set] = append(est[set], e...), append(truth[set], tr...)
		}
	}
	say("Cross-checked: prior, shrinkage and weight of the threshold chosen on one half, measured on the other (blocks of ten photos, plots).")
	limit := map[string]float64{"peanut": 0.0100, "ews": 0.0197}
	for _, set := range fieldSets {
		mae, bias, ccc := accuracy(est[set], truth[set])
		say("%-7s checked    %3d photos: mean abs. error %.2f, bias %+.2f, CCC %.3f", set, len(est[set]), 100*mae, 100*bias, ccc)
		if mae > limit[set] {
			t.Errorf("%s: cross-checked error %.4f, once within %.4f", set, mae, limit[set])
		}
	}
}

// rangePhoto is a photo as the range sees it.
type rangePhoto struct {
	set                string
	half               int
	cover, unit, truth float64
	flagged            bool
}

// conformal takes the 5 % and 95 % points of the signed errors, in units of
// rangeScale, in each row of rangeTable, with the n+1 of split conformal.
func conformal(photos []rangePhoto) []rangeRow {
	out := slices.Clone(rangeTable)
	low := 0.0
	for i, row := range out {
		var d []float64
		for _, p := range photos {
			if p.cover >= low && p.cover < row.below {
				d = append(d, (p.truth-p.cover)/p.unit)
			}
		}
		slices.Sort(d)
		n := len(d)
		rank := min(int(math.Ceil(0.95*float64(n+1)))-1, n-1)
		out[i].hi, out[i].lo = max(d[rank], 0), max(-d[n-1-rank], 0)
		low = row.below
	}
	return out
}

// rangeBy is the range by a table.
func (p rangePhoto) rangeBy(table []rangeRow) (lo, hi float64) {
	for _, row := range table {
		if p.cover < row.below {
			return max(p.cover-row.lo*p.unit, 0), min(p.cover+row.hi*p.unit, 1)
		}
	}
	return 0, 1
}

func (p rangePhoto) held(table []rangeRow) bool {
	lo, hi := p.rangeBy(table)
	return p.truth >= lo && p.truth <= hi
}

// rangeReport measures the range of cover again, how often it holds in each set
// and class of true cover, and how often the range of one half of the photos
// holds on the other.
func rangeReport(t *testing.T, photos map[string][]fieldPhoto) {
	var all []rangePhoto
	var halves [2][]rangePhoto
	for _, set := range fieldSets {
		at := thresholds(t, photos[set], plain())
		for i, p := range photos[set] {
			r := rangePhoto{set, p.half(t), p.m.Curve.CoverFrac(at[i]), rangeScale(&p.m.Curve, at[i]), p.truth, len(p.m.Flags) > 0}
			all = append(all, r)
			halves[r.half] = append(halves[r.half], r)
		}
	}
	for i, row := range conformal(all) {
		t.Logf("range below %3.0f %%: -%.3f +%.3f", 100*math.Min(row.below, 1), row.lo, row.hi)
		near(t, "lower side of the range", rangeTable[i].lo, row.lo, 0.03)
		near(t, "upper side of the range", rangeTable[i].hi, row.hi, 0.03)
	}
	count := func(photos []rangePhoto, table []rangeRow, in func(rangePhoto) bool) (share, width float64, n int) {
		held := 0
		for _, p := range photos {
			if !in(p) {
				continue
			}
			n++
			lo, hi := p.rangeBy(table)
			width += hi - lo
			if p.held(table) {
				held++
			}
		}
		return float64(held) / float64(max(n, 1)), width / float64(max(n, 1)), n
	}
	for _, set := range fieldSets {
		for _, class := range [][2]float64{{0, 1}, {0, 0.05}, {0.05, 0.35}, {0.35, 1}} {
			share, width, n := count(all, rangeTable, func(p rangePhoto) bool {
				return p.set == set && p.truth >= class[0] && (p.truth < class[1] || class[1] == 1)
			})
			say("%-7s %3.0f-%3.0f %%  %3d photos: range of cover holds for %.0f %%, mean width %.1f", set, 100*class[0], 100*class[1], n, 100*share, 100*width)
		}
	}
	hits, n := 0.0, 0
	for half := range 2 {
		table := conformal(halves[half])
		for _, set := range fieldSets {
			share, _, k := count(halves[1-half], table, func(p rangePhoto) bool { return p.set == set })
			say("%-7s range of the other half holds for %.0f %% of %d photos", set, 100*share, k)
			hits += share * float64(k)
			n += k
		}
	}
	share := hits / float64(n)
	held, _, flagged := count(all, rangeTable, func(p rangePhoto) bool { return p.flagged })
	say("Range of cover: that of one half holds for %.1f %% of the other half's photos; the stated one for %.0f %% of %d flagged photos.",
		100*share, 100*held, flagged)
	if share < 0.85 || share > 0.97 {
		t.Errorf("range holds for %.1f %% of photos left out, want about 90", 100*share)
	}
}

// maskOf reads a hand-made mask: true on vegetation.
func maskOf(t testing.TB, p fieldPhoto) (mask []bool, w, h int) {
	t.Helper()
	f, err := os.Open(p.mask)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	w, h = img.Bounds().Dx(), img.Bounds().Dy()
	for y := range h {
		for x := range w {
			v, _, _, _ := img.At(x, y).RGBA()
			mask = append(mask, v > 0)
		}
	}
	return mask, w, h
}

// bareReport measures false cover on squares of the open photos, a quarter of
// the short side wide, in which the mask has no vegetation. By eye most of the
// forty worst peanut squares hold moss, algae or leaves that the mask leaves
// out, so their 95th centile says little of the ground.
func bareReport(t *testing.T, set string, photos []fieldPhoto) {
	reached := map[string]float64{"peanut": 0.00515, "ews": 0.0016}
	at := thresholds(t, photos, plain())
	var falsely []float64
	for i, p := range photos {
		green, err := p.m.Plane.Mask(at[i])
		if err != nil {
			t.Fatal(err)
		}
		truth, w, h := maskOf(t, p)
		if w != p.m.Plane.Width || h != p.m.Plane.Height {
			t.Fatalf("%s: plane is %d x %d, mask %d x %d", p.name, p.m.Plane.Width, p.m.Plane.Height, w, h)
		}
		side := min(w, h) / 4
		for y := 0; y+side <= h; y += side {
			for x := 0; x+side <= w; x += side {
				plants, hits := 0, 0
				for j := y; j < y+side; j++ {
					for i := x; i < x+side; i++ {
						if truth[j*w+i] {
							plants++
						}
						if green[j*w+i] {
							hits++
						}
					}
				}
				if plants == 0 {
					falsely = append(falsely, float64(hits)/float64(side*side))
				}
			}
		}
	}
	slices.Sort(falsely)
	mean := 0.0
	for _, v := range falsely {
		mean += v / float64(len(falsely))
	}
	say("%-7s %d squares without vegetation: mean false cover %.2f, 95th centile %.2f", set, len(falsely), 100*mean, 100*falsely[len(falsely)*95/100])
	if mean > reached[set] {
		t.Errorf("%s: mean false cover (%.5f) is worse than the %.2f points once reached", set, mean, 100*reached[set])
	}
}

// driftReport measures how far cover moves when the light does, at the
// threshold the unchanged visit has; one photo in five.
//
// Tints, white balance and shadow multiply the stored values, which is harder
// than the same change of the light itself: 5 % of a stored value are about
// 11 % of light. Exposure is changed both ways: x1.4 of the light, half a stop,
// with the sRGB curve (IEC 61966-2-1) undone and put back; and x1.4 of the
// stored values, about a stop, which burns three quarters of the peanut leaves
// in one channel at least and a tenth of them to white.
func driftReport(t *testing.T, set string, photos []fieldPhoto) {
	gain := func(r, g, b float64) func(x, w int, c *[3]float64) {
		return func(_, _ int, c *[3]float64) { c[0], c[1], c[2] = c[0]*r, c[1]*g, c[2]*b }
	}
	// A green cast of 12 % of the stored values, 28 % of light, is followed or asked
	// about in most photos and not in all: its drift is said and not held.
	const greenCast = "green tint +12 %"
	changes := []struct {
		name    string
		quality int
		f       func(x, w int, c *[3]float64)
	}{
		{"green tint +5 %", 0, gain(1, 1.05, 1)}, {"magenta tint", 0, gain(1.05, 1, 1.05)},
		{greenCast, 0, gain(1, 1.12, 1)}, {"magenta +12 %", 0, gain(1.12, 1, 1.12)},
		{"green x 1.2", 0, gain(1, 1.2, 1)}, {"green x 1.5", 0, gain(1, 1.5, 1)},
		{"cool", 0, gain(0.92, 1, 1.08)}, {"warm", 0, gain(1.08, 1, 0.92)},
		{"light x1.4", 0, func(_, _ int, c *[3]float64) {
			for i, v := range c {
				c[i] = 255 * storedSRGB(1.4*fromSRGB(v/255))
			}
		}},
		{"values x1.4", 0, gain(1.4, 1.4, 1.4)},
		{"half shadow", 0, func(x, w int, c *[3]float64) {
			if x > w/2 {
				c[0], c[1], c[2] = c[0]*0.5, c[1]*0.5, c[2]*0.5
			}
		}},
		{"JPEG q40", 40, gain(1, 1, 1)},
	}
	curves := map[string][]Curve{}
	for _, p := range photos {
		curves[p.visit] = append(curves[p.visit], p.m.Curve)
	}
	for _, c := range changes {
		var drift, redone, silent float64
		n, asked := 0, 0
		for i := 0; i < len(photos); i += 5 {
			p := photos[i]
			b, err := os.ReadFile(p.path)
			if err != nil {
				t.Fatal(err)
			}
			img, _, err := image.Decode(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			rgb := interleaveAny(img)
			w, h := img.Bounds().Dx(), img.Bounds().Dy()
			for k := range w * h {
				px := [3]float64{float64(rgb[3*k]), float64(rgb[3*k+1]), float64(rgb[3*k+2])}
				c.f(k%w, w, &px)
				for j, v := range px {
					rgb[3*k+j] = clampByte(v + 0.5)
				}
			}
			s := scene{w, h, rgb}
			photo := s.png(t)
			if c.quality > 0 {
				photo = s.jpeg(t, c.quality)
			}
			m, err := Measure(photo, plain())
			if err != nil {
				t.Fatal(err)
			}
			th, err := VisitThreshold(curves[p.visit], plain())
			if err != nil {
				t.Fatal(err)
			}
			own, err := VisitThreshold([]Curve{m.Curve}, plain())
			if err != nil {
				t.Fatal(err)
			}
			was := p.m.Curve.CoverFrac(forPhoto(t, th, p.m, plain()))
			off := math.Abs(m.Curve.CoverFrac(forPhoto(t, th, m, plain())) - was)
			drift += off
			if off > 0.1 && !NeedsEye(m.Flags) {
				t.Errorf("%s under %s: cover moves by %.1f points and no eye is asked for", p.name, c.name, 100*off)
			}
			if NeedsEye(m.Flags) && !NeedsEye(p.m.Flags) {
				asked++
			} else {
				silent += off
			}
			redone += math.Abs(m.Curve.CoverFrac(own.Value) - was)
			n++
		}
		say("%-7s %-16s mean drift %.2f (%.2f with the photo's own threshold); %d of %d ask for an eye, the others drift by %.2f",
			set, c.name, 100*drift/float64(n), 100*redone/float64(n), asked, n, 100*silent/float64(max(n-asked, 1)))
		if silent > 0.015*float64(n-asked) && c.name != greenCast {
			t.Errorf("%s, %s: cover of photos that ask for no eye drifts by %.1f points", set, c.name, 100*silent/float64(n-asked))
		}
	}
}

// interleaveAny is an image as 8-bit RGB, by way of the image package.
func interleaveAny(img image.Image) []byte {
	b := img.Bounds()
	rgb := make([]byte, 0, 3*b.Dx()*b.Dy())
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := img.At(x, y).RGBA()
			rgb = append(rgb, byte(r>>8), byte(g>>8), byte(bl>>8))
		}
	}
	return rgb
}
