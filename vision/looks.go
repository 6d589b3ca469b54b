package vision

import (
	"math"
	"sync"

	"quadtally/vision/classes"
	"quadtally/vision/frame"
	"quadtally/vision/internal/mats"
	"quadtally/vision/raster"
)

// The looks of the green are measured in square blocks of about blockMM, or of
// blockCells where the photo has no scale.
const (
	blockMM    = 3.0
	blockCells = 6
	// leastBlock keeps a ring of whole blocks around the green as wide as the
	// smoothing of brightness reaches.
	leastBlock, mostBlock = 4, 10
	// looksWaist is where a piece is cut into lobes: see floodLobes.
	looksWaist = 0.6
)

// looker is the memory in which looks are taken.
type looker struct {
	luma, smooth         []int16
	labels, lobes, depth []int32
	halfPiece, halfDepth []int32
	active               []bool
	lean, highestLean    []float32
	sums                 [planes][]float32
	wide, higher         []float32
}

// What is summed over the cells of each block: the green ones, unless said.
const (
	sumCells = iota
	sumLuma
	sumBlue
	sumRed
	sumSquare // of luma
	sumGrain  // luma against its smoothed self
	sumDepth
	sumVeinXX // gradient of luma
	sumVeinYY
	sumVeinXY
	sumEdgeXX // gradient of the outline, all cells
	sumEdgeYY
	sumEdgeXY
	sumArea // cells of the block, green or not
	topDepth
	planes
)

// takeLooks measures what the green at a threshold looks like: colour, texture
// and fill at three widths, the order of veins and outlines by the structure
// tensor (Bigun and Granlund 1987, Proc. 1st ICCV, 433-438), the distance to the
// edge of the green and its greatest value around, and size and shape of the
// lobe and of the piece. Brightness and chroma come from the decoded planes
// without the smoothing of the index, straightened like the plane.
//
// Wider looks are smoothed over blocks, not cells, which is what makes them
// cheap.
func (ws *Workspace) takeLooks(r *raster.Raster, p *Plane, stored frame.Quad, n int, toField frame.Homography, threshold float64, white gains) (*classes.Looks, error) {
	least, err := p.level(threshold)
	if err != nil {
		return nil, err
	}
	f, err := ws.newField(r, stored, n, 0, IndexExG, white)
	if err != nil {
		return nil, err
	}
	side := blockCells
	if p.MMPerCell > 0 {
		side = min(max(int(math.Round(blockMM/p.MMPerCell)), leastBlock), mostBlock)
	}
	k := &ws.looker
	w, h := p.Width, p.Height
	across, down := (w+side-1)/side, (h+side-1)/side
	blocks := across * down
	for i := range k.sums {
		clear(raster.Sized(&k.sums[i], blocks))
	}

	// The pieces, and their lobes on squares of two by two cells, which is as
	// good as on cells and four times as fast.
	runs := greenRuns(p.Levels, w, least)
	pieces := connect(runs)
	labels := raster.Sized(&k.labels, w*h)
	clear(labels)
	for _, r := range runs {
		row := labels[int(r.y)*w:]
		for x := r.from; x < r.end; x++ {
			row[x] = r.piece
		}
	}
	depth := raster.Sized(&k.depth, w*h)
	chamferRuns(runs, depth, w, h)
	hw, hh := (w+1)/2, (h+1)/2
	halfPiece, halfDepth, lobes := raster.Sized(&k.halfPiece, hw*hh), raster.Sized(&k.halfDepth, hw*hh), raster.Sized(&k.lobes, hw*hh)
	clear(halfPiece)
	clear(halfDepth)
	for _, r := range runs {
		for x := r.from; x < r.end; x++ {
			j := int(r.y)/2*hw + int(x)/2
			if d := depth[int(r.y)*w+int(x)]; d > halfDepth[j] {
				halfDepth[j], halfPiece[j] = d, r.piece
			}
		}
	}
	copy(lobes, halfPiece)
	nLobes := floodLobes(lobes, halfDepth, hw, hh, looksWaist)

	// Blocks near green, in which brightness is looked at.
	cells := k.sums[sumCells]
	for _, r := range runs {
		line := cells[int(r.y)/side*across:]
		for x := r.from; x < r.end; x++ {
			line[int(x)/side]++
		}
	}
	active := raster.Sized(&k.active, blocks)
	clear(active)
	for y := range down {
		for x := range across {
			if cells[y*across+x] == 0 {
				continue
			}
			for j := max(y-1, 0); j < min(y+2, down); j++ {
				for i := max(x-1, 0); i < min(x+2, across); i++ {
					active[j*across+i] = true
				}
			}
		}
	}
	k.sample(f, labels, toField, w, h, side)
	if err := mats.Smooth(mats.Plane[int16]{W: w, H: h, Pix: k.luma}, mats.Plane[int16]{W: w, H: h, Pix: raster.Sized(&k.smooth, w*h)}, 1); err != nil {
		return nil, err
	}
	k.gradients(labels, depth, w, h, side)

	local, index, err := k.local(across, down, blocks)
	if err != nil {
		return nil, err
	}
	solid, err := k.solid(labels, runs, index, w, h, side)
	if err != nil {
		return nil, err
	}
	lobeShape, pieceShape := shapes(lobes, 1, hw, depth, runs, nLobes, w), shapes(labels, 0, w, depth, runs, pieces, w)
	blockLobe, lobePiece := owners(lobes, halfPiece, hw, index, nLobes, labels, w, h, side)
	looks, err := classes.NewLooks(side, w, h, index, blockLobe, lobePiece, local, lobeShape, pieceShape)
	if err != nil {
		return nil, err
	}
	looks.Solid = solid
	return looks, nil
}

// solidReach is how many cells around a cell its leaf is looked for: as far as
// smoothing and halved chroma spread the rim of a leaf.
const solidReach = 3

// linear is what 8-bit sRGB values are in linear light.
var linear = sync.OnceValue(func() (out [256]float32) {
	for v := range out {
		out[v] = float32(fromSRGB(float64(v) / 255))
	}
	return out
})

// leanOf is the excess of green over red and blue in linear light, in which the
// mix of leaf and ground in a cell goes with the share of each; y, cb and cr
// are samples of a field.
func leanOf(linear *[256]float32, y, cb, cr int16) float32 {
	l, b, r := float32(y)/unit, float32(cb)/unit, float32(cr)/unit
	at := func(v float32) float32 { return linear[uint8(min(max(v+0.5, 0), 255))] }
	green := at(l - 0.344136*b - 0.714136*r)
	return softRed*(green-at(l+1.402*r)) + softBlue*(green-at(l+1.772*b))
}

// solid counts in each block of index the green cells that are leaf for the
// most part: those that lean at least half as far to green, from where the
// ground around stands, as the most of the cells around them. The stored values
// of a photo are compressed light, so that on dark ground a cell with little
// leaf in it looks green and on pale straw one with much does not; over whole
// quadrats of small plants that is some 20 % of the green, by another amount on
// one mulch than on the next.
func (k *looker) solid(labels []int32, runs []run, index []int32, w, h, side int) ([]uint8, error) {
	across := (w + side - 1) / side
	highest := raster.Sized(&k.highestLean, w*h)
	if err := mats.Highest(mats.Plane[float32]{W: w, H: h, Pix: k.lean}, mats.Plane[float32]{W: w, H: h, Pix: highest}, solidReach); err != nil {
		return nil, err
	}
	// The ground's own lean: the median beside the green.
	const bins, lowest, span = 4096, -0.5, 1.0
	var hist [bins]int
	total := 0
	for y := range h {
		for b := range across {
			if !k.active[y/side*across+b] {
				continue
			}
			for i := y*w + b*side; i < y*w+min((b+1)*side, w); i++ {
				if labels[i] == 0 {
					hist[int(min(max((k.lean[i]-lowest)/span*bins, 0), bins-1))]++
					total++
				}
			}
		}
	}
	ground, seen := float32(0), 0
	for i, n := range hist {
		if seen += n; 2*seen >= total && total > 0 {
			ground = lowest + (float32(i)+0.5)*span/bins
			break
		}
	}
	counts := make([]uint8, across*((h+side-1)/side)) // a block has mostBlock cells a side at most
	for _, r := range runs {
		y := int(r.y)
		for x := int(r.from); x < int(r.end); x++ {
			i := y*w + x
			if k.lean[i]-ground >= (highest[i]-ground)/2 {
				counts[y/side*across+x/side]++
			}
		}
	}
	out := make([]uint8, len(index))
	for b, i := range index {
		out[b] = counts[i]
	}
	return out, nil
}

// leastLean stands where no lean was looked at.
const leastLean = -2

// sample lays luma and lean over the plane near green and sums colour of green cells.
// Where it is not near green it is level, at whatever stood there.
func (k *looker) sample(f *field, labels []int32, toField frame.Homography, w, h, side int) {
	luma, lean := raster.Sized(&k.luma, w*h), raster.Sized(&k.lean, w*h)
	clear(luma)
	for i := range lean {
		lean[i] = leastLean
	}
	light := linear()
	across := (w + side - 1) / side
	const one = 1 << 20
	at := func(x, y float64) (int, int) {
		q := toField.Apply(raster.Point{X: x, Y: y})
		return int(math.Floor((q.X - f.x0) / f.pitch * one)), int(math.Floor((q.Y - f.y0) / f.pitch * one))
	}
	for y := range h {
		line := y / side * across
		for b := range across {
			if !k.active[line+b] {
				continue
			}
			x0, x1 := b*side, min((b+1)*side, w)
			fx, fy := at(float64(x0)+0.5, float64(y)+0.5)
			ex, ey := at(float64(x1)+0.5, float64(y)+0.5)
			dx, dy := (ex-fx)/(x1-x0), (ey-fy)/(x1-x0)
			var sl, sb, sr, sq float32
			for x := x0; x < x1; x++ {
				sx, sy := min(max(fx>>20, 0), f.w-1), min(max(fy>>20, 0), f.h-1)
				fx, fy = fx+dx, fy+dy
				i := sy*f.w + sx
				v := f.y[i]
				luma[y*w+x] = v
				lean[y*w+x] = leanOf(&light, v, f.cb[i], f.cr[i])
				if labels[y*w+x] > 0 {
					l := float32(v)
					sl += l
					sq += l * l
					sb += float32(f.cb[i])
					sr += float32(f.cr[i])
				}
			}
			k.sums[sumArea][line+b] += float32(x1 - x0)
			if sl > 0 {
				k.sums[sumLuma][line+b] += sl / unit
				k.sums[sumSquare][line+b] += sq / (unit * unit)
				k.sums[sumBlue][line+b] += sb / unit
				k.sums[sumRed][line+b] += sr / unit
			}
		}
	}
}

// gradients sums the structure tensors of brightness and outline, fine grain
// and depth.
func (k *looker) gradients(labels, depth []int32, w, h, side int) {
	across := (w + side - 1) / side
	green := func(i int) float32 {
		if labels[i] > 0 {
			return 1
		}
		return 0
	}
	for y := range h {
		up, dn := max(y-1, 0)*w, min(y+1, h-1)*w
		at := y * w
		for b := range across {
			j := y/side*across + b
			if !k.active[j] {
				continue
			}
			var vxx, vyy, vxy, exx, eyy, exy, grain, deep float32
			var top int32
			for x := b * side; x < min((b+1)*side, w); x++ {
				l, r := max(x-1, 0), min(x+1, w-1)
				// Sobel's operator on the outline.
				a, c := labels[up+l] > 0, labels[dn+r] > 0
				if d, e := labels[up+r] > 0, labels[dn+l] > 0; a != c || d != e || (labels[at+l] > 0) != (labels[at+r] > 0) || (labels[up+x] > 0) != (labels[dn+x] > 0) {
					gx := (green(up+r) + 2*green(at+r) + green(dn+r) - green(up+l) - 2*green(at+l) - green(dn+l)) / 8
					gy := (green(dn+l) + 2*green(dn+x) + green(dn+r) - green(up+l) - 2*green(up+x) - green(up+r)) / 8
					exx, eyy, exy = exx+gx*gx, eyy+gy*gy, exy+gx*gy
				}
				if labels[at+x] == 0 {
					continue
				}
				s := k.smooth
				gx, gy := float32(s[at+r])-float32(s[at+l]), float32(s[dn+x])-float32(s[up+x])
				vxx, vyy, vxy = vxx+gx*gx, vyy+gy*gy, vxy+gx*gy
				d := float32(k.luma[at+x]) - float32(s[at+x])
				grain += max(d, -d)
				deep += float32(depth[at+x])
				top = max(top, depth[at+x])
			}
			const half = 1.0 / (4 * unit * unit)
			k.sums[sumVeinXX][j] += vxx * half
			k.sums[sumVeinYY][j] += vyy * half
			k.sums[sumVeinXY][j] += vxy * half
			k.sums[sumEdgeXX][j] += exx
			k.sums[sumEdgeYY][j] += eyy
			k.sums[sumEdgeXY][j] += exy
			k.sums[sumGrain][j] += grain / unit
			k.sums[sumDepth][j] += deep / 3
			k.sums[topDepth][j] = max(k.sums[topDepth][j], float32(top)/3)
		}
	}
}

// Widths over which a block looks around, standard deviations in blocks.
var looksWidths = [3]float64{0.5, 1.33, 3.33}

// local turns the sums into features of the blocks that hold green, and lists
// those blocks.
func (k *looker) local(across, down, blocks int) (out []float32, index []int32, err error) {
	nf := len(classes.LocalFeatures)
	for i, c := range k.sums[sumCells] {
		if c > 0 {
			index = append(index, int32(i))
		}
	}
	out = make([]float32, len(index)*nf)
	set := func(b, feature int, v float32) { out[b*nf+feature] = v }
	log := func(v float32) float32 { return float32(math.Log(float64(v))) }

	smooth := func(what int, width float64) []float32 {
		to := raster.Sized(&k.wide, blocks)
		if err == nil {
			err = mats.Smooth(mats.Plane[float32]{W: across, H: down, Pix: k.sums[what]}, mats.Plane[float32]{W: across, H: down, Pix: to}, width)
		}
		got := make([]float32, len(index))
		for b, i := range index {
			got[b] = to[i]
		}
		return got
	}
	for b, i := range index {
		n := k.sums[sumCells][i]
		r, g, bl := ratios(k.sums[sumLuma][i]/n, k.sums[sumBlue][i]/n, k.sums[sumRed][i]/n)
		set(b, 0, r)
		set(b, 1, g)
		set(b, 2, bl)
		set(b, 3, 2*g-r-bl)
		set(b, 4, log(k.sums[sumLuma][i]/n+8))
		set(b, 37, log(k.sums[sumDepth][i]/n+1))
	}
	for s, width := range looksWidths {
		n, area := smooth(sumCells, width), smooth(sumArea, width)
		luma, blue, red, square := smooth(sumLuma, width), smooth(sumBlue, width), smooth(sumRed, width), smooth(sumSquare, width)
		vxx, vyy, vxy := smooth(sumVeinXX, width), smooth(sumVeinYY, width), smooth(sumVeinXY, width)
		exx, eyy, exy := smooth(sumEdgeXX, width), smooth(sumEdgeYY, width), smooth(sumEdgeXY, width)
		var grain, deep []float32
		if s < 2 {
			grain = smooth(sumGrain, width)
		}
		if s > 0 {
			deep = smooth(sumDepth, width)
		}
		for b := range index {
			c := max(n[b], 1e-3)
			m := luma[b] / c
			r, g, bl := ratios(m, blue[b]/c, red[b]/c)
			at := 5 + 6*s
			set(b, at, n[b]/max(area[b], 1e-3))
			set(b, at+1, log(m+8))
			set(b, at+2, log(float32(math.Sqrt(float64(max(square[b]/c-m*m, 0))))+1))
			set(b, at+3, 2*g-r-bl)
			set(b, at+4, r)
			set(b, at+5, bl)
			if s < 2 {
				set(b, 23+s, log(grain[b]/c+0.5))
			}
			order, energy := tensor(vxx[b]/c, vyy[b]/c, vxy[b]/c, 1e-2)
			set(b, 25+2*s, order)
			set(b, 26+2*s, log(energy+0.5))
			order, energy = tensor(exx[b]/c, eyy[b]/c, exy[b]/c, 1e-4)
			set(b, 31+2*s, order)
			set(b, 32+2*s, log(energy+1e-3))
			if s > 0 {
				set(b, 40+s, log(deep[b]/c+1))
			}
		}
	}
	for s, reach := range [3]int{0, 1, 4} {
		top := k.highest(k.sums[topDepth], across, down, reach)
		for b, i := range index {
			set(b, 38+s, log(top[i]+1))
		}
	}
	return out, index, err
}

// highest is the greatest value within reach blocks, by rows and then columns.
func (k *looker) highest(v []float32, across, down, reach int) []float32 {
	rows, out := raster.Sized(&k.wide, across*down), raster.Sized(&k.higher, across*down)
	for y := range down {
		for x := range across {
			m := float32(0)
			for i := max(x-reach, 0); i < min(x+reach+1, across); i++ {
				m = max(m, v[y*across+i])
			}
			rows[y*across+x] = m
		}
	}
	for y := range down {
		for x := range across {
			m := float32(0)
			for j := max(y-reach, 0); j < min(y+reach+1, down); j++ {
				m = max(m, rows[j*across+x])
			}
			out[y*across+x] = m
		}
	}
	return out
}

// ratios are the chromatic coordinates of a mean colour (ITU-T T.871).
func ratios(luma, blue, red float32) (r, g, b float32) {
	r, g, b = max(luma+1.402*red, 0), max(luma-0.344136*blue-0.714136*red, 0), max(luma+1.772*blue, 0)
	sum := r + g + b + 1
	return r / sum, g / sum, b / sum
}

// tensor gives the order (0 none, 1 all one way) and the energy of gradients.
func tensor(xx, yy, xy, floor float32) (order, energy float32) {
	energy = xx + yy
	return float32(math.Sqrt(float64((xx-yy)*(xx-yy)+4*xy*xy))) / (energy + floor), energy
}

// shapes gives area, greatest and mean depth, elongation and compactness of
// each label, from its cells' second moments. Labels are given for squares of
// 1<<half cells, lw in a row.
func shapes(labels []int32, half, lw int, depth []int32, runs []run, n, w int) []float32 {
	type sums struct{ n, d, top, x, y, xx, yy, xy float64 }
	all := make([]sums, n)
	for _, r := range runs {
		y := float64(r.y)
		for x := r.from; x < r.end; x++ {
			i := int(r.y)*w + int(x)
			s := &all[labels[int(r.y)>>half*lw+int(x)>>half]-1]
			d, fx := float64(depth[i])/3, float64(x)
			s.n++
			s.d += d
			s.top = max(s.top, d)
			s.x, s.y, s.xx, s.yy, s.xy = s.x+fx, s.y+y, s.xx+fx*fx, s.yy+y*y, s.xy+fx*y
		}
	}
	var out []float32
	for _, s := range all {
		s.n = max(s.n, 1)
		mx, my := s.x/s.n, s.y/s.n
		xx, yy, xy := s.xx/s.n-mx*mx+0.1, s.yy/s.n-my*my+0.1, s.xy/s.n-mx*my
		root := math.Sqrt((xx-yy)*(xx-yy) + 4*xy*xy)
		long, short := (xx+yy+root)/2, max((xx+yy-root)/2, 0.05)
		for _, v := range []float64{s.n + 1, s.top + 1, s.d/s.n + 1, long / short, (s.n + 1) / (4 * math.Pi * math.Sqrt(long*short)), (s.n + 1) / ((s.top + 1) * (s.top + 1))} {
			out = append(out, float32(math.Log(v)))
		}
	}
	return out
}

// owners gives each block the lobe with most of its green cells, and each lobe
// its piece, all counted from 0. Lobes and their pieces are given for squares
// of two by two cells, hw in a row.
func owners(lobes, halfPiece []int32, hw int, index []int32, nLobes int, labels []int32, w, h, side int) (blockLobe, lobePiece []int32) {
	across := (w + side - 1) / side
	lobePiece = make([]int32, nLobes)
	for j, l := range lobes {
		if l > 0 {
			lobePiece[l-1] = halfPiece[j] - 1
		}
	}
	count := make([]int32, nLobes+1)
	var seen []int32
	for _, b := range index {
		x0, y0 := int(b)%across*side, int(b)/across*side
		best := int32(0)
		seen = seen[:0]
		for y := y0; y < min(y0+side, h); y++ {
			for x := x0; x < min(x0+side, w); x++ {
				if labels[y*w+x] == 0 {
					continue
				}
				l := lobes[y/2*hw+x/2]
				if count[l]++; count[l] == 1 {
					seen = append(seen, l)
				}
				if best == 0 || count[l] > count[best] {
					best = l
				}
			}
		}
		for _, l := range seen {
			count[l] = 0
		}
		blockLobe = append(blockLobe, best-1)
	}
	return blockLobe, lobePiece
}

// chamferRuns is chamfer for cells given as runs: it visits green alone.
// Every piece is bounded by ground, so that pieces need not be told apart. The
// edge of the picture is no edge of a leaf: what goes on outside is not known.
func chamferRuns(runs []run, d []int32, w, h int) {
	clear(d)
	far := int32(3 * max(w, h))
	at := func(x, y int) int32 {
		if x < 0 || x >= w || y < 0 || y >= h {
			return far
		}
		return d[y*w+x]
	}
	for _, r := range runs {
		y := int(r.y)
		for x := int(r.from); x < int(r.end); x++ {
			i := y*w + x
			if x > 0 && x < w-1 && y > 0 {
				d[i] = min(d[i-1]+3, d[i-w]+3, d[i-w-1]+4, d[i-w+1]+4)
			} else {
				d[i] = min(at(x-1, y)+3, at(x, y-1)+3, at(x-1, y-1)+4, at(x+1, y-1)+4)
			}
		}
	}
	for k := len(runs) - 1; k >= 0; k-- {
		y := int(runs[k].y)
		for x := int(runs[k].end) - 1; x >= int(runs[k].from); x-- {
			i := y*w + x
			if x > 0 && x < w-1 && y < h-1 {
				d[i] = min(d[i], d[i+1]+3, d[i+w]+3, d[i+w+1]+4, d[i+w-1]+4)
			} else {
				d[i] = min(d[i], at(x+1, y)+3, at(x, y+1)+3, at(x+1, y+1)+4, at(x-1, y+1)+4)
			}
		}
	}
}
