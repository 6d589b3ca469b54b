package mixed_test

import (
	"fmt"

	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// Two quadrats in each plot of a small trial (invented numbers): the plots
// are the units, so the test has 2 error degrees of freedom, not 8.
func Example() {
	m := mixed.Model{
		Response: []float64{62, 58, 24, 29, 48, 51, 31, 27, 71, 66, 38, 35},
		Frame: terms.Frame{Factors: []terms.Factor{
			{Name: "treatment", Labels: []string{"bare", "bare", "rye", "rye", "bare", "bare", "rye", "rye", "bare", "bare", "rye", "rye"}},
			{Name: "block", Labels: []string{"1", "1", "1", "1", "2", "2", "2", "2", "3", "3", "3", "3"}},
		}},
		Fixed:  []terms.Term{{"block"}, {"treatment"}},
		Random: []terms.Term{{"block", "treatment"}},
	}
	fit, err := mixed.FitModel(m, mixed.DefaultOptions())
	if err != nil {
		fmt.Println(err)
		return
	}
	test := fit.Adjusted[1]
	fmt.Printf("%s: F %.1f on %d and %.0f df, p %.3f\n", test.Term, test.F, test.NumDF, test.DenDF, test.P)
	diffs, _, err := fit.Differences(terms.Term{"treatment"}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	d := diffs[0]
	fmt.Printf("%s - %s: %.1f (%.1f to %.1f)\n", d.A[0], d.B[0], d.Difference, d.Lower, d.Upper)
	// Output:
	// treatment: F 48.7 on 1 and 2 df, p 0.020
	// bare - rye: 28.7 (11.0 to 46.3)
}
