package demo

import (
	"time"
)

// Treatment is one way to prepare the ground for the leeks.
type Treatment struct {
	Code    string `json:"code"`
	Name    string `json:"name"`
	Control bool   `json:"control"`

	surface Surface
	// Plants that come up in the season, per m2 of ground.
	broadleaf, grass, regrowth float64
	vigour                     float64 // size of weeds against bare ground
	stand                      float64 // share of leeks that live
	yield                      float64 // marketable yield without weeds, against bare ground
}

// treatments is the scenario. Its figures are invented, in the range such
// trials show: residue holds weeds back and costs some stand.
var treatments = []Treatment{
	{Code: "BARE", Name: "tilled, bare ground", Control: true, surface: TilledSoil, broadleaf: 118, grass: 52, vigour: 1, stand: 0.97, yield: 1},
	{Code: "RYE", Name: "rolled rye", surface: RolledRye, broadleaf: 46, grass: 26, regrowth: 9, vigour: 0.92, stand: 0.92, yield: 0.97},
	{Code: "RYEVETCH", Name: "rolled rye with vetch", surface: RolledRyeVetch, broadleaf: 26, grass: 15, regrowth: 5, vigour: 0.88, stand: 0.91, yield: 1.08},
	{Code: "BARLEY", Name: "rolled barley", surface: RolledBarley, broadleaf: 62, grass: 30, regrowth: 7, vigour: 0.95, stand: 0.94, yield: 0.99},
	{Code: "STRAW", Name: "spread straw", surface: SpreadStraw, broadleaf: 58, grass: 22, vigour: 0.93, stand: 0.96, yield: 1.02},
}

// Treatments returns the scenario's treatments, the control first.
func Treatments() []Treatment { return append([]Treatment(nil), treatments...) }

func treatmentByCode(code string) (Treatment, bool) {
	for _, t := range treatments {
		if t.Code == code {
			return t, true
		}
	}
	return Treatment{}, false
}

// Operation is one thing done on the field.
type Operation struct {
	Date      time.Time `json:"date"`
	Treatment string    `json:"treatment"` // "" for all plots
	Kind      string    `json:"kind"`      // seeding, termination, mulching, tillage, planting, harvest
	Detail    string    `json:"detail"`
	Rate      float64   `json:"rate"` // 0 where no rate belongs to it
	RateUnit  string    `json:"rate_unit"`
}

// operations returns what was done, by days before or after the first visit.
func operations(first time.Time) []Operation {
	day := func(n int) time.Time { return first.AddDate(0, 0, n) }
	return []Operation{
		{day(-262), "RYE", "seeding", "winter rye, drilled", 150, "kg/ha"},
		{day(-262), "RYEVETCH", "seeding", "winter rye, drilled", 90, "kg/ha"},
		{day(-262), "RYEVETCH", "seeding", "hairy vetch, drilled", 30, "kg/ha"},
		{day(-262), "BARLEY", "seeding", "winter barley, drilled", 140, "kg/ha"},
		{day(-19), "RYE", "termination", "roller-crimper at full flower", 0, ""},
		{day(-19), "RYEVETCH", "termination", "roller-crimper at full flower", 0, ""},
		{day(-19), "BARLEY", "termination", "roller-crimper at milk stage", 0, ""},
		{day(-16), "BARE", "tillage", "rotary harrow, 12 cm deep", 0, ""},
		{day(-16), "STRAW", "tillage", "rotary harrow, 12 cm deep", 0, ""},
		{day(-14), "", "planting", "leek transplants, 15 cm in the row, rows 60 cm apart", 11.1, "plants/m2"},
		{day(-12), "STRAW", "mulching", "wheat straw spread by hand", 8000, "kg/ha"},
		{day(110), "", "harvest", "leeks lifted, trimmed to 30 cm", 0, ""},
	}
}
