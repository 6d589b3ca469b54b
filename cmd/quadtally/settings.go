package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/raster"
)

// settings are the measuring settings of a trial, kept as a decision about it.
type settings struct {
	Index   vision.Index `json:"index,omitempty"`
	NoFrame bool         `json:"no_frame,omitempty"`
	// CardWhite takes the plot card's paper as the white reference.
	CardWhite bool `json:"card_white,omitempty"`
}

// visionOptions are the settings every photo of the trial is measured with.
func visionOptions(snap *record.Snapshot) (vision.Options, error) {
	s, err := decidedSettings(snap)
	if err != nil {
		return vision.Options{}, err
	}
	return s.options(snap)
}

// decidedSettings are the settings decided about the trial.
func decidedSettings(snap *record.Snapshot) (settings, error) {
	d, ok := snap.Decision("trial", record.KindSettings)
	if !ok {
		return settings{}, nil
	}
	return unmarshal[settings](d.Value)
}

// with are the settings with what the flags change.
func (s settings) with(f photosFlags) (settings, error) {
	if f.index != "" {
		if s.Index = vision.Index(f.index); !slices.Contains(vision.Indices(), s.Index) {
			return s, usagef("there is no index %q: choose %s", f.index, indexNames())
		}
	}
	if f.noFrame != nil {
		s.NoFrame = *f.noFrame
	}
	if f.cardWhite != nil {
		s.CardWhite = *f.cardWhite
	}
	return s, nil
}

func (s settings) options(snap *record.Snapshot) (vision.Options, error) {
	opt := vision.DefaultOptions()
	opt.FrameMM = [2]float64{snap.Trial.Quadrat.WidthMM, snap.Trial.Quadrat.LengthMM}
	opt.PipeDiameterMM = snap.Trial.Quadrat.PipeMM
	opt.Index = cmp.Or(s.Index, opt.Index)
	opt.CardWhite = s.CardWhite
	if s.NoFrame {
		// The plot card is then the only ruler in the photo.
		opt.FrameMM, opt.CardCodeMM = [2]float64{}, print.CodeMM
	}
	return opt, opt.Validate()
}

// guide is what a person drew on a photo to steer its measuring.
type guide struct {
	Corners *[4][2]float64 `json:"corners,omitempty"` // inner corners, pixels of the upright photo
	Exclude [][][2]float64 `json:"exclude,omitempty"` // polygons left out
}

// newSettings stores what the flags change for the trial.
func (a *app) newSettings(store *record.Store, snap **record.Snapshot, f photosFlags) error {
	was, err := decidedSettings(*snap)
	if err != nil {
		return err
	}
	s, err := was.with(f)
	if err != nil {
		return err
	}
	type byHand struct {
		visit int
		value *float64
	}
	var hands []byHand
	for _, t := range f.threshold {
		var h byHand
		left, right, ok := strings.Cut(t, "=")
		if _, err := fmt.Sscan(left, &h.visit); err != nil || !ok || h.visit < 1 || h.visit > len((*snap).Trial.Visits) {
			return usagef("--threshold %q: write it as VISIT=VALUE, with a visit from 1 to %d", t, len((*snap).Trial.Visits))
		}
		if right != "auto" {
			var v float64
			if _, err := fmt.Sscan(right, &v); err != nil {
				return usagef("--threshold %q: %q is neither a number nor auto", t, right)
			}
			th, err := vision.HandThreshold(cmp.Or(s.Index, vision.DefaultOptions().Index), v)
			if err != nil {
				return usageError{err}
			}
			h.value = &th.Value
		}
		hands = append(hands, h)
	}
	if s == was && len(hands) == 0 {
		return nil
	}
	_, err = store.Write(a.ctx, "photos", "settings", func(tx *record.Tx) error {
		if s != was {
			if _, err := tx.Decide("trial", record.KindSettings, s); err != nil {
				return err
			}
		}
		for _, h := range hands {
			th := toBeSettled
			if h.value != nil {
				th = setByHand(*h.value)
			}
			if _, err := tx.Decide(record.VisitSubject(h.visit), record.KindThreshold, th); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	*snap, err = store.Snapshot(a.ctx)
	return err
}

// toBeSettled is the threshold of a visit given back to its photos.
var toBeSettled = record.Threshold{Basis: "to be settled from the photos"}

// setByHand is the threshold of a visit set by a person.
func setByHand(v float64) record.Threshold {
	return record.Threshold{Value: v, Basis: "set by hand", ByHand: true}
}

// guideOf is what a person drew on a photo, as stored and as options. Patches
// marked as no plant are left out of the ground like drawn regions.
func guideOf(snap *record.Snapshot, hash string, opt vision.Options) (string, vision.Options, error) {
	g, err := drawnGuide(snap, hash)
	if err != nil {
		return "", opt, err
	}
	marks, err := marksOf(snap, hash)
	if err != nil {
		return "", opt, err
	}
	for _, p := range marks.areas(patchNoPlant) {
		g.Exclude = append(g.Exclude, p)
	}
	if g.Corners == nil && len(g.Exclude) == 0 {
		return "", opt, nil
	}
	stored, err := json.Marshal(g)
	return string(stored), g.apply(opt), err
}

// drawnGuide is the guide a person drew on a photo last.
func drawnGuide(snap *record.Snapshot, hash string) (guide, error) {
	d, ok := snap.Decision(record.PhotoSubject(hash), record.KindGuide)
	if !ok {
		return guide{}, nil
	}
	return unmarshal[guide](d.Value)
}

// apply puts what a person drew over the settings of the trial.
func (g guide) apply(opt vision.Options) vision.Options {
	points := func(list [][2]float64) []raster.Point {
		out := make([]raster.Point, len(list))
		for i, p := range list {
			out[i] = raster.Point{X: p[0], Y: p[1]}
		}
		return out
	}
	if g.Corners != nil {
		c := [4]raster.Point(points(g.Corners[:]))
		opt.Corners = &c
	}
	for _, area := range g.Exclude {
		opt.Exclude = append(opt.Exclude, points(area))
	}
	return opt
}
