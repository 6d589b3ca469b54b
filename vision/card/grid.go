package card

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"quadtally/vision/raster"
)

// The grid of a code that does not lie flat. A sheet that is bent, raised or
// seen at an angle shows its modules along curves, and the straight grid
// between three finder patterns misses those far from them. The edges of the
// finder patterns and of the timing patterns are all at known places of the
// code (ISO/IEC 18004), some 150 of them, so that a map of second order from
// modules to pixels can be fitted to where they are seen.

// warp maps modules, counted from the code's upper-left corner, to pixels: a
// polynomial of second order for either coordinate, in terms of modules from
// the code's middle.
type warp [2][6]float64

// terms are the polynomial's at a place, and their derivatives along u and v.
func terms(u, v float64) (t, du, dv [6]float64) {
	u, v = (u-modules/2.)/modules, (v-modules/2.)/modules
	return [6]float64{1, u, v, u * u, u * v, v * v},
		[6]float64{0, 1. / modules, 0, 2 * u / modules, v / modules, 0},
		[6]float64{0, 0, 1. / modules, 0, u / modules, 2 * v / modules}
}

func dot(a, b *[6]float64) (sum float64) {
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

func (w *warp) at(u, v float64) raster.Point {
	t, _, _ := terms(u, v)
	return raster.Point{X: dot(&w[0], &t), Y: dot(&w[1], &t)}
}

// axes are the steps of one module along u and along v at a place, pixels.
func (w *warp) axes(u, v float64) (along, across raster.Point) {
	_, du, dv := terms(u, v)
	return raster.Point{X: dot(&w[0], &du), Y: dot(&w[1], &du)}, raster.Point{X: dot(&w[0], &dv), Y: dot(&w[1], &dv)}
}

// flatWarp is the straight grid by the centres of the finder patterns,
// upper-left, upper-right, lower-left.
func flatWarp(c [3]raster.Point) (w warp) {
	const k = modules / finderApart
	set := func(i int, ul, ur, ll float64) {
		w[i][1], w[i][2] = (ur-ul)*k, (ll-ul)*k
		w[i][0] = (ur + ll) / 2
	}
	set(0, c[0].X, c[1].X, c[2].X)
	set(1, c[0].Y, c[1].Y, c[2].Y)
	return w
}

// codeEdge is an edge of the printed pattern: at (u, v), between modules along
// u, or along v where down; rises where the modules after it are paper.
type codeEdge struct {
	u, v  float64
	down  bool
	rises bool
}

// codeEdges are the edges every code has: three nested squares in each finder
// pattern, and the dashes of the timing patterns.
var codeEdges = func() (es []codeEdge) {
	for _, c := range [3][2]float64{{finderCentre, finderCentre}, {modules - finderCentre, finderCentre}, {finderCentre, modules - finderCentre}} {
		for k, half := range [3]float64{1.5, 2.5, 3.5} {
			for s := -half + .5; s <= half-.4; s++ {
				outward := k != 1 // paper lies beyond
				es = append(es,
					codeEdge{c[0] + half, c[1] + s, false, outward}, codeEdge{c[0] - half, c[1] + s, false, !outward},
					codeEdge{c[0] + s, c[1] + half, true, outward}, codeEdge{c[0] + s, c[1] - half, true, !outward})
			}
		}
	}
	for i := 8; i <= 13; i++ {
		rises := i%2 == 1 // the module before, of even number, is ink
		es = append(es, codeEdge{float64(i), 6.5, false, rises}, codeEdge{6.5, float64(i), true, rises})
	}
	return es
}()

// bend is how far a fitted grid may leave the straight one.
type bend struct {
	straight bool
	stiff    float64 // what the squares of the terms of second order weigh
}

// bends are tried in turn. The more freedom a grid has the more the noise of a
// small code moves the corner that has no finder pattern.
var bends = [3]bend{{true, 0}, {false, .02}, {false, .5}}

// fitted brings a warp onto the edges seen in the picture. Where fewer than
// half of the edges are seen it fails.
func (g grey) fitted(w warp, how bend) (warp, bool) {
	type seen struct {
		t      [6]float64
		n      raster.Point // normal of the edge
		level  float64      // of the place along it
		weight float64
	}
	var all []seen
	for round := range 6 {
		reach, order := .9, 6
		if round == 0 || how.straight {
			order = 3
		}
		if round > 2 {
			reach = .6
		}
		if round > 3 {
			reach = .4
		}
		if how.straight && round > 3 {
			break
		}
		all = all[:0]
		for _, e := range codeEdges {
			along, across := w.axes(e.u, e.v)
			if e.down {
				along, across = across, along
			}
			step := math.Hypot(along.X, along.Y)
			side := math.Hypot(across.X, across.Y)
			if !(step > 1.5 && side > 1.5 && step < 200) {
				return w, false
			}
			d, strength, ok := g.edgeAlong(w.at(e.u, e.v), along, reach, e.rises)
			if !ok {
				continue
			}
			p := w.at(e.u, e.v)
			p.X, p.Y = p.X+d*along.X, p.Y+d*along.Y
			n := raster.Point{X: -across.Y / side, Y: across.X / side}
			t, _, _ := terms(e.u, e.v)
			all = append(all, seen{t, n, n.X*p.X + n.Y*p.Y, strength})
		}
		if 2*len(all) < len(codeEdges) {
			return w, false
		}
		pitch, _ := w.axes(modules/2., modules/2.)
		soft := .35 * math.Hypot(pitch.X, pitch.Y)
		for range 3 {
			// Weighted normal equations, held a little to straight where edges
			// say nothing of a term.
			n := 2 * order
			a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
			for _, s := range all {
				r := (s.n.X*dot(&w[0], &s.t) + s.n.Y*dot(&w[1], &s.t) - s.level) / soft
				wt := s.weight / (1 + r*r)
				var row [12]float64
				for i := range order {
					row[i], row[order+i] = s.n.X*s.t[i], s.n.Y*s.t[i]
				}
				for i := range n {
					b.SetVec(i, b.AtVec(i)+wt*row[i]*s.level)
					for j := i; j < n; j++ {
						a.SetSym(i, j, a.At(i, j)+wt*row[i]*row[j])
					}
				}
			}
			for i := range n {
				if i%order >= 3 {
					a.SetSym(i, i, a.At(i, i)+how.stiff)
				}
				a.SetSym(i, i, a.At(i, i)+1e-9)
			}
			var chol mat.Cholesky
			var x mat.VecDense
			if !chol.Factorize(a) || chol.SolveVecTo(&x, b) != nil {
				return w, false
			}
			for i := range order {
				w[0][i], w[1][i] = x.AtVec(i), x.AtVec(order+i)
			}
		}
	}
	return w, true
}

// edgeAlong looks along a module's step for the steepest place of the right
// sign, within reach modules; d is where it lies, in steps. strength is from 0
// to 1.
func (g grey) edgeAlong(p, step raster.Point, reach float64, rises bool) (d, strength float64, ok bool) {
	const parts = 8 // a module
	n := int(reach * parts)
	lag := parts / 4
	var vs [4 * parts]float64
	for i := range 2*(n+lag) + 1 {
		t := float64(i-n-lag) / parts
		vs[i] = g.logAt(p.X+t*step.X, p.Y+t*step.Y)
	}
	best, at := 0., 0
	slope := func(i int) float64 { // over half a module, at i of 2n+1
		v := vs[i+2*lag] - vs[i]
		if !rises {
			v = -v
		}
		return v * (1 - .3*math.Abs(float64(i-n))/float64(n))
	}
	for i := range 2*n + 1 {
		if s := slope(i); s > best {
			best, at = s, i
		}
	}
	if best < leastEdge {
		return 0, 0, false
	}
	d = float64(at - n)
	if at > 0 && at < 2*n {
		a, b, c := slope(at-1), slope(at), slope(at+1)
		if k := a - 2*b + c; k < 0 {
			d += .5 * (a - c) / k
		}
	}
	return d / parts, min(1, best/(4*leastEdge)), true
}

// leastEdge is the least step that counts as an edge, as a difference of
// logarithms: ink and paper differ by 1.8, and by .5 where glare lies on them.
const leastEdge = .15

// logarithms of brightness: in them a shadow across a card moves ink and paper
// alike, and stays smaller than the step between the two.
var logs = func() (t [256]float32) {
	for i := range t {
		t[i] = float32(math.Log(float64(i) + 6))
	}
	return t
}()

// logAt is the bilinear logarithm at a place; beyond the rim the rim's holds.
func (g grey) logAt(x, y float64) float64 {
	x, y = min(max(x-.5, 0), float64(g.w-1)), min(max(y-.5, 0), float64(g.h-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, g.w-1), min(y0+1, g.h-1)
	fx, fy := x-float64(x0), y-float64(y0)
	top := float64(logs[g.pix[y0*g.w+x0]])*(1-fx) + float64(logs[g.pix[y0*g.w+x1]])*fx
	bottom := float64(logs[g.pix[y1*g.w+x0]])*(1-fx) + float64(logs[g.pix[y1*g.w+x1]])*fx
	return top*(1-fy) + bottom*fy
}

// cells are the mean logarithms of the modules under a warp.
func (g grey) cells(w *warp) (out [modules][modules]float64) {
	for y := range out {
		for x := range out[y] {
			for _, dv := range [3]float64{.3, .5, .7} {
				for _, du := range [3]float64{.3, .5, .7} {
					p := w.at(float64(x)+du, float64(y)+dv)
					out[y][x] += g.logAt(p.X, p.Y) / 9
				}
			}
		}
	}
	return out
}

// inked says which modules are ink, held against those around them within
// reach modules: half-way between the brightest and the darkest, or against
// their mean.
func inked(cells *[modules][modules]float64, reach int, mean bool) [][]bool {
	out := make([][]bool, modules)
	for y := range out {
		out[y] = make([]bool, modules)
		for x := range out[y] {
			lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0., 0
			for j := max(0, y-reach); j <= min(modules-1, y+reach); j++ {
				for i := max(0, x-reach); i <= min(modules-1, x+reach); i++ {
					v := cells[j][i]
					lo, hi, sum, n = min(lo, v), max(hi, v), sum+v, n+1
				}
			}
			limit := (lo + hi) / 2
			if mean {
				limit = sum / float64(n)
			}
			out[y][x] = cells[y][x] < limit
		}
	}
	return out
}

// likeCode is the share of the modules that are the same in every code which
// are as they should be: finder patterns and timing patterns.
func likeCode(dark [][]bool) float64 {
	right := 0.
	for _, l := range likeFinders(dark) {
		right += 49 * l
	}
	for i := range 5 {
		for _, d := range [2]bool{dark[6][8+i], dark[8+i][6]} {
			if d == (i%2 == 0) {
				right++
			}
		}
	}
	return right / (3*49 + 10)
}

// likeFinders is the share of each finder pattern's modules that are right.
func likeFinders(dark [][]bool) (out [3]float64) {
	for i, c := range [3][2]int{{0, 0}, {modules - 7, 0}, {0, modules - 7}} {
		for y := range 7 {
			for x := range 7 {
				ring := max(max(x-3, 3-x), max(y-3, 3-y))
				if dark[c[1]+y][c[0]+x] == (ring != 2) {
					out[i] += 1. / 49
				}
			}
		}
	}
	return out
}
