package calibrate

import (
	"fmt"
	"slices"
	"strings"
)

// Report is all that image against hand has to say about one trial or table.
// Cover is a fraction throughout; figures need no further computing.
type Report struct {
	Kind       Kind    `json:"kind"`
	HandName   string  `json:"hand_name,omitempty"`
	ImageName  string  `json:"image_name,omitempty"`
	Confidence float64 `json:"confidence"`
	Seed       uint64  `json:"seed"`
	Resamples  int     `json:"resamples"`

	Intake      Intake          `json:"intake"`
	Agreement   Agreement       `json:"agreement"`
	Groups      []GroupTable    `json:"groups,omitempty"`
	Calibration Calibration     `json:"calibration"`
	Double      *DoubleSampling `json:"double_sampling,omitempty"`
	Plan        *Plan           `json:"plan,omitempty"`
	Verdict     *Verdict        `json:"verdict,omitempty"` // nil when no margin was stated
	Figure      Figure          `json:"figure"`

	// Loud are the warnings that must be read before anything else: a bias that
	// would fake a treatment effect.
	Loud     []string `json:"loud,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// Figure holds what the two standard figures draw: image against hand with the
// line of equality from Low to High, and difference against mean with Bias,
// LowerLimit and UpperLimit of Agreement, its Sloping points and the
// Calibration's Band.
type Figure struct {
	Points []Point `json:"points"`
	Low    float64 `json:"low"`  // of hand and image together
	High   float64 `json:"high"` // of hand and image together
}

// Point is one pair, ready to draw.
type Point struct {
	Name       string   `json:"name"`
	Plot       string   `json:"plot,omitempty"`
	Visit      string   `json:"visit,omitempty"`
	Treatment  string   `json:"treatment,omitempty"`
	Observer   string   `json:"observer,omitempty"`
	Hand       float64  `json:"hand"`
	Image      float64  `json:"image"`
	Mean       float64  `json:"mean"`
	Difference float64  `json:"difference"` // image - hand
	Calibrated *float64 `json:"calibrated,omitempty"`
}

// Study computes everything from pairs: what was set aside, agreement in all and
// by group, calibration line, double sampling, plan and verdict. Rows that
// cannot be used are listed and the rest kept. It refuses wrong options, percent
// against proportion, and fewer than 3 full pairs. The same pairs, options and
// seed give the same report.
func Study(pairs []Pair, opt Options) (Report, error) {
	if err := opt.Validate(); err != nil {
		return Report{}, err
	}
	full, photo, in, err := Clean(pairs, opt)
	if err != nil {
		return Report{}, err
	}
	r := Report{Kind: opt.Kind, HandName: opt.HandName, ImageName: opt.ImageName, Confidence: opt.Confidence, Seed: opt.Seed, Resamples: opt.Resamples, Intake: in}
	if len(full) < 3 {
		return r, fmt.Errorf("%d of %d rows hold both a hand value and an image value: need at least 3 pairs", len(full), len(pairs))
	}
	if r.Agreement, err = Agree(full, opt); err != nil {
		return r, err
	}
	var byTreatment *BiasTest
	for _, by := range []string{ByVisit, ByTreatment, ByObserver} {
		// The treatment test feeds the verdict, asked for or not.
		if !slices.Contains(opt.By, by) && by != ByTreatment {
			continue
		}
		if !slices.ContainsFunc(full, func(p Pair) bool { return field(p, by) != "" }) {
			continue // given in no row
		}
		table, err := NewGroupTable(full, by, opt)
		if err != nil {
			return r, err
		}
		if by == ByTreatment {
			byTreatment = table.Test
			if !slices.Contains(opt.By, by) {
				continue
			}
		} else if table.Test != nil && table.Test.Shown {
			r.Warnings = append(r.Warnings, fmt.Sprintf("the bias differs between %ss (F = %.2f on %.0f and %.0f df, %s): look for what changed", by, table.Test.Statistic, table.Test.DF1, table.Test.DF2, pWords(table.Test.P)))
		}
		r.Groups = append(r.Groups, table)
	}
	if t := byTreatment; t != nil && (t.Shown || t.AfterLineShown) {
		r.Loud = append(r.Loud, loud(t))
	}
	if r.Calibration, err = Calibrate(full, opt); err != nil {
		return r, err
	}
	if d, err := NewDoubleSampling(full, photo, opt); err != nil {
		r.Warnings = append(r.Warnings, err.Error())
	} else {
		r.Double = d
		r.plan(opt)
	}
	if opt.Margin != nil {
		if r.Verdict, err = NewVerdict(full, *opt.Margin, opt.Confidence, byTreatment, opt.Enough); err != nil {
			return r, err
		}
	}
	r.Figure = figure(full, r.Calibration.Chosen)
	return r, nil
}

// loud is the warning about a bias that differs between treatments.
func loud(t *BiasTest) string {
	s := "THE BIAS DIFFERS BETWEEN TREATMENTS"
	if t.Shown {
		s += fmt.Sprintf(" (F = %.2f on %.0f and %.0f df, %s)", t.Statistic, t.DF1, t.DF2, pWords(t.P))
	}
	s += ": comparing treatments by raw image values would show an effect that is not there, or hide one that is. "
	switch {
	case t.AfterLineShown:
		return s + fmt.Sprintf("A common calibration line does not cure it (F = %.2f on %.0f and %.0f df, %s): compare treatments by hand counts or by double sampling, which corrects each treatment by its own hand counts.",
			t.AfterLine.Statistic, t.AfterLine.DF1, t.AfterLine.DF2, pWords(t.AfterLine.P))
	case t.AfterLine != nil:
		return s + "After a common calibration line no difference was shown, so calibrated values may serve; double sampling is safer."
	}
	return s + "Whether a common calibration line would cure it cannot be tested with so few plots: compare treatments by hand counts or by double sampling."
}

// plan adds the double-sampling plan when minutes were given.
func (r *Report) plan(opt Options) {
	if opt.HandMinutes == 0 || opt.PhotoMinutes == 0 {
		return
	}
	d := r.Double
	if d.WithinVar == nil || d.WithinCorr == nil {
		r.Warnings = append(r.Warnings, "no plan for double sampling: need at least two hand-counted quadrats in several plots for the variance and correlation within plots")
		return
	}
	p, err := NewPlan(Costs{opt.HandMinutes, opt.PhotoMinutes}, *d.WithinVar, *d.WithinCorr, opt.TargetSE)
	if err != nil {
		r.Warnings = append(r.Warnings, err.Error())
		return
	}
	r.Plan = p
}

func figure(pairs []Pair, line *Line) Figure {
	f := Figure{Low: pairs[0].Hand, High: pairs[0].Hand}
	for _, p := range pairs {
		f.Low, f.High = min(f.Low, p.Hand, p.Image), max(f.High, p.Hand, p.Image)
		pt := Point{Name: p.Name(), Plot: p.Plot, Visit: p.Visit, Treatment: p.Treatment, Observer: p.Observer,
			Hand: p.Hand, Image: p.Image, Mean: (p.Hand + p.Image) / 2, Difference: p.Image - p.Hand}
		if line != nil {
			pt.Calibrated = ptr(line.At(p.Image))
		}
		f.Points = append(f.Points, pt)
	}
	return f
}

// pWords writes a p value as a sentence would.
func pWords(p float64) string {
	switch s := fmt.Sprintf("%.3f", p); {
	case p < 0.001:
		return "p < .001"
	case p > 0.999:
		return "p > .999"
	default:
		return "p = " + strings.TrimPrefix(s, "0")
	}
}
