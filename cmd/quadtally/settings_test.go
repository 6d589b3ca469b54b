package main

import (
	"testing"

	"quadtally/cmd/quadtally/internal/season"
)

// TestSettingsAreKept: what is said once about the photos of a trial holds for
// later runs, until it is taken back.
func TestSettingsAreKept(t *testing.T) {
	dir, photos := smallTrial(t, 3)
	for _, c := range []struct {
		flags              []string
		noFrame, cardWhite bool
	}{
		{[]string{"--no-frame", "--card-white"}, true, true},
		{nil, true, true},
		{[]string{"--card-white=false"}, true, false},
		{[]string{"--no-frame=false"}, false, false},
	} {
		say(t, append([]string{"photos", photos, "--trial", dir}, c.flags...)...)
		opt, err := season.VisionOptions(snapshotOf(t, dir))
		if err != nil {
			t.Fatal(err)
		}
		if whole := opt.FrameMM[0] == 0; whole != c.noFrame || opt.CardWhite != c.cardWhite {
			t.Errorf("after %q: whole photos %v, the card's white %v; want %v and %v", c.flags, whole, opt.CardWhite, c.noFrame, c.cardWhite)
		}
	}
}
