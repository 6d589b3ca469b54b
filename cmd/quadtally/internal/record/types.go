package record

import (
	"cmp"
	"encoding/json"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

// PhotoFacts is what a photo's bytes and name say, before any measuring.
type PhotoFacts struct {
	Hash       string   `json:"hash"`
	Path       string   `json:"path"` // relative to the trial folder where it lies inside it
	Bytes      int64    `json:"bytes"`
	Format     string   `json:"format"`
	Taken      string   `json:"taken,omitempty"`       // local wall time YYYY-MM-DDTHH:MM:SS; "" unknown
	TakenBasis string   `json:"taken_basis,omitempty"` // "exif"; "" where unknown
	NameDate   string   `json:"name_date,omitempty"`   // a date proposed from the file name, to be confirmed
	Camera     string   `json:"camera,omitempty"`
	Serial     string   `json:"serial,omitempty"` // of the camera
	Lat        *float64 `json:"lat,omitempty"`
	Lon        *float64 `json:"lon,omitempty"`
	Notes      []string `json:"notes,omitempty"`
	Copies     []string `json:"copies,omitempty"` // other paths with the same bytes
}

// Place says which quadrat a photo shows, and on whose word.
type Place struct {
	Plot    string `json:"plot,omitempty"`
	Quadrat int    `json:"quadrat,omitempty"` // from 1; 0 not known
	Visit   int    `json:"visit,omitempty"`   // from 1; 0 not known
	Basis   string `json:"basis,omitempty"`   // "card", "sheet", "name", "order", "hand"
	State   string `json:"state"`             // one of the Place constants
	Reason  string `json:"reason,omitempty"`  // why it is open, in a sentence
	Spare   string `json:"spare,omitempty"`   // why another photo of the same quadrat is used instead; "" where this one is
}

// The states of a Place.
const (
	PlaceKnown    = "settled"  // counts in every analysis
	PlaceProposed = "proposed" // likely, waits for a yes
	PlaceOpen     = "open"     // nobody knows yet
)

// Result is a photo's numbers at its threshold, which follows from that of its
// visit.
type Result struct {
	Threshold float64   `json:"threshold"`
	CoverFrac float64   `json:"cover_frac"` // of the ground inside the frame, [0, 1]
	LoFrac    float64   `json:"lo_frac"`
	HiFrac    float64   `json:"hi_frac"`
	Pieces    int       `json:"pieces"`
	Kind      string    `json:"kind"` // "green cover" or "weed cover"
	Notes     []string  `json:"notes,omitempty"`
	Marks     string    `json:"marks,omitempty"`     // decisions about patches it rests on
	AllGreen  *AllGreen `json:"all_green,omitempty"` // where the numbers are of weeds alone
	// Flags is a list of vision.Flag, the doubts that only a threshold shows; nil
	// where there are none.
	Flags json.RawMessage `json:"flags,omitempty"`
}

// AllGreen is what a result would say without telling crop from weed.
type AllGreen struct {
	CoverFrac float64 `json:"cover_frac"`
	Pieces    int     `json:"pieces"`
}

// Photo is everything the record knows of one photo now.
type Photo struct {
	PhotoFacts
	Place         Place
	Rejected      string // reason, or "" where the photo is in use
	Accepted      bool
	AcceptedFor   []string // see Accept.Doubts
	MeasurementID int64
	Fingerprint   string
	Fault         string    // why it could not be measured, in a sentence; "" where it was
	FaultCode     FaultCode // the same for programs
	Guide         string
	Doc           json.RawMessage // of the measurement; nil where not measured
	Result        *Result
	HasLooks      bool     // what its green looks like is stored
	Sorting       *Sorting // nil where plants are not told apart, or not yet anew
	Entry         int64    // newest entry that touched it
}

// Accept is a person's word that a photo's number may be trusted.
type Accept struct {
	// Doubts are the codes of those that were shown, none where there were none;
	// nil in records that did not keep them, where the word is for all.
	Doubts []string `json:"doubts,omitzero"`
}

// Observation is one value a person or a scale gave.
type Observation struct {
	ID        int64      `json:"id"`
	Entry     int64      `json:"entry"`
	Plot      string     `json:"plot"`
	Quadrat   int        `json:"quadrat"` // 0: the whole plot
	Visit     int        `json:"visit"`   // 0: tied to the date alone
	Date      trial.Date `json:"date"`
	Variable  string     `json:"variable"`        // "count", "cover", "yield", "stand", or any name
	Class     string     `json:"class"`           // "broadleaf", "marketable"; "" the total or only class
	Group     string     `json:"group,omitempty"` // of a species: broadleaf, grass, sedge
	Life      string     `json:"life,omitempty"`  // of a species: annual, perennial
	Pick      string     `json:"pick,omitempty"`  // of a harvest, as the sheet numbers them; "" where the date tells the pick
	Value     float64    `json:"value"`
	Missing   bool       `json:"missing"`             // looked for, not there; never zero
	Withdrawn bool       `json:"withdrawn,omitempty"` // taken back: nothing is told of this value any more
	Unit      string     `json:"unit"`                // SI: "plants", "fraction", "kg", "mm", or as the assessment states
	Observer  string     `json:"observer,omitempty"`
	Beside    bool       `json:"beside,omitempty"`    // stands beside the value in force and enters no comparison: another observer's
	LengthMM  float64    `json:"length_mm,omitempty"` // bed length the value refers to (yields)
	Trim      string     `json:"trim,omitempty"`
	Repeats   int64      `json:"repeats,omitempty"` // entry whose telling this brings back; only in records of version 1
	Source    string     `json:"source"`            // where it came from, for a reader: "counts.csv:14"
	Line      int        `json:"line,omitempty"`    // row of the sheet; 0 where it came from no sheet
	Sheet     int64      `json:"-"`                 // version of the sheet that gives it; 0: given one at a time
	At        time.Time  `json:"at"`
	Author    string     `json:"author"`

	firstID int64 // row that first said the same, for the order in which values were given
}

// GivenBy is the entry that gave the value in force.
func (o *Observation) GivenBy() int64 {
	if o.Repeats != 0 {
		return o.Repeats
	}
	return o.Entry
}

// Key is what an observation is about. Two observations with one key tell the
// same value; the one told last is in force.
type Key struct {
	Plot     string
	Quadrat  int
	Visit    int
	When     string // of what belongs to no visit: the pick, or the date
	Variable string
	Class    string // as [trial.NameKey] compares it: "Broadleaf" and "broad-leaf" are one
	Beside   string // the observer, as [trial.NameKey] compares names, of a value that stands beside; "" the value in force
}

// besideBy is who gave a value that stands beside; "" where it does not.
func (o *Observation) besideBy() string {
	if !o.Beside {
		return ""
	}
	return cmp.Or(trial.NameKey(o.Observer), "?")
}

// Key says which value an observation tells.
func (o *Observation) Key() Key {
	k := Key{Plot: o.Plot, Quadrat: o.Quadrat, Visit: o.Visit, Variable: o.Variable, Class: trial.NameKey(o.Class), Beside: o.besideBy()}
	switch {
	case o.Visit != 0, o.Variable == VarStand: // a stand is counted once a season
	case o.Pick != "":
		k.When = "pick " + trial.NameKey(o.Pick)
	default:
		k.When = o.Date.String()
	}
	return k
}

// Operation is something done to the field.
type Operation struct {
	ID        int64      `json:"id"`
	Date      trial.Date `json:"date"`
	What      string     `json:"what"` // "seeding", "termination", "planting", ...
	Treatment string     `json:"treatment,omitempty"`
	Plot      string     `json:"plot,omitempty"` // neither: the whole trial
	Input     string     `json:"input,omitempty"`
	Rate      *float64   `json:"rate,omitempty"`
	RateUnit  string     `json:"rate_unit,omitempty"`
	Stage     string     `json:"stage,omitempty"`
	Passes    int        `json:"passes,omitempty"`

	Implement    string   `json:"implement,omitempty"`     // roller, mower, drill, ...
	ImplementKG  *float64 `json:"implement_kg,omitempty"`  // its weight, where stated
	SoilMoisture string   `json:"soil_moisture,omitempty"` // at the work, in the grower's words

	Note   string    `json:"note,omitempty"`
	Source string    `json:"source"`
	Line   int       `json:"line,omitempty"` // row of the sheet; 0 where it came from no sheet
	Sheet  int64     `json:"-"`              // version of the sheet that gives it; 0: given one at a time
	At     time.Time `json:"at"`
	Author string    `json:"author"`
}

// Decision is one thing decided about a photo, a visit or the trial.
type Decision struct {
	ID      int64           `json:"id"`
	Entry   int64           `json:"entry"`
	Subject string          `json:"subject"`
	Kind    string          `json:"kind"`
	Value   json.RawMessage `json:"value"`
	Undoes  int64           `json:"undoes,omitempty"`
	At      time.Time       `json:"at"`
	Author  string          `json:"author"`
}

// Kinds of decision.
const (
	KindPlace     = "place"     // Place, about a photo
	KindReject    = "reject"    // {"reason": "..."}; an empty reason takes it back
	KindAccept    = "accept"    // Accept
	KindGuide     = "guide"     // corners and regions a person drew, about a photo
	KindPatch     = "patch"     // class a person gave to a patch, about a photo
	KindPlant     = "plant"     // Plant, named by a person, about its photo
	KindCheck     = "check"     // Check, a check point or its answer, about its photo
	KindThreshold = "threshold" // Threshold, about a visit
	KindSettings  = "settings"  // measuring settings, about the trial
	KindPath      = "path"      // PhotoPath, about a photo that was renamed or moved
	KindTried     = "tried"     // a choice other than the usual, about a comparison; kept to be counted
	KindColumns   = "columns"   // what columns of sheets mean, about "columns"
	KindUnlisted  = "unlisted"  // answers by class, about UnlistedSubject
	KindReceived  = "received"  // {}: a count from a phone came, about its key; so that it is not taken twice
	KindBlind     = "blind"     // Blind, about the page of a person
	kindUndo      = "undo"
)

// Threshold is the line between green and not green for one visit.
type Threshold struct {
	Value       float64 `json:"value"`
	Basis       string  `json:"basis"` // in words
	ByHand      bool    `json:"by_hand,omitempty"`
	Fingerprint string  `json:"fingerprint,omitempty"`
}

// PhotoPath is where a photo lies now.
type PhotoPath struct {
	Path string `json:"path"`
}

// Blind says whether a person works without seeing the treatments.
type Blind struct {
	Off bool `json:"off"` // the treatments are shown
}

// CountSubject names a count from a phone by the key the phone gave it.
func CountSubject(key string) string { return "count:" + key }

// PageSubject names the page as a person sees it.
func PageSubject(author string) string { return "page:" + author }

// PhotoSubject names a photo as what a decision is about.
func PhotoSubject(hash string) string { return "photo:" + hash }

// VisitSubject names a planned visit (from 1); visit 0 stands for the photos
// that belong to none.
func VisitSubject(n int) string { return "visit:" + itoa(n) }
