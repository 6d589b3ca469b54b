package report

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

func TestFigures(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", 18.672: "18.7", 0.043219: "0.0432", 314.1467188284171: "314", 125340: "125\u00a0340", 24915.18: "24\u00a0915", 1234.5: "1234", 9.996: "10.0",
		0.9996: "1.00", 99.96: "100", -3.14159: "−3.14", 1e-7: "0.000000100", 2.3e-30: "0.000000000000000", -0.0000001: "−0.000000100",
		math.NaN(): "–", math.Inf(1): "–", math.Inf(-1): "–", 12042: "12\u00a0042", 5: "5.00", 999.6: "1000",
	} {
		if got := figure3(v); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
	for _, c := range []struct {
		v    float64
		d    int
		want string
	}{{-0.04, 1, "0.0"}, {-0.06, 1, "−0.1"}, {1234567.891, 2, "1\u00a0234\u00a0567.89"}, {9999, 0, "9999"}, {10000, 0, "10\u00a0000"}, {0, 2, "0.00"}} {
		if got := withDecimals(c.v, c.d); got != c.want {
			t.Errorf("%v: %q, want %q", c.v, got, c.want)
		}
	}
}

// Whatever the number, its text has no power of ten, no hyphen for a minus,
// and read back it is the number to the digits shown.
func FuzzFigures(f *testing.F) {
	for _, v := range []float64{0, 1, -1, 9.995, 1e15, 1e-15, 123456.789, math.MaxFloat64, math.SmallestNonzeroFloat64} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, v float64) {
		s := figure3(v)
		if strings.ContainsAny(s, "eE-+") || s == "" {
			t.Fatalf("%v: %q", v, s)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return
		}
		back, err := strconv.ParseFloat(strings.NewReplacer(noBreak, "", minusSign, "-").Replace(s), 64)
		if err != nil {
			t.Fatalf("%v: %q", v, s)
		}
		if a := math.Abs(v); a > 1e-12 && math.Abs(back-v) > 0.00501*a {
			t.Fatalf("%v is told as %q", v, s)
		}
	})
}

func TestPValues(t *testing.T) {
	for p, want := range map[float64]string{0: "< .001", 0.00099: "< .001", 0.001: ".001", 0.0344: ".034", 0.5501: ".550", 0.9991: "> .999", 1: "> .999", 0.05: ".050"} {
		if got := pCell(&p); got != want {
			t.Errorf("%v: %q, want %q", p, got, want)
		}
	}
	if pCell(nil) != undefined || pWords(0.0005) != "p\u00a0<\u00a0.001" || pWords(0.09) != "p\u00a0=\u00a0.090" {
		t.Errorf("%q %q", pWords(0.0005), pWords(0.09))
	}
}

func TestPercentWords(t *testing.T) {
	for f, want := range map[float64]string{0.5: "50", -0.32: "−32", 0.004: "0.40", 0: "0", 0.00003: "0.003"} {
		if got := percentWords(f); got != want+"\u00a0%" {
			t.Errorf("%v: %q", f, got)
		}
	}
}

func TestIntervals(t *testing.T) {
	a, b := 1.234, 5.678
	for _, c := range []struct {
		low, high *float64
		want      string
	}{{&a, &b, "1.2 to 5.7"}, {nil, &b, "up to 5.7"}, {&a, nil, "from 1.2"}, {nil, nil, "–"}} {
		if got := between(c.low, c.high, 1); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	for se, want := range map[float64]int{0: 2, 0.5: 2, 0.05: 3, 5: 1, 50: 0, 5000: 0, 1: 1, math.NaN(): 2, math.Inf(1): 2} {
		if got := decimalsFor(se); got != want {
			t.Errorf("%v: %d decimals, want %d", se, got, want)
		}
	}
}
