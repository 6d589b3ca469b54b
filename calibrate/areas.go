package calibrate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// CheckPoint is one point drawn at random from the green of a visit: what the
// photo's sorting says of it and what a person said, without seeing that.
type CheckPoint struct {
	// Prob is the probability of each class by the photo; they sum to one.
	Prob []float64
	// Mapped is the class the point was sorted into, an index into Prob.
	Mapped int
	// Answer is the class the person gave, an index into Prob.
	Answer int
	// Unit is the plot the point lies in, "" where points stand for themselves.
	// Points of one plot are alike and count less than as many from many plots.
	Unit string
	// Group is what areas are compared between, such as the treatment.
	Group string
}

// Mapped is the green of a plot, a treatment or a visit as the photos sort it.
type Mapped struct {
	Name  string
	Group string
	// Green is the area of the green, in any unit that is the same throughout,
	// such as the share of the ground.
	Green float64
	// Mean is the mean probability of each class over that green; they sum to
	// one.
	Mean []float64
}

// ClassShare is the share of the green that is of one class.
type ClassShare struct {
	Share float64 `json:"share"`
	SE    float64 `json:"se"`
	DF    float64 `json:"df"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	// Raw is the share before the check points.
	Raw float64 `json:"raw"`
	// Errors is the number of check points for which person and photo disagree
	// and one of the two said this class.
	Errors int `json:"errors"`
}

// ClassShares is the answer of check points for one body of green.
type ClassShares struct {
	Points int `json:"points"`
	Units  int `json:"units"` // plots, or points that stand for themselves
	// Explained is the part of the variance of the answers that the
	// probabilities of the photos explain, 0 to 1: the points are worth
	// 1/(1 - Explained) times as many without photos.
	Explained float64      `json:"explained"`
	Classes   []ClassShare `json:"classes"`
}

// leastCheckPoints is the fewest points from which a range is given.
const leastCheckPoints = 10

// NewClassShares estimates the share of each class in the green that check
// points were drawn from at random. With f the probabilities of the classes and
// y the person's answer, 0 or 1 for each class, it is the regression estimator
//
//	share = mean over points of y + B (mean of f over all green - mean over points of f),
//
// B being the slopes of all answers on all probabilities. Where no slope can be
// found, as from few points, B is one and the share is the difference estimator,
// mean of f over all green + mean over points of (y - f). Either way shares sum
// to one. The variance is that of the residuals, by plots where points cluster:
// sums over plots, their squares times m/(m - 1 - slopes). Sources: Cochran
// 1977, Sampling Techniques, 3rd ed., chapters 7 (regression) and 12 (double
// sampling); Sarndal, Swensson and Wretman 1992, Model Assisted Survey Sampling;
// Angelopoulos and others 2023, Science 382, 669-674.
//
// The range is that of a binomial share from as many points as would have the
// variance found (effective sample size: Korn and Graubard 1998, Survey
// Methodology 24, 193-201), by Jeffreys' interval (Brown, Cai and DasGupta 2001,
// Statist. Sci. 16, 101-133) with the degrees of freedom counted in. The
// variance counts half an error more than the x seen, (x + 1/2)/x, and is not let
// below that of an error rate of (0 + 1/2)/(n + 1), so that a class without any
// error seen is not sure.
func NewClassShares(all Mapped, points []CheckPoint, level float64) (*ClassShares, error) {
	k := len(all.Mean)
	if err := checkPoints(points, k, level); err != nil {
		return nil, err
	}
	if err := all.check(k); err != nil {
		return nil, err
	}
	n := float64(len(points))
	out := &ClassShares{Points: len(points), Classes: make([]ClassShare, k)}
	unit, units := unitsOf(points)
	out.Units = units
	if units < 3 {
		return nil, fmt.Errorf("check points lie in %d plots: need 3 at least for a range", units)
	}
	meanF, meanY := make([]float64, k), make([]float64, k)
	for _, p := range points {
		for c, f := range p.Prob {
			meanF[c] += f / n
		}
		meanY[p.Answer] += 1 / n
	}
	gap := make([]float64, k)
	for c := range gap {
		gap[c] = all.Mean[c] - meanF[c]
	}
	r, err := followProbabilities(points, meanF, meanY, units)
	if err != nil {
		return nil, err
	}
	df := float64(units - 1 - r.rank) // 1 at least, since slopes need 8 plots each
	shift, lever := r.at(gap)
	var tss, rss float64
	for c := range out.Classes {
		q := &out.Classes[c]
		q.Raw = all.Mean[c]
		sums := make([]float64, units)
		x := 0
		for i, p := range points {
			d := answered(p, c) - meanY[c]
			e := d - r.fitted[i][c]
			tss += d * d
			rss += e * e
			sums[unit[i]] += e
			if p.Mapped != p.Answer && (p.Mapped == c || p.Answer == c) {
				x++
			}
		}
		var ss float64
		for _, v := range sums {
			ss += v * v
		}
		v := float64(units) / df * ss / (n * n) * (1 + n*lever)
		if x > 0 {
			v *= (float64(x) + 0.5) / float64(x)
		}
		v = max(v, halfError(n)/n)
		q.Errors, q.DF, q.SE = x, df, math.Sqrt(v)
		q.Share = min(max(meanY[c]+shift[c], 0), 1)
		q.Low, q.High = shareRange(q.Share, v, n, df, level)
	}
	if tss > 0 {
		out.Explained = max(1-rss/tss, 0)
	}
	return out, nil
}

// following is the regression of answers on probabilities.
type following struct {
	rank   int         // directions in which the slope was found
	fitted [][]float64 // of each point: what the regression adds to the mean answers
	basis  *mat.Dense  // the directions, a column each
	spread []float64   // sum of squares of the points along each
	slope  *mat.Dense  // classes x directions
}

// followProbabilities regresses the answers of all classes on the
// probabilities of all classes, about their means. Along directions in which
// the points hardly differ no slope can be found, and probabilities are taken
// as they are.
func followProbabilities(points []CheckPoint, meanF, meanY []float64, units int) (*following, error) {
	k := len(meanF)
	sff, syf := mat.NewSymDense(k, nil), mat.NewDense(k, k, nil)
	d := make([][]float64, len(points))
	for i, p := range points {
		d[i] = make([]float64, k)
		for c := range d[i] {
			d[i][c] = p.Prob[c] - meanF[c]
		}
		sff.SymRankOne(sff, 1, mat.NewVecDense(k, d[i]))
		for c := range k {
			y := answered(p, c) - meanY[c]
			for j, f := range d[i] {
				syf.Set(c, j, syf.At(c, j)+y*f)
			}
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(sff, true) {
		return nil, fmt.Errorf("the probabilities of the check points cannot be followed: give the points that were answered")
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	values := eig.Values(nil) // rising
	const (
		leastSpread  = 0.5 // sum of squares along a direction, below which it has no slope
		pointsASlope = 8
	)
	most := (units - 2) / pointsASlope
	r := &following{fitted: make([][]float64, len(points))}
	for j := k - 1; j >= 0 && r.rank < most && values[j] >= leastSpread; j-- {
		r.rank++
	}
	if r.rank > 0 {
		r.basis = mat.DenseCopyOf(vectors.Slice(0, k, k-r.rank, k))
		r.spread = values[k-r.rank:]
		r.slope = mat.NewDense(k, r.rank, nil)
		r.slope.Mul(syf, r.basis)
		for j, v := range r.spread {
			for c := range k {
				r.slope.Set(c, j, r.slope.At(c, j)/v)
			}
		}
	}
	for i := range points {
		r.fitted[i], _ = r.at(d[i])
	}
	return r, nil
}

// at is what probabilities d off the mean add to each class, and the square of
// their distance in units of the points' spread.
func (r *following) at(d []float64) (add []float64, lever float64) {
	add = slices.Clone(d)
	for j := range r.rank {
		var along float64
		for c, v := range d {
			along += v * r.basis.At(c, j)
		}
		for c := range add {
			add[c] += along * (r.slope.At(c, j) - r.basis.At(c, j))
		}
		lever += along * along / r.spread[j]
	}
	return add, lever
}

// shareRange is Jeffreys' interval at the effective sample size of a variance.
func shareRange(share, v, n, df, level float64) (low, high float64) {
	inner := min(max(share, 0.5/(n+1)), 1-0.5/(n+1))
	t := tHalf(level, df) / zHalf(level)
	size := inner * (1 - inner) / (v * t * t)
	x := share * size
	b := distuv.Beta{Alpha: x + 0.5, Beta: size - x + 0.5}
	tail := (1 - level) / 2
	low, high = b.Quantile(tail), b.Quantile(1-tail)
	// Near an end the interval leaves out what was seen, which it must not.
	return min(low, share), max(high, share)
}

// halfError is the variance of a point where no error was seen in n: that of an
// error rate of (0 + 1/2)/(n + 1).
func halfError(n float64) float64 {
	rate := 0.5 / (n + 1)
	return rate * (1 - rate)
}

func answered(p CheckPoint, class int) float64 {
	if p.Answer == class {
		return 1
	}
	return 0
}

// unitsOf numbers the plots of points; a point without one is its own.
func unitsOf(points []CheckPoint) (of []int, n int) {
	return numbered(len(points), func(i int) (string, bool) { return points[i].Unit, points[i].Unit != "" })
}

func checkPoints(points []CheckPoint, classes int, level float64) error {
	switch {
	case !(level > 0.5 && level < 1):
		return fmt.Errorf("confidence %v is outside 0.5 to 1: use 0.9 for 90 %%", level)
	case classes < 2:
		return fmt.Errorf("areas of %d class: two at least must be told apart", classes)
	case len(points) < leastCheckPoints:
		return fmt.Errorf("%d check points answered: need %d at least for a range", len(points), leastCheckPoints)
	}
	for i, p := range points {
		if len(p.Prob) != classes || p.Mapped < 0 || p.Mapped >= classes || p.Answer < 0 || p.Answer >= classes {
			return fmt.Errorf("check point %d is not of the %d classes", i+1, classes)
		}
		if !sumsToOne(p.Prob) {
			return fmt.Errorf("check point %d has probabilities that do not sum to one", i+1)
		}
	}
	return nil
}

func (m Mapped) check(classes int) error {
	if len(m.Mean) != classes || !sumsToOne(m.Mean) || !(m.Green >= 0) || !isFinite(m.Green) {
		return fmt.Errorf("green of %s: needs an area and %d mean probabilities that sum to one", m.Name, classes)
	}
	return nil
}

func sumsToOne(v []float64) bool {
	var s float64
	for _, x := range v {
		if !(x >= -1e-6 && x <= 1+1e-6) {
			return false
		}
		s += x
	}
	return math.Abs(s-1) < 1e-3
}

// ShareLine corrects the areas of plots by check points, for one class: the
// share of a plot's green is Start + Slope times the plot's mean probability,
// with a Start of its own for each group where Groups says so.
type ShareLine struct {
	Class  int                `json:"class"`
	Slope  float64            `json:"slope"`
	Start  float64            `json:"start"`
	Starts map[string]float64 `json:"starts,omitempty"` // by group
	DF     float64            `json:"df"`
	Points int                `json:"points"`
	// Test asks whether photo and person differ by another amount in one group
	// than in another; nil where there is one group, or too few points.
	Test  *Test  `json:"test,omitempty"`
	Shown bool   `json:"shown"` // p below 1 - level: Starts are by group
	Note  string `json:"note,omitempty"`

	groups []string   // of the columns from the second on
	cov    *mat.Dense // of slope and starts
}

// NewShareLine fits the line of a class on check points. Whether the bias
// differs between groups is tested by F, on plots where points cluster; where
// it shows, each group gets a Start of its own, which needs five points in
// each. The covariance of slope and starts is that of least squares with
// residuals summed by plot (sandwich: Liang and Zeger 1986, Biometrika 73,
// 13-22, times m/(m - p)), and never that of points without any error.
func NewShareLine(class, classes int, points []CheckPoint, level float64) (*ShareLine, error) {
	if err := checkPoints(points, classes, level); err != nil {
		return nil, err
	}
	if class < 0 || class >= classes {
		return nil, fmt.Errorf("class %d is not among %d", class, classes)
	}
	l := &ShareLine{Class: class, Points: len(points)}
	inGroup := map[string]int{}
	for _, p := range points {
		inGroup[p.Group]++
	}
	for g := range inGroup {
		l.groups = append(l.groups, g)
	}
	slices.Sort(l.groups)
	fewest := len(points)
	for _, n := range inGroup {
		fewest = min(fewest, n)
	}
	common, err := l.fit(points, []string{""})
	if err != nil {
		return nil, err
	}
	switch {
	case len(l.groups) == 1:
		l.groups = []string{""}
	case fewest < 5:
		l.Note = fmt.Sprintf("whether the photos err by the same amount everywhere cannot be tested: one group has %d check points, need 5", fewest)
		l.groups = []string{""}
	default:
		apart, err := l.fit(points, l.groups)
		if err != nil {
			return nil, err
		}
		l.Test = apart.wald()
		if l.Test != nil && l.Test.P < 1-level {
			l.Shown = true
			common = apart
		} else {
			l.groups = []string{""}
		}
	}
	l.Slope, l.DF, l.cov = common.at[0], common.df, common.cov
	if !l.Shown {
		l.Start = common.at[1]
		return l, nil
	}
	l.Starts = map[string]float64{}
	for i, g := range l.groups {
		l.Starts[g] = common.at[i+1]
	}
	return l, nil
}

type shareFit struct {
	at  []float64
	cov *mat.Dense
	df  float64
}

// fit regresses answers on probabilities with a start for each group; one
// group named "" takes all.
func (l *ShareLine) fit(points []CheckPoint, groups []string) (*shareFit, error) {
	n, p := len(points), 1+len(groups)
	row := func(q CheckPoint) []float64 { return l.row(q.Prob[l.Class], q.Group, groups) }
	xx := mat.NewSymDense(p, nil)
	xy := mat.NewVecDense(p, nil)
	for _, q := range points {
		v := mat.NewVecDense(p, row(q))
		xx.SymRankOne(xx, 1, v)
		xy.AddScaledVec(xy, answered(q, l.Class), v)
	}
	// Where all points look the same there is no slope to find; a point's worth
	// of belief that it is 1 settles it and matters nowhere else.
	const belief = 0.05
	xx.SetSym(0, 0, xx.At(0, 0)+belief)
	xy.SetVec(0, xy.AtVec(0)+belief)
	var chol mat.Cholesky
	if !chol.Factorize(xx) {
		return nil, fmt.Errorf("the check points leave the correction open: answer more of them")
	}
	var at mat.VecDense
	var inv mat.SymDense
	if err := chol.SolveVecTo(&at, xy); err != nil {
		return nil, fmt.Errorf("the check points leave the correction open: answer more of them (%w)", err)
	}
	if err := chol.InverseTo(&inv); err != nil {
		return nil, fmt.Errorf("the check points leave the correction open: answer more of them (%w)", err)
	}
	unit, units := unitsOf(points)
	f := &shareFit{at: slices.Clone(at.RawVector().Data), df: float64(units - p)}
	if f.df < 1 {
		return nil, fmt.Errorf("check points lie in %d plots: need %d at least", units, p+1)
	}
	scores := mat.NewDense(units, p, nil)
	var rss float64
	for i, q := range points {
		v := row(q)
		e := answered(q, l.Class)
		for j, b := range f.at {
			e -= b * v[j]
		}
		rss += e * e
		for j := range v {
			scores.Set(unit[i], j, scores.At(unit[i], j)+e*v[j])
		}
	}
	var meat, half mat.Dense
	meat.Mul(scores.T(), scores)
	half.Mul(&inv, &meat)
	f.cov = mat.NewDense(p, p, nil)
	f.cov.Mul(&half, &inv)
	f.cov.Scale(float64(units)/f.df, f.cov)
	if short := halfError(float64(n)) - rss/float64(n); short > 0 {
		var more mat.Dense
		more.Scale(short, &inv)
		f.cov.Add(f.cov, &more)
	}
	return f, nil
}

func (l *ShareLine) row(prob float64, group string, groups []string) []float64 {
	v := make([]float64, 1+len(groups))
	v[0] = prob
	for j, g := range groups {
		if g == group || len(groups) == 1 {
			v[j+1] = 1
		}
	}
	return v
}

// wald tests that all starts are alike, F with the fit's degrees of freedom.
func (f *shareFit) wald() *Test {
	g := len(f.at) - 1
	d := mat.NewVecDense(g-1, nil)
	v := mat.NewSymDense(g-1, nil)
	for i := range g - 1 {
		d.SetVec(i, f.at[i+2]-f.at[1])
		for j := i; j < g-1; j++ {
			v.SetSym(i, j, f.cov.At(i+2, j+2)-f.cov.At(i+2, 1)-f.cov.At(1, j+2)+f.cov.At(1, 1))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		return nil
	}
	var s mat.VecDense
	if err := chol.SolveVecTo(&s, d); err != nil {
		return nil
	}
	df2 := f.df - float64(g-2)
	if df2 < 1 {
		return nil
	}
	// Hotelling's T2 for an estimated covariance.
	return fTest(mat.Dot(d, &s)/float64(g-1)*df2/f.df, float64(g-1), df2)
}

// PlotAreas carries the line to plots: the area of the class in each, in the
// unit of Mapped.Green, and the covariance of their errors, which they share
// because the line is one. Areas are held within 0 and the green.
func (l *ShareLine) PlotAreas(plots []Mapped) (areas []float64, cov [][]float64, err error) {
	rows := make([][]float64, len(plots))
	for i, m := range plots {
		if l.Class >= len(m.Mean) || !(m.Green >= 0) || !isFinite(m.Green) || !isFinite(m.Mean[l.Class]) {
			return nil, nil, fmt.Errorf("green of %s: needs an area and mean probabilities", m.Name)
		}
		rows[i] = l.row(m.Mean[l.Class], m.Group, l.groups)
		share := l.Slope * rows[i][0]
		if l.Shown {
			start, ok := l.Starts[m.Group]
			if !ok {
				return nil, nil, fmt.Errorf("%s has no check points of its own but the photos err by another amount in each: answer some there", m.Group)
			}
			share += start
		} else {
			share += l.Start
		}
		areas = append(areas, m.Green*min(max(share, 0), 1))
	}
	cov = make([][]float64, len(plots))
	for i := range plots {
		cov[i] = make([]float64, len(plots))
		for j := range plots {
			var v float64
			for a, x := range rows[i] {
				for b, y := range rows[j] {
					v += x * l.cov.At(a, b) * y
				}
			}
			cov[i][j] = plots[i].Green * plots[j].Green * v
		}
	}
	return areas, cov, nil
}
