package report

import (
	"io"
	"strings"
)

// FileOptions say which files a report is written into.
type FileOptions struct {
	Formats []string // html, pdf
	Figures bool     // each figure too, as SVG and PNG
	OnePage bool     // the first page alone, and as a slide
}

const (
	figureDPI = 200 // fine enough for print
	slideDPI  = 127 // makes a slide of about 1600 by 900 pixels
)

// Files are the documents of a report, and its figures where they are asked for,
// each by the name of its file with what writes it.
func Files(in Input, o FileOptions) (documents, figures map[string]func(io.Writer) error) {
	documents, figures = map[string]func(io.Writer) error{}, map[string]func(io.Writer) error{}
	formats := map[string]func(io.Writer, Document) error{"html": WriteHTML, "pdf": WritePDF}
	add := func(name string, d Document) {
		for _, x := range o.Formats {
			documents[name+"."+x] = func(w io.Writer) error { return formats[x](w, d) }
		}
	}
	if o.OnePage {
		add("one-page", BuildOnePage(in))
		documents["one-page.png"] = func(w io.Writer) error { return WriteSlide(w, in, slideDPI) }
	} else {
		add("report", Build(in))
		add("technical", BuildTechnical(in))
	}
	if o.Figures {
		for _, x := range Figures(in) {
			name := strings.TrimPrefix(x.ID, "fig-")
			figures[name+".svg"] = x.WriteSVG
			figures[name+".png"] = func(w io.Writer) error { return x.WritePNG(w, figureDPI) }
		}
	}
	return documents, figures
}
