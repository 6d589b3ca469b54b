package main

import (
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/measured"
	"quadtally/cmd/quadtally/internal/season"
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

// sort sorts the green of photos by named plants and fills it into their lines.
// Without --named it only takes the green, to draw check points from.
func (a *app) sort(f *classFlags, out *season.Loose, lines []measured.Line) (*season.LooseClasses, error) {
	if f.named == "" {
		return out.GreenOnly()
	}
	named, _, err := a.readSpots(f.named, classes.ParseClass)
	if err != nil {
		return nil, err
	}
	sorted, err := out.TellApart(named, season.TellApartOptions{Train: classes.DefaultTrainOptions(), Level: 0.9})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Base(f.named), err)
	}
	for _, n := range sorted.Notes {
		a.note("note: %s", n)
	}
	if f.ask > 0 {
		return sorted, nil
	}
	if err := measured.Sort(lines, out, sorted); err != nil || f.masks == "" {
		return sorted, err
	}
	return sorted, a.pictures(f.masks, out, func(i int) (image.Image, error) {
		img, err := sorted.Picture(i)
		if img == nil {
			return nil, err
		}
		return img, err
	})
}

// pictures writes a picture for each photo that has one.
func (a *app) pictures(dir string, out *season.Loose, draw func(i int) (image.Image, error)) error {
	used, written := map[string]int{}, 0
	for i, p := range out.Photos {
		if p.Result == nil {
			continue
		}
		img, err := draw(i)
		if err != nil {
			return fmt.Errorf("%s: %w", p.Path, err)
		}
		if img == nil {
			continue
		}
		name := strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path))
		if used[name]++; used[name] > 1 {
			name = fmt.Sprintf("%s-%d", name, used[name])
		}
		if err := a.replaceWith(filepath.Join(dir, name+".png"), func(w io.Writer) error { return png.Encode(w, img) }); err != nil {
			return err
		}
		written++
	}
	a.note("wrote %s in %s", plural(written, "picture"), dir)
	return nil
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
	answers, blank, err := a.readSpots(f.classes.answers, classes.ParseClass)
	if err != nil {
		return err
	}
	if blank > 0 {
		a.note("note: %s: %s without an answer left out", filepath.Base(f.classes.answers), plural(blank, "check point"))
	}
	covers, shares, notes, err := sorted.Total(answers)
	if err != nil {
		return err
	}
	for _, n := range notes {
		a.note("note: %s", n)
	}
	if f.json {
		return writeLine(a.out, map[string]any{"total": measured.Totals(covers), "check_points": shares.Points})
	}
	measured.WriteTotals(a.out, covers, shares.Points)
	return nil
}

// writeLine writes one value as JSON on one line.
func writeLine(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}
