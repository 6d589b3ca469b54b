package stats

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Kind says what sort of quantity a response is.
type Kind string

// The kinds of response.
const (
	Measure    Kind = "measure"    // a weight, a height, a yield
	Percent    Kind = "percent"    // part of a whole, 0 to 100
	Proportion Kind = "proportion" // part of a whole, 0 to 1
	Count      Kind = "count"      // number of things, also a mean or a density
)

// Scale is what is done to a plot's mean before it is analysed.
type Scale string

// The scales. Logarithms are natural but for Log10Plus1.
const (
	Raw         Scale = "raw"
	ArcsineSqrt Scale = "arcsine_sqrt" // radians
	Logit       Scale = "logit"
	SqrtHalf    Scale = "sqrt"  // sqrt(x + 0.5)
	LogPlus1    Scale = "log1p" // log(x + 1)
	Log10Plus1  Scale = "log10" // log10(x + 1)
)

// scalesFor lists the scales that make sense for a kind, the default first.
var scalesFor = map[Kind][]Scale{
	Measure:    {Raw, SqrtHalf, LogPlus1, Log10Plus1},
	Percent:    {ArcsineSqrt, Raw, Logit},
	Proportion: {ArcsineSqrt, Raw, Logit},
	Count:      {SqrtHalf, Raw, LogPlus1, Log10Plus1},
}

// DefaultScale is the scale a kind of response is analysed on unless another
// is asked for. It is fixed beforehand and never chosen by the outcome:
//
//   - measures as they are;
//   - cover (percent, proportion) as the arcsine of the square root, on which
//     plots of treatments from 1 to 95 % vary much alike: Tukey's and Dunnett's
//     tests of treatments that are alike then keep to 5 % though others lie far
//     from them, which on cover as measured they do not (TestCoverScaleReport);
//   - counts as sqrt(x + 0.5), because their variance rises with the mean
//     (Bartlett 1936, Suppl. J. R. Stat. Soc. 3, 68).
//
// Intervals of means and suppression of shares and counts do not come from the
// scale of the tests; see TreatmentResult.Standard.
//
// The checks of the residuals say when another scale is worth a look.
func DefaultScale(k Kind) Scale {
	if s, ok := scalesFor[k]; ok {
		return s[0]
	}
	return Raw
}

// Transform carries a plot's value to the scale of the analysis and back. Make
// one with NewTransform.
type Transform struct {
	Kind  Kind  `json:"kind"`
	Scale Scale `json:"scale"`
	// Nudge replaces 0 on the logit scale, and 1-Nudge replaces 1; it is 0
	// where neither occurs.
	Nudge float64 `json:"nudge,omitempty"`
	// One is what the 0.5 and the 1 of the square root and the logarithms are
	// counted in, 0 for 1: see Options.One.
	One float64 `json:"one,omitempty"`
}

// NewTransform prepares a scale for the plot values of a response. points is
// the number of points a cover value was counted from, or 0 for cover that was
// measured: it decides what stands for 0 and 1 on the logit scale, 1/(4 points)
// or else half the smallest distance from 0 or 1 that occurs, a rule of ours: Warton
// and Hui (2011, Ecology 92, 3-10) add the least non-zero share to both sides of
// the logit of every value. The note says when that happened.
func NewTransform(kind Kind, scale Scale, values []float64, points int) (t Transform, note string, err error) {
	allowed, ok := scalesFor[kind]
	if !ok {
		return t, "", fmt.Errorf("kind of response %q is not one of %s, %s, %s, %s", kind, Measure, Percent, Proportion, Count)
	}
	if scale == "" {
		scale = allowed[0]
	}
	if !slices.Contains(allowed, scale) {
		return t, "", fmt.Errorf("scale %q does not suit a %s; choose one of %v", scale, kind, allowed)
	}
	t = Transform{Kind: kind, Scale: scale}
	unit := t.whole()
	least, bounds := math.Inf(1), 0
	for _, v := range values {
		switch {
		case kind == Measure && scale == Raw:
		case v < 0:
			return t, "", fmt.Errorf("%g is below zero: the %s scale needs values from 0; correct it or use the raw scale", v, scale)
		case unit > 0 && v > unit:
			return t, "", fmt.Errorf("%g is above %g: a %s cannot be", v, unit, kind)
		}
		if unit == 0 {
			continue
		}
		p := v / unit
		if p == 0 || p == 1 {
			bounds++
			continue
		}
		least = min(least, p, 1-p)
	}
	if scale == Logit && bounds > 0 {
		t.Nudge = least / 2
		how := "half the smallest distance from an end that occurs"
		if points > 0 {
			t.Nudge, how = 1/(4*float64(points)), fmt.Sprintf("1/(4n) with n = %d points", points)
		} else if math.IsInf(least, 1) {
			return t, "", fmt.Errorf("every value is at 0 or %g, where the logit is infinite; use the raw or arcsine scale", unit)
		}
		note = fmt.Sprintf("%s at 0 or %g: the logit is infinite there, so %.3g and %.5g stand for them (%s)",
			count(bounds, "plot"), unit, t.Nudge*unit, (1-t.Nudge)*unit, how)
	}
	return t, note, nil
}

// whole is the value of a whole, or 0 for a response that is no share.
func (t Transform) whole() float64 {
	switch t.Kind {
	case Percent:
		return 100
	case Proportion:
		return 1
	}
	return 0
}

// one is One, or 1 where it is not set.
func (t Transform) one() float64 {
	if t.One > 0 {
		return t.One
	}
	return 1
}

// Forward carries a value to the scale of the analysis.
func (t Transform) Forward(v float64) float64 {
	switch t.Scale {
	case ArcsineSqrt:
		return math.Asin(math.Sqrt(v / t.whole()))
	case Logit:
		p := min(max(v/t.whole(), t.Nudge), 1-t.Nudge)
		return math.Log(p) - math.Log1p(-p)
	case SqrtHalf:
		return math.Sqrt(v + 0.5*t.one())
	case LogPlus1:
		return math.Log1p(v / t.one())
	case Log10Plus1:
		return math.Log1p(v/t.one()) / math.Ln10
	}
	return v
}

// Back carries a mean or the limit of an interval back. A point beyond the end
// of the scale comes back as that end, which for counts is below zero: -0.5 One
// for the square root, -One for the logarithms. A difference or a standard error
// has no such value.
func (t Transform) Back(z float64) float64 {
	switch t.Scale {
	case ArcsineSqrt:
		s := math.Sin(min(max(z, 0), math.Pi/2))
		return t.whole() * s * s
	case Logit:
		return t.whole() / (1 + math.Exp(-z))
	case SqrtHalf:
		z = max(z, 0)
		return z*z - 0.5*t.one()
	case LogPlus1:
		return t.one() * math.Expm1(z)
	case Log10Plus1:
		return t.one() * math.Expm1(z*math.Ln10)
	}
	return z
}

// Words describes the scale in a sentence about what was analysed.
func (t Transform) Words() string {
	switch t.Scale {
	case ArcsineSqrt:
		return "arcsine of the square root of the proportion, in radians"
	case Logit:
		return "logit of the proportion"
	case SqrtHalf:
		return fmt.Sprintf("square root of the value plus %.3g", 0.5*t.one())
	case LogPlus1:
		return fmt.Sprintf("natural logarithm of the value plus %.3g", t.one())
	case Log10Plus1:
		return fmt.Sprintf("logarithm to base 10 of the value plus %.3g", t.one())
	}
	return "as measured"
}

// checkRange finds every reading that its kind rules out: shares outside 0 to
// the whole, counts below zero, and shares of both ways of writing (see
// [DoubtfulPercents]). Where the unit is known there is nothing to ask.
func checkRange(kind Kind, unitKnown bool, rows []Row) []Fault {
	var below, above, mixed []string
	var mixedValues []float64
	whole := Transform{Kind: kind}.whole()
	var percents []Row
	lo, hi := math.Inf(1), 0.0
	for _, r := range rows {
		if r.Missing || !finite(r.Value) {
			continue
		}
		if kind != Measure && r.Value < 0 {
			below = append(below, fmt.Sprintf("%s (%g)", r.name(), r.Value))
		}
		if whole > 0 && r.Value > whole {
			above = append(above, fmt.Sprintf("%s (%g)", r.name(), r.Value))
		}
		if r.Value > 1 && r.Value <= 100 {
			lo, hi = min(lo, r.Value), max(hi, r.Value)
		}
		percents = append(percents, r)
	}
	if kind == Percent && !unitKnown {
		for _, i := range DoubtfulPercents(percents) {
			mixed = append(mixed, percents[i].name())
			mixedValues = append(mixedValues, percents[i].Value)
		}
	}
	var faults []Fault
	if len(below) > 0 {
		faults = append(faults, Fault{below, fmt.Sprintf("below zero, which a %s cannot be; correct it or mark the reading missing", kind)})
	}
	if len(above) > 0 {
		text := fmt.Sprintf("above %g, which a %s cannot be; correct it or mark the reading missing", whole, kind)
		if kind == Proportion {
			text += "; if these are percents, say so"
		}
		faults = append(faults, Fault{above, text})
	}
	if len(mixed) > 0 {
		faults = append(faults, Fault{mixed, fmt.Sprintf("%g among values %g to %g: percent or proportion? write all readings one way, or say that all are percents", slices.Min(mixedValues), lo, hi)})
	}
	return faults
}

// unroundedFrom is the number of decimals from which a number was computed and
// not read off, so that its decimals tell nothing of how it was written.
const unroundedFrom = 6

// DoubtfulPercents returns the readings, by index, that look like proportions
// written among percents. Little cover is common where weeds stand in patches,
// so a value between 0 and 1 is doubtful only where three things meet:
//
//   - others of its treatment are over 1;
//   - a hundred times the value is within a factor of 4 of their median;
//   - it is not written as the percents are. A percent written as a proportion
//     has two decimals more; a value with no more decimals than a quarter of
//     the values over 1 is one of them. Computed numbers tell nothing by their
//     decimals: they are doubtful only where every reading of a block (two or
//     more, zeros left out) is.
//
// Readings of 0 and over 1 are never doubtful. Missing readings are passed
// over.
func DoubtfulPercents(rows []Row) []int {
	byTreatment := map[string][]float64{}
	var places []int // decimals of the values over 1
	for _, r := range rows {
		if !r.Missing && r.Value > 1 && r.Value <= 100 {
			byTreatment[r.Treatment] = append(byTreatment[r.Treatment], r.Value)
			places = append(places, decimals(r.Value))
		}
	}
	if len(places) == 0 {
		return nil
	}
	slices.Sort(places)
	usual := places[len(places)-1-(len(places)-1)/4]
	looksLike := func(r Row) bool {
		others := byTreatment[r.Treatment]
		if r.Missing || r.Value <= 0 || r.Value >= 1 || len(others) == 0 {
			return false
		}
		return math.Abs(math.Log(100*r.Value/median(others))) < math.Log(4)
	}
	alike, other := map[string]int{}, map[string]int{} // readings of a block
	for _, r := range rows {
		switch {
		case looksLike(r):
			alike[r.Block]++
		case !r.Missing && r.Value != 0:
			other[r.Block]++
		}
	}
	var doubtful []int
	for i, r := range rows {
		if !looksLike(r) {
			continue
		}
		d := decimals(r.Value)
		wholeBlock := alike[r.Block] > 1 && other[r.Block] == 0
		if d > usual || d >= unroundedFrom && wholeBlock {
			doubtful = append(doubtful, i)
		}
	}
	return doubtful
}

// decimals is the number of decimals x was written with, [unroundedFrom] or
// more counting as that.
func decimals(x float64) int {
	s := strconv.FormatFloat(x, 'f', -1, 64)
	at := strings.IndexByte(s, '.')
	if at < 0 {
		return 0
	}
	return min(len(s)-at-1, unroundedFrom)
}
