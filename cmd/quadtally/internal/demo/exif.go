package demo

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// exifSegment returns the APP1 segment of photo p: the phone's invented make
// and model, the orientation, and when the photo was taken by the phone's
// clock, with or without its offset from UTC (EXIF 2.31, tags 0x9003 and
// 0x9011).
func exifSegment(p *PhotoPlan) []byte {
	type entry struct {
		tag, kind uint16
		data      []byte
	}
	ascii := func(tag uint16, s string) entry { return entry{tag, 2, append([]byte(s), 0)} }
	short := func(tag, v uint16) entry { return entry{tag, 3, binary.BigEndian.AppendUint16(nil, v)} }
	long := func(tag uint16, v int) entry { return entry{tag, 4, binary.BigEndian.AppendUint32(nil, uint32(v))} }
	when := p.Taken.Format("2006:01:02 15:04:05")

	w, h := p.Width, p.Height
	if p.Orientation != 1 {
		w, h = h, w
	}
	sub := []entry{ascii(0x9003, when), ascii(0x9004, when)}
	if p.WithOffset {
		sub = append(sub, ascii(0x9011, p.Taken.Format("-07:00")))
	}
	sub = append(sub, long(0xA002, w), long(0xA003, h))
	main := []entry{ascii(0x010F, "Alder"), ascii(0x0110, "Field Phone"), short(0x0112, uint16(p.Orientation)),
		ascii(0x0132, when), long(0x8769, 0)}

	// A directory is a count, 12 bytes an entry, the offset of the next, then
	// what did not fit into four bytes; offsets count from the TIFF header.
	directory := func(list []entry, start int) []byte {
		size := 2 + 12*len(list) + 4
		var head, tail bytes.Buffer
		binary.Write(&head, binary.BigEndian, uint16(len(list)))
		for _, e := range list {
			n := len(e.data)
			switch e.kind {
			case 3:
				n /= 2
			case 4:
				n /= 4
			}
			binary.Write(&head, binary.BigEndian, e.tag)
			binary.Write(&head, binary.BigEndian, e.kind)
			binary.Write(&head, binary.BigEndian, uint32(n))
			if len(e.data) <= 4 {
				head.Write(append(append([]byte{}, e.data...), make([]byte, 4-len(e.data))...))
				continue
			}
			binary.Write(&head, binary.BigEndian, uint32(start+size+tail.Len()))
			tail.Write(e.data)
			if tail.Len()%2 == 1 {
				tail.WriteByte(0)
			}
		}
		binary.Write(&head, binary.BigEndian, uint32(0))
		return append(head.Bytes(), tail.Bytes()...)
	}
	const first = 8
	subAt := first + len(directory(main, first))
	main[len(main)-1] = long(0x8769, subAt)
	tiff := append([]byte("MM\x00\x2a\x00\x00\x00\x08"), directory(main, first)...)
	tiff = append(tiff, directory(sub, subAt)...)

	body := append([]byte("Exif\x00\x00"), tiff...)
	if len(body)+2 > 0xFFFF {
		panic(fmt.Sprintf("demo: EXIF of %d bytes", len(body)))
	}
	seg := binary.BigEndian.AppendUint16([]byte{0xFF, 0xE1}, uint16(len(body)+2))
	return append(seg, body...)
}
