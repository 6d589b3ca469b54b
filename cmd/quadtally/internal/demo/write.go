package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Trouble is one deliberate fault of the folder.
type Trouble struct {
	Kind string `json:"kind"` // duplicate, no card, blurred, truncated, companion, no exif
	File string `json:"file"` // the file with the fault
	Of   string `json:"of"`   // the sound photo it came from, or "" where the fault is the photo's own
	Say  string `json:"say"`  // what a careful reader of the folder should find
}

// plantTroubles picks the photos that go wrong, the same for every seed.
func (s *SeasonPlan) plantTroubles() {
	n := len(s.Photos)
	if n < 12 {
		return
	}
	at := func(share float64) *PhotoPlan { return &s.Photos[int(share*float64(n))] }
	own := func(p *PhotoPlan, kind, say string) {
		s.Troubles = append(s.Troubles, Trouble{Kind: kind, File: p.File, Say: say})
	}
	p := at(0.31)
	p.NoCard = true
	own(p, "no card", "no plot card lies in the picture")
	p = at(0.47)
	p.Light.BlurPX = 6
	own(p, "blurred", "too blurred to be measured")
	p = at(0.74)
	p.NoEXIF = true
	own(p, "no exif", "no date inside the file; its name still tells one")
	p = at(0.12)
	name := strings.TrimSuffix(p.File, ".jpg") + " (1).jpg"
	s.Troubles = append(s.Troubles, Trouble{"duplicate", name, p.File, "the same bytes as another photo"})
	p = at(0.58)
	name = strings.TrimSuffix(p.File, ".jpg") + "_1.jpg"
	s.Troubles = append(s.Troubles, Trouble{"truncated", name, p.File, "the copy stopped half way"})
	p = at(0.86)
	s.Troubles = append(s.Troubles, Trouble{"companion", "._" + p.File, p.File, "a computer's companion file, no photo"})
}

// Write paints all photos into the folder dir, which must exist, and adds the
// troubled copies. progress, which may be nil, is called after every photo
// from one goroutine at a time. Photos written before an interruption stay.
func (s *SeasonPlan) Write(ctx context.Context, dir string, progress func(done, total int)) error {
	err := s.each(ctx, len(s.Photos), progress, func() func(i int) error {
		r := NewRenderer(s.Seed)
		return func(i int) error {
			p := &s.Photos[i]
			data, err := r.JPEG(p)
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(dir, p.File), data, 0o644)
		}
	})
	if err != nil {
		return err
	}
	for _, t := range s.Troubles {
		if t.Of == "" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, t.Of))
		if err != nil {
			return err
		}
		switch t.Kind {
		case "truncated":
			data = data[:len(data)/2]
		case "companion":
			// AppleDouble: magic number, version 2, filler, no entries.
			data = append([]byte{0, 5, 0x16, 7, 0, 2, 0, 0}, make([]byte, 4088)...)
		}
		if err := os.WriteFile(filepath.Join(dir, t.File), data, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// WriteTruth writes the whole plan with its truth as JSON.
func (s *SeasonPlan) WriteTruth(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(s)
}

// JPEG renders photo p as the file the phone would have stored.
func (r *Renderer) JPEG(p *PhotoPlan) ([]byte, error) {
	img, err := r.Render(p)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, stored(img, p.Orientation), &jpeg.Options{Quality: p.Quality}); err != nil {
		return nil, fmt.Errorf("%s: %w", p.File, err)
	}
	if p.NoEXIF {
		return out.Bytes(), nil
	}
	data := out.Bytes()
	// The EXIF segment follows the start-of-image marker.
	return append(append(append([]byte{}, data[:2]...), exifSegment(p)...), data[2:]...), nil
}

// stored turns the upright picture into the pixels a sensor stores under an
// EXIF orientation: 6 is shown after a quarter turn clockwise, 8 after one
// counter-clockwise.
func stored(img *image.RGBA, orientation int) *image.RGBA {
	if orientation != 6 && orientation != 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	out := image.NewRGBA(image.Rect(0, 0, h, w))
	for y := range w {
		for x := range h {
			u, v := w-1-y, x
			if orientation == 8 {
				u, v = y, h-1-x
			}
			copy(out.Pix[y*out.Stride+4*x:y*out.Stride+4*x+4], img.Pix[v*img.Stride+4*u:])
		}
	}
	return out
}
