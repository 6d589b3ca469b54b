package vision

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"quadtally/vision/classes"
	"quadtally/vision/raster"
)

// TestOptionsRefused: each setting at its bounds and beyond.
func TestOptionsRefused(t *testing.T) {
	nan := math.NaN()
	pts := func(n int) []raster.Point { return make([]raster.Point, n) }
	for _, c := range []struct {
		change func(o *Options)
		says   string // "" where it is taken
	}{
		{func(o *Options) {}, ""},
		{func(o *Options) { o.Index = "greenish" }, "not known"},
		{func(o *Options) { o.FrameMM = [2]float64{500, 250} }, ""},
		{func(o *Options) { o.FrameMM = [2]float64{500, 0} }, "both inner sides"},
		{func(o *Options) { o.FrameMM = [2]float64{0, 500} }, "both inner sides"},
		{func(o *Options) { o.FrameMM = [2]float64{-1, 500} }, "both inner sides"},
		{func(o *Options) { o.FrameMM = [2]float64{500, -1} }, "both inner sides"},
		{func(o *Options) { o.Corners = new([4]raster.Point) }, "inner size is not given"},
		{func(o *Options) { o.CardWhite, o.ReadCard = true, false }, "read the card too"},
		{func(o *Options) { o.CardWhite = true }, ""},
		{func(o *Options) { o.MMPerPx = -.1 }, "per pixel"},
		{func(o *Options) { o.MMPerPx = nan }, "per pixel"},
		{func(o *Options) { o.MMPerPx = .1 }, ""},
		{func(o *Options) { o.NeedLongSide = -1 }, "long side"},
		{func(o *Options) { o.NeedLongSide = 0 }, ""},
		{func(o *Options) { o.WorkCells = 63 }, "64 to 4096"},
		{func(o *Options) { o.WorkCells = 64 }, ""},
		{func(o *Options) { o.WorkCells = 4096 }, ""},
		{func(o *Options) { o.WorkCells = 4097 }, "64 to 4096"},
		{func(o *Options) { o.Smooth = -.1 }, "smoothing"},
		{func(o *Options) { o.Smooth = 10.1 }, "smoothing"},
		{func(o *Options) { o.Smooth = nan }, "smoothing"},
		{func(o *Options) { o.Smooth = 10 }, ""},
		{func(o *Options) { o.Smooth = 0 }, ""},
		{func(o *Options) { o.Shrink = -.1 }, "shrinkage"},
		{func(o *Options) { o.Shrink = nan }, "shrinkage"},
		{func(o *Options) { o.Shrink = 0 }, ""},
		{func(o *Options) { o.MaxWeight = -.1 }, "weight"},
		{func(o *Options) { o.MaxWeight = 1.1 }, "weight"},
		{func(o *Options) { o.MaxWeight = nan }, "weight"},
		{func(o *Options) { o.MaxWeight = 0 }, ""},
		{func(o *Options) { o.Exclude = [][]raster.Point{pts(3), pts(2)} }, "excluded area 2 has 2 corners"},
		{func(o *Options) { o.Exclude = [][]raster.Point{pts(3)} }, ""},
		{func(o *Options) { o.Pieces.MinAreaMM2 = -1 }, "smallest piece"},
		{func(o *Options) { o.Pieces.MinAreaMM2 = nan }, "smallest piece"},
		{func(o *Options) { o.Pieces.MinAreaMM2 = 0 }, ""},
		{func(o *Options) { o.Pieces.MinCells = -1 }, "smallest piece"},
		{func(o *Options) { o.Pieces.MinCells = 0 }, ""},
		{func(o *Options) { o.Pieces.Crop = [][]raster.Point{pts(2)} }, "crop area 1 has 2 corners"},
		{func(o *Options) { o.Pieces.Crop = [][]raster.Point{pts(3)} }, ""},
	} {
		o := DefaultOptions()
		c.change(&o)
		err := o.Validate()
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%+v: %v, want %q", o, err, c.says)
			continue
		}
		if c.says == "" {
			continue
		}
		// Refused by all that is given options.
		if _, got := Measure(nil, o); got == nil || got.Error() != err.Error() {
			t.Errorf("measured with options that are refused by %q: %v", err, got)
		}
		if _, got := AtThreshold(Measurement{}, Threshold{}, o); got == nil || got.Error() != err.Error() {
			t.Errorf("evaluated with options that are refused by %q: %v", err, got)
		}
	}
}

// TestFingerprintTells: a setting that changes a number changes the fingerprint,
// what belongs to one photo does not.
func TestFingerprintTells(t *testing.T) {
	base := DefaultOptions().Fingerprint()
	if len(base) != 16 || strings.Trim(base, "0123456789abcdef") != "" {
		t.Errorf("fingerprint %q, want 16 hexadecimal digits", base)
	}
	for i, c := range []struct {
		change func(o *Options)
		tells  bool
	}{
		{func(o *Options) { o.Smooth = 2.1 }, true}, {func(o *Options) { o.WorkCells++ }, true}, {func(o *Options) { o.Pieces.MinCells++ }, true},
		{func(o *Options) { o.Index = IndexExG }, true}, {func(o *Options) { o.Pieces.MinAreaMM2++ }, true}, {func(o *Options) { v := .1; o.Prior = &v }, true},
		{func(o *Options) { o.Corners = new([4]raster.Point) }, false}, {func(o *Options) { o.Exclude = make([][]raster.Point, 1) }, false},
		{func(o *Options) { o.FocalPx = 9 }, false}, {func(o *Options) { o.Looks = true }, false},
	} {
		o := DefaultOptions()
		c.change(&o)
		if (o.Fingerprint() != base) != c.tells {
			t.Errorf("change %d: the fingerprint is another: %v, want %v", i, !c.tells, c.tells)
		}
	}
	o := DefaultOptions()
	o.Smooth = math.NaN()
	if o.Fingerprint() != "invalid" {
		t.Errorf("settings that are no numbers have the fingerprint %q", o.Fingerprint())
	}
}

// TestGroundRefused: corners and areas that leave nothing to measure.
func TestGroundRefused(t *testing.T) {
	photo := newScene(200, 160, soilRGB).fill(60, 60, 30, 30, leafRGB).jpeg(t, 90)
	at := func(xy ...float64) *[4]raster.Point {
		var out [4]raster.Point
		for i := range out {
			out[i] = raster.Point{X: xy[2*i], Y: xy[2*i+1]}
		}
		return &out
	}
	for _, c := range []struct {
		name    string
		corners *[4]raster.Point
		exclude [][]raster.Point
		says    string
	}{
		{"the photo", at(0, 0, 200, 0, 200, 160, 0, 160), nil, ""},
		{"a corner that is no number", at(math.NaN(), 0, 200, 0, 200, 160, 0, 160), nil, "not a number"},
		{"endless", at(0, 0, 200, 0, 200, math.Inf(1), 0, 160), nil, "not a number"},
		{"far to the right", at(0, 0, 1e6, 0, 200, 160, 0, 160), nil, "far outside"},
		{"far above", at(0, -1e6, 200, 0, 200, 160, 0, 160), nil, "far outside"},
		{"narrow", at(10, 10, 25.9, 10, 25.9, 100, 10, 100), nil, "too small"},
		{"16 wide", at(10, 10, 26, 10, 26, 100, 10, 100), nil, ""},
		{"low", at(10, 10, 100, 10, 100, 25.9, 10, 25.9), nil, "too small"},
		{"16 high", at(10, 10, 100, 10, 100, 26, 10, 26), nil, ""},
		{"outside", at(300, 10, 400, 10, 400, 100, 300, 100), nil, "outside the photo"},
		{"on a line", at(10, 10, 60, 10, 110, 10, 10, 100), nil, "one line"},
		{"all left out", at(10, 10, 100, 10, 100, 100, 10, 100), [][]raster.Point{{{X: 0, Y: 0}, {X: 200, Y: 0}, {X: 200, Y: 200}, {X: 0, Y: 200}}}, "nothing of the ground"},
	} {
		o := plain()
		o.FrameMM, o.Corners, o.Exclude = [2]float64{500, 400}, c.corners, c.exclude
		_, err := Measure(photo, o)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
	}
}

// TestAnswersRefused: thresholds of another index or outside the guards, and
// measurements without what is asked for.
func TestAnswersRefused(t *testing.T) {
	p, c := planeOf(IndexSoftExG, []uint8{100, 200, 200, 100}, 2, 2)
	m := Measurement{Curve: *c, Plane: p, Index: IndexSoftExG}
	opt := plain()
	opt.Pieces.MinCells = 1
	th := Threshold{Value: .12, Index: IndexSoftExG}
	if r, err := AtThreshold(m, th, opt); err != nil || len(r.Pieces) != 1 || r.Quantity != "green cover" {
		t.Errorf("%+v, %v", r, err)
	}
	if _, err := AtThreshold(m, Threshold{Value: .12, Index: IndexExG}, opt); err == nil || !strings.Contains(err.Error(), "measure it again") {
		t.Errorf("a threshold of another index: %v", err)
	}
	if _, err := AtThreshold(m, Threshold{Value: .5, Index: IndexSoftExG}, opt); err == nil || !strings.Contains(err.Error(), "outside") {
		t.Errorf("a threshold outside the guards: %v", err)
	}
	m.Plane = nil
	if r, err := AtThreshold(m, th, opt); err != nil || r.Pieces != nil || r.CoverFrac != .5 {
		t.Errorf("without plane: %+v, %v", r, err)
	}
	bad := &Plane{Index: "greenish", Width: 2, Height: 2, Levels: make([]uint8, 4)}
	for _, v := range []struct {
		p    *Plane
		at   float64
		good bool
	}{{p, .06, true}, {p, .0585, false}, {p, .2, true}, {p, .2015, false}, {p, math.NaN(), false}, {p, math.Inf(1), false}, {bad, .1, false}} {
		_, a := v.p.Mask(v.at)
		_, b := v.p.CoverFrac(v.at)
		_, c := v.p.Pieces(v.at, opt.Pieces)
		_, d := v.p.LeastGreen(v.at)
		_, e := v.p.Patch(v.at, 1, 0)
		for i, err := range []error{a, b, c, d, e} {
			if (err == nil) != v.good {
				t.Errorf("threshold %g, question %d: %v", v.at, i, err)
			}
		}
	}
	for _, v := range []struct {
		x    Index
		at   float64
		good bool
	}{{IndexSoftExG, .06, true}, {IndexSoftExG, .2, true}, {IndexSoftExG, .0599, false}, {IndexSoftExG, .2001, false}, {IndexSoftExG, math.NaN(), false}, {"greenish", .1, false}} {
		if th, err := HandThreshold(v.x, v.at); (err == nil) != v.good || v.good && (th.Value != v.at || th.Prior != v.at || th.Found != v.at || th.Photos != 0) {
			t.Errorf("%s set to %g by hand: %+v, %v", v.x, v.at, th, err)
		}
	}
	empty := &Plane{Index: IndexSoftExG, Width: 1, Height: 2, Levels: []uint8{Outside, Outside}}
	if v, err := empty.CoverFrac(.1); v != 0 || err != nil {
		t.Errorf("nothing measured: %g, %v", v, err)
	}
	part := &Plane{Index: IndexSoftExG, Width: 2, Height: 2, Levels: []uint8{Outside, 57, 0, 24}}
	for at, want := range map[float64]float64{.06: 2 / 3., .1175: 2 / 3., .12: 1 / 3., .2: 1 / 3.} {
		if v, err := part.CoverFrac(at); err != nil || math.Abs(v-want) > 1e-12 {
			t.Errorf("cover at %g is %g, %v; want %g", at, v, err, want)
		}
	}
	// What needs looks or a plane says so.
	s := &classes.Sorted{Classes: 1}
	for _, m := range []Measurement{{}, {Plane: p}, {Looks: &classes.Looks{}}} {
		_, a := m.Green(.1)
		_, b := ClassPicture(m, .1, nil, s, nil)
		_, c := m.PiecesByClass(.1, opt.Pieces, nil, s)
		for i, err := range []error{a, b, c} {
			if !errors.Is(err, errNoLooks) {
				t.Errorf("question %d: %v", i, err)
			}
		}
	}
	flat := Measurement{Plane: &Plane{Index: IndexSoftExG, Width: 2, Height: 2, Levels: make([]uint8, 4)}, Looks: &classes.Looks{Side: 2, Width: 2, Height: 2}}
	if _, err := ClassPicture(flat, .1, nil, s, nil); !errors.Is(err, errPlane) {
		t.Errorf("a plane that lies nowhere in the photo: %v", err)
	}
	if _, _, err := flat.Plane.Cell(raster.Point{}); !errors.Is(err, errPlane) {
		t.Errorf("a cell of it: %v", err)
	}
	for i, err := range []error{
		func() error { _, err := flat.Green(.5); return err }(),
		func() error { _, err := ClassPicture(flat, .5, nil, s, nil); return err }(),
		func() error { _, err := flat.PiecesByClass(.5, opt.Pieces, nil, s); return err }(),
	} {
		if err == nil || !strings.Contains(err.Error(), "outside") {
			t.Errorf("a threshold outside the guards, question %d: %v", i, err)
		}
	}
}

// TestForgedPlanes: stored planes that claim what they do not hold are refused,
// before memory is asked for.
func TestForgedPlanes(t *testing.T) {
	good := Plane{Index: IndexSoftExG, Width: 300, Height: 2, MMPerCell: .5, Levels: make([]uint8, 600)}
	good.Levels[7], good.Levels[599] = 9, Outside
	b, err := good.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var back Plane
	if err := back.UnmarshalBinary(b); err != nil || !reflect.DeepEqual(back, good) {
		t.Errorf("comes back as %d x %d, %v", back.Width, back.Height, err)
	}
	if text, err := good.MarshalText(); err != nil || back.UnmarshalText(text) != nil {
		t.Errorf("as text: %v", err)
	}
	for n := range b {
		if err := new(Plane).UnmarshalBinary(b[:n]); err == nil {
			t.Fatalf("the first %d of %d bytes were taken", n, len(b))
		}
	}
	forged := func(version byte, name string, w, h uint64, mm float64, runs ...byte) []byte {
		out := append([]byte{version, byte(len(name))}, name...)
		out = binary.AppendUvarint(binary.AppendUvarint(out, w), h)
		for i := range 10 {
			v := 0.0
			if i == 0 {
				v = mm
			}
			out = binary.LittleEndian.AppendUint64(out, math.Float64bits(v))
		}
		var z bytes.Buffer
		z.Write(out)
		f, _ := flate.NewWriter(&z, -1)
		f.Write(runs)
		f.Close()
		return z.Bytes()
	}
	soft := string(IndexSoftExG)
	if err := new(Plane).UnmarshalBinary(forged(2, soft, 2, 3, 1, 7, 5)); err != nil {
		t.Errorf("two by three cells of level 7: %v", err)
	}
	for name, b := range map[string][]byte{
		"nothing": nil, "one byte": {2}, "version 1": forged(1, soft, 2, 3, 1, 7, 5), "version 3": forged(3, soft, 2, 3, 1, 7, 5), "a longer name": {2, 9, 's'},
		"no width": forged(2, soft, 0, 3, 1, 7, 5), "no height": forged(2, soft, 2, 0, 1, 7, 5), "too wide": forged(2, soft, maxPlaneCells+1, 1, 1, 7, 5),
		"too many": forged(2, soft, maxPlaneCells, 2, 1, 7, 5), "no number": forged(2, soft, 2, 3, math.NaN(), 7, 5), "endless": forged(2, soft, 2, 3, math.Inf(-1), 7, 5),
		"a cell short": forged(2, soft, 2, 3, 1, 7, 4), "a cell more": forged(2, soft, 2, 3, 1, 7, 6), "an odd byte": forged(2, soft, 2, 3, 1, 7, 5, 1), "another run": forged(2, soft, 2, 3, 1, 7, 5, 7, 0),
	} {
		if err := new(Plane).UnmarshalBinary(b); !errors.Is(err, errPlane) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := new(Plane).UnmarshalBinary(forged(2, "greenish", 2, 3, 1, 7, 5)); err == nil {
		t.Error("a plane of an unknown index was taken")
	}
	for _, n := range []int{599, 601} {
		p := good
		p.Levels = make([]uint8, n)
		if _, err := p.MarshalBinary(); !errors.Is(err, errPlane) {
			t.Errorf("600 cells of %d levels are stored: %v", n, err)
		}
		if _, err := p.MarshalText(); !errors.Is(err, errPlane) {
			t.Errorf("600 cells of %d levels are stored as text: %v", n, err)
		}
	}
	if err := new(Plane).UnmarshalText([]byte("?")); err == nil || !strings.Contains(err.Error(), "measure the photo again") {
		t.Errorf("no base64: %v", err)
	}
}

// TestForgedCurves: the same of cover curves, and what is asked of a curve that
// holds nothing.
func TestForgedCurves(t *testing.T) {
	c := Curve{Index: IndexExG}
	c.Counts[0], c.Counts[3], c.Counts[255] = 5, 1<<32-1, 1
	b, err := c.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var back Curve
	if err := back.UnmarshalBinary(b); err != nil || back != c {
		t.Errorf("comes back otherwise: %v", err)
	}
	for n := range b {
		if err := new(Curve).UnmarshalBinary(b[:n]); err == nil {
			t.Fatalf("the first %d of %d bytes were taken", n, len(b))
		}
	}
	head := append([]byte{curveVersion, 3}, "exg"...)
	counts := func(vs ...uint64) []byte {
		out := bytes.Clone(head)
		for _, v := range vs {
			out = binary.AppendUvarint(out, v)
		}
		return out
	}
	if err := new(Curve).UnmarshalBinary(counts(0, 255)); err != nil {
		t.Errorf("all zeros: %v", err)
	}
	for name, b := range map[string][]byte{
		"zeros beyond": counts(0, 256), "zeros beyond the end": counts(1, 0, 255), "a count too large": counts(1<<32, 0, 254), "one more": counts(0, 255, 1), "version 1": append([]byte{1}, counts(0, 255)[1:]...),
	} {
		if err := new(Curve).UnmarshalBinary(b); !errors.Is(err, errCurve) {
			t.Errorf("%s: %v", name, err)
		}
	}
	bad := Curve{Index: "greenish"}
	bad.Counts[200] = 7
	if _, err := bad.MarshalBinary(); err == nil {
		t.Error("a curve of an unknown index is stored")
	}
	if _, err := bad.MarshalText(); err == nil {
		t.Error("a curve of an unknown index is stored as text")
	}
	none := Curve{Index: IndexExG}
	for _, c := range []*Curve{&bad, &none} {
		if c.CoverFrac(.1) != 0 || c.shareBelow(.1) != 0 {
			t.Errorf("%q: cover %g, below %g", c.Index, c.CoverFrac(.1), c.shareBelow(.1))
		}
	}
	if rangeScale(&bad, .1) != 1 {
		t.Errorf("range of an unknown index %g", rangeScale(&bad, .1))
	}
	if err := new(Curve).UnmarshalText([]byte("?")); err == nil || !strings.Contains(err.Error(), "measure the photo again") {
		t.Errorf("no base64: %v", err)
	}
	// Codes of 10, 20 and 70 cells: the threshold snaps to the nearest edge.
	s := scales[IndexExG]
	h := Curve{Index: IndexExG}
	h.Counts[99], h.Counts[100], h.Counts[101] = 10, 20, 70
	for _, v := range []struct{ at, cover, below float64 }{{100, .9, .1}, {100.4, .9, .1}, {100.6, .7, .3}, {99.4, 1, 0}, {102, 0, 1}} {
		th := s.lo + s.step*v.at
		if got := h.CoverFrac(th); math.Abs(got-v.cover) > 1e-12 {
			t.Errorf("cover at code %g is %g, want %g", v.at, got, v.cover)
		}
		if got := h.shareBelow(th); math.Abs(got-v.below) > 1e-12 {
			t.Errorf("share below code %g is %g, want %g", v.at, got, v.below)
		}
	}
	if _, err := VisitThreshold(nil, plain()); err == nil {
		t.Error("a threshold of no photo")
	}
	if _, err := VisitThreshold([]Curve{h, {Index: IndexVARI}}, plain()); err == nil {
		t.Error("a threshold of two indices")
	}
	if _, err := VisitThreshold([]Curve{bad}, plain()); err == nil {
		t.Error("a threshold of an unknown index")
	}
}
