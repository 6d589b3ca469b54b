// Package classes tells plants apart: weeds, crop, regrowth of a cover crop and
// green that is no plant. A person names a few plants; what the named ones look
// like is learned, and every other bit of green in the photos of a visit gets a
// probability for each class.
//
// The package holds no pictures. What each bit of green looks like is measured
// once, with the photo, and kept as [Looks]; naming one more plant then sorts a
// whole season again without opening a photo.
//
// The steps: [Scale] makes the looks of a visit comparable whatever the light
// was, [Train] learns a ridge logistic regression from named plants,
// [Model.Classify] gives probabilities, averaged over the lobe and the piece a
// bit belongs to, [NextToName] says which plant would teach most, and
// [DrawChecks] draws random points for a person to judge, from which the honest
// areas are estimated.
package classes

import (
	"bytes"
	"compress/flate"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// Features of a block, in the order of Looks.Local, and of a lobe or a piece,
// in the order of Looks.LobeShape and Looks.PieceShape. Lengths and areas are
// logarithms, in cells.
var (
	LocalFeatures = []string{
		"red", "green", "blue", "excess-green", "brightness", // of the green cells in the block
		"fill-1", "brightness-1", "contrast-1", "excess-1", "red-1", "blue-1", // of the green around, at three widths
		"fill-2", "brightness-2", "contrast-2", "excess-2", "red-2", "blue-2",
		"fill-3", "brightness-3", "contrast-3", "excess-3", "red-3", "blue-3",
		"grain-1", "grain-2", // fine texture
		"vein-order-1", "vein-energy-1", "vein-order-2", "vein-energy-2", "vein-order-3", "vein-energy-3", // structure tensor of brightness
		"edge-order-1", "edge-energy-1", "edge-order-2", "edge-energy-2", "edge-order-3", "edge-energy-3", // and of the outline
		"depth", "thickness-1", "thickness-2", "thickness-3", "depth-2", "depth-3", // distance to the edge of the green
	}
	ShapeFeatures = []string{"area", "thickness", "mean-depth", "elongation", "compactness", "area-by-thickness"}
)

// Sizes of the feature lists.
var (
	nLocal = len(LocalFeatures)
	nShape = len(ShapeFeatures)
	nAll   = nLocal + 2*nShape
)

// Looks is what the green of one photo looks like. The ground is divided into
// square blocks of a few cells; every block that holds green is one bit, with
// features of its own, of the lobe it lies in (a piece cut at its waists) and
// of the whole connected piece. Features are kept in a byte each: feature k of
// value v is Lo[k] + v*Step[k].
type Looks struct {
	Side          int     // of a block, in cells of the plane
	Width, Height int     // of the plane, cells
	Blocks        []int32 // which blocks hold green: row by row, rising
	Lobe          []int32 // of each block, an index into LobePiece
	LobePiece     []int32 // of each lobe, the piece it is part of
	Lo, Step      []float32
	Local         []uint8 // blocks x LocalFeatures
	LobeShape     []uint8 // lobes x ShapeFeatures
	PieceShape    []uint8 // pieces x ShapeFeatures
	// Solid is, of each block, the number of green cells that are leaf for the
	// most part and not the rim of one; nil where that was not looked at.
	Solid []uint8
}

// Across is the number of blocks in a row of the ground.
func (l *Looks) Across() int { return (l.Width + l.Side - 1) / l.Side }

// Pieces is the number of connected pieces.
func (l *Looks) Pieces() int { return len(l.PieceShape) / nShape }

// Middle is the centre of a block in cells of the plane.
func (l *Looks) Middle(block int) (x, y float64) {
	at, across := int(l.Blocks[block]), l.Across()
	x0, y0 := at%across*l.Side, at/across*l.Side
	return float64(x0+min(x0+l.Side, l.Width)) / 2, float64(y0+min(y0+l.Side, l.Height)) / 2
}

// NewLooks stores features given as numbers: local for each block, lobe and
// piece shapes for each lobe and piece, row after row. A value that is not a
// number counts as the least.
func NewLooks(side, width, height int, blocks, lobe, lobePiece []int32, local, lobeShape, pieceShape []float32) (*Looks, error) {
	l := &Looks{Side: side, Width: width, Height: height, Blocks: blocks, Lobe: lobe, LobePiece: lobePiece,
		Lo: make([]float32, nAll), Step: make([]float32, nAll),
		Local: make([]uint8, len(local)), LobeShape: make([]uint8, len(lobeShape)), PieceShape: make([]uint8, len(pieceShape))}
	at := 0
	for _, part := range []struct {
		from []float32
		to   []uint8
		n    int
	}{{local, l.Local, nLocal}, {lobeShape, l.LobeShape, nShape}, {pieceShape, l.PieceShape, nShape}} {
		for k := range part.n {
			lo, hi := float32(math.Inf(1)), float32(math.Inf(-1))
			for i := k; i < len(part.from); i += part.n {
				if v := part.from[i]; v-v == 0 {
					lo, hi = min(lo, v), max(hi, v)
				}
			}
			if !(lo <= hi) {
				lo, hi = 0, 0
			}
			step := (hi - lo) / 255
			l.Lo[at+k], l.Step[at+k] = lo, step
			for i := k; i < len(part.from) && step > 0; i += part.n {
				if v := part.from[i]; v-v == 0 {
					part.to[i] = uint8(min(max((v-lo)/step+0.5, 0), 255))
				}
			}
		}
		at += part.n
	}
	return l, l.check()
}

// check tells whether everything fits together.
func (l *Looks) check() error {
	if l.Side < 1 || l.Side > 255 || l.Width < 1 || l.Height < 1 || l.Width*l.Height > maxCells || l.Width > maxCells || l.Height > maxCells ||
		len(l.Lo) != nAll || len(l.Step) != nAll || len(l.Lobe) != len(l.Blocks) || len(l.Local) != len(l.Blocks)*nLocal ||
		len(l.LobeShape) != len(l.LobePiece)*nShape || len(l.PieceShape)%nShape != 0 || l.Solid != nil && len(l.Solid) != len(l.Blocks) {
		return errLooks
	}
	all := int32(l.Across() * ((l.Height + l.Side - 1) / l.Side))
	for i, b := range l.Blocks {
		if b < 0 || b >= all || i > 0 && b <= l.Blocks[i-1] || l.Lobe[i] < 0 || int(l.Lobe[i]) >= len(l.LobePiece) {
			return errLooks
		}
	}
	for _, p := range l.LobePiece {
		if p < 0 || int(p) >= l.Pieces() {
			return errLooks
		}
	}
	for k := range l.Lo {
		if lo, step := l.Lo[k], l.Step[k]; lo-lo != 0 || step-step != 0 || step < 0 {
			return errLooks
		}
	}
	return nil
}

const (
	looksVersion = 2       // with solid cells; 1 had none
	maxCells     = 1 << 24 // of a plane
)

var errLooks = errors.New("stored looks of the plants are damaged: measure the photo again")

// MarshalBinary gives a compact form: version, sizes, the range of each
// feature, then blocks, lobes and features, one feature after another, under
// deflate (RFC 1951).
func (l Looks) MarshalBinary() ([]byte, error) {
	if err := l.check(); err != nil {
		return nil, err
	}
	head := []byte{looksVersion}
	if l.Solid == nil {
		head[0] = 1
	}
	for _, v := range []int{l.Side, l.Width, l.Height, len(l.Blocks), len(l.LobePiece), l.Pieces()} {
		head = binary.AppendUvarint(head, uint64(v))
	}
	for k := range l.Lo {
		head = binary.LittleEndian.AppendUint32(head, math.Float32bits(l.Lo[k]))
		head = binary.LittleEndian.AppendUint32(head, math.Float32bits(l.Step[k]))
	}
	var body []byte
	last := int32(0)
	for _, b := range l.Blocks {
		body = binary.AppendUvarint(body, uint64(b-last))
		last = b
	}
	last = 0
	for _, v := range l.Lobe {
		body = binary.AppendVarint(body, int64(v-last))
		last = v
	}
	for _, v := range l.LobePiece {
		body = binary.AppendUvarint(body, uint64(v))
	}
	for _, part := range l.parts() {
		for k := range part.n {
			for i := k; i < len(part.v); i += part.n {
				body = append(body, part.v[i])
			}
		}
	}
	body = append(body, l.Solid...)
	out := bytes.NewBuffer(head)
	w, err := flate.NewWriter(out, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(body); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

type part struct {
	v []uint8
	n int
}

func (l *Looks) parts() []part {
	return []part{{l.Local, nLocal}, {l.LobeShape, nShape}, {l.PieceShape, nShape}}
}

// UnmarshalBinary reads what MarshalBinary wrote and refuses anything else.
func (l *Looks) UnmarshalBinary(b []byte) error {
	if len(b) < 1 || b[0] < 1 || b[0] > looksVersion {
		return errLooks
	}
	version := b[0]
	b = b[1:]
	var size [6]int
	for i := range size {
		v, n := binary.Uvarint(b)
		if n <= 0 || v > maxCells {
			return errLooks
		}
		size[i], b = int(v), b[n:]
	}
	in := Looks{Side: size[0], Width: size[1], Height: size[2]}
	blocks, lobes, pieces := size[3], size[4], size[5]
	if in.Side < 1 || in.Width < 1 || in.Height < 1 || in.Width > maxCells || in.Height > maxCells || in.Width*in.Height > maxCells || len(b) < 8*nAll ||
		blocks > in.Across()*((in.Height+in.Side-1)/in.Side) || lobes > in.Width*in.Height || pieces > lobes {
		return errLooks
	}
	for range nAll {
		in.Lo = append(in.Lo, math.Float32frombits(binary.LittleEndian.Uint32(b)))
		in.Step = append(in.Step, math.Float32frombits(binary.LittleEndian.Uint32(b[4:])))
		b = b[8:]
	}
	bytesOf := blocks*nLocal + (lobes+pieces)*nShape
	if version > 1 {
		bytesOf += blocks
	}
	most := bytesOf + 5*(2*blocks+lobes)
	body, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(b)), int64(most)+1))
	if err != nil || len(body) > most {
		return errLooks
	}
	damaged := false
	next := func() int32 {
		v, n := binary.Uvarint(body)
		if n <= 0 || v > maxCells {
			damaged = true
			return 0
		}
		body = body[n:]
		return int32(v)
	}
	// Lists grow as they are read, so that a short file claiming much gets little.
	last := int32(0)
	for i := 0; i < blocks && !damaged; i++ {
		last += next()
		in.Blocks = append(in.Blocks, last)
	}
	last = 0
	for i := 0; i < blocks && !damaged; i++ {
		v, n := binary.Varint(body)
		if n <= 0 || v > maxCells || v < -maxCells {
			return errLooks
		}
		body = body[n:]
		last += int32(v)
		in.Lobe = append(in.Lobe, last)
	}
	for i := 0; i < lobes && !damaged; i++ {
		in.LobePiece = append(in.LobePiece, next())
	}
	if damaged || len(body) != bytesOf {
		return errLooks
	}
	in.Local, in.LobeShape, in.PieceShape = make([]uint8, blocks*nLocal), make([]uint8, lobes*nShape), make([]uint8, pieces*nShape)
	for _, part := range in.parts() {
		for k := range part.n {
			for i := k; i < len(part.v); i += part.n {
				part.v[i], body = body[0], body[1:]
			}
		}
	}
	if version > 1 {
		in.Solid = append([]uint8{}, body...)
	}
	if err := in.check(); err != nil {
		return err
	}
	*l = in
	return nil
}

// MarshalText is MarshalBinary in base64, for JSON.
func (l Looks) MarshalText() ([]byte, error) {
	b, err := l.MarshalBinary()
	if err != nil {
		return nil, err
	}
	return base64.StdEncoding.AppendEncode(nil, b), nil
}

// UnmarshalText reads what MarshalText wrote.
func (l *Looks) UnmarshalText(text []byte) error {
	b, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("stored looks are not base64 (%w): measure the photo again", err)
	}
	return l.UnmarshalBinary(b)
}

// Outside marks a cell of a plane that does not belong to the ground.
const Outside = 255

// Green is which bit every green cell of a photo belongs to at the threshold
// of its visit.
type Green struct {
	// Cells is the number of green cells of each block of the looks.
	Cells []int32
	// All is the number of measured cells, green or not.
	All int
	// owner is the block of the looks, counted from 1, for each block of the
	// ground; 0 where no green was seen when the looks were taken.
	owner []int32
}

// Green counts the green cells of each block: cells whose level is at least
// least, of a plane as the looks were taken from. Green in a block that held
// none when the looks were taken goes to the nearest that did.
func (l *Looks) Green(levels []uint8, least uint8) (*Green, error) {
	if len(levels) != l.Width*l.Height {
		return nil, errors.New("looks and plane of a photo do not fit together: measure the photo again")
	}
	across, down := l.Across(), (l.Height+l.Side-1)/l.Side
	g := &Green{Cells: make([]int32, len(l.Blocks)), owner: make([]int32, across*down)}
	for i, b := range l.Blocks {
		g.owner[b] = int32(i + 1)
	}
	counts := make([]int32, across*down)
	for y := range l.Height {
		row := levels[y*l.Width:][:l.Width]
		line := counts[y/l.Side*across:][:across]
		for x, v := range row {
			if v == Outside {
				continue
			}
			g.All++
			if v >= least {
				line[x/l.Side]++
			}
		}
	}
	if len(l.Blocks) > 0 {
		spread(g.owner, across, down)
	}
	for i, n := range counts {
		if o := g.owner[i]; o > 0 {
			g.Cells[o-1] += n
		}
	}
	return g, nil
}

// spread gives every block without an owner that of the nearest, step by step
// over the four sides.
func spread(owner []int32, across, down int) {
	queue := make([]int32, 0, len(owner))
	for i, o := range owner {
		if o > 0 {
			queue = append(queue, int32(i))
		}
	}
	for at := 0; at < len(queue); at++ {
		i := int(queue[at])
		x, y := i%across, i/across
		give := func(ok bool, j int) {
			if ok && owner[j] == 0 {
				owner[j] = owner[i]
				queue = append(queue, int32(j))
			}
		}
		give(x > 0, i-1)
		give(x+1 < across, i+1)
		give(y > 0, i-across)
		give(y+1 < down, i+across)
	}
}

// At is the block of the looks that the green at a cell belongs to, or -1
// where the photo holds no green at all.
func (g *Green) At(l *Looks, x, y int) int {
	if x < 0 || y < 0 || x >= l.Width || y >= l.Height {
		return -1
	}
	return int(g.owner[y/l.Side*l.Across()+x/l.Side]) - 1
}

// Total is the number of green cells.
func (g *Green) Total() int {
	n := 0
	for _, c := range g.Cells {
		n += int(c)
	}
	return n
}
