package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/stats"
	"quadtally/stats/dist"
)

// Outlook says what a layout can show before anything is measured.
type Outlook struct {
	Plots      int
	ResidualDF int
	Linked     bool // every treatment can be compared with every other

	// Replicates is the number of plots a treatment that would compare any two
	// treatments as well, on average, in complete blocks of the same residual
	// variance. In balanced complete layouts it is the plots a treatment has.
	Replicates float64

	CVFrac float64 // as given
	// DetectableFrac is the smallest true difference between two treatments, as
	// a fraction of the mean, that a two-sided test at 5 % finds with power
	// 80 %: CV sqrt(2/r) (t[.975, df] + t[.80, df]). 0 where it cannot be said.
	DetectableFrac float64
	// NormalFrac is the same with normal quantiles, 1.960 + 0.842, the formula
	// in the handbooks. It promises too much where df are few.
	NormalFrac float64

	BlocksForDF int // fewest blocks (or replicates) that reach stats.FewResidualDF; 0 where no number does
	Sentences   []string
	Warnings    []string
}

// WhatItCanShow works out residual degrees of freedom from the plots as they
// are (missing or repeated treatments included), and the smallest difference
// that can be expected to be found at the given coefficient of variation of
// plot values within blocks. The planning formula is that of Cochran & Cox,
// Experimental Designs, 2nd ed. 1957, section 2.21 (the number is from
// memory): r >= 2 (CV/d)^2 (t1 + t2)^2, solved for d at the r and df in hand.
// A cvFrac that is not above 0 leaves the difference out.
func WhatItCanShow(t *trial.Trial, plots []trial.Plot, cvFrac float64) Outlook {
	o := Outlook{Plots: len(plots), CVFrac: cvFrac}
	if len(plots) == 0 || len(t.Treatments) < 2 {
		o.Warnings = append(o.Warnings, "nothing can be said yet: the layout needs plots and at least two treatments")
		return o
	}
	o.ResidualDF, o.Linked, o.Replicates = information(t, plots)
	o.BlocksForDF = blocksForDF(t)
	o.Sentences = append(o.Sentences, fmt.Sprintf("%d treatments in %d plots (%s): %d residual degrees of freedom.",
		len(t.Treatments), len(plots), t.Design, o.ResidualDF))

	if !o.Linked {
		o.Warnings = append(o.Warnings, "some treatments never share a block with others, directly or through a third: their difference cannot be told from the difference between blocks. Lay it out again with blocks that overlap.")
	}
	o.judgeDF(t)
	if cvFrac > 0 && !math.IsInf(cvFrac, 0) && o.ResidualDF > 0 && o.Linked {
		o.judgeDifference(t)
	}
	o.judgeLayout(t, plots)
	return o
}

func (o *Outlook) judgeDF(t *trial.Trial) {
	if o.ResidualDF >= stats.FewResidualDF {
		return
	}
	w := fmt.Sprintf("%d residual degrees of freedom are fewer than %d: the trial's own error will be poorly known and real differences easily missed.", o.ResidualDF, stats.FewResidualDF)
	if o.ResidualDF < 1 {
		w = "no residual degrees of freedom are left: nothing could be tested."
	}
	switch {
	case t.Design == trial.LatinSquare && len(t.Treatments) < 5:
		w += fmt.Sprintf(" A single Latin square of %d has no more; randomised complete blocks reach %d with %d blocks.",
			len(t.Treatments), stats.FewResidualDF, completeBlocksForDF(len(t.Treatments)))
	case o.BlocksForDF > t.Blocks:
		w += fmt.Sprintf(" %s would reach %d.", wording.Plural(o.BlocksForDF, blockWord(t)), stats.FewResidualDF)
	}
	o.Warnings = append(o.Warnings, w)
}

func (o *Outlook) judgeDifference(t *trial.Trial) {
	se := o.CVFrac * math.Sqrt(2/o.Replicates)
	o.NormalFrac = se * planningNormal()
	o.DetectableFrac = se * planningT(o.ResidualDF)
	o.Sentences = append(o.Sentences, fmt.Sprintf(
		"If plots within a block vary by %.3g %% (coefficient of variation), two treatments must truly differ by about %.0f %% of the mean for a two-sided test at 5 %% to find it four times in five.",
		100*o.CVFrac, math.Ceil(100*o.DetectableFrac-1e-9)))
	o.Sentences = append(o.Sentences, fmt.Sprintf(
		"That is CV x sqrt(2/%.3g) x (t.975 + t.80) with %d df = %.1f %%; the handbook's normal approximation says %.1f %%, too hopeful with few df. Comparing all pairs with one error rate needs a larger difference still.",
		o.Replicates, o.ResidualDF, 100*o.DetectableFrac, 100*o.NormalFrac))
	if o.DetectableFrac > 1 {
		o.Warnings = append(o.Warnings, "the smallest difference that can be expected to be found is larger than the mean itself: laid out like this the trial will hardly show anything short of failure. More blocks, or more quadrats in a plot, would help.")
	}
	var wants []string
	if t.Design == trial.CompleteBlocks || t.Design == trial.CompletelyRandomised {
		for _, d := range []float64{0.2, 0.3, 0.5} {
			if b := blocksForDifference(t, o.CVFrac, d); b > 0 {
				wants = append(wants, fmt.Sprintf("%d for %g %%", b, 100*d))
			}
		}
	}
	if len(wants) > 0 {
		o.Sentences = append(o.Sentences, fmt.Sprintf("At this CV the %s needed: %s.", blockWord(t)+"s", strings.Join(wants, ", ")))
	}
}

func (o *Outlook) judgeLayout(t *trial.Trial, plots []trial.Plot) {
	control := t.Control()
	if control == "" {
		o.Warnings = append(o.Warnings, "no treatment is marked as control: weed control in % of an untreated check cannot be given, and nothing shows that weeds were there to be controlled.")
	}
	if len(t.Treatments) == 2 && t.Design == trial.CompleteBlocks {
		o.Sentences = append(o.Sentences, "With two treatments this is a paired comparison: each block is one pair.")
	}
	if t.Design == trial.IncompleteBlocks {
		lo, hi := sharedBlocks(t, plots)
		how := fmt.Sprintf("any two treatments share %d to %d blocks", lo, hi)
		if lo == hi {
			how = fmt.Sprintf("any two treatments share %s: the plan is balanced", wording.Plural(lo, "block"))
		}
		o.Sentences = append(o.Sentences, fmt.Sprintf("Blocks do not hold every treatment; %s. On average two treatments are compared as well as with %.3g plots each in complete blocks of the same evenness.", how, o.Replicates))
		return
	}
	if control == "" || t.Design == trial.CompletelyRandomised {
		return
	}
	var without []string
	for _, b := range trial.BlockNames(plots) {
		if !slices.ContainsFunc(plots, func(p trial.Plot) bool { return p.Block == b && p.Treatment == control }) {
			without = append(without, b)
		}
	}
	if len(without) > 0 {
		o.Warnings = append(o.Warnings, fmt.Sprintf("%s %s without the control %s: control in %% cannot be given there.",
			blockWord(t), strings.Join(without, ", "), control))
	}
}

// sharedBlocks is the fewest and the most blocks any two treatments share.
func sharedBlocks(t *trial.Trial, plots []trial.Plot) (lo, hi int) {
	blocks := map[string]map[string]bool{} // of each treatment
	for _, p := range plots {
		if blocks[p.Treatment] == nil {
			blocks[p.Treatment] = map[string]bool{}
		}
		blocks[p.Treatment][p.Block] = true
	}
	lo = len(plots)
	for i, a := range t.Treatments {
		for _, b := range t.Treatments[i+1:] {
			shared := 0
			for block := range blocks[a.Code] {
				if blocks[b.Code][block] {
					shared++
				}
			}
			lo, hi = min(lo, shared), max(hi, shared)
		}
	}
	return lo, hi
}

func blockWord(t *trial.Trial) string {
	if t.Design == trial.CompletelyRandomised {
		return "replicate"
	}
	return "block"
}

// residualDF is what a full layout of t would leave with b blocks.
func residualDF(t *trial.Trial, b int) int {
	n := len(t.Treatments)
	switch t.Design {
	case trial.CompletelyRandomised:
		return n * (b - 1)
	case trial.LatinSquare:
		return (n - 1) * (n - 2)
	case trial.IncompleteBlocks:
		return b*t.BlockSize - b - n + 1
	}
	return (n - 1) * (b - 1)
}

// blocksForDF is the fewest blocks that reach stats.FewResidualDF, 0 where none does.
func blocksForDF(t *trial.Trial) int {
	for b := 2; b <= 1000; b++ {
		if residualDF(t, b) >= stats.FewResidualDF {
			if t.Design == trial.LatinSquare {
				return len(t.Treatments)
			}
			return b
		}
	}
	return 0
}

func completeBlocksForDF(treatments int) int {
	return blocksForDF(&trial.Trial{Design: trial.CompleteBlocks, Treatments: make([]trial.Treatment, treatments)})
}

// blocksForDifference is the fewest complete blocks (or replicates) for which a
// difference of diffFrac of the mean is found with power 80 % at 5 %
// two-sided: r >= 2 (CV/d)^2 (t[.975, df] + t[.80, df])^2 with the df that r
// itself leaves. 0 where the numbers make no sense, the design has another
// block size, or 1000 blocks do not do.
func blocksForDifference(t *trial.Trial, cvFrac, diffFrac float64) int {
	if !(cvFrac > 0 && diffFrac > 0) || len(t.Treatments) < 2 || t.Design == trial.LatinSquare || t.Design == trial.IncompleteBlocks {
		return 0
	}
	ratio := cvFrac / diffFrac
	for b := 2; b <= 1000; b++ {
		q := planningT(residualDF(t, b))
		if float64(b) >= 2*ratio*ratio*q*q {
			return b
		}
	}
	return 0
}

// planningT is t[.975, df] + t[.80, df], and planningNormal the same without
// limits to df. Infinite where no quantile can be had.
func planningT(df int) float64 {
	test, err1 := dist.TQuantile(0.975, float64(df))
	power, err2 := dist.TQuantile(0.80, float64(df))
	if err1 != nil || err2 != nil {
		return math.Inf(1)
	}
	return test + power
}

func planningNormal() float64 {
	test, err1 := dist.NormalQuantile(0.975)
	power, err2 := dist.NormalQuantile(0.80)
	if err1 != nil || err2 != nil {
		return math.Inf(1)
	}
	return test + power
}

// information asks the design for its residual degrees of freedom, whether all
// treatments are linked through shared blocks, and as how many replicates in
// complete blocks it compares two treatments on average.
func information(t *trial.Trial, plots []trial.Plot) (df int, linked bool, replicates float64) {
	rows := make([]stats.Row, len(plots))
	for i, p := range plots {
		rows[i] = stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block}
		switch t.Design {
		case trial.LatinSquare:
			rows[i].Column = p.Column
		case trial.CompletelyRandomised:
			rows[i].Block = ""
		}
	}
	d, err := stats.Recognise(rows)
	if err != nil {
		return 0, false, 0
	}
	linked = len(d.Groups) == 1 && len(d.Treatments) == len(t.Treatments)
	if linked {
		replicates = d.EffectiveReplicates()
	}
	return d.ResidualDF, linked, replicates
}
