package demoseason

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/record"
)

// Named and Checks are how many plants the invented person names at each visit
// and how many check points they answer.
const Named, Checks = 30, 100

// WriteSpots gives what writes named plants or answered check points as CSV.
func WriteSpots(list []demo.Spot) func(io.Writer) error {
	return func(w io.Writer) error {
		c := csv.NewWriter(w)
		c.Write([]string{"photo", "x", "y", "class"})
		for _, q := range list {
			c.Write([]string{q.File, strconv.FormatFloat(q.X, 'f', 1, 64), strconv.FormatFloat(q.Y, 'f', 1, 64), q.Class})
		}
		c.Flush()
		return c.Error()
	}
}

// ReadDrawn reads the check points from what `plants --ask` printed.
func ReadDrawn(b []byte) ([]demo.Spot, error) {
	at := bytes.Index(b, []byte("photo,x,y,class\n"))
	if at < 0 {
		return nil, errors.New("no check points were drawn")
	}
	rows, err := csv.NewReader(bytes.NewReader(b[at:])).ReadAll()
	if err != nil {
		return nil, err
	}
	var out []demo.Spot
	for _, r := range rows[1:] {
		x, errX := strconv.ParseFloat(r[1], 64)
		y, errY := strconv.ParseFloat(r[2], 64)
		if err := errors.Join(errX, errY); err != nil {
			return nil, err
		}
		out = append(out, demo.Spot{File: filepath.Base(r[0]), X: x, Y: y})
	}
	return out, nil
}

// WriteWeeds prints weed cover by the photos beside what is really there.
func WriteWeeds(w io.Writer, snap *record.Snapshot, s *demo.SeasonPlan) error {
	type key struct {
		visit     int
		treatment string
	}
	type sums struct{ n, photos, green, weeds, all float64 }
	at := map[key]*sums{}
	get := func(k key) *sums {
		if at[k] == nil {
			at[k] = &sums{}
		}
		return at[k]
	}
	truth := map[analysis.Place]*demo.PhotoPlan{}
	for i := range s.Photos {
		p := &s.Photos[i]
		truth[analysis.Place{Plot: p.Plot, Quadrat: p.Quadrat, Visit: p.Visit}] = p
	}
	for _, name := range []analysis.Key{analysis.WeedCover, analysis.GreenCover} {
		r, err := analysis.Find(snap, string(name), "")
		if err != nil {
			return err
		}
		rs, _, err := r.Readings(snap)
		if err != nil {
			return err
		}
		for _, x := range rs {
			p := truth[x.Place()]
			if p == nil {
				continue
			}
			k := get(key{x.Visit, p.Treatment})
			if name == analysis.GreenCover {
				k.green += x.Value
				continue
			}
			k.n++
			k.photos += x.Value
			k.all += p.Truth.WeedFrac
			k.weeds += p.Truth.WeedFrac - p.Truth.ByClass[demo.Red]
		}
	}
	fmt.Fprintln(w, "\nWeed cover beside what is really there, % of the ground (red plants are in no photo's green):")
	fmt.Fprintln(w, "visit  treatment   photos say   truth, green weeds   truth, all weeds   everything green")
	for v := range snap.Trial.Visits {
		for _, t := range snap.Trial.Treatments {
			if k := at[key{v + 1, t.Code}]; k != nil && k.n > 0 {
				fmt.Fprintf(w, "%5d  %-10s %11.1f %20.1f %18.1f %18.1f\n", v+1, t.Code, 100*k.photos/k.n, 100*k.weeds/k.n, 100*k.all/k.n, 100*k.green/k.n)
			}
		}
	}
	return nil
}
