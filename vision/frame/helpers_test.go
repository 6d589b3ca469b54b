package frame

import "quadtally/vision/raster"

// Find looks for a frame in fresh memory.
func Find(r *raster.Raster, opt Options) (Frame, error) { return new(Workspace).Find(r, opt) }

// allMarks reads all marks in a photo.
func allMarks(r *raster.Raster) []SeenMark {
	ws := new(Workspace)
	return ws.allMarks(r, ws.coarseMarks(r))
}
