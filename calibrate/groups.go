package calibrate

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// GroupTable is the agreement within each visit, treatment or observer.
type GroupTable struct {
	By     string    `json:"by"`
	Groups []Group   `json:"groups"`
	Test   *BiasTest `json:"bias_test,omitempty"` // whether the bias differs between groups
	Note   string    `json:"note,omitempty"`      // why there is no test
}

// Group is one row; Agreement is nil with fewer than 3 pairs.
type Group struct {
	Name      string     `json:"name"`
	N         int        `json:"n"`
	Bias      float64    `json:"bias"`
	Agreement *Agreement `json:"agreement,omitempty"`
	Note      string     `json:"note,omitempty"`
}

// BiasTest is an F test of equal bias (image minus hand) in all groups, with
// plots as sampling units. Groups that do not share plots (treatments) are
// compared between plots by plot means; groups that do (visits, most observers)
// within plots. Blocks are not known here and count as scatter, which makes the
// test between plots cautious.
type BiasTest struct {
	Test
	Design string `json:"design"` // "between plots" or "within plots"
	Shown  bool   `json:"shown"`  // p below 1 - confidence
	// AfterLine is the same question after a common calibration line, by analysis
	// of covariance on plot means: it stays when calibration does not cure it.
	// Treatments only.
	AfterLine      *Test `json:"after_line,omitempty"`
	AfterLineShown bool  `json:"after_line_shown"`
}

// field gives the group of a pair.
func field(p Pair, by string) string {
	switch by {
	case ByVisit:
		return p.Visit
	case ByTreatment:
		return p.Treatment
	}
	return p.Observer
}

// groupBy splits pairs by visit (in rising order, dates as yyyy-mm-dd sort
// rightly), treatment or observer (in order of appearance). Blank names are
// grouped as "not given".
func groupBy(pairs []Pair, by string) (names []string, groups [][]Pair) {
	byName := map[string][]Pair{}
	for _, p := range pairs {
		name := field(p, by)
		if name == "" {
			name = "not given"
		}
		if _, ok := byName[name]; !ok {
			names = append(names, name)
		}
		byName[name] = append(byName[name], p)
	}
	if by == ByVisit {
		slices.Sort(names)
	}
	for _, n := range names {
		groups = append(groups, byName[n])
	}
	return names, groups
}

// NewGroupTable computes the agreement by group and tests whether the bias
// differs.
func NewGroupTable(pairs []Pair, by string, opt Options) (GroupTable, error) {
	if !slices.Contains([]string{ByVisit, ByTreatment, ByObserver}, by) {
		return GroupTable{}, fmt.Errorf("cannot group by %q: use visit, treatment or observer", by)
	}
	t := GroupTable{By: by}
	names, groups := groupBy(pairs, by)
	for i, name := range names {
		g := Group{Name: name, N: len(groups[i])}
		for _, p := range groups[i] {
			g.Bias += (p.Image - p.Hand) / float64(g.N)
		}
		a, err := Agree(groups[i], opt)
		switch {
		case err == nil:
			g.Agreement = &a
		case g.N < 3:
			g.Note = err.Error()
		default:
			return t, err
		}
		t.Groups = append(t.Groups, g)
	}
	if len(names) < 2 {
		t.Note = fmt.Sprintf("one %s only: nothing to compare", by)
		return t, nil
	}
	t.Test, t.Note = biasTest(pairs, by, opt.Confidence, opt.Logs)
	return t, nil
}

// plotMean is the mean of hand, image and difference in one plot and group.
type plotMean struct {
	plot, group       int
	n                 float64
	hand, image, diff float64
}

// plotMeans averages pairs over each plot and group.
func plotMeans(pairs []Pair, by string) (cells []plotMean, plots, groups int) {
	plot, plots := plotsOf(pairs)
	number := map[string]int{}
	at := map[[2]int]int{}
	for i, p := range pairs {
		name := field(p, by)
		if _, ok := number[name]; !ok {
			number[name] = len(number)
		}
		k := [2]int{plot[i], number[name]}
		j, ok := at[k]
		if !ok {
			j = len(cells)
			at[k] = j
			cells = append(cells, plotMean{plot: k[0], group: k[1]})
		}
		c := &cells[j]
		c.n++
		c.hand, c.image, c.diff = c.hand+p.Hand, c.image+p.Image, c.diff+(p.Image-p.Hand)
	}
	for i := range cells {
		c := &cells[i]
		c.hand, c.image, c.diff = c.hand/c.n, c.image/c.n, c.diff/c.n
	}
	return cells, plots, len(number)
}

// biasTest returns the test, or a sentence why there is none. onLogs asks about
// the line on logarithms.
func biasTest(pairs []Pair, by string, level float64, onLogs bool) (*BiasTest, string) {
	cells, plots, groups := plotMeans(pairs, by)
	y := make([]float64, len(cells))
	x := mat.NewDense(len(cells), groups, nil) // group indicators
	for i, c := range cells {
		y[i] = c.diff
		x.Set(i, c.group, 1)
	}
	b := &BiasTest{Design: "between plots"}
	units := plots
	if len(cells) == plots {
		sweep(y, x, func(int) int { return 0 }, 1)
		units = 1
	} else {
		b.Design = "within plots"
		sweep(y, x, func(i int) int { return cells[i].plot }, plots)
	}
	var total float64
	for _, v := range y {
		total += v * v
	}
	explained, rank := projected(x, y)
	df := len(cells) - units - rank
	switch {
	case rank == 0:
		return nil, fmt.Sprintf("bias cannot be compared between %ss: no plot has two of them", by)
	case df < 1:
		return nil, fmt.Sprintf("bias cannot be tested between %ss: %d plots leave no degrees of freedom, need at least %d", by, plots, groups+1)
	}
	residual := max(0, total-explained)
	if residual <= 1e-20*total || total == 0 {
		return nil, fmt.Sprintf("bias cannot be tested between %ss: differences do not vary within them", by)
	}
	b.Test = *fTest(explained/float64(rank)/(residual/float64(df)), float64(rank), float64(df))
	b.Shown = b.P < 1-level
	if by == ByTreatment && len(cells) == plots {
		if onLogs {
			cells, _, _ = plotMeans(pairsOnLogs(pairs), by)
		}
		b.AfterLine = covarianceTest(cells, groups)
		b.AfterLineShown = b.AfterLine != nil && b.AfterLine.P < 1-level
	}
	return b, ""
}

// sweep takes the mean of each unit off y and every column of x.
func sweep(y []float64, x *mat.Dense, unit func(int) int, units int) {
	rows, cols := x.Dims()
	sum, n := make([]float64, units), make([]float64, units)
	take := func(get func(int) float64, set func(int, float64)) {
		clear(sum)
		clear(n)
		for i := range rows {
			sum[unit(i)] += get(i)
			n[unit(i)]++
		}
		for i := range rows {
			set(i, get(i)-sum[unit(i)]/n[unit(i)])
		}
	}
	take(func(i int) float64 { return y[i] }, func(i int, v float64) { y[i] = v })
	for j := range cols {
		take(func(i int) float64 { return x.At(i, j) }, func(i int, v float64) { x.Set(i, j, v) })
	}
}

// projected is the sum of squares of y on the columns of x, and their rank, by
// singular values.
func projected(x *mat.Dense, y []float64) (ss float64, rank int) {
	var svd mat.SVD
	if !svd.Factorize(x, mat.SVDThin) {
		return 0, 0
	}
	var u mat.Dense
	svd.UTo(&u)
	values := svd.Values(nil)
	for k, s := range values {
		if s <= 1e-9*math.Max(1, values[0]) {
			break
		}
		rank++
		var dot float64
		for i, v := range y {
			dot += u.At(i, k) * v
		}
		ss += dot * dot
	}
	return ss, rank
}

// covarianceTest asks whether plots of different treatments share one line of
// hand on image: F of treatments after image, on plot means. Nil without the
// degrees of freedom or the variation.
func covarianceTest(cells []plotMean, groups int) *Test {
	byGroup := map[int][2][]float64{}
	var x, y []float64
	for _, c := range cells {
		g := byGroup[c.group]
		g[0], g[1] = append(g[0], c.image), append(g[1], c.hand)
		byGroup[c.group] = g
		x, y = append(x, c.image), append(y, c.hand)
	}
	df := len(cells) - groups - 1
	var wxx, wyy, wxy float64
	for _, k := range slices.Sorted(maps.Keys(byGroup)) {
		g := byGroup[k]
		_, _, sxx, syy, sxy := centred(g[0], g[1])
		wxx, wyy, wxy = wxx+sxx, wyy+syy, wxy+sxy
	}
	mx, _, sxx, syy, sxy := centred(x, y)
	if n := float64(len(cells)); df < 1 || flat(wxx, n, mx) || flat(sxx, n, mx) {
		return nil
	}
	reduced, full := syy-sxy*sxy/sxx, wyy-wxy*wxy/wxx
	if full <= 1e-14*syy {
		return nil
	}
	return fTest(max(0, (reduced-full)/float64(groups-1)/(full/float64(df))), float64(groups-1), float64(df))
}
