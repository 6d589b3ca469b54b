package report

import (
	"io"

	"quadtally/cmd/quadtally/internal/analysis"
)

// WriteChecked says before a comparison how its covers by class were come by,
// and first of all where photos and person differ by another amount in one
// treatment than in another.
func WriteChecked(w io.Writer, list []analysis.Checked, opt TextOptions) error {
	t := compareText{opt: opt}
	t.said("", "Told apart by named plants, corrected by check points that a person answered; their uncertainty is in every interval and test.")
	for _, shown := range []bool{true, false} {
		for _, c := range list {
			if c.Shown == shown {
				t.said(map[bool]string{true: "  ! ", false: "  - "}[shown], c.Words())
			}
		}
	}
	t.line("")
	_, err := w.Write(t.b.Bytes())
	return err
}
