package demo

import (
	"math"
	"math/rand/v2"
)

// count lets two people count the quadrats and estimate some covers by eye.
// They miss more plants where plants stand thick, and now and then write a
// number one or two off.
func (s *SeasonPlan) count(c Config) {
	observer := map[string]string{}
	for i := range s.Photos {
		p := &s.Photos[i]
		if observer[p.Block] == "" {
			observer[p.Block] = [2]string{"Ada", "Ben"}[len(observer)%2]
		}
		who := observer[p.Block]
		rng := stream(c.Seed, "hand", p.Visit, p.Plot, p.Quadrat)
		h := HandCount{
			Visit: p.Visit, Date: p.Taken, Plot: p.Plot, Quadrat: p.Quadrat, Observer: who,
			TrueBroadleaf: p.Truth.Rooted[Broadleaf] + p.Truth.Rooted[Red], TrueGrass: p.Truth.Rooted[Grass],
		}
		miss := 0.01
		if who == "Ben" {
			miss = 0.03
		}
		h.Broadleaf = tally(rng, h.TrueBroadleaf, miss)
		h.Grass = tally(rng, h.TrueGrass, miss)
		s.Counts = append(s.Counts, h)

		// Every quadrat 1 also gets an estimate of its plant cover by eye.
		if p.Quadrat != 1 {
			continue
		}
		bias := map[string]float64{"Ada": 0.02, "Ben": 0.15}[who]
		f := min(max(p.Truth.CoverFrac, 0.001), 0.999)
		z := math.Log(f/(1-f)) + bias + 0.22*rng.NormFloat64()
		pct := 100 / (1 + math.Exp(-z))
		step := 5.0
		if pct < 10 {
			step = 1
		}
		s.EyeCovers = append(s.EyeCovers, EyeCover{
			Visit: p.Visit, Date: p.Taken, Plot: p.Plot, Quadrat: p.Quadrat, Observer: who,
			CoverPct: step * math.Round(pct/step), TruePct: 100 * p.Truth.CoverFrac,
		})
	}
}

// tally counts n plants by hand.
func tally(rng *rand.Rand, n int, miss float64) int {
	miss += 0.10 * float64(n) / (float64(n) + 60)
	seen := 0
	for range n {
		if rng.Float64() >= miss {
			seen++
		}
	}
	if rng.Float64() < 0.06 {
		seen += 1 + rng.IntN(2) - 3*rng.IntN(2)
	}
	return max(seen, 0)
}

// bed is what is harvested of each plot.
const (
	bedLengthM  = 9.144 // 30 ft
	inRowM      = 0.15
	pieceFullKG = 0.235 // trimmed leek without weeds
)

// harvest weighs the leeks of every plot: weeds of the whole season cost
// weight and grade, the treatment costs or saves some stand.
func (s *SeasonPlan) harvest(c Config) {
	for _, plot := range c.Plots {
		t, _ := treatmentByCode(plot.Treatment)
		var weed, n float64
		for i := range s.Photos {
			if p := &s.Photos[i]; p.Plot == plot.ID {
				weed += p.Truth.WeedFrac
				n++
			}
		}
		weed /= n
		rng := stream(c.Seed, "harvest", plot.ID)
		block := math.Exp(0.06 * stream(c.Seed, "soil", plot.Block).NormFloat64())
		y := Yield{Plot: plot.ID, BedLengthM: bedLengthM, Planted: int(math.Floor(bedLengthM / inRowM))}
		for range y.Planted {
			if rng.Float64() < t.stand {
				y.Stand++
			}
		}
		// Rectangular hyperbola of yield on weed pressure; at most 60 % lost.
		loss := 1 - 0.6*weed/(weed+0.22)
		piece := pieceFullKG * t.yield * block * loss * math.Exp(0.05*rng.NormFloat64())
		cull := 0.06 + 0.25*weed
		for range y.Stand {
			kg := piece * math.Exp(0.18*rng.NormFloat64())
			if rng.Float64() < cull || kg < 0.05 {
				y.CullKG += kg
				continue
			}
			y.Pieces++
			y.MarketableKG += kg
		}
		// The field scale reads to 20 g.
		y.MarketableKG = math.Round(y.MarketableKG*50) / 50
		y.CullKG = math.Round(y.CullKG*50) / 50
		s.Yields = append(s.Yields, y)
	}
}
