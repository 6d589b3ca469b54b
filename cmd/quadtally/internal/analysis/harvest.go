package analysis

import "quadtally/cmd/quadtally/internal/record"

// Harvest is what was taken from one plot, picks added up; nil is not recorded
// or has a part missing.
type Harvest struct {
	Plot                   string
	LengthMM               float64 // bed cut at one pick; 0 not recorded
	Picks                  int
	MarketableKG, CulledKG *float64
	Pieces, Stand          *float64
	Sources                []string
}

// Harvests adds up what was taken from each plot, in walking order.
func Harvests(snap *record.Snapshot) []Harvest {
	type sum struct {
		value float64
		n     int
		lost  bool
	}
	// Weights are told apart by their class, everything else by its variable.
	type part struct{ variable, class string }
	var (
		marketable = part{VarYield, ClassMarketable}
		culled     = part{VarYield, ClassCull}
		unsorted   = part{VarYield, ClassTotal}
		pieces     = part{VarHarvested, ""}
		stand      = part{VarStand, ""}
	)
	var out []Harvest
	for _, p := range snap.Plots {
		h := Harvest{Plot: p.ID}
		sums := map[part]*sum{}
		for _, o := range snap.Observations {
			what := part{o.Variable, ""}
			if o.Variable == VarYield {
				what.class = o.Class
			}
			if o.Plot != p.ID || o.Quadrat != 0 || (o.Variable != VarYield && what != pieces && what != stand) {
				continue
			}
			v := sums[what]
			if v == nil {
				v = &sum{}
				sums[what] = v
			}
			v.lost = v.lost || o.Missing
			v.n++
			if what == stand {
				v.value = o.Value // counted anew, not added up
			} else {
				v.value += o.Value
			}
			h.LengthMM = max(h.LengthMM, o.LengthMM)
			h.Sources = addOnce(h.Sources, o.Source)
		}
		total := func(parts ...part) *float64 {
			for _, k := range parts {
				if v := sums[k]; v != nil && !v.lost {
					return &v.value
				}
			}
			return nil
		}
		h.MarketableKG, h.CulledKG = total(marketable, unsorted), total(culled)
		h.Pieces, h.Stand = total(pieces), total(stand)
		for _, k := range []part{marketable, unsorted, culled} {
			if v := sums[k]; v != nil {
				h.Picks = max(h.Picks, v.n)
			}
		}
		if len(h.Sources) > 0 {
			out = append(out, h)
		}
	}
	return out
}
