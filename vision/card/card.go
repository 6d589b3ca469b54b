// Package card finds plot cards in a photo and reads the code printed on
// them. A card is read right or not at all: the code carries its own error
// correction (ISO/IEC 18004), and its text is accepted only with the check
// characters package label puts into it.
package card

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// Options says what is known of the card and how hard to look.
type Options struct {
	// CodeMM is the printed side of the code, 21 modules without its white
	// margin, millimetres; 0 if not known. It makes the card a ruler.
	CodeMM float64
	// MaxBlobs is how many white patches are looked into, largest first.
	MaxBlobs int
	// Blobs confines the search to white patches; otherwise a photo in which
	// none holds a card is also searched whole, which costs more.
	Blobs bool
	// Known are outlines of prints that are no cards, the marks of a frame
	// for instance, in luma pixels: white patches that are theirs are not
	// looked into.
	Known []frame.Quad
}

// DefaultOptions looks into eight patches and then at the whole photo.
func DefaultOptions() Options { return Options{MaxBlobs: 8} }

// Validate says what is wrong with the options.
func (o Options) Validate() error {
	if !(o.CodeMM >= 0 && o.CodeMM <= 1000) {
		return fmt.Errorf("code of %g mm: use its printed side, or 0 if not known", o.CodeMM)
	}
	if o.MaxBlobs < 1 || o.MaxBlobs > 100 {
		return fmt.Errorf("%d white patches: use 1 to 100", o.MaxBlobs)
	}
	return nil
}

// Card is one card that was read.
type Card struct {
	Label label.Label
	// Code is the outline of the code, 21 x 21 modules, in luma pixels of the
	// raster: from the corner with the upper-left finder pattern, in reading
	// order. The fourth corner follows from the other three, so the outline is
	// a parallelogram.
	Code     frame.Quad
	ModulePx float64 // side of a module, luma pixels
	// MMPerPx is the scale at the card, millimetres per luma pixel, and
	// ToPixel the map from its plane (millimetres from corner 0 of Code); both
	// zero unless Options.CodeMM is set. Away from the card they hold only as
	// far as the photo is taken from straight above.
	MMPerPx float64
	ToPixel frame.Homography
	// White is the mean of the middle half of Y, Cb and Cr on white modules: the
	// paper, for a white balance. Clipped paper (Y near 255) is no reference.
	White [3]float64
}

// Reading is what was read in one photo.
type Reading struct {
	Cards []Card // each label once
	Other int    // codes that were read and are not plot cards
	// Unread counts further patches of paper that show the finder squares of a
	// code that could not be read. Where no card was read it is looked for too.
	Unread int
}

// ErrNone and ErrAmbiguous are the two ways a photo can fail to say its plot.
var (
	ErrNone      = errors.New("no plot card read")
	ErrAmbiguous = errors.New("more than one plot card in the photo")
)

// One is the photo's only card. Two different cards are never chosen between.
func (r Reading) One() (Card, error) {
	switch {
	case len(r.Cards) == 1 && r.Unread == 0:
		return r.Cards[0], nil
	case len(r.Cards) == 1:
		return Card{}, fmt.Errorf("%w: %s, and another that cannot be read; say by hand which one holds", ErrAmbiguous, r.Cards[0].Label)
	case len(r.Cards) > 1:
		return Card{}, fmt.Errorf("%w: %s and %s; say by hand which one holds", ErrAmbiguous, r.Cards[0].Label, r.Cards[1].Label)
	case r.Other > 0:
		return Card{}, fmt.Errorf("%w: the photo holds another code; lay the plot card flat beside the frame", ErrNone)
	}
	return Card{}, fmt.Errorf("%w: lay it flat beside the frame, unfolded and in focus", ErrNone)
}

// Find reads every plot card it can. An empty Reading is a normal answer.
func Find(r *raster.Raster, opt Options) (Reading, error) {
	if err := opt.Validate(); err != nil {
		return Reading{}, err
	}
	if r == nil || r.Width < 21 || r.Height < 21 || len(r.Y) < r.Width*r.Height ||
		r.ChromaWidth < 1 || r.ChromaHeight < 1 ||
		len(r.Cb) < r.ChromaWidth*r.ChromaHeight || len(r.Cr) < r.ChromaWidth*r.ChromaHeight {
		return Reading{}, errors.New("the photo has no picture to read")
	}
	var out Reading
	whole := grey{w: r.Width, h: r.Height, pix: r.Y, colour: r, scale: 1}
	var unread, all []image.Rectangle
	var decoded []code // all that was read, other codes and second copies too
	patches, rest := paperOf(r, opt.MaxBlobs)
	for _, b := range patches {
		known := func(q frame.Quad) bool { return ofPrint(b, q) }
		read := func(c Card) bool { return known(c.Code) }
		if slices.ContainsFunc(opt.Known, known) || slices.ContainsFunc(out.Cards, read) {
			continue
		}
		all = append(all, b)
		codes := scanPatch(whole, b, opt.CodeMM > 0)
		out.add(r, opt, codes)
		decoded = append(decoded, codes...)
		if len(codes) == 0 {
			unread = append(unread, b)
		}
	}
	// What is no plain card flat on the ground takes longer. Beside a card that
	// was read a code is not read but asked about.
	for i := 0; i < len(unread) && len(out.Cards) == 0; i++ {
		codes := readCodes(whole, padded(whole, unread[i]), wideTile, narrowTile)
		out.add(r, opt, codes)
		decoded = append(decoded, codes...)
	}
	everywhere := len(out.Cards) == 0 && !opt.Blobs
	if everywhere {
		codes := readCodes(whole, image.Rect(0, 0, whole.w, whole.h), wideTile)
		out.add(r, opt, codes)
		decoded = append(decoded, codes...)
	}
	// Cards that touch are one patch: a further one may lie where one was read.
	out.Unread = unreadCodes(whole, all, decoded)
	if len(out.Cards) > 0 && out.Unread == 0 && !opt.Blobs {
		// A further card that touches a white frame is no patch of its own, and
		// where the one that was read is none a further one may be none either.
		var found []finder
		switch {
		case everywhere:
			found = findersBeside(whole, image.Rect(0, 0, whole.w, whole.h), opt.Known)
		case rest.any:
			found = findersNear(whole, &rest, opt.Known)
		}
		if whole.showsCode(unclaimed(found, decoded)) {
			out.Unread = 1
		}
	}
	return out, nil
}

// ofPrint tells whether a white patch lies within a print and its margin, a
// third of its side.
func ofPrint(b image.Rectangle, print frame.Quad) bool {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range print {
		x0, y0, x1, y1 = min(x0, p.X), min(y0, p.Y), max(x1, p.X), max(y1, p.Y)
	}
	mx, my := (x1-x0)/3, (y1-y0)/3
	return float64(b.Min.X) >= x0-mx && float64(b.Min.Y) >= y0-my && float64(b.Max.X) <= x1+mx && float64(b.Max.Y) <= y1+my
}

// code is a decoded text with the centres of the finder patterns, upper-left,
// upper-right, lower-left, in luma pixels.
type code struct {
	text    string
	centres [3]raster.Point
}

// claims tells whether a place lies in the code or less than half its side
// beside it.
func (c code) claims(at raster.Point) bool {
	x, y := (c.centres[1].X+c.centres[2].X)/2, (c.centres[1].Y+c.centres[2].Y)/2
	side := math.Hypot(c.centres[1].X-c.centres[2].X, c.centres[1].Y-c.centres[2].Y) / math.Sqrt2 * modules / finderApart
	return math.Hypot(at.X-x, at.Y-y) < side
}

func (r *Reading) add(ra *raster.Raster, opt Options, codes []code) {
	for _, c := range codes {
		l, err := label.Decode(c.text)
		if err != nil {
			r.Other++
			continue
		}
		known := false
		for _, k := range r.Cards {
			known = known || k.Label == l
		}
		if known {
			continue
		}
		if card, ok := place(ra, opt, l, c.centres); ok {
			r.Cards = append(r.Cards, card)
		}
	}
}

const (
	modules      = 21
	finderCentre = 3.5 // modules from the code's edge
	finderApart  = modules - 2*finderCentre
)

// place works out where the code lies from its three finder patterns.
func place(r *raster.Raster, opt Options, l label.Label, c [3]raster.Point) (Card, bool) {
	ux, uy := (c[1].X-c[0].X)/finderApart, (c[1].Y-c[0].Y)/finderApart
	vx, vy := (c[2].X-c[0].X)/finderApart, (c[2].Y-c[0].Y)/finderApart
	at := func(u, v float64) raster.Point {
		u, v = u-finderCentre, v-finderCentre
		return raster.Point{X: c[0].X + u*ux + v*vx, Y: c[0].Y + u*uy + v*vy}
	}
	card := Card{Label: l, ModulePx: math.Sqrt(math.Abs(ux*vy - uy*vx))}
	if !(card.ModulePx > .5) {
		return card, false
	}
	card.Code = frame.Quad{at(0, 0), at(modules, 0), at(modules, modules), at(0, modules)}
	card.White = whiteOf(r, at)
	if opt.CodeMM > 0 {
		s := modules / opt.CodeMM
		card.MMPerPx = opt.CodeMM / modules / card.ModulePx
		o := at(0, 0)
		card.ToPixel = frame.Homography{ux * s, vx * s, o.X, uy * s, vy * s, o.Y, 0, 0, 1}
	}
	return card, true
}
