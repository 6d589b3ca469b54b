package main

import (
	"testing"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

// TestRuler: without a frame the printed card gives a photo its scale; with one
// the frame does.
func TestRuler(t *testing.T) {
	for _, noFrame := range []bool{false, true} {
		var snap record.Snapshot
		snap.Trial.Quadrat.WidthMM, snap.Trial.Quadrat.LengthMM = 500, 500
		opt, err := season.Settings{NoFrame: noFrame}.VisionOptions(&snap.Trial)
		if err != nil {
			t.Fatal(err)
		}
		if want := map[bool]float64{true: print.CodeMM}[noFrame]; opt.CardCodeMM != want || (opt.FrameMM == [2]float64{}) != noFrame {
			t.Errorf("no frame %v: frame %v, code of %g mm", noFrame, opt.FrameMM, opt.CardCodeMM)
		}
	}
}
