package jpegturbo

// Decode reads a file into fresh memory.
func Decode(data []byte, denom int) (Planes, error) {
	return DecodeInto(data, denom, func(n int) []byte { return make([]byte, n) })
}
