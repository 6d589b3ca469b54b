package stats

import (
	"fmt"
	"testing"
)

// TestStepsAloneAgreeWithAnalyse: the design named by Recognise and the scale
// named by DefaultScale are those Analyse uses, for every kind of response.
func TestStepsAloneAgreeWithAnalyse(t *testing.T) {
	var rows []Row
	for b := range 4 {
		for k, treatment := range []string{"STRAW", "rye ", "RYE"}[:2] {
			rows = append(rows, Row{Plot: fmt.Sprint(b+1, "0", k+1), Treatment: treatment, Block: fmt.Sprint(b + 1),
				Value: .1 + .05*float64(k) + .01*float64((3*b+k)%5)})
		}
	}
	design, err := Recognise(rows)
	if err != nil {
		t.Fatal(err)
	}
	if design.Kind != CompleteBlocks || len(design.Treatments) != 2 {
		t.Errorf("recognised as %+v", design)
	}
	for kind, scales := range scalesFor {
		opt := DefaultOptions()
		opt.Kind, opt.Randomise.Draws = kind, 0
		a, err := Analyse(rows, opt)
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		if a.Design.Words != design.Words {
			t.Errorf("%s: analysed as %q, recognised as %q", kind, a.Design.Words, design.Words)
		}
		if s := DefaultScale(kind); s != a.Transform.Scale || s != scales[0] {
			t.Errorf("%s: analysed on %q, the default is %q", kind, a.Transform.Scale, s)
		}
	}
	if s := DefaultScale("no such kind"); s != Raw {
		t.Errorf("an unknown kind is left as it is, not %q", s)
	}
}
