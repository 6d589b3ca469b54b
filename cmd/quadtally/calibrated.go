package main

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

// calibration is what --calibrated puts in the place of image values.
type calibration struct {
	readings []reading      // calibrated, in the unit of the response
	own      stats.OwnError // of plot means, by plot and visit
	visits   []int          // of each value of own
	said     report.Calibrated
}

// calibrateReadings carries image readings through the line of the trial's own
// pairs of hand and photo.
func calibrateReadings(snap *record.Snapshot, r response, rs []reading) (calibration, error) {
	opt := calibrate.DefaultOptions()
	opt.Unit = calibrate.UnitFraction
	unit := 100.0 // from the line's unit to the response's
	switch r.name {
	case "cover":
		opt.Kind = calibrate.Cover
	case "pieces":
		opt.Kind = calibrate.Count
		unit = 1 / snap.Trial.Quadrat.AreaM2()
	default:
		return calibration{}, usagef("--calibrated goes with cover and pieces, which come from photos")
	}
	agreement, err := agreementOf(snap, opt, true)
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
	c := calibration{said: report.Calibrated{
		Method: line.Method.Words(), Pairs: line.N, Plots: line.Plots,
		Intercept: line.Intercept.Value * unit, Slope: line.Slope.Value, SlopeSE: line.Slope.SE,
		Low: line.Low * unit, High: line.High * unit, Unit: r.unit, Why: agreement.Calibration.Why,
		Loud: agreement.Loud, Warnings: slices.Clone(agreement.Calibration.Warnings),
	}}
	images := map[spot][]float64{}
	for _, x := range rs {
		k := spot{plot: x.plot, visit: x.visit}
		images[k] = append(images[k], x.value/unit)
		x.value = line.At(x.value/unit) * unit
		c.readings = append(c.readings, x)
	}
	order := slices.SortedFunc(maps.Keys(images), func(a, b spot) int {
		if a.visit != b.visit {
			return a.visit - b.visit
		}
		return slices.Compare([]string{a.plot}, []string{b.plot})
	})
	var plots []calibrate.PlotImages
	for _, k := range order {
		name := k.plot
		if k.visit > 0 {
			name = fmt.Sprintf("%s at visit %d", k.plot, k.visit)
		}
		plots = append(plots, calibrate.PlotImages{Plot: name, Images: images[k]})
	}
	means, err := line.ApplyMeans(plots)
	if err != nil {
		return calibration{}, err
	}
	c.said.Extrapolated = means.Extrapolated
	c.own = stats.OwnError{DF: means.DF, Cov: make([][]float64, len(order))}
	for i, k := range order {
		c.own.Plots, c.visits = append(c.own.Plots, k.plot), append(c.visits, k.visit)
		c.own.Cov[i] = make([]float64, len(order))
		for j, l := range order {
			v := means.Cov[i][j]
			if i != j && k.plot == l.plot {
				// What the quadrats of a plot share in lying off the line
				// they share at every visit.
				v += line.PlotVar * offLine(line, means.Values[i], means.Values[j])
			}
			c.own.Cov[i][j] = v * unit * unit
		}
	}
	return c, nil
}

// offLine is the factor of the line's plot variance for two values: it grows
// with the expected count, and is 1 for cover.
func offLine(l *calibrate.Line, a, b float64) float64 {
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
