package report

import (
	"bytes"
	"maps"
	"slices"
	"strings"
	"testing"
)

// TestFilesOfAReport: which files each choice gives; a figure has both formats.
func TestFilesOfAReport(t *testing.T) {
	in := inventedInput(t)
	for _, c := range []struct {
		o    FileOptions
		want string
	}{
		{FileOptions{Formats: []string{"html", "pdf"}}, "report.html report.pdf technical.html technical.pdf"},
		{FileOptions{Formats: []string{"html", "html"}}, "report.html technical.html"},
		{FileOptions{Formats: []string{"pdf"}, OnePage: true}, "one-page.pdf one-page.png"},
	} {
		documents, figures := Files(in, c.o)
		if got := strings.Join(slices.Sorted(maps.Keys(documents)), " "); got != c.want || len(figures) > 0 {
			t.Errorf("%+v: %s and %d figures", c.o, got, len(figures))
		}
	}
	_, figures := Files(in, FileOptions{Figures: true})
	if len(figures) != 2*len(Figures(in)) || len(figures) == 0 {
		t.Errorf("%d files of %d figures", len(figures), len(Figures(in)))
	}
	for name, write := range figures {
		var b bytes.Buffer
		magic := map[bool]string{true: "\x89PNG", false: "<"}[strings.HasSuffix(name, ".png")]
		if err := write(&b); err != nil || !strings.HasPrefix(b.String(), magic) || strings.HasPrefix(name, "fig-") {
			t.Errorf("%s: %v, begins %.8q", name, err, b.String())
		}
	}
}
