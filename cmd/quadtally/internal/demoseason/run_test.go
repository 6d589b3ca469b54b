package demoseason

import (
	"path/filepath"
	"strings"
	"testing"
)

// TestCheck: a season is played only in a new folder, with photos of a size
// that phones take.
func TestCheck(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		dir   string
		width int
		says  string
	}{
		{filepath.Join(dir, "new"), 640, ""}, {filepath.Join(dir, "new"), 8000, ""},
		{filepath.Join(dir, "new"), 639, "--width"}, {filepath.Join(dir, "new"), 8001, "--width"}, {dir, 1600, "exists already"},
	} {
		s := Stage{Dir: c.dir, Options: Options{WidthPx: c.width}}
		if err := s.Check(); (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s at %d: %v", c.dir, c.width, err)
		}
	}
}
