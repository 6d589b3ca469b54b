package stats

import (
	"strings"
	"testing"
)

// Values in sentences have four figures and no exponent, however large.
func TestFiguresInSentences(t *testing.T) {
	for v, want := range map[float64]string{14303.2: "14300", 17862: "17860", 3.78123: "3.781", 0.000012346: "0.00001235", 0: "0", -12: "-12", 1.2e7: "12000000"} {
		if got := significant(v, 4); got != want {
			t.Errorf("%g: %s, want %s", v, got, want)
		}
	}
	// A plot far off among yields of five figures.
	var rows []Row
	for b := range 6 {
		for k, tr := range []string{"A", "B", "C", "D"} {
			v := 14000 + 300*float64(b) + 200*float64(k) + float64((b*7+k*5)%6)
			if b == 2 && k == 1 {
				v += 9000
			}
			rows = append(rows, Row{Plot: tr + string(rune('1'+b)), Treatment: tr, Block: string(rune('1' + b)), Value: v})
		}
	}
	o := DefaultOptions()
	o.Kind = Measure
	a, err := Analyse(rows, o)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(a.Warnings, "\n")
	if len(a.Outliers) == 0 || !strings.Contains(text, "lies far from") || strings.Contains(text, "e+") || strings.Contains(text, "e-") {
		t.Errorf("%+v\n%s", a.Outliers, text)
	}
}

// A plot without any value is told to be missing, and not that its first visit
// is.
func TestSeasonOfAPlotWithoutValues(t *testing.T) {
	var rows []Row
	for day := range 3 {
		for b := range 4 {
			for k, tr := range []string{"A", "B", "C"} {
				name := tr + string(rune('1'+b))
				rows = append(rows, Row{Plot: name, Treatment: tr, Block: string(rune('1' + b)), Day: float64(14 * day), Value: float64(10 + 5*k + (b*3+k*2+day*5)%4), Missing: name == "C2" || name == "B3" && day == 2})
			}
		}
	}
	s, err := AnalyseSeason(rows, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(s.Warnings, "\n")
	if strings.Contains(text, "C2") || !strings.Contains(text, "beyond what was seen: plot B3") {
		t.Error(text)
	}
}
