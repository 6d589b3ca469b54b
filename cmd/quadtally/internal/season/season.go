// Package season turns photo files into numbers. A photo is taken in (its
// facts stored), measured in a worker process, placed at a plot, quadrat and
// visit, and given its numbers at the threshold that the photos of its visit
// share. Everything is stored in the record as it is reached, so that a run
// that was stopped goes on where it was.
//
// It is the only writer of measurements, of worked-out places, of thresholds
// and of results. What it did and found is returned as values; it prints
// nothing and knows no command line.
package season

import (
	"context"
	"encoding/json"
	"runtime"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// Options says how photos are measured and who watches.
type Options struct {
	Workers  int           // processes that measure at the same time; at least 1
	Limit    time.Duration // longest time for one photo; 0: none
	Progress Progress      // nil: nobody watches
}

// DefaultOptions measures on all cores, with a minute for each photo.
func DefaultOptions() Options { return Options{Workers: runtime.NumCPU(), Limit: time.Minute} }

// Progress begins to show a step of work on total things, -1 where their
// number is not known.
type Progress func(total int, what string) Bar

// Bar shows how far one step is.
type Bar interface {
	Add(n int) error
	Finish() error
}

type noBar struct{}

func (noBar) Add(int) error { return nil }
func (noBar) Finish() error { return nil }

func (o Options) begin(total int, what string) Bar {
	if o.Progress == nil {
		return noBar{}
	}
	return o.Progress(total, what)
}

// Season is an open record together with how its photos are measured.
type Season struct {
	store *record.Store
	opt   Options
}

// New works on an open record, which stays the caller's to close.
func New(store *record.Store, opt Options) *Season { return &Season{store, opt} }

// Copy names a file and another one that it repeats.
type Copy struct {
	File string `json:"file"`
	Of   string `json:"of"`
}

// Question is something about a photo that only a person can decide.
type Question struct {
	Photo string `json:"photo"`
	Hash  string `json:"hash"`
	Text  string `json:"text"`
}

// Outcome is what taking in folders, or merging parts, did and found.
type Outcome struct {
	Files      int                       `json:"files_seen"`
	Ignored    int                       `json:"ignored"`
	Skipped    map[intake.SkipReason]int `json:"folders_skipped,omitempty"` // not looked into
	Photos     int                       `json:"photos"`
	New        int                       `json:"new"`
	Measured   int                       `json:"measured"`
	Copies     []Copy                    `json:"copies"`
	Versions   []Copy                    `json:"same_name_other_bytes"`
	Placed     map[string]int            `json:"placed_by"` // basis: photos
	Renamed    []Renamed                 `json:"renamed,omitempty"`
	Spare      int                       `json:"spare"`
	Open       []Question                `json:"open"`
	Faults     []intake.Fault            `json:"faults"`
	Settings   string                    `json:"settings"`
	Thresholds map[int]record.Threshold  `json:"thresholds"` // by visit

	SheetClashes []intake.SheetClash `json:"sheet_clashes,omitempty"` // rows that say nothing about a photo

	Parts   []string `json:"parts,omitempty"`         // of a merge: the parts folded in
	Missing []string `json:"missing_parts,omitempty"` // not given, or not finished

	Unfinished []PartOfFolder `json:"-"` // parts that were given but not measured to their end
	Absent     []AbsentParts  `json:"-"` // parts that were not given
}

// Renamed is a photo that was placed by its name and has another name now.
type Renamed struct {
	File  string `json:"file"`
	Was   string `json:"was"`
	Stays bool   `json:"stays"` // the new name tells no plot, so that the photo stays where it was
}

func newOutcome(fingerprint string) *Outcome {
	return &Outcome{Placed: map[string]int{}, Copies: []Copy{}, Open: []Question{}, Faults: []intake.Fault{}, Settings: fingerprint}
}

// Photos takes folders in, measures what has no measurement under the
// settings, which change may change first, and works out what follows. sheet
// says which photo is which, and may be nil.
func (s *Season) Photos(ctx context.Context, snap *record.Snapshot, folders []string, change Change, sheet []intake.SheetRow) (*Outcome, error) {
	opt, err := s.changeSettings(ctx, &snap, change)
	if err != nil {
		return nil, err
	}
	out := newOutcome(opt.Fingerprint())
	paths, stored, err := s.takeIn(ctx, snap, folders, out)
	if err != nil {
		return nil, err
	}
	if stored {
		if snap, err = s.store.Snapshot(ctx); err != nil {
			return nil, err
		}
	}
	var unreachable []intake.Fault
	out.Measured, unreachable, err = s.measureNew(ctx, snap, paths, opt)
	if err != nil {
		return nil, err
	}
	out.Faults = append(out.Faults, unreachable...)
	if snap, err = s.workOut(ctx, sheet, opt, out); err != nil {
		return nil, err
	}
	out.summarise(snap, paths)
	return out, nil
}

// Update works out anew what follows from what people decided: it measures
// the given photos again where somebody drew on them, and then places all
// photos and applies the thresholds of their visits.
func (s *Season) Update(ctx context.Context, hashes ...string) error {
	snap, err := s.store.Snapshot(ctx)
	if err != nil {
		return err
	}
	opt, err := VisionOptions(snap)
	if err != nil {
		return err
	}
	paths, err := s.drawnOn(ctx, snap, hashes, opt)
	if err != nil {
		return err
	}
	if _, _, err := s.measureNew(ctx, snap, paths, opt); err != nil {
		return err
	}
	_, err = s.workOut(ctx, nil, opt, newOutcome(""))
	return err
}

// workOut places every photo, gives every visit its threshold and every photo
// its numbers, and tells plants apart where some are named. Rows of the sheet that mean no photo go into out. It
// returns the newest snapshot.
func (s *Season) workOut(ctx context.Context, sheet []intake.SheetRow, opt vision.Options, out *Outcome) (*record.Snapshot, error) {
	snap, err := s.store.Snapshot(ctx)
	if err != nil {
		return nil, err
	}
	listed, clashes := matchSheet(snap, sheet)
	out.SheetClashes = clashes
	if snap, err = s.place(ctx, snap, listed); err != nil {
		return nil, err
	}
	if snap, err = s.applyThresholds(ctx, snap, opt); err != nil {
		return nil, err
	}
	return s.sortPlants(ctx, snap)
}

// summarise counts how the photos of this run stand; paths has them by hash.
func (out *Outcome) summarise(snap *record.Snapshot, paths map[string]string) {
	out.Thresholds = snap.Thresholds
	out.Versions = DifferentVersions(snap)
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if _, here := paths[p.Hash]; !here {
			continue
		}
		switch p.State() {
		case record.PhotoUnread:
			out.Faults = append(out.Faults, intake.Fault{Path: p.Path, Text: p.Fault})
		case record.PhotoAwaitsPlace:
			out.Open = append(out.Open, Question{fileName(p.Path), p.Hash, p.Why()})
		case record.PhotoSpare:
			out.Spare++
		case record.PhotoInUse:
			out.Placed[p.Place.Basis]++
		case record.PhotoSetAside, record.PhotoUnmeasured:
			// The first was decided by a person; of the second, which could
			// not be reached, the faults speak already.
		}
	}
}

func decode[T any](raw json.RawMessage) (T, error) {
	var v T
	err := json.Unmarshal(raw, &v)
	return v, err
}
