package calibrate

import (
	"fmt"
	"math"
)

// TwoPhase is a mean estimated from a large sample with photos (first phase) and
// a random part of it with hand counts (second phase), beside the plain means.
// Simple random sampling in both phases.
//
// Sources: Cochran 1977, Sampling Techniques, 3rd ed., chapter 12 (double
// sampling); de Vries 1986, Sampling Theory for Forest
// Inventory, the chapters on double sampling with regression and ratio
// estimators.
type TwoPhase struct {
	Photos int `json:"photos"` // first phase, hand-counted units among them
	Hands  int `json:"hands"`  // second phase

	Regression Estimate  `json:"regression"`
	Ratio      *Estimate `json:"ratio,omitempty"` // nil when the image mean of hand-counted units is 0
	HandOnly   Estimate  `json:"hand_only"`
	// ImageOnly is the mean of the photos as they are; its SE knows nothing of
	// the camera's bias.
	ImageOnly   Estimate `json:"image_only"`
	Slope       float64  `json:"slope"`
	Correlation *float64 `json:"correlation,omitempty"`
	Warnings    []string `json:"warnings,omitempty"`
}

// NewTwoPhase estimates the mean hand value of the units behind photos. x and y
// are image and hand of the second phase; photos are the image values of the
// whole first phase, second-phase units among them. population is the number of
// units the first phase was drawn from, 0 for a very large one (no finite
// correction). level is that of the t intervals, with hands-2 degrees of freedom
// (regression) or hands-1.
//
// Regression: mean(y) + b (mean(photos) - mean(x)), variance
//
//	s2yx (1/n + (X-x)^2/Sxx) + (s2y - s2yx)/n' - s2y/N
//
// with s2yx the residual variance (divisor n-2), X the mean of photos, x that of
// the second phase. When all photos are hand-counted (n = n') nothing of the line
// remains: the result is the hand mean with its own variance. Ratio: R X, with R =
// mean(y)/mean(x), variance
//
//	(s2y - 2 R syx + R^2 s2x)/n + (2 R syx - R^2 s2x)/n' - s2y/N.
func NewTwoPhase(photos, x, y []float64, population int, level float64) (*TwoPhase, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	n, np := float64(len(x)), float64(len(photos))
	switch {
	case len(photos) < len(x):
		return nil, fmt.Errorf("%d photos but %d hand counts: every hand-counted unit must be photographed", len(photos), len(x))
	case population != 0 && population < len(photos):
		return nil, fmt.Errorf("a population of %d is smaller than its %d photos", population, len(photos))
	}
	for i, p := range photos {
		if !isFinite(p) {
			return nil, fmt.Errorf("photo %d has a missing or infinite image value", i+1)
		}
	}
	perN := 0.0
	if population > 0 {
		perN = 1 / float64(population)
	}
	mx, my, sxx, syy, sxy := centred(x, y)
	big := mean(photos)
	s2y := syy / (n - 1)
	e := &TwoPhase{Photos: len(photos), Hands: len(x)}
	est := func(v, variance, df float64, method string) Estimate {
		se := math.Sqrt(max(0, variance))
		return Estimate{v, ptr(se), around(v, tHalf(level, df)*se, level, method), nil}
	}
	e.HandOnly = est(my, s2y*(1/n-perN), n-1, "t interval of the hand-counted units")
	e.ImageOnly = Estimate{Value: big}
	if len(photos) > 1 {
		e.ImageOnly = est(big, variance(photos)*(1/np-perN), np-1, "t interval of the photos, blind to bias")
	}
	if constant(x) {
		e.Regression = e.HandOnly
		e.Warnings = append(e.Warnings, "image values of hand-counted units do not vary: the photos cannot sharpen the hand mean")
		return e, nil
	}
	e.Slope = sxy / sxx
	s2yx := max(0, syy-e.Slope*sxy) / (n - 2)
	v := s2yx*(1/n+(big-mx)*(big-mx)/sxx-1/np) + s2y*(1/np-perN)
	e.Regression = est(my+e.Slope*(big-mx), v, n-2, "two-phase regression estimator, Cochran 1977, section 12.6")
	if syy > 0 {
		e.Correlation = ptr(max(-1, min(1, sxy/math.Sqrt(sxx)/math.Sqrt(syy))))
	}
	if mx != 0 {
		r := my / mx
		part := (2*r*sxy - r*r*sxx) / (n - 1)
		ratio := est(r*big, (s2y-part)/n+part/np-s2y*perN, n-1, "two-phase ratio estimator, Cochran 1977, section 12.9")
		e.Ratio = &ratio
	}
	if len(x) < 10 {
		e.Warnings = append(e.Warnings, fmt.Sprintf("%d hand counts: the variance of the regression estimator is rough below about 10", len(x)))
	}
	return e, nil
}
