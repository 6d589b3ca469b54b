package season

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/raster"
)

// This file holds what a person drew on a photo: a guide steers its measuring,
// marks say what single patches of green are.

// Guide is what a person drew on a photo to steer its measuring: the value of
// a decision of record.KindGuide. Positions are pixels of the upright photo.
type Guide struct {
	Corners *[4][2]float64 `json:"corners,omitempty"` // inner corners of the frame, clockwise from the upper left
	Exclude [][][2]float64 `json:"exclude,omitempty"` // polygons left out of the ground
}

// GuideOf is the guide drawn on a photo last.
func GuideOf(snap *record.Snapshot, hash string) (Guide, error) {
	d, ok := snap.Decision(record.PhotoSubject(hash), record.KindGuide)
	if !ok {
		return Guide{}, nil
	}
	return decode[Guide](d.Value)
}

// apply puts what a person drew over the options of the trial.
func (g Guide) apply(opt vision.Options) vision.Options {
	if g.Corners != nil {
		c := [4]raster.Point(points(g.Corners[:]))
		opt.Corners = &c
	}
	opt.Exclude = slices.Clip(opt.Exclude)
	for _, area := range g.Exclude {
		opt.Exclude = append(opt.Exclude, points(area))
	}
	return opt
}

func points(list [][2]float64) []raster.Point {
	out := make([]raster.Point, len(list))
	for i, p := range list {
		out[i] = raster.Point{X: p[0], Y: p[1]}
	}
	return out
}

// guided is what was drawn on a photo, as it is stored with a measurement, and
// the options it is to be measured with. Patches marked as no plant are left
// out of the ground like drawn regions.
func guided(snap *record.Snapshot, hash string, opt vision.Options) (guide string, with vision.Options, err error) {
	g, err := GuideOf(snap, hash)
	if err != nil {
		return "", opt, err
	}
	marks, err := MarksOf(snap, hash)
	if err != nil {
		return "", opt, err
	}
	g.Exclude = append(g.Exclude, marks.areas(MarkNoPlant)...)
	if g.Corners == nil && len(g.Exclude) == 0 {
		return "", opt, nil
	}
	stored, err := json.Marshal(g)
	return string(stored), g.apply(opt), err
}

// What a person can say a patch of green is.
const (
	MarkWeed     = "weed"
	MarkCrop     = "crop"
	MarkRegrowth = "cover-crop regrowth"
	MarkNoPlant  = "not a plant"
)

// Mark is what a person said about one patch of green: the value of a decision
// of record.KindPatch.
type Mark struct {
	Class string `json:"class"` // one of the Mark constants
	// At is the spot pointed at and Area the patch's outline, in pixels of the
	// upright photo. Without them, weed says that all green is weed that is
	// not marked otherwise.
	At   *[2]float64  `json:"at,omitempty"`
	Area [][2]float64 `json:"area,omitempty"`
}

// Marks are the marks in force on one photo.
type Marks struct {
	List      []Mark
	decisions string // the numbers of the decisions they rest on
	weedsOnly bool   // they separate crop from weed, so that the numbers are of weeds alone
}

// MarksOf gathers the marks on a photo. A mark replaces older ones whose area
// contains its spot.
func MarksOf(snap *record.Snapshot, hash string) (Marks, error) {
	var m Marks
	var ids []string
	for _, d := range snap.About(record.PhotoSubject(hash)) {
		if d.Kind != record.KindPatch {
			continue
		}
		v, err := decode[Mark](d.Value)
		if err != nil {
			return m, err
		}
		if v.At != nil {
			m.List = slices.DeleteFunc(m.List, func(old Mark) bool { return contains(old.Area, *v.At) })
		}
		m.List = append(m.List, v)
		ids = append(ids, strconv.FormatInt(d.ID, 10))
	}
	m.weedsOnly = slices.ContainsFunc(m.List, func(v Mark) bool {
		return v.Class == MarkCrop || v.Class == MarkRegrowth || (v.Class == MarkWeed && v.At == nil)
	})
	m.decisions = strings.Join(ids, " ")
	return m, nil
}

// contains reports that a spot lies in a polygon, by the crossing rule.
func contains(area [][2]float64, at [2]float64) bool {
	in := false
	for i, a := range area {
		b := area[(i+1)%len(area)]
		if (a[1] > at[1]) != (b[1] > at[1]) && at[0] < (b[0]-a[0])*(at[1]-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}

// areas are the outlines marked as one of the classes.
func (m Marks) areas(classes ...string) [][][2]float64 {
	var out [][][2]float64
	for _, v := range m.List {
		if len(v.Area) > 2 && slices.Contains(classes, v.Class) {
			out = append(out, v.Area)
		}
	}
	return out
}

// apply says in the options which green is not weed. Regrowth of the cover
// crop is kept apart in the record, but it is no more weed than the crop is.
func (m Marks) apply(opt vision.Options) vision.Options {
	opt.Pieces.Crop = slices.Clone(opt.Pieces.Crop)
	for _, area := range m.areas(MarkCrop, MarkRegrowth) {
		opt.Pieces.Crop = append(opt.Pieces.Crop, points(area))
	}
	return opt
}

// weedCover is the quantity of a result whose cover is of weeds alone, in
// words; record.Result.WeedsOnly says the same to programs.
const weedCover = "weed cover"

// weedsOnly turns a result for all green into one for weeds: what was marked
// as crop or regrowth is taken off, and so it is at both ends of the range.
func weedsOnly(out *record.Result, res vision.Result) {
	out.AllGreen = &record.AllGreen{CoverFrac: out.CoverFrac, Pieces: out.Pieces}
	out.Kind = weedCover
	out.CoverFrac = max(res.CoverFrac-res.CropFrac, 0)
	out.LoFrac = max(res.CoverLo-res.CropFrac, 0)
	out.HiFrac = max(res.CoverHi-res.CropFrac, out.CoverFrac)
	out.Pieces = 0
	for _, p := range res.Pieces {
		if p.Kind != vision.Crop {
			out.Pieces++
		}
	}
	out.Notes = append(slices.Clip(out.Notes), "the range is that of all green, moved by what was marked as crop or regrowth; how well it holds for weeds alone was not measured")
}
