package refcases

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"
)

const sample = `{"id": "k99-x", "kind": "k99", "design": [],
 "data": {"df": [1, null], "one": 3, "trt": ["A", "B"]},
 "expected": {"p": [0.5, null], "box": {"lo": 1, "list": [[1,2],[3,4]]}, "f": "undefined", "name": "x", "wrong_p": 7, "r_p_builtin": 8},
 "tolerances": {"abs": 0.1, "rel": 0.01, "p_abs": 1e-6}}`

// load reads the sample from a folder of its own.
func load(t *testing.T) *Case {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "k99-x.json"), []byte(sample), 0o644); err != nil {
		t.Fatal(err)
	}
	cases := readFolder(t, dir, true)
	if len(cases) != 1 || cases[0].ID != "k99-x" || !cases[0].Own {
		t.Fatal(cases)
	}
	return cases[0]
}

// Every case of the project is of a shape that some test serves. Cases of
// other folders that are of none are named.
func TestEveryCaseHasAShape(t *testing.T) {
	count := map[Shape]int{}
	for _, c := range All(t) {
		shape := c.Shape()
		switch {
		case shape == "" && c.Own:
			t.Errorf("case %s of kind %s has no shape", c.ID, c.Kind)
		case shape == "" && !knownKind(c.Kind):
			t.Logf("case %s is not run: its kind %q is unknown", c.ID, c.Kind)
		case shape == "":
			t.Logf("case %s is not run: it has columns or entries of no test of kind %s", c.ID, c.Kind)
		}
		if c.Own {
			count[shape]++
			if c.Source == "" {
				t.Errorf("case %s names no source", c.ID)
			}
		}
	}
	for _, s := range shapes {
		if count[s.shape] == 0 {
			t.Errorf("no case of shape %q", s.shape)
		}
	}
}

// failing records what a check says, in place of a test that fails.
type failing struct {
	testing.TB
	errors, skips int
}

func (f *failing) Helper()               {}
func (f *failing) Errorf(string, ...any) { f.errors++ }
func (f *failing) Skipf(string, ...any)  { f.skips++; panic(f) }
func (f *failing) Fatalf(string, ...any) { f.errors++; panic(f) }

func (f *failing) run(do func()) {
	defer func() { _ = recover() }()
	do()
}

// What our own case lacks is a fault; another folder's case is run as far as
// it goes.
func TestLackingEntries(t *testing.T) {
	c := load(t)
	var own, other failing
	own.run(func() { c.Check(&own, "box.none", 1.0) })
	own.run(func() { c.Floats(&own, "none") })
	c.Own = false
	other.run(func() { c.Check(&other, "box.none", 1.0) })
	other.run(func() { c.Check(&other, "box.lo", 9.0) })
	other.run(func() { c.Floats(&other, "none") })
	if own.errors != 2 || own.skips != 0 || other.errors != 1 || other.skips != 1 {
		t.Errorf("own %d errors and %d skips, want 2 and 0; other %d and %d, want 1 and 1", own.errors, own.skips, other.errors, other.skips)
	}
}

// Files that are no cases are named and left out.
func TestOddFolder(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"a.json": "[1, 2]", "b.json": "{", "c.json": `"text"`, "d.json": "{}",
		"e.json": `{"id": "x", "kind": "k01", "data": {"treatment": 3, "y": {"a": [null]}}, "expected": {"certified": 1}}`,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cases := readFolder(t, dir, false)
	if len(cases) != 2 || cases[0].ID != "d.json" || cases[0].Shape() != "" || cases[1].Shape() != OneWayCertified {
		t.Errorf("read %v", cases)
	}
	t.Setenv(variable, dir)
	if all := All(t); len(all) < 100 || all[len(all)-1].Own {
		t.Errorf("%d cases", len(all))
	}
}

func TestAccess(t *testing.T) {
	c := load(t)
	if df := c.DF(t, "df"); df[0] != 1 || !math.IsInf(df[1], 1) {
		t.Error(df)
	}
	if c.Number(t, "one") != 3 || c.Strings(t, "trt")[1] != "B" || c.Want(t, "box.list.1.0") != 3 {
		t.Error("wrong entries")
	}
	if !c.Has("box.lo") || c.Has("box.hi") || !c.HasData("trt") || !math.IsNaN(c.Want(t, "f")) {
		t.Error("wrong presence")
	}
	abs, rel := c.Tolerance("box.lo")
	if abs != 0.1 || rel != 0.01 {
		t.Error(abs, rel)
	}
	if abs, rel = c.Tolerance("p"); abs != 1e-6 || rel != 0 {
		t.Error(abs, rel)
	}
	if abs, _ = c.Tolerance("box.lo", "p"); abs != 1e-6 {
		t.Error(abs)
	}
}

// Everything checked or passed over is served; the rest is counted.
func TestReportCounts(t *testing.T) {
	c := load(t)
	if n := c.Report(t); n != 5 {
		t.Errorf("%d entries open at the start, want 5", n)
	}
	c.Check(t, "p", []float64{0.5000005, math.NaN()})
	c.Check(t, "box.list", [][]float64{{1, 2}, {3.1, 4}})
	c.CheckUndefined(t, "f")
	if n := c.Report(t); n != 2 {
		t.Errorf("%d entries open, want 2", n)
	}
	c.PassOver("box", "words")
	c.Check(t, "name", "x")
	if n := c.Report(t); n != 0 {
		t.Errorf("%d entries open at the end", n)
	}
}

// Differences are seen: a check that cannot fail is none.
func TestDifferencesAreSeen(t *testing.T) {
	var want any
	for _, v := range []struct {
		want string
		got  any
	}{
		{"1", 1.2}, {"1", math.NaN()}, {"null", 1.0}, {`"undefined"`, 0.0}, {"[1,2]", []float64{1}},
		{"[1,2]", []float64{1, 3}}, {`"a"`, "b"}, {"true", false}, {"[[1],[2]]", [][]float64{{1}, {5}}},
		{`["a"]`, []string{"b"}}, {"1", 2}, {`"a"`, 1.0}, {"1", struct{}{}},
	} {
		if err := json.Unmarshal([]byte(v.want), &want); err != nil {
			t.Fatal(err)
		}
		if d := differences("x", v.got, want, 0.1, 0); len(d) == 0 {
			t.Errorf("%v passed for %s", v.got, v.want)
		}
	}
}
