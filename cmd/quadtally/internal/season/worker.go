package season

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"os/exec"
	"slices"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/workers"
	"quadtally/vision"
	"quadtally/vision/classes"
)

// Job is one photo for a worker process: to be measured, or, where Picture
// gives a long side in pixels, to be drawn as it is.
type Job struct {
	Path    string         `json:"path"` // on its way to the worker as [intake.PathText]
	Hash    string         `json:"hash"` // of the bytes it was taken in with
	Options vision.Options `json:"options"`
	Picture int            `json:"picture,omitempty"`
}

// Reply is what a worker answers. Fault is a sentence where the photo could
// not be measured; the facts stand all the same.
type Reply struct {
	Facts intake.Facts `json:"facts"`
	// Measured is the measurement as the record keeps it, nil where there is
	// none, so that curve, plane and looks are coded once on their way there;
	// [LoadMeasurement] reads it.
	Measured  *record.Measurement `json:"measured,omitempty"`
	Fault     string              `json:"fault"`
	FaultCode record.FaultCode    `json:"fault_code,omitempty"`
	Card      string              `json:"card,omitempty"` // the only one of a photo without frame: it can be placed all the same
	Cards     []string            `json:"cards,omitempty"`
	Picture   *Picture            `json:"picture,omitempty"`
	// Unreachable means that the file could not be read or holds other bytes:
	// nothing is stored about the photo, and the next run tries again.
	Unreachable bool `json:"unreachable,omitempty"`
}

// Picture is a drawing of a photo, and the full size of the photo in pixels.
type Picture struct {
	JPEG          []byte `json:"jpeg"`
	Width, Height int
}

// NewPicture codes a drawing of a photo of the given full size.
func NewPicture(img *image.RGBA, width, height int) (*Picture, error) {
	b, err := vision.JPEG(img)
	return &Picture{b, width, height}, err
}

// DrawUpright draws a whole photo, at most longSide pixels long.
func DrawUpright(photo []byte, longSide int) (*Picture, error) {
	img, w, h, err := vision.Upright(photo, longSide)
	if err != nil {
		return nil, err
	}
	return NewPicture(img, w, h)
}

// Worker does one job after another inside a worker process.
type Worker struct{ space vision.Workspace }

// Do does one job.
func (w *Worker) Do(j Job) Reply {
	j.Path = intake.PathOfText(j.Path)
	var r Reply
	photo, unchanged, err := readUnchanged(j.Path, j.Hash)
	if err == nil && !unchanged && j.Picture == 0 {
		err = errors.New(otherBytes)
	}
	if err != nil {
		r.Fault, r.Unreachable = err.Error(), true
		return r
	}
	if j.Picture > 0 {
		if r.Picture, err = DrawUpright(photo, j.Picture); err != nil {
			r.Fault, r.FaultCode = err.Error(), record.FaultPhoto
		}
		return r
	}
	r.Facts = intake.ReadFacts(j.Path, photo)
	m, err := w.space.Measure(photo, j.Options)
	if err != nil {
		r.Fault, r.FaultCode = err.Error(), record.FaultPhoto
		var noFrame *vision.NoFrameError
		if errors.As(err, &noFrame) {
			r.Card, r.Cards = noFrame.Card, noFrame.Cards
		}
		return r
	}
	if r.Measured, err = coded(m); err != nil {
		r.Measured, r.Fault, r.FaultCode = nil, err.Error(), record.FaultPhoto
	}
	return r
}

// WorkerCommand is the argument that makes the program a worker process.
const WorkerCommand = "worker"

// WorkerEnv marks a worker process in its environment.
const WorkerEnv = "QUADTALLY_WORKER"

// ServeJobs is the worker process: it answers the jobs that come in.
func ServeJobs(in io.Reader, out io.Writer) error {
	return workers.Serve(in, out, new(Worker).Do)
}

// runJobs has jobs done by worker processes; done is called for each in any
// order, one at a time.
func (o Options) runJobs(ctx context.Context, jobs []Job, done func(i int, r Reply) error) error {
	exe, err := os.Executable()
	if err != nil {
		return fmt.Errorf("the program cannot find itself to start workers: %w", err)
	}
	opt := workers.Options{Workers: o.Workers, Limit: o.Limit, Start: func() *exec.Cmd {
		cmd := exec.Command(exe, WorkerCommand)
		cmd.Env = append(os.Environ(),
			"OPENCV_FOR_THREADS_NUM=1", // photos are spread over processes, not threads
			"GOMAXPROCS=2", "GOMEMLIMIT=100MiB", WorkerEnv+"=1")
		return cmd
	}}
	sent := slices.Clone(jobs)
	for i := range sent {
		sent[i].Path = intake.PathText(sent[i].Path) // JSON carries no name that is not UTF-8
	}
	return workers.Run(ctx, sent, opt, func(ans workers.Answer[Reply]) error {
		if ans.Err != nil {
			switch {
			case errors.Is(ans.Err, workers.ErrCrashed):
				ans.Result.FaultCode = record.FaultCrashed
			case errors.Is(ans.Err, workers.ErrTooLong):
				ans.Result.FaultCode = record.FaultTimeout
			default:
				return ans.Err
			}
			ans.Result.Fault = ans.Err.Error()
			if photo, err := readPhoto(jobs[ans.Index].Path); err == nil {
				ans.Result.Facts = intake.ReadFacts(jobs[ans.Index].Path, photo)
			}
		}
		return done(ans.Index, ans.Result)
	})
}

// DrawApart draws a whole photo in a process of its own: one that could not be
// measured may be broken in any way.
func DrawApart(ctx context.Context, path string, longSide int) (pic *Picture, err error) {
	opt := Options{Workers: 1, Limit: 20 * time.Second}
	err = opt.runJobs(ctx, []Job{{Path: path, Picture: longSide}}, func(_ int, r Reply) error {
		if pic = r.Picture; pic == nil {
			return fmt.Errorf("the photo cannot be shown: %s", r.Fault)
		}
		return nil
	})
	return pic, err
}

// coded is a measurement as the record keeps it: curve, plane and looks lie
// beside the document, not in it.
func coded(v vision.Measurement) (*record.Measurement, error) {
	var m record.Measurement
	var err error
	if m.Doc, err = measurementDoc(v); err != nil {
		return nil, err
	}
	if m.Curve, err = v.Curve.MarshalBinary(); err != nil {
		return nil, err
	}
	if v.Plane != nil {
		if m.Plane, err = v.Plane.MarshalBinary(); err != nil {
			return nil, err
		}
	}
	if v.Looks != nil {
		m.Looks, err = v.Looks.MarshalBinary()
	}
	return &m, err
}

// toMeasurement is a reply as the record keeps it.
func (r Reply) toMeasurement(hash, fingerprint, guide string) (m record.Measurement, err error) {
	switch {
	case r.Measured != nil:
		m = *r.Measured
	case r.Card != "":
		m.Doc, err = measurementDoc(vision.Measurement{Card: r.Card, Index: vision.DefaultOptions().Index})
	}
	m.Hash, m.Fingerprint, m.Guide, m.Fault, m.FaultCode = hash, fingerprint, guide, r.Fault, r.FaultCode
	return m, err
}

func measurementDoc(m vision.Measurement) (json.RawMessage, error) {
	m.Plane, m.Looks = nil, nil
	m.Curve = vision.Curve{Index: m.Index}
	return json.Marshal(m)
}

// LoadMeasurement puts a stored measurement together again.
func LoadMeasurement(s record.Measurement) (vision.Measurement, error) {
	m, err := decode[vision.Measurement](s.Doc)
	if err != nil {
		return m, fmt.Errorf("its stored measurement cannot be read: %w", err)
	}
	if err := m.Curve.UnmarshalBinary(s.Curve); err != nil {
		return m, fmt.Errorf("its stored curve cannot be read: %w", err)
	}
	if len(s.Plane) > 0 {
		m.Plane = new(vision.Plane)
		if err := m.Plane.UnmarshalBinary(s.Plane); err != nil {
			return m, fmt.Errorf("its stored plane cannot be read: %w", err)
		}
	}
	if len(s.Looks) > 0 {
		m.Looks = new(classes.Looks)
		if err := m.Looks.UnmarshalBinary(s.Looks); err != nil {
			return m, err
		}
	}
	return m, nil
}
