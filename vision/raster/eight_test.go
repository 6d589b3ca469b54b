package raster

import "testing"

// TestEight: bytes stand in order, and what is missing is as told.
func TestEight(t *testing.T) {
	row := []byte{1, 130, 3, 255, 5, 6, 128, 8, 9}
	for n := range len(row) + 1 {
		got := Eight(row[:n], 200)
		for k := range 8 {
			want := byte(200)
			if k < n {
				want = row[k]
			}
			if b := byte(got >> (8 * k)); b != want {
				t.Errorf("%d bytes, the %d-th: %d, want %d", n, k, b, want)
			}
			if top := TopBits(got)>>k&1 == 1; top != (want >= 128) {
				t.Errorf("%d bytes, top bit of the %d-th: %v", n, k, top)
			}
		}
	}
}
