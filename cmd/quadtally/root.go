package main

import (
	"context"
	"encoding/json"
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
	"quadtally/cmd/quadtally/internal/outfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/terminal"
	"quadtally/cmd/quadtally/internal/wording"
)

// Exit codes; every command's help lists them.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitPartly      = 3
	exitInterrupted = 130
)

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

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// typed passes an error on as a fault in how the command was typed.
func typed(err error) error {
	if err == nil {
		return nil
	}
	return usageError{err}
}

// partly is the end of a command that did its work but had to leave
// something aside; what and why was said on the way.
type partly struct{ n int }

func (p partly) Error() string {
	return fmt.Sprintf("done, but %s could not be read; see the lines above", plural(p.n, "item"))
}

// partlyDone is the end of a command that had to leave n things aside.
func partlyDone(n int) error {
	if n == 0 {
		return nil
	}
	return partly{n}
}

func isPartly(err error) bool { return errors.As(err, new(partly)) }

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
	screen := terminal.NewScreen(out)
	a := &app{in: in, out: screen, err: errw, term: report.Terminal(terminal.Of(out)), ctx: ctx, clock: time.Now}
	root := newRoot(a)
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(screen)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	if e := screen.Flush(); err == nil && e != nil && !errors.Is(e, syscall.EPIPE) {
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

// report is the one place where an error becomes a line and an exit code.
func (a *app) report(err error) int {
	if err == nil {
		return exitDone
	}
	if a.ctx.Err() != nil && errors.Is(err, context.Canceled) {
		fmt.Fprintln(a.err, interruptedText)
		return exitInterrupted
	}
	fmt.Fprintf(a.err, "quadtally: %s\n", terminal.Lines(err.Error()))
	switch {
	case isPartly(err):
		return exitPartly
	case errors.As(err, new(usageError)), errors.As(err, new(analysis.UsageError)):
		return exitUsage
	}
	return exitFailed
}

func newRoot(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:           "quadtally",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return noCommand(args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	sayVersion(root)
	shapeHelp(root)
	root.SetFlagErrorFunc(flagError)
	f := root.PersistentFlags()
	f.StringVar(&a.trialDir, "trial", ".", "the trial's folder")
	f.StringVar(&a.by, "author", "", "who is entering this (default: $QUADTALLY_AUTHOR or the computer's user)")
	f.BoolVar(&a.quiet, "quiet", false, "no progress, only results and faults")
	commands(a, root)
	return root
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

// use is what a command does with the record.
type use int

const (
	reading use = iota
	writing
	writingWhereItCan // and else only reads
)

func useFor(writes bool) use {
	if writes {
		return writing
	}
	return reading
}

// withTrial opens the trial's record, reads one snapshot and hands both to f.
func (a *app) withTrial(u use, f func(*record.Store, *record.Snapshot) error) error {
	store, err := record.Open(a.trialDir, record.Options{Author: a.author(), Clock: a.clock, ReadOnly: u == reading})
	if err != nil {
		return err
	}
	defer store.Close()
	for _, n := range store.Notes() {
		a.note("note: %s", n)
	}
	if u == writing && store.ReadOnly() {
		return fmt.Errorf("%s cannot be written to: copy the trial folder to where you may write", store.Dir())
	}
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	return f(store, snap)
}

// inTrial reports whether the trial's folder holds a record.
func (a *app) inTrial() bool {
	_, err := os.Stat(filepath.Join(a.trialDir, record.FileName))
	return err == nil
}

// visitOf refuses a visit that the plan does not have; 0 stands for none.
func visitOf(snap *record.Snapshot, visit int) error {
	if n := len(snap.Trial.Visits); visit < 0 || visit > n {
		return usagef("--visit %d: the plan has visits 1 to %d", visit, n)
	}
	return nil
}

// readFile reads a whole file of at most tables.MaxBytes.
func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s: there is no such file: check the spelling", path)
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s is a folder: name one file", path)
	}
	if info.Size() > tables.MaxBytes {
		return nil, fmt.Errorf("%s is larger than %d MB", path, tables.MaxBytes>>20)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: check the permissions (%w)", path, err)
	}
	return b, nil
}

// readSheet reads a CSV or XLSX and says what was tidied on the way.
func (a *app) readSheet(path string) (*tables.Sheet, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	s, err := tables.Read(path, data)
	if err == nil {
		a.notes("note: "+s.Name+": ", s.Notes...)
	}
	return s, err
}

// noteFaults names what could not be read of a sheet, and ends as partly done
// where there was any.
func (a *app) noteFaults(s *tables.Sheet, faults []tables.Fault) error {
	for _, x := range faults {
		a.note("%s", s.FaultText(x))
	}
	return partlyDone(len(faults))
}

// note says something on the way that is not a result.
func (a *app) note(format string, args ...any) {
	fmt.Fprintln(a.err, terminal.Lines(fmt.Sprintf(strings.TrimRight(format, "\n"), args...)))
}

func (a *app) notes(lead string, list ...string) {
	for _, n := range list {
		a.note("%s%s", lead, n)
	}
}

// flush lets what was written to standard output so far be seen.
func (a *app) flush() {
	if s, ok := a.out.(*terminal.Screen); ok {
		s.Flush()
	}
}

// show prints a result as JSON or as text.
func (a *app) show(asJSON bool, v any, text func(io.Writer) error) error {
	if !asJSON {
		return text(a.out)
	}
	enc := json.NewEncoder(a.out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// text is how results are written on the screen: in short, or in full.
func (a *app) text(full bool) report.TextOptions {
	return report.TextOptions{Short: !full, Term: a.term}
}

// files writes the files that people ask for.
func (a *app) files() outfile.Writer {
	return outfile.Writer{TrialDir: a.trialDir, Force: a.force, Note: a.note}
}

// writeTo writes to a file, or to standard output where path is "" or "-".
func (a *app) writeTo(path string, write func(io.Writer) error) error {
	if path == "" || path == "-" {
		if s, ok := a.out.(*terminal.Screen); ok {
			return s.AsItIs(write) // a table or a plan is what it is
		}
		return write(a.out)
	}
	if err := a.files().Replace(path, write); err != nil {
		return err
	}
	a.note("wrote %s", path)
	return nil
}

// measuring is how a command measures photos, shown as it goes.
func (a *app) measuring() season.Options {
	opt := season.DefaultOptions()
	opt.Progress = func(total int, what string) season.Bar { return terminal.Progress(a.err, a.quiet, total, what) }
	return opt
}

func plural(n int, noun string) string { return wording.Plural(n, noun) }
