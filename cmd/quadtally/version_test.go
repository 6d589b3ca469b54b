package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
)

// TestVersionNamesWhatItStandsOn: each library with a version number.
func TestVersionNamesWhatItStandsOn(t *testing.T) {
	var out, errw bytes.Buffer
	if code := run([]string{"--version"}, strings.NewReader(""), &out, &errw); code != exitDone || errw.Len() > 0 {
		t.Fatalf("exit %d, %s", code, errw.String())
	}
	for _, name := range []string{"OpenCV", "libjpeg-turbo", "libheif", "SQLite", "Go"} {
		if !regexp.MustCompile(`(?m)^` + name + ` +\d+\.\d+`).MatchString(out.String()) {
			t.Errorf("no version of %s in:\n%s", name, out.String())
		}
	}
	for _, name := range []string{"quadtally", "commit"} {
		if !regexp.MustCompile(`(?m)^` + name + ` +\S`).MatchString(out.String()) {
			t.Errorf("no %s in:\n%s", name, out.String())
		}
	}
}
