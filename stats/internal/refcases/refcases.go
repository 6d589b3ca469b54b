// Package refcases drives tests from folders of reference cases: one JSON file
// a case, holding data and the values expected from them. The project's own
// cases are in testdata/reference, and a test fails without them. Further
// folders are named in QUADTALLY_REFERENCE, separated as in PATH. It is used by
// tests only.
//
// A test runs the cases of a shape and checks each expected entry it can
// serve; what it did not serve is listed:
//
//	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
//		c.Check(t, "p", got)
//	}, refcases.AdjustedP)
package refcases

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// variable names further folders of cases to run, separated as in PATH.
const variable = "QUADTALLY_REFERENCE"

// A Case is one reference file.
type Case struct {
	ID, Kind, Title, Source, Provenance string

	Design, Data, Expected, Tolerances object

	Notes any

	// Own is set for the project's own cases. A case from another folder may
	// lack entries: what it lacks is not checked, and what no test serves is
	// listed.
	Own bool

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

// Dir is testdata/reference of the repository, found from the working
// directory upwards.
func Dir() (string, error) {
	at, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(at, "go.mod")); err == nil {
			return filepath.Join(at, "testdata", "reference"), nil
		}
		up := filepath.Dir(at)
		if up == at {
			return "", fmt.Errorf("no go.mod at or above the working directory: the reference cases are found from there")
		}
		at = up
	}
}

// All reads every case of the project's own folder and then of the folders
// named in QUADTALLY_REFERENCE. The own folder fails the test where it is
// empty or a file of it cannot be read; a file of another folder that cannot
// be read is named and left out.
func All(tb testing.TB) []*Case {
	tb.Helper()
	dir, err := Dir()
	if err != nil {
		tb.Fatal(err)
	}
	cases := readFolder(tb, dir, true)
	if len(cases) == 0 {
		tb.Fatalf("no reference case in %s", dir)
	}
	for _, other := range filepath.SplitList(os.Getenv(variable)) {
		found := readFolder(tb, other, false)
		if len(found) == 0 {
			tb.Fatalf("%s names %s, where no case could be read", variable, other)
		}
		cases = append(cases, found...)
	}
	return cases
}

func readFolder(tb testing.TB, dir string, own bool) []*Case {
	tb.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		tb.Fatal(err)
	}
	slices.Sort(names)
	var cases []*Case
	for _, name := range names {
		raw, err := os.ReadFile(name)
		c := &Case{Own: own, served: map[string]bool{}, passed: map[string]string{}}
		if err == nil {
			err = json.Unmarshal(raw, c)
		}
		switch {
		case err == nil:
			if c.ID == "" {
				c.ID = filepath.Base(name)
			}
			cases = append(cases, c)
		case own:
			tb.Fatalf("%s: %v", name, err)
		default:
			tb.Logf("%s is not a case and is left out: %v", name, err)
		}
	}
	return cases
}

// Of returns the cases of the shapes. One of the project's own must be among
// them.
func Of(tb testing.TB, of ...Shape) []*Case {
	tb.Helper()
	var cases []*Case
	own := false
	for _, c := range All(tb) {
		if slices.Contains(of, c.Shape()) {
			cases = append(cases, c)
			own = own || c.Own
		}
	}
	if !own {
		tb.Fatalf("the reference cases have none of shape %q", of)
	}
	return cases
}

// Run runs f on every case of the shapes, each in a test of its own. An
// expected entry of our own case that f neither serves nor passes over on
// purpose fails its test; those of other folders are listed. A panic fails the
// test of the case and no other.
func Run(t *testing.T, f func(t *testing.T, c *Case), of ...Shape) {
	t.Helper()
	for _, c := range Of(t, of...) {
		t.Run(c.ID, func(t *testing.T) {
			defer func() {
				if r := recover(); r != nil && c.Own {
					t.Errorf("%s: panic: %v\n%s", c.ID, r, debug.Stack())
				} else if r != nil {
					t.Errorf("%s: the parts of the case do not fit together: %v", c.ID, r)
				}
				if open := c.Report(t); c.Own && open > 0 && !t.Skipped() {
					t.Errorf("%s: %d expected entries are neither checked nor passed over with a reason", c.ID, open)
				}
			}()
			f(t, c)
		})
	}
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

// DesignTexts returns the labels, or the one text, at path of Design.
func (c *Case) DesignTexts(tb testing.TB, path string) []string {
	tb.Helper()
	return texts(tb, c.ID, path, c.entry(tb, c.Design, path))
}

// DesignFloats returns the numbers at path of Design; ok is false where it has
// none.
func (c *Case) DesignFloats(tb testing.TB, path string) (xs []float64, ok bool) {
	tb.Helper()
	v, ok := at(map[string]any(c.Design), path)
	if !ok || v == nil {
		return nil, false
	}
	return floats(tb, c.ID, path, v), true
}

// Bools returns a column of truth values of Data.
func (c *Case) Bools(tb testing.TB, path string) []bool {
	tb.Helper()
	list, _ := c.entry(tb, c.Data, path).([]any)
	out := make([]bool, len(list))
	for i, v := range list {
		b, ok := v.(bool)
		if !ok {
			tb.Fatalf("%s: %s.%d is %v, neither true nor false", c.ID, path, i, v)
		}
		out[i] = b
	}
	return out
}

// Table returns a column of Data whose entries are lists of numbers.
func (c *Case) Table(tb testing.TB, path string) [][]float64 {
	tb.Helper()
	return table(tb, c.ID, path, c.entry(tb, c.Data, path))
}

// WantKeys lists the names of the entries below path, in order.
func (c *Case) WantKeys(path string) []string {
	v, _ := at(map[string]any(c.Expected), path)
	node, _ := v.(map[string]any)
	return slices.Sorted(maps.Keys(node))
}

// WantTable returns the expected rows of numbers at path.
func (c *Case) WantTable(tb testing.TB, path string) [][]float64 {
	tb.Helper()
	return table(tb, c.ID, path, c.entry(tb, c.Expected, path))
}

// WantBool returns the expected truth value at path.
func (c *Case) WantBool(tb testing.TB, path string) bool {
	tb.Helper()
	v := c.entry(tb, c.Expected, path)
	b, ok := v.(bool)
	if !ok {
		tb.Fatalf("%s: %s is %v, neither true nor false", c.ID, path, v)
	}
	return b
}

func table(tb testing.TB, id, path string, v any) [][]float64 {
	tb.Helper()
	list, ok := v.([]any)
	if !ok {
		tb.Fatalf("%s: %s is %v, not a list", id, path, v)
	}
	out := make([][]float64, len(list))
	for i, row := range list {
		out[i] = floats(tb, id, fmt.Sprintf("%s.%d", path, i), row)
	}
	return out
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
		c.lacks(tb, path)
	}
	return v
}

// lacks ends the test of a case without an entry that the test needs: one of
// our own is wrong, one of another folder cannot be run further.
func (c *Case) lacks(tb testing.TB, path string) {
	tb.Helper()
	if c.Own {
		tb.Fatalf("%s: no entry %q", c.ID, path)
	}
	tb.Skipf("%s: run no further, for it has no entry %q", c.ID, path)
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
