package main

import (
	"fmt"
	"image"
	"image/png"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/measured"
	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
	"quadtally/vision/classes"
)

type measureFlags struct {
	opt                   season.LooseOptions
	threshold             float64
	noFrame, csv, json    bool
	overlay               string
	named, masks, answers string // that sort plants into classes
	ask                   int
	seed                  uint64
	measuring             season.Options
}

func measureCommand(a *app) *cobra.Command {
	f := measureFlags{opt: season.LooseOptions{Vision: vision.DefaultOptions()}, measuring: a.measuring()}
	c := &cobra.Command{
		Use:  "measure PHOTO...",
		Args: takes(1, -1, "at least one photo or folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.check(cmd); err != nil {
				return err
			}
			return a.measure(args, &f)
		},
	}
	fl, v := c.Flags(), &f.opt.Vision
	parse(fl, &v.FrameMM, "frame", "inner `size` of the frame: 500mm, 18in, 250x1000mm", func(text string) ([2]float64, error) {
		w, h, err := trial.ParseSize(text)
		return [2]float64{w, h}, err
	})
	fl.BoolVar(&v.CardWhite, "card-white", false, "take the paper of the plot card as white")
	parse(fl, &v.PipeDiameterMM, "pipe", "outer `diameter` of a frame of round pipe, such as 25mm: its height above the ground is then taken into account", trial.ParseLength)
	fl.BoolVar(&f.noFrame, "no-frame", false, "measure the whole photo")
	fl.BoolVar(&f.opt.Alone, "alone", false, "judge each photo by itself, without the others of its day")
	fl.Float64Var(&f.threshold, "threshold", 0, "greenness at and above which ground counts as plant (default: found for the visit)")
	fl.Float64Var(&v.MMPerPx, "mm-per-px", 0, "with --no-frame: scale of the full-size photo (default: by the code on a plot card in it)")
	fl.StringVar((*string)(&v.Index), "index", string(v.Index), "greenness index: "+list(vision.Indices()...))
	a.forceFlag(fl)
	fl.StringVar(&f.overlay, "overlay", "", "write a straightened picture with the green outlined into this `folder`")
	fl.BoolVar(&f.csv, "csv", false, "as CSV")
	fl.BoolVar(&f.json, "json", false, "as JSON, one object a line")
	fl.StringVar(&f.named, "named", "", "tell the green apart by the plants named in this CSV `file`: photo,x,y,class")
	fl.StringVar(&f.masks, "masks", "", "with --named: write one picture of the classes a photo into this `folder`")
	fl.IntVar(&f.ask, "ask", 0, "write this `number` of random check points to answer, as CSV, instead of the measurements")
	fl.Uint64Var(&f.seed, "seed", 1, "with --ask: of the random draw")
	fl.StringVar(&f.answers, "answers", "", "with --named: answered check points, a CSV `file`; ends with the cover of each class over all photos")
	measuringFlags(fl, &f.measuring)
	return c
}

// check says which flags do not go together, and completes the options.
func (f *measureFlags) check(cmd *cobra.Command) error {
	if err := checkAsk(cmd, f.ask); err != nil {
		return err
	}
	v, given := &f.opt.Vision, cmd.Flags().Changed
	framed := v.FrameMM != [2]float64{}
	switch {
	case f.ask > 0 && f.answers != "":
		return usagef("--ask and --answers exclude each other: answer the points first")
	case f.named == "" && f.masks != "":
		return usagef("--masks draws the classes of --named: name some plants first")
	case f.answers != "" && f.csv:
		return usagef("--answers ends with figures for all photos together, which have no row in a CSV: give --json, or neither")
	case f.named == "" && f.answers != "":
		return usagef("--answers corrects what --named sorted: name some plants first")
	case f.noFrame && framed:
		return usagef("--frame and --no-frame exclude each other")
	case !f.noFrame && !framed:
		return usagef("say the inner size of the frame, such as --frame 500mm or --frame 18in, or --no-frame for the whole photo")
	case framed:
		v.MMPerPx = 0
	default:
		v.PipeDiameterMM, v.CardCodeMM = 0, print.CodeMM
	}
	if given("threshold") {
		if _, err := vision.HandThreshold(v.Index, f.threshold); err != nil {
			return typed(err)
		}
		f.opt.Threshold = &f.threshold
	}
	v.Looks = f.named != "" || f.ask > 0
	return typed(v.Validate())
}

func (a *app) measure(paths []string, f *measureFlags) error {
	out, err := season.MeasureLoose(a.ctx, paths, f.opt, f.measuring)
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
	lines := measured.Lines(out, string(f.opt.Vision.Index))
	sorted, err := a.sort(f, out, lines)
	if err != nil {
		return err
	}
	if f.overlay != "" {
		if err := a.pictures(f.overlay, out, func(i int) (image.Image, error) { return out.Outlined(i, 1000) }); err != nil {
			return err
		}
	}
	faults := measured.Faults(lines)
	if f.csv || f.json {
		a.notes("", faults...)
	}
	if err = a.writeMeasured(f, lines, sorted); err == nil && f.answers != "" {
		err = a.writeTotal(f, sorted)
	}
	if err != nil {
		return err
	}
	return partlyDone(len(faults))
}

func (a *app) writeMeasured(f *measureFlags, lines []measured.Line, sorted *season.LooseClasses) error {
	switch {
	case f.ask > 0:
		points, err := sorted.Checks(f.ask, f.seed)
		if err != nil {
			return err
		}
		return measured.WriteChecks(a.out, points)
	case f.json:
		return measured.WriteJSON(a.out, lines...)
	case f.csv:
		return tables.WriteCSV(a.out, measured.Table(lines))
	}
	measured.WriteText(a.out, lines)
	return nil
}

// sort sorts the green of photos by named plants and fills it into their lines.
// Without --named it only takes the green, to draw check points from.
func (a *app) sort(f *measureFlags, out *season.Loose, lines []measured.Line) (*season.LooseClasses, error) {
	if f.named == "" {
		if f.ask > 0 {
			return out.GreenOnly()
		}
		return nil, nil
	}
	named, _, err := a.readSpots(f.named, classes.ParseClass)
	if err != nil {
		return nil, err
	}
	sorted, err := out.Classify(named, season.ClassifyOptions{Train: classes.DefaultTrainOptions(), Level: 0.9})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Base(f.named), err)
	}
	a.notes("note: ", sorted.Notes...)
	if f.ask > 0 {
		return sorted, nil
	}
	if err := measured.Sort(lines, out, sorted); err != nil || f.masks == "" {
		return sorted, err
	}
	return sorted, a.pictures(f.masks, out, func(i int) (image.Image, error) {
		if img, err := sorted.Picture(i); img != nil || err != nil {
			return img, err
		}
		return nil, nil
	})
}

// pictures writes a picture for each photo that has one.
func (a *app) pictures(dir string, out *season.Loose, draw func(i int) (image.Image, error)) error {
	written, err := measured.Pictures(out, draw, func(name string, img image.Image) error {
		return a.files().Replace(filepath.Join(dir, name+".png"), func(w io.Writer) error { return png.Encode(w, img) })
	})
	if err == nil {
		a.note("wrote %s in %s", plural(written, "picture"), dir)
	}
	return err
}

func (a *app) readSpots(path string, parse func(string) (classes.Class, error)) ([]season.PlantSpot, int, error) {
	s, err := a.readSheet(path)
	if err != nil {
		return nil, 0, err
	}
	return measured.ReadSpots(s, parse)
}

// writeTotal ends the output with the cover of each class over all photos.
func (a *app) writeTotal(f *measureFlags, sorted *season.LooseClasses) error {
	answers, blank, err := a.readSpots(f.answers, classes.ParseClass)
	if err != nil {
		return err
	}
	if blank > 0 {
		a.note("note: %s: %s without an answer left out", filepath.Base(f.answers), plural(blank, "check point"))
	}
	covers, shares, notes, err := sorted.Total(answers)
	if err != nil {
		return err
	}
	a.notes("note: ", notes...)
	if f.json {
		return measured.WriteJSON(a.out, map[string]any{"total": measured.Totals(covers), "check_points": shares.Points})
	}
	measured.WriteTotals(a.out, covers, shares.Points)
	return nil
}
