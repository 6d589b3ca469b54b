package main

import (
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/raster"
)

// What a person can say a patch of green is.
const (
	patchWeed     = "weed"
	patchCrop     = "crop"
	patchRegrowth = "cover-crop regrowth"
	patchNoPlant  = "not a plant"
)

// patch is what a person said about one patch of green: the value of a
// decision of KindPatch.
type patch struct {
	Class string `json:"class"`
	// At is the spot pointed at and Area the patch's outline, in pixels of the
	// upright photo. Without them, weed says that all green is weed that is
	// not marked otherwise.
	At   *[2]float64  `json:"at,omitempty"`
	Area [][2]float64 `json:"area,omitempty"`
}

// patches are the marks in force on one photo.
type patches struct {
	list []patch
	key  string // the decisions they rest on
	tell bool   // they tell crop from weed
}

// marksOf gathers the marks on a photo. The newest word about a spot stands:
// a mark replaces older ones whose area holds its spot.
func marksOf(snap *record.Snapshot, hash string) (patches, error) {
	var m patches
	var ids []string
	for _, d := range snap.About(record.PhotoSubject(hash)) {
		if d.Kind != record.KindPatch {
			continue
		}
		p, err := unmarshal[patch](d.Value)
		if err != nil {
			return m, err
		}
		if p.At != nil {
			m.list = slices.DeleteFunc(m.list, func(old patch) bool { return old.holds(*p.At) })
		}
		m.list = append(m.list, p)
		ids = append(ids, strconv.FormatInt(d.ID, 10))
	}
	for _, p := range m.list {
		m.tell = m.tell || p.Class == patchCrop || p.Class == patchRegrowth || (p.Class == patchWeed && p.At == nil)
	}
	m.key = strings.Join(ids, " ")
	return m, nil
}

// holds reports that a spot lies in the patch, by the crossing rule.
func (p patch) holds(at [2]float64) bool {
	in := false
	for i, a := range p.Area {
		b := p.Area[(i+1)%len(p.Area)]
		if (a[1] > at[1]) != (b[1] > at[1]) && at[0] < (b[0]-a[0])*(at[1]-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}

// areas are the outlines marked as one of the classes.
func (m patches) areas(classes ...string) [][][2]float64 {
	var out [][][2]float64
	for _, p := range m.list {
		if len(p.Area) > 2 && slices.Contains(classes, p.Class) {
			out = append(out, p.Area)
		}
	}
	return out
}

// apply tells vision which green is not weed. Regrowth of the cover crop is
// kept apart in the record, but it is no more weed than the crop is.
func (m patches) apply(opt vision.Options) vision.Options {
	areas := m.areas(patchCrop, patchRegrowth)
	opt.Pieces.Crop = slices.Clone(opt.Pieces.Crop)
	for _, a := range areas {
		var ring []raster.Point
		for _, p := range a {
			ring = append(ring, raster.Point{X: p[0], Y: p[1]})
		}
		opt.Pieces.Crop = append(opt.Pieces.Crop, ring)
	}
	return opt
}

// weedCover is the kind of a result whose cover is of weeds alone; every other
// green was marked by a person.
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
