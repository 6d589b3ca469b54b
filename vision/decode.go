package vision

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"

	"golang.org/x/image/webp"

	"quadtally/vision/heif"
	"quadtally/vision/jpegturbo"
	"quadtally/vision/raster"
)

// Format is a kind of photo file, told by its first bytes; a file's name plays
// no part.
type Format string

// The formats that are read.
const (
	FormatJPEG Format = "jpeg"
	FormatPNG  Format = "png"
	FormatWebP Format = "webp"
	FormatHEIC Format = "heic"
)

// heifBrands are the major brands of ISO/IEC 23008-12 files with an HEVC
// picture or a generic one.
var heifBrands = map[string]bool{
	"heic": true, "heix": true, "heim": true, "heis": true, "hevc": true, "hevx": true, "mif1": true, "msf1": true,
}

// Sniff tells the format from the content. The error of anything else is one
// plain sentence with the way out.
func Sniff(photo []byte) (Format, error) {
	switch {
	case len(photo) == 0:
		return "", errors.New("file is empty: copy it again from the phone")
	case bytes.HasPrefix(photo, []byte("\xff\xd8\xff")):
		return FormatJPEG, nil
	case bytes.HasPrefix(photo, []byte("\x89PNG\r\n\x1a\n")):
		return FormatPNG, nil
	case len(photo) >= 12 && string(photo[:4]) == "RIFF" && string(photo[8:12]) == "WEBP":
		return FormatWebP, nil
	case len(photo) >= 12 && string(photo[4:8]) == "ftyp" && heifBrands[string(photo[8:12])]:
		return FormatHEIC, nil
	case len(photo) < 12:
		return "", fmt.Errorf("file holds only %d bytes: copy it again from the phone", len(photo))
	}
	return "", errors.New("not a photo this tool reads: give a JPEG, HEIC, PNG or WebP file")
}

// Limits against forged headers, checked before any pixel memory is asked for.
const (
	// maxPixelsJPEG bounds a photo that can be decoded at reduced scale;
	// 200 megapixels is the largest phone sensor sold.
	maxPixelsJPEG = 200e6
	// maxPixelsOther bounds formats that must be decoded whole.
	maxPixelsOther = 64e6
	// A camera's JPEG holds 2 to 20 pixels a byte and a flat one about 60;
	// deflate cannot reach 1032:1, so a PNG stays under 1100 pixels a byte
	// even with one byte a pixel.
	maxPixelsPerByte = 1100
	// minSide is the smallest side worth measuring, pixels.
	minSide = 16
)

func checkSize(w, h, bytes int, limit float64) error {
	n := float64(w) * float64(h)
	switch {
	case w < minSide || h < minSide:
		return fmt.Errorf("photo is only %d x %d pixels: use the original from the phone", w, h)
	case n > limit:
		return fmt.Errorf("photo says it is %d x %d pixels, more than the %.0f million allowed: save it smaller", w, h, limit/1e6)
	case n > maxPixelsPerByte*float64(bytes):
		return fmt.Errorf("photo says it is %d x %d pixels but the file holds only %d bytes: copy it again from the phone", w, h, bytes)
	}
	return nil
}

// Decode reads a photo at the coarsest scale (1/1, 1/2, 1/4 or 1/8; JPEG only)
// whose long side still has needLongSide pixels, 0 meaning full size. Only
// whole files are read: damage of any kind, a missing end included, is an
// error, and so are greyscale and CMYK photos, which hold no measure of green.
// Colours of a wider colour space than sRGB are brought to sRGB.
// notes are remarks that do not stop the reading.
func Decode(photo []byte, needLongSide int) (r *raster.Raster, f Format, notes []string, err error) {
	return new(Workspace).decode(photo, needLongSide)
}

// decode is Decode into the workspace: the planes last until its next photo.
func (ws *Workspace) decode(photo []byte, needLongSide int) (r *raster.Raster, f Format, notes []string, err error) {
	if f, err = Sniff(photo); err != nil {
		return nil, "", nil, err
	}
	switch f {
	case FormatJPEG:
		r, err = ws.decodeJPEG(photo, needLongSide)
	case FormatPNG:
		r, err = decodePNG(photo)
	case FormatWebP:
		r, err = decodeWebP(photo)
	case FormatHEIC:
		r, err = decodeHEIC(photo)
	}
	if err != nil {
		return nil, f, nil, err
	}
	if colourless(r) {
		return nil, f, nil, errGrey
	}
	ws.profile, ws.badProfile = ws.toSRGB(r, photo, f)
	r.Orientation = 1
	switch o := orientation(photo, f); {
	case o >= 1 && o <= 8:
		r.Orientation = o
	case o != 0:
		notes = append(notes, fmt.Sprintf("orientation %d in the photo's data does not exist: taken as upright", o))
	}
	return r, f, notes, nil
}

var errGrey = errors.New("photo has no colour: cover cannot be measured from a grey photo")

// colourless tells whether every pixel is neutral, as in a grey photo saved
// as colour.
func colourless(r *raster.Raster) bool {
	for i := range r.Cb {
		if r.Cb[i] != 128 || r.Cr[i] != 128 {
			return false
		}
	}
	return true
}

func (ws *Workspace) decodeJPEG(photo []byte, needLongSide int) (*raster.Raster, error) {
	h, err := jpegturbo.ReadHeader(photo)
	if err != nil {
		return nil, jpegTrouble(err)
	}
	if err := checkSize(h.Width, h.Height, len(photo), maxPixelsJPEG); err != nil {
		return nil, err
	}
	switch h.Model {
	case jpegturbo.Grey:
		return nil, errGrey
	case jpegturbo.CMYK:
		return nil, errors.New("photo is stored in printing inks (CMYK): save it as an ordinary RGB JPEG")
	case jpegturbo.Unknown:
		return nil, errors.New("photo's colour model is unknown: save it as an ordinary RGB JPEG")
	}
	denom := denomFor(max(h.Width, h.Height), needLongSide)
	p, err := jpegturbo.DecodeInto(photo, denom, func(n int) []byte { return raster.Sized(&ws.photo, n) })
	if err != nil {
		return nil, jpegTrouble(err)
	}
	return fromPlanes(p, h.Width, h.Height, denom), nil
}

// denomFor is the coarsest scale that keeps need pixels on the long side.
func denomFor(longSide, need int) int {
	denom := 1
	for need > 0 && denom < 8 && longSide/(2*denom) >= need {
		denom *= 2
	}
	return denom
}

func jpegTrouble(err error) error {
	var cut *jpegturbo.CutError
	switch {
	case errors.As(err, &cut):
		return fmt.Errorf("%w: copy it again from the phone", err)
	case errors.Is(err, jpegturbo.ErrCorrupt):
		return fmt.Errorf("%w: copy it again from the phone", err)
	}
	return err
}

func fromPlanes(p jpegturbo.Planes, fullWidth, fullHeight, denom int) *raster.Raster {
	return &raster.Raster{
		Width: p.Width, Height: p.Height, Y: p.Y,
		ChromaWidth: p.ChromaWidth, ChromaHeight: p.ChromaHeight, Cb: p.Cb, Cr: p.Cr,
		FullWidth: fullWidth, FullHeight: fullHeight, Denom: denom, Orientation: 1,
	}
}

func decodePNG(photo []byte) (*raster.Raster, error) {
	cfg, err := png.DecodeConfig(bytes.NewReader(photo))
	if err != nil {
		return nil, fmt.Errorf("png header cannot be read (%w): copy it again from the phone", err)
	}
	if err := checkSize(cfg.Width, cfg.Height, len(photo), maxPixelsOther); err != nil {
		return nil, err
	}
	if cfg.ColorModel == color.GrayModel || cfg.ColorModel == color.Gray16Model {
		return nil, errGrey
	}
	img, err := png.Decode(bytes.NewReader(photo))
	if err != nil {
		return nil, fmt.Errorf("png data is cut short or damaged (%w): copy it again from the phone", err)
	}
	w, h := cfg.Width, cfg.Height
	return fromPlanes(jpegturbo.FromRGB(interleave(img), w, h), w, h, 1), nil
}

// interleave lays an image out as 8-bit RGB, transparency left aside.
func interleave(img image.Image) []byte {
	b := img.Bounds()
	rgb := make([]byte, 0, 3*b.Dx()*b.Dy())
	quads := func(pix []byte, stride int) []byte {
		for y := range b.Dy() {
			row := pix[y*stride:][:4*b.Dx()]
			for ; len(row) > 0; row = row[4:] {
				rgb = append(rgb, row[0], row[1], row[2])
			}
		}
		return rgb
	}
	switch m := img.(type) {
	case *image.RGBA: // the png package gives it for opaque pictures only
		return quads(m.Pix, m.Stride)
	case *image.NRGBA:
		return quads(m.Pix, m.Stride)
	}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)
			rgb = append(rgb, c.R, c.G, c.B)
		}
	}
	return rgb
}

func decodeWebP(photo []byte) (*raster.Raster, error) {
	trouble := func(err error) error {
		return fmt.Errorf("webp data is cut short, damaged or animated (%w): copy it again from the phone", err)
	}
	cfg, err := webp.DecodeConfig(bytes.NewReader(photo))
	if err != nil {
		return nil, trouble(err)
	}
	// A lossless WebP can code a flat picture in a handful of bytes, so the
	// bytes are no witness; the limit alone must do.
	if err := checkSize(cfg.Width, cfg.Height, cfg.Width*cfg.Height, maxPixelsOther); err != nil {
		return nil, err
	}
	img, err := webp.Decode(bytes.NewReader(photo))
	if err != nil {
		return nil, trouble(err)
	}
	w, h := cfg.Width, cfg.Height
	switch m := img.(type) {
	case *image.YCbCr:
		return fromVideo(m), nil
	case *image.NYCbCrA:
		return fromVideo(&m.YCbCr), nil
	}
	return fromPlanes(jpegturbo.FromRGB(interleave(img), w, h), w, h, 1), nil
}

// fromVideo widens the video range of lossy WebP (RFC 6386 section 9.2: BT.601,
// luma 16..235, chroma 16..240) to the full range of a Raster.
func fromVideo(m *image.YCbCr) *raster.Raster {
	var luma, chroma [256]byte
	for i := range 256 {
		luma[i] = clampByte((float64(i)-16)*255/219 + .5)
		chroma[i] = clampByte((float64(i)-128)*255/224 + 128.5)
	}
	w, h := m.Rect.Dx(), m.Rect.Dy()
	cw, ch := (w+1)/2, (h+1)/2
	plane := func(src []byte, stride, w, h int, table *[256]byte) []byte {
		out := make([]byte, 0, w*h)
		for y := range h {
			for _, v := range src[y*stride:][:w] {
				out = append(out, table[v])
			}
		}
		return out
	}
	return &raster.Raster{
		Width: w, Height: h, Y: plane(m.Y, m.YStride, w, h, &luma),
		ChromaWidth: cw, ChromaHeight: ch,
		Cb: plane(m.Cb, m.CStride, cw, ch, &chroma), Cr: plane(m.Cr, m.CStride, cw, ch, &chroma),
		FullWidth: w, FullHeight: h, Denom: 1, Orientation: 1,
	}
}

func clampByte(v float64) byte { return byte(min(max(v, 0), 255)) }

func decodeHEIC(photo []byte) (*raster.Raster, error) {
	const wayOut = "convert it to JPEG, or set the phone's camera to its most compatible format"
	h, err := heif.ReadHeader(photo)
	if err != nil {
		return nil, fmt.Errorf("%w: copy it again, %s", err, wayOut)
	}
	if err := checkSize(h.Width, h.Height, len(photo), maxPixelsOther); err != nil {
		return nil, err
	}
	rgb, h, err := heif.Decode(photo)
	if err != nil {
		return nil, fmt.Errorf("%w: copy it again, %s", err, wayOut)
	}
	return fromPlanes(jpegturbo.FromRGB(rgb, h.Width, h.Height), h.Width, h.Height, 1), nil
}
