package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Enough says what a yes must rest on at the least. The numbers of
// [DefaultEnough] are our choice, fixed beforehand.
type Enough struct {
	// Plots and Visits are the fewest with pairs in them.
	Plots  int `json:"plots"`
	Visits int `json:"visits"`
	// Range is the hand values, low and high, for which the answer is wanted
	// (cover as fractions). When stated it takes the place of Visits: the pairs
	// must then reach over it, and the yes is for it only.
	Range *[2]float64 `json:"range,omitempty"`
	// Treatments are those of the trial; each must have a pair. Nil takes those
	// that occur in the pairs.
	Treatments []string `json:"treatments,omitempty"`
}

// DefaultEnough asks for 8 plots over 3 visits.
func DefaultEnough() Enough { return Enough{Plots: 8, Visits: 3} }

// Validate returns the first fault.
func (e Enough) Validate() error {
	switch {
	case e.Plots < 2:
		return fmt.Errorf("%d plots for a verdict: need at least 2 for any error to judge by", e.Plots)
	case e.Visits < 1:
		return fmt.Errorf("%d visits for a verdict: need at least 1", e.Visits)
	case e.Range != nil && !(isFinite(e.Range[0]) && isFinite(e.Range[1]) && e.Range[0] < e.Range[1]):
		return fmt.Errorf("range %v to %v: need two numbers, the lower first", e.Range[0], e.Range[1])
	}
	return nil
}

// ReasonCode says why a question is not answered by yes.
type ReasonCode string

// The reasons. The first six say what is missing, the others what was seen.
const (
	FewPlots         ReasonCode = "few_plots"         // Have of Need
	FewVisits        ReasonCode = "few_visits"        // Have of Need
	RangeNotCovered  ReasonCode = "range_not_covered" // fewer than 2 pairs in a third of the range; Have of 3 are covered
	TreatmentWithout ReasonCode = "treatment_without" // Names have no pair
	FewPlotsWithin   ReasonCode = "few_plots_within"  // no treatment has a second plot, so biases cannot be compared
	AverageOpen      ReasonCode = "average_open"      // the interval reaches over the margin
	AverageBeyond    ReasonCode = "average_beyond"    // the mean difference is at or beyond the margin
	BiasDiffers      ReasonCode = "bias_differs"      // between treatments, shown by test
	PairsOpen        ReasonCode = "bias_pairs_open"   // Names: pairs whose difference of bias may be beyond the margin
	PairsBeyond      ReasonCode = "bias_pairs_beyond" // Names: pairs whose difference of bias is shown beyond the margin
	TreatmentBeyond  ReasonCode = "treatment_beyond"  // Names: treatments shown beyond the margin on their own
)

// Reason is one reason with its names or numbers.
type Reason struct {
	Code  ReasonCode `json:"code"`
	Names []string   `json:"names,omitempty"`
	Have  int        `json:"have,omitempty"`
	Need  int        `json:"need,omitempty"`
}

// Words is the reason as part of a sentence.
func (r Reason) Words() string {
	names := list(r.Names, 5)
	switch r.Code {
	case FewPlots:
		return fmt.Sprintf("%s pairs, and %d are needed", have(r.Have, "plot"), r.Need)
	case FewVisits:
		return fmt.Sprintf("%s pairs, and %d are needed, or a stated range of values", have(r.Have, "visit"), r.Need)
	case RangeNotCovered:
		return fmt.Sprintf("pairs lie in %d of the 3 thirds of the stated range, 2 pairs or more in each are needed", r.Have)
	case TreatmentWithout:
		return "no pair lies in " + names
	case FewPlotsWithin:
		return "no treatment has pairs in 2 plots, so biases of treatments cannot be compared"
	case AverageOpen:
		return "the interval of the mean difference reaches over the margin"
	case AverageBeyond:
		return "the mean difference is at or beyond the margin"
	case BiasDiffers:
		return "the bias differs between treatments"
	case PairsOpen:
		return "the bias may differ by more than the margin between " + names
	case PairsBeyond:
		return "the bias differs by more than the margin between " + names
	case TreatmentBeyond:
		return "image and hand differ by more than the margin in " + names
	}
	return string(r.Code)
}

func have(n int, noun string) string {
	if n == 1 {
		return "1 " + noun + " has"
	}
	return fmt.Sprintf("%d %ss have", n, noun)
}

// Question is one of the two questions: its answer, and the reasons where that
// is not yes.
type Question struct {
	Answer  Answer   `json:"answer"`
	Reasons []Reason `json:"reasons,omitempty"`
}

func (q *Question) against(r Reason) {
	q.Answer = No
	q.Reasons = append(q.Reasons, r)
}

// missing turns a yes into not yet; a no stays.
func (q *Question) missing(r Reason) {
	if q.Answer == Yes {
		q.Answer = NotEnough
	}
	q.Reasons = append(q.Reasons, r)
}

// BiasDifference is the bias in treatment A less that in B, plots as units with
// one variance between plots of a treatment, and its 1 - 2 alpha interval.
type BiasDifference struct {
	A          string  `json:"a"`
	B          string  `json:"b"`
	Difference float64 `json:"difference"`
	SE         float64 `json:"se"`
	DF         float64 `json:"df"`
	Low        float64 `json:"low"`
	High       float64 `json:"high"`
}

// Verdict answers "may I stop hand-counting?" for the trial, in two: for means
// over the trial (Average), and for comparing treatments (Comparing; nil where
// the pairs name no two treatments). Answer is yes where both are, no where one
// is, else not yet; it is never yes where the bias is shown to differ between
// treatments.
//
// On average: the two one-sided tests over all pairs. For comparing treatments:
// the difference of bias between every two treatments must be shown to lie
// within the margin, by the same two tests at the same level. All pairs must pass, so
// that no allowance for their number is needed (the intersection-union test:
// Berger 1982, Technometrics 24, 295-300).
type Verdict struct {
	Answer          Answer           `json:"answer"`
	Margin          float64          `json:"margin"`
	Average         Question         `json:"average"`
	Comparing       *Question        `json:"comparing,omitempty"`
	Enough          Enough           `json:"enough"`
	Overall         *TOST            `json:"overall"`
	Treatments      []NamedTOST      `json:"treatments,omitempty"`
	BiasDifferences []BiasDifference `json:"bias_differences,omitempty"`
	Sentence        string           `json:"sentence"`
	Warnings        []string         `json:"warnings,omitempty"`
}

// NamedTOST is the test within one treatment; Test is nil with too few pairs.
type NamedTOST struct {
	Name string `json:"name"`
	Test *TOST  `json:"test,omitempty"`
	Note string `json:"note,omitempty"`
}

// NewVerdict gives the verdict on the least evidence that enough asks for.
// differs is the test of bias between treatments (nil when it could not be made).
func NewVerdict(pairs []Pair, margin, level float64, differs *BiasTest, enough Enough) (*Verdict, error) {
	if err := enough.Validate(); err != nil {
		return nil, err
	}
	overall, err := NewTOST(pairs, margin, level)
	if err != nil {
		return nil, err
	}
	v := &Verdict{Margin: margin, Overall: overall, Enough: enough, Average: Question{Answer: overall.Answer}}
	switch overall.Answer {
	case NotEnough:
		v.Average.Reasons = append(v.Average.Reasons, Reason{Code: AverageOpen})
	case No:
		v.Average.Reasons = append(v.Average.Reasons, Reason{Code: AverageBeyond})
	}
	for _, r := range enough.lacking(pairs) {
		v.Average.missing(r)
	}
	names, groups := groupBy(pairs, ByTreatment)
	if len(names) > 1 || len(enough.Treatments) > 1 {
		v.Comparing = &Question{Answer: Yes}
		if err := v.compare(names, groups, level, differs); err != nil {
			return nil, err
		}
		for _, r := range enough.lacking(pairs) {
			v.Comparing.missing(r)
		}
	}
	v.Answer = v.Average.Answer
	if c := v.Comparing; c != nil && v.Answer != No && c.Answer != Yes {
		v.Answer = c.Answer
	}
	v.say()
	return v, nil
}

// lacking says what the pairs lack for a yes.
func (e Enough) lacking(pairs []Pair) (out []Reason) {
	if _, plots := plotsOf(pairs); plots < e.Plots {
		out = append(out, Reason{Code: FewPlots, Have: plots, Need: e.Plots})
	}
	if e.Range == nil {
		visits := map[string]bool{}
		for _, p := range pairs {
			visits[p.Visit] = true
		}
		if len(visits) < e.Visits {
			out = append(out, Reason{Code: FewVisits, Have: len(visits), Need: e.Visits})
		}
	} else {
		var thirds [3]int
		for _, p := range pairs {
			if at := 3 * (p.Hand - e.Range[0]) / (e.Range[1] - e.Range[0]); at >= 0 && at <= 3 {
				thirds[min(int(at), 2)]++
			}
		}
		covered := 0
		for _, n := range thirds {
			if n >= 2 {
				covered++
			}
		}
		if covered < 3 {
			out = append(out, Reason{Code: RangeNotCovered, Have: covered, Need: 3})
		}
	}
	var without []string
	for _, t := range e.Treatments {
		if !slices.ContainsFunc(pairs, func(p Pair) bool { return p.Treatment == t }) {
			without = append(without, t)
		}
	}
	if len(without) > 0 {
		out = append(out, Reason{Code: TreatmentWithout, Names: without})
	}
	return out
}

// compare answers the second question.
func (v *Verdict) compare(names []string, groups [][]Pair, level float64, differs *BiasTest) error {
	var beyond []string
	for i, name := range names {
		row := NamedTOST{Name: name}
		var err error
		if row.Test, err = NewTOST(groups[i], v.Margin, level); err != nil {
			row.Note = err.Error()
		}
		if t := row.Test; t != nil && t.CI != nil && (t.CI.Low >= v.Margin || t.CI.High <= -v.Margin) {
			beyond = append(beyond, name)
		}
		v.Treatments = append(v.Treatments, row)
	}
	if differs != nil && differs.Shown {
		v.Comparing.against(Reason{Code: BiasDiffers})
	}
	if len(beyond) > 0 {
		v.Comparing.against(Reason{Code: TreatmentBeyond, Names: beyond})
	}
	if len(names) < 2 {
		return nil // the treatments without pairs are said by lacking
	}
	v.BiasDifferences = biasDifferences(names, groups, level)
	if v.BiasDifferences == nil {
		v.Comparing.missing(Reason{Code: FewPlotsWithin})
		return nil
	}
	var open, far []string
	for _, d := range v.BiasDifferences {
		pair := d.A + " and " + d.B
		switch {
		case d.Low > -v.Margin && d.High < v.Margin:
		case d.Low >= v.Margin || d.High <= -v.Margin:
			far = append(far, pair)
		default:
			open = append(open, pair)
		}
	}
	if len(far) > 0 {
		v.Comparing.against(Reason{Code: PairsBeyond, Names: far})
	}
	if len(open) > 0 {
		v.Comparing.missing(Reason{Code: PairsOpen, Names: open})
	}
	return nil
}

// biasDifferences compares the biases of every two treatments by plot means;
// nil where no treatment has a second plot.
func biasDifferences(names []string, groups [][]Pair, level float64) []BiasDifference {
	bias, plots := make([]float64, len(groups)), make([]float64, len(groups))
	var ss, df float64
	for i, g := range groups {
		at, n := plotsOf(g)
		sum, count := make([]float64, n), make([]float64, n)
		for k, p := range g {
			sum[at[k]] += p.Image - p.Hand
			count[at[k]]++
		}
		for k := range sum {
			sum[k] /= count[k]
		}
		bias[i], plots[i] = mean(sum), float64(n)
		for _, d := range sum {
			ss += square(d - bias[i])
		}
		df += float64(n - 1)
	}
	if df < 1 {
		return nil
	}
	t := tQuantile(level, df)
	var out []BiasDifference
	for i := range groups {
		for j := i + 1; j < len(groups); j++ {
			se := math.Sqrt(ss / df * (1/plots[i] + 1/plots[j]))
			d := bias[i] - bias[j]
			out = append(out, BiasDifference{A: names[i], B: names[j], Difference: d, SE: se, DF: df, Low: d - t*se, High: d + t*se})
		}
	}
	return out
}

// say writes the sentence and warnings from the answers.
func (v *Verdict) say() {
	words := func(q Question) string {
		parts := make([]string, len(q.Reasons))
		for i, r := range q.Reasons {
			parts[i] = r.Words()
		}
		return strings.Join(parts, "; ")
	}
	switch {
	case v.Answer == Yes && v.Comparing == nil:
		v.Sentence = v.Overall.Sentence
	case v.Answer == Yes:
		v.Sentence = v.Overall.Sentence + ", and so are the biases of any two treatments from each other"
	case v.Comparing == nil || v.Average.Answer != Yes:
		v.Sentence = "on average: " + words(v.Average)
		if v.Overall.Answer == NotEnough && v.Overall.PlotsNeeded != nil {
			v.Sentence += fmt.Sprintf("; about %d plots with %d pairs in all would do, if bias and scatter stay as they are (80 %% chance of a yes)", *v.Overall.PlotsNeeded, *v.Overall.PairsNeeded)
		}
	default:
		v.Sentence = "on average image and hand are shown to differ by less than the margin, but not for comparing treatments: " + words(*v.Comparing)
		if v.Comparing.Answer == No {
			v.Sentence += "; that would fake a treatment effect"
		}
	}
	if v.Enough.Range != nil && v.Average.Answer == Yes {
		v.Warnings = append(v.Warnings, fmt.Sprintf("the yes is for hand values from %g to %g only", v.Enough.Range[0], v.Enough.Range[1]))
	}
}
