package review

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"
)

// fake is a trial of invented photos that remembers what it was asked to do.
type fake struct {
	mu       sync.Mutex
	season   Season
	photos   map[string]Photo
	done     []Action
	undone   []int64
	readOnly bool
	checks   int      // drawn
	answers  []string // of check points
	files    map[string][]byte
	counts   map[string]FieldCount
	before   []Count // counts in force that a new one is asked about
}

const evil = `"><script>alert('x')</script><img src=x onerror=alert(1)>`

func hashFor(n int) string { return strings.Repeat(fmt.Sprintf("%04x", n), 16) }

// newFake has photos of two visits: fine, waiting, unread, set aside, spare
// and doubtful ones. hostile texts stand wherever a person or a file may put one.
func newFake() *fake {
	f := &fake{photos: map[string]Photo{}, season: Season{
		Trial: "Leeks " + evil, Author: "Ada " + evil, PerPlot: 3, Classes: []string{"broadleaf", "grass " + evil}, Rule: "rooted inside " + evil, Entry: 7,
		Plants: PlantClasses([]Class{KindOf(Weed, "grass"), KindOf(Weed, "fat hen "+evil), KindOf(Crop, "leek")}),
		Visits: []Visit{{1, "2025-06-14"}, {2, "2025-06-28"}, {}},
		Plots:  []Plot{{"101", "BARE " + evil}, {"102", "RYE"}},
	}}
	states := []State{InUse, Waiting, Unread, Aside, Spare, InUse}
	for i, st := range states {
		shot := Shot{Hash: hashFor(i + 1), Name: fmt.Sprintf("IMG_%d%s.jpg", i, evil), Visit: 1 + i/3, Plot: "101", Quadrat: 1, Treatment: "BARE " + evil,
			State: st, Why: "because " + evil, Glances: i % 2}
		if st == Waiting {
			shot.Plot, shot.Quadrat = "", 0
		}
		p := Photo{Shot: shot, Taken: "2025-06-14 08:00:00", Basis: "its name", Measured: st != Unread,
			WidthPx: 1000, HeightPx: 1000, Evidence: []Evidence{{hashFor(1), Small, evil}}, WholeCopy: evil,
			Found: []Fact{{"Camera", evil}}, Doubts: []Doubt{{evil, i == 0}, {evil, false}}, Notes: []string{evil},
			Areas:  []Area{{Crop, []XY{{0.1, 0.1}, {0.2, 0.1}, {0.2, 0.2}}}, {Class(evil), []XY{{0, 0}, {1, 0}, {1, 1}}}},
			Counts: []Count{{evil, 3, evil, evil}}, Beside: []Count{{evil, 4, evil, evil}},
			Steps: []Step{{Entry: 5, At: time.Unix(0, 0), Author: evil, Text: evil, Hash: shot.Hash, Live: true}}}
		if st != Unread {
			p.Numbers = &Numbers{Quantity: "green cover", CoverFrac: 0.1234, LoFrac: 0.1, HiFrac: 0.2, Pieces: 5, Threshold: 0.12, Basis: evil, ByHand: true, Notes: []string{evil}}
			p.Corners = &[4]XY{{0.1, 0.1}, {0.9, 0.1}, {0.9, 0.9}, {0.1, 0.9}}
		}
		f.season.Shots = append(f.season.Shots, shot)
		f.photos[shot.Hash] = p
	}
	return f
}

func (f *fake) Season(context.Context) (Season, error) {
	s := f.season
	s.ReadOnly = f.readOnly
	return s, nil
}

func (f *fake) Photo(_ context.Context, hash string) (Photo, error) {
	p, ok := f.photos[hash]
	if !ok {
		return p, ErrUnknown
	}
	return p, nil
}

func (f *fake) Picture(_ context.Context, hash string, _ View) ([]byte, error) {
	if f.photos[hash].State == Unread {
		return nil, fmt.Errorf("%w (%s)", ErrNoPicture, evil)
	}
	if _, ok := f.photos[hash]; !ok {
		return nil, ErrUnknown
	}
	return []byte("\xff\xd8\xff\xd9"), nil
}

func (f *fake) Plane(_ context.Context, hash string) (Plane, error) {
	if _, ok := f.photos[hash]; !ok {
		return Plane{}, ErrUnknown
	}
	return Plane{2, 2, 1, []uint8{0, 1, 2, OutsideLevel}}, nil
}

func (f *fake) Thresholds(_ context.Context, visit int) (Thresholds, error) {
	if visit < 0 || visit > 2 {
		return Thresholds{}, ErrUnknown
	}
	return Thresholds{Visit: visit, Values: []float64{0.1, 0.11}, Mean: []float64{0.3, 0.2}, Basis: evil,
		Photos: []PhotoCover{{hashFor(1), evil, []float64{0.3, 0.2}, 0.3}}}, nil
}

func (f *fake) Do(_ context.Context, act Action) (Done, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.readOnly {
		return Done{}, ErrReadOnly
	}
	if r, ok := act.(Reject); ok && r.Reason == "break" {
		return Done{}, errors.New("the disk is full")
	}
	if c, ok := act.(Tally); ok && c.Over == OverAsk && f.before != nil {
		return Done{}, &CountedBefore{Counts: f.before, Entry: 9}
	}
	f.done = append(f.done, act)
	return Done{fmt.Sprintf("did %T %s", act, evil), 5}, nil
}

func (f *fake) Undo(_ context.Context, entry int64) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if entry != 5 {
		return "", ErrUnknown
	}
	f.undone = append(f.undone, entry)
	return "took it back", nil
}

func (f *fake) Log(context.Context) ([]Step, error) {
	return []Step{{5, time.Unix(0, 0), evil, evil, hashFor(1), 0, true}, {4, time.Unix(0, 0), "Ben", "older", "", 0, false}, {3, time.Unix(0, 0), evil, evil, "", 2, true}}, nil
}

func (f *fake) actions() []Action {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.done)
}

func (f *fake) Walk(_ context.Context, visit int) (Walk, error) {
	return Walk{Trial: "Leeks " + evil, Visit: max(visit, 1), Visits: []Visit{{1, "2025-06-14"}}, Classes: []string{"broadleaf", "grass"},
		Quadrats: []WalkSpot{{"101", 1, false, false}, {"101", 2, false, true}}}, nil
}

func (f *fake) Received(_ context.Context, key string) (Progress, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return Progress{Have: int64(len(f.files[key]))}, nil
}

func (f *fake) Upload(_ context.Context, p Piece) (Progress, error) {
	b, err := io.ReadAll(p.Body)
	if err != nil {
		return Progress{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.files == nil {
		f.files = map[string][]byte{}
	}
	if p.Offset != int64(len(f.files[p.Key])) {
		return Progress{Have: int64(len(f.files[p.Key]))}, nil
	}
	f.files[p.Key] = append(f.files[p.Key], b...)
	out := Progress{Have: int64(len(f.files[p.Key]))}
	if out.Have == p.Total {
		out.Verdict = &Verdict{Name: p.Name, Keep: true, Plot: "101", Quadrat: 1, Visit: 1, Good: []string{"card read"}}
	}
	return out, nil
}

func (f *fake) FieldCount(_ context.Context, c FieldCount) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if c.Over == OverAsk && f.before != nil {
		return "", &CountedBefore{Counts: f.before}
	}
	if f.counts == nil {
		f.counts = map[string]FieldCount{}
	}
	f.counts[c.Key] = c
	return "stored", nil
}
