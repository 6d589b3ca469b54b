package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// PairTest says how a planned pair of treatments will be tested: on its own
// (LSD), among all pairs (Tukey), or as one of the comparisons of every other
// treatment with a control (Dunnett). OneSided looks for a difference in one
// direction only, up for yield or down for weeds.
type PairTest struct {
	Method   PairMethod
	OneSided bool
}

// PairMethod is how a planned pair is guarded against the others.
type PairMethod string

// The methods for a planned pair.
const (
	PairAlone   PairMethod = "alone"
	PairTukey   PairMethod = "tukey"
	PairDunnett PairMethod = "dunnett"
)

// critical is the t value a pair has to reach.
func (p Plan) critical(test PairTest) (float64, error) {
	_, df := p.DF()
	switch test.Method {
	case PairAlone:
		if test.OneSided {
			return dist.TQuantile(1-p.Alpha, df)
		}
		return dist.TQuantile(1-p.Alpha/2, df)
	case PairTukey:
		if test.OneSided {
			return 0, fmt.Errorf("all pairs have no one direction: plan pairs among all as two-sided, or against a control by %s", PairDunnett)
		}
		if p.Treatments == 2 {
			return dist.TQuantile(1-p.Alpha/2, df)
		}
		q, err := dist.StudentizedRangeQuantile(1-p.Alpha, p.Treatments, df)
		return q / math.Sqrt2, err
	case PairDunnett:
		k := p.Treatments - 1
		corr := mat.NewSymDense(k, nil)
		for i := range k {
			corr.SetSym(i, i, 1)
			for j := range i {
				corr.SetSym(i, j, 0.5)
			}
		}
		sided := dist.TwoSided
		if test.OneSided {
			sided = dist.OneSided
		}
		return dist.DunnettQuantile(1-p.Alpha, corr, df, sided)
	}
	return 0, fmt.Errorf("no method %q for a planned pair; choose one of %s, %s, %s", test.Method, PairAlone, PairTukey, PairDunnett)
}

// PairPowerBy returns the chance that a pair of treatments deltaSD residual
// standard deviations apart is shown to differ by the test, with the residual
// df of the whole trial. deltaSD counts in the direction that is looked for:
// below 0 it is the power against a difference the other way, which for a
// one-sided test is less than the level. A two-sided test counts a difference
// shown the wrong way round too, as [Plan.PairPower] does.
func (p Plan) PairPowerBy(deltaSD float64, test PairTest) (float64, error) {
	if err := p.Validate(); err != nil {
		return 0, err
	}
	if !finite(deltaSD) {
		return 0, fmt.Errorf("difference %v SD is not a number", deltaSD)
	}
	crit, err := p.critical(test)
	if err != nil {
		return 0, err
	}
	return p.powerBeyond(crit, deltaSD, test)
}

func (p Plan) powerBeyond(crit, deltaSD float64, test PairTest) (float64, error) {
	_, df := p.DF()
	ncp := deltaSD * math.Sqrt(float64(p.Blocks)/2)
	ncp = max(-dist.MaxNoncentralityT, min(ncp, dist.MaxNoncentralityT))
	right, err := dist.NoncentralTSF(crit, df, ncp)
	if err != nil || test.OneSided {
		return right, err
	}
	wrong, err := dist.NoncentralTCDF(-crit, df, ncp)
	return right + wrong, err
}

// DetectablePairBy returns the smallest difference of a pair, in residual
// standard deviations, that the test shows with the given power.
func (p Plan) DetectablePairBy(power float64, test PairTest) (float64, error) {
	if err := p.Validate(); err != nil {
		return 0, err
	}
	crit, err := p.critical(test)
	if err != nil {
		return 0, err
	}
	return p.detectable(power, func(delta float64) (float64, error) { return p.powerBeyond(crit, delta, test) })
}

// BlocksForPair returns the fewest blocks with which the test shows a pair
// deltaSD residual standard deviations apart with the wanted power, and the
// power then reached. The Blocks of the plan are not looked at.
func (p Plan) BlocksForPair(deltaSD, power float64, test PairTest) (blocks int, reached float64, err error) {
	return p.fewestBlocks(deltaSD, power, func(q Plan) (float64, error) { return q.PairPowerBy(deltaSD, test) })
}
