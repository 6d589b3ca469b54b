package vision

import "slices"

// Measure measures a photo in fresh memory.
func Measure(photo []byte, opt Options) (Measurement, error) {
	return new(Workspace).Measure(photo, opt)
}

// NeedsEye tells whether a person should look at a photo with these doubts.
func NeedsEye(flags []Flag) bool {
	return slices.ContainsFunc(flags, func(f Flag) bool { return f.Severity == MustLook })
}

// picture lays runs out as a picture of piece numbers; 0 is no piece.
func picture(runs []run, w, h int) []int32 {
	labels := make([]int32, w*h)
	for _, r := range runs {
		row := labels[int(r.y)*w:]
		for x := r.from; x < r.end; x++ {
			row[x] = r.piece
		}
	}
	return labels
}

// chamfer is chamferRuns by its definition, pieces told apart and the edge of the
// picture an edge: the distance of each labelled cell to the edge of its piece in
// thirds of a cell, by the 3-4 chamfer (Borgefors 1986, Comput. Vis. Graph.
// Image Process. 34, 344-371).
func chamfer(labels []int32, w, h int) []int32 {
	d := make([]int32, len(labels))
	at := func(x, y int, l int32) int32 {
		if x < 0 || x >= w || y < 0 || y >= h || labels[y*w+x] != l {
			return 0
		}
		return d[y*w+x]
	}
	for y := range h {
		for x := range w {
			if l := labels[y*w+x]; l != 0 {
				d[y*w+x] = min(at(x-1, y, l)+3, at(x, y-1, l)+3, at(x-1, y-1, l)+4, at(x+1, y-1, l)+4)
			}
		}
	}
	for y := h - 1; y >= 0; y-- {
		for x := w - 1; x >= 0; x-- {
			if l := labels[y*w+x]; l != 0 {
				i := y*w + x
				d[i] = min(d[i], at(x+1, y, l)+3, at(x, y+1, l)+3, at(x+1, y+1, l)+4, at(x-1, y+1, l)+4)
			}
		}
	}
	return d
}
