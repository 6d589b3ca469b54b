package trial

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// Exact constants: the international yard and pound agreement of 1959 (NIST
// Special Publication 811, Appendix B) and their products.
const (
	MMPerFoot = 304.8
	MMPerInch = 25.4
	MMPerYard = 914.4
	KGPerLB   = 0.45359237
	KGPerOz   = KGPerLB / 16
	M2PerFt2  = 0.09290304
	M2PerAcre = 4046.8564224 // 43 560 square feet
	M2PerHa   = 10000.0

	// KGHaPerLBAcre turns lb/acre into kg/ha: 1.12085116...
	KGHaPerLBAcre = KGPerLB / M2PerAcre * M2PerHa
)

var lengthUnits = map[string]float64{
	"mm": 1, "cm": 10, "m": 1000,
	"in": MMPerInch, "inch": MMPerInch, "inches": MMPerInch, `"`: MMPerInch, "″": MMPerInch,
	"ft": MMPerFoot, "foot": MMPerFoot, "feet": MMPerFoot, "'": MMPerFoot, "′": MMPerFoot,
	"yd": MMPerYard, "yard": MMPerYard, "yards": MMPerYard,
}

// ParseLength reads a length with its unit, such as "500mm", "0.5 m", "18in" or
// "30 ft", and returns millimetres. A bare number is refused except zero,
// because nobody can tell metres from feet. Decimal commas are read.
func ParseLength(s string) (float64, error) {
	mm, unit, err := parseMeasure(s)
	if err == nil && unit == "" && mm != 0 {
		return 0, fmt.Errorf("%q has no unit: write it as %smm, %sm, %sin or %sft", s, s, s, s, s)
	}
	return mm, err
}

// parseMeasure returns the value times its unit, and the unit as written.
func parseMeasure(s string) (float64, string, error) {
	s = strings.TrimSpace(s)
	cut := len(s)
	for i, r := range s {
		if !unicode.IsDigit(r) && !strings.ContainsRune(".,+-", r) {
			cut = i
			break
		}
	}
	number, unit := s[:cut], strings.ToLower(strings.TrimSpace(s[cut:]))
	if strings.Count(number, ",") == 1 && !strings.Contains(number, ".") {
		number = strings.Replace(number, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, "", fmt.Errorf("%q is not a length: write it as 500mm, 0.5m, 18in or 30ft", s)
	}
	if unit == "" {
		return v, "", nil
	}
	f, ok := lengthUnits[unit]
	if !ok {
		return 0, "", fmt.Errorf("%q is not a unit of length: use mm, cm, m, in or ft", unit)
	}
	if v = tidy(v * f); v < 0 || v > 1e9 {
		return 0, "", fmt.Errorf("%q is not a length on this field", s)
	}
	return v, unit, nil
}

// tidy removes the last bits of a product such as 0.1*1000: lengths are kept
// to a millionth of a millimetre.
func tidy(mm float64) float64 { return math.Round(mm*1e6) / 1e6 }

// ParseSize reads width x length, such as "250x1000mm", "18in x 18in" or
// "0.5 m x 0.5 m"; one unit at the end serves both, and one length alone is a
// square. The multiplication sign
// may be x, X, * or the sign itself.
func ParseSize(s string) (widthMM, lengthMM float64, err error) {
	a, b, ok := strings.Cut(strings.NewReplacer("X", "x", "×", "x", "*", "x").Replace(s), "x")
	if !ok {
		side, err := ParseLength(s)
		if err != nil || side <= 0 {
			return 0, 0, fmt.Errorf("%q is not a size: write 500mm for a square, or width x length, such as 250x1000mm", s)
		}
		return side, side, nil
	}
	lengthMM, err = ParseLength(b)
	if err != nil {
		return 0, 0, err
	}
	w, unit, err := parseMeasure(a)
	if err != nil {
		return 0, 0, err
	}
	if unit == "" {
		_, last, _ := parseMeasure(b)
		w = tidy(w * lengthUnits[last])
	}
	if w <= 0 || lengthMM <= 0 {
		return 0, 0, fmt.Errorf("%q: both sides must be longer than nothing", s)
	}
	return w, lengthMM, nil
}

// Length writes millimetres in the unit a person would use: mm below a metre
// and m above, or in below two feet and ft above. It rounds to a millimetre,
// a tenth of an inch or a hundredth of a foot.
func Length(mm float64, u Units) string {
	if u == US {
		if mm != 0 && math.Abs(mm) < 2*MMPerFoot {
			return decimals(mm/MMPerInch, 1) + " in"
		}
		return decimals(mm/MMPerFoot, 2) + " ft"
	}
	if mm != 0 && math.Abs(mm) < 1000 {
		return decimals(mm, 0) + " mm"
	}
	return decimals(mm/1000, 3) + " m"
}

// Distance writes a place along the beds, always in m or always in ft, so that
// a column of them reads easily.
func Distance(mm float64, u Units) string {
	if u == US {
		return strconv.FormatFloat(mm/MMPerFoot, 'f', 1, 64) + " ft"
	}
	return strconv.FormatFloat(mm/1000, 'f', 2, 64) + " m"
}

// decimals writes v with at most n decimals, without trailing noughts.
func decimals(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// exactLength writes millimetres so that ParseLength gives the same number
// back, in the units of u where they come out even.
func exactLength(mm float64, u Units) string {
	tries := []string{decimals(mm/1000, 3) + " m", decimals(mm, 1) + " mm"}
	if mm < 1000 {
		tries[0], tries[1] = tries[1], tries[0]
	}
	if u == US {
		ft, in := decimals(mm/MMPerFoot, 2)+" ft", decimals(mm/MMPerInch, 2)+" in"
		if mm < 2*MMPerFoot {
			ft, in = in, ft
		}
		tries = append([]string{ft, in}, tries...)
	}
	for _, s := range tries {
		if v, err := ParseLength(s); err == nil && v == mm {
			return s
		}
	}
	return strconv.FormatFloat(mm, 'f', -1, 64) + " mm"
}

// YieldPerArea turns a weight taken from a length of one bed into kg/ha. The
// ground is the bed's length times the spacing of beds centre to centre, path
// included; bed-top width would overstate it. It is an error where a length is
// not above zero.
func YieldPerArea(kg, bedLengthMM, bedSpacingMM float64) (kgPerHa float64, err error) {
	if !(bedLengthMM > 0 && bedSpacingMM > 0) {
		return 0, fmt.Errorf("yield per area needs the bed length cut and the bed spacing centre to centre")
	}
	return kg / (bedLengthMM / 1000 * bedSpacingMM / 1000) * M2PerHa, nil
}

// YieldPerBedMetre turns a weight taken from a length of one bed into kg per
// metre of bed.
func YieldPerBedMetre(kg, bedLengthMM float64) (float64, error) {
	if !(bedLengthMM > 0) {
		return 0, fmt.Errorf("yield per bed length needs the bed length cut")
	}
	return kg / (bedLengthMM / 1000), nil
}

// GrossAreaM2 is the ground a plot takes, path included, square metres.
func GrossAreaM2(p Plot, g Ground) float64 {
	return p.LengthMM / 1000 * float64(p.Beds) * g.BedSpacingMM / 1000
}
