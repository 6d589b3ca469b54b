package trial

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.10g, want %.10g within %g", what, got, want, tol)
	}
}

// Constants against NIST SP 811 (2008), appendix B.8: foot, inch, yard, pound
// and ounce exact, the acre from the international foot; lb/acre to kg/ha
// 1.120851 there.
func TestConstants(t *testing.T) {
	near(t, "acre", 43560*M2PerFt2, M2PerAcre, 1e-9)
	near(t, "ft2", MMPerFoot*MMPerFoot/1e6, M2PerFt2, 1e-15)
	near(t, "ft", 12*MMPerInch, MMPerFoot, 1e-12)
	near(t, "yd", 3*MMPerFoot, MMPerYard, 1e-12)
	near(t, "oz", KGPerOz, 0.028349523125, 1e-18)
	near(t, "lb/acre", KGHaPerLBAcre, 1.12085116, 5e-9)
	near(t, "100 lb/acre", 100*KGHaPerLBAcre, 112.085, 5e-4)
	near(t, "per ft2", 1/M2PerFt2, 10.7639104, 5e-8)
	near(t, "oz/ft2", KGPerOz*1000/M2PerFt2, 305.1517, 5e-5)
	near(t, "acre a ha", M2PerHa/M2PerAcre, 2.47105381, 5e-9)
}

// Worked by hand from the exact constants.
func TestWorkedUnits(t *testing.T) {
	w, l, err := ParseSize("18x18 in")
	if err != nil {
		t.Fatal(err)
	}
	q := Quadrat{WidthMM: w, LengthMM: l}
	near(t, "18 in square", q.AreaM2(), 0.20903184, 1e-12)

	bed, spacing := 30*MMPerFoot, 5.5*MMPerFoot
	y, err := YieldPerArea(84.2*KGPerLB, bed, spacing)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "kg/ha", y, 24915.18, 5e-3)
	near(t, "lb/acre", y/KGHaPerLBAcre, 22228.8, 1e-6)
	y, _ = YieldPerArea(84.2*KGPerLB, bed, 3*MMPerFoot)
	near(t, "by the bed top, wrongly", y/KGHaPerLBAcre, 40752.8, 1e-6)
	y, _ = YieldPerBedMetre((84.2+9.6)*KGPerLB, bed)
	near(t, "kg per bed metre, cull included", y, 93.8*KGPerLB/9.144, 1e-12)
	y, _ = YieldPerBedMetre(84.2*KGPerLB, bed)
	near(t, "kg per bed metre", y, 4.17678, 5e-6)
	y, _ = YieldPerArea(0.612, 2000, 500)
	near(t, "cover crop", y, 6120, 1e-9)
	near(t, "cover crop lb/acre", y/KGHaPerLBAcre, 5460.1, 5e-2)

	for _, bad := range [][2]float64{{0, 1500}, {1000, 0}, {math.NaN(), 1}} {
		if _, err := YieldPerArea(1, bad[0], bad[1]); err == nil {
			t.Errorf("%v was not refused", bad)
		}
	}
}

func TestParseLength(t *testing.T) {
	for s, want := range map[string]float64{
		"500mm": 500, "0.5m": 500, "0,5 m": 500, "50 cm": 500, "18in": 457.2, `18"`: 457.2, "30ft": 9144, "30 feet": 9144,
		"1 yd": 914.4, " 12.5 m ": 12500, "0": 0, "0.1m": 100, "2′": 609.6,
	} {
		if got, err := ParseLength(s); err != nil || got != want {
			t.Errorf("%q: %v, %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "5", "m", "5 furlongs", "-2m", "1.000,5m", "NaN m", "1e400mm", "5 m 3", "1,2,3 m"} {
		if got, err := ParseLength(s); err == nil {
			t.Errorf("%q was read as %v", s, got)
		}
	}
	for s, want := range map[string][2]float64{
		"250x1000mm": {250, 1000}, "18in x 18in": {457.2, 457.2}, "0.5 × 0.5 m": {500, 500}, "20cm X 0.5m": {200, 500}, "500mm": {500, 500}, "18in": {457.2, 457.2},
	} {
		if w, l, err := ParseSize(s); err != nil || w != want[0] || l != want[1] {
			t.Errorf("%q: %v %v %v", s, w, l, err)
		}
	}
	for _, s := range []string{"500", "0mm", "500x500", "0x500mm", "x", "ax5mm"} {
		if _, _, err := ParseSize(s); err == nil {
			t.Errorf("%q was read", s)
		}
	}
}

func TestWriteLength(t *testing.T) {
	for _, c := range []struct {
		mm   float64
		u    Units
		want string
	}{{500, Metric, "500 mm"}, {1500, Metric, "1.5 m"}, {10000, Metric, "10 m"}, {457.2, US, "18 in"}, {9144, US, "30 ft"}, {0, Metric, "0 m"}} {
		if got := Length(c.mm, c.u); got != c.want {
			t.Errorf("%v: %q, want %q", c.mm, got, c.want)
		}
	}
}

func FuzzParseLength(f *testing.F) {
	for _, s := range []string{"500mm", "0,5 m", "18in", `5"`, "1e3m", "٣m"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		mm, err := ParseLength(s)
		if err != nil {
			return
		}
		for _, u := range []Units{Metric, US} {
			if back, err := ParseLength(exactLength(mm, u)); err != nil || back != mm {
				t.Errorf("%q is %v, written as %q, read as %v (%v)", s, mm, exactLength(mm, u), back, err)
			}
		}
	})
}
