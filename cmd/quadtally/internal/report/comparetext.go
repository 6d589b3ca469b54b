package report

import (
	"fmt"
	"io"

	"quadtally/stats"
)

// TextOptions choose how much of a comparison is written.
type TextOptions struct {
	Full bool // with the full tables
}

// WriteComparison writes a comparison for a person.
func WriteComparison(w io.Writer, a stats.Analysis, opt TextOptions) error {
	for _, v := range a.Verdict {
		fmt.Fprintln(w, v)
	}
	for _, t := range a.Treatments {
		if t.Back != nil {
			fmt.Fprintf(w, "%-12s %8.2f %s\n", t.Treatment, *t.Back, t.Letters)
		}
	}
	return nil
}

// WriteSeason writes a comparison over the season for a person.
func WriteSeason(w io.Writer, s stats.Season, opt TextOptions) error {
	return WriteComparison(w, s.PeriodMean, opt)
}
