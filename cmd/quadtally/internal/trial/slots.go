package trial

import (
	"fmt"
	"slices"
	"strconv"

	"quadtally/cmd/quadtally/internal/wording"
)

// Slot is one place for a plot in a field of a given number of beds.
type Slot struct {
	Bed      int // first bed, from 1
	Section  int // along the beds from the zero flag, from 1
	FromMM   float64
	LengthMM float64
	Spare    bool // stays without a plot
}

// Slots cuts the field of a plan with a number of beds into slots, in the order
// in which blocks fill them: each slot lies beside or behind the one before it.
// Where the gradient runs along the beds (the default) the order goes across
// the beds, section by section, turning round at each end; where it runs across
// them it goes along one group of beds and back along the next. Beds that do not
// fill a group stay unused. Slots named as spare are marked; further slots that
// no plot needs are the last ones, and marked as well.
func Slots(t *Trial) []Slot {
	g := t.Ground
	if g.FieldBeds < 1 || g.Beds < 1 {
		return nil
	}
	groups := g.FieldBeds / g.Beds
	need := plotsNeeded(t)
	var columns [][]Slot // by group of beds
	for i := range groups {
		bed := 1 + i*g.Beds
		var column []Slot
		from := 0.0
		for n, mm := range sectionsAt(t, bed, groups, need) {
			column = append(column, Slot{Bed: bed, Section: n + 1, FromMM: from, LengthMM: mm,
				Spare: slices.Contains(g.Spare, SlotName{bed, n + 1})})
			from += mm + g.AlleyMM
		}
		columns = append(columns, column)
	}
	var out []Slot
	if g.GradientRuns == AcrossBeds {
		for i, column := range columns {
			if i%2 == 1 {
				slices.Reverse(column)
			}
			out = append(out, column...)
		}
	} else {
		most := 0
		for _, c := range columns {
			most = max(most, len(c))
		}
		for n := range most {
			var row []Slot
			for _, c := range columns {
				if n < len(c) {
					row = append(row, c[n])
				}
			}
			if n%2 == 1 {
				slices.Reverse(row)
			}
			out = append(out, row...)
		}
	}
	left := need
	for i := range out {
		switch {
		case out[i].Spare:
		case left == 0:
			out[i].Spare = true
		default:
			left--
		}
	}
	return out
}

// plotsNeeded is the number of plots of a plan.
func plotsNeeded(t *Trial) int {
	if t.Design == IncompleteBlocks {
		return t.Blocks * t.BlockSize
	}
	return t.Blocks * len(t.Treatments)
}

// sectionsAt are the lengths of the sections of the group that begins at a bed.
// Without stated sections every group is cut into as many plot lengths as are
// needed.
func sectionsAt(t *Trial, bed, groups, need int) []float64 {
	var usual []float64
	for _, s := range t.Ground.Sections {
		if s.FirstBed == 0 {
			usual = s.LengthMM
		} else if s.FirstBed <= bed && bed <= s.LastBed {
			return s.LengthMM
		}
	}
	if usual == nil && groups > 0 {
		for range min((need+len(t.Ground.Spare)+groups-1)/groups, maxPlots) {
			usual = append(usual, t.Ground.LengthMM)
		}
	}
	return usual
}

func shortestSection(list []Sections) float64 {
	short := list[0].LengthMM[0]
	for _, s := range list {
		short = min(short, slices.Min(s.LengthMM))
	}
	return short
}

// checkSlots checks the keys that describe a field of a given number of beds.
func checkSlots(t *Trial, fs *Faults) {
	g := t.Ground
	if g.FieldBeds == 0 {
		if len(g.Sections) > 0 {
			fs.add("sections", "sections belong to a field of a number of beds: give beds as well")
		}
		if len(g.Spare) > 0 {
			fs.add("spare", "a spare slot belongs to a field of a number of beds: give beds as well")
		}
		return
	}
	switch {
	case g.FieldBeds < g.Beds || g.FieldBeds > 1000:
		fs.add("beds", "%s cannot be cut into plots %s wide", wording.Plural(g.FieldBeds, "bed"), wording.Plural(g.Beds, "bed"))
		return
	case t.Design == LatinSquare:
		fs.add("beds", "a Latin square needs its rows and columns whole: leave out beds, or use randomised complete blocks")
		return
	case t.Blocks < 1 || t.Blocks > maxPlots || plotsNeeded(t) > maxPlots:
		return // said elsewhere
	}
	for _, s := range g.Sections {
		for _, mm := range s.LengthMM {
			if !(mm > 0 && mm <= 1e7) {
				fs.add("sections", "a section has no length")
				return
			}
		}
		if s.FirstBed > 0 && ((s.FirstBed-1)%g.Beds != 0 || s.LastBed%g.Beds != 0 || s.LastBed > g.FieldBeds) {
			fs.add("sections", "beds %d to %d are not whole groups of %s", s.FirstBed, s.LastBed, wording.Plural(g.Beds, "bed"))
			return
		}
	}
	slots := Slots(t)
	free := len(slots)
	for _, name := range g.Spare {
		if !slices.ContainsFunc(slots, func(s Slot) bool { return s.Bed == name.Bed && s.Section == name.Section }) {
			fs.add("spare", "there is no slot at bed %d section %d", name.Bed, name.Section)
			return
		}
		free--
	}
	if need := plotsNeeded(t); free < need {
		fs.add("beds", "%s of %s give %d slots for plots, but %d are needed: add sections or take out a block",
			wording.Plural(g.FieldBeds, "bed"), wording.Plural(g.Beds, "bed"), free, need)
	}
}

// fillSlots sets the allotment out on the slots of the field, block after block.
func fillSlots(t *Trial, a Allotment) ([]Plot, error) {
	slots := slices.DeleteFunc(Slots(t), func(s Slot) bool { return s.Spare })
	var plots []Plot
	for i, block := range a {
		for j, tr := range block {
			if len(plots) == len(slots) {
				return nil, fmt.Errorf("the field has %d slots for plots and more are needed", len(slots))
			}
			s := slots[len(plots)]
			p := Plot{ID: strconv.Itoa((i+1)*100 + j + 1), Treatment: t.Treatments[tr].Code, Bed: s.Bed, Beds: t.Ground.Beds,
				FromMM: s.FromMM, LengthMM: s.LengthMM, Order: len(plots) + 1}
			if t.Treatments[tr].Control && t.Ground.ControlLengthMM > 0 {
				p.LengthMM = min(p.LengthMM, t.Ground.ControlLengthMM)
			}
			if t.Design != CompletelyRandomised {
				p.Block = strconv.Itoa(i + 1)
			}
			plots = append(plots, p)
		}
	}
	return plots, nil
}
