package calibrate_test

import (
	"fmt"

	"quadtally/calibrate"
)

// Ten invented quadrats with cover in percent: the camera reads about four
// points high, though its correlation with the hand is 0.998.
func ExampleStudy() {
	hand := []float64{5, 8, 12, 20, 25, 33, 40, 52, 60, 75}
	image := []float64{7, 9, 15, 22, 30, 35, 47, 55, 68, 81}
	var pairs []calibrate.Pair
	for i := range hand {
		pairs = append(pairs, calibrate.Pair{Plot: fmt.Sprint(101 + i), Hand: hand[i], Image: image[i]})
	}
	opt := calibrate.DefaultOptions()
	margin := 0.05 // 5 points of cover, stated before looking
	opt.Unit, opt.Margin = calibrate.UnitPercent, &margin
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("bias %.1f points, r %.3f\n", 100*r.Agreement.Bias.Value, r.Agreement.Pearson.Value)
	fmt.Printf("may hand counting stop: %s\n", r.Verdict.Answer)
	fmt.Printf("plots that would settle it: %d\n", *r.Verdict.Overall.PlotsNeeded)
	// Output:
	// bias 3.9 points, r 0.998
	// may hand counting stop: not_enough_pairs
	// plots that would settle it: 32
}
