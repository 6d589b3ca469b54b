package stats

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// Method is a way to keep many comparisons honest.
type Method string

// The methods for all pairs.
const (
	// Tukey is the studentized range, for unequal standard errors as Kramer
	// (1956, Biometrics 12, 307) extended it: the default.
	Tukey Method = "tukey"
	// LSD tests each pair on its own; it is honest only for few planned
	// pairs after a significant F.
	LSD        Method = "lsd"
	Bonferroni Method = "bonferroni"
	Sidak      Method = "sidak"
	Holm       Method = "holm"
	// BH keeps the share of false findings, not the chance of any
	// (Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289).
	BH Method = "bh"
	// Scheffe covers every contrast that could be thought of.
	Scheffe Method = "scheffe"
)

// adjustments are the methods that look at the unadjusted p values alone.
var adjustments = map[Method]Adjustment{
	Bonferroni: AdjustBonferroni, Sidak: AdjustSidak, Holm: AdjustHolm, BH: AdjustBenjaminiHochberg,
}

// Words is the method's name in print.
func (m Method) Words() string {
	switch m {
	case Tukey:
		return "Tukey-Kramer"
	case LSD:
		return "LSD"
	case Sidak:
		return "Sidak"
	case BH:
		return "Benjamini-Hochberg"
	case Scheffe:
		return "Scheffe"
	case Bonferroni:
		return "Bonferroni"
	case Holm:
		return "Holm"
	}
	return string(m)
}

// Methods lists the methods for all pairs.
func Methods() []Method { return []Method{Tukey, LSD, Bonferroni, Sidak, Holm, BH, Scheffe} }

// Pair is the difference A minus B of two adjusted means on the scale of the
// analysis. It is not estimable where the two treatments never meet, even
// through others; then all numbers are nil. P is adjusted by the method, PLSD
// is for the pair on its own. Lower and Upper are simultaneous for Tukey,
// Bonferroni, Sidak and Scheffe; under Holm they are Bonferroni's, under LSD
// and BH each holds on its own.
type Pair struct {
	A          string   `json:"a"`
	B          string   `json:"b"`
	Estimable  bool     `json:"estimable"`
	Difference *float64 `json:"difference,omitempty"`
	SED        *float64 `json:"sed,omitempty"`
	LSD        *float64 `json:"lsd,omitempty"`
	T          *float64 `json:"t,omitempty"`
	PLSD       *float64 `json:"p_lsd,omitempty"`
	P          *float64 `json:"p,omitempty"`
	Lower      *float64 `json:"lower,omitempty"`
	Upper      *float64 `json:"upper,omitempty"`
	Differ     bool     `json:"differ"`
}

// Pairs compares every two levels at the level alpha of significance.
func (m Means) Pairs(method Method, alpha float64) ([]Pair, error) {
	if !slices.Contains(Methods(), method) {
		return nil, fmt.Errorf("no method %q for pairs; choose one of %v", method, Methods())
	}
	if !(alpha > 0 && alpha < 1) {
		return nil, fmt.Errorf("significance level %g is not between 0 and 1", alpha)
	}
	k := len(m.Levels)
	if k > dist.MaxGroups {
		return nil, fmt.Errorf("%d treatments: pairs are compared among at most %d", k, dist.MaxGroups)
	}
	mse, ok := m.fit.MSE()
	ok = ok && mse > 0
	df := float64(m.fit.DFResidual)
	var pairs []Pair
	var tested []int
	for i := range k {
		for j := i + 1; j < k; j++ {
			p := Pair{A: m.Levels[i], B: m.Levels[j]}
			if c := m.difference(i, j); c.estimable {
				p.Estimable = true
				p.Difference = ptr(c.estimate)
				if ok {
					sed := math.Sqrt(mse * c.variance())
					p.SED, p.T = &sed, ptr(c.estimate/sed)
					p.PLSD = ptr(must(dist.TTwoSided(*p.T, df)))
					tested = append(tested, len(pairs))
				}
			}
			pairs = append(pairs, p)
		}
	}
	if len(tested) == 0 {
		return pairs, nil
	}
	unadjusted := make([]float64, len(tested))
	for i, at := range tested {
		unadjusted[i] = *pairs[at].PLSD
	}
	family := family{method: method, k: k, df: df}
	if method == Tukey && k > 2 {
		// Two means make a plain t test; Pairs has checked k.
		r, err := dist.NewStudentizedRange(k, df)
		if err != nil {
			return nil, err
		}
		family.studentized = r
	}
	adjusted := family.adjust(unadjusted, func(i int) float64 { return math.Abs(*pairs[tested[i]].T) })
	crit := family.critical(alpha, len(tested))
	tPlain := must(dist.TQuantile(1-alpha/2, df))
	for i, at := range tested {
		p := &pairs[at]
		p.P = ptr(adjusted[i])
		p.Differ = adjusted[i] <= alpha
		p.LSD = ptr(tPlain * *p.SED)
		p.Lower, p.Upper = ptr(*p.Difference-crit**p.SED), ptr(*p.Difference+crit**p.SED)
	}
	return pairs, nil
}

// family is the set of pairs that a method guards together.
type family struct {
	method      Method
	k           int // treatments
	df          float64
	studentized *dist.StudentizedRange // for Tukey and more than two treatments
}

// adjust turns unadjusted p values into those of the family; absT gives |t| of pair i.
func (f family) adjust(unadjusted []float64, absT func(i int) float64) []float64 {
	var tail func(t float64) float64
	switch f.method {
	case Tukey:
		if f.studentized == nil {
			return unadjusted
		}
		tail = func(t float64) float64 { return must(f.studentized.SF(math.Sqrt2 * t)) }
	case Scheffe:
		d := float64(f.k - 1)
		tail = func(t float64) float64 { return must(dist.FSF(t*t/d, d, f.df)) }
	default:
		how, ok := adjustments[f.method]
		if !ok {
			return unadjusted
		}
		adjusted, err := Adjust(unadjusted, how)
		if err != nil {
			panic("stats: " + err.Error()) // unadjusted are p values in [0, 1]
		}
		return adjusted
	}
	out := make([]float64, len(unadjusted))
	for i := range out {
		out[i] = tail(absT(i))
	}
	return out
}

// critical is the multiple of the SED at the end of an interval, with m pairs.
func (f family) critical(alpha float64, m int) float64 {
	switch f.method {
	case Tukey:
		if f.studentized != nil {
			return must(f.studentized.Quantile(1-alpha)) / math.Sqrt2
		}
	case Scheffe:
		d := float64(f.k - 1)
		return math.Sqrt(d * must(dist.FQuantile(1-alpha, d, f.df)))
	case Bonferroni, Holm:
		return must(dist.TQuantile(1-alpha/float64(2*m), f.df))
	case Sidak:
		return must(dist.TQuantile(0.5+math.Pow(1-alpha, 1/float64(m))/2, f.df))
	}
	return must(dist.TQuantile(1-alpha/2, f.df))
}

// Side says which differences from the control are looked for.
type Side string

// The sides of a comparison with the control.
const (
	BothSides    Side = "both"
	BelowControl Side = "below" // is the treatment lower?
	AboveControl Side = "above" // is the treatment higher?
)

// ControlComparison is a treatment less the control by Dunnett's single-step
// test (Dunnett 1955, JASA 50, 1096), with the correlations of the actual
// adjusted means. One-sided intervals have one end. PError is the error P may
// have from the integration, 0 where P is exact to rounding: below 1e-5 near the
// usual levels where blocks have lost plots, up to 1e-3 in irregular incomplete
// blocks.
type ControlComparison struct {
	Treatment  string   `json:"treatment"`
	Estimable  bool     `json:"estimable"`
	Difference *float64 `json:"difference,omitempty"`
	SED        *float64 `json:"sed,omitempty"`
	T          *float64 `json:"t,omitempty"`
	P          *float64 `json:"p,omitempty"`
	PError     float64  `json:"p_error,omitempty"`
	Lower      *float64 `json:"lower,omitempty"`
	Upper      *float64 `json:"upper,omitempty"`
	Differ     bool     `json:"differ"`
}

// VsControlContext compares every other level with the control. The end of ctx
// stops it.
func (m Means) VsControlContext(ctx context.Context, control string, side Side, alpha float64) ([]ControlComparison, error) {
	out, at, combos, err := m.againstControl(control, side, alpha)
	if err != nil || len(at) == 0 {
		return out, err
	}
	maxT, err := dist.NewMaxTContext(ctx, correlation(combos), float64(m.fit.DFResidual), side.tails())
	if err != nil {
		return nil, fmt.Errorf("comparison with control %s: %w", control, err)
	}
	crit, err := maxT.Quantile(1 - alpha)
	if err != nil {
		return nil, fmt.Errorf("comparison with control %s: %w", control, err)
	}
	known := map[float64][2]float64{} // p value and its error
	for _, i := range at {
		row := &out[i]
		t := side.statistic(*row.T)
		v, seen := known[t]
		if !seen {
			if v[0], v[1], err = maxT.SF(t); err != nil {
				return nil, fmt.Errorf("comparison with control %s: %w", control, err)
			}
			known[t] = v
		}
		row.P, row.PError, row.Differ = ptr(v[0]), v[1], v[0] <= alpha
		if side != BelowControl {
			row.Lower = ptr(*row.Difference - crit**row.SED)
		}
		if side != AboveControl {
			row.Upper = ptr(*row.Difference + crit**row.SED)
		}
	}
	return out, nil
}

// againstControl checks what is asked and gives the differences from the control
// in the order of the levels, with the rows that can be tested and their
// combinations of the coefficients.
func (m Means) againstControl(control string, side Side, alpha float64) (out []ControlComparison, at []int, combos []combination, err error) {
	c, err := m.index(control)
	if err != nil {
		return nil, nil, nil, err
	}
	if side != BothSides && side != BelowControl && side != AboveControl {
		return nil, nil, nil, fmt.Errorf("side %q is not one of %s, %s, %s", side, BothSides, BelowControl, AboveControl)
	}
	if !(alpha > 0 && alpha < 1) {
		return nil, nil, nil, fmt.Errorf("significance level %g is not between 0 and 1", alpha)
	}
	mse, ok := m.fit.MSE()
	ok = ok && mse > 0
	for i, l := range m.Levels {
		if i == c {
			continue
		}
		row := ControlComparison{Treatment: l}
		if d := m.difference(i, c); d.estimable {
			row.Estimable, row.Difference = true, ptr(d.estimate)
			if ok {
				sed := math.Sqrt(mse * d.variance())
				row.SED, row.T = &sed, ptr(d.estimate/sed)
				combos = append(combos, d)
				at = append(at, len(out))
			}
		}
		out = append(out, row)
	}
	return out, at, combos, nil
}

// tails is the region of the multivariate t distribution that a side asks for.
func (s Side) tails() dist.Sided {
	if s == BothSides {
		return dist.TwoSided
	}
	return dist.OneSided
}

// statistic turns t so that larger speaks more against equality.
func (s Side) statistic(t float64) float64 {
	switch s {
	case BothSides:
		return math.Abs(t)
	case BelowControl:
		return -t
	}
	return t
}

// tail is the p value of a single statistic, two-sided where the side is both.
func (s Side) tail(statistic, df float64) float64 {
	if s == BothSides {
		return must(dist.TTwoSided(statistic, df))
	}
	return must(dist.TSF(statistic, df))
}

func correlation(c []combination) *mat.SymDense {
	k := len(c)
	r := mat.NewSymDense(k, nil)
	for i := range k {
		r.SetSym(i, i, 1)
		for j := range i {
			r.SetSym(i, j, c[i].covariance(c[j])/math.Sqrt(c[i].variance()*c[j].variance()))
		}
	}
	return r
}

// pairTable looks pairs up by name in either order.
func pairTable(pairs []Pair) map[[2]string]Pair {
	t := make(map[[2]string]Pair, 2*len(pairs))
	for _, p := range pairs {
		t[[2]string{p.A, p.B}] = p
		t[[2]string{p.B, p.A}] = p
	}
	return t
}

// errNoLetters says why letters cannot be given.
var errNoLetters = errors.New("no letters: some treatments cannot be compared with each other")

// LettersFor gives each level the letters that agree with the pairs: two
// levels share a letter if and only if they are not shown to differ. "a" goes
// to the first level of order. It refuses where a pair could not be tested.
func LettersFor(order []string, pairs []Pair) (map[string]string, error) {
	table := pairTable(pairs)
	differ := func(i, j int) bool { return table[[2]string{order[i], order[j]}].Differ }
	for i := range order {
		for j := range i {
			if table[[2]string{order[i], order[j]}].P == nil {
				return nil, errNoLetters
			}
		}
	}
	letters, err := Letters(len(order), differ)
	if err != nil {
		return nil, err
	}
	out := make(map[string]string, len(order))
	for i, l := range order {
		out[l] = letters[i]
	}
	return out, nil
}

// nameList joins names as a sentence does.
func nameList(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
