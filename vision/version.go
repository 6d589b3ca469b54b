package vision

import (
	"quadtally/vision/heif"
	"quadtally/vision/internal/mats"
	"quadtally/vision/jpegturbo"
)

// Library is a library that reads or computes pictures for this package.
type Library struct{ Name, Version string }

// Libraries lists them. OpenCV and libjpeg-turbo are as they were when the
// program was built, libheif as it is now.
func Libraries() []Library {
	return []Library{
		{"OpenCV", mats.Version()},
		{"libjpeg-turbo", jpegturbo.Version()},
		{"libheif", heif.Version()},
	}
}
