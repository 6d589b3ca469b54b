package mixed

import (
	"fmt"
	"math"

	"quadtally/stats/terms"
)

// Model says what is fitted: y = fixed terms + random groups + residual.
type Model struct {
	// Response holds one finite value a row. Leave a missing row out of every
	// column; a blank is not a zero.
	Response []float64
	// Frame holds the labels and covariates, one a row.
	Frame terms.Frame
	// Fixed lists the fixed terms in the order of the sequential tests; the
	// intercept is always there. Empty means a common mean only.
	Fixed []terms.Term
	// Random lists the groupings with a random effect each, for example
	// {"block"} and {"block", "treatment"} (the plot). They may be nested or
	// crossed. A plot measured more than once must be among them, or in
	// Serial, or its rows would count as replicates.
	Random []terms.Term
	// Serial, if set, correlates the residuals of a plot over time.
	Serial *Serial
}

// Serial describes continuous-time first-order autocorrelation: residuals of
// the same group d days apart correlate by exp(-d/tau) = phi^d (CAR(1)).
type Serial struct {
	// Group is the plot, as labels that identify it.
	Group terms.Term
	// Days holds the true day of each row from any origin. Two rows of a
	// group on the same day are refused: average the quadrats first.
	Days []float64
}

// Method is the criterion that is maximised.
type Method string

// The methods. REML is for estimates and tests; ML only to compare models
// with different fixed terms by likelihood.
const (
	REML Method = "REML"
	ML   Method = "ML"
)

// DFMethod is how denominator degrees of freedom are found.
type DFMethod string

// The degree-of-freedom methods. KenwardRoger also widens the standard errors
// for the variance components being estimates (Kenward and Roger 1997,
// Biometrics 53, 983-997; first-order form where correlations are estimated). Satterthwaite matches the variance of the variance
// of each contrast (Giesbrecht and Burns 1985, Biometrics 41, 477-486; the
// multi-degree F after Fai and Cornelius 1996, J. Stat. Comput. Simul. 54,
// 363-378). Both give the exact df of a balanced design.
const (
	KenwardRoger  DFMethod = "Kenward-Roger"
	Satterthwaite DFMethod = "Satterthwaite"
)

// Options are the settings of a fit.
type Options struct {
	Method Method
	DF     DFMethod
	// Level is the coverage of intervals, between 0.5 and 0.9999.
	Level float64
}

// DefaultOptions gives REML, Kenward-Roger and 95 % intervals.
func DefaultOptions() Options {
	return Options{Method: REML, DF: KenwardRoger, Level: 0.95}
}

// Validate checks that the options are known and fit together.
func (o Options) Validate() error {
	switch {
	case o.Method != REML && o.Method != ML:
		return fmt.Errorf("method %q is not known: use %q or %q", o.Method, REML, ML)
	case o.DF != KenwardRoger && o.DF != Satterthwaite:
		return fmt.Errorf("degrees of freedom by %q are not known: use %q or %q", o.DF, KenwardRoger, Satterthwaite)
	case o.Method == ML && o.DF == KenwardRoger:
		return fmt.Errorf("Kenward-Roger rests on a REML fit: use %q with %q, or fit by %q", Satterthwaite, ML, REML)
	case !(o.Level >= 0.5 && o.Level <= 0.9999):
		return fmt.Errorf("interval level %v is outside 0.5 to 0.9999", o.Level)
	}
	return nil
}

// validate checks the response and its length against the table.
func (m Model) validate() error {
	n, err := m.Frame.Rows()
	if err != nil {
		return err
	}
	if len(m.Response) != n {
		return fmt.Errorf("the response has %d rows, the table has %d", len(m.Response), n)
	}
	constant := true
	size := 0.0
	for i, y := range m.Response {
		if math.IsNaN(y) || math.IsInf(y, 0) {
			return fmt.Errorf("row %d: the response is not a finite number; leave a missing row out, it is not zero", i+1)
		}
		constant = constant && y == m.Response[0]
		size = math.Max(size, math.Abs(y))
	}
	if constant {
		return fmt.Errorf("the response is %v in all %d rows: nothing varies, so nothing can be tested", m.Response[0], n)
	}
	if size > 1e100 || size < 1e-100 {
		return fmt.Errorf("the largest response is %v: its square cannot be written down; choose another unit", size)
	}
	if m.Serial == nil {
		return nil
	}
	if len(m.Serial.Days) != n {
		return fmt.Errorf("the days have %d rows, the table has %d", len(m.Serial.Days), n)
	}
	for i, d := range m.Serial.Days {
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return fmt.Errorf("row %d: the day is not a finite number", i+1)
		}
	}
	return nil
}
