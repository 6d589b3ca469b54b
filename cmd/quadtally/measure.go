package main

import (
	"encoding/json"
	"fmt"
	"image/png"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

type measureFlags struct {
	frame, pipe, index        string
	overlay                   string
	noFrame, alone, csv, json bool
	cardWhite                 bool
	threshold, mmPerPx        float64
	hasThreshold              bool
	measuring                 season.Options
	classes                   classFlags
}

// measured is one line of `measure`.
type measured struct {
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
	Classes   []classLine    `json:"classes,omitempty"`
	Error     *string        `json:"error"`
}

func measureCommand(a *app) *cobra.Command {
	f := measureFlags{measuring: a.measuring()}
	c := &cobra.Command{
		Use:   "measure PHOTO...",
		Short: "Measure green cover in photos, outside any trial",
		Long: `Measures the green share of the ground inside each photo's frame, with the range of
careful hand masks, green pieces and doubts. Photos of one date share a threshold.

` + classHelp + exitHelp,
		Example: `  quadtally measure --frame 500mm photos/
  quadtally measure --frame 18in IMG_0412.jpg --json
  quadtally measure --no-frame --overlay look/ *.jpg`,
		Args: takes(1, -1, "at least one photo or folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.hasThreshold = cmd.Flags().Changed("threshold")
			if err := f.classes.check(cmd.Flags()); err != nil {
				return err
			}
			return a.measure(args, f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.frame, "frame", "", "inner `size` of the frame: 500mm, 18in, 250x1000mm")
	fl.BoolVar(&f.cardWhite, "card-white", false, "take the paper of the plot card as white")
	fl.StringVar(&f.pipe, "pipe", "", "outer `diameter` of a frame of round pipe, such as 25mm: its height above the ground is then taken into account")
	fl.BoolVar(&f.noFrame, "no-frame", false, "measure the whole photo")
	fl.BoolVar(&f.alone, "alone", false, "judge each photo by itself, without the others of its day")
	fl.Float64Var(&f.threshold, "threshold", 0, "greenness at and above which ground counts as plant (default: found for the visit)")
	fl.Float64Var(&f.mmPerPx, "mm-per-px", 0, "with --no-frame: scale of the full-size photo (default: by the code on a plot card in it)")
	fl.StringVar(&f.index, "index", string(vision.DefaultOptions().Index), "greenness index: "+indexNames())
	a.forceFlag(c)
	fl.StringVar(&f.overlay, "overlay", "", "write a straightened picture with the green outlined into this `folder`")
	fl.BoolVar(&f.csv, "csv", false, "as CSV")
	fl.BoolVar(&f.json, "json", false, "as JSON, one object a line")
	f.classes.define(fl)
	measuringFlags(fl, &f.measuring)
	return c
}

func indexNames() string {
	var out []string
	for _, x := range vision.Indices() {
		out = append(out, string(x))
	}
	return strings.Join(out, ", ")
}

func (f *measureFlags) options() (season.LooseOptions, error) {
	loose := season.LooseOptions{Vision: vision.DefaultOptions(), Alone: f.alone}
	opt := &loose.Vision
	opt.Looks, opt.CardWhite = f.classes.wanted(), f.cardWhite
	opt.Index = vision.Index(f.index)
	switch {
	case f.noFrame && f.frame != "":
		return loose, usagef("--frame and --no-frame exclude each other")
	case !f.noFrame && f.frame == "":
		return loose, usagef("say the inner size of the frame, such as --frame 500mm or --frame 18in, or --no-frame for the whole photo")
	case f.frame != "":
		w, h, err := trial.ParseSize(f.frame)
		if err != nil {
			return loose, usagef("--frame: %v", err)
		}
		opt.FrameMM = [2]float64{w, h}
		if f.pipe != "" {
			if opt.PipeDiameterMM, err = trial.ParseLength(f.pipe); err != nil {
				return loose, usagef("--pipe: %v", err)
			}
		}
	default:
		opt.MMPerPx, opt.CardCodeMM = f.mmPerPx, print.CodeMM
	}
	if f.hasThreshold {
		if _, err := vision.HandThreshold(opt.Index, f.threshold); err != nil {
			return loose, usageError{err}
		}
		loose.Threshold = &f.threshold
	}
	if err := opt.Validate(); err != nil {
		return loose, usageError{err}
	}
	return loose, nil
}

func (a *app) measure(paths []string, f measureFlags) error {
	loose, err := f.options()
	if err != nil {
		return err
	}
	out, err := season.MeasureLoose(a.ctx, paths, loose, f.measuring)
	if err != nil {
		return err
	}
	defer out.Close()
	if out.Ignored > 0 {
		a.note("%s ignored", plural(out.Ignored, "non-photo file"))
	}
	for _, c := range out.Copies {
		a.note("%s has the same content as %s and is measured once", c.File, c.Of)
	}
	lines := f.lines(out)
	var told *season.LooseClasses
	if f.classes.wanted() {
		if told, err = a.tellApart(&f.classes, out, lines); err != nil {
			return err
		}
	}
	if f.overlay != "" {
		if err := a.overlays(f.overlay, out); err != nil {
			return err
		}
	}
	bad := 0
	for _, l := range lines {
		if l.Error != nil {
			bad++
			if f.csv || f.json {
				a.note("%s: %s", l.File, *l.Error)
			}
		}
	}
	switch {
	case f.classes.ask > 0:
		if err := a.writeChecks(&f.classes, told); err != nil {
			return err
		}
	case f.json:
		enc := json.NewEncoder(a.out)
		enc.SetEscapeHTML(false)
		for _, l := range lines {
			if err := enc.Encode(l); err != nil {
				return err
			}
		}
	case f.csv:
		if err := tables.WriteCSV(a.out, measuredTable(lines)); err != nil {
			return err
		}
	default:
		writeMeasuredText(a.out, lines)
	}
	if f.classes.answers != "" {
		if err := a.writeTotal(&f, told); err != nil {
			return err
		}
	}
	return partlyDone(bad)
}

// lines are what is printed, a line a file, in the order of their paths.
func (f *measureFlags) lines(out *season.Loose) []measured {
	var lines []measured
	for i := range out.Photos {
		p := &out.Photos[i]
		l := measured{File: p.Path, Index: f.index, Flags: []vision.Flag{}, Taken: p.Facts.Taken, Notes: p.Facts.Notes}
		if p.Result == nil {
			l.Error, l.Cards = &p.Fault, p.Cards
			if len(p.Cards) == 1 {
				l.Card = &p.Cards[0]
			}
		} else {
			l.fill(p.Measurement, *p.Result)
		}
		lines = append(lines, l)
	}
	for i := range out.Faults {
		lines = append(lines, measured{File: out.Faults[i].Path, Index: f.index, Flags: []vision.Flag{}, Error: &out.Faults[i].Text})
	}
	slices.SortStableFunc(lines, func(x, y measured) int { return strings.Compare(x.File, y.File) })
	return lines
}

func (l *measured) fill(m *vision.Measurement, res vision.Result) {
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

// overlays writes a picture for each measured photo.
func (a *app) overlays(dir string, out *season.Loose) error {
	used := map[string]int{}
	for i, p := range out.Photos {
		if p.Result == nil {
			continue
		}
		img, err := out.Outlined(i, 1000)
		if err != nil {
			return err
		}
		name := strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path))
		if used[name]++; used[name] > 1 {
			name = fmt.Sprintf("%s-%d", name, used[name])
		}
		if err := a.replaceWith(filepath.Join(dir, name+".png"), func(w io.Writer) error { return png.Encode(w, img) }); err != nil {
			return err
		}
	}
	a.note("wrote %s in %s", plural(len(used), "picture"), dir)
	return nil
}

func writeMeasuredText(w io.Writer, lines []measured) {
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

func measuredTable(lines []measured) tables.Table {
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
