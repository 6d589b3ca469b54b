package vision

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// Plane is the measured ground straightened to square cells, each with its
// greenness in a few dozen levels between the guards of the threshold. Masks,
// outlines and pieces at any threshold a visit can have follow from it exactly
// and without the photo.
type Plane struct {
	Index         Index
	Width, Height int
	// MMPerCell is the side of a cell in millimetres; 0 where the photo has no
	// scale.
	MMPerCell float64
	// ToPhoto maps cell coordinates (cell centres at half-integers) to pixels
	// of the upright full-size photo: a 3x3 projective matrix, row-major.
	ToPhoto frame.Homography
	// Levels is row-major: 0 below the low guard, k where the index is at or
	// above the k-th threshold of the grid, Outside for ground not measured.
	Levels []uint8
}

// Outside marks a cell that does not belong to the measured ground.
const Outside = 255

// At maps a position on the plane, in cells, to the upright full-size photo.
func (p *Plane) At(x, y float64) raster.Point {
	return p.ToPhoto.Apply(raster.Point{X: x, Y: y})
}

// grid is the level grid of an index: thresholds at codes first..last.
func (x Index) grid() (first, last int, err error) {
	s, err := x.scale()
	return s.nearest(s.low), s.nearest(s.high), err
}

// level is the lowest level that counts as green at a threshold.
func (p *Plane) level(threshold float64) (uint8, error) {
	s, err := p.Index.scale()
	if err != nil {
		return 0, err
	}
	first, last, _ := p.Index.grid()
	c := s.nearest(threshold)
	if math.IsNaN(threshold) || c < first || c > last {
		return 0, fmt.Errorf("threshold %g is outside %g to %g, the range kept for %s: choose one inside", threshold, s.low, s.high, p.Index)
	}
	return uint8(c - first + 1), nil
}

// Mask is true for green cells at a threshold, row-major. Cells outside the
// measured ground are false. A threshold outside the guards is an error.
func (p *Plane) Mask(threshold float64) ([]bool, error) {
	l, err := p.level(threshold)
	if err != nil {
		return nil, err
	}
	mask := make([]bool, len(p.Levels))
	for i, v := range p.Levels {
		mask[i] = v >= l && v != Outside
	}
	return mask, nil
}

// CoverFrac is the green share of the measured cells at a threshold, in [0,1].
func (p *Plane) CoverFrac(threshold float64) (float64, error) {
	l, err := p.level(threshold)
	if err != nil {
		return 0, err
	}
	var green, all int
	for _, v := range p.Levels {
		if v == Outside {
			continue
		}
		all++
		if v >= l {
			green++
		}
	}
	if all == 0 {
		return 0, nil
	}
	return float64(green) / float64(all), nil
}

const (
	planeVersion = 2
	// maxPlaneCells bounds what a stored plane may claim to be.
	maxPlaneCells = 1 << 24
)

// MarshalBinary compresses the plane: a header, then runs of equal levels
// under deflate (RFC 1951).
func (p Plane) MarshalBinary() ([]byte, error) {
	if len(p.Levels) != p.Width*p.Height {
		return nil, errPlane
	}
	var out bytes.Buffer
	out.Write([]byte{planeVersion, byte(len(p.Index))})
	out.WriteString(string(p.Index))
	head := binary.AppendUvarint(nil, uint64(p.Width))
	head = binary.AppendUvarint(head, uint64(p.Height))
	for _, v := range append([]float64{p.MMPerCell}, p.ToPhoto[:]...) {
		head = binary.LittleEndian.AppendUint64(head, math.Float64bits(v))
	}
	out.Write(head)
	// Runs hold little that repeats: to look for it takes ten times as long and
	// saves a tenth of the bytes at most.
	w, err := flate.NewWriter(&out, flate.HuffmanOnly)
	if err != nil {
		return nil, err
	}
	var runs []byte
	for i := 0; i < len(p.Levels); {
		j := i + 1
		for j < len(p.Levels) && p.Levels[j] == p.Levels[i] && j-i < 256 {
			j++
		}
		runs = append(runs, p.Levels[i], byte(j-i-1))
		i = j
	}
	if _, err := w.Write(runs); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

var errPlane = errors.New("stored greenness plane is damaged: measure the photo again")

// UnmarshalBinary reads what MarshalBinary wrote and refuses anything else.
func (p *Plane) UnmarshalBinary(b []byte) error {
	x, b, err := storedIndex(b, planeVersion, errPlane)
	if err != nil {
		return err
	}
	in := Plane{Index: x}
	var size [2]int
	for i := range size {
		v, n := binary.Uvarint(b)
		if n <= 0 || v > maxPlaneCells {
			return errPlane
		}
		size[i], b = int(v), b[n:]
	}
	in.Width, in.Height = size[0], size[1]
	if in.Width < 1 || in.Height < 1 || in.Width*in.Height > maxPlaneCells || len(b) < 80 {
		return errPlane
	}
	var reals [10]float64
	for i := range reals {
		reals[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
		if math.IsNaN(reals[i]) || math.IsInf(reals[i], 0) {
			return errPlane
		}
	}
	in.MMPerCell = reals[0]
	copy(in.ToPhoto[:], reals[1:])
	n := in.Width * in.Height
	runs, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(b[80:])), int64(2*n+2)))
	if err != nil || len(runs)%2 != 0 {
		return errPlane
	}
	in.Levels = make([]uint8, 0, n)
	for i := 0; i < len(runs); i += 2 {
		if len(in.Levels)+int(runs[i+1])+1 > n {
			return errPlane
		}
		for range int(runs[i+1]) + 1 {
			in.Levels = append(in.Levels, runs[i])
		}
	}
	if len(in.Levels) != n {
		return errPlane
	}
	*p = in
	return nil
}

// MarshalText is MarshalBinary in base64, for JSON.
func (p Plane) MarshalText() ([]byte, error) { return toText(p) }

// UnmarshalText reads what MarshalText wrote.
func (p *Plane) UnmarshalText(text []byte) error { return fromText(text, p) }
