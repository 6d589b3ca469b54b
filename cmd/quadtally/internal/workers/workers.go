// Package workers spreads work over persistent child processes of the same
// binary. A photo that crashes or hangs a C library costs only itself: its
// child is ended, the job is answered with what happened, and a fresh child
// takes the next job.
//
// A job and its answer are one JSON line each, on the child's standard input
// and output. A child ends when its input does, so an ended parent leaves no
// children behind.
package workers

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"sync"
	"time"
)

// Options of a run.
type Options struct {
	Workers int                        // child processes; at least 1
	Limit   time.Duration              // for one job; a child that takes longer is ended
	Start   func() *exec.Cmd           // a fresh, not yet started child; stdin and stdout are set here
	Stderr  func(worker int) io.Writer // nil: discarded
}

// Answer is what came of one job.
type Answer[R any] struct {
	Index  int   // of the job
	Result R     // where Err is nil
	Err    error // the child crashed or took too long; a plain sentence
}

// ErrCrashed and ErrTooLong are the ways a job can fail outside its own
// control.
var (
	ErrCrashed = errors.New("the photo stopped the program that read it: it is probably damaged; open it on the phone and copy it again")
	ErrTooLong = errors.New("reading the photo took too long: it is probably damaged; open it on the phone and copy it again")
)

// Run does all jobs and calls done for each answer as it comes, from one
// goroutine at a time and in any order. It returns early with ctx's error
// when ctx ends; jobs not yet answered then are simply not done.
func Run[J, R any](ctx context.Context, jobs []J, opt Options, done func(Answer[R]) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	next := make(chan int)
	go func() {
		defer close(next)
		for i := range jobs {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	}()
	answers := make(chan Answer[R])
	var wg sync.WaitGroup
	for w := range max(1, min(opt.Workers, len(jobs))) {
		wg.Go(func() {
			var c *child
			defer func() { c.end() }()
			for i := range next {
				a := Answer[R]{Index: i}
				if c == nil {
					var err error
					if c, err = start(opt, w); err != nil {
						cancel(fmt.Errorf("a worker process could not be started: %w", err))
						return
					}
				}
				line, err := c.ask(ctx, jobs[i], opt.Limit)
				if ctx.Err() != nil {
					return
				}
				if err == nil {
					if json.Unmarshal(line, &a.Result) != nil {
						err = ErrCrashed
					}
				}
				if err != nil {
					a.Err = err
					c.end()
					c = nil
				}
				select {
				case answers <- a:
				case <-ctx.Done():
					return
				}
			}
		})
	}
	go func() { wg.Wait(); close(answers) }()
	for a := range answers {
		if ctx.Err() != nil {
			continue // drain, so that the workers can end
		}
		if err := done(a); err != nil {
			cancel(err)
		}
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

type child struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
}

func start(opt Options, worker int) (*child, error) {
	cmd := opt.Start()
	if opt.Stderr != nil {
		cmd.Stderr = opt.Stderr(worker)
	}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	return &child{cmd, in, bufio.NewReaderSize(out, 1<<16)}, nil
}

// ask hands one job over and waits for its line.
func (c *child) ask(ctx context.Context, job any, limit time.Duration) ([]byte, error) {
	line, err := json.Marshal(job)
	if err != nil {
		return nil, err
	}
	type reply struct {
		line []byte
		err  error
	}
	got := make(chan reply, 1)
	go func() {
		if _, err := c.in.Write(append(line, '\n')); err != nil {
			got <- reply{nil, err}
			return
		}
		b, err := c.out.ReadBytes('\n')
		got <- reply{b, err}
	}()
	var expired <-chan time.Time
	if limit > 0 {
		t := time.NewTimer(limit)
		defer t.Stop()
		expired = t.C
	}
	select {
	case r := <-got:
		if r.err != nil {
			return nil, ErrCrashed
		}
		return r.line, nil
	case <-expired:
		return nil, ErrTooLong
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// end closes the child's input and makes sure it is gone.
func (c *child) end() {
	if c == nil {
		return
	}
	c.in.Close()
	gone := make(chan struct{})
	go func() { c.cmd.Wait(); close(gone) }()
	select {
	case <-gone:
	case <-time.After(200 * time.Millisecond):
		c.cmd.Process.Kill()
		<-gone
	}
}

// Serve is the child's side: it answers each job line from in with one line
// on out until in ends.
func Serve[J, R any](in io.Reader, out io.Writer, do func(J) R) error {
	r := bufio.NewReaderSize(in, 1<<16)
	for {
		line, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			return nil
		}
		if err != nil {
			return err
		}
		var job J
		if err := json.Unmarshal(line, &job); err != nil {
			return fmt.Errorf("a job could not be read: %w", err)
		}
		b, err := json.Marshal(do(job))
		if err != nil {
			return err
		}
		if _, err := out.Write(append(b, '\n')); err != nil {
			return err
		}
	}
}
