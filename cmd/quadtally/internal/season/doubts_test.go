package season

import (
	"encoding/json"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// A doubt counts where the photo is in use and nobody has answered it, and a
// grave one hides lesser ones.
func TestUnanswered(t *testing.T) {
	grave, lesser := vision.Flag{Severity: vision.MustLook}, vision.Flag{}
	for name, c := range map[string]struct {
		flags        []vision.Flag
		change       func(*record.Photo)
		look, glance bool
	}{
		"none":                        {nil, nil, false, false},
		"lesser":                      {[]vision.Flag{lesser}, nil, false, true},
		"grave":                       {[]vision.Flag{grave}, nil, true, false},
		"both":                        {[]vision.Flag{lesser, grave, lesser}, nil, true, false},
		"accepted":                    {[]vision.Flag{grave}, func(p *record.Photo) { p.Accepted = true }, false, false},
		"grave at the threshold":      {[]vision.Flag{lesser}, func(p *record.Photo) { p.Result.Flags = json.RawMessage(`[{"severity":"look"}]`) }, true, false},
		"lesser at the threshold":     {nil, func(p *record.Photo) { p.Result.Flags = json.RawMessage(`[{"severity":"glance"}]`) }, false, true},
		"unreadable at the threshold": {nil, func(p *record.Photo) { p.Result.Flags = json.RawMessage(`"garbage"`) }, true, false},
		"accepted for what is in doubt": {nil, func(p *record.Photo) {
			p.Accepted, p.AcceptedFor, p.Result.Flags = true, []string{"two-ways"}, json.RawMessage(`[{"code":"two-ways","severity":"look"}]`)
		}, false, false},
		"accepted for something else": {nil, func(p *record.Photo) {
			p.Accepted, p.AcceptedFor, p.Result.Flags = true, []string{}, json.RawMessage(`[{"code":"two-ways","severity":"look"}]`)
		}, true, false},
		"set aside": {[]vision.Flag{grave}, func(p *record.Photo) { p.Rejected = "blurred" }, false, false},
	} {
		doc, err := json.Marshal(struct{ Flags []vision.Flag }{c.flags})
		if err != nil {
			t.Fatal(err)
		}
		p := record.Photo{Doc: doc, Result: &record.Result{}}
		p.Place.State = record.PlaceKnown
		if c.change != nil {
			c.change(&p)
		}
		if look, glance := Unanswered(&p); look != c.look || glance != c.glance {
			t.Errorf("%s: look %v, glance %v", name, look, glance)
		}
	}
}

// TestOutdated: photos in use that were measured with other settings than those
// in force are counted by visit.
func TestOutdated(t *testing.T) {
	_, snap := newTrial(t)
	opt, err := VisionOptions(snap)
	if err != nil {
		t.Fatal(err)
	}
	for _, visit := range []int{1, 1, 2} {
		p := record.Photo{PhotoFacts: record.PhotoFacts{Hash: "x"}, MeasurementID: 1, Fingerprint: "before", Result: &record.Result{}}
		p.Place = record.Place{State: record.PlaceKnown, Visit: visit, Plot: "101", Quadrat: 1}
		snap.Photos = append(snap.Photos, p)
	}
	for want := 2; want >= 0; want-- {
		got, err := Outdated(snap)
		if err != nil || got[1] != want || got[2] != 1 {
			t.Errorf("%v, %v; want %d at visit 1 and 1 at visit 2", got, err, want)
		}
		if want > 0 {
			snap.Photos[want-1].Fingerprint = opt.Fingerprint()
		}
	}
}
