package card

import (
	"image"
	"math"
	"slices"

	"github.com/makiuchi-d/gozxing/qrcode/decoder"

	"quadtally/vision/raster"
)

// seenCode is three finder patterns that belong together, upper-left first,
// or two and where the third would lie.
type seenCode struct {
	centres [3]raster.Point
	found   int     // of the three
	misfit  float64 // from three corners of a square, 0 for a perfect one
	of      [3]int  // which finders, -1 for none
}

// codesIn combines finder patterns of about one size that lie at three corners
// of what may be a square seen at an angle, the likeliest first; then pairs.
func codesIn(all []finder) []seenCode {
	var out []seenCode
	alike := func(a, b float64) bool { return max(a, b) < 1.7*min(a, b) }
	for i := range all {
		for j := range all {
			for k := range j {
				if i == j || i == k || !alike(all[i].module, all[j].module) || !alike(all[i].module, all[k].module) {
					continue
				}
				a, b, c := all[i].at, all[j].at, all[k].at
				ux, uy, vx, vy := b.X-a.X, b.Y-a.Y, c.X-a.X, c.Y-a.Y
				lu, lv := math.Hypot(ux, uy), math.Hypot(vx, vy)
				m := (all[i].module + all[j].module + all[k].module) / 3
				size := math.Sqrt(lu*lv) / (m * finderApart)
				cos := (ux*vx + uy*vy) / (lu * lv)
				if !(size > .6 && size < 1.6 && max(lu, lv) < 1.7*min(lu, lv) && math.Abs(cos) < .5) {
					continue
				}
				s := seenCode{[3]raster.Point{a, b, c}, 3, math.Abs(cos) + math.Abs(math.Log(lu/lv)) + math.Abs(math.Log(size)), [3]int{i, j, k}}
				if ux*vy-uy*vx < 0 {
					s.centres[1], s.centres[2] = c, b
				}
				out = append(out, s)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b seenCode) int {
		switch {
		case a.misfit < b.misfit:
			return -1
		case a.misfit > b.misfit:
			return 1
		}
		return 0
	})
	out = out[:min(len(out), 40)]
	whole := len(out)
	for i := range all {
		for j := range i {
			if !alike(all[i].module, all[j].module) || len(out) >= whole+60 {
				continue
			}
			a, b := all[i].at, all[j].at
			dx, dy := b.X-a.X, b.Y-a.Y
			m := (all[i].module + all[j].module) / 2
			switch d := math.Hypot(dx, dy) / (m * finderApart); {
			case d > .75 && d < 1.2: // along a side
				for _, s := range [2]float64{1, -1} {
					out = append(out,
						pairCode(a, b, raster.Point{X: a.X - s*dy, Y: a.Y + s*dx}, s > 0, i, j),
						pairCode(b, a, raster.Point{X: b.X - s*dy, Y: b.Y + s*dx}, s < 0, i, j))
				}
			case d > 1.2 && d < 1.2*math.Sqrt2: // across
				mx, my := (a.X+b.X)/2, (a.Y+b.Y)/2
				for _, s := range [2]float64{1, -1} {
					c := seenCode{[3]raster.Point{{X: mx - s*dy/2, Y: my + s*dx/2}, a, b}, 2, 1, [3]int{i, j, -1}}
					if s > 0 {
						c.centres[1], c.centres[2] = b, a
					}
					out = append(out, c)
				}
			}
		}
	}
	return out
}

// pairCode has its upper-left at a, another corner at b and the third unseen,
// which is the lower-left where clockwise.
func pairCode(a, b, third raster.Point, clockwise bool, i, j int) seenCode {
	s := seenCode{[3]raster.Point{a, b, third}, 2, 1, [3]int{i, j, -1}}
	if !clockwise {
		s.centres[1], s.centres[2] = third, b
	}
	return s
}

// readCodes reads what codes it can in part of the picture, by their finder
// patterns: also those that are bent, shaded, askew or lie against something
// white. What it cannot read it looks at again at half the scale, where noise
// is less and a large code's patterns fit the surroundings they are held
// against. tiles are the widths of the surroundings to try, see findersBy.
func readCodes(g grey, patch image.Rectangle, tiles ...int) []code {
	for _, tile := range tiles {
		if codes := decodeFinders(g, findersBy(g, patch, tile)); len(codes) > 0 {
			return codes
		}
	}
	crop := g.crop(patch)
	half, err := crop.halved()
	if err != nil {
		return nil // too small to look at
	}
	half.colour, half.x0, half.y0, half.scale = g.colour, patch.Min.X, patch.Min.Y, 2
	codes := decodeFinders(half, finders(half, image.Rect(0, 0, half.w, half.h)))
	for i := range codes {
		for k, p := range codes[i].centres {
			codes[i].centres[k] = raster.Point{X: float64(patch.Min.X) + 2*p.X, Y: float64(patch.Min.Y) + 2*p.Y}
		}
	}
	return codes
}

// likeness a grid must have to what all codes share for it to be decoded, with
// three finder patterns and with two.
const (
	leastLike     = .75
	leastLikePair = .62
)

// showsCode tells whether two whole finder patterns or more are those of one
// code, or three of which one is whole, as where a stalk lies across the others.
func (g grey) showsCode(all []finder) bool {
	var sound []finder
	for _, f := range all {
		if f.whole {
			sound = append(sound, f)
		}
	}
	if len(sound) > 0 && len(all) > 2 {
		sound = all
	}
	for _, s := range codesIn(sound) {
		for _, how := range bends[:2] {
			w, ok := g.fitted(flatWarp(s.centres), how)
			if !ok {
				break
			}
			cells := g.cells(&w)
			if bestTwo(&cells) >= likeFinder {
				return true
			}
		}
	}
	return false
}

// bestTwo is the share of right modules in the second best finder pattern.
func bestTwo(cells *[modules][modules]float64) (share float64) {
	for _, mean := range [2]bool{true, false} {
		corners := likeFinders(inked(cells, 3, mean))
		slices.Sort(corners[:])
		share = max(share, corners[1])
	}
	return share
}

// Shares of a finder pattern's modules that must be right: where two alone tell
// of a code; and under a straight grid, for a curved one to be tried.
const (
	likeFinder  = .9
	leastFinder = .7
)

// decodeFinders decodes the codes to which finder patterns belong.
func decodeFinders(g grey, all []finder) (codes []code) {
	used := make([]bool, len(all))
	for _, s := range codesIn(all) {
		if slices.ContainsFunc(s.of[:s.found], func(i int) bool { return used[i] }) {
			continue
		}
		if c, ok := g.decode(s); ok {
			codes = append(codes, c)
			for _, i := range s.of[:s.found] {
				used[i] = true
			}
		}
	}
	return codes
}

// decode fits the code's grid and reads it.
func (g grey) decode(s seenCode) (c code, ok bool) {
	for k, how := range bends {
		w, ok := g.fitted(flatWarp(s.centres), how)
		if !ok {
			return c, false
		}
		cells := g.cells(&w)
		if k == 0 && bestTwo(&cells) < leastFinder {
			return c, false
		}
		if c, ok := g.read(&w, &cells, s.found); ok {
			return c, true
		}
	}
	return c, false
}

// read decodes the modules under a grid.
func (g grey) read(w *warp, cells *[modules][modules]float64, found int) (c code, ok bool) {
	least := leastLike
	if found < 3 {
		least = leastLikePair
	}
	for _, how := range [...]struct {
		reach int
		mean  bool
	}{{3, true}, {2, false}, {4, false}, {2, true}, {modules, false}, {5, true}} {
		dark := inked(cells, how.reach, how.mean)
		if likeCode(dark) < least {
			continue
		}
		text, mirrored, ok := decodeCells(dark)
		if !ok {
			doubt := g.doubts(w, cells, dark)
			if !corrected(dark, &doubt) {
				continue
			}
			if text, mirrored, ok = decodeCells(dark); !ok {
				continue
			}
		}
		c.text = text
		c.centres = [3]raster.Point{w.at(finderCentre, finderCentre), w.at(modules-finderCentre, finderCentre), w.at(finderCentre, modules-finderCentre)}
		if mirrored {
			c.centres[1], c.centres[2] = c.centres[2], c.centres[1]
		}
		return c, true
	}
	return c, false
}

// decodeCells corrects and reads the modules of a code. Whatever the decoder
// makes of a stranger's photo, the photo is then simply not read.
func decodeCells(dark [][]bool) (text string, mirrored, ok bool) {
	defer func() {
		if recover() != nil {
			ok = false
		}
	}()
	res, err := decoder.NewDecoder().DecodeBoolMap(dark, nil)
	if err != nil {
		return "", false, false
	}
	meta, is := res.GetOther().(*decoder.QRCodeDecoderMetaData)
	return res.GetText(), is && meta.IsMirrored(), true
}
