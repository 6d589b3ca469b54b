package stats_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// The R scripts do what base R and package nlme do of the same work, and print
// the seconds it took, as the fastest of a few runs. Dunnett's comparison and
// letters are not in base R: only our side does them.
const (
	rComparison = `
b <- factor(rep(1:10, each = 20)); t <- factor(rep(1:20, 10)); set.seed(1)
y <- 20 + 0.2 * as.integer(t) + rnorm(10)[b] + rnorm(200)
work <- function() {
  m <- aov(y ~ b + t); summary(m); model.tables(m, "means", se = TRUE); TukeyHSD(m, "t")
  shapiro.test(residuals(m)); bartlett.test(y, t); friedman.test(y, t, b); rstudent(m)
}
cat(min(replicate(3, system.time(work())[["elapsed"]])))`
	rPermutations = `
set.seed(1); y <- matrix(rnorm(20), 5)
one <- function() sum(rowSums(cbind(sample(y[, 1]), sample(y[, 2]), sample(y[, 3]), sample(y[, 4])))^2)
cat(system.time(for (i in 1:100000) one())[["elapsed"]])`
	rSeason = `
if (!requireNamespace("nlme", quietly = TRUE)) quit(status = 3)
library(nlme); set.seed(1)
d <- expand.grid(day = 14 * (0:7), t = factor(1:5), b = factor(1:12))
d$p <- interaction(d$t, d$b); d$date <- factor(d$day)
d$y <- 20 + 0.3 * d$day + rnorm(12, 0, 2)[d$b] + rnorm(60, 0, 1.5)[d$p] + rnorm(480, 0, 3)
work <- function() anova(lme(y ~ b + t * date, random = ~ 1 | p, correlation = corCAR1(form = ~ day | p), data = d))
cat(min(replicate(3, system.time(work())[["elapsed"]])))`
)

// secondsInR runs a script; it skips the benchmark where R or a package of it
// is not on the machine.
func secondsInR(b *testing.B, script string) float64 {
	b.Helper()
	path, err := exec.LookPath("Rscript")
	if err != nil {
		b.Skip("R (Rscript) is not on this machine: nothing to hold the time against")
	}
	out, err := exec.Command(path, "--vanilla", "-e", script).Output()
	if err != nil {
		b.Skipf("R did not do the work, perhaps for want of package nlme: %v", err)
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
	if err != nil {
		b.Fatalf("R printed %q, not seconds", out)
	}
	return v
}

// BenchmarkAgainstR prints how many times as long R took for the same work in
// the same run.
func BenchmarkAgainstR(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ name, control string }{{"comparison-20x10", ""}, {"comparison-20x10-dunnett", "T1"}} {
		b.Run(c.name, func(b *testing.B) {
			inR := secondsInR(b, rComparison)
			rows := invented(20, 10, 1, 0.2, rng)
			o := stats.DefaultOptions()
			o.Control, o.Randomise.Draws = c.control, 0
			ratioTo(b, inR, func() error { _, err := stats.Analyse(rows, o); return err })
		})
	}
	b.Run("permutations-5x4", func(b *testing.B) {
		inR := secondsInR(b, rPermutations)
		y := make([]float64, 20)
		var trt, blk []string
		for i := range y {
			y[i] = rng.NormFloat64()
			trt, blk = append(trt, fmt.Sprint(i%5)), append(blk, fmt.Sprint(i/5))
		}
		o := stats.DefaultPermuteOptions()
		o.Draws, o.MaxArrangements = 100000, 1
		ratioTo(b, inR, func() error { _, err := stats.PermuteContext(context.Background(), y, trt, blk, o); return err })
	})
	b.Run("season-60x8", func(b *testing.B) {
		inR := secondsInR(b, rSeason)
		m := inventedSeason(rng)
		ratioTo(b, inR, func() error { _, err := mixed.FitModel(m, mixed.DefaultOptions()); return err })
	})
}

func ratioTo(b *testing.B, inR float64, work func() error) {
	for b.Loop() {
		if err := work(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(inR/(b.Elapsed().Seconds()/float64(b.N)), "times-faster-than-R")
	b.ReportMetric(inR*1000, "ms-in-R")
}

// inventedSeason is 5 treatments in 12 blocks on 8 dates, plots that differ
// and residuals that follow each other.
func inventedSeason(rng *rand.Rand) mixed.Model {
	m := mixed.Model{Serial: &mixed.Serial{Group: terms.Term{"plot"}}, Random: []terms.Term{{"plot"}},
		Fixed: []terms.Term{{"block"}, {"treatment"}, {"date"}, {"treatment", "date"}}}
	var trt, blk, plot, date []string
	for b := range 12 {
		block := 2 * rng.NormFloat64()
		for t := range 5 {
			own, e := 1.5*rng.NormFloat64(), rng.NormFloat64()
			for k := range 8 {
				phi := math.Pow(0.96, 14)
				e = phi*e + math.Sqrt(1-phi*phi)*rng.NormFloat64()
				trt, blk = append(trt, fmt.Sprint(t)), append(blk, fmt.Sprint(b))
				plot, date = append(plot, fmt.Sprint(b, "-", t)), append(date, fmt.Sprint(14*k))
				m.Serial.Days = append(m.Serial.Days, float64(14*k))
				m.Response = append(m.Response, 20+0.3*float64(14*k)+block+own+3*e)
			}
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: blk}, {Name: "plot", Labels: plot}, {Name: "date", Labels: date}}
	return m
}
