package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image/jpeg"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"time"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/workers"
	"quadtally/vision"
)

// maxPhotoBytes is the largest photo file that is read at all.
const maxPhotoBytes = 256 << 20

// photoJob is one photo for a worker process: to be measured, or, where
// Picture gives a long side in pixels, to be drawn as it is.
type photoJob struct {
	Path    string         `json:"path"`
	Hash    string         `json:"hash"` // of the bytes it was taken in with
	Options vision.Options `json:"options"`
	Picture int            `json:"picture,omitempty"`
}

// photoReply is what a worker answers. Fault is a sentence where the photo
// could not be measured; the facts stand all the same. Gone means that the
// photo could not be read at all or the file holds another, which says nothing
// about the photo.
type photoReply struct {
	Facts       intake.Facts        `json:"facts"`
	Measurement *vision.Measurement `json:"measurement"`
	Fault       string              `json:"fault"`
	Card        string              `json:"card,omitempty"` // of a photo without frame: it can be placed all the same
	Gone        bool                `json:"gone,omitempty"`
	Picture     *drawnPhoto         `json:"picture,omitempty"`
}

// drawnPhoto is a picture made of a photo, and the full size of the photo.
type drawnPhoto struct {
	JPEG          []byte `json:"jpeg"`
	Width, Height int
}

// drawUpright draws a whole photo.
func drawUpright(photo []byte, longSide int) (*drawnPhoto, error) {
	img, w, h, err := vision.Upright(photo, longSide)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = jpeg.Encode(&b, img, &jpeg.Options{Quality: 85})
	return &drawnPhoto{b.Bytes(), w, h}, err
}

// photoWorker does one job after another inside a worker process.
type photoWorker struct{ space vision.Workspace }

func (w *photoWorker) measure(j photoJob) photoReply {
	var r photoReply
	photo, same, err := holds(j.Path, j.Hash)
	if err == nil && !same && j.Picture == 0 {
		err = errors.New(otherBytes)
	}
	if err != nil {
		r.Fault, r.Gone = err.Error(), true
		return r
	}
	if j.Picture > 0 {
		if r.Picture, err = drawUpright(photo, j.Picture); err != nil {
			r.Fault = err.Error()
		}
		return r
	}
	r.Facts = intake.ReadFacts(j.Path, photo)
	m, err := w.space.Measure(photo, j.Options)
	if err != nil {
		r.Fault = err.Error()
		var noFrame *vision.NoFrameError
		if errors.As(err, &noFrame) {
			r.Card = noFrame.Card
		}
		return r
	}
	r.Measurement = &m
	return r
}

// workerCommand is the child's side; people never call it.
func workerCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:    "worker",
		Short:  "Measure photos named on standard input (used by quadtally itself)",
		Hidden: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			// Ctrl-C reaches the whole process group; a worker finishes its
			// photo and ends when its input does.
			signal.Ignore(os.Interrupt)
			return workers.Serve(a.in, os.Stdout, new(photoWorker).measure)
		},
	}
}

// workerOptions says how many workers run and how they are started. Each is
// this program itself, told to play the worker.
func (a *app) workerOptions(number int, limit time.Duration) (workers.Options, error) {
	exe, err := os.Executable()
	if err != nil {
		return workers.Options{}, fmt.Errorf("the program cannot find itself to start workers: %w", err)
	}
	if number <= 0 {
		number = runtime.NumCPU()
	}
	return workers.Options{Workers: number, Limit: limit, Start: func() *exec.Cmd {
		cmd := exec.Command(exe, "worker")
		cmd.Env = append(os.Environ(),
			"OPENCV_FOR_THREADS_NUM=1", // photos are spread over processes, not threads
			"GOMAXPROCS=2", "GOMEMLIMIT=100MiB", workerEnv+"=1")
		return cmd
	}}, nil
}

// workerEnv marks a child process, so that a test binary can play the worker.
const workerEnv = "QUADTALLY_WORKER"

// measureAll measures photos in worker processes; done is called for each in
// any order.
func (a *app) measureAll(ctx context.Context, jobs []photoJob, number int, limit time.Duration, done func(i int, r photoReply) error) error {
	opt, err := a.workerOptions(number, limit)
	if err != nil {
		return err
	}
	return workers.Run(ctx, jobs, opt, func(ans workers.Answer[photoReply]) error {
		if ans.Err != nil {
			if !errors.Is(ans.Err, workers.ErrCrashed) && !errors.Is(ans.Err, workers.ErrTooLong) {
				return ans.Err
			}
			ans.Result.Fault = ans.Err.Error()
			if photo, err := readFile(jobs[ans.Index].Path, maxPhotoBytes); err == nil {
				ans.Result.Facts = intake.ReadFacts(jobs[ans.Index].Path, photo)
			}
		}
		return done(ans.Index, ans.Result)
	})
}

// mayPass reports a fault that may be the machine's and not the photo's: the
// next run tries such a photo again.
func mayPass(fault string) bool {
	return fault == workers.ErrCrashed.Error() || fault == workers.ErrTooLong.Error()
}

// measurementDoc is a measurement as the record keeps it: the curve and the
// plane lie beside it, not in it.
func measurementDoc(m vision.Measurement) (json.RawMessage, error) {
	m.Plane = nil
	m.Curve = vision.Curve{Index: m.Index}
	return json.Marshal(m)
}
