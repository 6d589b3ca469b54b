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
	Ungraded               bool // MarketableKG is the total: nothing was graded
}

// Harvests adds up what was taken from each plot, in walking order, by the rule
// of [record.HarvestsOf].
func Harvests(snap *record.Snapshot) []Harvest {
	all := record.HarvestsOf(snap.Observations, snap.Plots)
	// sum adds up a part of every pick; nil where a pick lacks it.
	sum := func(plot string, part func(record.Harvest) *float64) *float64 {
		total, picks := 0.0, 0
		for _, x := range all.List {
			if x.Plot != plot {
				continue
			}
			v := part(x)
			if v == nil {
				return nil
			}
			total, picks = total+*v, picks+1
		}
		if picks == 0 {
			return nil
		}
		return &total
	}
	var out []Harvest
	for _, p := range snap.Plots {
		h := Harvest{Plot: p.ID, Ungraded: all.Ungraded,
			MarketableKG: sum(p.ID, func(x record.Harvest) *float64 { return x.Marketable }),
			CulledKG:     sum(p.ID, func(x record.Harvest) *float64 { return x.Cull }),
			Pieces:       sum(p.ID, func(x record.Harvest) *float64 { return x.Pieces })}
		for _, x := range all.List {
			if x.Plot == p.ID {
				h.Picks++
			}
		}
		for _, o := range snap.Observations {
			ofHarvest := o.Visit == 0 && (o.Variable == record.VarYield || o.Variable == record.VarPieces)
			if o.Plot != p.ID || (!ofHarvest && o.Variable != record.VarStand) {
				continue
			}
			h.LengthMM = max(h.LengthMM, o.LengthMM)
			h.Sources = addOnce(h.Sources, o.Source)
			if o.Variable == record.VarStand {
				h.Stand = nil
				if !o.Missing {
					v := o.Value
					h.Stand = &v // counted anew, not added up
				}
			}
		}
		if len(h.Sources) > 0 {
			out = append(out, h)
		}
	}
	return out
}
