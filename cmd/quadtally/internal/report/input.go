package report

import (
	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Input is everything a report is made from: finished results and what the
// record knows around them. Nothing in it is computed a second time here.
type Input struct {
	Trial trial.Trial
	Plots []trial.Plot // in walking order
	Made  trial.Date   // day of the report
	Entry int64        // newest entry of the record it rests on

	Operations []Operation
	Visits     []Visit
	Photos     Photos
	Responses  []Response // in the order of the report
	Agreements []Agreement
	Harvest    []Harvest
	Observers  []string // who counted or judged by eye
	Trims      []string // rules by which the harvest was trimmed
	Settings   []string // fingerprints of the measuring settings in use
	Index      string   // how greenness is told, one sentence with its source
}

// Operation is something done to the field. A nil Rate is not recorded.
type Operation struct {
	Date      trial.Date
	What      string
	Treatment string // neither Treatment nor Plot: the whole trial
	Plot      string
	Input     string
	Rate      *float64
	RateUnit  string
	Stage     string
	Passes    int
	Note      string
	Source    string
}

// Visit is one planned look at the plots and what came of it.
type Visit struct {
	Number   int
	Planned  trial.Date
	Made     []trial.Date // days of its readings, first to last
	Quadrats int          // plots times quadrats a plot
	Photos   int          // quadrats with a photo in use
	Counts   int          // quadrats with a hand count
	NoPhoto  []string     // "101/2"
	NoCount  []string

	Threshold *float64 // between green and not green; nil where no photo was measured
	Basis     string   // of the threshold, in words
	ByHand    bool
}

// Photos tells what became of every photo.
type Photos struct {
	All, InUse, Spare int
	// Rejected, Unread and Open name photos with the reason each.
	Rejected, Unread, Open []Aside
}

// Harvest is what was taken from one plot, picks added up; nil is not recorded.
type Harvest struct {
	Plot                   string
	LengthMM               float64 // bed cut at one pick; 0 not recorded
	Picks                  int
	MarketableKG, CulledKG *float64
	Pieces, Stand          *float64
	Sources                []string
}

// Aside is a photo that is not used, and why.
type Aside struct{ Photo, Reason string }

// Response is something that was compared between treatments.
type Response struct {
	Name  string // as typed on the command line: "cover"
	Class string // of counts: a class or group; "" all
	Label string // in a sentence: "weed cover"
	Unit  string

	// Overall is the season where there are several visits, else the only
	// comparison there is. ByVisit holds each visit on its own.
	Overall  Comparison
	ByVisit  []Comparison
	Readings []Reading
}

// Comparison is the outcome of one comparison; one of Season, Analysis and
// Refusal is set.
type Comparison struct {
	Visit    int // 0: the season, or a response without visits
	Date     trial.Date
	Day      float64 // from the first visit
	Season   *stats.Season
	Analysis *stats.Analysis
	Refusal  string
	Notes    []string
}

// main is the analysis whose treatments, letters and verdict are shown; nil
// where the comparison was refused.
func (c Comparison) main() *stats.Analysis {
	if c.Season != nil {
		return &c.Season.PeriodMean
	}
	return c.Analysis
}

// Reading is one value with where it came from.
type Reading struct {
	Plot    string
	Quadrat int // 0: the whole plot
	Visit   int // 0: not tied to a visit
	Date    trial.Date
	Value   float64
	Source  string
}

// Agreement is the camera held against the hand, or why it could not be.
type Agreement struct {
	Of      string // "cover" or "count"
	Report  *calibrate.Report
	Refusal string
}

// key names a response in anchors and file names.
func (r Response) key() string { return slug(r.Name + " " + r.Class) }

// dataLink leads to the response's plot values; "" where there are none.
func (r Response) dataLink() string {
	if len(r.Readings) == 0 {
		return ""
	}
	return "data-" + r.key()
}

// last is the last visit that could be compared, or nil.
func (r Response) last() *Comparison {
	for i := len(r.ByVisit) - 1; i >= 0; i-- {
		if r.ByVisit[i].Analysis != nil {
			return &r.ByVisit[i]
		}
	}
	return nil
}
