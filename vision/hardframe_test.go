package vision

import (
	"errors"
	"strings"
	"testing"

	"quadtally/vision/frame"
)

// TestDoubtfulFrame: a frame that was found by its edges is asked about exactly
// where it was hardly to be seen. Sides under leaves are drawn until all
// kinds have come up.
func TestDoubtfulFrame(t *testing.T) {
	asked, glanced, sound := 0, 0, 0
	for seed := uint64(1); seed <= 30 && (asked == 0 || glanced == 0 || sound == 0); seed++ {
		s := quadratScene(seed, 500, 500, "straw")
		s.Frame = [3]float64{150, 154, 158}
		if seed%2 == 0 {
			s.Bars.Covered = [4]float64{.5, .25, .3, .2}
		}
		r, truth := s.Render(1200, 900)
		opt := framedOptions(500, 500)
		opt.FocalPx, opt.ReadCard = truth.Focal, false
		m, err := Measure(asJPEG(t, r), opt)
		if errors.Is(err, frame.ErrNotFound) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		var want, got Severity
		switch c := m.Frame.Confidence; {
		case c < frame.LookConfidence:
			want = MustLook
			asked++
		case c < frame.DoubtfulConfidence:
			want = Glance
			glanced++
		default:
			sound++
		}
		for _, f := range m.Flags {
			if f.Code == FlagDoubtfulFrame && f.Value == m.Frame.Confidence {
				got = f.Severity
			}
		}
		if got != want {
			t.Errorf("scene %d: confidence %g, flags %+v", seed, m.Frame.Confidence, m.Flags)
		}
	}
	if asked == 0 || glanced == 0 || sound == 0 {
		t.Errorf("%d asked about, %d worth a glance, %d not: one kind was never drawn", asked, glanced, sound)
	}
}

// TestNoFrameTwoCards: where no frame was found the sentence says that a person
// has to choose between cards, read or not.
func TestNoFrameTwoCards(t *testing.T) {
	for _, c := range []struct {
		e    NoFrameError
		says string
	}{
		{NoFrameError{Reason: "no sides"}, ""},
		{NoFrameError{Reason: "no sides", Card: "A", Cards: []string{"A"}}, ""},
		{NoFrameError{Reason: "no sides", UnreadCards: 1}, ""},
		{NoFrameError{Reason: "no sides", Cards: []string{"A"}, UnreadCards: 1}, "which of 2 plot cards"},
		{NoFrameError{Reason: "no sides", Cards: []string{"A", "B"}}, "which of 2 plot cards"},
		{NoFrameError{Reason: "no sides", UnreadCards: 3}, "which of 3 plot cards"},
	} {
		got := c.e.Error()
		if c.says == "" && strings.Contains(got, "plot card") || !strings.Contains(got, c.says) || !strings.Contains(got, "no sides") {
			t.Errorf("%+v: %q", c.e, got)
		}
	}
}
