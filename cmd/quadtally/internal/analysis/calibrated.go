package analysis

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/stats"
)

// Calibrated says what image values were carried through before they were
// compared. Intercept and slope are hand on image in the unit of the response.
type Calibrated struct {
	Method    string   `json:"method"`
	Pairs     int      `json:"pairs"`
	Plots     int      `json:"plots"`
	Intercept float64  `json:"intercept"`
	Slope     float64  `json:"slope"`
	SlopeSE   *float64 `json:"slope_se,omitempty"`
	Low       float64  `json:"valid_low"`
	High      float64  `json:"valid_high"`
	Unit      string   `json:"unit"`
	Why       string   `json:"why"`
	// Extrapolated lists plots with an image mean outside the range of the
	// pairs.
	Extrapolated []string `json:"extrapolated,omitempty"`
	// Loud must be read first: a bias that differs between treatments.
	Loud     []string `json:"loud,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// calibration is what calibrating puts in the place of image values.
type calibration struct {
	readings []Reading      // calibrated
	own      stats.OwnError // of plot means in the unit of the response, by plot and visit
	visits   []int          // of each value of own
	summary  Calibrated
}

// calibrateReadings carries image readings through the line of the trial's own
// pairs of hand and photo.
func calibrateReadings(snap *record.Snapshot, r Response, rs []Reading) (calibration, error) {
	opt := calibrate.DefaultOptions()
	switch {
	case !r.FromPhotos():
		return calibration{}, misuse("--calibrated goes with cover and pieces, which come from photos")
	case r.Kind == stats.Count:
		opt.Kind = calibrate.Count
	default:
		opt.Kind = calibrate.Cover
	}
	agreement, err := agreeBy(snap, opt, r.Key)
	if err != nil {
		return calibration{}, err
	}
	line := agreement.Calibration.Chosen
	if line == nil {
		return calibration{}, fmt.Errorf("nothing can be calibrated: %s", agreement.Calibration.Why)
	}
	if line.Slope.Value <= 0 {
		return calibration{}, fmt.Errorf("nothing can be calibrated: the line of hand on image falls (slope %.3g), more in the photo meaning less by hand; compare raw values, and look into `quadtally agree`", line.Slope.Value)
	}
	// The line is of readings as taken, the answer in the unit of the response.
	unit := r.Factor
	images := map[Place][]float64{} // of plots at visits
	var out []Reading
	for _, x := range rs {
		if x.Per > 0 {
			unit = r.Factor / x.Per // one quadrat size a trial
		}
		k := Place{Plot: x.Plot, Visit: x.Visit}
		images[k] = append(images[k], x.Value)
		x.Value = line.At(x.Value)
		out = append(out, x)
	}
	c := calibration{readings: out, summary: Calibrated{
		Method: line.Method.Words(), Pairs: line.N, Plots: line.Plots,
		Intercept: line.Intercept.Value * unit, Slope: line.Slope.Value, SlopeSE: line.Slope.SE,
		Low: line.Low * unit, High: line.High * unit, Unit: r.Unit, Why: agreement.Calibration.Why,
		Loud: agreement.Loud, Warnings: slices.Clone(agreement.Calibration.Warnings),
	}}
	order := slices.SortedFunc(maps.Keys(images), comparePlaces)
	var plots []calibrate.PlotImages
	for _, k := range order {
		name := k.Plot
		if k.Visit > 0 {
			name = fmt.Sprintf("%s at visit %d", k.Plot, k.Visit)
		}
		plots = append(plots, calibrate.PlotImages{Plot: name, Images: images[k]})
	}
	means, err := line.ApplyMeans(plots)
	if err != nil {
		return calibration{}, err
	}
	c.summary.Extrapolated = means.Extrapolated
	c.own = stats.OwnError{DF: means.DF, Cov: covarianceOverVisits(order, line, means)}
	for i, k := range order {
		c.own.Plots, c.visits = append(c.own.Plots, k.Plot), append(c.visits, k.Visit)
		for j := range order {
			c.own.Cov[i][j] *= unit * unit
		}
	}
	return c, nil
}

// covarianceOverVisits is the covariance of calibrated plot means, in the
// line's own unit squared. To what the line's uncertainty gives it adds, between
// two visits of one plot, the plot effect: the deviation from the line that the
// quadrats of a plot have in common is the same at every visit.
func covarianceOverVisits(order []Place, line *calibrate.Line, means *calibrate.CalibratedMeans) [][]float64 {
	cov := make([][]float64, len(order))
	for i, k := range order {
		cov[i] = make([]float64, len(order))
		for j, l := range order {
			cov[i][j] = means.Cov[i][j]
			if i != j && k.Plot == l.Plot {
				cov[i][j] += line.PlotVar * plotEffectFactor(line, means.Values[i], means.Values[j])
			}
		}
	}
	return cov
}

// plotEffectFactor is what the line's plot variance is multiplied by for two
// values: it grows with the expected count, and is 1 for cover.
func plotEffectFactor(l *calibrate.Line, a, b float64) float64 {
	if l.Method != calibrate.MethodCounts {
		return 1
	}
	return math.Sqrt(max(0, a) * max(0, b))
}

// ownErrorOf is the own error of the values, with their days where they are
// those of a season.
func (c *calibration) ownErrorOf(season bool, days map[int]float64) stats.OwnError {
	own := c.own
	if season {
		for _, v := range c.visits {
			own.Days = append(own.Days, days[v])
		}
	}
	return own
}
