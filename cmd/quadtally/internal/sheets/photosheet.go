package sheets

import (
	"fmt"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/tables"
)

// PhotoRows reads a table that says which photo is which. Rows without a photo
// or a plot are passed over; a number that cannot be read, or is not whole, is a
// fault, and its quadrat or visit stays open.
func PhotoRows(s *tables.Sheet) (rows []intake.SheetRow, faults []tables.Fault, err error) {
	photo, plot := s.Column("photo", "file", "image", "file name"), s.Column("plot")
	if photo < 0 || plot < 0 {
		return nil, nil, s.MissingColumn("the photo's file name and the plot")
	}
	numbers := map[string]map[int]int{"quadrat": {}, "visit": {}}
	for _, name := range []string{"quadrat", "visit"} {
		if c := s.Column(name); c >= 0 {
			values, wrong := s.Numbers(c, tables.Undecided)
			faults = append(faults, wrong...)
			for _, v := range values {
				if n := int(v.Number); float64(n) == v.Number {
					numbers[name][v.Line] = n
				} else {
					faults = append(faults, tables.Fault{Line: v.Line, Text: fmt.Sprintf("column %q holds %v where a whole number belongs", s.Header[c], v.Number)})
				}
			}
		}
	}
	for _, row := range s.Rows {
		path := strings.TrimSpace(row.Cells[photo].Text)
		if path == "" || row.Cells[plot].Text == "" {
			continue
		}
		rows = append(rows, intake.SheetRow{Line: row.Line, Path: path, Spot: intake.Spot{Plot: row.Cells[plot].Text,
			Quadrat: numbers["quadrat"][row.Line], Visit: numbers["visit"][row.Line]}})
	}
	return rows, faults, nil
}
