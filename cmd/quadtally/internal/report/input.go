package report

import (
	"quadtally/cmd/quadtally/internal/analysis"
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
	Agreements []analysis.Agreement
	DateGroups []stats.DateSet // operations whose days separate groups of treatments
	Harvest    []analysis.Harvest
	Open       []analysis.SheetQuestion // what stored sheets leave open
	Observers  []string                 // who counted or judged by eye
	Trims      []string                 // rules by which the harvest was trimmed
	Settings   []string                 // fingerprints of the measuring settings in use
	Index      string                   // how greenness is told, one sentence with its source
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
	Others   int          // plots with a reading of another kind
	NoPhoto  []string     // "101/2"
	NoCount  []string
	Split    []string // blocks whose plots were seen on several days, with the days

	Threshold *float64 // between green and not green; nil where no photo was measured
	Basis     string   // of the threshold, in words
	ByHand    bool
}

// notMade reports a visit of which nothing is in the record.
func (v Visit) notMade() bool {
	return len(v.Made) == 0 && v.Photos == 0 && v.Counts == 0 && v.Others == 0
}

// Photos tells what became of every photo.
type Photos struct {
	All, InUse, Spare int
	Doubtful          int // of those in use: with a doubt that nobody has looked at
	// Rejected, Unread and Open name photos with the reason each.
	Rejected, Unread, Open []Aside
}

// Aside is a photo that is not used, and why.
type Aside struct{ Photo, Reason string }

// Response is everything found of something that was compared between
// treatments.
type Response struct{ analysis.Outcome }

// key names a response in anchors and file names.
func (r Response) key() string { return slug(string(r.Key) + " " + r.Class) }

// plotValues is the table of responses with one value a plot.
const plotValues = "data-plots"

// dataLink leads to the response's plot values; "" where there are none.
func (r Response) dataLink() string {
	if len(r.Readings) == 0 {
		return ""
	}
	if r.onePerPlot() {
		return plotValues
	}
	return "data-" + r.key()
}

// last is the last visit that could be compared, or nil.
func (r Response) last() *analysis.Answer {
	for i := len(r.ByVisit) - 1; i >= 0; i-- {
		if r.ByVisit[i].Analysis != nil {
			return &r.ByVisit[i]
		}
	}
	return nil
}
