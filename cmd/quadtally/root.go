package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"os/user"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/wording"
)

// Exit codes; the help of the root command lists them.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitPartly      = 3
	exitInterrupted = 130
)

const exitHelp = `Exit codes: 0 done; 1 failed; 2 the command was typed wrongly; 3 done, but some
photos or rows could not be read; 130 interrupted (run it again to go on).`

// app is what every command shares: its streams, and the flags of the root.
type app struct {
	in       io.Reader
	out, err io.Writer
	term     report.Terminal // what out is written on
	ctx      context.Context
	clock    func() time.Time

	trialDir string
	by       string
	quiet    bool
	force    bool // replace files that others wrote
}

// usageError is a fault in how the command was typed.
type usageError struct{ error }

// partly is the end of a command that did its work but had to leave
// something aside; what and why was said on the way.
type partly struct{ n int }

func (p partly) Error() string {
	return fmt.Sprintf("done, but %s could not be read; see the lines above", plural(p.n, "item"))
}

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// run is the whole program as a function of its arguments and streams.
func run(args []string, in io.Reader, out, errw io.Writer) int {
	signals := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup, where a run goes on when the terminal closes
		signals = append(signals, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), signals...)
	defer stop()
	finished := make(chan struct{})
	defer close(finished)
	go endInTime(ctx, finished, errw)
	buffered := newScreen(out)
	a := &app{in: in, out: buffered, err: errw, term: terminalOf(out), ctx: ctx, clock: time.Now}
	root := newRoot(a)
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(buffered)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	if e := buffered.Flush(); err == nil && e != nil && !errors.Is(e, syscall.EPIPE) {
		err = e
	}
	return a.report(err)
}

// interruptedText is the last line of a run that was interrupted.
const interruptedText = "quadtally: interrupted; everything finished so far is kept, run the same command to go on"

// graceTime is how long an interrupted run may take to end by itself.
const graceTime = 1500 * time.Millisecond

// endInTime ends the program where a run does not end by itself soon after it
// was interrupted, such as in a long calculation or on a file that never
// answers. The record is safe at any moment.
func endInTime(ctx context.Context, finished <-chan struct{}, errw io.Writer) {
	select {
	case <-finished:
		return
	case <-ctx.Done():
	}
	select {
	case <-finished:
	case <-time.After(graceTime):
		fmt.Fprintln(errw, interruptedText)
		os.Exit(exitInterrupted)
	}
}

// flush lets what was written to standard output so far be seen.
func (a *app) flush() {
	if b, ok := a.out.(*screen); ok {
		b.Flush()
	}
}

func isPartly(err error) bool { return errors.As(err, new(partly)) }

// report is the one place where an error becomes a line and an exit code.
func (a *app) report(err error) int {
	switch {
	case err == nil:
		return exitDone
	case a.ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.As(err, new(interrupted))):
		fmt.Fprintln(a.err, interruptedText)
		return exitInterrupted
	case errors.As(err, new(partly)):
		fmt.Fprintf(a.err, "quadtally: %s\n", shownLines(err.Error()))
		return exitPartly
	case errors.As(err, new(usageError)), errors.As(err, new(analysis.UsageError)):
		fmt.Fprintf(a.err, "quadtally: %s\n", shownLines(err.Error()))
		return exitUsage
	default:
		fmt.Fprintf(a.err, "quadtally: %s\n", shownLines(err.Error()))
		return exitFailed
	}
}

type interrupted struct{ error }

func newRoot(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "quadtally",
		Short: "From quadrat photos and hand counts to an honest comparison of treatments",
		Long: `quadtally lays out a replicated field trial, reads the season's quadrat photos,
measures green cover inside the frame, holds it against hand counts, compares
the treatments block by block, and writes the report. It works offline.

` + exitHelp,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("there is no command %q: `quadtally --help` lists them", args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	sayVersion(root)
	shapeHelp(root)
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usagef("%v; `%s --help` shows the flags", err, cmd.CommandPath())
	})
	f := root.PersistentFlags()
	f.StringVar(&a.trialDir, "trial", ".", "the trial's folder")
	f.StringVar(&a.by, "author", "", "who is entering this (default: $QUADTALLY_AUTHOR or the computer's user)")
	f.BoolVar(&a.quiet, "quiet", false, "no progress, only results and faults")
	commands(a, root)
	return root
}

func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("%s takes no %q: `%s --help` shows what it takes", cmd.CommandPath(), args[0], cmd.CommandPath())
	}
	return nil
}

// takes checks the number of arguments; what names them in the message. A
// negative most means any number.
func takes(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < least || (most >= 0 && len(args) > most) {
			return usagef("%s needs %s: `%s --help` shows an example", cmd.CommandPath(), what, cmd.CommandPath())
		}
		return nil
	}
}

// author is who the record names as the writer.
func (a *app) author() string {
	if a.by != "" {
		return a.by
	}
	if v := os.Getenv("QUADTALLY_AUTHOR"); v != "" {
		return v
	}
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "not stated"
}

// open opens the trial's record.
func (a *app) open() (*record.Store, error) {
	store, err := record.Open(a.trialDir, record.Options{Author: a.author(), Clock: a.clock})
	return a.noted(store, err)
}

// inTrial reports whether the trial's folder holds a record.
func (a *app) inTrial() bool {
	_, err := os.Stat(filepath.Join(a.trialDir, record.FileName))
	return err == nil
}

// openToWrite opens the trial's record for a command that stores.
func (a *app) openToWrite() (*record.Store, error) {
	store, err := a.open()
	if err == nil && store.ReadOnly() {
		store.Close()
		return nil, fmt.Errorf("%s cannot be written to: copy the trial folder to where you may write", store.Dir())
	}
	return store, err
}

// openToRead opens the trial's record for a command that stores nothing.
func (a *app) openToRead() (*record.Store, error) {
	store, err := record.Open(a.trialDir, record.Options{Author: a.author(), Clock: a.clock, ReadOnly: true})
	return a.noted(store, err)
}

// noted says what was found beside the record as it was opened.
func (a *app) noted(store *record.Store, err error) (*record.Store, error) {
	if err == nil {
		for _, n := range store.Notes() {
			a.note("note: %s", n)
		}
	}
	return store, err
}

// withTrial opens the record for reading alone, reads one snapshot and hands
// both to f.
func (a *app) withTrial(f func(*record.Store, *record.Snapshot) error) error {
	store, err := a.openToRead()
	return a.withStore(store, err, f)
}

// withTrialToWrite does what withTrial does for a command that stores.
func (a *app) withTrialToWrite(f func(*record.Store, *record.Snapshot) error) error {
	store, err := a.openToWrite()
	return a.withStore(store, err, f)
}

func (a *app) withStore(store *record.Store, err error, f func(*record.Store, *record.Snapshot) error) error {
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	return f(store, snap)
}

// note says something on the way that is not a result.
func (a *app) note(format string, args ...any) {
	fmt.Fprintln(a.err, shownLines(fmt.Sprintf(strings.TrimRight(format, "\n"), args...)))
}

func plural(n int, noun string) string { return wording.Plural(n, noun) }
