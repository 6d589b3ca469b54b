// Package terminal is the screen that results and talk are shown on: its size,
// text that cannot steer it, and how far a long job is.
package terminal

import (
	"io"
	"os"
	"strconv"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// Size is what an answer is written on; 0 where it is not known.
type Size struct {
	Width int  // columns
	Rows  int  // lines
	Bold  bool // it can show bold
}

// Of is the size of out: COLUMNS and LINES where they are set, else that of the
// terminal. Bold is for terminals alone, so that a file or a pipe holds plain
// text.
func Of(out io.Writer) Size {
	var s Size
	if fd, ok := isTerminal(out); ok {
		if columns, lines, err := term.GetSize(fd); err == nil {
			s.Width, s.Rows = columns, lines
		}
		s.Bold = os.Getenv("TERM") != "dumb"
	}
	for name, at := range map[string]*int{"COLUMNS": &s.Width, "LINES": &s.Rows} {
		if n, err := strconv.Atoi(os.Getenv(name)); err == nil && n > 0 {
			*at = n
		}
	}
	return s
}

func isTerminal(w io.Writer) (fd int, ok bool) {
	f, ok := w.(*os.File)
	if !ok {
		return 0, false
	}
	return int(f.Fd()), term.IsTerminal(int(f.Fd()))
}

// Progress shows how far a long job is, with the time left. Nothing is shown
// where w is no terminal, or quiet is asked for.
func Progress(w io.Writer, quiet bool, total int, what string) *progressbar.ProgressBar {
	if _, ok := isTerminal(w); quiet || !ok {
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
