package season

import (
	"context"
	"fmt"
	"image"
	"os"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/vision"
)

// LooseOptions says how photos outside any trial are measured.
type LooseOptions struct {
	Vision    vision.Options
	Alone     bool     // each photo has a threshold of its own; else those of one camera date share one
	Threshold *float64 // nil: it follows from the photos
}

// Loose are photos measured outside any trial. It keeps a temporary file
// until it is closed.
type Loose struct {
	Photos []LoosePhoto
	Copies []Copy
	Faults []intake.Fault // files that could not be taken in at all
	// Ignored is the number of files that are no photos.
	Ignored int

	planes *planeFile
}

// LoosePhoto is one of them. Measurement, whose plane is left out, and Result
// are nil where Fault says why it was not measured.
type LoosePhoto struct {
	Path        string
	Facts       intake.Facts
	Measurement *vision.Measurement
	Result      *vision.Result
	Fault       string
	// Cards were read all the same where the photo gave no measurement; Card is
	// the one of them, "" where another lies in the photo, read or not.
	Card  string
	Cards []string
}

// MeasureLoose measures the photos of files and folders outside any trial.
func MeasureLoose(ctx context.Context, paths []string, loose LooseOptions, opt Options) (*Loose, error) {
	scan, err := intake.Walk(ctx, paths, nil, nil)
	if err != nil {
		return nil, err
	}
	if len(scan.Files)+len(scan.Faults) == 0 {
		return nil, &NoPhotosError{paths, scan.Seen}
	}
	l := &Loose{Photos: make([]LoosePhoto, len(scan.Files)), Faults: scan.Faults, Ignored: scan.IgnoredCount()}
	jobs := make([]Job, len(scan.Files))
	for i, f := range scan.Files {
		jobs[i] = Job{Path: f.Path, Hash: f.Hash, Options: loose.Vision}
		l.Photos[i].Path = f.Path
		for _, c := range scan.Copies[f.Hash] {
			l.Copies = append(l.Copies, Copy{c, f.Path})
		}
	}
	if l.planes, err = newPlaneFile(); err != nil {
		return nil, err
	}
	keep := func(i int, r Reply) error {
		p := &l.Photos[i]
		p.Facts, p.Fault, p.Card, p.Cards = r.Facts, r.Fault, r.Card, r.Cards
		if r.Measured == nil {
			return nil
		}
		plane := r.Measured.Plane
		r.Measured.Plane = nil
		m, err := LoadMeasurement(*r.Measured)
		if err != nil {
			return err
		}
		p.Measurement = &m
		return l.planes.put(i, plane)
	}
	unreachable, err := opt.measurePhotos(ctx, jobs, keep, nil)
	if err == nil {
		for _, x := range unreachable {
			for i := range l.Photos {
				if l.Photos[i].Path == x.Path {
					l.Photos[i].Fault = x.Text
				}
			}
		}
		err = l.applyThresholds(loose)
	}
	if err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// Close gives back the temporary file.
func (l *Loose) Close() { l.planes.close() }

// applyThresholds gives every group of photos its threshold and every photo
// its numbers.
func (l *Loose) applyThresholds(loose LooseOptions) error {
	group := func(i int) string {
		if loose.Alone {
			return fmt.Sprint(i)
		}
		return intake.DayOf(l.Photos[i].Facts.Taken).String()
	}
	curves := map[string][]vision.Curve{}
	for i, p := range l.Photos {
		if p.Measurement != nil {
			curves[group(i)] = append(curves[group(i)], p.Measurement.Curve)
		}
	}
	thresholds := map[string]vision.Threshold{}
	for g, list := range curves {
		th, err := vision.VisitThreshold(list, loose.Vision)
		if loose.Threshold != nil {
			th, err = vision.HandThreshold(loose.Vision.Index, *loose.Threshold)
		}
		if err != nil {
			return err
		}
		thresholds[g] = th
	}
	for i := range l.Photos {
		p := &l.Photos[i]
		if p.Measurement == nil {
			continue
		}
		m, err := l.planes.complete(i, *p.Measurement)
		if err != nil {
			return err
		}
		res, err := vision.AtThreshold(m, thresholds[group(i)], loose.Vision)
		if err != nil {
			return fmt.Errorf("%s: %w", p.Path, err)
		}
		p.Result = &res
	}
	return nil
}

// Outlined is the straightened ground of a measured photo with its green
// outlined, longSide pixels long.
func (l *Loose) Outlined(i, longSide int) (image.Image, error) {
	p := l.Photos[i]
	photo, err := readPhoto(p.Path)
	if err != nil {
		return nil, err
	}
	m, err := l.planes.complete(i, *p.Measurement)
	if err != nil {
		return nil, err
	}
	img, err := vision.Straighten(photo, m, longSide)
	if err == nil {
		err = vision.Outline(img, m, p.Result.Threshold.Value)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.Path, err)
	}
	return img, nil
}

// planeFile keeps the planes of measured photos in a temporary file until the
// threshold of their group is known, so that memory does not grow with the
// number of photos.
type planeFile struct {
	file *os.File
	end  int64
	at   map[int]span // photo: where its plane is
}

// span is a stretch of a file in bytes.
type span struct{ from, length int64 }

func newPlaneFile() (*planeFile, error) {
	f, err := os.CreateTemp("", "quadtally-*")
	if err != nil {
		return nil, fmt.Errorf("a temporary file cannot be made: %w", err)
	}
	return &planeFile{file: f, at: map[int]span{}}, nil
}

func (f *planeFile) close() {
	f.file.Close()
	os.Remove(f.file.Name())
}

// put moves the coded plane of a photo into the file.
func (f *planeFile) put(photo int, b []byte) error {
	if len(b) == 0 {
		return nil
	}
	if _, err := f.file.WriteAt(b, f.end); err != nil {
		return fmt.Errorf("no room for temporary files in %s: free some space, or name another place in TMPDIR (%w)", os.TempDir(), err)
	}
	f.at[photo] = span{f.end, int64(len(b))}
	f.end += int64(len(b))
	return nil
}

// complete gives a photo's measurement with its plane.
func (f *planeFile) complete(photo int, m vision.Measurement) (vision.Measurement, error) {
	at, ok := f.at[photo]
	if !ok {
		return m, nil
	}
	b := make([]byte, at.length)
	if _, err := f.file.ReadAt(b, at.from); err != nil {
		return m, fmt.Errorf("a temporary file cannot be read back: %w", err)
	}
	m.Plane = new(vision.Plane)
	return m, m.Plane.UnmarshalBinary(b)
}
