package mixed

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"

	"quadtally/stats/terms"
)

// group is one random grouping: which group each row is in.
type group struct {
	name   string
	codes  []int
	levels int
}

// component is a run of sorted rows that no random effect and no serial
// correlation links to rows outside it; the covariance matrix is
// block-diagonal over components.
type component struct {
	start, rows int
	pattern     int
}

// pattern is a covariance structure that components share: plots measured on
// the same days have the same matrix, which is then factored once.
type pattern struct {
	rows   int
	groups [][]int     // local group number of each row, one slice a grouping
	gaps   [][]float64 // gaps[i][j], j < i: days apart, -1 if not serially linked; nil without serial part
}

// structure is the model's covariance taken apart.
type structure struct {
	groups     []group
	serial     bool
	order      []int // row of the table at each sorted place
	components []component
	patterns   []pattern
	shortest   float64 // shortest gap between days of a plot
	longest    float64 // longest span of days of a plot
	medianGap  float64 // median gap between neighbouring days
}

// newStructure groups the rows, finds the components and their patterns, and
// refuses covariance models that the rows cannot tell apart.
func newStructure(m Model) (*structure, error) {
	n := len(m.Response)
	s := &structure{serial: m.Serial != nil}
	for _, t := range m.Random {
		codes, labels, err := m.Frame.Groups(t)
		if err != nil {
			return nil, fmt.Errorf("random %w", err)
		}
		g := group{name: t.String(), codes: codes, levels: len(labels)}
		if err := s.checkGroup(g, n); err != nil {
			return nil, err
		}
		s.groups = append(s.groups, g)
	}
	link := newUnion(n)
	for _, g := range s.groups {
		link.joinGroups(g.codes)
	}
	days := make([]float64, n)
	serialCodes := make([]int, n)
	if s.serial {
		codes, labels, err := m.Frame.Groups(m.Serial.Group)
		if err != nil {
			return nil, fmt.Errorf("serial %w", err)
		}
		copy(days, m.Serial.Days)
		copy(serialCodes, codes)
		link.joinGroups(codes)
		if err := s.checkDays(m.Serial, codes, labels); err != nil {
			return nil, err
		}
	}
	s.sortRows(link, serialCodes, days)
	s.findPatterns(link, serialCodes, days)
	return s, nil
}

func (s *structure) checkGroup(g group, n int) error {
	switch {
	case g.levels == 1:
		return fmt.Errorf("random %s: one group only; a variance between groups needs at least 2", g.name)
	case g.levels == n && !s.serial:
		return fmt.Errorf("random %s: each group has one row, so its variance and the residual cannot be told apart; leave it out and the rows themselves are the units", g.name)
	}
	for _, h := range s.groups {
		if g.levels == h.levels && samePartition(g.codes, h.codes) {
			return fmt.Errorf("random %s and random %s group the rows alike: keep one of them", h.name, g.name)
		}
	}
	return nil
}

func samePartition(a, b []int) bool {
	to := map[int]int{}
	for i := range a {
		if c, ok := to[a[i]]; ok && c != b[i] {
			return false
		}
		to[a[i]] = b[i]
	}
	return true
}

// checkDays refuses repeated days and plots seen once, and measures the gaps.
func (s *structure) checkDays(serial *Serial, codes []int, labels []string) error {
	byPlot := make([][]float64, len(labels))
	for i, c := range codes {
		if slices.Contains(byPlot[c], serial.Days[i]) {
			return fmt.Errorf("%s %s has two rows on day %v: average the quadrats of a plot on a date first", serial.Group, labels[c], serial.Days[i])
		}
		byPlot[c] = append(byPlot[c], serial.Days[i])
	}
	var gaps []float64
	for _, days := range byPlot {
		slices.Sort(days)
		for i := 1; i < len(days); i++ {
			gaps = append(gaps, days[i]-days[i-1])
		}
		s.longest = max(s.longest, days[len(days)-1]-days[0])
	}
	if len(gaps) == 0 {
		return fmt.Errorf("serial correlation within %s: every plot was seen on one date only; it needs at least 2", serial.Group)
	}
	slices.Sort(gaps)
	s.shortest = gaps[0]
	s.medianGap = gaps[len(gaps)/2]
	return nil
}

// sortRows puts rows of a component next to each other in an order that does
// not depend on the order of the table, apart from ties.
func (s *structure) sortRows(link *union, serialCodes []int, days []float64) {
	s.order = make([]int, len(days))
	for i := range s.order {
		s.order[i] = i
	}
	slices.SortStableFunc(s.order, func(a, b int) int {
		if c := link.find(a) - link.find(b); c != 0 {
			return c
		}
		for _, g := range s.groups {
			if c := g.codes[a] - g.codes[b]; c != 0 {
				return c
			}
		}
		if c := serialCodes[a] - serialCodes[b]; c != 0 {
			return c
		}
		switch {
		case days[a] < days[b]:
			return -1
		case days[a] > days[b]:
			return 1
		}
		return 0
	})
}

func (s *structure) findPatterns(link *union, serialCodes []int, days []float64) {
	index := map[string]int{}
	for start := 0; start < len(s.order); {
		end := start + 1
		for end < len(s.order) && link.find(s.order[end]) == link.find(s.order[start]) {
			end++
		}
		rows := s.order[start:end]
		pat := pattern{rows: len(rows)}
		var key strings.Builder
		for _, g := range s.groups {
			local := renumber(rows, g.codes)
			pat.groups = append(pat.groups, local)
			fmt.Fprint(&key, local, ";")
		}
		if s.serial {
			local := renumber(rows, serialCodes)
			origin := days[rows[0]]
			pat.gaps = make([][]float64, len(rows))
			for i := range rows {
				fmt.Fprint(&key, local[i], "@", days[rows[i]]-origin, ";")
				pat.gaps[i] = make([]float64, i)
				for j := range i {
					pat.gaps[i][j] = -1
					if local[i] == local[j] {
						pat.gaps[i][j] = math.Abs(days[rows[i]] - days[rows[j]])
					}
				}
			}
		} else {
			fmt.Fprint(&key, len(rows))
		}
		k, ok := index[key.String()]
		if !ok {
			k = len(s.patterns)
			index[key.String()] = k
			s.patterns = append(s.patterns, pat)
		}
		s.components = append(s.components, component{start: start, rows: len(rows), pattern: k})
		start = end
	}
}

// renumber gives the codes of the rows numbers from 0 in order of appearance.
func renumber(rows, codes []int) []int {
	seen := map[int]int{}
	local := make([]int, len(rows))
	for i, r := range rows {
		c, ok := seen[codes[r]]
		if !ok {
			c = len(seen)
			seen[codes[r]] = c
		}
		local[i] = c
	}
	return local
}

// union is a disjoint-set forest over rows.
type union struct{ parent []int }

func newUnion(n int) *union {
	u := &union{make([]int, n)}
	for i := range u.parent {
		u.parent[i] = i
	}
	return u
}

func (u *union) find(i int) int {
	for u.parent[i] != i {
		u.parent[i] = u.parent[u.parent[i]]
		i = u.parent[i]
	}
	return i
}

func (u *union) joinGroups(codes []int) {
	first := map[int]int{}
	for i, c := range codes {
		if j, ok := first[c]; ok {
			a, b := u.find(i), u.find(j)
			u.parent[max(a, b)] = min(a, b)
		} else {
			first[c] = i
		}
	}
}

// params are the covariance parameters relative to the residual variance:
// gamma[k] = variance of grouping k over the residual variance, at least 0,
// and, with a serial part, logRate = log(1/tau), tau in days.
type params struct {
	gamma   []float64
	logRate float64
	// independent drops the serial part (its limit as the rate grows).
	independent bool
}

func (p params) clone() params {
	p.gamma = slices.Clone(p.gamma)
	return p
}

// factored is a pattern's covariance at given params: the Cholesky factor L
// and, where derivatives were asked for, the whitened derivatives
// L^-1 V_i L^-T of each parameter and of the second derivative by logRate.
type factored struct {
	n      int
	chol   []float64 // row-major lower triangle
	logDet float64
	deriv  [][]float64 // n x n each
	thin   [][]float64 // L^-1 Z of each grouping, n x levels, deriv = thin thin'
	second []float64   // by logRate twice
	corr   []float64   // whitened R itself
}

// factor builds and factors one pattern. It reports false if the matrix is
// not positive definite to working accuracy.
func (pat *pattern) factor(p params, serial, derivatives bool) (*factored, bool) {
	n := pat.rows
	f := &factored{n: n, chol: make([]float64, n*n)}
	r := make([]float64, n*n)
	var d1, d2 []float64
	if serial && derivatives {
		d1, d2 = make([]float64, n*n), make([]float64, n*n)
	}
	rate := math.Exp(p.logRate)
	for i := range n {
		r[i*n+i] = 1
		for j := range i {
			if !serial || pat.gaps[i][j] < 0 {
				continue
			}
			x := rate * pat.gaps[i][j]
			c := math.Exp(-x)
			r[i*n+j], r[j*n+i] = c, c
			if derivatives {
				d1[i*n+j], d1[j*n+i] = -x*c, -x*c
				d2[i*n+j], d2[j*n+i] = (x-1)*x*c, (x-1)*x*c
			}
		}
	}
	for i := range n {
		for j := range i + 1 {
			v := r[i*n+j]
			for k, g := range pat.groups {
				if g[i] == g[j] {
					v += p.gamma[k]
				}
			}
			f.chol[i*n+j] = v
		}
	}
	for j := range n {
		s := f.chol[j*n+j]
		size := s
		for k := range j {
			s -= f.chol[j*n+k] * f.chol[j*n+k]
		}
		if !(s > 1e-14*size) {
			return nil, false
		}
		s = math.Sqrt(s)
		f.chol[j*n+j] = s
		f.logDet += 2 * math.Log(s)
		for i := j + 1; i < n; i++ {
			t := f.chol[i*n+j]
			for k := range j {
				t -= f.chol[i*n+k] * f.chol[j*n+k]
			}
			f.chol[i*n+j] = t / s
		}
	}
	if !derivatives {
		return f, true
	}
	for _, g := range pat.groups {
		thin, deriv := f.whitenGroups(g)
		f.thin, f.deriv = append(f.thin, thin), append(f.deriv, deriv)
	}
	if serial {
		f.deriv = append(f.deriv, f.whitenBoth(d1))
		f.second = f.whitenBoth(d2)
	}
	f.corr = f.whitenBoth(r)
	return f, true
}

// solveRows overwrites b (n x cols, row-major) by L^-1 b.
func (f *factored) solveRows(b []float64, cols int) {
	for i := range f.n {
		bi := b[i*cols : (i+1)*cols]
		for k := range i {
			if l := f.chol[i*f.n+k]; l != 0 {
				axpy(-l, b[k*cols:(k+1)*cols], bi)
			}
		}
		scale(1/f.chol[i*f.n+i], bi)
	}
}

// whitenGroups gives L^-1 Z and L^-1 Z Z' L^-T for the indicator matrix Z of
// the groups.
func (f *factored) whitenGroups(g []int) (thin, out []float64) {
	m := slices.Max(g) + 1
	thin = make([]float64, f.n*m)
	for i, c := range g {
		thin[i*m+c] = 1
	}
	f.solveRows(thin, m)
	out = make([]float64, f.n*f.n)
	blas64.Gemm(blas.NoTrans, blas.Trans, 1, general(f.n, m, thin), general(f.n, m, thin), 0, general(f.n, f.n, out))
	return thin, out
}

// whitenBoth gives L^-1 S L^-T for a symmetric matrix S, which is left alone.
func (f *factored) whitenBoth(s []float64) []float64 {
	n := f.n
	w := slices.Clone(s)
	f.solveRows(w, n)
	for i := range n {
		for j := range i {
			w[i*n+j], w[j*n+i] = w[j*n+i], w[i*n+j]
		}
	}
	f.solveRows(w, n)
	for i := range n {
		for j := range i {
			a := (w[i*n+j] + w[j*n+i]) / 2
			w[i*n+j], w[j*n+i] = a, a
		}
	}
	return w
}

// serialName is how the serial part is called in messages.
func serialName(t terms.Term) string { return "serial correlation within " + t.String() }
