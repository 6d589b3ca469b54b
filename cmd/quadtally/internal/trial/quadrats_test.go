package trial

import (
	"fmt"
	"strings"
	"testing"
)

func TestQuadratsStayInTheNetPlot(t *testing.T) {
	x := example(CompleteBlocks, 5, 4)
	x.Ground.Avoid = []Strip{{FromMM: 700, ToMM: 850, Why: "wheel track"}}
	plots, err := LayOut(&x)
	if err != nil {
		t.Fatal(err)
	}
	beds := map[int]int{}
	for _, p := range plots {
		for visit := 1; visit <= 6; visit++ {
			spots, err := QuadratSpots(&x, p, visit)
			if err != nil {
				t.Fatal(err)
			}
			if len(spots) != 4 {
				t.Fatalf("%d spots", len(spots))
			}
			for i, s := range spots {
				if err := checkSpot(&x, p, s); err != nil {
					t.Error(err)
				}
				if i > 0 && s.AlongMM < spots[i-1].AlongMM+x.Quadrat.LengthMM-1e-9 {
					t.Errorf("%v: quadrats %d and %d overlap", p, i, i+1)
				}
				beds[s.Bed]++
			}
		}
	}
	// The strip leaves 300 and 50 mm of bed 1, too little for the frame.
	if beds[1] != 0 || beds[2] != 4*6*len(plots) {
		t.Errorf("quadrats by bed: %v", beds)
	}
}

func TestQuadratsByVisit(t *testing.T) {
	x := example(CompleteBlocks, 5, 4)
	p := Plot{ID: "203", Block: "2", Bed: 5, Beds: 2, LengthMM: 10000}
	first, err := QuadratSpots(&x, p, 1)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := QuadratSpots(&x, p, 1)
	second, _ := QuadratSpots(&x, p, 2)
	same := func(a, b []Spot) bool {
		for i := range a {
			if a[i] != b[i] {
				return false
			}
		}
		return true
	}
	if !same(first, again) {
		t.Error("the same visit gave other spots")
	}
	if same(first, second) {
		t.Error("fresh quadrats did not move between visits")
	}
	x.Quadrat.Permanent = true
	a, _ := QuadratSpots(&x, p, 1)
	b, _ := QuadratSpots(&x, p, 2)
	if !same(a, b) {
		t.Error("permanent quadrats moved")
	}
}

// Every place of a stretch must be drawn equally often.
func TestQuadratPlacesAreUniform(t *testing.T) {
	x := example(CompleteBlocks, 5, 4)
	x.Quadrat.PerPlot, x.Ground.LengthMM = 2, 3200 // two stretches of 600: 11 places each
	counts := make([]int, 11)
	p := Plot{ID: "101", Block: "1", Bed: 1, Beds: 2, LengthMM: 3200}
	for seed := range uint64(11000) {
		x.Seed = seed
		spots, err := QuadratSpots(&x, p, 1)
		if err != nil {
			t.Fatal(err)
		}
		counts[int(spots[1].AlongMM-1600)/10]++
	}
	if pv := chiTail(counts); pv < 0.001 {
		t.Errorf("p = %g: %v", pv, counts)
	}
}

func TestShortPlotsUseTheirBeds(t *testing.T) {
	x := example(CompleteBlocks, 5, 4)
	p := Plot{ID: "101", Bed: 1, Beds: 2, LengthMM: 3200}
	spots, err := QuadratSpots(&x, p, 1) // 1.2 m net: two stretches, two beds
	if err != nil {
		t.Fatal(err)
	}
	if spots[0].Bed == spots[1].Bed || spots[2].Bed == spots[3].Bed {
		t.Errorf("two quadrats of a stretch on one bed: %+v", spots)
	}
	p.LengthMM = 2600 // one stretch, two beds: two quadrats at most
	if _, err := QuadratSpots(&x, p, 1); err == nil || !strings.Contains(err.Error(), "2 fit") {
		t.Errorf("too many quadrats: %v", err)
	}
}

func TestBorderSpotsAreRefused(t *testing.T) {
	x := example(CompleteBlocks, 5, 4)
	x.Ground.SideBorderMM = 400
	x.Ground.Avoid = []Strip{{FromMM: 2200, ToMM: 2300, Why: "seam"}}
	p := Plot{ID: "101", Block: "1", Bed: 1, Beds: 2, LengthMM: 10000}
	for _, c := range []struct {
		s    Spot
		want string
	}{
		{Spot{AlongMM: 1000, AcrossMM: 400}, ""},
		{Spot{AlongMM: 8500, AcrossMM: 700}, ""},
		{Spot{AlongMM: 990, AcrossMM: 400}, "end border"},
		{Spot{AlongMM: 8510, AcrossMM: 400}, "end border"},
		{Spot{AlongMM: 4000, AcrossMM: 300}, "side border"},
		{Spot{AlongMM: 4000, AcrossMM: 1000}, "leaves the bed"},
		{Spot{AlongMM: 4000, AcrossMM: 1850}, "strip to avoid (seam)"},
	} {
		err := checkSpot(&x, p, c.s)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.s, err, c.want)
		}
	}
}

// checkSpot refuses a spot whose frame would leave the net plot or touch a
// strip to avoid. What draws spots is held against it.
func checkSpot(t *Trial, p Plot, s Spot) error {
	const eps = 1e-6
	g, q, u := t.Ground, t.Quadrat, t.Units
	if s.AlongMM < g.BorderMM-eps || s.AlongMM+q.LengthMM > p.LengthMM-g.BorderMM+eps {
		return fmt.Errorf("%v quadrat %d: from %s to %s along the plot it reaches into the end border of %s",
			p, s.Quadrat, Length(s.AlongMM, u), Length(s.AlongMM+q.LengthMM, u), Length(g.BorderMM, u))
	}
	for _, l := range lanes(t, p) {
		for _, f := range l.spans {
			if s.AcrossMM >= f.from-eps && s.AcrossMM+q.WidthMM <= f.to+eps {
				return nil
			}
		}
	}
	for _, a := range g.Avoid {
		if s.AcrossMM < a.ToMM-eps && s.AcrossMM+q.WidthMM > a.FromMM+eps {
			return fmt.Errorf("%v quadrat %d: it lies on the strip to avoid (%s)", p, s.Quadrat, a.Why)
		}
	}
	return fmt.Errorf("%v quadrat %d: from %s to %s across the plot it leaves the bed or reaches into the side border",
		p, s.Quadrat, Length(s.AcrossMM, u), Length(s.AcrossMM+q.WidthMM, u))
}
