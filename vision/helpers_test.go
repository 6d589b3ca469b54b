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
