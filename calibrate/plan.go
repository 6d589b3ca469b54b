package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// Costs are minutes of work.
type Costs struct {
	Hand  float64 `json:"hand_minutes"`  // one quadrat counted by hand, beyond its photo
	Photo float64 `json:"photo_minutes"` // one quadrat photographed
}

// Plan is how many quadrats to photograph and to count by hand.
//
// With hand-count variance S2, correlation r and costs c (hand) and c' (photo),
// the variance S2 (1-r^2)/n + S2 r^2/n' of the regression estimator is least for
// its cost at n/n' = sqrt((1-r^2)/r^2 * c'/c) (Cochran 1977, section 12.7;
// de Vries 1986).
type Plan struct {
	Costs       Costs   `json:"costs"`
	Variance    float64 `json:"variance"`
	Correlation float64 `json:"correlation"`

	Fraction float64 `json:"fraction"` // of photographed quadrats to count by hand, at most 1
	// Worth is set when double sampling beats hand counting alone for the same
	// minutes: c/c' > (1 + sqrt(1-r^2))^2 / r^2.
	Worth bool `json:"worth"`
	// BreakEven is that bound: how many photos a hand count must cost; nil when
	// the correlation is 0.
	BreakEven *float64 `json:"break_even_cost_ratio,omitempty"`
	// SameHours is the variance of hand counting alone over that of the best
	// double sample, for the same minutes. Above 1 the camera pays.
	SameHours float64 `json:"variance_ratio_same_hours"`

	// For the target standard error, 0 when none was given.
	TargetSE     float64 `json:"target_se,omitempty"`
	Photos       int     `json:"photos,omitempty"`
	Hands        int     `json:"hands,omitempty"`
	Minutes      float64 `json:"minutes,omitempty"`
	HandsAlone   int     `json:"hands_alone,omitempty"` // quadrats without any photo
	MinutesAlone float64 `json:"minutes_alone,omitempty"`
	Sentence     string  `json:"sentence"`
}

// NewPlan plans one mean (of a plot, from variances within plots). targetSE 0
// gives the fraction only. Numbers are rounded up, never down.
func NewPlan(c Costs, variance, correlation, targetSE float64) (*Plan, error) {
	switch {
	case !positive(c.Hand) || !positive(c.Photo):
		return nil, errors.New("plan: minutes per hand count and per photo must both be above 0")
	case !positive(variance):
		return nil, errors.New("plan: the variance of hand counts must be above 0")
	case !(correlation > -1 && correlation < 1):
		return nil, fmt.Errorf("plan: correlation %v must lie between -1 and 1, ends left out", correlation)
	case targetSE != 0 && !positive(targetSE):
		return nil, fmt.Errorf("plan: target standard error %v must be above 0", targetSE)
	}
	r2 := correlation * correlation
	miss := math.Sqrt(1 - r2)
	p := &Plan{Costs: c, Variance: variance, Correlation: correlation, TargetSE: targetSE, Fraction: 1}
	if r2 > 0 {
		p.Fraction = min(1, math.Sqrt((1-r2)/r2*c.Photo/c.Hand))
		p.BreakEven = ptr(square(1+miss) / r2)
		p.Worth = c.Hand/c.Photo > *p.BreakEven
	}
	f := p.Fraction
	// Variance times minutes, per unit of S2: of double sampling, of hands alone.
	p.SameHours = c.Hand / (((1-r2)/f + r2) * (f*c.Hand + c.Photo))
	if targetSE > 0 {
		ratio := variance / (targetSE * targetSE)
		p.Photos = ceil(ratio * ((1-r2)/f + r2))
		p.Hands = min(p.Photos, ceil(f*float64(p.Photos)))
		p.Minutes = float64(p.Photos)*c.Photo + float64(p.Hands)*c.Hand
		p.HandsAlone = ceil(ratio)
		p.MinutesAlone = float64(p.HandsAlone) * c.Hand
	}
	p.Sentence = p.sentence()
	return p, nil
}

// ceil rounds up, forgiving rounding just above a whole number.
func ceil(v float64) int { return int(math.Ceil(v * (1 - 1e-12))) }

func (p *Plan) sentence() string {
	if !p.Worth {
		s := "Count by hand only: with this correlation and these minutes photos do not pay"
		if p.BreakEven != nil {
			s += fmt.Sprintf(" (a hand count would have to take more than %.1f times as long as a photo)", *p.BreakEven)
		}
		return s + "."
	}
	s := fmt.Sprintf("Photograph every quadrat and count about %.0f in 100 of them by hand, chosen at random: for the same minutes the variance is %.2f times smaller than by hand alone.", 100*p.Fraction, p.SameHours)
	if p.Photos > 0 {
		s += fmt.Sprintf(" For the target standard error of a plot mean: %d photos and %d hand counts, %.0f minutes, against %d hand counts and %.0f minutes.",
			p.Photos, p.Hands, p.Minutes, p.HandsAlone, p.MinutesAlone)
	}
	return s
}
