package vision

import (
	"bytes"
	"encoding/binary"
)

// orientation finds the EXIF orientation (CIPA DC-008, tag 0x0112) of a JPEG,
// PNG or WebP file. It is 0 where the file has none; any other number is what
// the file says, in range or not. It never reads beyond data.
func orientation(data []byte, f Format) int {
	switch f {
	case FormatJPEG:
		return jpegOrientation(data)
	case FormatPNG:
		return pngOrientation(data)
	case FormatWebP:
		return webpOrientation(data)
	}
	return 0
}

// jpegOrientation walks the marker segments ahead of the picture data.
func jpegOrientation(data []byte) int {
	const (
		startOfScan = 0xDA
		app1        = 0xE1
	)
	for at := 2; at+4 <= len(data) && data[at] == 0xFF; {
		marker := data[at+1]
		if marker == 0xFF { // fill byte
			at++
			continue
		}
		if marker == startOfScan {
			return 0
		}
		size := int(binary.BigEndian.Uint16(data[at+2:]))
		end := at + 2 + size
		if size < 2 || end > len(data) {
			return 0
		}
		if marker == app1 {
			if tiff, ok := bytes.CutPrefix(data[at+4:end], []byte("Exif\x00\x00")); ok {
				return tiffOrientation(tiff)
			}
		}
		at = end
	}
	return 0
}

func pngOrientation(data []byte) int {
	for at := 8; at+12 <= len(data); {
		size := int64(binary.BigEndian.Uint32(data[at:]))
		if size > int64(len(data)-at-12) {
			return 0
		}
		if string(data[at+4:at+8]) == "eXIf" {
			return tiffOrientation(data[at+8 : at+8+int(size)])
		}
		at += 12 + int(size)
	}
	return 0
}

func webpOrientation(data []byte) int {
	for at := 12; at+8 <= len(data); {
		size := int64(binary.LittleEndian.Uint32(data[at+4:]))
		if size > int64(len(data)-at-8) {
			return 0
		}
		if string(data[at:at+4]) == "EXIF" {
			body := data[at+8 : at+8+int(size)]
			if tiff, ok := bytes.CutPrefix(body, []byte("Exif\x00\x00")); ok {
				body = tiff
			}
			return tiffOrientation(body)
		}
		at += 8 + int(size+size&1) // chunks are padded to even length
	}
	return 0
}

// tiffOrientation reads the tag from the first directory of a TIFF block.
func tiffOrientation(tiff []byte) int {
	v, _ := tiffTag(tiff, 0, 0x0112)
	return int(v)
}

// tiffTag reads a tag of one short or long number from the directory at a place
// of a TIFF block, 0 meaning its first one.
func tiffTag(tiff []byte, at uint32, tag uint16) (uint32, bool) {
	if len(tiff) < 8 {
		return 0, false
	}
	var order binary.ByteOrder
	switch string(tiff[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 0, false
	}
	const (
		entrySize = 12
		typeShort = 3
		typeLong  = 4
	)
	if at == 0 {
		at = order.Uint32(tiff[4:])
	}
	dir := int64(at)
	if dir < 8 || dir+2 > int64(len(tiff)) {
		return 0, false
	}
	entries := int(order.Uint16(tiff[dir:]))
	for i := range entries {
		at := dir + 2 + int64(i)*entrySize
		if at+entrySize > int64(len(tiff)) {
			return 0, false
		}
		e := tiff[at : at+entrySize]
		if order.Uint16(e) != tag {
			continue
		}
		switch order.Uint16(e[2:]) {
		case typeShort:
			return uint32(order.Uint16(e[8:])), true
		case typeLong:
			return order.Uint32(e[8:]), true
		}
	}
	return 0, false
}

// stitched tells whether a photo says that it is a panorama: by the tags of
// panoramas in its XMP (Google's GPano namespace) or by CustomRendered 6 in its
// EXIF block, which phones write for one (tag 0xA401; CIPA DC-008 reserves the
// number, its use is common practice). What stands behind the first megabyte is
// picture.
func stitched(photo []byte, f Format) bool {
	head := photo[:min(len(photo), 1<<20)]
	if bytes.Contains(head, []byte("GPano:")) {
		return true
	}
	at := bytes.Index(head, []byte("Exif\x00\x00"))
	if at < 0 || f != FormatJPEG {
		return false
	}
	const (
		tagExif           = 0x8769
		tagCustomRendered = 0xA401
		panorama          = 6
	)
	tiff := head[at+6:]
	dir, ok := tiffTag(tiff, 0, tagExif)
	if !ok || dir == 0 {
		return false
	}
	v, ok := tiffTag(tiff, dir, tagCustomRendered)
	return ok && v == panorama
}
