// Package review is the page on which a person looks at the photos of a
// trial, corrects them and counts on them. It speaks HTTP and HTML and knows
// nothing of the record or of pixels: those lie behind Backend.
package review

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Backend is a trial as the page needs it. Photos are named by their content
// hash alone. Its methods may be called at the same time.
type Backend interface {
	// Season lists the trial's photos by visit and plot.
	Season(ctx context.Context) (Season, error)
	// Photo tells what is known of one photo.
	Photo(ctx context.Context, hash string) (Photo, error)
	// Picture is a photo as a JPEG.
	Picture(ctx context.Context, hash string, view View) ([]byte, error)
	// Plane is the greenness of the measured ground, for the outline.
	Plane(ctx context.Context, hash string) (Plane, error)
	// Thresholds tells what every threshold would do to the photos of a visit.
	Thresholds(ctx context.Context, visit int) (Thresholds, error)
	// Do carries out what a person asked for. Where a count by hand would stand
	// in the way of another, nothing is stored and the error is a
	// *CountedBefore.
	Do(ctx context.Context, act Action) (Done, error)
	// Undo takes back everything one entry of the log said.
	Undo(ctx context.Context, entry int64) (string, error)
	// Log lists what people decided, newest first.
	Log(ctx context.Context) ([]Step, error)
}

// ErrUnknown means that the record has no such photo, visit or entry.
var ErrUnknown = errors.New("the record holds no such thing")

// ErrNoPicture means that a file cannot be shown as a picture.
var ErrNoPicture = errors.New("the file cannot be shown as a picture")

// ErrNoCard means that nothing like a plot card is seen in a photo.
var ErrNoCard = errors.New("nothing like a plot card is seen in the photo")

// ErrReadOnly means that the trial's folder cannot be written to.
var ErrReadOnly = errors.New("the trial folder cannot be written to: nothing was stored; copy the folder to where you may write and open the page there")

// Refusal is an action that cannot be carried out, with the reason and the
// way out.
type Refusal struct{ Text string }

func (r Refusal) Error() string { return r.Text }

// Done is what became of an action.
type Done struct {
	Text string // a sentence
	// Entry is the entry of the log by which the action can be taken back; 0
	// where nothing was stored.
	Entry int64
}

// CountedBefore means that the quadrat has a count in force that the new one
// would replace. It is told only then: who counts must not know it before.
type CountedBefore struct {
	Counts []Count // in force, of all classes
	Beside []Count // of further observers, beside those
	Entry  int64   // newest entry when this was found
}

func (e *CountedBefore) Error() string {
	return "the quadrat has been counted before: say whether your count takes the place of the one in force; nothing was stored"
}

// State is how a photo stands: a code, which is compared, and Words, which are
// read.
type State string

// The states of a photo.
const (
	InUse   State = "in-use"
	Waiting State = "waiting"
	Spare   State = "spare"
	Aside   State = "set-aside"
	Unread  State = "unread"
)

var stateWords = map[State]string{InUse: "in use", Waiting: "waits for you", Spare: "spare", Aside: "set aside", Unread: "not read"}

// Words are what people read.
func (s State) Words() string { return stateWords[s] }

// Is reports one of the codes, for templates.
func (s State) Is(code State) bool { return s == code }

// Season is the trial in one view.
type Season struct {
	Trial    string
	Author   string
	ReadOnly bool
	Visits   []Visit
	Plots    []Plot
	PerPlot  int          // quadrats; 0 where not stated
	Classes  []string     // that are counted
	Plants   []PlantClass // that a plant can be named as, by key
	Rule     string       // what counts as a plant
	Shots    []Shot
	Entry    int64 // newest entry the view includes
	// Shown says that the person at the page asked to see the treatments. They
	// are in Plots and Shots only then.
	Shown bool
}

// Visit is one round of photos. Number 0 holds photos of no known visit.
type Visit struct {
	Number int
	Date   string
}

// Plot is one plot of the layout.
type Plot struct{ ID, Treatment string } // Treatment is "" while hidden

// Shot is one photo in the roll.
type Shot struct {
	Hash, Name string
	Visit      int
	Plot       string
	Quadrat    int
	Treatment  string // "" while hidden
	State      State
	Why        string // the reason of the state, in a sentence
	Glances    int    // doubts that are worth a glance; its number stands
	Looks      int    // doubts for which its number may be wrong by much
	Accepted   bool
	Counted    bool
}

// Attention says how much a photo needs a person.
type Attention int

// From not at all to most.
const (
	NoAttention  Attention = iota
	WorthAGlance           // in use, with a doubt nobody has looked at
	Unreadable             // the file gave no measurement
	NeedsAnswer            // not in use, or not to be trusted, until a question is answered
)

// Attention tells how much the photo needs a person now.
func (s Shot) Attention() Attention {
	switch {
	case s.State == Waiting, s.State == InUse && s.Looks > 0 && !s.Accepted:
		return NeedsAnswer
	case s.State == Unread:
		return Unreadable
	case s.State == InUse && s.Glances > 0 && !s.Accepted:
		return WorthAGlance
	}
	return NoAttention
}

// View is one way to draw a photo.
type View string

// The views of a photo.
const (
	Straight View = "straight" // the ground inside the frame from above
	Upright  View = "upright"  // the whole photo
	Small    View = "small"    // the ground, or the whole photo, in the roll
	Close    View = "close"    // as Straight, finer, for the loupe
	Full     View = "full"     // as Upright, finer, for the loupe
	Card     View = "card"     // where the plot card lies or may lie, enlarged
)

// XY is a position as fractions of a picture's width and height.
type XY [2]float64

// Photo is everything the page shows of one photo.
type Photo struct {
	Shot
	Taken    string
	Basis    string // how its place is known, in words
	Proposed bool
	Measured bool
	// WidthPx and HeightPx are the size of the straight view; 0 not known.
	WidthPx, HeightPx int
	// LikelyVisit is the visit its date falls into where none is known.
	LikelyVisit int
	// Drawable says of a photo that was not read that it can be shown: its
	// frame can then be marked by hand.
	Drawable bool
	// WholeCopy names the sound file, in use, of which this one is a damaged
	// copy; "" there is none.
	WholeCopy string
	Evidence  []Evidence
	Numbers   *Numbers
	Found     []Fact
	Doubts    []Doubt // the gravest first
	Notes     []string
	Corners   *[4]XY  // of the frame, in the upright view
	Areas     []Area  // drawn by people, in the straight view
	Counts    []Count // in force
	Beside    []Count // of further observers, in no comparison
	Steps     []Step
}

// VisitAlone reports a photo of which all but the visit is known, and that is
// likely: one answer is enough.
func (p Photo) VisitAlone() bool {
	return p.State == Waiting && !p.Proposed && p.Plot != "" && p.Quadrat > 0 && p.Visit == 0 && p.LikelyVisit > 0
}

// Doubt is something that speaks against a photo's number.
type Doubt struct {
	Text string
	Look bool // the number may be wrong by much
}

// Evidence is a picture that helps to answer the question about a photo: its
// neighbours in the walk, the same spot at another visit, its card.
type Evidence struct {
	Hash string
	View View
	Text string
}

// Numbers are a photo's results at its threshold.
type Numbers struct {
	Quantity  string   `json:"quantity"`   // what CoverFrac is of, in words
	WeedsOnly bool     `json:"weeds_only"` // it is of weeds alone
	CoverFrac float64  `json:"cover"`
	LoFrac    float64  `json:"lo"`
	HiFrac    float64  `json:"hi"`
	Pieces    int      `json:"pieces"`
	Threshold float64  `json:"threshold"`
	Basis     string   `json:"basis"`
	ByHand    bool     `json:"by_hand"`
	Notes     []string `json:"notes"`
}

// Fact is one line of what was found.
type Fact struct{ Name, Text string }

// Area is a part of the ground a person marked.
type Area struct {
	Class  Class `json:"class"`
	Points []XY  `json:"points"`
}

// Class is the code of what a person says a plant is: a role, or a role, a
// colon and the name of a kind ("weed:grass"). People read [PlantClass.Name].
type Class string

// The roles, and what is no patch but a region.
const (
	Weed     Class = "weed"
	Crop     Class = "crop"
	Regrowth Class = "regrowth"
	NotPlant Class = "not-a-plant"
	LeftOut  Class = "left-out"
)

// KindOf is the code of a kind under a role.
func KindOf(role Class, name string) Class { return role + ":" + Class(name) }

// Split tells a class's role and the name of its kind; "" the role as a whole.
func (c Class) Split() (role Class, kind string) {
	before, after, _ := strings.Cut(string(c), ":")
	return Class(before), after
}

// PlantClass is a class that a plant can be named as.
type PlantClass struct {
	Class Class  `json:"class"`
	Name  string `json:"name"` // what people read
	Key   string `json:"key"`  // that names a plant so; "" none was free
	Look  string `json:"look"` // how it is drawn: a colour and a line style
}

var roleWords = map[Class]string{Weed: "weed", Crop: "crop", Regrowth: "cover-crop regrowth", NotPlant: "not a plant", LeftOut: "left out"}

var roleKeys = map[Class]string{Weed: "w", Crop: "c", Regrowth: "r", NotPlant: "x"}

// pageKeys are the letters that do something else on the page of a photo.
const pageKeys = "npksbfuozlv"

// kindLooks is how many kinds are drawn each in a way of its own.
const kindLooks = 6

// PlantClasses are the four roles, then the kinds under them, each with a free
// letter of its name, or any free letter, as its key.
func PlantClasses(kinds []Class) []PlantClass {
	var out []PlantClass
	taken := pageKeys
	for _, role := range []Class{Weed, Crop, Regrowth, NotPlant} {
		out = append(out, PlantClass{role, roleWords[role], roleKeys[role], string(role)})
		taken += roleKeys[role]
	}
	for i, c := range kinds {
		role, name := c.Split()
		p := PlantClass{Class: c, Name: name, Look: fmt.Sprintf("kind-%d", i%kindLooks+1)}
		if role != Weed {
			p.Name = roleWords[role] + ": " + name
		}
		for _, r := range strings.ToLower(name) + "abcdefghijklmnopqrstuvwxyz" {
			if r >= 'a' && r <= 'z' && !strings.ContainsRune(taken, r) {
				p.Key = string(r)
				taken += p.Key
				break
			}
		}
		out = append(out, p)
	}
	return out
}

// Count is a hand count in force.
type Count struct {
	Class    string
	Plants   float64
	Observer string
	Date     string // of counting
}

// Step is one entry of the log.
type Step struct {
	Entry  int64
	At     time.Time
	Author string
	Text   string
	Hash   string // of the photo it is about; "" a visit or the trial
	Visit  int    // whose threshold it is about; 0 none
	Live   bool   // still in force and can be taken back
}

// Plane is the greenness of the measured ground, row by row: a cell is green
// at the k-th threshold (from 1) where its level is k or more; OutsideLevel
// is not ground.
type Plane struct {
	Width, Height int
	Level         int // of the threshold in force
	Levels        []uint8
}

// OutsideLevel marks a cell that was not measured.
const OutsideLevel = 255

// Thresholds is what every threshold would do to a visit. Treatments are not
// in it: who chooses a threshold must not see which treatment it favours.
type Thresholds struct {
	Visit  int       `json:"visit"`
	Values []float64 `json:"values"`
	Now    int       `json:"now"` // index into Values of the threshold in force
	ByHand bool      `json:"by_hand"`
	Basis  string    `json:"basis"` // how it was found, in words
	// Mean is the mean over plots of the plot means, of photos in use: green
	// cover, a fraction, for each of Values.
	Mean []float64 `json:"mean"`
	// MeanNowFrac is the same at what is in force: where the threshold follows
	// from the photos, one for each photo.
	MeanNowFrac float64      `json:"mean_now"`
	Photos      []PhotoCover `json:"photos"`
}

// PhotoCover is the green cover of one photo, a fraction, at each threshold and
// at the one in force.
type PhotoCover struct {
	Hash    string    `json:"hash"`
	Spot    string    `json:"spot"` // plot and quadrat
	Covers  []float64 `json:"covers"`
	NowFrac float64   `json:"now"`
}

// Action is something a person asks for.
type Action interface{ isAction() }

// Place says which quadrat a photo shows.
type Place struct {
	Hash    string
	Plot    string
	Quadrat int
	Visit   int
}

// Accept says that a photo is good as it stands; a proposed place is taken.
type Accept struct{ Hash string }

// Reject sets a photo aside.
type Reject struct{ Hash, Reason string }

// Frame puts the frame's corners, in the upright view, clockwise from the
// upper left. No corners give the frame back to the finder.
type Frame struct {
	Hash    string
	Corners *[4]XY
}

// LeaveOut leaves regions, in the straight view, out of the ground.
type LeaveOut struct {
	Hash  string
	Areas [][]XY
}

// Mark says what the green patch at a spot, in the straight view, is. Without
// a spot, Weed says that all green not marked otherwise is weed.
type Mark struct {
	Hash  string
	Class Class
	At    *XY
}

// SetThreshold sets the threshold of a visit by hand, or gives it back.
type SetThreshold struct {
	Visit int
	Value *float64 // nil: automatic again
}

// Tally is a hand count on a photo: plants by class.
type Tally struct {
	Hash     string
	Observer string
	Classes  []ClassCount
	Seen     int64 // Season.Entry the counter had before them
	Shown    bool  // an image value of the photo had been shown before
	Over     Over
}

// ShowTreatments shows the treatments of the plots to the person at the page,
// or hides them again. Asking is part of the log.
type ShowTreatments struct{ Show bool }

// Over says what becomes of a count in force when another is stored.
type Over string

// What may become of it.
const (
	OverAsk     Over = ""        // it is told, and nothing is stored
	OverReplace Over = "replace" // the new count takes its place
	OverBeside  Over = "beside"  // it stays in force; the new count stands beside it
)

// ClassCount is the plants counted of one class; 0 is looked for, none there.
type ClassCount struct {
	Class  string
	Plants int
}

func (Place) isAction()          {}
func (Accept) isAction()         {}
func (Reject) isAction()         {}
func (Frame) isAction()          {}
func (LeaveOut) isAction()       {}
func (Mark) isAction()           {}
func (SetThreshold) isAction()   {}
func (Tally) isAction()          {}
func (ShowTreatments) isAction() {}
