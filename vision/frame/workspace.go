package frame

import "quadtally/vision/raster"

// Workspace is the scratch memory of a search. One that is kept from photo to
// photo spares asking for a few megabytes each time, which takes longer than
// what is done with them. The zero value is ready; it must not be used by two
// goroutines at a time. Nothing of a photo is kept that would change the
// answer for the next.
type Workspace struct {
	small      [channels][]byte // search picture
	light      []byte           // luma at the size of chroma, where that is smaller
	middle     []byte           // picture in which marks are looked for
	coarse     []byte           // the same at half its scale
	half       plane            // luma at markScale, where the search for marks has made it
	pixels     [channels][]int8 // gradients of the search picture
	acc        []uint16         // line evidence of one channel
	voters     []int32
	crossings  []crossed
	directions *directions
	ratios     *ratioTable

	lo, hi   []byte  // darkest and brightest of each tile
	level    []int16 // threshold of each tile
	runs     []run
	pieces   []piece
	number   []int32 // piece of each run
	gathered []run
	outline  []raster.Point

	probes probeScratch
}
