package status

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/vision/classes"
)

// Plants is how far the plants of a trial are told apart.
type Plants struct {
	Next   []PlantAsk          `json:"next"` // plants that would teach most
	Visits []season.PlantVisit `json:"visits"`
}

// PlantAsk is a plant to be named next.
type PlantAsk struct {
	Photo  string  `json:"photo"`
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Visit  int     `json:"visit"`
	Best   string  `json:"best"`
	Second string  `json:"second"`
	Margin float64 `json:"margin"`
}

// PlantsOf reads it from the record, with so many plants to be named next in
// each visit; visit 0 is all of them.
func PlantsOf(ctx context.Context, s *season.Season, snap *record.Snapshot, visit, next int) (Plants, error) {
	out := Plants{Visits: season.PlantVisits(snap)}
	if visit != 0 {
		out.Visits = slices.DeleteFunc(out.Visits, func(v season.PlantVisit) bool { return v.Visit != visit })
	}
	for _, v := range out.Visits {
		if v.Sorted == 0 || next < 1 {
			continue
		}
		asks, err := s.NextToName(ctx, snap, v.Visit, next)
		if err != nil && !errors.Is(err, classes.ErrFewNames) {
			return out, err
		}
		for _, n := range asks {
			out.Next = append(out.Next, PlantAsk{photoName(snap, n.Photo), n.X, n.Y, v.Visit, n.Best.Name, n.Second.Name, n.Margin})
		}
	}
	return out, nil
}

// photoName is the file name of a photo, or its path where two share it.
func photoName(snap *record.Snapshot, p *record.Photo) string {
	name := filepath.Base(p.Path)
	for i := range snap.Photos {
		if q := &snap.Photos[i]; q.Hash != p.Hash && filepath.Base(q.Path) == name {
			return p.Path
		}
	}
	return name
}

// WriteText writes it for the screen.
func (p Plants) WriteText(w io.Writer) error {
	var b strings.Builder
	if len(p.Visits) == 0 {
		b.WriteString("no photo is in use yet: `quadtally photos` takes a folder in\n")
	}
	for _, v := range p.Visits {
		var named []string
		total := 0
		for _, c := range slices.Sorted(maps.Keys(v.Named)) {
			named = append(named, fmt.Sprintf("%s %d", c, v.Named[c]))
			total += v.Named[c]
		}
		fmt.Fprintf(&b, "visit %d: %s named", v.Visit, wording.Plural(total, "plant"))
		if total > 0 {
			fmt.Fprintf(&b, " (%s)", strings.Join(named, ", "))
		}
		if v.Sorted > 0 {
			fmt.Fprintf(&b, "; %d of %s told apart, sure to %.0f %%", v.Sorted, wording.Plural(v.Photos, "photo"), 100*v.Sure)
		}
		if v.Borrowed {
			b.WriteString(", by the plants of other visits too")
		}
		fmt.Fprintf(&b, "; %d of %s answered\n", v.Done, wording.Plural(v.Drawn, "check point"))
		for _, l := range v.Lacks {
			fmt.Fprintf(&b, "  lacking: %s\n", l.Words())
		}
		for _, m := range v.Missed {
			fmt.Fprintf(&b, "  no green at a named plant: %s\n", m)
		}
	}
	if len(p.Next) > 0 {
		b.WriteString("to name next:\n")
	}
	for _, n := range p.Next {
		fmt.Fprintf(&b, "  visit %d  %s  at %.0f, %.0f: %s or %s\n", n.Visit, n.Photo, n.X, n.Y, n.Best, n.Second)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// WriteChecks writes check points as the CSV in which they are answered.
func WriteChecks(w io.Writer, snap *record.Snapshot, points []season.CheckSpot) error {
	c := csv.NewWriter(w)
	c.Write([]string{"photo", "x", "y", "class"})
	for _, p := range points {
		c.Write([]string{photoName(snap, p.Photo), strconv.FormatFloat(p.X, 'f', 1, 64), strconv.FormatFloat(p.Y, 'f', 1, 64), ""})
	}
	c.Flush()
	return c.Error()
}

// StoredText says what storing a file of named plants or answers did; what is
// one of them.
func StoredText(file, what string, given int, s season.StoredSpots) string {
	text := fmt.Sprintf("%s: %s, %d of them new", file, wording.Plural(given, what), s.New)
	if s.Changed > 0 {
		text += fmt.Sprintf(", %d of another class than before", s.Changed)
	}
	if s.Withdrawn > 0 {
		text += fmt.Sprintf("; %d that its former version gave withdrawn", s.Withdrawn)
	}
	return text
}
