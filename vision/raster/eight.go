package raster

import "encoding/binary"

// Eight bytes of a row are taken as one number, the first in its lowest bits, so
// that all can be compared at once.

// Eight is the first eight bytes of a row; where there are fewer rest stands for
// each that is missing.
func Eight(row []byte, rest byte) uint64 {
	if len(row) >= 8 {
		return binary.LittleEndian.Uint64(row)
	}
	return fewer(row, rest)
}

func fewer(row []byte, rest byte) (eight uint64) {
	for k := range 8 {
		v := rest
		if k < len(row) {
			v = row[k]
		}
		eight |= uint64(v) << (8 * k)
	}
	return eight
}

// TopBits gathers the top bit of each of eight bytes, that of the first in bit 0.
func TopBits(eight uint64) uint64 {
	return (eight & 0x8080808080808080) >> 7 * 0x0102040810204080 >> 56
}
