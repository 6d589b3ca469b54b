package main

import (
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/tables"
)

// readPhotoSheet reads which photo is which. Without a sheet there is nothing
// to read.
func (a *app) readPhotoSheet(path string) ([]intake.SheetRow, error) {
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
	var out []intake.SheetRow
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
		photo := strings.TrimSpace(row.Cells[pc].Text)
		if photo == "" || row.Cells[plc].Text == "" {
			continue
		}
		out = append(out, intake.SheetRow{Line: row.Line, Path: photo, Spot: intake.Spot{Plot: row.Cells[plc].Text,
			Quadrat: int(number["quadrat"][row.Line].Number), Visit: int(number["visit"][row.Line].Number)}})
	}
	return out, nil
}
