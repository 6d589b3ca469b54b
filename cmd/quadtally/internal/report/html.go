package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"regexp"
)

//go:embed page.tmpl
var pageTemplate string

//go:embed page.css
var pageStyle string

// placed is a section with the rank of its heading.
type placed struct {
	Section
	Level int
}

// Next is the rank of the headings below.
func (p placed) Next() int { return min(p.Level+1, 4) }

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"style":   func() template.CSS { return template.CSS(pageStyle) },
	"at":      func(s Section, level int) placed { return placed{s, level} },
	"kind":    func(b Block) string { return b.kind() },
	"numeric": func(c []Column, i int) bool { return i < len(c) && c[i].Numeric },
	"svg":     inlineSVG,
}).Parse(pageTemplate))

// WriteHTML writes the document as one page that needs nothing else: style and
// figures are inside it.
func WriteHTML(w io.Writer, d Document) error {
	var b bytes.Buffer
	if err := page.Execute(&b, d); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

var svgHead = regexp.MustCompile(`(?s)^.*?<svg[^>]*?viewBox="([^"]*)"[^>]*>`)

// inlineSVG is a figure's SVG as part of a page, with its words for those who
// cannot see it.
func inlineSVG(f Figure) (template.HTML, error) {
	var b bytes.Buffer
	if err := f.WriteSVG(&b); err != nil {
		return "", err
	}
	m := svgHead.FindSubmatchIndex(b.Bytes())
	if m == nil {
		return "", fmt.Errorf("figure %s was not drawn", f.ID)
	}
	head := fmt.Sprintf(`<svg role="img" aria-labelledby="%s-title %s-desc" width="%gmm" height="%gmm" viewBox="%s" xmlns="http://www.w3.org/2000/svg"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		f.ID, f.ID, f.WidthMM, f.HeightMM, b.Bytes()[m[2]:m[3]], f.ID, template.HTMLEscapeString(f.Title), f.ID, template.HTMLEscapeString(f.Alt))
	return template.HTML(head + b.String()[m[1]:]), nil
}
