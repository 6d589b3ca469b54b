package calibrate

import (
	"fmt"
	"math"
)

// DoubleSampling are two-phase means of plots and treatments of a trial in which
// every quadrat is photographed and some are counted by hand.
//
// One slope b serves all: the pooled slope of hand on image within visits and
// treatments. A plot's mean is mean(hand - b image) over its hand-counted
// quadrats + b times the mean of all its photos; a treatment's is the same from
// plot means, each plot with equal weight. Every plot or treatment keeps its own
// level, so a bias of its own is corrected by its own hand counts.
//
// Variance of a treatment mean: delete-one-plot jackknife, plots stratified by
// treatment (Rao & Sitter 1995, Biometrika 82: 453-460), which lets plots vary,
// and plots without hand counts take part. Variance of a plot mean, for the
// quadrats that could have been placed in it: that of the regression
// estimator of double sampling (Cochran 1977, Sampling Techniques, 3rd ed.,
// chapter 12) with pooled variances within plots.
type DoubleSampling struct {
	Slope      float64     `json:"slope"`
	Photos     int         `json:"photos"`
	Hands      int         `json:"hands"`
	Treatments []DomainRow `json:"treatments"`
	// Gain is the mean variance of hand-only treatment means over that of the
	// regression estimates. Single rows vary a lot with few plots; this is the
	// one to quote.
	Gain  *float64    `json:"gain,omitempty"`
	Plots []DomainRow `json:"plots"`
	// Within-plot variance of hand values (divisor: pairs less plots) and
	// correlation of hand and image within plots: what a plan needs.
	WithinVar  *float64 `json:"within_plot_variance,omitempty"`
	WithinCorr *float64 `json:"within_plot_correlation,omitempty"`
	Warnings   []string `json:"warnings,omitempty"`
}

// DomainRow is one plot or treatment on one visit.
type DomainRow struct {
	Name      string `json:"name"`
	Visit     string `json:"visit,omitempty"`
	Plots     int    `json:"plots"`
	PlotsHand int    `json:"plots_with_hand_counts"`
	Photos    int    `json:"photos"`
	Hands     int    `json:"hands"`
	// Estimates are nil when they do not exist; Note says why.
	Regression *Estimate `json:"regression,omitempty"`
	Ratio      *Estimate `json:"ratio,omitempty"`
	HandOnly   *Estimate `json:"hand_only,omitempty"`
	ImageOnly  *Estimate `json:"image_only,omitempty"`
	// Gain is the variance of the hand-only mean over that of the regression
	// estimate: 2 means that hand counting alone would need twice the quadrats.
	Gain *float64 `json:"gain,omitempty"`
	Note string   `json:"note,omitempty"`
}

// cell is a plot on a visit: sums for its means.
type cell struct {
	plot, visit, treatment string
	photos, hands          float64
	imageAll               float64 // mean of all photos
	image, hand            float64 // means of hand-counted quadrats
	sxx, sxy, syy          float64 // within the cell, hand-counted quadrats
}

// cells gathers units by plot and visit in order of appearance. A quadrat
// counted by several observers is one photo with the mean of its counts.
func cells(full, photo []Pair) []*cell {
	type quadrat struct{ plot, quadrat, visit string }
	type unit struct {
		treatment         string
		image, hand, n, p float64
	}
	units := map[quadrat]*unit{}
	var order []quadrat
	for i, p := range append(append([]Pair{}, full...), photo...) {
		q := quadrat{p.Plot, p.Quadrat, p.Visit}
		if p.Quadrat == "" || p.Plot == "" {
			q.quadrat = fmt.Sprint("row ", i) // unnamed quadrats are all different
		}
		u := units[q]
		if u == nil {
			u = &unit{treatment: p.Treatment}
			units[q] = u
			order = append(order, q)
		}
		u.image += p.Image
		u.p++
		if !math.IsNaN(p.Hand) {
			u.hand += p.Hand
			u.n++
		}
	}
	type place struct{ plot, visit string }
	byPlace := map[place]*cell{}
	var out []*cell
	rows := map[*cell][][2]float64{}
	for _, q := range order {
		u := units[q]
		at := place{q.plot, q.visit}
		if q.plot == "" {
			at.plot = q.quadrat
		}
		c := byPlace[at]
		if c == nil {
			c = &cell{plot: at.plot, visit: q.visit, treatment: u.treatment}
			byPlace[at] = c
			out = append(out, c)
		}
		x := u.image / u.p
		c.photos++
		c.imageAll += x
		if u.n > 0 {
			rows[c] = append(rows[c], [2]float64{x, u.hand / u.n})
		}
	}
	for _, c := range out {
		c.imageAll /= c.photos
		var x, y []float64
		for _, r := range rows[c] {
			x, y = append(x, r[0]), append(y, r[1])
		}
		if c.hands = float64(len(x)); c.hands > 0 {
			c.image, c.hand, c.sxx, c.syy, c.sxy = centred(x, y)
		}
	}
	return out
}

// pooledSlope is the slope of hand on image within visit and treatment, with
// one plot (by name) left out when skip is not empty.
func pooledSlope(cs []*cell, skip string) float64 {
	type group struct{ visit, treatment string }
	sum := map[group]*[3]float64{} // n, image, hand
	for _, c := range cs {
		if c.hands == 0 || c.plot == skip {
			continue
		}
		g := group{c.visit, c.treatment}
		if sum[g] == nil {
			sum[g] = new([3]float64)
		}
		s := sum[g]
		s[0], s[1], s[2] = s[0]+c.hands, s[1]+c.hands*c.image, s[2]+c.hands*c.hand
	}
	var sxx, sxy, scale float64
	for _, c := range cs {
		if c.hands == 0 || c.plot == skip {
			continue
		}
		s := sum[group{c.visit, c.treatment}]
		dx, dy := c.image-s[1]/s[0], c.hand-s[2]/s[0]
		sxx += c.sxx + c.hands*dx*dx
		sxy += c.sxy + c.hands*dx*dy
		scale += c.hands * c.image * c.image
	}
	if sxx <= 1e-24*scale {
		return 0
	}
	return sxy / sxx
}

// domainMeans are the means of one treatment on one visit, each plot with equal
// weight: of all photos, and of image and hand of the hand-counted quadrats.
// Those without a basis are NaN.
type domainMeans struct{ all, image, hand float64 }

func meansOf(cs []*cell, skip string) (m domainMeans) {
	var plots, withHand float64
	for _, c := range cs {
		if c.plot == skip {
			continue
		}
		plots++
		m.all += c.imageAll
		if c.hands > 0 {
			withHand++
			m.image, m.hand = m.image+c.image, m.hand+c.hand
		}
	}
	return domainMeans{m.all / plots, m.image / withHand, m.hand / withHand}
}

func (m domainMeans) regression(slope float64) float64 { return m.hand + slope*(m.all-m.image) }

// ratio is NaN when the photos of the hand-counted quadrats show nothing.
func (m domainMeans) ratio() float64 {
	if m.image == 0 {
		return math.NaN()
	}
	return m.hand / m.image * m.all
}

// NewDoubleSampling estimates plot and treatment means, per visit, from full
// pairs and photo-only units (as Clean gives them). It refuses when fewer than 3
// quadrats are counted by hand.
func NewDoubleSampling(full, photo []Pair, opt Options) (*DoubleSampling, error) {
	if err := opt.Validate(); err != nil {
		return nil, err
	}
	if len(full) < 3 {
		return nil, fmt.Errorf("%d hand-counted quadrats with photo: need at least 3 for double sampling", len(full))
	}
	for _, p := range full {
		if !isFinite(p.Hand) || !isFinite(p.Image) {
			return nil, fmt.Errorf("%s: a value is missing or infinite; clean the pairs first", p.Name())
		}
	}
	for _, p := range photo {
		if !isFinite(p.Image) {
			return nil, fmt.Errorf("%s: the image value is missing or infinite; clean the pairs first", p.Name())
		}
	}
	cs := cells(full, photo)
	d := &DoubleSampling{Slope: pooledSlope(cs, "")}
	var n, occupied, sxx, sxy, syy float64
	for _, c := range cs {
		d.Photos += int(c.photos)
		d.Hands += int(c.hands)
		sxx, sxy, syy = sxx+c.sxx, sxy+c.sxy, syy+c.syy
		if n += c.hands; c.hands > 0 {
			occupied++
		}
	}
	var s2y, s2yx float64 // within plots
	if df := n - occupied; df >= 2 {
		s2y = syy / df
		s2yx = max(0, syy-2*d.Slope*sxy+d.Slope*d.Slope*sxx) / (df - 1)
		d.WithinVar = ptr(s2y)
		if sxx > 0 && syy > 0 {
			d.WithinCorr = ptr(max(-1, min(1, sxy/math.Sqrt(sxx)/math.Sqrt(syy))))
		}
	} else {
		d.warn("too few plots have two hand-counted quadrats: variances within plots are unknown, so plot means have no standard error")
	}
	if d.Photos == d.Hands {
		d.warn("every photographed quadrat was also counted by hand: double sampling gains nothing, and its estimates are the hand means")
	}
	if gap, p := handPicked(cs); p < 0.05 {
		more := "more"
		if gap < 0 {
			more = "less"
		}
		d.warn("photos of hand-counted quadrats show %s than the others of their plots (%s): were they chosen at random? the regression estimate allows for it, the hand-only mean does not", more, pWords(p))
	}
	if d.Slope <= 0 {
		d.warn("hand values do not rise with image values within treatments: the photos do not sharpen the hand means")
	}
	withinDF := n - occupied - 1
	for _, c := range cs {
		d.Plots = append(d.Plots, plotRow(c, d.Slope, s2y, s2yx, withinDF, opt.Confidence))
	}
	d.treatments(cs, opt.Confidence)
	var hand, regression float64
	for _, r := range d.Treatments {
		if r.Gain != nil {
			hand, regression = hand+square(*r.HandOnly.SE), regression+square(*r.Regression.SE)
		}
	}
	d.Gain = ptr(hand / regression)
	return d, nil
}

func (d *DoubleSampling) warn(format string, args ...any) {
	d.Warnings = append(d.Warnings, fmt.Sprintf(format, args...))
}

// handPicked compares photos of hand-counted quadrats with the others of the same
// plot and visit: mean gap and p-value of a t test with plots as units, 1 where
// there is no test.
func handPicked(cs []*cell) (gap, p float64) {
	number := map[string]int{}
	var gaps []float64
	var plot []int
	var largest float64 // image value
	for _, c := range cs {
		if c.hands == 0 || c.hands == c.photos {
			continue
		}
		largest = max(largest, math.Abs(c.image))
		others := (c.photos*c.imageAll - c.hands*c.image) / (c.photos - c.hands)
		if _, seen := number[c.plot]; !seen {
			number[c.plot] = len(number)
		}
		gaps, plot = append(gaps, c.image-others), append(plot, number[c.plot])
	}
	if len(number) < 3 {
		return 0, 1
	}
	gap, se, df := clusterMean(gaps, plot, len(number))
	if math.Abs(gap) <= 1e-12*largest { // photos alike but for rounding
		return 0, 1
	}
	return gap, tTwoSided(gap/se, df)
}

// plotRow estimates one plot's mean on one visit. s2y and s2yx are pooled
// variances of hand values and residuals within plots; df < 1 means unknown.
func plotRow(c *cell, slope, s2y, s2yx, df, level float64) DomainRow {
	r := DomainRow{Name: c.plot, Visit: c.visit, Plots: 1, Photos: int(c.photos), Hands: int(c.hands)}
	r.ImageOnly = &Estimate{Value: c.imageAll}
	if c.hands == 0 {
		r.Note = "no hand count in this plot: see its treatment's mean"
		return r
	}
	r.PlotsHand = 1
	m := meansOf([]*cell{c}, "")
	est := func(v, variance float64) *Estimate {
		if df < 1 {
			return &Estimate{Value: v}
		}
		se := math.Sqrt(variance)
		return &Estimate{v, ptr(se), around(v, tHalf(level, df)*se, level, "variances pooled within plots"), nil}
	}
	r.HandOnly = est(m.hand, s2y/c.hands)
	// The slope is taken as known here: it rests on all plots.
	r.Regression = est(m.regression(slope), max(0, s2yx*(1/c.hands-1/c.photos)+s2y/c.photos))
	if ratio := m.ratio(); isFinite(ratio) {
		r.Ratio = &Estimate{Value: ratio}
	} else {
		r.Note = "no ratio estimate: the photos of the hand-counted quadrats show nothing"
	}
	r.Gain = gain(r.HandOnly, r.Regression)
	return r
}

// gain is the ratio of variances, nil where either is unknown or 0.
func gain(hand, other *Estimate) *float64 {
	if hand == nil || other == nil || hand.SE == nil || other.SE == nil || *other.SE == 0 {
		return nil
	}
	return ptr(square(*hand.SE) / square(*other.SE))
}

// treatments adds a row per treatment and visit with jackknife variances.
func (d *DoubleSampling) treatments(cs []*cell, level float64) {
	type domain struct{ treatment, visit string }
	var order []domain
	members := map[domain][]*cell{}
	var plots []string // in order of appearance
	stratum := map[string]string{}
	for _, c := range cs {
		k := domain{c.treatment, c.visit}
		if members[k] == nil {
			order = append(order, k)
		}
		members[k] = append(members[k], c)
		if _, ok := stratum[c.plot]; !ok {
			stratum[c.plot] = c.treatment
			plots = append(plots, c.plot)
		}
	}
	size := map[string]float64{}
	for _, t := range stratum {
		size[t]++
	}
	slopeWithout := map[string]float64{}
	for _, p := range plots {
		slopeWithout[p] = pooledSlope(cs, p)
	}
	for _, k := range order {
		in := members[k]
		r := DomainRow{Name: k.treatment, Visit: k.visit, Plots: len(in)}
		for _, c := range in {
			r.Photos += int(c.photos)
			r.Hands += int(c.hands)
			if c.hands > 0 {
				r.PlotsHand++
			}
		}
		m := meansOf(in, "")
		r.ImageOnly = &Estimate{Value: m.all}
		if r.PlotsHand == 0 {
			r.Note = "no hand count in this treatment on this visit: only the image mean, with whatever bias it has"
			d.Treatments = append(d.Treatments, r)
			continue
		}
		regression, ratio := m.regression(d.Slope), m.ratio()
		r.Regression, r.HandOnly = &Estimate{Value: regression}, &Estimate{Value: m.hand}
		if isFinite(ratio) {
			r.Ratio = &Estimate{Value: ratio}
		}
		if r.PlotsHand < 2 {
			r.Note = "hand counts in one plot only: need 2 plots for a standard error"
			d.Treatments = append(d.Treatments, r)
			continue
		}
		// Hand means rest on fewer plots than photo means, so leaving a plot out
		// moves them further than (h-1)/h allows for; shrink brings their part of
		// the variance to that of their own number of plots (1 when all plots have
		// hand counts).
		own, with := float64(r.Plots), float64(r.PlotsHand)
		shrink := math.Sqrt((with - 1) / with / ((own - 1) / own))
		var vRegression, vRatio, vHand, vImage float64
		for _, p := range plots {
			h := size[stratum[p]]
			if h < 2 {
				continue // a treatment of one plot only feeds the slope
			}
			j := meansOf(in, p)
			j.hand = m.hand + shrink*(j.hand-m.hand)
			j.image = m.image + shrink*(j.image-m.image)
			f := (h - 1) / h
			vRegression += f * square(j.regression(slopeWithout[p])-regression)
			vRatio += f * square(j.ratio()-ratio)
			vHand += f * square(j.hand-m.hand)
			vImage += f * square(j.all-m.all)
		}
		set := func(e *Estimate, variance, df float64) {
			if e == nil || !isFinite(variance) {
				return
			}
			se := math.Sqrt(variance)
			e.SE = ptr(se)
			e.ClusterCI = around(e.Value, tHalf(level, df)*se, level, "delete-one-plot jackknife, t interval")
		}
		set(r.Regression, vRegression, with-1)
		set(r.Ratio, vRatio, with-1)
		set(r.HandOnly, vHand, with-1)
		set(r.ImageOnly, vImage, own-1)
		r.Gain = gain(r.HandOnly, r.Regression)
		d.Treatments = append(d.Treatments, r)
	}
}

func square(v float64) float64 { return v * v }
