// Package vision turns the photo of a quadrat into numbers: how much of the
// ground is green, in how many pieces, how far the answer can be trusted.
//
// The path of a photo: Decode reads the bytes strictly and at the scale the
// job needs; the frame gives the ground; index.go gives each cell of the
// ground its greenness on smoothed chroma; fill straightens it to square
// cells (Plane) and counts them (Curve); judge looks for reasons to doubt.
// Measure does all of this. VisitThreshold then finds one threshold for the
// photos of a visit, and AtThreshold answers near it, without the photo.
//
// Cover is the share of the ground inside the frame, in [0, 1], that is green.
// It is green cover: crop and weed are told apart only where something states
// how (see PieceOptions), or from named plants, for which Measure keeps what
// the green looks like (Options.Looks; package classes). Red or purple plants
// are not seen.
//
// The package takes values and gives values: no files, clock, printing or
// global state.
package vision
