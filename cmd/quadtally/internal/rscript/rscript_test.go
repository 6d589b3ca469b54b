package rscript_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/rscript"
)

// odd are names that would break out of a string, a comment or a line.
var odd = []string{`RYE "late"`, `OAT \ PEA`, "BARE\nsystem('x')", "Straw, 5 t/ha", "Weiß 2", "T'; q()", "# none", "a|b]"}

// oddPlots has four blocks of treatments with odd names.
func oddPlots() []rscript.Plot {
	var out []rscript.Plot
	for b := range 4 {
		for k, name := range odd {
			out = append(out, rscript.Plot{Name: fmt.Sprintf("%d\"%d", b, k), Block: fmt.Sprintf("b\\%d", b), Treatment: name, Value: float64(10 + 3*k + b*b + (b*k)%3)})
		}
	}
	return out
}

func compare() rscript.Comparison {
	return rscript.Comparison{Head: rscript.Head{Title: "cover\n), q()", Response: "cover", Unit: "%"}, Plots: oddPlots(), Method: "tukey", Control: odd[2], Alpha: 0.05,
		Contrasts: []rscript.Contrast{{Name: "late\" )", Weights: map[string]float64{odd[0]: 1, odd[1]: -1}}},
		Rates:     map[string]float64{odd[0]: 1, odd[3]: 2, odd[4]: 5}}
}

// No name or title ends its string, its comment or its line.
func TestNamesStayInside(t *testing.T) {
	script, err := rscript.Compare(compare())
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range strings.Split(script, "\n") {
		code := l
		inside, escaped := false, false
		for at, r := range l {
			switch {
			case escaped:
				escaped = false
			case inside && r == '\\':
				escaped = true
			case r == '"':
				inside = !inside
			case r == '#' && !inside:
				code = l[:at]
			}
			if len(code) < len(l) {
				inside = false
				break
			}
		}
		if inside {
			t.Errorf("line %d leaves a string open: %s", i+1, l)
		}
		if strings.HasPrefix(l, "system") || strings.HasPrefix(l, "q()") || strings.HasPrefix(l, "), q()") {
			t.Errorf("line %d runs a name: %s", i+1, l)
		}
	}
	if strings.Count(script, "q()") != 1+4 { // the title, and one treatment of every block
		t.Errorf("a name is missing or repeated: %d", strings.Count(script, "q()"))
	}
}

// A script with odd names runs and prints its numbers.
func TestOddNamesRun(t *testing.T) {
	script, err := rscript.Compare(compare())
	if err != nil {
		t.Fatal(err)
	}
	res := run(t, script)
	for _, name := range []string{`treatments[RYE "late"].adjusted`, "vs_control[T'; q()].p", "pairs[# none|a|b]].p", "treatments[Straw, 5 t/ha].se", `contrasts[late" )].p`} {
		if _, ok := res.numbers[name]; !ok {
			t.Errorf("R printed no %s", name)
		}
	}
}

func TestRefusals(t *testing.T) {
	for want, change := range map[string]func(c *rscript.Comparison){
		"2 or more plots":      func(c *rscript.Comparison) { c.Plots = c.Plots[:1] },
		"no treatment":         func(c *rscript.Comparison) { c.Plots[0].Treatment = "" },
		"covariate":            func(c *rscript.Comparison) { c.Plots[0].Covariate = ptr(1) },
		"method \"x\"":         func(c *rscript.Comparison) { c.Method = "x" },
		"side \"x\"":           func(c *rscript.Comparison) { c.Side = "x" },
		"scale \"x\"":          func(c *rscript.Comparison) { c.Scale.Name = "x" },
		"the value of a whole": func(c *rscript.Comparison) { c.Scale.Name = "logit" },
	} {
		c := compare()
		change(&c)
		if s, err := rscript.Compare(c); err == nil || !strings.Contains(err.Error(), want) || s != "" {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if _, err := rscript.Factors(rscript.Factorial{}); err == nil {
		t.Error("a factorial without factors")
	}
	if _, err := rscript.Split(rscript.Strata{Values: []float64{1}}); err == nil {
		t.Error("a split plot without blocks")
	}
	if _, err := rscript.Visits(rscript.Season{}); err == nil {
		t.Error("a season without readings")
	}
	if _, err := rscript.Counts(rscript.Counted{}); err == nil {
		t.Error("counts without plots")
	}
	if _, err := rscript.Combine(rscript.Trials{}); err == nil {
		t.Error("no trials")
	}
	if _, err := rscript.YieldLoss(rscript.Loss{Weeds: []float64{1}}); err == nil {
		t.Error("weeds without yields")
	}
}

// Numbers are written so that they read back as they were.
func TestNumbersReadBack(t *testing.T) {
	c := compare()
	tenth := 0.1
	c.Plots[0].Value = tenth + 2*tenth // 0.30000000000000004
	script, err := rscript.Compare(c)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(script, "0.30000000000000004, ") {
		t.Error("a value was written with fewer digits")
	}
	c.Plots[1].Value = math.NaN()
	if _, err := rscript.Compare(c); err == nil {
		t.Error("a value that is no number was written")
	}
}
