package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path/filepath"
	"quadtally/cmd/quadtally/internal/measured"
	"strings"
	"testing"
)

// leafOnSoil is a drawn photo: a leaf-coloured quarter on soil.
func leafOnSoil(t *testing.T, w, h int) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{120, 95, 70, 255}
			if x < w/2 && y < h/2 {
				c = color.RGBA{70, 120, 45, 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// hugePNG claims to be 60000 x 60000 pixels.
func hugePNG() []byte {
	b := []byte("\x89PNG\r\n\x1a\n")
	head := binary.BigEndian.AppendUint32(nil, 60000)
	head = binary.BigEndian.AppendUint32(head, 60000)
	head = append([]byte("IHDR"), append(head, 8, 2, 0, 0, 0)...)
	b = binary.BigEndian.AppendUint32(b, 13)
	b = append(b, head...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(head))
}

// TestBadPhotosAreNamedAndTheRestGoesOn: one line each with the way out, exit
// code 3, and the good photo measured.
func TestBadPhotosAreNamedAndTheRestGoesOn(t *testing.T) {
	dir := t.TempDir()
	good := leafOnSoil(t, 400, 400)
	put := func(name string, b []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("good.jpg", good)
	put("copy.jpg", good)
	put("letter.jpg", []byte("dear colleague, here is the photo"))
	put("zero.jpg", nil)
	put("half.jpg", good[:len(good)/2])
	put("last-bytes.jpg", good[:len(good)-2])
	put("huge.png", hugePNG())
	put("head.heic", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"))
	put("Thumbs.db", []byte("x"))

	r := say(t, "measure", "--no-frame", "--json", dir)
	r.expect(t, exitPartly, "letter.jpg: is named like a photo but does not hold one", "zero.jpg: is empty", "half.jpg: file is cut short",
		"last-bytes.jpg: file is cut short", "huge.png: ", "head.heic: ", "same content", "1 non-photo file ignored")
	got := map[string]measured.Line{}
	for _, line := range strings.Split(strings.TrimSpace(r.out), "\n") {
		var m measured.Line
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		got[filepath.Base(m.File)] = m
	}
	measuredNow := 0
	for name, m := range got {
		if m.Error == nil {
			measuredNow++
			if m.CoverPct == nil || *m.CoverPct < 24.5 || *m.CoverPct > 25.5 {
				t.Errorf("%s: cover %v, a quarter is green", name, m.CoverPct)
			}
		} else if m.CoverPct != nil {
			t.Errorf("%s has a fault and a number", name)
		}
	}
	if measuredNow != 1 || len(got) != 7 {
		t.Errorf("%d measured of %d, want the one good photo of 7", measuredNow, len(got))
	}
	say(t, "measure", "--frame", "500mm", filepath.Join(dir, "good.jpg")).expect(t, exitPartly, "no frame found")
	say(t, "measure", "--no-frame", t.TempDir()).expect(t, exitFailed, "there are no photos")
	say(t, "measure", "--no-frame", filepath.Join(dir, "nowhere")).expect(t, exitPartly, "no such file or folder")
}

// TestBadFoldersAndSheets: the commands inside a trial say what is wrong.
func TestBadFoldersAndSheets(t *testing.T) {
	dir := fourPlots(t, "RYE")
	say(t, "photos", t.TempDir(), "--trial", dir).expect(t, exitFailed, "there are no photos")
	say(t, "counts", filepath.Join(dir, "none.csv"), "--trial", dir).expect(t, exitFailed, "there is no such file")
	say(t, "counts", file(t, dir, "a.csv", "a,b\n1,2\n"), "--trial", dir).expect(t, exitFailed, "no column for the plot", "quadtally sheet")
	say(t, "counts", file(t, dir, "b.csv", "plot,quadrat,visit,grass\n999,1,1,4\n101,1,1,5\n"), "--trial", dir).
		expect(t, exitPartly, `b.csv:2: plot "999" is not in the layout`, "1 value stored")
	say(t, "counts", file(t, dir, "c.csv", "plot,quadrat,visit,grass\n999,1,1,4\n"), "--trial", dir).expect(t, exitFailed, "nothing could be read")
	say(t, "compare", "cover", "--trial", dir).expect(t, exitFailed, "there is no green cover in the record yet")
	say(t, "compare", "vigour", "--trial", dir).expect(t, exitUsage, `no response "vigour"`)
	say(t, "agree", "--trial", dir).expect(t, exitFailed, "cannot be held against the hand yet")
	say(t, "place", "IMG_1.jpg", "--yes", "--trial", dir).expect(t, exitFailed, "no photo of that name")
	dry := say(t, "counts", file(t, dir, "d.csv", "plot,quadrat,visit,grass\n101,1,1,6\n"), "--trial", dir, "--dry-run")
	dry.expect(t, exitDone, "nothing was stored", "was 5 plants, now 6 plants")
	say(t, "export", filepath.Join(dir, "out"), "--trial", dir).expect(t, exitDone)
	if rows := columns(t, filepath.Join(dir, "out", "observations.csv"), "plot", "value"); len(rows) != 1 || rows[0] != "101|5" {
		t.Errorf("a dry run changed the record: %v", rows)
	}
}
