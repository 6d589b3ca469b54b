package vision

import (
	"image"
	"math"

	"quadtally/vision/frame"
	"quadtally/vision/internal/mats"
	"quadtally/vision/raster"
)

// Where a channel has run into its end, light has clipped part of the colour
// away: leaves in full sun, whose green goes first, come out paler than they
// are, their glare white, and bright straw, whose red goes first, greener. The
// default index there takes the colour of what lies around, each sample
// counting by how sure its own is: normalised convolution (Knutsson and
// Westin 1993, Proc. IEEE CVPR).

// clipping is what light has done to one sample: in the lower bits how sure its
// colour is, 0 to sureFully; above them which channels are clipped.
type clipping uint8

const (
	sureFully           = 31
	redClipped clipping = 1 << 5
	grnClipped clipping = 1 << 6
	bluClipped clipping = 1 << 7
	allClipped          = redClipped | grnClipped | bluClipped
)

func (b clipping) sure() int32 { return int32(b & sureFully) }

const (
	// From clipsFrom on, 8-bit units, a channel is less and less sure; at
	// clipsFully it says nothing. JPEG and smoothing leave a clipped channel a
	// little under its end.
	clipsFrom, clipsFully = 246, 254
	// Ground of which less is clipped is left alone.
	leastClipped = 0.002
	// The surroundings are looked at twice, so many times as wide as the
	// smoothing. Narrowly where sure samples are near; else widely.
	nearTimes, farTimes = 1.8, 7.2
	nearEnough          = 0.02 // share of sure samples at which both count the same
	// White wider than this share of the field's longer side is no glare but
	// film, paper or stone, and sure to be white.
	widestGlare = 0.05
)

// clippingOf judges one sample by Y, Cb and Cr, in steps of a field.
func clippingOf(y, cb, cr int32) clipping {
	// Green is clipped at no less luma than it brings itself. Red and blue that
	// clip at less are those of flowers and paint, and as strong as they look.
	const leastLuma = 587 * clipsFrom * unit / 1000
	if y < leastLuma {
		return sureFully
	}
	// ITU-T T.871, in 1024ths.
	r := y + (1436*cr)>>10
	g := y - (352*cb+731*cr)>>10
	b := y + (1815*cb)>>10
	const from, span = clipsFrom * unit, (clipsFully - clipsFrom) * unit
	over := max(r, g, b) - from
	if over <= 0 {
		return sureFully
	}
	out := clipping(sureFully * max(span-over, 0) / span)
	for _, c := range [...]struct {
		v int32
		b clipping
	}{{r, redClipped}, {g, grnClipped}, {b, bluClipped}} {
		if c.v > from {
			out |= c.b
		}
	}
	return out
}

// clipped is a field judged sample by sample, with sums over squares of wideSide
// samples a side.
type clipped struct {
	clipping     []clipping
	across, down int       // squares
	sum          []float32 // of the samples' colours, each times how sure it is
	sure         []float32 // of how sure they are
	whites       []uint8   // samples of each square that are clipped in all channels
}

// judgeClipping judges the samples of a field whose weighted chroma is raw.
func (ws *Workspace) judgeClipping(f *field, raw []int16, luma, cb, cr plane, onChroma *bins, n int) clipped {
	b := clipped{clipping: raster.Sized(&ws.clipping, len(raw)), across: (f.w + wideSide - 1) / wideSide, down: (f.h + wideSide - 1) / wideSide}
	squares := b.across * b.down
	b.sum, b.sure, b.whites = make([]float32, squares), make([]float32, squares), make([]uint8, squares)
	ys, cbs, crs := make([]int16, f.w), make([]int16, f.w), make([]int16, f.w)
	onLuma := newBins(f, 1, 1, n, luma.w, luma.h)
	for row := range f.h {
		onLuma.row(luma, row, 0, ys)
		onChroma.row(cb, row, 128, cbs)
		onChroma.row(cr, row, 128, crs)
		line, out := raw[row*f.w:][:f.w], b.clipping[row*f.w:][:f.w]
		for x := range b.across {
			var colours, sures int32
			at := row/wideSide*b.across + x
			end := min((x+1)*wideSide, f.w)
			for i := x * wideSide; i < end; i++ {
				k := clippingOf(int32(ys[i]), int32(cbs[i]), int32(crs[i]))
				out[i] = k
				s := k.sure()
				colours += s * int32(line[i])
				sures += s
				if k&allClipped == allClipped {
					b.whites[at]++
				}
			}
			b.sum[at] += float32(colours)
			b.sure[at] += float32(sures)
		}
	}
	return b
}

// restore gives the clipped samples of the weighted chroma of a field the colour
// of their surroundings.
func (ws *Workspace) restore(f *field, raw []int16, luma, cb, cr plane, onChroma *bins, n int, sigma float64) error {
	b := ws.judgeClipping(f, raw, luma, cb, cr, onChroma, n)
	if err := keepWide(b.whites, b.across, b.down); err != nil {
		return err
	}
	for i, k := range b.whites {
		b.sure[i] += sureFully * float32(k) // and white adds nothing to the sum of colours
	}
	around, err := surroundings(b.sum, b.sure, b.across, b.down, sigma)
	if err != nil {
		return err
	}
	fill := raster.Sized(&ws.smooth[1], len(raw))
	err = mats.Enlarge(mats.Plane[int16]{W: b.across, H: b.down, Pix: around}, mats.Plane[int16]{W: f.w, H: f.h, Pix: fill})
	if err != nil {
		return err
	}
	for i, k := range b.clipping {
		if k.sure() == sureFully || k&allClipped == allClipped && b.whites[i/f.w/wideSide*b.across+i%f.w/wideSide] > 0 {
			continue
		}
		raw[i] = k.mixed(raw[i], fill[i])
	}
	return nil
}

// mixed is the colour of a sample, v as it looks, where its surroundings have
// another. Where green alone is clipped it is at least as green as it looks,
// where red or blue are and green is not, at most.
func (b clipping) mixed(v, around int16) int16 {
	to := around
	switch b & allClipped {
	case grnClipped:
		to = max(to, v)
	case redClipped, bluClipped, redClipped | bluClipped:
		to = min(to, v)
	}
	return int16(int32(v) + (int32(to)-int32(v))*(sureFully-b.sure())/sureFully)
}

// keepWide leaves the counts of those squares that lie in white wider than any
// glare, and takes the others'.
func keepWide(whites []uint8, across, down int) error {
	const most = wideSide * wideSide * 3 / 4
	solid, wide := make([]uint8, len(whites)), make([]uint8, len(whites))
	for i, k := range whites {
		if k >= most {
			solid[i] = 1
		}
	}
	side := max(int(math.Round(widestGlare*float64(max(across, down)))), 2)
	err := mats.Open(mats.Plane[uint8]{W: across, H: down, Pix: solid}, mats.Plane[uint8]{W: across, H: down, Pix: wide}, side)
	for i, k := range wide {
		whites[i] *= k
	}
	return err
}

// surroundings is the colour around each square of a field, from the sum of
// its samples' colours, each times how sure it is, and the sum of the latter.
func surroundings(sum, sure []float32, across, down int, sigma float64) ([]int16, error) {
	var err error
	smooth := func(from []float32, times float64) []float32 {
		to := make([]float32, len(from))
		if err == nil {
			err = mats.Smooth(mats.Plane[float32]{W: across, H: down, Pix: from}, mats.Plane[float32]{W: across, H: down, Pix: to},
				onSquares(times*times*sigma*sigma))
		}
		return to
	}
	near, nearSure := smooth(sum, nearTimes), smooth(sure, nearTimes)
	far, farSure := smooth(sum, farTimes), smooth(sure, farTimes)
	if err != nil {
		return nil, err
	}
	out := make([]int16, len(sum))
	const enough = nearEnough * sureFully * wideSide * wideSide
	for i := range out {
		var wide float32
		if farSure[i] > 0 {
			wide = far[i] / farSure[i]
		}
		out[i] = int16((near[i] + enough*wide) / (nearSure[i] + enough))
	}
	return out, nil
}

// clippedShare is the clipped share of the ground, a quadrilateral in the Y plane,
// from a sample of it.
func clippedShare(r *raster.Raster, ground frame.Quad) float64 {
	const step = 8
	in := boundsOf(ground).Intersect(image.Rect(0, 0, r.Width, r.Height))
	clipped := 0
	for y := in.Min.Y; y < in.Max.Y; y += step {
		chroma := y * r.ChromaHeight / r.Height * r.ChromaWidth
		for x := in.Min.X; x < in.Max.X; x += step {
			at := chroma + x*r.ChromaWidth/r.Width
			k := clippingOf(unit*int32(r.Y[y*r.Width+x]), unit*(int32(r.Cb[at])-128), unit*(int32(r.Cr[at])-128))
			if k.sure() < sureFully && inside(ground[:], raster.Point{X: float64(x), Y: float64(y)}) {
				clipped++
			}
		}
	}
	return float64(clipped*step*step) / math.Abs(ground.Area())
}
