package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// This file is the only converter between the record's rows and the types of
// the computing libraries.

// response is something that is compared between treatments.
type response struct {
	name  string // as typed: "cover", "count", "yield", ...
	class string // of counts: a class, species or group; "" all
	label string // for sentences
	unit  string
	kind  stats.Kind
}

// reading is one value of a response with where it came from.
type reading struct {
	plot    string
	quadrat int
	visit   int // 0: not tied to a visit
	date    trial.Date
	value   float64
	source  string
}

// responseOf finds what a name typed by the user stands for.
func responseOf(snap *record.Snapshot, name, class string) (response, error) {
	r := response{name: strings.ToLower(strings.TrimSpace(name)), class: class}
	switch r.name {
	case "cover":
		r.label, r.unit, r.kind = "green cover", "% of the ground", stats.Percent
		if coverIsWeeds(snap) {
			r.label = "weed cover"
		}
	case "pieces":
		r.label, r.unit, r.kind = "green pieces", "per m²", stats.Count
		if coverIsWeeds(snap) {
			r.label = "weed pieces"
		}
	case "count":
		r.label, r.unit, r.kind = "hand count", "plants per m²", stats.Count
	case "hand-cover":
		r.label, r.unit, r.kind = "cover judged by eye", "% of the ground", stats.Percent
	case "yield", "cull":
		r.label, r.unit, r.kind = "marketable yield", yieldUnit(&snap.Trial), stats.Measure
		if r.name == "cull" {
			r.label = "culled weight"
		}
	case "stand":
		r.label, r.unit, r.kind = "stand", "plants per m of bed", stats.Measure
	default:
		unit := ""
		for _, o := range snap.Observations {
			if o.Variable == r.name {
				unit = o.Unit
			}
		}
		if unit == "" {
			return r, usagef("there is no response %q: %s", name, strings.Join(responseNames(snap), ", "))
		}
		r.label, r.unit, r.kind = r.name, unit, stats.Measure
	}
	if class != "" {
		if r.name != "count" && r.name != "yield" {
			return r, usagef("--class goes with count")
		}
		r.label += " of " + class
	}
	return r, nil
}

// responseNames lists what the trial can be asked about.
func responseNames(snap *record.Snapshot) []string {
	names := []string{"cover", "pieces", "count", "hand-cover", "yield", "cull", "stand"}
	for _, o := range snap.Observations {
		if n := o.Variable; !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}

// coverIsWeeds reports that in every photo in use something told crop from
// weed, so that cover may be called weed cover.
func coverIsWeeds(snap *record.Snapshot) bool {
	any := false
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			if any = true; !p.Result.WeedsOnly() {
				return false
			}
		}
	}
	return any
}

func yieldUnit(t *trial.Trial) string {
	switch {
	case t.Ground.BedSpacingMM <= 0:
		return "kg per m of bed"
	case t.Units == trial.US:
		return "lb/acre"
	}
	return "kg/ha"
}

// readings collects a response's values. Quadrats stay quadrats; picks of a
// plot are added up.
func (r response) readings(snap *record.Snapshot) []reading {
	switch r.name {
	case "cover", "pieces":
		return r.photoReadings(snap)
	case "count":
		return countReadings(snap, r.class)
	case "yield", "cull":
		return harvestReadings(snap, map[string]string{"yield": "marketable", "cull": "cull"}[r.name])
	}
	var out []reading
	for _, o := range snap.Observations {
		want := map[string]string{"hand-cover": "cover"}[r.name]
		if o.Missing || o.Variable != cmp.Or(want, r.name) {
			continue
		}
		v := o.Value
		switch {
		case r.name == "hand-cover":
			v *= 100
		case r.name == "stand" && o.LengthMM > 0:
			v /= o.LengthMM / 1000
		}
		out = append(out, reading{o.Plot, o.Quadrat, o.Visit, o.Date, v, o.Source})
	}
	return out
}

func (r response) photoReadings(snap *record.Snapshot) []reading {
	var out []reading
	area := snap.Trial.Quadrat.AreaM2()
	weeds := coverIsWeeds(snap)
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if !p.InUse() {
			continue
		}
		day, _ := trial.ParseDate(p.Taken[:min(10, len(p.Taken))])
		cover, pieces := p.Result.CoverFrac, p.Result.Pieces
		if g := p.Result.AllGreen; g != nil && !weeds {
			cover, pieces = g.CoverFrac, g.Pieces
		}
		v := cover * 100
		if r.name == "pieces" {
			v = float64(pieces) / area
		}
		out = append(out, reading{p.Place.Plot, p.Place.Quadrat, p.Place.Visit, day, v, filepath.Base(p.Path)})
	}
	return out
}

// countReadings gives plants per square metre. Without a class, a quadrat's
// total is the entered total or the sum of all classes used at that visit; a
// quadrat that lacks one of them, or has one marked missing, has no total.
func countReadings(snap *record.Snapshot, class string) []reading {
	type quadratVisit struct {
		plot    string
		quadrat int
		visit   int
	}
	type tally struct {
		sum     float64
		classes map[string]bool
		total   *float64
		open    bool
		area    float64
		first   record.Observation
	}
	at := map[quadratVisit]*tally{}
	used := map[int]map[string]bool{}
	var order []quadratVisit
	matches := func(o record.Observation) bool {
		return class == "" || strings.EqualFold(o.Class, class) || strings.EqualFold(o.Group, class) || strings.EqualFold(o.Life, class)
	}
	for _, o := range snap.Observations {
		if o.Variable != "count" || o.Quadrat == 0 || !matches(o) {
			continue
		}
		k := quadratVisit{o.Plot, o.Quadrat, o.Visit}
		q := at[k]
		if q == nil {
			q = &tally{classes: map[string]bool{}, first: o, area: snap.Trial.Quadrat.AreaM2()}
			at[k] = q
			order = append(order, k)
		}
		if o.AreaM2 > 0 {
			q.area = o.AreaM2
		}
		switch {
		case o.Missing:
			q.open = true
		case o.Class == "":
			v := o.Value
			q.total = &v
		default:
			q.sum += o.Value
		}
		if o.Class != "" {
			q.classes[o.Class] = true
			if used[o.Visit] == nil {
				used[o.Visit] = map[string]bool{}
			}
			used[o.Visit][o.Class] = true
		}
	}
	var out []reading
	for _, k := range order {
		q := at[k]
		v := q.sum
		if q.total != nil {
			v = *q.total
		} else if q.open || len(q.classes) < len(used[k.visit]) {
			continue
		}
		if q.area <= 0 {
			continue
		}
		out = append(out, reading{k.plot, k.quadrat, k.visit, q.first.Date, v / q.area, q.first.Source})
	}
	return out
}

// harvestReadings adds up a plot's picks and carries them to an area, by bed
// spacing centre to centre. Picks from different bed lengths are added per
// metre of bed.
func harvestReadings(snap *record.Snapshot, class string) []reading {
	at := map[string]*reading{}
	lost := map[string]bool{}
	var order []string
	for _, o := range snap.Observations {
		if o.Variable != "yield" || (o.Class != class && !(o.Class == "total" && class == "marketable")) {
			continue
		}
		if o.Missing || o.LengthMM <= 0 {
			lost[o.Plot] = true
			continue
		}
		r := at[o.Plot]
		if r == nil {
			r = &reading{plot: o.Plot, source: o.Source}
			at[o.Plot] = r
			order = append(order, o.Plot)
		}
		r.value += perArea(&snap.Trial, o.Value, o.LengthMM)
		r.date = o.Date
	}
	var out []reading
	for _, p := range order {
		if !lost[p] { // a plot with a pick missing has no season's total
			out = append(out, *at[p])
		}
	}
	return out
}

func perArea(t *trial.Trial, kg, lengthMM float64) float64 {
	if t.Ground.BedSpacingMM <= 0 {
		return kg / (lengthMM / 1000)
	}
	v, err := trial.YieldPerArea(kg, lengthMM, t.Ground.BedSpacingMM)
	if err != nil {
		return math.NaN()
	}
	if t.Units == trial.US {
		v /= trial.KGHaPerLBAcre
	}
	return v
}

// visitDays gives each visit the day it was really made: the commonest date of
// its readings, in days from the first visit with readings.
func visitDays(rs []reading) (days map[int]float64, spread []string) {
	dates := map[int]map[trial.Date]int{}
	for _, r := range rs {
		if r.visit == 0 || r.date.IsZero() {
			continue
		}
		if dates[r.visit] == nil {
			dates[r.visit] = map[trial.Date]int{}
		}
		dates[r.visit][r.date]++
	}
	chosen := map[int]trial.Date{}
	for v, m := range dates {
		var best trial.Date
		for d, n := range m {
			if best.IsZero() || n > m[best] || (n == m[best] && d.DaysTo(best) > 0) {
				best = d
			}
		}
		chosen[v] = best
		if len(m) > 1 {
			spread = append(spread, fmt.Sprintf("visit %d was made on %d days; %s, the commonest, stands for all", v, len(m), best))
		}
	}
	slices.Sort(spread)
	first := trial.Date{}
	for _, d := range chosen {
		if first.IsZero() || d.DaysTo(first) > 0 {
			first = d
		}
	}
	days = map[int]float64{}
	for v, d := range chosen {
		days[v] = float64(first.DaysTo(d))
	}
	return days, spread
}

// statsRows makes the rows of a comparison. visit 0 takes all visits (or, for
// responses without visits, everything). Every plot of the layout is there: a
// plot without a reading is missing, not forgotten.
func statsRows(snap *record.Snapshot, rs []reading, visit int, days map[int]float64) []stats.Row {
	byPlot := map[spot][]reading{}
	visits := map[int]bool{}
	for _, r := range rs {
		if visit == 0 || r.visit == visit {
			k := spot{plot: r.plot, visit: r.visit}
			byPlot[k] = append(byPlot[k], r)
			visits[r.visit] = true
		}
	}
	latin := snap.Trial.Design == trial.LatinSquare
	var rows []stats.Row
	for _, v := range slices.Sorted(maps.Keys(visits)) {
		for _, p := range snap.Plots {
			base := stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block, Day: days[v]}
			if latin {
				base.Column = p.Column
			}
			if snap.Trial.Design == trial.CompletelyRandomised {
				base.Block = ""
			}
			list := byPlot[spot{plot: p.ID, visit: v}]
			if len(list) == 0 {
				base.Missing, base.Source = true, "plot "+p.ID
				rows = append(rows, base)
				continue
			}
			for _, r := range list {
				row := base
				row.Value, row.Source = r.value, r.source
				if r.quadrat > 0 {
					row.Quadrat = fmt.Sprint(r.quadrat)
				}
				rows = append(rows, row)
			}
		}
	}
	return rows
}

// dateSets gathers the dates of operations that may be confounded with the
// treatments.
func dateSets(snap *record.Snapshot) []stats.DateSet {
	var out []stats.DateSet
	for _, what := range []string{"seeding", "termination", "planting"} {
		set := stats.DateSet{Operation: what, ByTreatment: map[string]string{}}
		for _, o := range snap.Operations {
			if o.What != what || o.Plot != "" {
				continue
			}
			for _, t := range snap.Trial.Treatments {
				if o.Treatment == "" || o.Treatment == t.Code {
					set.ByTreatment[t.Code] = o.Date.String()
				}
			}
		}
		if len(set.ByTreatment) > 1 {
			out = append(out, set)
		}
	}
	return out
}

// comparisonOptions are the options of a comparison of this trial.
func comparisonOptions(snap *record.Snapshot, r response) stats.Options {
	opt := stats.DefaultOptions()
	opt.Response, opt.Unit, opt.Kind = r.label, r.unit, r.kind
	opt.UnitKnown = true // sheets are checked as they come in, photos are measured by one program
	opt.Control = snap.Trial.Control()
	opt.Dates = dateSets(snap)
	for _, t := range snap.Trial.Treatments {
		opt.Order = append(opt.Order, t.Code)
	}
	return opt
}

// pairsOf holds every photo's value against the hand value of the same
// quadrat at the same visit. Values missing on one side are NaN, as
// calibrate.Pair asks.
func pairsOf(snap *record.Snapshot, kind calibrate.Kind) []calibrate.Pair {
	image := response{name: "cover"}
	hand := response{name: "hand-cover"}
	area := 1.0
	if kind == calibrate.Count {
		image.name, hand.name = "pieces", "count"
		area = snap.Trial.Quadrat.AreaM2() // back to pieces and plants in the frame
	}
	scale := 0.01
	if kind == calibrate.Count {
		scale = area
	}
	at := map[spot]*calibrate.Pair{}
	var order []spot
	get := func(r reading) *calibrate.Pair {
		k := spot{r.plot, r.quadrat, r.visit}
		p := at[k]
		if p == nil {
			pl, _ := snap.Plot(r.plot)
			p = &calibrate.Pair{Plot: r.plot, Quadrat: fmt.Sprint(r.quadrat), Visit: fmt.Sprint(r.visit), Treatment: pl.Treatment,
				Hand: calibrate.Missing(), Image: calibrate.Missing(), Source: r.source}
			at[k] = p
			order = append(order, k)
		}
		return p
	}
	for _, r := range image.readings(snap) {
		get(r).Image = r.value * scale
	}
	observers := map[spot]string{}
	for _, o := range snap.Observations {
		if o.Observer != "" && (o.Variable == "count" || o.Variable == "cover") {
			observers[spot{o.Plot, o.Quadrat, o.Visit}] = o.Observer
		}
	}
	for _, r := range hand.readings(snap) {
		p := get(r)
		p.Hand = r.value * scale
		p.Observer = observers[spot{r.plot, r.quadrat, r.visit}]
	}
	slices.SortFunc(order, func(a, b spot) int {
		return cmp.Or(a.visit-b.visit, strings.Compare(a.plot, b.plot), a.quadrat-b.quadrat)
	})
	out := make([]calibrate.Pair, 0, len(order))
	for _, k := range order {
		out = append(out, *at[k])
	}
	return out
}

func unmarshal[T any](raw json.RawMessage) (T, error) {
	var v T
	err := json.Unmarshal(raw, &v)
	return v, err
}
