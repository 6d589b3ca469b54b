package main

import (
	"image"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/measured"
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
	lines := measured.Lines(out, f.index)
	var sorted *season.LooseClasses
	if f.classes.wanted() {
		if sorted, err = a.sort(&f.classes, out, lines); err != nil {
			return err
		}
	}
	if f.overlay != "" {
		if err := a.pictures(f.overlay, out, func(i int) (image.Image, error) { return out.Outlined(i, 1000) }); err != nil {
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
		points, err := sorted.Checks(f.classes.ask, f.classes.seed)
		if err != nil {
			return err
		}
		if err := measured.WriteChecks(a.out, points); err != nil {
			return err
		}
	case f.json:
		for _, l := range lines {
			if err := writeLine(a.out, l); err != nil {
				return err
			}
		}
	case f.csv:
		if err := tables.WriteCSV(a.out, measured.Table(lines)); err != nil {
			return err
		}
	default:
		measured.WriteText(a.out, lines)
	}
	if f.classes.answers != "" {
		if err := a.writeTotal(&f, sorted); err != nil {
			return err
		}
	}
	return partlyDone(bad)
}
