package stats_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"quadtally/stats"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// endsAfter is a context that ends when it has been asked a number of times, so
// that where work stops does not hang on the clock.
type endsAfter struct {
	context.Context
	left *int
}

func (c endsAfter) Err() error {
	if *c.left--; *c.left < 0 {
		return context.Canceled
	}
	return nil
}

// Work that may take long stops with the error of its context, whenever that
// ends, asks for it often, and gives its answer where it does not end.
func TestLongWorkStops(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 1))
	var trials stats.CombineInput
	trials.Alpha = 0.05
	split := stats.StrataInput{Kind: stats.SplitPlot, Alpha: 0.05, Whole: stats.Factor{Name: "a"}, Sub: stats.Factor{Name: "b"}}
	var plot, date, treatment, block []string
	var days, y []float64
	for b := range 4 {
		for k := range 4 {
			for d := range 4 {
				v := float64(b+k+d) + rng.NormFloat64()
				trials.Plots = append(trials.Plots, stats.CombinePlot{Trial: fmt.Sprint("t", d), Block: fmt.Sprint(b), Treatment: fmt.Sprint(k), Value: v})
				y, days = append(y, v), append(days, float64(7*d))
				plot, date, treatment, block = append(plot, fmt.Sprint(b, k)), append(date, fmt.Sprint(d)), append(treatment, fmt.Sprint(k)), append(block, fmt.Sprint(b))
				if b == k && k == d {
					continue // unbalanced
				}
				split.Values, split.Blocks = append(split.Values, v), append(split.Blocks, fmt.Sprint(b))
				split.Whole.Labels, split.Sub.Labels = append(split.Whole.Labels, fmt.Sprint(k)), append(split.Sub.Labels, fmt.Sprint(d))
			}
		}
	}
	season := mixed.Model{Response: y, Fixed: []terms.Term{{"block"}, {"treatment"}, {"date"}, {"treatment", "date"}}, Random: []terms.Term{{"plot"}}, Serial: &mixed.Serial{Group: terms.Term{"plot"}, Days: days}}
	season.Frame.Factors = []terms.Factor{{Name: "block", Labels: block}, {Name: "treatment", Labels: treatment}, {Name: "date", Labels: date}, {Name: "plot", Labels: plot}}
	for name, work := range map[string]func(ctx context.Context) error{
		"season": func(ctx context.Context) error {
			f, err := mixed.FitContext(ctx, season, mixed.DefaultOptions())
			if err != nil {
				return err
			}
			if _, err := f.Means(terms.Term{"treatment", "date"}); err != nil {
				return err
			}
			_, _, err = f.Differences(terms.Term{"treatment"}, terms.Term{"date"})
			return err
		},
		"trials combined": func(ctx context.Context) error { _, err := stats.CombineContext(ctx, trials); return err },
		"split plot":      func(ctx context.Context) error { _, err := stats.AnalyseStrataContext(ctx, split); return err },
	} {
		asked := 1 << 30
		if err := work(endsAfter{t.Context(), &asked}); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		n := 1<<30 - asked
		if n < 12 {
			t.Errorf("%s: the context was asked %d times", name, n)
		}
		for at := 0; at < n; at += max(1, n/40) {
			left := at
			if err := work(endsAfter{t.Context(), &left}); !errors.Is(err, context.Canceled) {
				t.Errorf("%s, ended at question %d of %d: %v", name, at, n, err)
			}
		}
	}
}
