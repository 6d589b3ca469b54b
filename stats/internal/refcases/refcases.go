// Package refcases drives tests from the reference folder `shared/reference`,
// a sibling of the repository root: one JSON file a case, holding data and the
// values expected from them. It is used by tests only.
//
// A test loads the cases of a kind, checks each expected entry it can serve,
// and ends with Report, which names and counts what was not checked:
//
//	cases, ok := refcases.Load(t, "k05")
//	if !ok {
//		t.Skip("reference folder not found")
//	}
//	for _, c := range cases {
//		t.Run(c.ID, func(t *testing.T) {
//			c.Check(t, "p", got)
//			c.Report(t)
//		})
//	}
package refcases

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Absent is the message to skip with when the folder is not there.
const Absent = "reference folder ../shared/reference not found: set QUADTALLY_SHARED to the shared folder to run these cases"

// A Case is one reference file.
type Case struct {
	ID, Kind, Title, Source, Provenance string

	Design, Data, Expected, Tolerances object

	Notes any

	served map[string]bool   // leaf paths of Expected that were checked
	passed map[string]string // leaf paths left out on purpose, with the reason
}

// object is a JSON object; the files write an empty one as [].
type object map[string]any

func (o *object) UnmarshalJSON(raw []byte) error {
	if string(raw) == "[]" {
		*o = nil
		return nil
	}
	return json.Unmarshal(raw, (*map[string]any)(o))
}

// Dir finds the reference folder: $QUADTALLY_SHARED/reference, else
// ../shared/reference seen from this directory or any parent.
func Dir() (string, bool) {
	isDir := func(p string) bool { st, err := os.Stat(p); return err == nil && st.IsDir() }
	if env := os.Getenv("QUADTALLY_SHARED"); env != "" {
		p := filepath.Join(env, "reference")
		return p, isDir(p)
	}
	at, err := os.Getwd()
	if err != nil {
		return "", false
	}
	for {
		if p := filepath.Join(filepath.Dir(at), "shared", "reference"); isDir(p) {
			return p, true
		}
		up := filepath.Dir(at)
		if up == at {
			return "", false
		}
		at = up
	}
}

// Load returns the cases whose id starts with prefix ("k05",
// "k04-padjust"), in order of id; ok is false where the folder is absent. A
// folder without any such case fails the test.
func Load(tb testing.TB, prefix string) (cases []*Case, ok bool) {
	tb.Helper()
	dir, ok := Dir()
	if !ok {
		return nil, false
	}
	names, err := filepath.Glob(filepath.Join(dir, prefix+"*.json"))
	if err != nil || len(names) == 0 {
		tb.Fatalf("no reference case %s*.json in %s (%v)", prefix, dir, err)
	}
	slices.Sort(names)
	for _, name := range names {
		raw, err := os.ReadFile(name)
		if err != nil {
			tb.Fatal(err)
		}
		c := &Case{served: map[string]bool{}, passed: map[string]string{}}
		if err := json.Unmarshal(raw, c); err != nil {
			tb.Fatalf("%s: %v", name, err)
		}
		cases = append(cases, c)
	}
	return cases, true
}

// at walks a dotted path ("boxcox.ci95", "pairs.0.p") through maps and arrays.
func at(root any, path string) (any, bool) {
	for part := range strings.SplitSeq(path, ".") {
		switch node := root.(type) {
		case map[string]any:
			next, ok := node[part]
			if !ok {
				return nil, false
			}
			root = next
		case []any:
			i, err := strconv.Atoi(part)
			if err != nil || i < 0 || i >= len(node) {
				return nil, false
			}
			root = node[i]
		default:
			return nil, false
		}
	}
	return root, true
}

// Has reports whether Expected has an entry at path.
func (c *Case) Has(path string) bool {
	_, ok := at(map[string]any(c.Expected), path)
	return ok
}

// Want returns the expected number at path; null and "undefined" give NaN.
func (c *Case) Want(tb testing.TB, path string) float64 {
	tb.Helper()
	return number(tb, c.ID, path, c.entry(tb, c.Expected, path))
}

// WantFloats returns the expected numbers at path; null gives NaN.
func (c *Case) WantFloats(tb testing.TB, path string) []float64 {
	tb.Helper()
	return floats(tb, c.ID, path, c.entry(tb, c.Expected, path))
}

// WantStrings returns the expected labels at path.
func (c *Case) WantStrings(tb testing.TB, path string) []string {
	tb.Helper()
	return texts(tb, c.ID, path, c.entry(tb, c.Expected, path))
}

// Floats returns a column of Data; null (missing; infinite in a df column)
// gives NaN.
func (c *Case) Floats(tb testing.TB, path string) []float64 {
	tb.Helper()
	return floats(tb, c.ID, path, c.entry(tb, c.Data, path))
}

// DF is Floats for a column of degrees of freedom, where null is infinity.
func (c *Case) DF(tb testing.TB, path string) []float64 {
	tb.Helper()
	df := c.Floats(tb, path)
	for i := range df {
		if math.IsNaN(df[i]) {
			df[i] = math.Inf(1)
		}
	}
	return df
}

// Ints returns a column of whole numbers of Data.
func (c *Case) Ints(tb testing.TB, path string) []int {
	tb.Helper()
	xs := c.Floats(tb, path)
	out := make([]int, len(xs))
	for i, x := range xs {
		out[i] = int(x)
		if float64(out[i]) != x {
			tb.Fatalf("%s: %s[%d] = %v is no whole number", c.ID, path, i, x)
		}
	}
	return out
}

// Strings returns a column of labels of Data.
func (c *Case) Strings(tb testing.TB, path string) []string {
	tb.Helper()
	return texts(tb, c.ID, path, c.entry(tb, c.Data, path))
}

// Number returns a single number of Data.
func (c *Case) Number(tb testing.TB, path string) float64 {
	tb.Helper()
	return number(tb, c.ID, path, c.entry(tb, c.Data, path))
}

// HasData reports whether Data has a column or entry at path.
func (c *Case) HasData(path string) bool {
	_, ok := at(map[string]any(c.Data), path)
	return ok
}

func (c *Case) entry(tb testing.TB, root object, path string) any {
	tb.Helper()
	v, ok := at(map[string]any(root), path)
	if !ok {
		tb.Fatalf("%s: no entry %q", c.ID, path)
	}
	return v
}

func number(tb testing.TB, id, path string, v any) float64 {
	tb.Helper()
	switch x := v.(type) {
	case float64:
		return x
	case nil:
		return math.NaN()
	case string:
		if x == "undefined" {
			return math.NaN()
		}
	}
	tb.Fatalf("%s: %s is %v, not a number", id, path, v)
	return 0
}

func floats(tb testing.TB, id, path string, v any) []float64 {
	tb.Helper()
	list, ok := v.([]any)
	if !ok {
		return []float64{number(tb, id, path, v)} // a column of one row
	}
	out := make([]float64, len(list))
	for i, x := range list {
		out[i] = number(tb, id, fmt.Sprintf("%s.%d", path, i), x)
	}
	return out
}

func texts(tb testing.TB, id, path string, v any) []string {
	tb.Helper()
	list, ok := v.([]any)
	if !ok {
		list = []any{v}
	}
	out := make([]string, len(list))
	for i, x := range list {
		switch x := x.(type) {
		case string:
			out[i] = x
		case float64:
			out[i] = strconv.FormatFloat(x, 'g', -1, 64)
		case nil:
		default:
			tb.Fatalf("%s: %s.%d is %v, not a label", id, path, i, x)
		}
	}
	return out
}
