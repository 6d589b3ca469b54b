package vision

import (
	"fmt"
	"math"
	"slices"

	"quadtally/vision/raster"
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
}

// scales holds one row for each index. The priors and guards of the published
// indices are common practice around their authors' values; those of the
// default were measured (see fields_test.go).
var scales = map[Index]scale{
	IndexSoftExG: {lo: -0.3, step: 0.0025, prior: 0.12, low: 0.06, high: 0.2, noise: 0.19},
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
	softPale   = 1.2
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

// field is a piece of a photo at working size: smoothed planes of one size,
// each sample times 256.
type field struct {
	w, h      int
	y, cb, cr []uint16
	x0, y0    float64  // its top-left corner in the Y plane of the raster
	pitch     float64  // Y-plane pixels per sample
	sigma     float64  // standard deviation of the smoothing, samples
	around    []uint16 // mean luma of the surroundings of each tile, times 256
	tiles     grid
}

// codes turns a field into index codes 0..255.
func (x Index) codes(f *field) ([]uint8, error) {
	s, err := x.scale()
	if err != nil {
		return nil, err
	}
	out := make([]uint8, len(f.y))
	if x == IndexSoftExG {
		softCodes(f, s, out)
		return out, nil
	}
	for i := range out {
		y, cb, cr := float64(f.y[i])/256, float64(f.cb[i])/256-128, float64(f.cr[i])/256-128
		// ITU-T T.871; rounded to 8 bits as a decoder to RGB would.
		r, g, b := y+1.402*cr, y-0.344136*cb-0.714136*cr, y+1.772*cb
		c := func(v float64) float64 { return min(max(v, 0), 255) }
		out[i] = s.code(x.Value(c(r), c(g), c(b), 0))
	}
	return out, nil
}

// softCodes is the default index straight from the planes: G-R and G-B are
// weighted sums of chroma in which luma cancels, and the divisor changes
// slowly over the photo, so one multiplication a sample does.
//
// It looks at two scales. A share of each sample's difference comes from
// chroma smoothed about three times as wide: specks of colour on bare ground
// fade, the inside of a leaf fills, and edges stay where they are.
func softCodes(f *field, s scale, out []uint8) {
	const (
		// G-R = -0.344136 Cb - 2.116136 Cr and G-B = -2.116136 Cb - 0.714136 Cr
		// (ITU-T T.871), in 1/1024.
		onCb  = -(softRed*0.344136 + softBlue*2.116136) / (softRed + softBlue) * 1024
		onCr  = -(softRed*2.116136 + softBlue*0.714136) / (softRed + softBlue) * 1024
		shift = 32
	)
	perCb, perCr := int64(math.Round(onCb)), int64(math.Round(onCr))
	neutral := (perCb + perCr) * (128 << 8)
	zero := int64(-s.lo / s.step * (1 << shift))
	perUnit := make([]int64, len(f.around)) // codes for one unit of the weighted sum
	for i, a := range f.around {
		perUnit[i] = int64((1 << shift) / (softLight(float64(a)/256) * s.step * 1024 * 256))
	}
	// In a picture without noise to smooth there is nothing to look at widely.
	share := int64(256 * wideShare * min(f.sigma/leastSigma, 1))
	var wide *spreader
	if share > 0 {
		g := grid{w: f.w, h: f.h, side: wideSide}
		wide = g.spread(f.wide(g, perCb, perCr, neutral))
	}
	light := f.tiles.spread(perUnit)
	factor, around := make([]int64, f.w), make([]int64, f.w)
	for row := range f.h {
		light.row(row, factor)
		i := row * f.w
		cb, cr, dst := f.cb[i:i+f.w], f.cr[i:i+f.w], out[i:i+f.w]
		if wide != nil {
			wide.row(row, around)
		}
		for k, m := range factor {
			num := perCb*int64(cb[k]) + perCr*int64(cr[k]) - neutral
			num += (around[k] - num) * share >> 8
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

// wide is the weighted sum of chroma on the squares of a grid, smoothed so
// that all in all, squares and the interpolation between them counted in, the
// smoothing is wideTimes that of the field.
func (f *field) wide(g grid, perCb, perCr, neutral int64) []int64 {
	cb, cr := g.mean(f.cb), g.mean(f.cr)
	const (
		own     = (wideSide*wideSide - 1) / 12.0 // variance of a mean over a square
		between = wideSide * wideSide / 6.0      // of linear interpolation
	)
	v := (wideTimes*wideTimes-1)*f.sigma*f.sigma - own - between
	if k := gaussian(math.Sqrt(max(v, 0)) / wideSide); len(k) > 1 {
		smooth(cb, g.across(), g.down(), k)
		smooth(cr, g.across(), g.down(), k)
	}
	out := make([]int64, len(cb))
	for i := range out {
		out[i] = perCb*int64(cb[i]) + perCr*int64(cr[i]) - neutral
	}
	return out
}

// toGround gives the code that each code of a photo becomes once it is held
// against the photo's own ground: bare ground lies where it does in white
// light, and the index is in proportion to how unruly that ground is. h is the
// photo's histogram. Only the default index is held so; published ones stay as
// published.
func (x Index) toGround(h []uint64) (to [256]uint8) {
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
	return to
}

// castShift is by how many codes the index is moved so that bare ground lies
// where it does in white light: what colour casts and white balance add, they
// add to ground and leaf alike. The move is bounded, and it fades out where
// little of the photo is ground.
func castShift(h []uint64, s scale) int {
	const (
		usual     = 0.0  // index of bare ground in white light
		most      = 0.08 // largest move, index value
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
	peak, ok := groundPeak(h, s)
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
	peak, ok := groundPeak(h, s)
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

// newField cuts the box [x0,x1) x [y0,y1) of the Y plane out of the raster,
// averages it to samples of n x n luma pixels and smooths it with a Gaussian
// of sigma samples. Numerator and denominator of an index are thus smoothed
// apart: a ratio of means, not a mean of ratios that dark noise would bend.
// smoothLuma is false for an index that takes luma by the tile only.
func newField(r *raster.Raster, x0, y0, x1, y1, n int, sigma float64, smoothLuma bool) *field {
	x0, y0 = max(x0, 0), max(y0, 0)
	x1, y1 = min(x1, r.Width), min(y1, r.Height)
	w, h := max((x1-x0)/n, 1), max((y1-y0)/n, 1)
	f := &field{w: w, h: h, x0: float64(x0), y0: float64(y0), pitch: float64(n)}
	f.y = bin(r.Y, r.Width, r.Height, float64(x0), float64(y0), float64(n), float64(n), w, h)
	sx := float64(r.ChromaWidth) / float64(r.Width)
	sy := float64(r.ChromaHeight) / float64(r.Height)
	f.cb = bin(r.Cb, r.ChromaWidth, r.ChromaHeight, float64(x0)*sx, float64(y0)*sy, float64(n)*sx, float64(n)*sy, w, h)
	f.cr = bin(r.Cr, r.ChromaWidth, r.ChromaHeight, float64(x0)*sx, float64(y0)*sy, float64(n)*sx, float64(n)*sy, w, h)
	f.survey()
	if k := gaussian(sigma); len(k) > 1 {
		f.sigma = sigma
		if smoothLuma {
			smooth(f.y, w, h, k)
		}
		smooth(f.cb, w, h, k)
		smooth(f.cr, w, h, k)
	}
	return f
}

// roughness is how much chroma varies from sample to sample in a box of the Y
// plane: the mean absolute second difference along the rows of Cr, 8-bit
// units, each held at 8 so that edges do not outweigh noise. A drawn scene has
// next to none.
func roughness(r *raster.Raster, x0, y0, x1, y1 int) float64 {
	cx, cy := func(x int) int { return x * r.ChromaWidth / r.Width }, func(y int) int { return y * r.ChromaHeight / r.Height }
	const step = 5 // rows skipped for speed
	var sum, n int
	for y := cy(max(y0, 0)); y < cy(min(y1, r.Height)); y += step {
		row := r.Cr[y*r.ChromaWidth:][:r.ChromaWidth]
		for x := cx(max(x0, 0)) + 1; x < cx(min(x1, r.Width))-1; x++ {
			d := 2*int(row[x]) - int(row[x-1]) - int(row[x+1])
			sum += min(max(d, -d), 8)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return float64(sum) / float64(n)
}

// tilesOnSide is how many tiles lie along the long side of a field; the
// surroundings of a tile are itself and two tiles to every side.
const tilesOnSide = 16

// survey takes the mean brightness around each tile of the field.
func (f *field) survey() {
	f.tiles = grid{w: f.w, h: f.h, side: (max(f.w, f.h) + tilesOnSide - 1) / tilesOnSide}
	mean := f.tiles.mean(f.y)
	nx, ny := f.tiles.across(), f.tiles.down()
	f.around = make([]uint16, len(mean))
	for y := range ny {
		for x := range nx {
			var s, k uint64
			for j := max(y-2, 0); j < min(y+3, ny); j++ {
				for i := max(x-2, 0); i < min(x+3, nx); i++ {
					n := uint64(f.tiles.cells(i, j))
					s += uint64(mean[j*nx+i]) * n
					k += n
				}
			}
			f.around[y*nx+x] = uint16(s / k)
		}
	}
}

// grid divides w x h samples into squares of side samples; those at the right
// and lower edge may be cut short.
type grid struct{ w, h, side int }

func (g grid) across() int { return (g.w + g.side - 1) / g.side }
func (g grid) down() int   { return (g.h + g.side - 1) / g.side }

// cells is the number of samples in the square at column a, row b.
func (g grid) cells(a, b int) int {
	return min(g.side, g.w-a*g.side) * min(g.side, g.h-b*g.side)
}

// mean is the mean of each square.
func (g grid) mean(p []uint16) []uint16 {
	nx := g.across()
	sum := make([]uint64, nx*g.down())
	for y := range g.h {
		row, dst := p[y*g.w:(y+1)*g.w], sum[y/g.side*nx:][:nx]
		for a := range dst {
			part := row[a*g.side : min((a+1)*g.side, g.w)]
			var s uint64
			for _, v := range part {
				s += uint64(v)
			}
			dst[a] += s
		}
	}
	out := make([]uint16, len(sum))
	for i, s := range sum {
		out[i] = uint16(s / uint64(g.cells(i%nx, i/nx)))
	}
	return out
}

// place is where sample i of n squares in a row or column lies: past the
// middle of square a by a share of the way to the next, in 1/65536.
func (g grid) place(i, n int) (a int, along int64) {
	v := min(max(2*i+1-g.side, 0), 2*g.side*(n-1))
	return v / (2 * g.side), int64(v%(2*g.side)) << 16 / int64(2*g.side)
}

// spreader gives values known for the squares of a grid to its samples, linear
// between the middles of the squares.
type spreader struct {
	grid
	values []int64 // of the squares
	square []int   // of each column of samples: which square and how far along
	along  []int64
	line   []int64 // values at one row of samples, the last one twice
}

func (g grid) spread(values []int64) *spreader {
	s := &spreader{grid: g, values: values, square: make([]int, g.w), along: make([]int64, g.w), line: make([]int64, g.across()+1)}
	for i := range g.w {
		s.square[i], s.along[i] = g.place(i, g.across())
	}
	return s
}

// row fills out with the values at one row of samples.
func (s *spreader) row(y int, out []int64) {
	nx, ny := s.across(), s.down()
	b, along := s.place(y, ny)
	upper, lower := s.values[b*nx:][:nx], s.values[min(b+1, ny-1)*nx:][:nx]
	for a, v := range upper {
		s.line[a] = v + (lower[a]-v)*along>>16
	}
	s.line[nx] = s.line[nx-1]
	for i, a := range s.square {
		v := s.line[a]
		out[i] = v + (s.line[a+1]-v)*s.along[i]>>16
	}
}

// bin averages boxes of bx x by source samples from (x0, y0) on to w x h
// samples times 256. Boxes smaller than a sample take the sample they lie in.
func bin(src []byte, sw, sh int, x0, y0, bx, by float64, w, h int) []uint16 {
	out := make([]uint16, w*h)
	nx, ny := max(int(math.Round(bx)), 1), max(int(math.Round(by)), 1)
	col := make([]int, w)
	for i := range col {
		col[i] = min(int(x0+bx*float64(i)), sw-nx)
	}
	contiguous := nx == 1 && bx == 1 && col[0]+w <= sw
	per := uint32(256*256) / uint32(nx*ny)
	acc := make([]uint32, w)
	for j := range h {
		row := min(int(y0+by*float64(j)), sh-ny)
		dst := out[j*w : (j+1)*w]
		if nx == 1 && ny == 1 {
			line := src[row*sw : (row+1)*sw]
			if contiguous {
				for i, v := range line[col[0]:][:w] {
					dst[i] = uint16(v) << 8
				}
			} else {
				for i, c := range col {
					dst[i] = uint16(line[c]) << 8
				}
			}
			continue
		}
		clear(acc)
		for k := range ny {
			line := src[(row+k)*sw : (row+k+1)*sw]
			if nx == 2 {
				for i, c := range col {
					acc[i] += uint32(line[c]) + uint32(line[c+1])
				}
				continue
			}
			for i, c := range col {
				for _, v := range line[c : c+nx] {
					acc[i] += uint32(v)
				}
			}
		}
		for i, v := range acc {
			dst[i] = uint16(v * per >> 8)
		}
	}
	return out
}

// gaussian is one half of a symmetric kernel, centre first, in 1/4096, cut at
// three sigma. Below 0.3 samples it is the single centre.
func gaussian(sigma float64) []uint32 {
	if sigma < 0.3 {
		return []uint32{4096}
	}
	n := int(math.Ceil(3*sigma)) + 1
	half := make([]float64, n)
	sum := 0.0
	for i := range half {
		half[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		sum += half[i]
		if i > 0 {
			sum += half[i]
		}
	}
	k := make([]uint32, n)
	left := uint32(4096)
	for i := n - 1; i > 0; i-- {
		k[i] = uint32(half[i]/sum*4096 + .5)
		left -= 2 * k[i]
	}
	k[0] = left
	return k
}

// smooth convolves p in place with the kernel in both directions; edges repeat
// the outermost sample.
func smooth(p []uint16, w, h int, k []uint32) {
	n := len(k) - 1
	line := make([]uint16, w+2*n)
	for y := range h {
		row := p[y*w : (y+1)*w]
		copy(line[n:], row)
		for i := range n {
			line[i], line[n+w+i] = row[0], row[w-1]
		}
		for x := range row {
			win := line[x : x+2*n+1]
			sum := k[0] * uint32(win[n])
			for i := 1; i <= n; i++ {
				sum += k[i] * (uint32(win[n-i]) + uint32(win[n+i]))
			}
			row[x] = uint16((sum + 2048) >> 12)
		}
	}
	// Down the columns with a ring of the source rows still needed.
	ring := make([][]uint16, 2*n+1)
	at := func(y int) []uint16 { return ring[(y%len(ring)+len(ring))%len(ring)] }
	load := func(y int) {
		from := min(max(y, 0), h-1)
		slot := (y%len(ring) + len(ring)) % len(ring)
		ring[slot] = append(ring[slot][:0], p[from*w:(from+1)*w]...)
	}
	// Rows above the top repeat the first; rows are loaded before being overwritten.
	for y := -n; y < n; y++ {
		load(y)
	}
	acc := make([]uint32, w)
	for y := range h {
		if y+n < h {
			load(y + n)
		} else {
			last := at(y + n - 1)
			slot := (y + n) % len(ring)
			ring[slot] = append(ring[slot][:0], last...)
		}
		for x, v := range at(y) {
			acc[x] = k[0]*uint32(v) + 2048
		}
		for i := 1; i <= n; i++ {
			up, down, ki := at(y-i), at(y+i), k[i]
			up, down = up[:len(acc)], down[:len(acc)]
			for x := range acc {
				acc[x] += ki * (uint32(up[x]) + uint32(down[x]))
			}
		}
		row := p[y*w : (y+1)*w]
		for x, v := range acc {
			row[x] = uint16(v >> 12)
		}
	}
}
