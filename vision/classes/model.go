package classes

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Scale is where the features of a visit lie: the mean and the standard
// deviation of each over its green cells. Features less the mean over the
// deviation are alike from visit to visit, whatever the light.
type Scale struct {
	Mean, SD []float64
}

// widest bounds a standardised feature.
const widest = 4

// NewScale pools the photos of one visit, each block having the weight of its
// green cells. Without any green the scale is that of zeros.
func NewScale(photos []*Looks, green []*Green) *Scale {
	s := &Scale{Mean: make([]float64, nAll), SD: make([]float64, nAll)}
	// Of each feature of each photo its histogram of bytes is all there is to know.
	sum, square := make([]float64, nAll), make([]float64, nAll)
	var total float64
	hist := make([]float64, 256*nAll)
	for i, l := range photos {
		clear(hist)
		lobes, pieces := make([]int32, len(l.LobePiece)), make([]int32, l.Pieces())
		for b, n := range green[i].Cells {
			if n == 0 {
				continue
			}
			total += float64(n)
			for k, v := range l.Local[b*nLocal:][:nLocal] {
				hist[256*k+int(v)] += float64(n)
			}
			lobes[l.Lobe[b]] += n
		}
		for j, n := range lobes {
			for k, v := range l.LobeShape[j*nShape:][:nShape] {
				hist[256*(nLocal+k)+int(v)] += float64(n)
			}
			pieces[l.LobePiece[j]] += n
		}
		for j, n := range pieces {
			for k, v := range l.PieceShape[j*nShape:][:nShape] {
				hist[256*(nLocal+nShape+k)+int(v)] += float64(n)
			}
		}
		for k := range nAll {
			for v, n := range hist[256*k:][:256] {
				if n > 0 {
					x := float64(l.Lo[k]) + float64(v)*float64(l.Step[k])
					sum[k] += n * x
					square[k] += n * x * x
				}
			}
		}
	}
	for k := range nAll {
		s.SD[k] = 1
		if total > 0 {
			s.Mean[k] = sum[k] / total
			if v := square[k]/total - s.Mean[k]*s.Mean[k]; v > 1e-9*max(1, s.Mean[k]*s.Mean[k]) {
				s.SD[k] = math.Sqrt(v)
			}
		}
	}
	return s
}

// standard gives feature k of byte v in a photo, standardised.
func (s *Scale) standard(l *Looks, k int, v uint8) float64 {
	x := float64(l.Lo[k]) + float64(v)*float64(l.Step[k])
	return min(max((x-s.Mean[k])/s.SD[k], -widest), widest)
}

// features of one block, standardised.
func (s *Scale) features(l *Looks, block int, out []float64) {
	for k, v := range l.Local[block*nLocal:][:nLocal] {
		out[k] = s.standard(l, k, v)
	}
	lobe := int(l.Lobe[block])
	for k, v := range l.LobeShape[lobe*nShape:][:nShape] {
		out[nLocal+k] = s.standard(l, nLocal+k, v)
	}
	piece := int(l.LobePiece[lobe])
	for k, v := range l.PieceShape[piece*nShape:][:nShape] {
		out[nLocal+nShape+k] = s.standard(l, nLocal+nShape+k, v)
	}
}

// Photo is a photo among those that are learned from or sorted.
type Photo struct {
	Looks *Looks
	Green *Green
	Scale *Scale // of its visit
}

// Name is a plant that a person has named: a place in a photo, in cells of its
// plane, and an index into the list of classes.
type Name struct {
	Photo int
	X, Y  float64
	Class int
}

// TrainOptions steer learning. The defaults were chosen on open field photos.
type TrainOptions struct {
	// Ridge is the penalty on the squared coefficients, against a weight of one
	// for each named plant.
	Ridge float64
	// Balance is how far classes with few names are given the weight of those
	// with many: 0 not at all, 1 fully.
	Balance float64
	// BitsAPlant is the most blocks that one named plant is learned from.
	BitsAPlant int
	// LeastNames is the number of names from which a class is learned, where
	// another has five times as many.
	LeastNames int
	// Reach is how many cells from the place named a block with green may lie.
	Reach float64
}

// DefaultTrainOptions are the settings the accuracy was measured with.
func DefaultTrainOptions() TrainOptions {
	return TrainOptions{Ridge: 150, Balance: 0.85, BitsAPlant: 24, LeastNames: 3, Reach: 1}
}

// Model is what was learned: for each class coefficients on the standardised
// features and an intercept. Classes that were not learned have none.
type Model struct {
	Classes int
	Beta    [][]float64 // by class; nil where the class was not learned
	Start   []float64
	// Names is the number of named plants learned from, by class.
	Names []int
	// Missed are the names, by index, that lie on no green.
	Missed []int
}

// Learned tells whether a class can be answered.
func (m *Model) Learned(class int) bool { return m.Beta[class] != nil }

// ErrFewNames says that there is nothing to tell apart yet.
var ErrFewNames = errors.New("plants of two classes at least must be named before any can be told apart: name some of another class")

// Train learns the classes from named plants: softmax regression with a ridge
// penalty (Hoerl and Kennard 1970, Technometrics 12, 55-67; le Cessie and van
// Houwelingen 1992, Appl. Statist. 41, 191-201). A named plant is the lobe of
// green that was pointed at; where two names share a lobe, each has the blocks
// nearer to it. Every plant has the same weight within its class, however large
// it is.
func Train(classes int, photos []Photo, names []Name, opt TrainOptions) (*Model, error) {
	m := &Model{Classes: classes, Beta: make([][]float64, classes), Start: make([]float64, classes), Names: make([]int, classes)}
	blocks := make([]int, len(names)) // block pointed at, -1 for none
	type spot struct{ photo, lobe int }
	sharing := map[spot][]int{}
	for i, n := range names {
		if n.Class < 0 || n.Class >= classes || n.Photo < 0 || n.Photo >= len(photos) {
			return nil, fmt.Errorf("named plant %d is of a class or photo that is not among those given", i+1)
		}
		p := photos[n.Photo]
		blocks[i] = p.Looks.Nearest(p.Green, n.X, n.Y, opt.Reach)
		if blocks[i] < 0 {
			m.Missed = append(m.Missed, i)
			continue
		}
		m.Names[n.Class]++
		k := spot{n.Photo, int(p.Looks.Lobe[blocks[i]])}
		sharing[k] = append(sharing[k], i)
	}
	most := slices.Max(append([]int{0}, m.Names...))
	var learned []int // classes
	number := make([]int, classes)
	for c, n := range m.Names {
		number[c] = -1
		if n > 0 && (n >= opt.LeastNames || 5*n > most) {
			number[c] = len(learned)
			learned = append(learned, c)
		}
	}
	if len(learned) < 2 {
		return m, ErrFewNames
	}
	var rows [][]float64
	var label []int
	var weight []float64
	for i, n := range names {
		if blocks[i] < 0 || number[n.Class] < 0 {
			continue
		}
		p := photos[n.Photo]
		own := p.Looks.bitsOf(p.Green, blocks[i], i, names, sharing[spot{n.Photo, int(p.Looks.Lobe[blocks[i]])}])
		own = thin(own, opt.BitsAPlant)
		var cells float64
		for _, b := range own {
			cells += float64(p.Green.Cells[b])
		}
		for _, b := range own {
			x := make([]float64, nAll)
			p.Scale.features(p.Looks, b, x)
			rows = append(rows, x)
			label = append(label, number[n.Class])
			share := 1 / float64(len(own))
			if cells > 0 {
				share = float64(p.Green.Cells[b]) / cells
			}
			weight = append(weight, share)
		}
	}
	var named float64
	for _, c := range learned {
		named += float64(m.Names[c])
	}
	for i := range weight {
		n := float64(m.Names[learned[label[i]]])
		weight[i] *= math.Pow(named/float64(len(learned))/n, opt.Balance)
	}
	beta, start, err := softmax(rows, label, weight, len(learned), opt.Ridge)
	if err != nil {
		return nil, err
	}
	for k, c := range learned {
		m.Beta[c], m.Start[c] = beta[k], start[k]
	}
	return m, nil
}

// Nearest is the block with green nearest a place, within reach cells of its
// edge; -1 for none. A name beside the green must not be taken for the plant
// next to it.
func (l *Looks) Nearest(g *Green, x, y, reach float64) int {
	best, at := math.Inf(1), -1
	across := l.Across()
	for b, place := range l.Blocks {
		if g.Cells[b] == 0 {
			continue
		}
		x0, y0 := float64(int(place)%across*l.Side), float64(int(place)/across*l.Side)
		dx, dy := max(x0-x, x-x0-float64(l.Side), 0), max(y0-y, y-y0-float64(l.Side), 0)
		if d := math.Hypot(dx, dy); d < best && d <= reach {
			best, at = d, b
		}
	}
	return at
}

// bitsOf lists the blocks of the lobe of a block that belong to name i.
func (l *Looks) bitsOf(g *Green, block, i int, names []Name, sharing []int) []int {
	var own []int
	for b, lobe := range l.Lobe {
		if lobe != l.Lobe[block] || g.Cells[b] == 0 {
			continue
		}
		x, y := l.Middle(b)
		mine := math.Hypot(x-names[i].X, y-names[i].Y)
		nearest := true
		for _, j := range sharing {
			if d := math.Hypot(x-names[j].X, y-names[j].Y); d < mine || d == mine && j < i {
				nearest = false
			}
		}
		if nearest {
			own = append(own, b)
		}
	}
	if len(own) == 0 {
		own = []int{block}
	}
	return own
}

// thin keeps at most n of a list, evenly spread.
func thin(v []int, n int) []int {
	if n < 1 || len(v) <= n {
		return v
	}
	out := make([]int, n)
	for i := range out {
		out[i] = v[(2*i+1)*len(v)/(2*n)]
	}
	return out
}

// softmax minimises the weighted cross-entropy plus ridge/2 times the squared
// coefficients; intercepts are all but free. The curvature is bounded by that
// at even probabilities, which needs one factorisation for all steps and never
// overshoots (Boehning 1992, Ann. Inst. Statist. Math. 44, 197-200).
func softmax(rows [][]float64, label []int, weight []float64, classes int, ridge float64) (beta [][]float64, start []float64, err error) {
	f := len(rows[0])
	bound := mat.NewSymDense(f+1, nil)
	x := mat.NewVecDense(f+1, nil)
	x.SetVec(f, 1)
	for i, row := range rows {
		copy(x.RawVector().Data, row)
		bound.SymRankOne(bound, weight[i]/2, x)
	}
	for k := range f {
		bound.SetSym(k, k, bound.At(k, k)+ridge)
	}
	bound.SetSym(f, f, bound.At(f, f)+freeRidge)
	var chol mat.Cholesky
	if !chol.Factorize(bound) {
		return nil, nil, errors.New("the classes cannot be learned: what the named plants look like is not a number")
	}
	at := make([][]float64, classes) // coefficients, then the intercept
	slope := make([]*mat.VecDense, classes)
	for c := range at {
		at[c] = make([]float64, f+1)
		slope[c] = mat.NewVecDense(f+1, nil)
	}
	p := make([]float64, classes)
	step := mat.NewVecDense(f+1, nil)
	for range mostSteps {
		for c := range slope {
			g := slope[c].RawVector().Data
			for k := range f {
				g[k] = ridge * at[c][k]
			}
			g[f] = freeRidge * at[c][f]
		}
		for i, row := range rows {
			top := math.Inf(-1)
			for c := range p {
				p[c] = floats.Dot(at[c][:f], row) + at[c][f]
				top = max(top, p[c])
			}
			var sum float64
			for c := range p {
				p[c] = math.Exp(p[c] - top)
				sum += p[c]
			}
			for c := range p {
				d := p[c] / sum
				if c == label[i] {
					d--
				}
				d *= weight[i]
				g := slope[c].RawVector().Data
				floats.AddScaled(g[:f], d, row)
				g[f] += d
			}
		}
		largest := 0.0
		for c := range at {
			if err := chol.SolveVecTo(step, slope[c]); err != nil {
				return nil, nil, fmt.Errorf("the classes cannot be learned from these plants: %w", err)
			}
			floats.Sub(at[c], step.RawVector().Data)
			largest = max(largest, floats.Norm(step.RawVector().Data, math.Inf(1)))
		}
		if largest < smallStep {
			break
		}
	}
	for c := range at {
		beta, start = append(beta, at[c][:f:f]), append(start, at[c][f])
	}
	return beta, start, nil
}

const (
	freeRidge = 1e-3 // on intercepts, so that they have one solution
	mostSteps = 400
	smallStep = 1e-4 // of a coefficient, whose feature is within widest
)

// Sorted is the answer for one photo.
type Sorted struct {
	Classes int
	// Prob is the probability of each class for each block of the looks, block
	// after block, each block's summing to one.
	Prob []float32
	// Class is the likeliest class of each block.
	Class []uint8
}

// Classify gives every block its probabilities: the mean of what it looks like
// itself, of its lobe and of its whole piece, weighted by green cells. Plants
// that touch are one piece but mostly several lobes. A mean of probabilities is
// too cautious, which its square makes up for: on open field photos answers
// then follow the probabilities closest.
func (m *Model) Classify(p Photo) *Sorted {
	l, c := p.Looks, m.Classes
	n := len(l.Blocks)
	out := &Sorted{Classes: c, Prob: make([]float32, n*c), Class: make([]uint8, n)}
	var learned []int
	for k := range c {
		if m.Learned(k) {
			learned = append(learned, k)
		}
	}
	if len(learned) == 0 || n == 0 {
		return out
	}
	// What each byte of each feature adds to the score of each class.
	kc := len(learned)
	table := make([]float32, 256*nAll*kc)
	for k := range nAll {
		for v := range 256 {
			z := p.Scale.standard(l, k, uint8(v))
			for j, class := range learned {
				table[(256*k+v)*kc+j] = float32(z * m.Beta[class][k])
			}
		}
	}
	add := func(from []uint8, first int, score []float32) {
		for k, v := range from {
			at := table[(256*(first+k)+int(v))*kc:][:len(score)]
			for j := range score {
				score[j] += at[j]
			}
		}
	}
	pieces := make([]float32, l.Pieces()*kc)
	for i := range l.Pieces() {
		add(l.PieceShape[i*nShape:][:nShape], nLocal+nShape, pieces[i*kc:][:kc])
	}
	lobes := make([]float32, len(l.LobePiece)*kc)
	for i, piece := range l.LobePiece {
		at := lobes[i*kc:][:kc]
		copy(at, pieces[int(piece)*kc:][:kc])
		add(l.LobeShape[i*nShape:][:nShape], nLocal, at)
	}
	own := make([]float32, n*kc)
	for b := range n {
		at := own[b*kc:][:kc]
		copy(at, lobes[int(l.Lobe[b])*kc:][:kc])
		add(l.Local[b*nLocal:][:nLocal], 0, at)
		top := float32(math.Inf(-1))
		for j, class := range learned {
			at[j] += float32(m.Start[class])
			top = max(top, at[j])
		}
		var sum float32
		for j := range at {
			at[j] = float32(math.Exp(float64(at[j] - top)))
			sum += at[j]
		}
		for j := range at {
			at[j] /= sum
		}
	}
	clear(lobes)
	clear(pieces)
	inLobe, inPiece := make([]float32, len(l.LobePiece)), make([]float32, l.Pieces())
	for b := range n {
		w := float32(p.Green.Cells[b])
		lobe := l.Lobe[b]
		inLobe[lobe] += w
		for j, v := range own[b*kc:][:kc] {
			lobes[int(lobe)*kc+j] += w * v
		}
	}
	for i, piece := range l.LobePiece {
		inPiece[piece] += inLobe[i]
		for j := range kc {
			pieces[int(piece)*kc+j] += lobes[i*kc+j]
		}
	}
	for b := range n {
		lobe := l.Lobe[b]
		piece := l.LobePiece[lobe]
		at := own[b*kc:][:kc]
		var sum float32
		for j, v := range at {
			if inLobe[lobe] > 0 {
				v += lobes[int(lobe)*kc+j]/inLobe[lobe] + pieces[int(piece)*kc+j]/inPiece[piece]
			}
			at[j] = v * v
			sum += at[j]
		}
		best := float32(-1)
		for j, class := range learned {
			v := at[j] / sum
			out.Prob[b*c+class] = v
			if v > best {
				best, out.Class[b] = v, uint8(class)
			}
		}
	}
	return out
}

// Shares gives for each class the share of the photo's green it is likeliest
// in, the mean probability over all green, and how sure the first is: the mean
// probability of the class in the green that was given to it, 0 where none was.
func (s *Sorted) Shares(g *Green) (mapped, mean, sure []float64) {
	mapped, mean, sure = make([]float64, s.Classes), make([]float64, s.Classes), make([]float64, s.Classes)
	total := float64(g.Total())
	if total == 0 {
		return mapped, mean, sure
	}
	for b, n := range g.Cells {
		if n == 0 {
			continue
		}
		w := float64(n) / total
		for c, v := range s.Prob[b*s.Classes:][:s.Classes] {
			mean[c] += w * float64(v)
		}
		c := s.Class[b]
		mapped[c] += w
		sure[c] += w * float64(s.Prob[b*s.Classes+int(c)])
	}
	for c := range sure {
		if mapped[c] > 0 {
			sure[c] /= mapped[c]
		}
	}
	return mapped, mean, sure
}

// SolidShares gives the share of the photo's green that is leaf and not the rim
// of one (see [Looks].Solid), and the mean probability of each class over it. It
// is false where the looks do not tell.
func (s *Sorted) SolidShares(p Photo) (share float64, mean []float64, ok bool) {
	if p.Looks.Solid == nil {
		return 0, nil, false
	}
	mean = make([]float64, s.Classes)
	var solid float64
	for b, n := range p.Green.Cells {
		w := min(float64(p.Looks.Solid[b]), float64(n))
		solid += w
		for c, v := range s.Prob[b*s.Classes:][:s.Classes] {
			mean[c] += w * float64(v)
		}
	}
	if solid == 0 {
		return 0, mean, true
	}
	for c := range mean {
		mean[c] /= solid
	}
	return solid / float64(p.Green.Total()), mean, true
}
