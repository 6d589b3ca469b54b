package terms

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Factor is a column of labels, one a row.
type Factor struct {
	// Name is the word the terms use for the column, for example "treatment".
	Name string `json:"name"`
	// Labels holds one label a row. An empty label is refused.
	Labels []string `json:"labels"`
	// Levels fixes the order of the labels; the first is the base that
	// coefficients are differences from. Left empty, the labels are ordered
	// as a person would (2 before 10, dates by time), never by row order.
	// A level that no row carries is refused.
	Levels []string `json:"levels,omitempty"`
}

// Covariate is a column of numbers measured before treatment, one a row.
type Covariate struct {
	// Name is the word the terms use for the column.
	Name string `json:"name"`
	// Values holds one finite number a row, in the unit of the measurement.
	Values []float64 `json:"values"`
}

// Frame is a table: factors and covariates of equal length.
type Frame struct {
	Factors    []Factor    `json:"factors"`
	Covariates []Covariate `json:"covariates,omitempty"`
}

// Term is a product of columns by name: {"treatment"} is a main effect,
// {"treatment", "date"} their interaction. The empty term is the intercept.
type Term []string

// String gives the term as it is printed, "treatment:date".
func (t Term) String() string {
	if len(t) == 0 {
		return "(intercept)"
	}
	return strings.Join(t, ":")
}

// equal tells whether both terms hold the same columns, in any order.
func (t Term) equal(u Term) bool { return len(t) == len(u) && t.within(u) }

// within tells whether every column of t is in u.
func (t Term) within(u Term) bool {
	for _, name := range t {
		if !slices.Contains(u, name) {
			return false
		}
	}
	return true
}

// variable is a checked column: levels and codes of a factor, or the values
// of a covariate (levels nil).
type variable struct {
	name   string
	levels []string
	codes  []int
	values []float64
	mean   float64
}

func (v *variable) isFactor() bool { return v.levels != nil }

// Rows gives the number of rows of the table after checking that every
// column has that many, that names are unique and not empty, that labels are
// not empty and that numbers are finite.
func (f Frame) Rows() (int, error) {
	vars, err := f.compile()
	if err != nil {
		return 0, err
	}
	for _, v := range vars {
		return max(len(v.codes), len(v.values)), nil
	}
	return 0, fmt.Errorf("the table has no columns: give at least one factor or covariate")
}

// Groups gives for each row the number of its group under the term, from 0,
// and the label of each group ("B1:T2"). Rows share a group when they agree
// in every factor of the term. The term must hold factors only.
func (f Frame) Groups(t Term) (codes []int, labels []string, err error) {
	vars, err := f.compile()
	if err != nil {
		return nil, nil, err
	}
	n := -1
	var picked []*variable
	for _, name := range t {
		v, ok := vars[name]
		if !ok {
			return nil, nil, fmt.Errorf("term %s: no column is named %q", t, name)
		}
		if !v.isFactor() {
			return nil, nil, fmt.Errorf("term %s: %q is a covariate; groups need labels", t, name)
		}
		picked = append(picked, v)
		n = len(v.codes)
	}
	if len(picked) == 0 {
		return nil, nil, fmt.Errorf("a grouping needs at least one factor")
	}
	seen := map[string]int{}
	codes = make([]int, n)
	for i := range codes {
		parts := make([]string, len(picked))
		for k, v := range picked {
			parts[k] = v.levels[v.codes[i]]
		}
		key := strings.Join(parts, "\x00")
		c, ok := seen[key]
		if !ok {
			c = len(labels)
			seen[key] = c
			labels = append(labels, strings.Join(parts, ":"))
		}
		codes[i] = c
	}
	return codes, labels, nil
}

// compile checks the columns and returns them by name.
func (f Frame) compile() (map[string]*variable, error) {
	vars := make(map[string]*variable, len(f.Factors)+len(f.Covariates))
	n := -1
	add := func(name string, rows int) error {
		switch {
		case name == "":
			return fmt.Errorf("a column has no name: give every factor and covariate one")
		case vars[name] != nil:
			return fmt.Errorf("two columns are named %q: rename one", name)
		case n >= 0 && rows != n:
			return fmt.Errorf("column %q has %d rows, the others have %d", name, rows, n)
		case rows == 0:
			return fmt.Errorf("column %q has no rows", name)
		}
		n = rows
		return nil
	}
	for _, fac := range f.Factors {
		if err := add(fac.Name, len(fac.Labels)); err != nil {
			return nil, err
		}
		v, err := compileFactor(fac)
		if err != nil {
			return nil, err
		}
		vars[fac.Name] = v
	}
	for _, cov := range f.Covariates {
		if err := add(cov.Name, len(cov.Values)); err != nil {
			return nil, err
		}
		v := &variable{name: cov.Name, values: slices.Clone(cov.Values)}
		for i, x := range cov.Values {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, fmt.Errorf("covariate %q, row %d: not a finite number; leave the row out or supply the value", cov.Name, i+1)
			}
			if math.Abs(x) > 1e100 {
				return nil, fmt.Errorf("covariate %q, row %d: %v is beyond any measurement; choose another unit", cov.Name, i+1, x)
			}
			v.mean += (x - v.mean) / float64(i+1)
		}
		vars[cov.Name] = v
	}
	return vars, nil
}

func compileFactor(fac Factor) (*variable, error) {
	seen := map[string]bool{}
	for i, l := range fac.Labels {
		if l == "" {
			return nil, fmt.Errorf("factor %q, row %d: no label; every row needs one", fac.Name, i+1)
		}
		seen[l] = true
	}
	levels := slices.Clone(fac.Levels)
	if len(levels) == 0 {
		for l := range seen {
			levels = append(levels, l)
		}
		slices.SortFunc(levels, compareLabels)
	}
	index := make(map[string]int, len(levels))
	for i, l := range levels {
		if _, twice := index[l]; twice {
			return nil, fmt.Errorf("factor %q: level %q is listed twice", fac.Name, l)
		}
		if !seen[l] {
			return nil, fmt.Errorf("factor %q: no row has level %q; leave it out of the levels", fac.Name, l)
		}
		index[l] = i
	}
	v := &variable{name: fac.Name, levels: levels, codes: make([]int, len(fac.Labels))}
	for i, l := range fac.Labels {
		c, ok := index[l]
		if !ok {
			return nil, fmt.Errorf("factor %q, row %d: label %q is not among the levels", fac.Name, i+1, l)
		}
		v.codes[i] = c
	}
	return v, nil
}

// compareLabels orders labels as a person would: numbers by size, words by
// letters, runs of digits inside words by size (T2 before T10).
func compareLabels(a, b string) int {
	x, isX := labelNumber(a)
	y, isY := labelNumber(b)
	switch {
	case isX && isY && x != y:
		return cmp.Compare(x, y)
	// Numbers stand before words, so that the order stays transitive.
	case isX && !isY:
		return -1
	case isY && !isX:
		return 1
	}
	s, t := a, b
	for s != "" && t != "" {
		ds, dt := digits(s), digits(t)
		if ds > 0 && dt > 0 {
			u, v := strings.TrimLeft(s[:ds], "0"), strings.TrimLeft(t[:dt], "0")
			if c := cmp.Or(cmp.Compare(len(u), len(v)), cmp.Compare(u, v)); c != 0 {
				return c
			}
			s, t = s[ds:], t[dt:]
			continue
		}
		if s[0] != t[0] {
			return cmp.Compare(s[0], t[0])
		}
		s, t = s[1:], t[1:]
	}
	return cmp.Or(cmp.Compare(len(s), len(t)), cmp.Compare(a, b))
}

func labelNumber(s string) (float64, bool) {
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil && !math.IsNaN(x)
}

// digits counts the leading decimal digits of s.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}
