// Package measured shows photos that were measured outside any trial: as text, as
// CSV and as JSON, with the classes that named plants make of their green.
package measured

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/vision"
	"quadtally/vision/classes"
)

// Line is one photo as `measure` shows it. Percent, because it is for reading.
type Line struct {
	File      string         `json:"file"`
	CoverPct  *float64       `json:"cover_pct"`
	RangePct  *[2]float64    `json:"cover_range_pct"`
	Quantity  string         `json:"quantity,omitempty"`
	Pieces    *int           `json:"pieces"`
	MMPerPx   *float64       `json:"mm_per_px"`
	Corners   *[4][2]float64 `json:"corners"`
	FrameKind string         `json:"frame_kind,omitempty"`
	TiltDeg   *float64       `json:"tilt_deg,omitempty"`
	Card      *string        `json:"card"`
	Cards     []string       `json:"cards,omitempty"` // where several were read
	Threshold *float64       `json:"threshold"`
	Basis     string         `json:"threshold_basis,omitempty"`
	Index     string         `json:"index"`
	Flags     []vision.Flag  `json:"flags"`
	Taken     string         `json:"taken,omitempty"`
	Settings  string         `json:"settings,omitempty"`
	Notes     []string       `json:"notes,omitempty"`
	Classes   []Class        `json:"classes,omitempty"`
	Error     *string        `json:"error"`
}

// Lines are photos as they are shown, a line a file, in the order of their paths.
func Lines(out *season.Loose, index string) []Line {
	var lines []Line
	for i := range out.Photos {
		p := &out.Photos[i]
		l := Line{File: p.Path, Index: index, Flags: []vision.Flag{}, Taken: p.Facts.Taken, Notes: p.Facts.Notes}
		if p.Result == nil {
			l.Error, l.Cards = &p.Fault, p.Cards
			if p.Card != "" {
				l.Card = &p.Card
			}
		} else {
			l.fill(p.Measurement, *p.Result)
		}
		lines = append(lines, l)
	}
	for i := range out.Faults {
		lines = append(lines, Line{File: out.Faults[i].Path, Index: index, Flags: []vision.Flag{}, Error: &out.Faults[i].Text})
	}
	slices.SortStableFunc(lines, func(x, y Line) int { return strings.Compare(x.File, y.File) })
	return lines
}

func (l *Line) fill(m *vision.Measurement, res vision.Result) {
	pct := func(v float64) *float64 { v *= 100; return &v }
	n := len(res.Pieces)
	l.CoverPct, l.RangePct = pct(res.CoverFrac), &[2]float64{100 * res.CoverLo, 100 * res.CoverHi}
	l.Quantity, l.Pieces, l.Flags = res.Quantity, &n, slices.Concat(m.Flags, res.Flags)
	l.Threshold, l.Basis, l.Settings = &res.Threshold.Value, res.Threshold.Basis, m.Fingerprint
	l.Notes = append(append(l.Notes, m.Notes...), res.Warnings...)
	if m.MMPerPx > 0 {
		l.MMPerPx = &m.MMPerPx
	}
	if m.Card != "" {
		l.Card = &m.Card
	}
	l.Cards = m.Cards
	if m.Frame != nil {
		var c [4][2]float64
		for k, p := range m.Frame.Corners {
			c[k] = [2]float64{p.X, p.Y}
		}
		l.Corners, l.FrameKind, l.TiltDeg = &c, m.Frame.Kind, &m.Frame.TiltDeg
	}
}

// WriteText prints lines as a table, doubts and notes below each.
func WriteText(w io.Writer, lines []Line) {
	width := len("photo")
	for _, l := range lines {
		width = max(width, len(l.File))
	}
	fmt.Fprintf(w, "%-*s  cover %%  range        pieces  mm/px  card\n", width, "photo")
	for _, l := range lines {
		if l.Error != nil {
			fmt.Fprintf(w, "%-*s  not measured: %s\n", width, l.File, *l.Error)
			continue
		}
		scale, card := "    -", "-"
		if l.MMPerPx != nil {
			scale = fmt.Sprintf("%5.3f", *l.MMPerPx)
		}
		if l.Card != nil {
			card = *l.Card
		}
		fmt.Fprintf(w, "%-*s  %6.1f  %5.1f-%-5.1f  %6d  %s  %s\n", width, l.File, *l.CoverPct, l.RangePct[0], l.RangePct[1], *l.Pieces, scale, card)
		for _, c := range l.Classes {
			fmt.Fprintf(w, "%-*s    %s\n", width, "", c.text())
		}
		for _, x := range l.Flags {
			fmt.Fprintf(w, "%-*s    %s\n", width, "", x.Text)
		}
		for _, n := range l.Notes {
			fmt.Fprintf(w, "%-*s    note: %s\n", width, "", n)
		}
	}
}

// Table is lines as CSV, with five columns for each class.
func Table(lines []Line) tables.Table {
	t := tables.Table{Name: "measured", Header: []string{"file", "cover_pct", "cover_low_pct", "cover_high_pct", "pieces", "mm_per_px",
		"card", "threshold", "index", "flags", "taken", "error"}}
	names := classNames(lines)
	for _, n := range names {
		t.Header = append(t.Header, n+"_cover_pct", n+"_low_pct", n+"_high_pct", n+"_pieces", n+"_sure")
	}
	for _, l := range lines {
		row := []any{l.File, number(l.CoverPct), nil, nil, nil, number(l.MMPerPx), nil, number(l.Threshold), l.Index, "", l.Taken, nil}
		if l.RangePct != nil {
			row[2], row[3], row[4] = l.RangePct[0], l.RangePct[1], *l.Pieces
		}
		if l.Card != nil {
			row[6] = *l.Card
		}
		var codes []string
		for _, x := range l.Flags {
			codes = append(codes, string(x.Code))
		}
		row[9] = strings.Join(codes, " ")
		if l.Error != nil {
			row[11] = *l.Error
		}
		t.Add(append(row, classCells(names, l.Classes)...)...)
	}
	return t
}

// number is a cell that stays blank where there is no number.
func number(p *float64) any {
	if p == nil {
		return nil
	}
	return *p
}

// Class is one class of plants in one line.
type Class struct {
	Name     string       `json:"name"`
	Role     classes.Role `json:"role"`
	Code     uint8        `json:"code"`
	CoverPct float64      `json:"cover_pct"`
	RangePct [2]float64   `json:"cover_range_pct"`
	Pieces   int          `json:"pieces"`
	Sure     float64      `json:"sure"`
}

func (c Class) text() string {
	if c.CoverPct == 0 {
		return fmt.Sprintf("%s: none", c.Name)
	}
	return fmt.Sprintf("%s: %.1f %% (%.1f-%.1f), %s, sure to %.0f %%", c.Name, c.CoverPct, c.RangePct[0], c.RangePct[1], wording.Plural(c.Pieces, "piece"), 100*c.Sure)
}

// classNames lists the classes of all lines in their order.
func classNames(lines []Line) []string {
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

func classCells(names []string, have []Class) []any {
	var out []any
	for _, n := range names {
		i := slices.IndexFunc(have, func(c Class) bool { return c.Name == n })
		if i < 0 {
			out = append(out, nil, nil, nil, nil, nil)
			continue
		}
		c := have[i]
		out = append(out, c.CoverPct, c.RangePct[0], c.RangePct[1], c.Pieces, c.Sure)
	}
	return out
}

// Total is a class over all photos.
type Total struct {
	Role     classes.Role `json:"role"`
	CoverPct float64      `json:"cover_pct"`
	RangePct [2]float64   `json:"cover_range_pct"`
	// Of the green, before and after the check points.
	SharePct    float64 `json:"share_of_green_pct"`
	RawSharePct float64 `json:"sorted_share_of_green_pct"`
	Errors      int     `json:"errors"`
}

// ReadSpots reads named plants or answered check points. Rows without a class
// are counted as blank; anything else that cannot be read is refused.
func ReadSpots(s *tables.Sheet, parse func(string) (classes.Class, error)) (spots []season.PlantSpot, blank int, err error) {
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

// Sort fills what named plants made of each photo's green into its line.
func Sort(lines []Line, out *season.Loose, sorted *season.LooseClasses) error {
	at := map[string]int{}
	for i := range lines {
		at[lines[i].File] = i
	}
	for i, p := range out.Photos {
		covers, err := sorted.Photo(i)
		if err != nil {
			return fmt.Errorf("%s: %w", p.Path, err)
		}
		l := &lines[at[p.Path]]
		for _, c := range covers {
			l.Classes = append(l.Classes, Class{c.Class.Name, c.Class.Role, c.Code, 100 * c.CoverFrac, [2]float64{100 * c.Low, 100 * c.High}, c.Pieces, c.Sure})
		}
	}
	return nil
}

// Totals are the covers of the classes over all photos, by name.
func Totals(covers []season.TotalCover) map[string]Total {
	out := map[string]Total{}
	for _, c := range covers {
		out[c.Name] = Total{c.Role, 100 * c.CoverFrac, [2]float64{100 * c.Low, 100 * c.High}, 100 * c.Share, 100 * c.Raw, c.Errors}
	}
	return out
}

// WriteTotals prints them.
func WriteTotals(w io.Writer, covers []season.TotalCover, points int) {
	fmt.Fprintf(w, "\nall photos, by %d check points, 90 %% range:\n", points)
	for _, c := range covers {
		fmt.Fprintf(w, "  %-14s %5.1f %%  %5.1f-%-5.1f  (%.0f %% of the green; sorted without check points %.0f %%)\n",
			c.Name, 100*c.CoverFrac, 100*c.Low, 100*c.High, 100*c.Share, 100*c.Raw)
	}
}

// WriteChecks writes check points as the CSV in which they are answered.
func WriteChecks(w io.Writer, points []season.PlantSpot) error {
	c := csv.NewWriter(w)
	c.Write([]string{"photo", "x", "y", "class"})
	for _, p := range points {
		c.Write([]string{p.Photo, strconv.FormatFloat(p.X, 'f', 1, 64), strconv.FormatFloat(p.Y, 'f', 1, 64), ""})
	}
	c.Flush()
	return c.Error()
}

// WriteJSON writes values as JSON, one on a line.
func WriteJSON[V any](w io.Writer, values ...V) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for _, v := range values {
		if err := enc.Encode(v); err != nil {
			return err
		}
	}
	return nil
}

// Faults are the photos that could not be measured, with the reasons.
func Faults(lines []Line) []string {
	var out []string
	for _, l := range lines {
		if l.Error != nil {
			out = append(out, l.File+": "+*l.Error)
		}
	}
	return out
}

// Pictures draws each measured photo, the i-th as draw has it, and hands it to
// put under a name of its own; nil has no picture. It counts the pictures.
func Pictures(out *season.Loose, draw func(i int) (image.Image, error), put func(name string, img image.Image) error) (n int, err error) {
	used := map[string]bool{}
	for i, p := range out.Photos {
		if p.Result == nil {
			continue
		}
		img, err := draw(i)
		if err != nil {
			return n, fmt.Errorf("%s: %w", p.Path, err)
		}
		if img == nil {
			continue
		}
		base := strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path))
		name := base
		for n := 2; used[name]; n++ {
			name = fmt.Sprintf("%s-%d", base, n)
		}
		used[name] = true
		if err := put(name, img); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
