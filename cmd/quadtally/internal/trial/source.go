package trial

import "math/bits"

// GeneratorName names the randomising procedure and its version. It is saved
// with every layout drawn here. The procedure behind a name never changes: a
// different procedure would get a new number.
//
// Version 1: SplitMix64 (Steele, Lea & Flood 2014, OOPSLA, "Fast splittable
// pseudorandom number generators"), numbers below n by rejection, shuffles by
// Fisher & Yates from the last place down. Arithmetic is on whole 64-bit
// numbers only, so every platform draws the same layout.
const GeneratorName = "quadtally-layout/1 (SplitMix64; Fisher-Yates with rejection)"

// EnteredFromTable stands in place of a generator's name for a layout that
// was already in the ground.
const EnteredFromTable = "entered from a table"

// Source is the random number generator of GeneratorName.
type Source struct{ state uint64 }

// NewSource starts a generator. The purpose ("layout", "quadrats plot 101 visit
// 3") separates streams that share a seed, so that drawing more of one thing
// never shifts another. An empty purpose gives plain SplitMix64 of the seed.
func NewSource(seed uint64, purpose string) *Source {
	if purpose == "" {
		return &Source{seed}
	}
	// FNV-1a, 64 bit, spelled out so that it can never change underneath.
	h := uint64(0xcbf29ce484222325)
	for i := range len(purpose) {
		h = (h ^ uint64(purpose[i])) * 0x100000001b3
	}
	return &Source{(&Source{seed ^ h}).Uint64()}
}

// Uint64 returns the next 64 bits.
func (s *Source) Uint64() uint64 {
	s.state += 0x9e3779b97f4a7c15
	z := s.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Below returns a whole number in [0, n), each equally likely: draws are masked
// to the bits n-1 needs and those too large are drawn again. n below 2 gives 0
// and draws nothing.
func (s *Source) Below(n int) int {
	if n < 2 {
		return 0
	}
	mask := uint64(1)<<bits.Len64(uint64(n-1)) - 1
	for {
		if v := s.Uint64() & mask; v < uint64(n) {
			return int(v)
		}
	}
}

// Perm returns the numbers 0..n-1 in random order, each order equally likely.
func (s *Source) Perm(n int) []int {
	p := make([]int, n)
	for i := range p {
		p[i] = i
	}
	for i := n - 1; i > 0; i-- {
		j := s.Below(i + 1)
		p[i], p[j] = p[j], p[i]
	}
	return p
}
