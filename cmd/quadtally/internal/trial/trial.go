// Package trial holds the words of the trade: a trial with its treatments,
// blocks, plots, quadrats and visits. It lays a trial out, draws the random
// allocation and the map, and says what the design can show. It knows nothing
// of files, photos or databases.
package trial

import (
	"fmt"
	"strings"
	"time"
)

// Design names how treatments are allotted to plots.
type Design string

// The designs a layout can have. The words are those of the field-trial
// literature (Cochran & Cox, Experimental Designs, 2nd ed. 1957).
const (
	CompletelyRandomised Design = "completely randomised"
	CompleteBlocks       Design = "randomised complete blocks"
	LatinSquare          Design = "latin square"
	IncompleteBlocks     Design = "incomplete blocks"
)

// Units says how lengths, areas and weights are shown and typed. Inside,
// everything is millimetres, square metres and kilograms.
type Units string

// The two unit systems at the edge.
const (
	Metric Units = "metric"
	US     Units = "us"
)

// Treatment is one thing compared. Code is its label in every table; it is
// never read as a number, even where it looks like one.
type Treatment struct {
	Code     string   `json:"code"`
	Name     string   `json:"name,omitempty"`
	Control  bool     `json:"control,omitempty"`
	Rate     *float64 `json:"rate,omitempty"` // only for an ordered set of rates
	RateUnit string   `json:"rate_unit,omitempty"`

	Seeds      []Seed `json:"seeds,omitempty"`       // what is sown, component by component
	Seeded     Date   `json:"seeded,omitzero"`       // planned day of seeding, the first where there are several
	SeededAlso []Date `json:"seeded_also,omitempty"` // further days of seeding
	Terminated Date   `json:"terminated,omitzero"`   // planned day of rolling, mowing or killing
}

// Seed is one component of what a treatment is sown with.
type Seed struct {
	Name string   `json:"name"`
	Rate *float64 `json:"rate,omitempty"`
	Unit string   `json:"unit,omitempty"`
	On   Date     `json:"on,omitzero"` // where components are sown on days of their own
}

// Contrast is a comparison between two groups of treatments, planned before
// the data are seen: the mean of one against the mean of the other.
type Contrast struct {
	Name    string   `json:"name"`
	Of      []string `json:"of"`
	Against []string `json:"against"`
}

// Factor is a property of treatments with a level each, for factorial layouts
// and trends. A treatment without a level is left out of its analysis.
type Factor struct {
	Name   string        `json:"name"`
	Unit   string        `json:"unit,omitempty"` // "" where levels are words
	Levels []FactorLevel `json:"levels"`
}

// FactorLevel is what a treatment has of a factor.
type FactorLevel struct {
	Treatment string `json:"treatment"`
	Level     string `json:"level"`
}

// Quadrat describes the frame thrown or laid in a plot.
type Quadrat struct {
	WidthMM   float64 `json:"width_mm"`          // inner size across the bed
	LengthMM  float64 `json:"length_mm"`         // inner size along the bed
	PipeMM    float64 `json:"pipe_mm,omitempty"` // outer diameter of a frame of round pipe; 0 flat or not stated
	PerPlot   int     `json:"per_plot"`          // quadrats a plot at each visit
	Permanent bool    `json:"permanent"`         // same marked spots at every visit
	CountRule string  `json:"count_rule"`        // what counts as a plant, fixed before the season
}

// AreaM2 is the ground inside the frame, square metres.
func (q Quadrat) AreaM2() float64 { return q.WidthMM * q.LengthMM / 1e6 }

// Ground describes a plot as a section of beds.
type Ground struct {
	Beds         int     `json:"beds"`           // beds across one plot
	LengthMM     float64 `json:"length_mm"`      // gross length along the bed
	BorderMM     float64 `json:"border_mm"`      // not sampled, at each end
	BedSpacingMM float64 `json:"bed_spacing_mm"` // centre to centre, path included
	BedTopMM     float64 `json:"bed_top_mm"`     // width that is planted; 0 where not stated
	Avoid        []Strip `json:"avoid,omitempty"`
	Gradient     string  `json:"gradient,omitempty"` // in words: "wetter towards the north end"

	GradientRuns    Direction `json:"gradient_runs,omitempty"`     // blocks are laid across it
	AlleyMM         float64   `json:"alley_mm,omitempty"`          // between plots that follow each other along the beds
	SideBorderMM    float64   `json:"side_border_mm,omitempty"`    // not sampled, at each side of the plot
	ControlLengthMM float64   `json:"control_length_mm,omitempty"` // shorter check plots; 0 means like the others
	BearingDeg      *float64  `json:"bearing_deg,omitempty"`       // compass bearing looking along the beds from the zero flag

	FieldBeds  int        `json:"field_beds,omitempty"`  // beds of the field; 0: as many as the blocks need
	Sections   []Sections `json:"sections,omitempty"`    // how groups of beds are cut along their length
	Spare      []SlotName `json:"spare,omitempty"`       // slots that stay without a plot
	SampleBeds []int      `json:"sample_beds,omitempty"` // beds of a plot that take quadrats, from 1; none named: all

	RowsPerBed   int     `json:"rows_per_bed,omitempty"`   // of the crop
	RowSpacingMM float64 `json:"row_spacing_mm,omitempty"` // of the crop, centre to centre
	DrillRowMM   float64 `json:"drill_row_mm,omitempty"`   // of the cover crop's drill
}

// Sections cuts groups of beds along their length, from the zero flag on.
type Sections struct {
	FirstBed int       `json:"first_bed,omitempty"` // 0: every group that is not named otherwise
	LastBed  int       `json:"last_bed,omitempty"`
	LengthMM []float64 `json:"length_mm"`
}

// SlotName names a slot by its first bed and its section, both from 1.
type SlotName struct {
	Bed     int `json:"bed"`
	Section int `json:"section"`
}

// Direction is a direction on the ground, seen from the beds.
type Direction string

// The two directions a gradient can be said to run.
const (
	AlongBeds  Direction = "along the beds"
	AcrossBeds Direction = "across the beds"
)

// PlotWidthMM is the gross width of a plot: its beds times the bed spacing.
func (g Ground) PlotWidthMM() float64 { return float64(g.Beds) * g.BedSpacingMM }

// Strip is a part across the plot's width that is never sampled, such as a
// wheel track or the seam between two machine passes.
type Strip struct {
	FromMM float64 `json:"from_mm"` // from the plot's left edge
	ToMM   float64 `json:"to_mm"`
	Why    string  `json:"why"`
}

// Trial is the plan: what is compared, where, and when it is looked at.
type Trial struct {
	Name     string `json:"name"`
	Tag      string `json:"tag"` // four characters [0-9A-Z] printed in every card's code
	Site     string `json:"site,omitempty"`
	Crop     string `json:"crop,omitempty"`
	Question string `json:"question,omitempty"`

	// For the report alone, in the grower's words; "" prints as not recorded.
	Cultivar     string `json:"cultivar,omitempty"`
	Soil         string `json:"soil,omitempty"`
	PreviousCrop string `json:"previous_crop,omitempty"`
	Weather      string `json:"weather,omitempty"`

	Design     Design      `json:"design"`
	Treatments []Treatment `json:"treatments"`
	Blocks     int         `json:"blocks"`               // replicates where the design has no blocks
	BlockSize  int         `json:"block_size,omitempty"` // plots in a block; incomplete blocks only
	Ground     Ground      `json:"ground"`
	Quadrat    Quadrat     `json:"quadrat"`
	Classes    []Class     `json:"classes,omitempty"` // plants counted apart; see PlantClasses
	Primary    string      `json:"primary,omitempty"` // the response that answers the question, named before the data are seen
	Contrasts  []Contrast  `json:"contrasts,omitempty"`
	Factors    []Factor    `json:"factors,omitempty"`
	Words      []StageWord `json:"words,omitempty"` // what the grower's words for work mean, where the usual list is wrong

	SeasonStart        Date   `json:"season_start"`
	SeasonEnd          Date   `json:"season_end"`
	Visits             []Date `json:"visits"`
	VisitToleranceDays int    `json:"visit_tolerance_days"`

	Seed      uint64 `json:"seed"`
	Generator string `json:"generator"` // name and version of the randomising procedure, or "entered from a table"
	Units     Units  `json:"units"`

	AgreementMargin *float64 `json:"agreement_margin,omitempty"` // points of cover, stated before the data are seen
}

// Plot is the experimental unit. The saved plots are the truth of the layout;
// the seed is only an audit aid and a layout is never drawn a second time.
type Plot struct {
	ID        string  `json:"plot"`
	Block     string  `json:"block"`
	Column    string  `json:"column,omitempty"` // Latin square only
	Treatment string  `json:"treatment"`
	Bed       int     `json:"bed"`       // first bed, counted from 1
	Beds      int     `json:"beds"`      // beds across
	FromMM    float64 `json:"from_mm"`   // start along the bed from the field's zero flag
	LengthMM  float64 `json:"length_mm"` // gross
	Order     int     `json:"order"`     // place in the walking order, from 1
}

// InSeason reports that a day lies in the season of the plan; any day does
// where the plan states none.
func (t *Trial) InSeason(d Date) bool {
	return (t.SeasonStart.IsZero() || t.SeasonStart.DaysTo(d) >= 0) && (t.SeasonEnd.IsZero() || d.DaysTo(t.SeasonEnd) >= 0)
}

// Control returns the control treatment's code, or "" where none is marked.
func (t *Trial) Control() string {
	for _, tr := range t.Treatments {
		if tr.Control {
			return tr.Code
		}
	}
	return ""
}

// TreatmentName returns the long name of a code, or the code itself.
func (t *Trial) TreatmentName(code string) string {
	for _, tr := range t.Treatments {
		if tr.Code == code && tr.Name != "" {
			return tr.Name
		}
	}
	return code
}

// VisitOf returns the planned visit (counted from 1) that a date falls into:
// the nearest planned date at most VisitToleranceDays away. 0 means none; a
// date midway between two visits goes to neither.
func (t *Trial) VisitOf(d Date) int {
	best, bestGap, tie := 0, t.VisitToleranceDays+1, false
	for i, v := range t.Visits {
		gap := v.DaysTo(d)
		if gap < 0 {
			gap = -gap
		}
		switch {
		case gap < bestGap:
			best, bestGap, tie = i+1, gap, false
		case gap == bestGap && best != 0:
			tie = true
		}
	}
	if tie {
		return 0
	}
	return best
}

// Date is a calendar day as written on the wall, without any time zone.
// The zero Date means "not recorded".
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// ParseDate reads YYYY-MM-DD.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse("2006-01-02", strings.TrimSpace(s))
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date: write it as YYYY-MM-DD", s)
	}
	return DateOf(t), nil
}

// DateOf takes the wall-clock day of t in t's own zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero reports a date that was not recorded.
func (d Date) IsZero() bool { return d == Date{} }

// String writes YYYY-MM-DD, or "" for the zero date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day)
}

// MarshalText writes String.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	v, err := ParseDate(string(b))
	if err == nil {
		*d = v
	}
	return err
}

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// DaysTo counts whole days from d to e; negative where e is earlier.
func (d Date) DaysTo(e Date) int { return int(e.utc().Sub(d.utc()).Hours() / 24) }

// AddDays returns the day n days later.
func (d Date) AddDays(n int) Date { return DateOf(d.utc().AddDate(0, 0, n)) }

// CardPlot is a plot id as it stands in a card's code: upper-case letters and
// digits only. Two plots of a trial must not share it.
func CardPlot(id string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return -1
	}, id)
}
