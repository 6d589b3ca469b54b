package analysis

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/stats"
)

// Calibrated says what image values were carried through before they were
// compared.
type Calibrated struct {
	Method string `json:"method"`
	Pairs  int    `json:"pairs"`
	Plots  int    `json:"plots"`
	// LineUsed is the one line for all, nil where each visit has its own.
	*LineUsed
	ByVisit []VisitLine `json:"by_visit,omitempty"`
	Unit    string      `json:"unit"`
	Why     string      `json:"why"`
	// Extrapolated lists plots with an image mean outside the range of the
	// pairs.
	Extrapolated []string `json:"extrapolated,omitempty"`
	// Loud must be read first: a bias that differs between treatments.
	Loud     []string `json:"loud,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// LineUsed is a line of hand on image in the unit of Calibrated. Where Smear is
// not 0 it is one on logarithms: hand + Shift = Smear exp(Intercept) (image +
// Shift)^Slope.
type LineUsed struct {
	Intercept float64  `json:"intercept"`
	Slope     float64  `json:"slope"`
	SlopeSE   *float64 `json:"slope_se,omitempty"`
	Shift     float64  `json:"shift,omitempty"`
	Smear     float64  `json:"smear,omitempty"`
	Low       float64  `json:"valid_low"`
	High      float64  `json:"valid_high"`
}

// VisitLine is the line of one visit.
type VisitLine struct {
	Visit int `json:"visit"`
	Pairs int `json:"pairs"`
	Plots int `json:"plots"`
	LineUsed
}

// calibration is what calibrating puts in the place of image values.
type calibration struct {
	readings []Reading      // calibrated
	own      stats.OwnError // of plot means in the unit of the response, by plot and visit
	visits   []int          // of each value of own
	summary  Calibrated
}

// leastPlotsOfVisit is the number of plots with pairs from which a visit has a
// line on logarithms of its own; as many as a verdict rests on.
var leastPlotsOfVisit = calibrate.DefaultEnough().Plots

// calibrateReadings carries image readings through the line of the trial's own
// pairs of hand and photo. On logarithms each visit has a line of its own where
// all visits asked for have pairs enough, else all pairs together give one.
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
	if handSide[r.Key].by == "" {
		return calibration{}, misuse("--calibrated goes with cover and pieces that a hand value is held against, which %s is not", r.Label)
	}
	if r.Class != "" && r.Key != WeedPieces {
		return calibration{}, misuse("%s cannot be calibrated: nothing is judged by eye class by class", r.Label)
	}
	a := Against{r.Key, r.Class}
	pairs, err := pairsOf(snap, a.Of, a.Class)
	if err != nil {
		return calibration{}, err
	}
	visits := map[int]bool{}
	for _, x := range rs {
		visits[x.Visit] = true
	}
	byVisit := a.Of == WeedPieces && enoughByVisit(pairs, visits)
	if byVisit {
		pairs = slices.DeleteFunc(pairs, func(p calibrate.Pair) bool { return !visits[visitOf(p)] })
	}
	agreement, err := agreeOn(snap, opt, a, pairs)
	if err != nil {
		return calibration{}, err
	}
	line := agreement.Calibration.Chosen
	if line == nil {
		return calibration{}, fmt.Errorf("nothing can be calibrated: %s", agreement.Calibration.Why)
	}
	c := calibration{summary: Calibrated{Method: line.Method.Words(), Pairs: line.N, Plots: line.Plots, Unit: r.Unit, Why: agreement.Calibration.Why,
		Loud: agreement.Loud, Warnings: slices.Clone(agreement.Calibration.Warnings)}}
	lines := map[int]*calibrate.Line{} // by visit of the readings
	for v := range visits {
		lines[v] = line
	}
	if byVisit && len(visits) > 1 {
		full, _, _, err := calibrate.Clean(pairs, calibrate.Options{Kind: calibrate.Count})
		if err != nil {
			return calibration{}, err
		}
		ofVisits, err := calibrate.FitVisits(full, line.Method, opt)
		if err != nil {
			return calibration{}, fmt.Errorf("nothing can be calibrated at %w; leave the visit out, or compare raw values", err)
		}
		c.summary.Warnings = nil // of the line of all pairs, which is not used
		for _, v := range slices.Sorted(maps.Keys(visits)) {
			lines[v] = ofVisits[fmt.Sprint(v)]
			at, err := agreeOn(snap, opt, a, slices.DeleteFunc(slices.Clone(pairs), func(p calibrate.Pair) bool { return visitOf(p) != v }))
			if err != nil {
				return calibration{}, err
			}
			for _, text := range at.Calibration.Warnings {
				c.summary.Warnings = append(c.summary.Warnings, fmt.Sprintf("visit %d: %s", v, text))
			}
			// Raw values may err by another amount in each treatment; of single
			// visits it counts what their own line leaves.
			if slices.ContainsFunc(at.Groups, func(g calibrate.GroupTable) bool {
				return g.By == calibrate.ByTreatment && g.Test != nil && g.Test.AfterLineShown
			}) {
				for _, text := range at.Loud {
					c.summary.Loud = append(c.summary.Loud, fmt.Sprintf("visit %d: %s", v, text))
				}
			}
		}
		slices.Sort(c.summary.Loud)
	}
	// The line is of readings as taken, the answer in the unit of the response.
	unit := r.Factor
	images := map[Place][]float64{} // of plots at visits
	for _, x := range rs {
		if x.Per > 0 {
			unit = r.Factor / x.Per // one quadrat size a trial
		}
		k := Place{Plot: x.Plot, Visit: x.Visit}
		images[k] = append(images[k], x.Value)
		x.Value, x.Range = lines[x.Visit].At(x.Value), nil
		c.readings = append(c.readings, x)
	}
	if err := c.summary.describe(lines, line, unit); err != nil {
		return calibration{}, err
	}
	order := slices.SortedFunc(maps.Keys(images), comparePlaces)
	var plots []calibrate.PlotImages
	var through []*calibrate.Line
	for _, k := range order {
		name := k.Plot
		if k.Visit > 0 {
			name = fmt.Sprintf("%s at visit %d", k.Plot, k.Visit)
		}
		plots = append(plots, calibrate.PlotImages{Plot: name, Images: images[k]})
		through = append(through, lines[k.Visit])
	}
	means, err := calibrate.ApplyMeansBy(through, plots)
	if err != nil {
		return calibration{}, err
	}
	c.summary.Extrapolated = means.Extrapolated
	c.own = stats.OwnError{DF: means.DF, Cov: covarianceOverVisits(order, through, means)}
	for i, k := range order {
		c.own.Plots, c.visits = append(c.own.Plots, k.Plot), append(c.visits, k.Visit)
		for j := range order {
			c.own.Cov[i][j] *= unit * unit
		}
	}
	return c, nil
}

// describe sets the lines that were used in the unit of the response. It refuses
// a line that falls and, on logarithms, one that is not shown to rise.
func (c *Calibrated) describe(lines map[int]*calibrate.Line, all *calibrate.Line, unit float64) error {
	if all.Method == calibrate.MethodLogs {
		unit, c.Unit = 1, "per quadrat" // its shift is a part of a plant
	}
	used := func(l *calibrate.Line) LineUsed {
		return LineUsed{Intercept: l.Intercept.Value * unit, Slope: l.Slope.Value, SlopeSE: l.Slope.SE, Shift: l.Shift, Smear: l.Smear, Low: l.Low * unit, High: l.High * unit}
	}
	for _, v := range slices.Sorted(maps.Keys(lines)) {
		l := lines[v]
		at := "the line of hand on image"
		if l != all {
			at = fmt.Sprintf("the line of hand on image at visit %d", v)
			c.ByVisit = append(c.ByVisit, VisitLine{v, l.N, l.Plots, used(l)})
		}
		switch ci := l.Slope.Best(); {
		case l.Slope.Value <= 0:
			return fmt.Errorf("nothing can be calibrated: %s falls (slope %.3g), more in the photo meaning less by hand; compare raw values, and look into `quadtally agree`", at, l.Slope.Value)
		case l.Method != calibrate.MethodLogs:
		case ci == nil:
			return fmt.Errorf("nothing can be calibrated: %s rests on pairs in %d plots, and at least 3 are needed for it to have an uncertainty", at, l.Plots)
		case ci.Low <= 0:
			return fmt.Errorf("nothing can be calibrated: that %s rises is not shown (slope %.3g, %.0f %% interval %.3g to %.3g, %d pairs in %d plots); count more quadrats by hand, in plots with few and with many", at, l.Slope.Value, 100*ci.Level, ci.Low, ci.High, l.N, l.Plots)
		}
	}
	if c.ByVisit == nil {
		u := used(all)
		c.LineUsed = &u
	}
	return nil
}

func visitOf(p calibrate.Pair) int {
	v, _ := strconv.Atoi(p.Visit) // pairsOf wrote it
	return v
}

// enoughByVisit reports visits that all have pairs in enough plots.
func enoughByVisit(pairs []calibrate.Pair, visits map[int]bool) bool {
	plots := map[int]map[string]bool{}
	for _, p := range pairs {
		if math.IsNaN(p.Hand) || math.IsNaN(p.Image) {
			continue
		}
		v := visitOf(p)
		if plots[v] == nil {
			plots[v] = map[string]bool{}
		}
		plots[v][p.Plot] = true
	}
	for v := range visits {
		if len(plots[v]) < leastPlotsOfVisit {
			return false
		}
	}
	return true
}

// covarianceOverVisits is the covariance of calibrated plot means, each by its
// line, in the lines' own unit squared. To what the lines' uncertainty gives it
// adds, between two visits of one plot, the plot effect: the deviation from the
// line that the quadrats of a plot keep from visit to visit.
func covarianceOverVisits(order []Place, lines []*calibrate.Line, means *calibrate.CalibratedMeans) [][]float64 {
	cov := make([][]float64, len(order))
	for i, k := range order {
		cov[i] = make([]float64, len(order))
		for j, l := range order {
			cov[i][j] = means.Cov[i][j]
			if i != j && k.Plot == l.Plot {
				cov[i][j] += plotEffect(lines[i], means.Values[i]) * plotEffect(lines[j], means.Values[j])
			}
		}
	}
	return cov
}

// plotEffect is the standard deviation of what the quadrats of a plot have in
// common over the visits, at a calibrated value.
func plotEffect(l *calibrate.Line, value float64) float64 {
	return math.Sqrt(l.LastingVar * l.SpreadAt(value))
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
