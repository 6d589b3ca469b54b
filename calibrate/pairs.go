package calibrate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Missing marks a value that was not recorded, in Pair.Hand or Pair.Image.
// It is not zero: a quadrat examined and found clean is 0.
func Missing() float64 { return math.NaN() }

// Pair is one quadrat on one visit, assessed by hand and measured from the
// photo. Values are cover (see Options.Unit) or pieces per quadrat; NaN means
// not recorded. Observer is the person who counted; Source says where the row
// came from ("counts.csv:14") and is only repeated in messages. Plot may be
// blank, in which case the pair is taken as a plot of its own.
type Pair struct {
	Plot, Quadrat, Visit, Treatment, Observer string
	Hand, Image                               float64
	Source                                    string
}

// Name is the pair as a person would point at it.
func (p Pair) Name() string {
	var parts []string
	for _, f := range [...]struct{ word, value string }{
		{"plot", p.Plot}, {"quadrat", p.Quadrat}, {"visit", p.Visit}, {"observer", p.Observer},
	} {
		if v := strings.TrimSpace(f.value); v != "" {
			parts = append(parts, f.word+" "+v)
		}
	}
	name := strings.Join(parts, " ")
	switch {
	case p.Source != "" && name != "":
		return p.Source + " (" + name + ")"
	case p.Source != "":
		return p.Source
	case name != "":
		return name
	}
	return "a pair without plot, quadrat or visit"
}

// Fault is the reason why a row is not among the pairs used.
type Fault string

// Why a row is set aside.
const (
	NoHand     Fault = "no_hand"      // photographed, not counted by hand: still a first-phase unit
	NoImage    Fault = "no_image"     // counted by hand, no image value
	Duplicate  Fault = "duplicate"    // same quadrat, visit and observer given twice
	OutOfRange Fault = "out_of_range" // negative, infinite, or cover above the whole frame
)

// Problem is one row set aside, with a sentence for the user.
type Problem struct {
	Pair     string `json:"pair"`
	Fault    Fault  `json:"fault"`
	Sentence string `json:"sentence"`
}

// Intake is what became of the rows given: how many, how many are full pairs,
// how many more carry only a photo, and every row set aside.
type Intake struct {
	Given    int       `json:"given"`
	Used     int       `json:"used"`
	Photo    int       `json:"photo_only"`
	Problems []Problem `json:"problems,omitempty"`
	Warnings []string  `json:"warnings,omitempty"`
}

// Clean separates usable pairs from the rest. It returns the full pairs, the
// photo-only units (Hand is NaN) and an account of every other row, cover in
// fractions. An error means that no row can be trusted: percent against
// proportion. The slice given is not changed.
func Clean(pairs []Pair, opt Options) (full, photo []Pair, in Intake, err error) {
	in.Given = len(pairs)
	scale := 1.0
	if opt.Kind == Cover {
		var note string
		if scale, note, err = coverScale(pairs, opt.Unit); err != nil {
			return nil, nil, in, err
		}
		if note != "" {
			in.Warnings = append(in.Warnings, note)
		}
	}
	set := func(p Pair, f Fault, format string, args ...any) {
		in.Problems = append(in.Problems, Problem{p.Name(), f, p.Name() + ": " + fmt.Sprintf(format, args...)})
	}
	type key struct{ plot, quadrat, visit, observer string }
	seen := map[key][]Pair{}
	var order []key
	for i, p := range pairs {
		p.Plot, p.Quadrat, p.Visit = strings.TrimSpace(p.Plot), strings.TrimSpace(p.Quadrat), strings.TrimSpace(p.Visit)
		p.Treatment, p.Observer = strings.TrimSpace(p.Treatment), strings.TrimSpace(p.Observer)
		if fault := rangeFault(p, opt.Kind, scale); fault != "" {
			set(p, OutOfRange, "%s; the row is left out", fault)
			continue
		}
		p.Hand, p.Image = tinyToZero(p.Hand/scale), tinyToZero(p.Image/scale)
		k := key{p.Plot, p.Quadrat, p.Visit, p.Observer}
		if p.Quadrat == "" {
			k.quadrat = fmt.Sprint("row ", i) // unnamed quadrats cannot be told apart
		}
		if _, ok := seen[k]; !ok {
			order = append(order, k)
		}
		seen[k] = append(seen[k], p)
	}
	for _, k := range order {
		rows := seen[k]
		p := rows[0]
		if len(rows) > 1 {
			if !sameValues(rows) {
				for _, r := range rows {
					set(r, Duplicate, "given %d times with different values, and which is right cannot be told; all are left out until one remains", len(rows))
				}
				continue
			}
			for _, r := range rows[1:] {
				set(r, Duplicate, "given again with the same values; counted once")
			}
		}
		switch {
		case math.IsNaN(p.Image) && math.IsNaN(p.Hand):
			set(p, NoImage, "neither a hand value nor an image value")
		case math.IsNaN(p.Image):
			set(p, NoImage, "counted by hand but no image value; left out")
		case math.IsNaN(p.Hand):
			set(p, NoHand, "photographed but not counted by hand; used only in double sampling")
			photo = append(photo, p)
		default:
			full = append(full, p)
		}
	}
	in.Used, in.Photo = len(full), len(photo)
	in.Warnings = append(in.Warnings, oddities(full, opt.Kind)...)
	return full, photo, in, nil
}

// tinyToZero takes values below any pixel's share for the 0 they stand for.
func tinyToZero(v float64) float64 {
	if v < 1e-9 {
		return 0
	}
	return v // NaN too
}

// mostCount is a count no quadrat holds; larger values are slips of the keyboard
// and would only overflow sums of squares.
const mostCount = 1e9

// rangeFault names what is wrong with the values of p, or returns "".
func rangeFault(p Pair, kind Kind, scale float64) string {
	for _, v := range [...]struct {
		who   string
		value float64
	}{{"hand", p.Hand}, {"image", p.Image}} {
		switch {
		case math.IsNaN(v.value):
		case math.IsInf(v.value, 0):
			return fmt.Sprintf("%s value is infinite", v.who)
		case v.value < 0:
			return fmt.Sprintf("%s value %g is negative", v.who, v.value)
		case kind == Count && v.value > mostCount:
			return fmt.Sprintf("%s value %g cannot be a count of a quadrat", v.who, v.value)
		case kind == Cover && v.value > scale*(1+1e-9):
			return fmt.Sprintf("%s cover %g is more than the whole frame (%g)", v.who, v.value, scale)
		}
	}
	return ""
}

func sameValues(rows []Pair) bool {
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	for _, r := range rows[1:] {
		if !same(r.Hand, rows[0].Hand) || !same(r.Image, rows[0].Image) || r.Treatment != rows[0].Treatment {
			return false
		}
	}
	return true
}

// coverScale decides whether cover is in fractions (1) or percent (100). One
// column in percent and the other in fractions is an error.
func coverScale(pairs []Pair, unit Unit) (scale float64, note string, err error) {
	var hand, image, sumHand, sumImage float64
	for _, p := range pairs {
		if isFinite(p.Hand) {
			hand = max(hand, p.Hand)
		}
		if isFinite(p.Image) {
			image = max(image, p.Image)
		}
		if isFinite(p.Hand) && isFinite(p.Image) {
			sumHand, sumImage = sumHand+p.Hand, sumImage+p.Image
		}
	}
	mixed := hand > 0 && image > 0 && (hand > 1) != (image > 1)
	// A stated unit settles small covers (all images under 1 %), but not columns
	// that differ by about the factor 100 in total.
	ratio := max(sumHand, sumImage) / min(sumHand, sumImage)
	if mixed && (unit == UnitAuto || ratio > 30 && ratio < 300) {
		return 0, "", fmt.Errorf("hand cover runs to %g and image cover to %g: this looks like percent against proportion; "+
			"write both in the same unit and state it", hand, image)
	}
	switch {
	case unit == UnitFraction:
		return 1, "", nil
	case unit == UnitPercent:
		return 100, "", nil
	case max(hand, image) > 1:
		return 100, "cover was taken as percent, because values above 1 occur in both columns", nil
	}
	return 1, "cover was taken as a fraction from 0 to 1, because no value is above 1; state the unit if it is percent", nil
}

// oddities gives warnings about pairs that are kept.
func oddities(pairs []Pair, kind Kind) []string {
	var out []string
	if len(pairs) == 0 {
		return nil
	}
	blank, unnamed, swapped, broken := 0, 0, []string{}, 0
	treatment := map[string]string{}
	moved := map[string]bool{}
	for _, p := range pairs {
		if p.Quadrat == "" {
			unnamed++
		}
		if p.Plot == "" {
			blank++
		} else if t, ok := treatment[p.Plot]; ok && t != p.Treatment {
			moved[p.Plot] = true
		} else {
			treatment[p.Plot] = p.Treatment
		}
		if r := p.Hand / p.Image; kind == Cover && p.Hand > 0 && p.Image > 0 && (r > 60 && r < 170 || 1/r > 60 && 1/r < 170) {
			swapped = append(swapped, p.Name())
		}
		if kind == Count && p.Hand != math.Trunc(p.Hand) {
			broken++
		}
	}
	if blank > 0 {
		out = append(out, fmt.Sprintf("%d of %d pairs name no plot: each is taken as a plot of its own, so intervals are too narrow if they share plots", blank, len(pairs)))
	}
	if unnamed > 0 {
		out = append(out, fmt.Sprintf("%d of %d pairs name no quadrat: a row given twice cannot be recognised among them", unnamed, len(pairs)))
	}
	for _, plot := range slices.Sorted(maps.Keys(moved)) {
		out = append(out, fmt.Sprintf("plot %s is given under more than one treatment: check the layout", plot))
	}
	if len(swapped) > 0 {
		out = append(out, fmt.Sprintf("hand and image differ by a factor near 100 in %s: percent against proportion? kept as given", list(swapped, 3)))
	}
	if broken > 0 {
		out = append(out, fmt.Sprintf("%d hand counts are not whole numbers: are these densities or means?", broken))
	}
	return out
}

// list joins the first names and says how many more there are.
func list(names []string, most int) string {
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}

// columns splits pairs into hand and image values.
func columns(pairs []Pair) (hand, image []float64) {
	hand, image = make([]float64, len(pairs)), make([]float64, len(pairs))
	for i, p := range pairs {
		hand[i], image[i] = p.Hand, p.Image
	}
	return hand, image
}

// plotsOf numbers the plots of pairs in order of appearance; a pair without a
// plot is a plot of its own. It returns each pair's plot number and the count.
func plotsOf(pairs []Pair) (plot []int, n int) {
	return numbered(len(pairs), func(i int) (string, bool) { return pairs[i].Plot, pairs[i].Plot != "" })
}

// placesOf is plotsOf for plots on visits.
func placesOf(pairs []Pair) (place []int, n int) {
	return numbered(len(pairs), func(i int) ([2]string, bool) {
		return [2]string{pairs[i].Plot, pairs[i].Visit}, pairs[i].Plot != ""
	})
}

// numbered numbers rows by their keys in order of appearance; a row that has none
// gets a number of its own.
func numbered[K comparable](rows int, key func(i int) (K, bool)) (of []int, n int) {
	number := map[K]int{}
	of = make([]int, rows)
	for i := range of {
		key, named := key(i)
		k, seen := number[key]
		if !seen || !named {
			k = n
			n++
			number[key] = k
		}
		of[i] = k
	}
	return of, n
}
