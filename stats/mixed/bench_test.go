package mixed

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"quadtally/stats/terms"
)

// simulated is a season of a complete-block trial: invented numbers with
// block, plot and serially correlated residual deviations.
type simulated struct {
	treatments, blocks int
	days               []float64
	block, plot, sd    float64
	phiPerDay          float64
}

// rows lays the season out, one row a plot and date.
func (s simulated) rows(rng *rand.Rand) Model {
	var m Model
	var trt, blk, plot, date []string
	m.Serial = &Serial{Group: terms.Term{"plot"}}
	for b := range s.blocks {
		eb := s.block * rng.NormFloat64()
		for t := range s.treatments {
			ep, e := s.plot*rng.NormFloat64(), rng.NormFloat64()
			for k, d := range s.days {
				if k > 0 {
					phi := math.Pow(s.phiPerDay, d-s.days[k-1])
					e = phi*e + math.Sqrt(1-phi*phi)*rng.NormFloat64()
				}
				trt = append(trt, fmt.Sprintf("T%d", t+1))
				blk = append(blk, fmt.Sprintf("B%d", b+1))
				plot = append(plot, fmt.Sprintf("B%d-T%d", b+1, t+1))
				date = append(date, fmt.Sprint(d))
				m.Serial.Days = append(m.Serial.Days, d)
				m.Response = append(m.Response, 20+0.3*d+float64(t)+eb+ep+s.sd*e)
			}
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: blk}, {Name: "plot", Labels: plot}, {Name: "date", Labels: date}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}, {"date"}, {"treatment", "date"}}
	return m
}

// BenchmarkSeason fits 60 plots on 8 dates with a random plot, continuous
// autocorrelation and Kenward-Roger tests; the goal is under 50 ms on one core.
func BenchmarkSeason(b *testing.B) {
	s := simulated{treatments: 5, blocks: 12, days: []float64{0, 14, 28, 42, 56, 70, 84, 98}, block: 2, plot: 1.5, sd: 3, phiPerDay: 0.96}
	m := s.rows(rand.New(rand.NewPCG(1, 2)))
	plot := m
	plot.Random = []terms.Term{{"plot"}}
	randomBlock := plot
	randomBlock.Fixed = m.Fixed[1:]
	randomBlock.Random = []terms.Term{{"block"}, {"plot"}}
	for _, c := range []struct {
		name string
		m    Model
	}{{"serial", m}, {"plot+serial", plot}, {"block+plot+serial", randomBlock}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := FitModel(c.m, DefaultOptions()); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/50, "of-goal")
		})
	}
}
