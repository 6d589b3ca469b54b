package main

import (
	"encoding/json"
	"fmt"
	"image/png"
	"io"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

type measureFlags struct {
	frame, pipe, index        string
	overlay                   string
	noFrame, alone, csv, json bool
	threshold, mmPerPx        float64
	workers                   int
	limit                     time.Duration
	hasThreshold              bool
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
	Threshold *float64       `json:"threshold"`
	Basis     string         `json:"threshold_basis,omitempty"`
	Index     string         `json:"index"`
	Flags     []vision.Flag  `json:"flags"`
	Taken     string         `json:"taken,omitempty"`
	Settings  string         `json:"settings,omitempty"`
	Notes     []string       `json:"notes,omitempty"`
	Error     *string        `json:"error"`
}

func measureCommand(a *app) *cobra.Command {
	var f measureFlags
	c := &cobra.Command{
		Use:   "measure PHOTO...",
		Short: "Measure green cover in photos, outside any trial",
		Long: `Finds the frame in each photo, straightens it, and measures the share of the
ground inside that is green: cover with the range within which careful hand
masks fell, the number of green pieces, the scale, and what is doubtful about
the photo. Folders are searched through.

Photos of one camera date are one visit and share a threshold; so do those
without a date. --alone judges each photo by itself. Pieces are connected
patches of green, not plants: touching plants count once.

` + exitHelp,
		Example: `  quadtally measure --frame 500mm photos/
  quadtally measure --frame 18in IMG_0412.jpg --json
  quadtally measure --no-frame --overlay look/ *.jpg`,
		Args: takes(1, -1, "at least one photo or folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.hasThreshold = cmd.Flags().Changed("threshold")
			return a.measure(args, f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.frame, "frame", "", "inner `size` of the frame: 500mm, 18in, 250x1000mm")
	fl.StringVar(&f.pipe, "pipe", "", "outer `diameter` of a frame of round pipe, such as 25mm: its height above the ground is then taken into account")
	fl.BoolVar(&f.noFrame, "no-frame", false, "measure the whole photo")
	fl.BoolVar(&f.alone, "alone", false, "judge each photo by itself, without the others of its day")
	fl.Float64Var(&f.threshold, "threshold", 0, "greenness at and above which ground counts as plant (default: settled for the visit)")
	fl.Float64Var(&f.mmPerPx, "mm-per-px", 0, "with --no-frame: scale of the full-size photo (default: by the code on a plot card in it)")
	fl.StringVar(&f.index, "index", string(vision.DefaultOptions().Index), "greenness index: "+indexNames())
	fl.StringVar(&f.overlay, "overlay", "", "write a straightened picture with the green outlined into this `folder`")
	fl.BoolVar(&f.csv, "csv", false, "as CSV")
	fl.BoolVar(&f.json, "json", false, "as JSON, one object a line")
	fl.IntVar(&f.workers, "workers", runtime.NumCPU(), "photos measured at once")
	fl.DurationVar(&f.limit, "limit", time.Minute, "longest time for one photo")
	return c
}

func indexNames() string {
	var out []string
	for _, x := range vision.Indices() {
		out = append(out, string(x))
	}
	return strings.Join(out, ", ")
}

func (f *measureFlags) options() (vision.Options, error) {
	opt := vision.DefaultOptions()
	opt.Index = vision.Index(f.index)
	switch {
	case f.noFrame && f.frame != "":
		return opt, usagef("--frame and --no-frame exclude each other")
	case !f.noFrame && f.frame == "":
		return opt, usagef("say the inner size of the frame, such as --frame 500mm or --frame 18in, or --no-frame for the whole photo")
	case f.frame != "":
		w, h, err := trial.ParseSize(f.frame)
		if err != nil {
			return opt, usagef("--frame: %v", err)
		}
		opt.FrameMM = [2]float64{w, h}
		if f.pipe != "" {
			if opt.PipeDiameterMM, err = trial.ParseLength(f.pipe); err != nil {
				return opt, usagef("--pipe: %v", err)
			}
		}
	default:
		opt.MMPerPx, opt.CardCodeMM = f.mmPerPx, print.CodeMM
	}
	if f.hasThreshold {
		if _, err := vision.HandThreshold(opt.Index, f.threshold); err != nil {
			return opt, usageError{err}
		}
	}
	if err := opt.Validate(); err != nil {
		return opt, usageError{err}
	}
	return opt, nil
}

func (a *app) measure(paths []string, f measureFlags) error {
	opt, err := f.options()
	if err != nil {
		return err
	}
	scan, err := intake.Walk(a.ctx, paths, nil, nil)
	if err != nil {
		return err
	}
	if scan.IgnoredCount() > 0 {
		a.note("%s ignored", plural(scan.IgnoredCount(), "non-photo file"))
	}
	var jobs []photoJob
	for _, file := range scan.Files {
		jobs = append(jobs, photoJob{Path: file.Path, Hash: file.Hash, Options: opt})
		for _, copy := range scan.Copies[file.Hash] {
			a.note("%s has the same content as %s and is measured once", copy, file.Path)
		}
	}
	if len(jobs)+len(scan.Faults) == 0 {
		return fmt.Errorf("there are no photos in %s (%s looked at): check the folder", strings.Join(paths, ", "), plural(scan.Seen, "file"))
	}
	planes, err := newShelf()
	if err != nil {
		return err
	}
	defer planes.close()
	replies := make([]photoReply, len(jobs))
	bar := a.progress(len(jobs), "measuring")
	err = a.measureAll(a.ctx, jobs, f.workers, f.limit, func(i int, r photoReply) error {
		replies[i] = r
		bar.Add(1)
		return planes.put(i, r.Measurement)
	})
	bar.Finish()
	if err != nil {
		return err
	}
	lines, err := f.settle(jobs, replies, planes, opt)
	if err != nil {
		return err
	}
	if f.overlay != "" {
		if err := a.overlays(f.overlay, jobs, replies, planes, lines); err != nil {
			return err
		}
	}
	for _, x := range scan.Faults {
		text := x.Text
		lines = append(lines, measured{File: x.Path, Index: f.index, Flags: []vision.Flag{}, Error: &text})
	}
	slices.SortStableFunc(lines, func(x, y measured) int { return strings.Compare(x.File, y.File) })
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
	if bad > 0 {
		return partly{bad}
	}
	return nil
}

// settle gives every visit its threshold and every photo its numbers.
func (f *measureFlags) settle(jobs []photoJob, replies []photoReply, planes *shelf, opt vision.Options) ([]measured, error) {
	groups := map[string][]vision.Curve{}
	visit := func(i int) string {
		if f.alone {
			return fmt.Sprint(i)
		}
		return intake.DayOf(replies[i].Facts.Taken).String()
	}
	for i, r := range replies {
		if r.Measurement != nil {
			groups[visit(i)] = append(groups[visit(i)], r.Measurement.Curve)
		}
	}
	thresholds := map[string]vision.Threshold{}
	for v, curves := range groups {
		t, err := vision.VisitThreshold(curves, opt)
		if f.hasThreshold {
			t, err = vision.HandThreshold(opt.Index, f.threshold)
		}
		if err != nil {
			return nil, err
		}
		thresholds[v] = t
	}
	lines := make([]measured, len(jobs))
	for i, r := range replies {
		l := &lines[i]
		*l = measured{File: jobs[i].Path, Index: f.index, Flags: []vision.Flag{}, Taken: r.Facts.Taken, Notes: r.Facts.Notes}
		if r.Measurement == nil {
			l.Error = &r.Fault
			continue
		}
		th := thresholds[visit(i)]
		m, err := planes.whole(i, *r.Measurement)
		if err != nil {
			return nil, err
		}
		res, err := vision.Settle(m, th, opt)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", jobs[i].Path, err)
		}
		l.fill(r.Measurement, res)
	}
	return lines, nil
}

func (l *measured) fill(m *vision.Measurement, res vision.Result) {
	pct := func(v float64) *float64 { v *= 100; return &v }
	n := len(res.Pieces)
	l.CoverPct, l.RangePct = pct(res.CoverFrac), &[2]float64{100 * res.CoverLo, 100 * res.CoverHi}
	l.Quantity, l.Pieces, l.Flags = res.Quantity, &n, m.Flags
	l.Threshold, l.Basis, l.Settings = &res.Threshold.Value, res.Threshold.Basis, m.Fingerprint
	l.Notes = append(append(l.Notes, m.Notes...), res.Warnings...)
	if m.MMPerPx > 0 {
		l.MMPerPx = &m.MMPerPx
	}
	if m.Card != "" {
		l.Card = &m.Card
	}
	if m.Frame != nil {
		var c [4][2]float64
		for k, p := range m.Frame.Corners {
			c[k] = [2]float64{p.X, p.Y}
		}
		l.Corners, l.FrameKind, l.TiltDeg = &c, m.Frame.Kind, &m.Frame.TiltDeg
	}
}

// overlays writes a picture for each measured photo.
func (a *app) overlays(dir string, jobs []photoJob, replies []photoReply, planes *shelf, lines []measured) error {
	used := map[string]int{}
	for i, r := range replies {
		if r.Measurement == nil {
			continue
		}
		photo, err := readFile(jobs[i].Path, maxPhotoBytes)
		if err != nil {
			return err
		}
		m, err := planes.whole(i, *r.Measurement)
		if err != nil {
			return err
		}
		img, err := vision.Straighten(photo, m, 1000)
		if err != nil {
			return fmt.Errorf("%s: %w", jobs[i].Path, err)
		}
		if err := vision.Outline(img, m, *lines[i].Threshold); err != nil {
			return fmt.Errorf("%s: %w", jobs[i].Path, err)
		}
		name := strings.TrimSuffix(filepath.Base(jobs[i].Path), filepath.Ext(jobs[i].Path))
		if used[name]++; used[name] > 1 {
			name = fmt.Sprintf("%s-%d", name, used[name])
		}
		if err := writeWhole(filepath.Join(dir, name+".png"), func(w io.Writer) error { return png.Encode(w, img) }); err != nil {
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
		t.Add(row...)
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
