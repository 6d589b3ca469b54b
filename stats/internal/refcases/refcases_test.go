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

// load puts the sample in a folder of its own and loads it from there.
func load(t *testing.T) *Case {
	t.Helper()
	root := t.TempDir()
	dir := filepath.Join(root, "reference")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "k99-x.json"), []byte(sample), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Setenv("QUADTALLY_SHARED", root)
	cases, ok := Load(t, "k99")
	if !ok || len(cases) != 1 || cases[0].ID != "k99-x" {
		t.Fatal(cases, ok)
	}
	return cases[0]
}

func TestAbsentFolder(t *testing.T) {
	t.Setenv("QUADTALLY_SHARED", t.TempDir())
	if _, ok := Load(t, "k99"); ok {
		t.Error("found a folder that is not there")
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
