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
	mu     sync.Mutex
	pieces map[int]*[pieceNodes]float64 // nil: the tail underflows there
}

const (
	pieceWidth = 0.5
	pieceNodes = 14
)

func newTailTable(f func(w float64) float64) *tailTable {
	return &tailTable{f: f, pieces: map[int]*[pieceNodes]float64{}}
}

// at returns the tail at w.
func (t *tailTable) at(w float64) float64 {
	if !(math.Abs(w) < 100) {
		return t.f(w)
	}
	i := int(math.Floor(w / pieceWidth))
	t.mu.Lock()
	piece, ok := t.pieces[i]
	if !ok {
		piece = t.make(i)
		t.pieces[i] = piece
	}
	t.mu.Unlock()
	if piece == nil {
		return t.f(w)
	}
	// Clenshaw's recurrence at x in [-1, 1].
	x := 2*(w/pieceWidth-float64(i)) - 1
	var b1, b2 float64
	for j := pieceNodes - 1; j > 0; j-- {
		b1, b2 = 2*x*b1-b2+piece[j], b1
	}
	return math.Min(1, math.Exp(x*b1-b2+piece[0]/2))
}

// make returns the Chebyshev coefficients of the logarithm on piece i.
func (t *tailTable) make(i int) *[pieceNodes]float64 {
	var logs, c [pieceNodes]float64
	for n := range logs {
		x := math.Cos(math.Pi * (float64(n) + 0.5) / pieceNodes)
		p := t.f(pieceWidth * (float64(i) + (x+1)/2))
		if p < 1e-290 {
			return nil
		}
		logs[n] = math.Log(p)
	}
	for j := range c {
		for n, v := range logs {
			c[j] += 2. / pieceNodes * v * math.Cos(math.Pi*float64(j)*(float64(n)+0.5)/pieceNodes)
		}
	}
	return &c
}
