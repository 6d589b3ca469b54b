package vision

import (
	"fmt"
	"math"
	"slices"
)

// Index names a greenness index: a number per pixel that is high on green
// plants and low on everything else.
type Index string

// The indices that can be asked for. r, g, b are chromatic coordinates
// R/(R+G+B) and so on; R, G, B are 8-bit sRGB values as stored.
const (
	// IndexSoftExG is the default: green against red and blue over the
	// brightness of the surroundings, not of the pixel itself, so that noise
	// in dark pixels does not look green, light and shade cancel out, and no
	// pixel is divided by next to nothing. A measurement takes it at two
	// scales (see softCodes) and holds it against the photo's own ground (see
	// toGround); the published indices below it leaves alone.
	IndexSoftExG Index = "soft-exg"
	// IndexExG is excess green 2g - r - b.
	// Woebbecke et al. 1995, Trans. ASAE 38(1) 259-269.
	IndexExG Index = "exg"
	// IndexExGR is excess green minus excess red, ExG - (1.4 r - g).
	// Meyer and Neto 2008, Comput. Electron. Agric. 63, 282-293.
	IndexExGR Index = "exgr"
	// IndexNGRDI is (G - R)/(G + R).
	// Tucker 1979, Remote Sens. Environ. 8, 127-150; with camera values
	// Hunt et al. 2005, Precis. Agric. 6, 359-378.
	IndexNGRDI Index = "ngrdi"
	// IndexCIVE is the colour index of vegetation extraction, turned so that
	// plants are high: -(0.441 R - 0.811 G + 0.385 B + 18.78745)/255.
	// Kataoka et al. 2003, Proc. IEEE/ASME AIM 2, 1079-1083.
	IndexCIVE Index = "cive"
	// IndexVARI is (G - R)/(G + R - B).
	// Gitelson et al. 2002, Remote Sens. Environ. 80, 76-87.
	IndexVARI Index = "vari"
	// IndexAStar is the green-red axis of CIELAB, turned so that plants are
	// high: -a*/100, sRGB and D65. CIE 15:2004; IEC 61966-2-1.
	IndexAStar Index = "a-star"
)

// scale places an index on the code axis 0..255 that curves and planes use
// and holds what a visit threshold needs to know of it.
type scale struct {
	lo, step float64 // value of code 0 and of one code
	prior    float64 // threshold of a typical photo
	low      float64 // guards: a visit threshold stays within [low, high]
	high     float64
	noise    float64 // ground peaks below it; its noise lifts a threshold no higher
	certain  float64 // green that is beyond doubt, see dropUnconnected; 0 for none
}

// scales holds one row for each index. The priors and guards of the published
// indices are common practice around their authors' values; those of the
// default were measured (see fields_test.go). A higher certain loses pale
// seedlings, a lower one lets faint stones and noise through: at 0.14 instead
// of 0.17 the 95th centile of false cover on the open wheat photos is 1.35
// instead of 0.92 points, and their error 2.48 instead of 2.56.
var scales = map[Index]scale{
	IndexSoftExG: {lo: -0.3, step: 0.0025, prior: 0.12, low: 0.06, high: 0.2, noise: 0.19, certain: 0.1725},
	IndexExG:     {lo: -0.5, step: 0.006, prior: 0.12, low: 0.05, high: 0.23, noise: 0.12},
	IndexExGR:    {lo: -1, step: 0.01, prior: 0, low: -0.15, high: 0.15, noise: 0},
	IndexNGRDI:   {lo: -0.5, step: 0.005, prior: 0.04, low: 0, high: 0.15, noise: 0.05},
	IndexCIVE:    {lo: -0.4, step: 0.004, prior: -0.06, low: -0.12, high: 0.0, noise: -0.05},
	IndexVARI:    {lo: -0.5, step: 0.006, prior: 0.06, low: 0, high: 0.18, noise: 0.07},
	IndexAStar:   {lo: -0.5, step: 0.004, prior: 0.05, low: 0.015, high: 0.12, noise: 0.05},
}

// Indices lists every index by name.
func Indices() []Index {
	var all []Index
	for x := range scales {
		all = append(all, x)
	}
	slices.Sort(all)
	return all
}

func (x Index) scale() (scale, error) {
	s, ok := scales[x]
	if !ok {
		return scale{}, fmt.Errorf("greenness index %q is not known: use one of %v", string(x), Indices())
	}
	return s, nil
}

func (s scale) code(v float64) uint8 {
	return uint8(min(max(math.Floor((v-s.lo)/s.step), 0), 255))
}

// value is the index value at the lower edge of a code.
func (s scale) value(code int) float64 { return s.lo + s.step*float64(code) }

// nearest is the code whose lower edge lies nearest v.
func (s scale) nearest(v float64) int { return int(min(max(math.Round((v-s.lo)/s.step), 0), 255)) }

// snap is the threshold on the code grid nearest v. Rounding does not lead it
// past a guard.
func (s scale) snap(v float64) float64 { return min(max(s.value(s.nearest(v)), s.low), s.high) }

// Method says in one sentence how the index is taken, with its published
// source, for a report; "" for an index that is not known.
func (x Index) Method() string {
	switch x {
	case IndexSoftExG:
		return fmt.Sprintf("%s is the excess of green over red and blue, (%.2fG - R - %.2fB)/%.2f of the smoothed stored values, over the brightness of its surroundings and held against the photo's own bare ground and leaves (our own form of the excess green of Woebbecke and others 1995, Transactions of the ASAE 38, 259); "+
			"faint green counts only where it leads within %g mm to green above %.2f (hysteresis: Canny 1986, IEEE PAMI 8, 679)", x, softRed+softBlue, softBlue, softRed+softBlue, reachMM, scales[x].certain)
	case IndexExG:
		return "exg is excess green, 2g - r - b (Woebbecke and others 1995, Transactions of the ASAE 38, 259)"
	case IndexExGR:
		return "exgr is excess green minus excess red, 3g - 2.4r - b (Meyer and Neto 2008, Comput. Electron. Agric. 63, 282)"
	case IndexNGRDI:
		return "ngrdi is (G - R)/(G + R) (Tucker 1979, Remote Sens. Environ. 8, 127)"
	case IndexCIVE:
		return "cive is the colour index of vegetation extraction, its sign turned (Kataoka and others 2003, IEEE/ASME AIM 2, 1079)"
	case IndexVARI:
		return "vari is (G - R)/(G + R - B) (Gitelson and others 2002, Remote Sens. Environ. 80, 76)"
	case IndexAStar:
		return "a-star is the green-red axis a* of CIELAB, its sign turned (CIE 15:2004)"
	}
	return ""
}

// Value computes the index of one pixel from its stored 8-bit values.
// around is the mean brightness of the surroundings, 0..255; only IndexSoftExG
// uses it.
// A black pixel, and any other without a defined value, gives 0.
func (x Index) Value(r, g, b, around float64) float64 {
	ratio := func(num, den float64) float64 {
		if den <= 0 {
			return 0
		}
		return num / den
	}
	sum := r + g + b
	switch x {
	case IndexSoftExG:
		return (softRed*(g-r) + softBlue*(g-b)) / (softRed + softBlue) / softLight(around)
	case IndexExG:
		return ratio(2*g-r-b, sum)
	case IndexExGR:
		return ratio(3*g-2.4*r-b, sum)
	case IndexNGRDI:
		return ratio(g-r, g+r)
	case IndexCIVE:
		if sum == 0 {
			return 0
		}
		return -(0.441*r - 0.811*g + 0.385*b + 18.78745) / 255
	case IndexVARI:
		return ratio(g-r, g+r-b)
	case IndexAStar:
		return -aStar(r, g, b) / 100
	}
	return 0
}

// Weights of the default index. Red against green tells leaf from straw and
// blue against green adds what red leaves open on grey soil.
const (
	softRed  = 1.0
	softBlue = 0.55
	// softPower is how far the brightness of the surroundings is divided out:
	// fully at 1. Leaves in full sun are paler than in shade, and part of the
	// brightness left in makes up for it.
	softPower = 0.9
	softMid   = 110.0 // brightness at which the power makes no difference
	softFloor = 4.0   // least brightness taken for the surroundings
	// Towards white a camera has less and less room for colour. From
	// softBright on the index is raised to make up for it, at 255 by the
	// share softPale.
	softBright = 138.0
	softPale   = 0.7
)

// softLight is what colour differences are divided by where the surroundings
// have a mean brightness of 0..255.
func softLight(around float64) float64 {
	light := softMid * math.Pow(max(around, softFloor)/softMid, softPower)
	return light / (1 + softPale*max(around-softBright, 0)/(255-softBright))
}

// aStar is CIELAB a* of an sRGB pixel under D65.
func aStar(r, g, b float64) float64 {
	lin := func(v float64) float64 { return fromSRGB(min(max(v/255, 0), 1)) }
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	lr, lg, lb := lin(r), lin(g), lin(b)
	x := 0.4124564*lr + 0.3575761*lg + 0.1804375*lb
	y := 0.2126729*lr + 0.7151522*lg + 0.0721750*lb
	return 500 * (f(x/0.95047) - f(y))
}

// fromSRGB is the linear light of a stored value, both 0 to 1
// (IEC 61966-2-1).
func fromSRGB(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// codes turns a field into index codes 0..255, as many as the field has
// samples.
func (x Index) codes(f *field, out []uint8) error {
	s, err := x.scale()
	if err != nil {
		return err
	}
	if x == IndexSoftExG {
		softCodes(f, s, out)
		return nil
	}
	for i := range out {
		y, cb, cr := float64(f.y[i])/unit, float64(f.cb[i])/unit, float64(f.cr[i])/unit
		// ITU-T T.871; rounded to 8 bits as a decoder to RGB would.
		r, g, b := y+1.402*cr, y-0.344136*cb-0.714136*cr, y+1.772*cb
		c := func(v float64) float64 { return min(max(v, 0), 255) }
		out[i] = s.code(x.Value(c(f.white.red*c(r)), c(g), c(f.white.blue*c(b)), 0))
	}
	return nil
}

// softCodes is the default index from its own plane: the divisor changes
// slowly over the photo, so one multiplication a sample does.
//
// It looks at two scales. A share of each sample's difference comes from
// chroma smoothed about three times as wide: specks of colour on bare ground
// fade, the inside of a leaf fills, and edges stay where they are.
func softCodes(f *field, s scale, out []uint8) {
	const shift = 32
	zero := int64(-s.lo / s.step * (1 << shift))
	perUnit := make([]float64, len(f.around)) // codes for one step of the plane
	for i, a := range f.around {
		perUnit[i] = (1 << shift) / (softLight(a) * s.step * unit)
	}
	// In a picture without noise to smooth there is nothing to look at widely.
	share := int64(256 * wideShare * min(f.sigma/leastSigma, 1))
	wide := f.wide
	if wide == nil {
		wide, share = f.soft, 0
	}
	factor := make([]int64, f.w)
	for row := range f.h {
		f.spread(perUnit, row, factor)
		at := row * f.w
		near, far, dst := f.soft[at:][:len(factor)], wide[at:][:len(factor)], out[at:][:len(factor)]
		for k, m := range factor {
			num := int64(near[k])
			num += (int64(far[k]) - num) * share >> 8
			dst[k] = uint8(min(max((num*m+zero)>>shift, 0), 255))
		}
	}
}

// The second, wider look of the default index.
const (
	wideShare = 0.35 // share of it in the index
	wideTimes = 3.0  // its smoothing over that of the first look
	wideSide  = 4    // it is taken on squares of so many samples a side
	// leastSigma is the smoothing, in samples, from which it has its full
	// share; under it a picture is clean or too coarse for it.
	leastSigma = 0.65
)

// toGround gives the code that each code of a photo becomes once it is held
// against the photo's own ground and leaves: bare ground lies where it does in
// white light, the index is in proportion to how unruly that ground is, and
// all of it is moved as leafMove and contrastMove say. h is the photo's histogram
// and contrast that of its brightness (see swatches.contrast); certain is by how
// many codes green that is beyond doubt goes with it: half-way with the leaves,
// twice as far with the light, as noise does. Only the default index is held so;
// published ones stay as published.
func (x Index) toGround(h []uint64, contrast float64) (to [256]uint8, certain int) {
	move := 0
	s, err := x.scale()
	shift, gain := 0, 1.0
	if err == nil && x == IndexSoftExG {
		shift = castShift(h, s)
		moved := make([]uint64, len(h))
		for i, v := range h {
			moved[min(max(i+shift, 0), 255)] += v
		}
		gain = groundGain(moved, s)
	}
	for i := range to {
		moved := min(max(i+shift, 0), 255)
		to[i] = s.code((s.value(moved) + s.step/2) * gain) // of the middle of the code
	}
	if err == nil && x == IndexSoftExG {
		leaf, light := leafMove(h, &to, s), contrastMove(contrast, s)
		move, certain = leaf+light, leaf/2+2*light
		for i, c := range to {
			to[i] = uint8(min(max(int(c)+move, 0), 255))
		}
	}
	return to, certain
}

// leafMove is by how many codes a photo's index is raised so that one threshold
// of a visit suits it. The edge of a leaf lies about half-way between leaf and
// ground, which is lower where leaves are pale, frosted or grey-blue than where
// they are deep green. How green a photo's leaves are is the mean index of what
// is beyond doubt; a photo with next to none stays. Photos of deep green leaves
// are not lowered: on the open peanut photos that costs error, and on the
// wheat photos it brings none.
func leafMove(h []uint64, to *[256]uint8, s scale) int {
	const (
		leaf    = 0.16  // index from which a cell is taken for leaf
		follow  = 0.6   // share of what the leaves lack in greenness that is made up for
		usual   = 0.27  // greenness of usual leaves, which move nothing
		scarcer = 0.001 // share of the ground at which leaves have half their say
	)
	var n, sum, all float64
	for i, v := range h {
		all += float64(v)
		if c := int(to[i]); c >= s.nearest(leaf) {
			n += float64(v)
			sum += float64(v) * (s.value(c) + s.step/2)
		}
	}
	if n == 0 {
		return 0
	}
	few := scarcer * all
	return int(math.Round(follow * max(usual-(sum+few*usual)/(n+few), 0) / s.step))
}

// contrastMove is by how many codes a photo's index is moved so that one
// threshold of a visit suits photos in hard and in soft light. In hard light
// the index spreads with brightness: lit litter and the bright rims of leaves
// come out greener than under a cloud. On the open photos it brings the error
// from 1.01 to 0.98 points (peanut) and from 3.2 to 2.9 (wheat, one threshold a
// year). Photos in soft light are hardly raised, as that shows in false cover on
// bare ground and brings less.
func contrastMove(contrast float64, s scale) int {
	const (
		follow = 0.08  // index value for one of contrast
		usual  = 0.4   // contrast of usual light, which moves nothing
		most   = 1.0   // contrast from which nothing more is made of it
		raise  = 0.005 // most that a photo is raised, index value
	)
	return int(math.Round(min(follow*(usual-min(contrast, most)), raise) / s.step))
}

// castShift is by how many codes the index is moved so that bare ground lies
// where it does in white light: what colour casts and white balance add, they
// add to ground and leaf alike. The move is bounded, and it fades out where
// little of the photo is ground.
func castShift(h []uint64, s scale) int {
	const (
		usual     = 0.0  // index of bare ground in white light
		most      = 0.16 // largest move, index value
		enough    = 0.85 // share of ground from which the whole move is made
		following = 0.85 // share of the departure that is taken for a cast
	)
	var ground, all uint64
	for i, v := range h {
		all += v
		if i < s.nearest(s.noise) {
			ground += v
		}
	}
	peak, ok := groundPeak(h, s, s.noise)
	if !ok {
		return 0
	}
	fade := min(float64(ground)/float64(all)/enough, 1)
	move := following * (usual - s.value(peak))
	return int(math.Round(fade * min(max(move, -most), most) / s.step))
}

// groundGain is what the index is multiplied by so that it tells plants from
// ground of any kind alike. On clean ground a faint green is a leaf; where
// algae, litter and clods spread the ground's own colour it is not. The
// measure is how far the ground reaches above its peak, the root mean square
// of what lies between the peak and top, against that of usual ground. The
// gain is shrunk, bounded, and fades out as plants close over the ground: then
// what lies there is the edges of leaves.
//
// To set a threshold by the spread of the background is the constant false
// alarm rate of detection theory (Finn and Johnson 1968, RCA Review 29,
// 414-464).
func groundGain(h []uint64, s scale) float64 {
	const (
		top    = 0.1   // index value up to which the ground is looked at
		usual  = 0.035 // spread of usual ground, index value
		power  = 0.7   // 1 would follow the spread fully
		closed = 0.5   // share above top at which nothing of the gain is left
		least  = 0.75
		most   = 1.4
	)
	peak, ok := groundPeak(h, s, s.noise)
	if !ok {
		return 1
	}
	var n, sq, plants, all float64
	for i, v := range h {
		all += float64(v)
		switch {
		case i >= s.nearest(top):
			plants += float64(v)
		case i >= peak:
			d := float64(i-peak) + 0.5
			n += float64(v)
			sq += d * d * float64(v)
		}
	}
	if n == 0 {
		return 1
	}
	spread := s.step * math.Sqrt(sq/n)
	open := max(1-plants/all/closed, 0)
	return min(max(math.Pow(usual/spread, power*open), least), most)
}
