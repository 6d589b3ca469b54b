package card

import (
	"image"
	"slices"

	"quadtally/vision/raster"
)

// Region is a part of a photo where a card lies, or may lie.
type Region struct {
	Box  image.Rectangle // luma pixels of the raster
	Read bool            // the card in it was read
}

// Where lists at most n regions for a person to look at: cards that were read,
// then patches of paper that show finder squares of a code, then other patches
// of paper, the largest first. Patches that skip reports are left out.
func Where(r *raster.Raster, opt Options, n int, skip func(image.Rectangle) bool) ([]Region, error) {
	read, err := Find(r, opt)
	if err != nil {
		return nil, err
	}
	var out []Region
	for _, c := range read.Cards {
		box := image.Rectangle{}
		for i, p := range c.Code {
			at := image.Rect(int(p.X), int(p.Y), int(p.X)+1, int(p.Y)+1)
			if i == 0 {
				box = at
			}
			box = box.Union(at)
		}
		side := max(box.Dx(), box.Dy())
		out = append(out, Region{box.Inset(-side / 2), true}) // the paper around the code
	}
	whole := grey{w: r.Width, h: r.Height, pix: r.Y, colour: r, scale: 1}
	free := func(b image.Rectangle) bool {
		return len(out) < n && (skip == nil || !skip(b)) && !slices.ContainsFunc(out, func(q Region) bool { return q.Box.Overlaps(b) })
	}
	var codes, papers []image.Rectangle
	for _, b := range whitePatches(r, opt.MaxBlobs) {
		if pairOf(finders(whole, b)) {
			codes = append(codes, b)
		} else {
			papers = append(papers, b)
		}
	}
	for _, b := range codes {
		if free(b) {
			out = append(out, Region{Box: b})
		}
	}
	if len(out) > 0 {
		return out[:min(n, len(out))], nil // next to a code, plain paper tells nothing
	}
	// A card that touches the frame makes one patch with it: its code is looked
	// for in the whole photo.
	for _, b := range codesOf(finders(whole, image.Rect(0, 0, r.Width, r.Height))) {
		if free(b) {
			out = append(out, Region{Box: b})
		}
	}
	for _, b := range papers {
		if free(b) {
			out = append(out, Region{Box: b})
		}
	}
	return out[:min(n, len(out))], nil
}

// codesOf are the surroundings of finder squares that can be two of one code,
// as large as a card may be around them.
func codesOf(all []finder) []image.Rectangle {
	var out []image.Rectangle
	for i, a := range all {
		for _, b := range all[:i] {
			if !pairOf([]finder{a, b}) {
				continue
			}
			half := int(1.9 * modules * (a.module + b.module) / 2)
			x, y := int((a.at.X+b.at.X)/2), int((a.at.Y+b.at.Y)/2)
			out = append(out, image.Rect(x-half, y-half, x+half, y+half))
		}
	}
	return out
}
