package trial

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Spot is where a quadrat lies in its plot: the near left corner of the frame's
// inner edge, seen by somebody who looks along the beds from the zero flag.
type Spot struct {
	Quadrat  int     `json:"quadrat"`   // from 1, in the order they are met along the bed
	Bed      int     `json:"bed"`       // which of the plot's beds, from 1
	AlongMM  float64 `json:"along_mm"`  // from the plot's near end
	AcrossMM float64 `json:"across_mm"` // from the plot's left edge
}

// stepMM is the grain of quadrat places: nobody lays a frame to the millimetre.
const stepMM = 10

type span struct{ from, to float64 }

// lane is the ground of one bed where a frame may lie, as one or more spans
// across, each at least a frame wide.
type lane struct {
	bed   int
	spans []span
}

// lanes returns the beds of p that take a frame: the bed top (or the whole
// spacing where it is not stated) without side borders and strips to avoid, of
// those beds that are sampled.
func lanes(t *Trial, p Plot) []lane {
	g := t.Ground
	width := float64(p.Beds) * g.BedSpacingMM
	var out []lane
	for b := range p.Beds {
		if len(g.SampleBeds) > 0 && !slices.Contains(g.SampleBeds, b+1) {
			continue
		}
		from, to := float64(b)*g.BedSpacingMM, float64(b+1)*g.BedSpacingMM
		if g.BedTopMM > 0 {
			mid := (from + to) / 2
			from, to = mid-g.BedTopMM/2, mid+g.BedTopMM/2
		}
		free := []span{{max(from, g.SideBorderMM), min(to, width-g.SideBorderMM)}}
		for _, s := range g.Avoid {
			var rest []span
			for _, f := range free {
				rest = append(rest, span{f.from, min(f.to, s.FromMM)}, span{max(f.from, s.ToMM), f.to})
			}
			free = rest
		}
		free = slices.DeleteFunc(free, func(f span) bool { return f.to-f.from < t.Quadrat.WidthMM })
		if len(free) > 0 {
			out = append(out, lane{b + 1, free})
		}
	}
	return out
}

// strata says how the plot's quadrats are shared out: so many stretches along
// the net length and so many beds in each.
func strata(t *Trial, p Plot) (stretches, bedsEach int) {
	q := t.Quadrat
	net := p.LengthMM - 2*t.Ground.BorderMM
	stretches = min(q.PerPlot, int(net/q.LengthMM))
	if stretches < 1 {
		return 0, 0
	}
	return stretches, (q.PerPlot + stretches - 1) / stretches
}

// roomFor refuses a plot whose net ground cannot take its quadrats.
func roomFor(t *Trial, p Plot) error {
	q, u := t.Quadrat, t.Units
	beds := lanes(t, p)
	if len(beds) == 0 {
		return fmt.Errorf("no bed has %s free for the frame between borders and strips to avoid: make the frame narrower or the strips smaller",
			Length(q.WidthMM, u))
	}
	n, each := strata(t, p)
	if n == 0 {
		return fmt.Errorf("a plot of %s with %s of border at each end leaves no room for a frame %s long",
			Length(p.LengthMM, u), Length(t.Ground.BorderMM, u), Length(q.LengthMM, u))
	}
	if each > len(beds) {
		return fmt.Errorf("%d quadrats do not fit into the net plot without overlap: %d fit", q.PerPlot, n*len(beds))
	}
	return nil
}

// QuadratSpots draws where the quadrats of plot p lie at a visit (from 1).
//
// The net length is cut into as many equal stretches as there are quadrats and
// one place is drawn in each (stratified random sampling: Cochran, Sampling
// Techniques, 3rd ed. 1977, ch. 5); beds take turns in random order. Where the
// net plot is too short for that, a stretch takes quadrats on different beds.
// Places come in steps of 10 mm and the whole frame stays inside the net plot,
// on the bed, off every strip to avoid. Permanent quadrats have the same spots
// at every visit; fresh ones are drawn anew for each. The same seed, plot and
// visit always give the same spots.
func QuadratSpots(t *Trial, p Plot, visit int) ([]Spot, error) {
	if t.Quadrat.PerPlot < 1 || !(t.Quadrat.LengthMM > 0 && t.Quadrat.WidthMM > 0) {
		return nil, fmt.Errorf("%v: the frame's size and the number of quadrats are needed", p)
	}
	if p.Beds < 1 || p.Bed < 1 || !(p.LengthMM > 0) || !(t.Ground.BedSpacingMM > 0) {
		return nil, fmt.Errorf("%v: its place on the beds is not recorded, so no quadrat can be placed", p)
	}
	if err := roomFor(t, p); err != nil {
		return nil, fmt.Errorf("%v: %w", p, err)
	}
	purpose := "quadrats plot " + p.ID
	if !t.Quadrat.Permanent {
		purpose += " visit " + strconv.Itoa(visit)
	}
	src := NewSource(t.Seed, purpose)
	beds := lanes(t, p)
	n, each := strata(t, p)
	stretch := (p.LengthMM - 2*t.Ground.BorderMM) / float64(n)

	spots := make([]Spot, 0, t.Quadrat.PerPlot)
	var turn []int // beds still to be used before any is used again
	for i := range n {
		if each > 1 {
			turn = nil // a stretch never uses a bed twice
		}
		for range min(each, t.Quadrat.PerPlot-len(spots)) {
			if len(turn) == 0 {
				turn = src.Perm(len(beds))
			}
			l := beds[turn[0]]
			turn = turn[1:]
			spots = append(spots, Spot{
				Quadrat:  len(spots) + 1,
				Bed:      l.bed,
				AlongMM:  t.Ground.BorderMM + float64(i)*stretch + drawn(src, stretch-t.Quadrat.LengthMM),
				AcrossMM: across(src, l.spans, t.Quadrat.WidthMM),
			})
		}
	}
	return spots, nil
}

// drawn picks a place in steps from 0 to room; where room is shorter than two
// steps the place is the middle.
func drawn(src *Source, room float64) float64 {
	steps := int(math.Floor(room/stepMM + 1e-9))
	if steps < 1 {
		return room / 2
	}
	return float64(src.Below(steps+1)) * stepMM
}

// across picks among spans in proportion to the places each offers.
func across(src *Source, spans []span, widthMM float64) float64 {
	total := 0
	for _, s := range spans {
		total += places(s, widthMM)
	}
	pick := src.Below(total)
	for _, s := range spans {
		n := places(s, widthMM)
		if pick < n {
			if n == 1 {
				return s.from + (s.to-s.from-widthMM)/2
			}
			return s.from + float64(pick)*stepMM
		}
		pick -= n
	}
	return spans[0].from // not reached: pick is below total
}

func places(s span, widthMM float64) int {
	return int(math.Floor((s.to-s.from-widthMM)/stepMM+1e-9)) + 1
}
