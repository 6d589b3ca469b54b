package dist

import (
	"math"
	"sync"
)

// A tailTable remembers a smooth tail probability as pieces of its logarithm,
// so that the average over the scale, which asks for it at ever new places,
// costs little. Pieces are made when first needed: Chebyshev interpolation at
// the zeros of a polynomial (Trefethen 2013, Approximation Theory and
// Approximation Practice, ch. 4). It may be used from several goroutines.
type tailTable struct {
	f      func(w float64) float64
	pieces pieces
	mu     sync.Mutex
	made   map[int][]float64 // nil: the tail underflows there
}

// pieces says how wide the pieces of a table are and how many values each is
// made from.
type pieces struct {
	width float64
	nodes int
}

var (
	// closePieces keep a tail to rounding.
	closePieces = pieces{0.5, 14}
	// widePieces keep it to about 3e-6 of itself, for a quarter of the work.
	widePieces = pieces{1, 7}
)

func newTailTable(f func(w float64) float64, p pieces) *tailTable {
	return &tailTable{f: f, pieces: p, made: map[int][]float64{}}
}

// at returns the tail at w.
func (t *tailTable) at(w float64) float64 {
	if !(math.Abs(w) < 100) {
		return t.f(w)
	}
	i := int(math.Floor(w / t.pieces.width))
	t.mu.Lock()
	piece, ok := t.made[i]
	if !ok {
		piece = t.make(i)
		t.made[i] = piece
	}
	t.mu.Unlock()
	if piece == nil {
		return t.f(w)
	}
	// Clenshaw's recurrence at x in [-1, 1].
	x := 2*(w/t.pieces.width-float64(i)) - 1
	var b1, b2 float64
	for j := len(piece) - 1; j > 0; j-- {
		b1, b2 = 2*x*b1-b2+piece[j], b1
	}
	return math.Min(1, math.Exp(x*b1-b2+piece[0]/2))
}

// make returns the Chebyshev coefficients of the logarithm on piece i.
func (t *tailTable) make(i int) []float64 {
	n := float64(t.pieces.nodes)
	logs, c := make([]float64, t.pieces.nodes), make([]float64, t.pieces.nodes)
	for j := range logs {
		x := math.Cos(math.Pi * (float64(j) + 0.5) / n)
		p := t.f(t.pieces.width * (float64(i) + (x+1)/2))
		if p < 1e-290 {
			return nil
		}
		logs[j] = math.Log(p)
	}
	for j := range c {
		for k, v := range logs {
			c[j] += 2 / n * v * math.Cos(math.Pi*float64(j)*(float64(k)+0.5)/n)
		}
	}
	return c
}
