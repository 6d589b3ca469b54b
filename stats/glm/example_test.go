package glm_test

import (
	"fmt"

	"quadtally/stats/glm"
	"quadtally/stats/terms"
)

// Weeds on three plots of each of three treatments (invented counts); under
// the tarp nothing came up.
func Example() {
	m := glm.Model{
		Response: []float64{41, 28, 55, 12, 15, 9, 0, 0, 0},
		Frame: terms.Frame{Factors: []terms.Factor{
			{Name: "treatment", Labels: []string{"bare", "bare", "bare", "rye", "rye", "rye", "tarp", "tarp", "tarp"}},
			{Name: "block", Labels: []string{"1", "2", "3", "1", "2", "3", "1", "2", "3"}},
		}},
		Fixed: []terms.Term{{"block"}, {"treatment"}},
	}
	fit, err := glm.FitModel(m, glm.Options{Family: glm.QuasiPoisson, Level: 0.95})
	if err != nil {
		fmt.Println(err)
		return
	}
	means, err := fit.Means(terms.Term{"treatment"})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, x := range means.Means {
		fmt.Printf("%s %.1f (%.1f to %.1f)\n", x.Labels[0], x.FittedMean, x.Lower, x.Upper)
	}
	fmt.Println(fit.Warnings[0])
	// Output:
	// bare 41.3 (20.3 to 82.0)
	// rye 12.0 (3.3 to 42.9)
	// tarp 0.0 (0.0 to 9.9)
	// every row of treatment tarp is 0: its mean is reported as that, without a standard error on the log scale; comparisons with it use the deviance
}
