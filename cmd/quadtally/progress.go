package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"quadtally/cmd/quadtally/internal/season"
)

// progress shows how far a long job is, with the time left, on standard error;
// nothing is shown where that is no terminal or --quiet was said.
func (a *app) progress(total int, what string) *progressbar.ProgressBar {
	w := a.err
	if f, ok := w.(*os.File); a.quiet || !ok || !term.IsTerminal(int(f.Fd())) {
		w = io.Discard
	}
	return progressbar.NewOptions(total,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(),
		progressbar.OptionSetPredictTime(true),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionSetWidth(30),
		progressbar.OptionClearOnFinish(),
	)
}

// measuring is how a command measures photos, shown as it goes.
func (a *app) measuring() season.Options {
	opt := season.DefaultOptions()
	opt.Progress = func(total int, what string) season.Bar { return a.progress(total, what) }
	return opt
}
