package vision

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
)

// Curve is the cover curve of a photo: how many cells of the measured ground
// have which greenness; faint green that is no plant (see dropUnconnected) stands with
// the bare ground. From it cover follows for any threshold without the
// photo. Curves of one index add up, so a visit can be pooled in any order and
// from several machines.
type Curve struct {
	Index  Index
	Counts [256]uint32 // cells by index code; code c covers [lo+c*step, lo+(c+1)*step)
}

// Cells is the number of cells counted.
func (c *Curve) Cells() uint64 {
	var n uint64
	for _, v := range c.Counts {
		n += uint64(v)
	}
	return n
}

// CoverFrac is the share of cells at or above a threshold, in [0, 1]. The
// threshold snaps to the nearest code edge. A curve without cells gives 0.
func (c *Curve) CoverFrac(threshold float64) float64 {
	s, err := c.Index.scale()
	n := c.Cells()
	if err != nil || n == 0 {
		return 0
	}
	var green uint64
	for _, v := range c.Counts[s.nearest(threshold):] {
		green += uint64(v)
	}
	return float64(green) / float64(n)
}

// shareBelow is the share of cells below an index value, 0 for a curve without
// cells.
func (c *Curve) shareBelow(value float64) float64 {
	s, err := c.Index.scale()
	n := c.Cells()
	if err != nil || n == 0 {
		return 0
	}
	var below uint64
	for _, v := range c.Counts[:s.nearest(value)] {
		below += uint64(v)
	}
	return float64(below) / float64(n)
}

// curveVersion is the first byte of a stored curve.
const curveVersion = 2

// MarshalBinary gives a compact form: version, index name, counts as variable
// length integers with runs of zeros shortened; a few hundred bytes.
func (c Curve) MarshalBinary() ([]byte, error) {
	if _, err := c.Index.scale(); err != nil {
		return nil, err
	}
	out := []byte{curveVersion, byte(len(c.Index))}
	out = append(out, c.Index...)
	for i := 0; i < len(c.Counts); i++ {
		out = binary.AppendUvarint(out, uint64(c.Counts[i]))
		if c.Counts[i] == 0 {
			run := 0 // further zeros after this one
			for i+1 < len(c.Counts) && c.Counts[i+1] == 0 {
				i++
				run++
			}
			out = binary.AppendUvarint(out, uint64(run))
		}
	}
	return out, nil
}

var errCurve = errors.New("stored cover curve is damaged: measure the photo again")

// storedIndex reads the beginning of a stored curve or plane, its version and
// the length and name of its index, and gives what follows. damaged is the
// answer to anything else.
func storedIndex(b []byte, version byte, damaged error) (x Index, rest []byte, err error) {
	if len(b) < 2 || b[0] != version || len(b)-2 < int(b[1]) {
		return "", nil, damaged
	}
	end := 2 + int(b[1])
	x = Index(b[2:end])
	_, err = x.scale()
	return x, b[end:], err
}

// UnmarshalBinary reads what MarshalBinary wrote and refuses anything else.
func (c *Curve) UnmarshalBinary(b []byte) error {
	x, b, err := storedIndex(b, curveVersion, errCurve)
	if err != nil {
		return err
	}
	in := Curve{Index: x}
	next := func(limit uint64) (uint64, bool) {
		v, n := binary.Uvarint(b)
		if n <= 0 || v > limit {
			return 0, false
		}
		b = b[n:]
		return v, true
	}
	for i := 0; i < len(in.Counts); i++ {
		v, ok := next(1<<32 - 1)
		if !ok {
			return errCurve
		}
		in.Counts[i] = uint32(v)
		if v == 0 {
			run, ok := next(uint64(len(in.Counts) - 1 - i))
			if !ok {
				return errCurve
			}
			i += int(run)
		}
	}
	if len(b) != 0 {
		return errCurve
	}
	*c = in
	return nil
}

// MarshalText is MarshalBinary in base64, for JSON and tables.
func (c Curve) MarshalText() ([]byte, error) { return toText(c) }

// UnmarshalText reads what MarshalText wrote.
func (c *Curve) UnmarshalText(text []byte) error { return fromText(text, c) }

func toText(m interface{ MarshalBinary() ([]byte, error) }) ([]byte, error) {
	b, err := m.MarshalBinary()
	if err != nil {
		return nil, err
	}
	return base64.StdEncoding.AppendEncode(nil, b), nil
}

func fromText(text []byte, m interface{ UnmarshalBinary([]byte) error }) error {
	b, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("stored value is not base64 (%w): measure the photo again", err)
	}
	return m.UnmarshalBinary(b)
}

// pool adds the curves of one index up.
func pool(curves []Curve) (Index, []uint64, error) {
	sum := make([]uint64, 256)
	if len(curves) == 0 {
		return "", nil, errors.New("no photo to take a threshold from: give at least one cover curve")
	}
	x := curves[0].Index
	for _, c := range curves {
		if c.Index != x {
			return "", nil, fmt.Errorf("curves of %q and %q cannot share a threshold: measure all photos with one index", x, c.Index)
		}
		for i, v := range c.Counts {
			sum[i] += uint64(v)
		}
	}
	return x, slices.Clip(sum), nil
}
