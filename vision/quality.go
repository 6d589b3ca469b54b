package vision

import (
	"fmt"
	"math"
	"slices"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// FlagCode names one kind of doubt about a photo.
type FlagCode string

// What a photo can be flagged for.
const (
	FlagBlur      FlagCode = "blur"
	FlagClipped   FlagCode = "clipped-highlights"
	FlagCrushed   FlagCode = "crushed-shadow"
	FlagShadow    FlagCode = "strong-shadow"
	FlagCast      FlagCode = "colour-cast"
	FlagTilt      FlagCode = "tilt"
	FlagCoarse    FlagCode = "coarse-scale"
	FlagCutFrame  FlagCode = "frame-cut-off"
	FlagRedPlants FlagCode = "red-plants"
	FlagGlints    FlagCode = "glints"
	// FlagNoGround: nothing in the photo is surely bare, so that a closed
	// canopy cannot be told from a green cast.
	FlagNoGround FlagCode = "no-ground"
	// FlagThing: some of the ground is green and no plant, or may be so.
	FlagThing FlagCode = "green-thing"
	// FlagWideRange: the range of cover is wide, as much of the ground is
	// faintly green. It is raised by AtThreshold.
	FlagWideRange FlagCode = "wide-range"
	// FlagMat: green lies on the ground like moss or algae, without the edges
	// of leaves. It is raised by AtThreshold.
	FlagMat FlagCode = "green-mat"
	// FlagFaint: leaves may have been taken for bare ground, or what was counted
	// hardly looks green (see Quality.tooLittle). It is raised by AtThreshold.
	FlagFaint FlagCode = "faint-green"
	// FlagFaded: the photo has next to no colours, as behind a sepia filter, a
	// veil of glare or in faded files, and leaves look like the ground.
	FlagFaded FlagCode = "faded-colours"
	// FlagTwoWays: held against its own light spot by spot, another share of the
	// ground is green than was measured (see swatches.standsOut), or more was
	// measured than stands out from the ground beside it (see Quality.tooMuch). It
	// is raised by AtThreshold.
	FlagTwoWays FlagCode = "two-ways"
	// FlagPanorama: the photo is stitched from several, which repeats some
	// ground and leaves out other.
	FlagPanorama FlagCode = "panorama"
	// FlagDoubtfulFrame: the frame was found by its edges with little to go by.
	FlagDoubtfulFrame FlagCode = "doubtful-frame"
	// FlagTwoFrames: a second frame lies in the photo, beside this one or inside or
	// around it.
	FlagTwoFrames FlagCode = "two-frames"
	// FlagTwoCards: more than one plot card lies in the photo.
	FlagTwoCards FlagCode = "two-cards"
	// FlagPrintSize: the corner marks are printed at another size than meant.
	FlagPrintSize FlagCode = "print-size"
	// FlagProfile: the photo's colours could not be brought to sRGB.
	FlagProfile FlagCode = "colour-profile"
)

// Severity is what a doubt asks of a person.
type Severity string

const (
	// MustLook: the photo's number or place may be wrong by more than a few
	// points; a person should look before it is used.
	MustLook Severity = "look"
	// Glance: worth knowing, and a hint for the next photo; the number stands.
	Glance Severity = "glance"
)

// Flag is one doubt with its number: Value went past Limit.
type Flag struct {
	Code     FlagCode `json:"code"`
	Severity Severity `json:"severity"`
	Value    float64  `json:"value"`
	Limit    float64  `json:"limit"`
	Text     string   `json:"text"`
}

// Limits of the flags. They are common practice, set so that the sharp,
// evenly lit photos of two open field sets pass (see fields_test.go).
const (
	// Of 203 open field photos the least sharp has .52, and of drawn photos of
	// straw that lies one way none has less than .48; those blurred by six
	// pixels of the full photo have .41 or less.
	limitAcuity  = 0.44
	limitClipped = 0.02 // share of the ground
	limitCrushed = 0.05
	limitShadow  = 0.1
	limitCast    = 10.0 // chroma units of 8 bits
	limitTilt    = 15.0 // degrees
	limitRed     = 0.02
	limitGlints  = 0.004
	// From these on a photo needs an eye.
	lookClipped, lookCrushed = 0.10, 0.15
	// limitPaper is how far the green of white paper may lie from the mean of
	// its red and blue, as a natural logarithm: daylight runs from blue to
	// yellow, hardly from green to magenta.
	limitPaper = 0.10
	// limitThing is the share of the ground that is told as green and no
	// plant; mostThing the share from which that is not believed, as a cast
	// makes the whole ground so.
	limitThing, limitNearly, mostThing = 0.002, 0.01, 0.5
	limitPrint                         = 0.02
	// Of 203 open field photos the one with most ground in wide green without
	// edges has .066 of it and the smoothest wide green of all rises by .246. Of
	// 300 sound drawn stands the most is .125 and the smoothest rises by .129.
	limitMat, limitRise, leastWide = 0.13, 0.125, 0.04
	// Of those photos the one with most red or purple has .026 of it.
	lookRed = 0.06
	// Of those photos none has greenness that spreads by less than .042 and
	// ln(R/B) that spreads by less than .109. Drawn stands behind a sepia filter
	// have up to .039 and, but for burnt ones, .076; of 239 photos of a drawn
	// season three, of bare soil of one hue, have .038 to .040 and less than .09,
	// so that an eye is needed below lookFaded only.
	leastGreenSpread, leastWarmSpread, lookFaded = 0.075, 0.09, 0.036
	// Of 203 open field photos what stands out, where it is clear, lies .084 from
	// the measured cover at most. Where more than inShade lies in shadow,
	// less is enough: of the 14 open field photos so shaded one is asked about by it.
	limitTwoWays, limitInShade, inShade = 0.085, 0.05, 0.15
	// Of the open field photos with more than tenPoints of cover none has less
	// ground whose green is the largest channel than .65 of its cover; looksGreen
	// of it is too little.
	looksGreen = 0.45
	// Less cover than this cannot be too much by more than 10 points.
	tenPoints = 0.1
	// A photo as long as this times its width is no single view of a phone.
	limitLong = 2.3
	// farBelow is the index value that lies far below bare ground.
	farBelow   = -0.10
	limitRange = 0.154 // two of 203 open field photos have a wider one, one of them off by 10 points where it is judged alone
	lookBlur   = 0.36  // thin leaves are gone by then
	lookBlue   = 25.0
	// smallestPlantMM across three cells is the least that shows as a shape.
	smallestPlantMM = 4.0
	cellsPerPlant   = 3.0
	// From so many times the limit on leaves melt into the ground.
	lookCoarse = 2.5
)

// Quality holds the numbers behind the flags; shares are of the ground.
type Quality struct {
	Acuity      float64 `json:"acuity"` // 0 smooth to 1 sharp; see acuity
	ClippedFrac float64 `json:"clipped_frac"`
	CrushedFrac float64 `json:"crushed_frac"`
	DarkFrac    float64 `json:"dark_frac"` // ground under half the brightness of its lit part
	GroundCb    float64 `json:"ground_cb"` // median chroma of what is not green, from neutral
	GroundCr    float64 `json:"ground_cr"`
	RedFrac     float64 `json:"red_frac"`
	GlintFrac   float64 `json:"glint_frac"`
	// GreenFiftieth, GreenQuarter and GreenHalf are the greennesses,
	// ln(G/sqrt(RB)), that a fiftieth, a quarter and a half of the ground stay
	// below, before any cast was taken out; all 0 where too little has a hue.
	// Corrected tells that the ground had a cast of a hue that no ground has, which
	// was taken out, and CastTaken is the greenness that was, by the hue of the
	// ground: a little of it is no cast to speak of (see lightGains); 0 for none.
	GreenFiftieth float64 `json:"green_fiftieth"`
	GreenQuarter  float64 `json:"green_quarter"`
	GreenHalf     float64 `json:"green_half"`
	Corrected     bool    `json:"corrected,omitempty"`
	CastTaken     float64 `json:"cast_taken,omitempty"`
	// GroundHue is the greenness of the lowest hump of its distribution, which is
	// that of the ground unless leaves close over it, before any cast was taken
	// out (see lightGains); 0 where too little has a hue.
	GroundHue float64 `json:"ground_hue,omitempty"`
	// GreenSpread and WarmSpread are how far greenness and ln(R/B) of the ground
	// spread from the twentieth part to the last but so many; both 0 where too
	// little has a hue. No cast changes them.
	GreenSpread float64 `json:"green_spread,omitempty"`
	WarmSpread  float64 `json:"warm_spread,omitempty"`
	// ThingFrac is green that is no plant by its hue and was counted as bare,
	// NearThingFrac green that may be so and FlatFrac wide green without grain,
	// which were not.
	ThingFrac     float64 `json:"thing_frac"`
	NearThingFrac float64 `json:"near_thing_frac"`
	FlatFrac      float64 `json:"flat_frac"`
	// MatFrac is the share of the ground in wide green without the edges that
	// leaves have, and GreenRise how much the brightness of wide green rises
	// over eight pixels where it rises much (see mats); 0 where there is none.
	MatFrac   float64 `json:"mat_frac,omitempty"`
	GreenRise float64 `json:"green_rise,omitempty"`
	// MatScore is how much the green is like a mat with leaves in it, 0 to 1 (see
	// swatches.matScore).
	MatScore float64 `json:"mat_score,omitempty"`
	// GreenFrac is the share of the ground whose green is the largest channel.
	GreenFrac float64 `json:"green_frac,omitempty"`
	// Contrast is that of brightness (see swatches.contrast).
	Contrast float64 `json:"contrast,omitempty"`
	// FaintFrac is ground that is green and was taken for bare, as it leads to
	// nothing plainly green; BelowFrac ground far less green than what was
	// taken for bare.
	FaintFrac float64 `json:"faint_frac,omitempty"`
	BelowFrac float64 `json:"below_frac,omitempty"`
	// StandsOut is the share of the ground that is green by its own brightness
	// (see swatches.standsOut), where TwoKinds tells that ground and leaves are
	// told apart clearly by it.
	StandsOut float64 `json:"stands_out,omitempty"`
	TwoKinds  bool    `json:"two_kinds,omitempty"`
	// BesideFrac is the share of the ground that stands out as green from the
	// ground beside it and GroundUneven how unlike the greenness of that ground
	// is over the photo (see swatches.beside), where Beside tells that enough of
	// it has a hue.
	BesideFrac   float64 `json:"beside_frac,omitempty"`
	GroundUneven float64 `json:"ground_uneven,omitempty"`
	Beside       bool    `json:"beside,omitempty"`
	// PaperGreen is ln(G/sqrt(RB)) of the white paper of card or marks, 0
	// where none was seen; PaperClipped tells that its light ran into the end
	// of the scale, so that it is at least so much. PaperUsed tells that the
	// paper was made white, and all colours with it.
	PaperGreen   float64 `json:"paper_green,omitempty"`
	PaperClipped bool    `json:"paper_clipped,omitempty"`
	PaperUsed    bool    `json:"paper_used,omitempty"`
}

// lattice is the number of samples along each side of the ground that the
// quality numbers rest on.
const lattice = 128

// glintReach is how far away, in pixels, the surroundings of a glint are
// looked at.
const glintReach = 8

// judge takes the numbers from samples of the ground on a lattice. ground maps the plane of w x h cells
// on to the Y plane of the raster.
func (q *Quality) judge(r *raster.Raster, ground frame.Homography, w, h int) {
	var (
		n, clip, crush, red int
		steps               [4][3]float64 // by direction: squared luma differences 1, 2 and 4 steps apart
		inner, glints       int
		cbs, crs            [256]int // of what is not green
		tiles, inTile       [tilesAcross * tilesAcross]float64
		perColumn, perRow   = float64(w) / lattice, float64(h) / lattice
		sx                  = float64(r.ChromaWidth) / float64(r.Width)
		sy                  = float64(r.ChromaHeight) / float64(r.Height)
		width, height, luma = r.Width, r.Height, r.Y
	)
	for j := range lattice {
		for i := range lattice {
			p := ground.Apply(raster.Point{X: (float64(i) + 0.5) * perColumn, Y: (float64(j) + 0.5) * perRow})
			x, y := int(p.X), int(p.Y)
			if p.X < 0 || p.Y < 0 || x >= width || y >= height {
				continue
			}
			k := y*width + x
			light := int(luma[k])
			c := int(p.Y*sy)*r.ChromaWidth + int(p.X*sx)
			cb, cr := r.Cb[c], r.Cr[c]
			n++
			t := j*tilesAcross/lattice*tilesAcross + i*tilesAcross/lattice
			tiles[t] += float64(light)
			inTile[t]++
			if x >= 4 && x+4 < width && y+4 < height {
				for dir, by := range [4]int{1, width, width + 1, width - 1} {
					for i := range 3 {
						d := int(luma[k+by<<i]) - light
						steps[dir][i] += float64(d * d)
					}
				}
			}
			if light >= 252 {
				clip++
			}
			if light <= 8 {
				crush++
			}
			// A glint is blown out while its surroundings on all four sides are
			// not bright.
			if x >= glintReach && y >= glintReach && x < width-glintReach && y < height-glintReach {
				inner++
				if light >= 250 && max(luma[k-glintReach], luma[k+glintReach], luma[k-glintReach*width], luma[k+glintReach*width]) < 200 {
					glints++
				}
			}
			red0, blue0 := int(cr)-128, int(cb)-128
			// Beet or amaranth, not brick-coloured soil: red with blue left in it.
			if red0 >= 14 && blue0 >= -8 && 5*red0 >= light {
				red++
			}
			// Not green by a plain look: G is not the largest.
			if g := -0.344136*float64(blue0) - 0.714136*float64(red0); g <= max(1.402*float64(red0), 1.772*float64(blue0)) {
				cbs[cb]++
				crs[cr]++
			}
		}
	}
	if n == 0 {
		return
	}
	// The sharpest direction counts: straw that lies one way is smooth along
	// it, and a picture out of focus is smooth all ways.
	// A direction along which hardly anything changes says nothing.
	most := 0.0
	for _, s := range steps {
		most = max(most, s[2])
	}
	for _, s := range steps {
		if s[2] >= tellingChange*most {
			q.Acuity = max(q.Acuity, acuity(s))
		}
	}
	share := func(part, of int) float64 { return float64(part) / float64(max(of, 1)) }
	q.ClippedFrac, q.CrushedFrac, q.RedFrac, q.GlintFrac = share(clip, n), share(crush, n), share(red, n), share(glints, inner)
	q.GroundCb, q.GroundCr = medianChroma(&cbs), medianChroma(&crs)
	q.DarkFrac = darkShare(tiles[:], inTile[:])
}

// acuity tells a sharp picture from a blurred one by how fast brightness
// parts with distance. Squared differences 1, 2 and 4 pixels apart grow with
// the square of the distance where all is smooth and hardly at all where
// every pixel has its own detail (the structure function of a picture). Noise
// adds the same to all three and drops out of their differences, so that grain
// does not pass for detail. 1 where nothing grows, as in a flat picture,
// 0 where all is smooth.
func acuity(steps [3]float64) float64 {
	near, far := steps[1]-steps[0], steps[2]-steps[1]
	if near <= 0 || far <= 0 {
		return 1
	}
	return min(max(1-math.Log2(far/near)/2, 0), 1)
}

// tellingChange is the least change of brightness along a direction, as a share
// of the most along any, from which its sharpness is judged.
const tellingChange = 0.1

// medianChroma is the median of a histogram of chroma, from neutral; 0 where
// it is empty.
func medianChroma(h *[256]int) float64 {
	all := 0
	for _, v := range h {
		all += v
	}
	below := 0
	for i, v := range h {
		if below += v; 2*below > all {
			return float64(i) - 128
		}
	}
	return 0
}

const tilesAcross = 8

// darkShare is the share of tiles darker than half of the lit ones, the lit
// ones being at the ninth decile.
func darkShare(sum, n []float64) float64 {
	var mean []float64
	for i := range sum {
		if n[i] > 0 {
			mean = append(mean, sum[i]/n[i])
		}
	}
	if len(mean) == 0 {
		return 0
	}
	slices.Sort(mean)
	lit := mean[len(mean)*9/10]
	dark, _ := slices.BinarySearch(mean, lit/2)
	return float64(dark) / float64(len(mean))
}

// matFlag is the doubt that some of the green that was counted, cover of the
// ground, is a mat and no plant. What was counted is the most that can be wrong
// by it, so that little of it asks for no eye.
func (q Quality) matFlag(cover float64) (Flag, bool) {
	severity := Glance
	if cover > tenPoints {
		severity = MustLook
	}
	switch {
	case q.MatFrac > limitMat:
		return Flag{FlagMat, severity, q.MatFrac, limitMat, fmt.Sprintf("%.0f %% of the ground is green without the edges of leaves, as moss and algae are: if it is no plant, leave its area out", 100*q.MatFrac)}, true
	case q.MatScore > limitMatScore:
		return Flag{FlagMat, severity, q.MatScore, limitMatScore, "smooth green of another hue lies between the leaves, as moss and algae do: if it is no plant, leave its area out"}, true
	case q.GreenRise > 0 && q.GreenRise < limitRise:
		return Flag{FlagMat, severity, q.GreenRise, limitRise, "green has none of the edges of leaves, as moss, algae and sheets have none: if it is no plant, leave its area out"}, true
	}
	return Flag{}, false
}

// flags turns the numbers into doubts.
func (q Quality) flags() []Flag {
	var out []Flag
	raise := func(code FlagCode, severity Severity, v, limit float64, text string) {
		out = append(out, Flag{code, severity, v, limit, text})
	}
	above := func(code FlagCode, v, limit, look float64, text string) {
		if v > limit {
			severity := Glance
			if v > look {
				severity = MustLook
			}
			raise(code, severity, v, limit, fmt.Sprintf(text, 100*v))
		}
	}
	const never = 1.0 // no share is larger
	if q.Acuity < limitAcuity {
		severity := Glance
		if q.Acuity < lookBlur { // leaves melt into the ground
			severity = MustLook
		}
		raise(FlagBlur, severity, q.Acuity, limitAcuity, "photo is blurred: hold still, tap to focus, take it again")
	}
	above(FlagClipped, q.ClippedFrac, limitClipped, lookClipped, "%.1f %% of the ground is blown out: leaves there may read as bare; expose lower")
	above(FlagCrushed, q.CrushedFrac, limitCrushed, lookCrushed, "%.1f %% of the ground is black: plants there cannot be seen; light it evenly")
	above(FlagShadow, q.DarkFrac, limitShadow, never, "strong shadow over %.0f %% of the ground: shade the whole frame")
	above(FlagRedPlants, q.RedFrac, limitRed, lookRed, "%.1f %% of the ground is red or purple: such plants are not seen by a greenness index")
	above(FlagGlints, q.GlintFrac, limitGlints, never, "%.2f %% of the ground glints as wet leaves do: glints are not counted as green; wait until it is dry")
	switch {
	case q.ThingFrac > mostThing:
		raise(FlagThing, MustLook, q.ThingFrac, mostThing, "most of the ground is blue-green, as no plant is: look for a sheet over it, or a cast")
	case q.ThingFrac > limitThing:
		raise(FlagThing, Glance, q.ThingFrac, limitThing,
			fmt.Sprintf("%.1f %% of the ground is green by paint or plastic and was counted as bare: clear the frame", 100*q.ThingFrac))
	}
	above(FlagThing, q.NearThingFrac, limitNearly, 0, "%.1f %% of the ground is blue-green, a leaf's or a thing's: if it is no plant, leave its area out")
	above(FlagThing, q.FlatFrac, 0, 0, "%.1f %% of the ground is one smooth green patch, a leaf close to the lens or a thing: if it is no plant, leave its area out")
	if q.GreenSpread < leastGreenSpread && q.WarmSpread > 0 && q.WarmSpread < leastWarmSpread {
		severity := Glance
		if q.GreenSpread < lookFaded {
			severity = MustLook
		}
		raise(FlagFaded, severity, q.WarmSpread, leastWarmSpread, "photo has next to no colours, as behind a filter or a veil of glare: leaves there may read as bare; take it again without")
	}
	const wayOut = "set the white balance by a grey card"
	switch {
	case q.GroundCb > limitCast:
		severity := Glance
		if q.GroundCb > lookBlue {
			severity = MustLook
		}
		raise(FlagCast, severity, q.GroundCb, limitCast, "photo has a blue cast: "+wayOut)
	case q.GroundCr < -limitCast:
		raise(FlagCast, MustLook, -q.GroundCr, limitCast, "photo has a green cast: "+wayOut)
	case q.GroundCr > 3*limitCast:
		raise(FlagCast, Glance, q.GroundCr, 3*limitCast, "photo has a red cast: "+wayOut)
	}
	if math.Abs(q.PaperGreen) > limitPaper {
		cast := "green"
		if q.PaperGreen < 0 {
			cast = "magenta"
		}
		cast = "white paper in the photo has a " + cast + " cast"
		switch off := math.Abs(q.PaperGreen); {
		case q.PaperClipped:
			raise(FlagCast, MustLook, off, limitPaper, cast+" of unknown strength, as it is blown out: take the photo again")
		case q.PaperUsed:
			raise(FlagCast, Glance, off, limitPaper, cast+", which was taken out")
		default:
			raise(FlagCast, MustLook, off, limitPaper, cast+", which was not taken out: "+wayOut)
		}
	}
	leaves := greennesses{fiftieth: q.GreenFiftieth, half: q.GreenHalf}.leavesHump(q.GroundHue)
	switch {
	case q.PaperGreen != 0 && math.Abs(q.PaperGreen) <= limitPaper && !q.PaperClipped: // paper says that the light is white
	case q.Corrected && q.GreenFiftieth > greenest:
		raise(FlagCast, MustLook, q.GreenFiftieth, greenest, "ground has a green cast, which was taken out: look whether it is ground, and "+wayOut)
	case q.Corrected:
		raise(FlagCast, MustLook, -min(q.GreenFiftieth, q.GreenHalf), -magentaMost, "ground has a magenta cast, which was taken out: look whether it is ground, and "+wayOut)
	case q.GroundHue < leavesHue && leaves:
		raise(FlagCast, MustLook, -q.GroundHue, -leavesHue, "leaves close over the ground and are less green than leaves are, as under a magenta cast: look, and "+wayOut)
	case q.GroundHue < leastHue && q.CastTaken != 0:
		raise(FlagCast, MustLook, -q.GroundHue, -leastHue, "ground looks as under a magenta cast, which was taken out: look whether it is that or red ground, and "+wayOut)
	case q.GroundHue < leastHue:
		raise(FlagCast, MustLook, -q.GroundHue, -leastHue, "ground looks as under a magenta cast, and none was taken out: look whether it is that or red ground, and "+wayOut)
	case q.GroundHue > mostHue && !leaves && q.GreenFiftieth <= greenest:
		raise(FlagCast, MustLook, q.GroundHue, mostHue, "ground has a green cast, or leaves close over it: look whether what was taken for bare is ground, and "+wayOut)
	case q.GreenQuarter > oneGreen && q.GreenHalf-q.GreenQuarter < oneGreenSpread && q.GreenFrac > mostlyGreen:
		raise(FlagCast, MustLook, q.GreenQuarter, oneGreen, "a quarter of the ground and more is of one green, as under a green cast or in a film of algae: look, and "+wayOut)
	case q.GreenFiftieth > greenest:
		raise(FlagNoGround, MustLook, q.GreenFiftieth, greenest, "nothing in the photo is surely bare: a closed canopy, or a green cast; look, and "+wayOut)
	}
	return out
}
