package sheets

import (
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// ratesPerM2 are the rates people write, as what they give on one square
// metre: weights in kilograms, volumes in litres, or things by number.
var ratesPerM2 = map[string]struct {
	factor float64
	kind   string // "kg", "l" or "" for a number of things
}{
	"kg/ha":       {1 / trial.M2PerHa, "kg"},
	"t/ha":        {1000 / trial.M2PerHa, "kg"},
	"g/m2":        {0.001, "kg"},
	"kg/m2":       {1, "kg"},
	"lb/acre":     {trial.KGPerLB / trial.M2PerAcre, "kg"},
	"lb/1000ft2":  {trial.KGPerLB / (1000 * trial.M2PerFt2), "kg"},
	"oz/ft2":      {trial.KGPerOz / trial.M2PerFt2, "kg"},
	"l/ha":        {1 / trial.M2PerHa, "l"},
	"plants/m2":   {1, ""},
	"plants/ft2":  {1 / trial.M2PerFt2, ""},
	"plants/ha":   {1 / trial.M2PerHa, ""},
	"plants/acre": {1 / trial.M2PerAcre, ""},
	"seeds/m2":    {1, ""},
}

// Amount is how much of an input a piece of ground needs at a rate: grams,
// kilograms, ounces or pounds, litres, or a number of things. ok is false where
// the rate's unit is not known.
func Amount(rate float64, unit string, areaM2 float64, us bool) (amount float64, in string, ok bool) {
	key, ok := rateKey(unit)
	r := ratesPerM2[key]
	if !ok || areaM2 <= 0 {
		return 0, "", false
	}
	v := rate * r.factor * areaM2
	switch {
	case r.kind == "l":
		return v, "l", true
	case r.kind == "":
		thing, _, _ := strings.Cut(key, "/")
		return v, thing, true
	case us && v >= trial.KGPerLB:
		return v / trial.KGPerLB, "lb", true
	case us:
		return v / trial.KGPerOz, "oz", true
	case v >= 1:
		return v, "kg", true
	}
	return v * 1000, "g", true
}

// rateKey finds the unit of a rate as people write it in the table of rates.
func rateKey(unit string) (key string, known bool) {
	key = strings.NewReplacer("²", "2", "sqft", "ft2", "sq.ft", "ft2", "sqm", "m2", "ac.", "acre", "lbs", "lb", "per", "/").Replace(strings.ReplaceAll(strings.ToLower(unit), " ", ""))
	if per, ok := strings.CutSuffix(key, "/ac"); ok {
		key = per + "/acre"
	} else if per, ok := strings.CutSuffix(key, "/a"); ok {
		key = per + "/acre"
	}
	_, known = ratesPerM2[key]
	return key, known
}

// SameRateUnit reports that two texts mean one unit of a rate.
func SameRateUnit(a, b string) bool {
	x, _ := rateKey(a)
	y, _ := rateKey(b)
	return x == y
}
