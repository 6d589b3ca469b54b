package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/png"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/vision/classes"
)

// classFlags are those that tell plants apart.
type classFlags struct {
	named, masks, answers string
	ask                   int
	seed                  uint64
}

const classHelp = `With --named the green is told apart by plants named in a CSV file (photo, x, y
in pixels of the upright photo, class: weed, crop, regrowth, not a plant, or a
kind such as "weed: sedge"; about 30 from many photos do well). An honest figure
for all photos needs check points: --ask 100 draws them, a person fills in their
class, and --answers gives each class its cover with a 90 % range.
`

func (f *classFlags) define(fl *pflag.FlagSet) {
	fl.StringVar(&f.named, "named", "", "tell the green apart by the plants named in this CSV `file`: photo,x,y,class")
	fl.StringVar(&f.masks, "masks", "", "with --named: write one picture of the classes a photo into this `folder`")
	fl.IntVar(&f.ask, "ask", 0, "write this `number` of random check points to answer, as CSV, instead of the measurements")
	fl.Uint64Var(&f.seed, "seed", 1, "with --ask: of the random draw")
	fl.StringVar(&f.answers, "answers", "", "with --named: answered check points, a CSV `file`; ends with the cover of each class over all photos")
}

// check tells which flags do not go together.
func (f *classFlags) check(fl *pflag.FlagSet) error {
	switch {
	case fl.Changed("ask") && f.ask < 1:
		return usagef("--ask %d: say how many check points to draw, such as --ask 100", f.ask)
	case fl.Changed("seed") && f.ask == 0:
		return usagef("--seed is of the draw of check points: give it with --ask")
	case f.ask > 0 && f.answers != "":
		return usagef("--ask and --answers exclude each other: answer the points first")
	case f.named == "" && f.masks != "":
		return usagef("--masks draws the classes of --named: name some plants first")
	case f.answers != "" && fl.Changed("csv"):
		return usagef("--answers ends with figures for all photos together, which have no row in a CSV: give --json, or neither")
	case f.named == "" && f.answers != "":
		return usagef("--answers corrects what --named sorted: name some plants first")
	}
	return nil
}

func (f *classFlags) wanted() bool { return f.named != "" || f.ask > 0 }

// classLine is one class in one line of `measure`.
type classLine struct {
	Name     string       `json:"name"`
	Role     classes.Role `json:"role"`
	Code     uint8        `json:"code"`
	CoverPct float64      `json:"cover_pct"`
	RangePct [2]float64   `json:"cover_range_pct"`
	Pieces   int          `json:"pieces"`
	Sure     float64      `json:"sure"`
}

func (c classLine) text() string {
	if c.CoverPct == 0 {
		return fmt.Sprintf("%s: none", c.Name)
	}
	return fmt.Sprintf("%s: %.1f %% (%.1f-%.1f), %s, sure to %.0f %%", c.Name, c.CoverPct, c.RangePct[0], c.RangePct[1], plural(c.Pieces, "piece"), 100*c.Sure)
}

// classNames lists the classes of all lines in their order.
func classNames(lines []measured) []string {
	var out []string
	for _, l := range lines {
		for _, c := range l.Classes {
			if !slices.Contains(out, c.Name) {
				out = append(out, c.Name)
			}
		}
	}
	return out
}

func classCells(names []string, have []classLine) []any {
	var out []any
	for _, n := range names {
		i := slices.IndexFunc(have, func(c classLine) bool { return c.Name == n })
		if i < 0 {
			out = append(out, nil, nil, nil, nil, nil)
			continue
		}
		c := have[i]
		out = append(out, c.CoverPct, c.RangePct[0], c.RangePct[1], c.Pieces, c.Sure)
	}
	return out
}

// tellApart sorts the green of photos by named plants and fills it into their
// lines. Without --named it only takes the green, to draw check points from.
func (a *app) tellApart(f *classFlags, out *season.Loose, lines []measured) (*season.LooseClasses, error) {
	if f.named == "" {
		return out.GreenOnly()
	}
	named, _, err := a.readSpots(f.named, classes.ParseClass)
	if err != nil {
		return nil, err
	}
	told, err := out.TellApart(named, season.TellApartOptions{Train: classes.DefaultTrainOptions(), Level: 0.9})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Base(f.named), err)
	}
	for _, n := range told.Notes {
		a.note("note: %s", n)
	}
	if f.ask > 0 {
		return told, nil
	}
	at := map[string]int{}
	for i := range lines {
		at[lines[i].File] = i
	}
	written := 0
	used := map[string]int{}
	for i, p := range out.Photos {
		covers, err := told.Photo(i)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.Path, err)
		}
		l := &lines[at[p.Path]]
		for _, c := range covers {
			l.Classes = append(l.Classes, classLine{c.Class.Name, c.Class.Role, c.Code, 100 * c.CoverFrac, [2]float64{100 * c.Low, 100 * c.High}, c.Pieces, c.Sure})
		}
		if f.masks == "" || covers == nil {
			continue
		}
		img, err := told.Picture(i)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.Path, err)
		}
		name := strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path))
		if used[name]++; used[name] > 1 {
			name = fmt.Sprintf("%s-%d", name, used[name])
		}
		if err := a.replaceWith(filepath.Join(f.masks, name+".png"), func(w io.Writer) error { return png.Encode(w, img) }); err != nil {
			return nil, err
		}
		written++
	}
	if f.masks != "" {
		a.note("wrote %s in %s", plural(written, "picture"), f.masks)
	}
	return told, nil
}

// readSpots reads named plants or answered check points. Rows without a class
// are counted as blank; anything else that cannot be read is refused.
func (a *app) readSpots(path string, parse func(string) (classes.Class, error)) (spots []season.PlantSpot, blank int, err error) {
	s, err := a.readSheet(path)
	if err != nil {
		return nil, 0, err
	}
	pc, xc, yc, cc := s.Column("photo", "file", "image"), s.Column("x"), s.Column("y"), s.Column("class", "plant")
	if pc < 0 || xc < 0 || yc < 0 || cc < 0 {
		return nil, 0, s.MissingColumn("each of photo, x, y and class")
	}
	xs, xFaults := s.NumbersByLine(xc, tables.Undecided)
	ys, yFaults := s.NumbersByLine(yc, tables.Undecided)
	for _, x := range slices.Concat(s.Faults, xFaults, yFaults) {
		return nil, 0, fmt.Errorf("%s", s.FaultText(x))
	}
	for _, row := range s.Rows {
		text := strings.TrimSpace(row.Cells[cc].Text)
		if text == "" {
			blank++
			continue
		}
		class, err := parse(text)
		if err != nil {
			return nil, 0, fmt.Errorf("%s: %w", s.Where(row.Line), err)
		}
		x, y, photo := xs[row.Line], ys[row.Line], strings.TrimSpace(row.Cells[pc].Text)
		if x.Missing || y.Missing || photo == "" {
			return nil, 0, fmt.Errorf("%s: the photo or the place is missing: give photo, x and y", s.Where(row.Line))
		}
		spots = append(spots, season.PlantSpot{Where: s.Where(row.Line), Photo: photo, X: x.Number, Y: y.Number, Class: class})
	}
	return spots, blank, nil
}

// writeChecks writes check points to be answered.
func (a *app) writeChecks(f *classFlags, told *season.LooseClasses) error {
	points, err := told.Checks(f.ask, f.seed)
	if err != nil {
		return err
	}
	w := csv.NewWriter(a.out)
	w.Write([]string{"photo", "x", "y", "class"})
	for _, p := range points {
		w.Write([]string{p.Photo, strconv.FormatFloat(p.X, 'f', 1, 64), strconv.FormatFloat(p.Y, 'f', 1, 64), ""})
	}
	w.Flush()
	return w.Error()
}

// totalLine is a class over all photos.
type totalLine struct {
	Role     classes.Role `json:"role"`
	CoverPct float64      `json:"cover_pct"`
	RangePct [2]float64   `json:"cover_range_pct"`
	// Of the green, before and after the check points.
	SharePct    float64 `json:"share_of_green_pct"`
	RawSharePct float64 `json:"sorted_share_of_green_pct"`
	Errors      int     `json:"errors"`
}

// writeTotal ends the output with the cover of each class over all photos.
func (a *app) writeTotal(f *measureFlags, told *season.LooseClasses) error {
	answers, blank, err := a.readSpots(f.classes.answers, classes.ParseClass)
	if err != nil {
		return err
	}
	if blank > 0 {
		a.note("note: %s: %s without an answer left out", filepath.Base(f.classes.answers), plural(blank, "check point"))
	}
	covers, shares, notes, err := told.Total(answers)
	if err != nil {
		return err
	}
	for _, n := range notes {
		a.note("note: %s", n)
	}
	total := map[string]totalLine{}
	for _, c := range covers {
		total[c.Name] = totalLine{c.Role, 100 * c.CoverFrac, [2]float64{100 * c.Low, 100 * c.High}, 100 * c.Share, 100 * c.Raw, c.Errors}
	}
	if f.json {
		enc := json.NewEncoder(a.out)
		enc.SetEscapeHTML(false)
		return enc.Encode(struct {
			Total  map[string]totalLine `json:"total"`
			Points int                  `json:"check_points"`
		}{total, shares.Points})
	}
	fmt.Fprintf(a.out, "\nall photos, by %d check points, 90 %% range:\n", shares.Points)
	for _, c := range covers {
		fmt.Fprintf(a.out, "  %-14s %5.1f %%  %5.1f-%-5.1f  (%.0f %% of the green; sorted without check points %.0f %%)\n",
			c.Name, 100*c.CoverFrac, 100*c.Low, 100*c.High, 100*c.Share, 100*c.Raw)
	}
	return nil
}
