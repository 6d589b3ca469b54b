package vision

import (
	"errors"
	"image"
	"image/color"
	"math"

	"quadtally/vision/classes"
	"quadtally/vision/raster"
)

var errNoLooks = errors.New("the looks of the plants were not kept with this photo: measure it again")

// Green is the green of a measured photo at a threshold, counted over the
// blocks of its looks. The measurement needs its plane and its looks.
func (m *Measurement) Green(threshold float64) (*classes.Green, error) {
	if m.Plane == nil || m.Looks == nil {
		return nil, errNoLooks
	}
	least, err := m.Plane.level(threshold)
	if err != nil {
		return nil, err
	}
	return m.Looks.Green(m.Plane.Levels, least)
}

// LeastGreen is the lowest level of the plane that counts as green at a
// threshold.
func (p *Plane) LeastGreen(threshold float64) (uint8, error) { return p.level(threshold) }

// Cell is the place on the plane, in cells, of a place in the upright
// full-size photo.
func (p *Plane) Cell(at raster.Point) (x, y float64, err error) {
	back, err := p.ToPhoto.Inverse()
	if err != nil {
		return 0, 0, errPlane
	}
	q := back.Apply(at)
	return q.X, q.Y, nil
}

// ClassPicture draws the classes of a photo's green in the size of the upright
// photo: 0 for ground and for what was not measured, and code[c] for green of
// class c. The class of each block is given by sorted.
func ClassPicture(m Measurement, threshold float64, g *classes.Green, sorted *classes.Sorted, code []uint8) (*image.Gray, error) {
	if m.Plane == nil || m.Looks == nil {
		return nil, errNoLooks
	}
	p := m.Plane
	least, err := p.level(threshold)
	if err != nil {
		return nil, err
	}
	back, err := p.ToPhoto.Inverse()
	if err != nil {
		return nil, errPlane
	}
	cells := make([]uint8, len(p.Levels))
	for i, l := range p.Levels {
		if l < least || l == Outside {
			continue
		}
		if b := g.At(m.Looks, i%p.Width, i/p.Width); b >= 0 {
			cells[i] = code[sorted.Class[b]]
		}
	}
	img := image.NewGray(image.Rect(0, 0, m.Width, m.Height))
	for y := range m.Height {
		for x := range m.Width {
			q := back.Apply(raster.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			cx, cy := math.Floor(q.X), math.Floor(q.Y)
			if cx >= 0 && cy >= 0 && cx < float64(p.Width) && cy < float64(p.Height) {
				if v := cells[int(cy)*p.Width+int(cx)]; v > 0 {
					img.SetGray(x, y, color.Gray{Y: v})
				}
			}
		}
	}
	return img, nil
}

// PiecesByClass counts the pieces of green of each class that are no specks. A
// piece is of the class that most of it was sorted into.
func (m *Measurement) PiecesByClass(threshold float64, opt PieceOptions, g *classes.Green, sorted *classes.Sorted) ([]int, error) {
	if m.Plane == nil || m.Looks == nil {
		return nil, errNoLooks
	}
	p := m.Plane
	least, err := p.level(threshold)
	if err != nil {
		return nil, err
	}
	runs := greenRuns(p.Levels, p.Width, least)
	n := connect(runs)
	of := make([]int, n*sorted.Classes)
	for _, r := range runs {
		for x := r.from; x < r.end; x++ {
			if b := g.At(m.Looks, int(x), int(r.y)); b >= 0 {
				of[int(r.piece-1)*sorted.Classes+int(sorted.Class[b])]++
			}
		}
	}
	out := make([]int, sorted.Classes)
	area := p.MMPerCell * p.MMPerCell
	for i := range n {
		cells, best := 0, 0
		for c, k := range of[i*sorted.Classes:][:sorted.Classes] {
			cells += k
			if k > of[i*sorted.Classes+best] {
				best = c
			}
		}
		if area > 0 && float64(cells)*area < opt.MinAreaMM2 || area == 0 && cells < opt.MinCells || cells == 0 {
			continue
		}
		out[best]++
	}
	return out, nil
}
