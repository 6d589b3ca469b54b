package season

import (
	"context"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision/classes"
)

// PlantSorter is what was learned to tell the plants of one visit apart. It
// holds as long as Snapshot.SortingRests says the same of the visit.
type PlantSorter struct{ model *plantModel }

// PlantSorter learns the classes of a visit. [classes.ErrFewNames] says that
// nothing can be told apart yet.
func (s *Season) PlantSorter(ctx context.Context, snap *record.Snapshot, visit int) (*PlantSorter, error) {
	model, err := s.learnPlants(ctx, snap, visit)
	if err != nil {
		return nil, err
	}
	return &PlantSorter{model}, nil
}

// SortedCells tells, cell by cell of a photo's plane, which class its green is
// sorted into: 0 no green, c + 1 the c-th of the classes returned. A photo whose
// looks were not kept has no cells.
func (s *Season) SortedCells(ctx context.Context, p *record.Photo, by *PlantSorter) (cells []uint8, of []record.PlantClass, err error) {
	for _, c := range by.model.classes {
		of = append(of, record.PlantClass{Name: c.Name, Role: string(c.Role)})
	}
	if !p.HasLooks || p.Result == nil || p.Fault != "" {
		return nil, of, nil
	}
	m, g, err := s.loadLooks(ctx, p)
	if err != nil {
		return nil, nil, err
	}
	least, err := m.Plane.LeastGreen(p.Result.Threshold)
	if err != nil {
		return nil, nil, err
	}
	sorted := by.model.model.Classify(classes.Photo{Looks: m.Looks, Green: g, Scale: by.model.scale})
	cells = make([]uint8, len(m.Plane.Levels))
	for i, level := range m.Plane.Levels {
		if level < least || level == classes.Outside {
			continue
		}
		if b := g.At(m.Looks, i%m.Plane.Width, i/m.Plane.Width); b >= 0 {
			cells[i] = sorted.Class[b] + 1
		}
	}
	return cells, of, nil
}
