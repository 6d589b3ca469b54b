package calibrate

import (
	"errors"
	"math"
)

// KendallTauB is Kendall's rank correlation with ties allowed for, tau-b: the
// pairs of plots that both methods put in the same order, less those they put
// in opposite order, over the geometric mean of the numbers of pairs that each
// method tells apart, as cor of R with method "kendall" has it. It
// lies between -1 and 1 and says how well the methods agree in order, nothing
// of how far apart their values are. It refuses fewer than two pairs of
// values, values that are not numbers, and a method with one value only.
func KendallTauB(hand, image []float64) (float64, error) {
	if len(hand) != len(image) {
		return 0, errors.New("the methods have different numbers of values")
	}
	if len(hand) < 2 {
		return 0, errors.New("a rank correlation needs 2 or more pairs of values")
	}
	for i := range hand {
		if math.IsNaN(hand[i]) || math.IsNaN(image[i]) {
			return 0, errors.New("a value is not a number")
		}
	}
	var balance, inHand, inImage float64
	for i := range hand {
		for j := range i {
			h, m := order(hand[i], hand[j]), order(image[i], image[j])
			balance += h * m
			inHand += h * h
			inImage += m * m
		}
	}
	if inHand == 0 || inImage == 0 {
		return 0, errors.New("one method gives every plot the same value: there is no order to compare")
	}
	return balance / math.Sqrt(inHand*inImage), nil
}

// order is 1, 0 or -1 as a is above, equal to or below b.
func order(a, b float64) float64 {
	switch {
	case a > b:
		return 1
	case a < b:
		return -1
	}
	return 0
}
