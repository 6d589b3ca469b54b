package intake

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/bep/imagemeta"

	"quadtally/cmd/quadtally/internal/trial"
)

// Facts is what a photo says of itself, apart from its pixels.
type Facts struct {
	Format   Format
	Taken    string     // local wall time as the camera showed it, YYYY-MM-DDTHH:MM:SS; "" unknown
	NameDate trial.Date // a date in the file name: when sent or saved, to be confirmed; zero where none
	Camera   string
	Serial   string   // of the camera; "" where it does not say
	Lat, Lon *float64 // nil where not recorded
	Notes    []string
}

// wanted are the tags read; everything else in a header is passed over.
var wanted = map[string]bool{
	"DateTimeOriginal": true, "DateTimeDigitized": true, "CreateDate": true,
	"Make": true, "Model": true, "BodySerialNumber": true, "CameraSerialNumber": true, "SerialNumber": true,
	"GPSLatitude": true, "GPSLatitudeRef": true, "GPSLongitude": true, "GPSLongitudeRef": true,
}

var metaFormat = map[Format]imagemeta.ImageFormat{
	JPEG: imagemeta.JPEG, PNG: imagemeta.PNG, WebP: imagemeta.WebP, HEIC: imagemeta.HEIF,
}

// ReadFacts reads a photo's header. It never fails: what cannot be read is
// unknown, and said in Notes. A file's modification time is never a date: it
// is the day somebody copied it.
func ReadFacts(path string, photo []byte) Facts {
	f := Facts{Format: Sniff(photo[:min(len(photo), headBytes)])}
	if n := SuffixNote(path, f.Format); n != "" {
		f.Notes = append(f.Notes, n)
	}
	tags, err := readTags(photo, f.Format)
	if err != nil {
		f.Notes = append(f.Notes, "the camera's header is damaged; its date is not used")
	}
	for _, name := range []string{"DateTimeOriginal", "CreateDate", "DateTimeDigitized"} {
		raw, ok := tags[name].(string)
		if !ok {
			continue
		}
		if t, ok := wallTime(raw); ok {
			f.Taken = t.Format("2006-01-02T15:04:05")
		} else {
			f.Notes = append(f.Notes, fmt.Sprintf("the camera's date %q is no date", strings.TrimSpace(raw)))
		}
		break
	}
	mk, _ := tags["Make"].(string)
	model, _ := tags["Model"].(string)
	f.Camera = strings.TrimSpace(printable(mk) + " " + printable(model))
	for _, name := range []string{"BodySerialNumber", "CameraSerialNumber", "SerialNumber"} {
		if serial, ok := tags[name].(string); ok && f.Serial == "" {
			f.Serial = strings.TrimSpace(printable(serial))
		}
	}
	f.Lat, f.Lon = position(tags)
	f.NameDate = dateInName(path)
	return f
}

// Day is the wall-clock day the photo was taken; zero where unknown.
func (f Facts) Day() trial.Date { return DayOf(f.Taken) }

// DayOf takes the day out of a wall time as written in Facts.Taken.
func DayOf(taken string) trial.Date {
	if len(taken) < 10 {
		return trial.Date{}
	}
	d, err := trial.ParseDate(taken[:10])
	if err != nil {
		return trial.Date{}
	}
	return d
}

// headerLimit is far longer than any header takes.
const headerLimit = 10 * time.Second

// readTags guards the header library: a header from the field may be anything.
func readTags(photo []byte, format Format) (map[string]any, error) {
	return within(headerLimit, func() (map[string]any, error) { return decodeTags(photo, format) })
}

// within gives up on what takes longer than limit. What is given up on is left
// to itself: nothing can end it, and the other photos wait no longer for it.
func within(limit time.Duration, read func() (map[string]any, error)) (map[string]any, error) {
	type answer struct {
		tags map[string]any
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		tags, err := read()
		got <- answer{tags, err}
	}()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case a := <-got:
		return a.tags, a.err
	case <-timer.C:
		return map[string]any{}, fmt.Errorf("header: not read within %v", limit)
	}
}

func decodeTags(photo []byte, format Format) (tags map[string]any, err error) {
	tags = map[string]any{}
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("header: %v", r)
		}
	}()
	_, err = imagemeta.Decode(imagemeta.Options{
		R:           bytes.NewReader(photo),
		ImageFormat: metaFormat[format],
		Sources:     imagemeta.EXIF,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool {
			return wanted[t.Tag] && !strings.HasPrefix(t.Namespace, "IFD1")
		},
		HandleTag: func(t imagemeta.TagInfo) error {
			if _, seen := tags[t.Tag]; !seen {
				tags[t.Tag] = t.Value
			}
			return nil
		},
		Warnf: func(string, ...any) {},
	})
	if err == io.EOF {
		err = nil
	}
	return tags, err
}

// wallTime reads an EXIF date. There is no zone in it and none is wanted: the
// clock on the wall decides which visit a photo belongs to.
func wallTime(raw string) (time.Time, bool) {
	t, err := time.Parse("2006:01:02 15:04:05", strings.TrimSpace(strings.Trim(raw, "\x00")))
	return t, err == nil && t.Year() > 0
}

// position needs all four tags, and 0/0 is a phone without a fix, not a place.
func position(tags map[string]any) (lat, lon *float64) {
	a, okA := tags["GPSLatitude"].(float64)
	b, okB := tags["GPSLongitude"].(float64)
	if !okA || !okB || math.IsNaN(a) || math.IsNaN(b) || math.Abs(a) > 90 || math.Abs(b) > 180 || (a == 0 && b == 0) {
		return nil, nil
	}
	if ref, _ := tags["GPSLatitudeRef"].(string); strings.HasPrefix(ref, "S") {
		a = -math.Abs(a)
	}
	if ref, _ := tags["GPSLongitudeRef"].(string); strings.HasPrefix(ref, "W") {
		b = -math.Abs(b)
	}
	return &a, &b
}

var nameDate = regexp.MustCompile(`(?:^|[^0-9])(20[0-9]{2})[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12][0-9]|3[01])(?:[^0-9]|$)`)

// dateInName finds a date in a file name such as IMG-20250616-WA0003.jpg.
func dateInName(path string) trial.Date {
	m := nameDate.FindStringSubmatch(filepath.Base(path))
	if m == nil {
		return trial.Date{}
	}
	d, err := trial.ParseDate(m[1] + "-" + m[2] + "-" + m[3])
	if err != nil {
		return trial.Date{}
	}
	return d
}

func printable(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0xfffd {
			return -1
		}
		return r
	}, s))
}
