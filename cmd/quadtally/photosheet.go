package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/tables"
)

// readPhotoSheet reads which photo is which, by lower-case file name. Without a
// sheet there is nothing to read.
func (a *app) readPhotoSheet(path string) (map[string]intake.Spot, error) {
	if path == "" {
		return nil, nil
	}
	s, err := a.readSheet(path)
	if err != nil {
		return nil, err
	}
	pc, plc := s.Column("photo", "file", "image", "file name"), s.Column("plot")
	if pc < 0 || plc < 0 {
		return nil, s.MissingColumn("the photo's file name and the plot")
	}
	out := map[string]intake.Spot{}
	number := map[string]map[int]tables.Value{}
	for _, name := range []string{"quadrat", "visit"} {
		if c := s.Column(name); c >= 0 {
			values, faults := s.NumbersByLine(c, tables.Undecided)
			for _, x := range faults {
				a.note("%s", s.FaultText(x))
			}
			number[name] = values
		}
	}
	for _, row := range s.Rows {
		key := strings.ToLower(filepath.Base(row.Cells[pc].Text))
		if key == "." || row.Cells[plc].Text == "" {
			continue
		}
		spot := intake.Spot{Plot: row.Cells[plc].Text, Quadrat: int(number["quadrat"][row.Line].Number), Visit: int(number["visit"][row.Line].Number)}
		if was, dup := out[key]; dup && was != spot {
			return nil, fmt.Errorf("%s names photo %s twice and differently: keep one row", s.Where(row.Line), row.Cells[pc].Text)
		}
		out[key] = spot
	}
	return out, nil
}
