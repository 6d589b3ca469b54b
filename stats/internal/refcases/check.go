package refcases

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// Tolerance returns the absolute and relative tolerance of an expected entry.
// An entry <name>_abs or <name>_rel of the file's tolerances, name being the
// path, its last part or one of the given keys, replaces the general abs and
// rel; a specific tolerance of one sort alone sets the other to zero.
func (c *Case) Tolerance(path string, keys ...string) (abs, rel float64) {
	get := func(name string) (float64, bool) { v, ok := c.Tolerances[name].(float64); return v, ok }
	last := path[strings.LastIndex(path, ".")+1:]
	for _, name := range append(slices.Clone(keys), strings.ReplaceAll(path, ".", "_"), last) {
		a, okA := get(name + "_abs")
		r, okR := get(name + "_rel")
		if okA || okR {
			return a, r
		}
	}
	abs, _ = get("abs")
	rel, _ = get("rel")
	return abs, rel
}

// Check compares got with the expected entry at path within the tolerance of
// the file (see Tolerance for keys) and marks the entry as served. got is a
// number (float64 or int), a string, a bool, or a slice or slice of slices of
// numbers or strings. NaN stands for null and "undefined".
func (c *Case) Check(tb testing.TB, path string, got any, keys ...string) {
	tb.Helper()
	abs, rel := c.Tolerance(path, keys...)
	c.CheckWithin(tb, path, got, abs, rel)
}

// CheckWithin is Check with tolerances given by the test, for entries of which
// the file says nothing fitting. |got - want| <= abs + rel |want| passes.
func (c *Case) CheckWithin(tb testing.TB, path string, got any, abs, rel float64) {
	tb.Helper()
	want, ok := at(map[string]any(c.Expected), path)
	if !ok {
		if c.Own {
			tb.Errorf("%s: nothing expected at %q", c.ID, path)
		}
		return
	}
	for _, leaf := range leaves(path, want) {
		c.served[leaf] = true
	}
	for _, d := range differences(path, got, want, abs, rel) {
		tb.Errorf("%s: %s", c.ID, d)
	}
}

// CheckUndefined asserts that the reference has no number at path either: the
// test calls it after it has seen the refusal.
func (c *Case) CheckUndefined(tb testing.TB, path string) {
	tb.Helper()
	c.CheckWithin(tb, path, math.NaN(), 0, 0)
}

// PassOver leaves the entry at path (and below) out on purpose; Report prints
// the reason.
func (c *Case) PassOver(path, reason string) { c.passed[path] = reason }

// Report logs, by name, every expected entry that no Check has served, and
// returns how many there are. Entries the folder marks as other programs' less
// accurate or wrong values (r_*, wrong_*, naive_*) are for information and do
// not count.
func (c *Case) Report(tb testing.TB) int {
	tb.Helper()
	var missing []string
	total := 0
	for _, leaf := range leaves("", map[string]any(c.Expected)) {
		if forInformation(leaf) {
			continue
		}
		total++
		if c.served[leaf] || c.passedOver(leaf) {
			continue
		}
		missing = append(missing, leaf)
	}
	for path, reason := range c.passed {
		tb.Logf("%s: %s passed over: %s", c.ID, path, reason)
	}
	if len(missing) > 0 {
		tb.Logf("%s: %d of %d expected entries not served: %s", c.ID, len(missing), total, strings.Join(missing, ", "))
	}
	return len(missing)
}

func (c *Case) passedOver(leaf string) bool {
	for path := range c.passed {
		if leaf == path || strings.HasPrefix(leaf, path+".") {
			return true
		}
	}
	return false
}

func forInformation(leaf string) bool {
	for part := range strings.SplitSeq(leaf, ".") {
		if strings.HasPrefix(part, "wrong_") || strings.HasPrefix(part, "naive_") ||
			(strings.HasPrefix(part, "r_") && strings.HasSuffix(part, "_builtin")) {
			return true
		}
	}
	return false
}

// leaves lists the paths below v in order; an array is one leaf unless it
// holds objects.
func leaves(path string, v any) []string {
	node, ok := v.(map[string]any)
	if !ok {
		return []string{path}
	}
	var out []string
	for key, child := range node {
		p := key
		if path != "" {
			p = path + "." + key
		}
		out = append(out, leaves(p, child)...)
	}
	slices.Sort(out)
	return out
}

func differences(path string, got, want any, abs, rel float64) []string {
	say := func(format string, args ...any) []string {
		return []string{path + ": " + fmt.Sprintf(format, args...)}
	}
	switch g := got.(type) {
	case int:
		return differences(path, float64(g), want, abs, rel)
	case float64:
		w, isNumber := want.(float64)
		if want == nil || want == "undefined" {
			if !math.IsNaN(g) {
				return say("got %v, want %v", g, want)
			}
			return nil
		}
		if !isNumber {
			return say("got number %v, want %v", g, want)
		}
		if !(math.Abs(g-w) <= abs+rel*math.Abs(w)) {
			return say("got %.17g, want %.17g (off by %.3g, allowed %.3g)", g, w, math.Abs(g-w), abs+rel*math.Abs(w))
		}
	case string, bool:
		if got != want {
			return say("got %v, want %v", got, want)
		}
	case []float64:
		return differencesEach(path, len(g), func(i int) any { return g[i] }, want, abs, rel)
	case []int:
		return differencesEach(path, len(g), func(i int) any { return g[i] }, want, abs, rel)
	case []string:
		return differencesEach(path, len(g), func(i int) any { return g[i] }, want, abs, rel)
	case [][]float64:
		return differencesEach(path, len(g), func(i int) any { return g[i] }, want, abs, rel)
	default:
		return say("cannot compare a %T", got)
	}
	return nil
}

func differencesEach(path string, n int, got func(int) any, want any, abs, rel float64) []string {
	list, ok := want.([]any)
	if !ok {
		list = []any{want}
	}
	if n != len(list) {
		return []string{fmt.Sprintf("%s: got %d entries, want %d", path, n, len(list))}
	}
	var out []string
	for i, w := range list {
		out = append(out, differences(fmt.Sprintf("%s.%d", path, i), got(i), w, abs, rel)...)
	}
	return out
}
