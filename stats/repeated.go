package stats

import "fmt"

// BlockByTreatment tests, where treatments have several plots in a block,
// whether their differences change from block to block by more than plots of
// one treatment in one block differ: F on DF1 and DF2.
//
// Where they do, plots of a treatment in one block are no full replicates: the
// comparison that takes every plot as one is then too hopeful, and that of one
// mean a block is right.
type BlockByTreatment struct {
	F   float64 `json:"f"`
	DF1 int     `json:"df1"`
	DF2 int     `json:"df2"`
	P   float64 `json:"p"`
}

func (b *BlockByTreatment) warning() string {
	return fmt.Sprintf("the treatments differ from block to block by more than their plots within a block do (%s): plots repeated within a block are then no full replicates, and the tests are too hopeful; average them to one plot a block", PWords(b.P))
}

// blockByTreatment is nil where no treatment has two plots in a block or
// nothing varies within.
func blockByTreatment(values []float64, layout []Term, blocks, treatments []string) *BlockByTreatment {
	block, treatment := FactorTerm("block", blocks), FactorTerm(cellTerm, treatments)
	terms := append(append([]Term(nil), layout...), treatment, InteractionTerm(block, treatment))
	fit, err := FitLinear(values, terms...)
	if err != nil || fit.DFResidual == 0 {
		return nil
	}
	df, ss := fit.termDFSS(len(terms) - 1)
	r := fit.row("block by treatment", df, ss)
	if r.F == nil {
		return nil
	}
	return &BlockByTreatment{F: *r.F, DF1: df, DF2: fit.DFResidual, P: *r.P}
}

// BlockByTreatment tests the plots of the analysis, on its scale; nil where no
// treatment has two plots in a block.
func (a Analysis) BlockByTreatment() *BlockByTreatment {
	var values []float64
	var blocks, treatments []string
	for _, p := range a.Plots {
		if p.Block == "" {
			return nil
		}
		values, blocks, treatments = append(values, p.Analysed), append(blocks, p.Block), append(treatments, p.Treatment)
	}
	if len(values) == 0 {
		return nil
	}
	return blockByTreatment(values, []Term{FactorTerm("block", blocks)}, blocks, treatments)
}
