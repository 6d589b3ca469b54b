package vision

import (
	"image"
	"math"

	"quadtally/vision/frame"
	"quadtally/vision/internal/mats"
	"quadtally/vision/raster"
)

// field is a piece of a photo at working size: smoothed planes of one size.
// Samples are 8-bit units times unit, chroma from neutral.
type field struct {
	w, h   int
	x0, y0 float64 // its top-left corner in the Y plane of the raster
	pitch  float64 // Y-plane pixels per sample

	sigma float64 // standard deviation of the smoothing, samples; 0 for none
	white gains   // of the white reference

	// soft is the plane of the default index: green against red and blue, a
	// weighted sum of chroma in which luma cancels. Smoothing is linear, so one
	// plane is smoothed instead of two. wide is the same, smoothed more widely;
	// nil where nothing is smoothed. y, cb and cr serve the other indices.
	soft      []int16
	wide      []int16
	y, cb, cr []int16

	around []float64 // mean luma of the surroundings of each tile, 0..255
	ax, ay int       // tiles across and down
}

// unit is how many steps a plane of a field has for one 8-bit step: as fine as
// the weighted chroma fits 16 bits.
const unit = 96

// newField cuts the ground, a quadrilateral in the Y plane, and a margin out of
// the raster, averages it to samples of n x n luma pixels and smooths it with a
// Gaussian of sigma samples. Numerator and denominator of an index are thus
// smoothed apart: a ratio of means, not a mean of ratios that dark noise would
// bend. The planes belong to the workspace and last until its next photo.
func (ws *Workspace) newField(r *raster.Raster, ground frame.Quad, n int, sigma float64, x Index, white gains) (*field, error) {
	margin := int(3*sigma)*n + 2*n
	box := boundsOf(ground).Inset(-margin).Intersect(image.Rect(0, 0, r.Width, r.Height))
	f := &field{w: max(box.Dx()/n, 1), h: max(box.Dy()/n, 1), x0: float64(box.Min.X), y0: float64(box.Min.Y), pitch: float64(n), white: white}
	luma := plane{r.Y, r.Width, r.Height}
	cb, cr := plane{r.Cb, r.ChromaWidth, r.ChromaHeight}, plane{r.Cr, r.ChromaWidth, r.ChromaHeight}
	f.survey(luma, n)
	if sigma >= leastSmoothing {
		f.sigma = sigma
	}

	sx := float64(r.ChromaWidth) / float64(r.Width)
	sy := float64(r.ChromaHeight) / float64(r.Height)
	onChroma := newBins(f, sx, sy, n, r.ChromaWidth, r.ChromaHeight)
	size := f.w * f.h
	var err error
	finish := func(k int, raw []int16) []int16 {
		var out []int16
		if err == nil {
			out, err = blurred(raw, raster.Sized(&ws.smooth[k], size), f.w, f.h, sigma)
		}
		return out
	}
	if x == IndexSoftExG {
		raw := raster.Sized(&ws.raw, size)
		f.weigh(raw, luma, cb, cr, onChroma, n)
		if clippedShare(r, ground) >= leastClipped {
			if err := ws.restore(f, raw, luma, cb, cr, onChroma, n, sigma); err != nil {
				return nil, err
			}
		}
		if f.soft = finish(0, raw); err == nil && f.sigma > 0 {
			f.wide, err = widened(f.soft, raster.Sized(&ws.smooth[1], size), f.w, f.h, f.sigma)
		}
		return f, err
	}
	onLuma := newBins(f, 1, 1, n, r.Width, r.Height)
	for k, part := range []struct {
		from plane
		zero int
		bins *bins
		to   *[]int16
	}{{luma, 0, onLuma, &f.y}, {cb, 128, onChroma, &f.cb}, {cr, 128, onChroma, &f.cr}} {
		raw := raster.Sized(&ws.raw, size)
		for row := range f.h {
			part.bins.row(part.from, row, part.zero, raw[row*f.w:][:f.w])
		}
		*part.to = finish(k, raw)
	}
	return f, err
}

// boundsOf is the smallest box of whole pixels around a quadrilateral.
func boundsOf(q frame.Quad) image.Rectangle {
	x0, y0, x1, y1 := q[0].X, q[0].Y, q[0].X, q[0].Y
	for _, p := range q {
		x0, y0, x1, y1 = min(x0, p.X), min(y0, p.Y), max(x1, p.X), max(y1, p.Y)
	}
	return image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1)), int(math.Ceil(y1)))
}

// weigh makes the weighted sum of chroma of the default index, and of luma
// where a white reference gives it a say.
func (f *field) weigh(raw []int16, luma, cb, cr plane, onChroma *bins, n int) {
	b, r := make([]int16, f.w), make([]int16, f.w)
	whole := func(v float64) int32 { return int32(math.Round(1024 * v)) }
	wy, wb, wr := f.white.weights()
	onY, onCb, onCr := whole(wy), whole(wb), whole(wr)
	var onLuma *bins
	var y []int16
	if onY != 0 {
		onLuma, y = newBins(f, 1, 1, n, luma.w, luma.h), make([]int16, f.w)
	}
	for row := range f.h {
		line := raw[row*f.w:][:f.w]
		if row > 0 && onY == 0 && onChroma.top(cb, row) == onChroma.top(cb, row-1) {
			copy(line, raw[(row-1)*f.w:]) // of chroma at half the scale of luma two rows are one
			continue
		}
		if onY == 0 && onChroma.single() {
			at := onChroma.top(cb, row) * cb.w
			blues, reds := cb.pix[at:][:cb.w], cr.pix[at:][:cb.w]
			for i, c := range onChroma.col[:len(line)] {
				line[i] = int16((unit*(onCb*(int32(blues[c])-128)+onCr*(int32(reds[c])-128)) + 512) >> 10)
			}
			continue
		}
		onChroma.row(cb, row, 128, b)
		onChroma.row(cr, row, 128, r)
		if onY == 0 {
			for i := range line {
				line[i] = int16((onCb*int32(b[i]) + onCr*int32(r[i]) + 512) >> 10)
			}
			continue
		}
		onLuma.row(luma, row, 0, y)
		for i := range line {
			v := (onY*int32(y[i]) + onCb*int32(b[i]) + onCr*int32(r[i]) + 512) >> 10
			line[i] = int16(min(max(v, math.MinInt16), math.MaxInt16))
		}
	}
}

// plane is one 8-bit plane, row-major.
type plane struct {
	pix  []byte
	w, h int
}

// bins are the boxes of a plane that average to the samples of a field: nx x
// ny pixels, the left edges in col. Boxes smaller than a pixel take the pixel
// they lie in.
type bins struct {
	col    []int
	nx, ny int
	y0, by float64
	sum    []uint32
}

func newBins(f *field, sx, sy float64, n, sw, sh int) *bins {
	bx, by := float64(n)*sx, float64(n)*sy
	b := &bins{col: make([]int, f.w), nx: min(max(int(math.Round(bx)), 1), sw), ny: min(max(int(math.Round(by)), 1), sh),
		y0: f.y0 * sy, by: by, sum: make([]uint32, f.w)}
	for i := range b.col {
		b.col[i] = min(int(f.x0*sx+bx*float64(i)), sw-b.nx)
	}
	return b
}

// single tells that each box is one pixel.
func (b *bins) single() bool { return b.nx == 1 && b.ny == 1 }

// top is the row of the plane in which a row of boxes begins.
func (b *bins) top(from plane, row int) int { return min(int(b.y0+b.by*float64(row)), from.h-b.ny) }

// row averages one row of samples, less zero, in units.
func (b *bins) row(from plane, row, zero int, out []int16) {
	top := b.top(from, row)
	col := b.col[:len(out)]
	if b.single() {
		line := from.pix[top*from.w:][:from.w]
		for i, c := range col {
			out[i] = int16(int(line[c])-zero) * unit
		}
		return
	}
	sum := b.sum[:len(out)]
	clear(sum)
	for k := range b.ny {
		line := from.pix[(top+k)*from.w:][:from.w]
		if b.nx == 2 {
			for i, c := range col {
				pair := line[c : c+2]
				sum[i] += uint32(pair[0]) + uint32(pair[1])
			}
			continue
		}
		for i, c := range col {
			for _, v := range line[c : c+b.nx] {
				sum[i] += uint32(v)
			}
		}
	}
	n := b.nx * b.ny
	per, offset := uint32(unit<<16/n), int16(zero*unit)
	for i, v := range sum {
		out[i] = int16(v*per>>16) - offset
	}
}

// blurred smooths a plane with a Gaussian of sigma samples, cut at three
// sigma, into out; edges repeat the outermost sample. Below
// leastSmoothing there is nothing to smooth.
func blurred(raw, out []int16, w, h int, sigma float64) ([]int16, error) {
	if sigma < leastSmoothing {
		return out[:copy(out, raw)], nil
	}
	return out, mats.Smooth(mats.Plane[int16]{W: w, H: h, Pix: raw}, mats.Plane[int16]{W: w, H: h, Pix: out}, sigma)
}

// leastSmoothing is the standard deviation, in samples, from which a plane is
// smoothed at all.
const leastSmoothing = 0.3

// widened smooths a plane that has been smoothed by sigma so that all in all
// it is smoothed wideTimes as much, into out. It does so on squares, which is
// as good at that width and costs little.
func widened(soft, out []int16, w, h int, sigma float64) ([]int16, error) {
	across, down := max(w/wideSide, 1), max(h/wideSide, 1)
	squares := mats.Plane[int16]{W: across, H: down, Pix: make([]int16, across*down)}
	if err := mats.Shrink(mats.Plane[int16]{W: w, H: h, Pix: soft}, squares); err != nil {
		return out, err
	}
	if s := onSquares((wideTimes*wideTimes - 1) * sigma * sigma); s >= leastSmoothing {
		smoothed := mats.Plane[int16]{W: across, H: down, Pix: make([]int16, across*down)}
		if err := mats.Smooth(squares, smoothed, s); err != nil {
			return out, err
		}
		squares = smoothed
	}
	return out, mats.Enlarge(squares, mats.Plane[int16]{W: w, H: h, Pix: out})
}

// onSquares is the smoothing, in squares, that makes a variance in samples out
// of means over squares of wideSide samples and the interpolation between
// them, which count as smoothing.
func onSquares(variance float64) float64 {
	const (
		own     = (wideSide*wideSide - 1) / 12.0 // of a mean over a square
		between = wideSide * wideSide / 6.0      // of linear interpolation
	)
	return math.Sqrt(max(variance-own-between, 0)) / wideSide
}

// tilesOnSide is how many tiles lie along the long side of a field; the
// surroundings of a tile are itself and two tiles to every side.
const tilesOnSide = 16

// survey takes the mean brightness around each tile of the field, from about
// twenty rows of each.
func (f *field) survey(luma plane, n int) {
	t := f.tile()
	f.ax, f.ay = (f.w+t-1)/t, (f.h+t-1)/t
	sum, count := make([]uint64, f.ax*f.ay), make([]uint64, f.ax*f.ay)
	x0, y0 := int(f.x0), int(f.y0)
	x1, y1 := min(x0+f.w*n, luma.w), min(y0+f.h*n, luma.h)
	for y := y0; y < y1; y += max(t*n/20, 1) {
		tiles := (y - y0) / (t * n) * f.ax
		for a := range f.ax {
			part := luma.pix[y*luma.w:][x0+a*t*n : min(x0+(a+1)*t*n, x1)]
			var s uint64
			for _, v := range part {
				s += uint64(v)
			}
			sum[tiles+a] += s
			count[tiles+a] += uint64(len(part))
		}
	}
	f.around = make([]float64, f.ax*f.ay)
	for y := range f.ay {
		for x := range f.ax {
			var s, k uint64
			for j := max(y-2, 0); j < min(y+3, f.ay); j++ {
				for i := max(x-2, 0); i < min(x+3, f.ax); i++ {
					s += sum[j*f.ax+i]
					k += count[j*f.ax+i]
				}
			}
			f.around[y*f.ax+x] = float64(s) / float64(max(k, 1))
		}
	}
}

// spread lays values given for the tiles over a row, linear between the middles of
// the tiles and level beyond the outermost: it calls stretch for the samples from
// up to end, of which the first has value and each next one add more.
func (f *field) spread(tiles []float64, row int, stretch func(from, end int, value, add int64)) {
	t := float64(f.tile())
	down := min(max((float64(row)+0.5)/t-0.5, 0), float64(f.ay-1))
	y0 := int(down)
	upper, lower := tiles[y0*f.ax:][:f.ax], tiles[min(y0+1, f.ay-1)*f.ax:][:f.ax]
	at := func(a int) float64 { return upper[a] + (lower[a]-upper[a])*(down-float64(y0)) }
	i := 0
	for a := -1; a < f.ax && i < f.w; a++ {
		here, next := at(max(a, 0)), at(min(a+1, f.ax-1))
		middle := (float64(a)+0.5)*t - 0.5
		end := min(int(math.Ceil(middle+t)), f.w)
		if a == f.ax-1 {
			end = f.w
		}
		step := (next - here) / t
		if end > i {
			stretch(i, end, int64(here+(float64(i)-middle)*step), int64(step))
			i = end
		}
	}
}

// tile is the side of a tile in samples.
func (f *field) tile() int { return (max(f.w, f.h) + tilesOnSide - 1) / tilesOnSide }

// roughness is how much chroma varies from sample to sample in a box of the Y
// plane: the mean absolute second difference along the rows of Cr, 8-bit
// units, each held at 8 so that edges do not outweigh noise. A drawn scene has
// next to none.
func roughness(r *raster.Raster, box image.Rectangle) float64 {
	box = box.Intersect(image.Rect(0, 0, r.Width, r.Height))
	cx, cy := func(x int) int { return x * r.ChromaWidth / r.Width }, func(y int) int { return y * r.ChromaHeight / r.Height }
	const step = 5 // rows skipped for speed
	var sum, n int
	left, right := cx(box.Min.X), cx(box.Max.X)
	for y := cy(box.Min.Y); y < cy(box.Max.Y) && right-left > 2; y += step {
		row := r.Cr[y*r.ChromaWidth:][left:right]
		a, b := int(row[0]), int(row[1])
		for _, v := range row[2:] {
			d := 2*b - a - int(v)
			sum += min(max(d, -d), 8)
			a, b = b, int(v)
		}
		n += len(row) - 2
	}
	if n == 0 {
		return 0
	}
	return float64(sum) / float64(n)
}
