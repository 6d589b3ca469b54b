package vision

import "quadtally/vision/frame"

// Workspace is the memory in which one photo after another is measured, so
// that none pays for clearing what the last one has used: asking the system
// for fresh memory took half the time of a decode. The zero value is ready.
// It is not for use by two goroutines at once; give each its own.
type Workspace struct {
	photo    []byte     // decoded planes
	raw      []int16    // one plane of a field before smoothing
	smooth   [3][]int16 // and its planes after
	codes    []uint8
	clipping []clipping
	outside  []bool
	sets     [3][]uint64
	frame    frame.Workspace
	looker   looker

	sRGB     *toSRGBTable // of the last profile that was not sRGB
	sRGBName string
	// profile is the name of the last photo's colour profile, badProfile what
	// was wrong with it.
	profile    string
	badProfile error
}
