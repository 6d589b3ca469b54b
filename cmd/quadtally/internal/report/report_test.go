package report

import (
	"bytes"
	"flag"
	"fmt"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"
	"gonum.org/v1/plot/vg"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// hostile is a treatment's name that must come out as it is, as text.
const hostile = `<script>alert("weeds")</script> & 'straw'`

// inventedInput is a small invented trial at Alder Bend with every part of a
// report: three treatments in four blocks, two visits, two quadrats.
func inventedInput(t testing.TB) Input {
	t.Helper()
	date := func(s string) trial.Date {
		d, err := trial.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	rate, threshold := 110.0, 0.11
	in := Input{
		Trial: trial.Trial{Name: "Alder Bend leeks", Tag: "ALDR", Site: "Alder Bend trial ground (invented)", Crop: "leek",
			Question: "Which mulch holds the weeds?", Design: trial.CompleteBlocks, Blocks: 4,
			Treatments: []trial.Treatment{{Code: "BARE", Name: "tilled bare ground", Control: true}, {Code: "RYE", Name: "rolled rye"}, {Code: "STRAW", Name: hostile}},
			Ground:     trial.Ground{Beds: 1, LengthMM: 9000, BedSpacingMM: 1800, BedTopMM: 1200, BorderMM: 1000},
			Quadrat:    trial.Quadrat{WidthMM: 500, LengthMM: 500, PerPlot: 2, CountRule: "rooted inside"},
			Visits:     []trial.Date{date("2026-06-14"), date("2026-06-28")}, Seed: 7, Generator: "test", Units: trial.Metric},
		Made: date("2026-10-15"), Entry: 12, Observers: []string{"first counter"}, Settings: []string{"abc123"}, Index: "exg is excess green",
		Operations: []Operation{
			{Date: date("2026-05-20"), What: "planting", Input: "leek transplants", Source: "field.csv:3"},
			{Date: date("2025-09-20"), What: "seeding", Treatment: "RYE", Input: "rye", Rate: &rate, RateUnit: "kg/ha", Source: "field.csv:2"},
			{Date: date("2026-05-18"), What: "termination", Treatment: "RYE", Passes: 2, Source: "field.csv:4"}},
		Photos: Photos{All: 50, InUse: 48, Unread: []Aside{{"IMG_1.jpg", "no frame found"}}, Rejected: []Aside{{"IMG_2.jpg", "a boot"}}},
	}
	kg, pieces := 11.5, 50.0
	in.Harvest = []analysis.Harvest{{Plot: "101", LengthMM: 5000, Picks: 2, MarketableKG: &kg, Pieces: &pieces, Sources: []string{"yields.csv:2", "yields.csv:14"}}, {Plot: "102", Sources: []string{"yields.csv:3"}}}
	for i := range 12 {
		block, place := i/3, i%3
		tr := in.Trial.Treatments[(place+block)%3].Code
		in.Plots = append(in.Plots, trial.Plot{ID: fmt.Sprintf("%d%02d", block+1, place+1), Block: fmt.Sprint(block + 1), Treatment: tr,
			Bed: place + 1, Beds: 1, FromMM: float64(block) * 10000, LengthMM: 9000, Order: i + 1})
	}
	for v, d := range in.Trial.Visits {
		in.Visits = append(in.Visits, Visit{Number: v + 1, Planned: d, Made: []trial.Date{d.AddDays(v)}, Quadrats: 24, Photos: 24, Counts: 24, Threshold: &threshold, Basis: "fixed"})
	}
	in.Responses = []Response{
		inventedResponse(t, in, analysis.GreenCover, "green cover", "% of the ground", stats.Percent, map[string]float64{"BARE": 40, "RYE": 18, "STRAW": 22}, 4, true),
		inventedResponse(t, in, analysis.HandCount, "hand count", "plants per m²", stats.Count, map[string]float64{"BARE": 120, "RYE": 50, "STRAW": 60}, 12, true),
		inventedResponse(t, in, analysis.Yield, "marketable yield", "kg/ha", stats.Measure, map[string]float64{"BARE": 14000, "RYE": 16000, "STRAW": 17000}, 900, false),
		{Outcome: analysis.Outcome{Response: analysis.Response{Key: analysis.HandCount, Class: "sedge", Label: "hand count of sedge", Unit: "plants per m²", Role: analysis.Weeds}, Overall: analysis.Answer{Refusal: "there is no hand count of sedge in the record yet"}}},
	}
	opt := calibrate.DefaultOptions()
	opt.Resamples = 200
	margin := 0.05
	opt.Margin = &margin
	pairs := alderBend(calibrate.Cover, 0)
	for i := range pairs {
		pairs[i].Treatment = map[string]string{"bare": "BARE", "rye": "RYE"}[pairs[i].Treatment]
		if pairs[i].Treatment == "" {
			pairs[i].Treatment = "STRAW"
		}
	}
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		t.Fatal(err)
	}
	in.Agreements = []analysis.Agreement{{Of: "cover", Report: &r}, {Of: "count", Refusal: "the camera cannot be held against the hand yet"}}
	return in
}

func inventedResponse(t testing.TB, in Input, name analysis.Key, label, unit string, kind stats.Kind, means map[string]float64, sd float64, byVisit bool) Response {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 3))
	role := analysis.Weeds
	if name == analysis.Yield {
		role = analysis.Crop
	}
	r := Response{analysis.Outcome{Response: analysis.Response{Key: name, Label: label, Unit: unit, Role: role, Main: true, Factor: 1}}}
	opt := stats.DefaultOptions()
	opt.Response, opt.Unit, opt.Kind, opt.Control, opt.Order, opt.UnitKnown = label, unit, kind, "BARE", codes(in.Trial), true
	visits := 1
	if byVisit {
		visits = 2
	}
	var all []stats.Row
	for v := 1; v <= visits; v++ {
		var rows []stats.Row
		for _, p := range in.Plots {
			plot := sd * rng.NormFloat64() / 2
			for q := 1; q <= 2; q++ {
				x := analysis.Reading{Plot: p.ID, Quadrat: q, Visit: v, Value: math.Round(100*max(0.1, means[p.Treatment]*float64(v)/2+plot+sd*rng.NormFloat64())) / 100, Source: fmt.Sprintf("%s.csv:%d", strings.TrimPrefix(string(name), "green-"), len(all)+len(rows)+2)}
				if !byVisit {
					x.Visit, x.Quadrat = 0, 0
				}
				rows = append(rows, stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block, Quadrat: fmt.Sprint(q), Day: float64(14 * (v - 1)), Value: x.Value, Source: x.Source})
				r.Readings = append(r.Readings, x)
				if !byVisit {
					rows[len(rows)-1].Quadrat = ""
					break
				}
			}
		}
		all = append(all, rows...)
		a, err := stats.Analyse(rows, opt)
		if err != nil {
			t.Fatal(err)
		}
		c := analysis.Answer{Comparison: analysis.Comparison{Visit: v, Analysis: &a}, Date: in.Trial.Visits[v-1], Day: float64(14 * (v - 1))}
		if !byVisit {
			c.Visit = 0
			r.Overall = c
			return r
		}
		r.ByVisit = append(r.ByVisit, c)
	}
	s, err := stats.AnalyseSeason(all, opt)
	if err != nil {
		t.Fatal(err)
	}
	r.Overall = analysis.Answer{Comparison: analysis.Comparison{Season: &s}, VisitOf: map[float64]int{0: 1, 14: 2}}
	return r
}

// asText writes a document for the eye, figures by their words.
func asText(d Document) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", d.Title, d.Subtitle)
	facts := func(list []Fact) {
		for _, f := range list {
			fmt.Fprintf(&b, "  %s: %s\n", f.Name, f.Text())
		}
	}
	facts(d.Facts)
	var walk func(list []Section, level int)
	walk = func(list []Section, level int) {
		for _, s := range list {
			fmt.Fprintf(&b, "\n%s %s  [%s]\n", strings.Repeat("#", level), s.Title, s.ID)
			var blocks []Block
			for _, x := range s.Blocks {
				if row, ok := x.(Beside); ok {
					blocks = append(blocks, row...)
				} else {
					blocks = append(blocks, x)
				}
			}
			for _, x := range blocks {
				switch x := x.(type) {
				case Text:
					fmt.Fprintf(&b, "(%s) %s\n", x.Tone, x.Text)
				case List:
					for _, i := range x.Items {
						fmt.Fprintf(&b, "- %s\n", i)
					}
				case Facts:
					facts(x)
				case Table:
					fmt.Fprintf(&b, "table %s: %s\n", x.ID, x.Caption)
					var heads []string
					for _, c := range x.Columns {
						heads = append(heads, c.Head)
					}
					fmt.Fprintf(&b, "  %s\n", strings.Join(heads, " | "))
					for _, r := range x.Rows {
						var texts []string
						for _, c := range r.Cells {
							texts = append(texts, c.Text)
						}
						fmt.Fprintf(&b, "  %s\n", strings.Join(texts, " | "))
					}
					fmt.Fprintf(&b, "  %s\n", x.Note)
				case Figure:
					fmt.Fprintf(&b, "figure %s: %s\n  %s\n  %s\n", x.ID, x.Title, x.Alt, x.Caption)
				}
			}
			walk(s.Parts, level+1)
		}
	}
	walk(d.Sections, 1)
	return b.String()
}

func TestDocumentGolden(t *testing.T) {
	got := asText(Build(inventedInput(t))) + asText(BuildTechnical(inventedInput(t)))
	golden := filepath.Join("testdata", "document.golden")
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range max(len(a), len(b)) {
		if i >= len(a) || i >= len(b) || a[i] != b[i] {
			t.Fatalf("line %d differs from %s (run with -update after checking):\ngot:  %s\nwant: %s", i+1, golden, lineAt(a, i), lineAt(b, i))
		}
	}
}

func lineAt(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return "(nothing)"
}

// Nothing the report says may be a leaked format, a number that is none, or a
// claim that two treatments are the same.
func TestNothingLeaks(t *testing.T) {
	for name, in := range inputs(t) {
		text := asText(Build(in)) + asText(BuildTechnical(in)) + asText(BuildOnePage(in))
		if m := regexp.MustCompile(`.{0,40}[0-9]e[+-][0-9].{0,20}|.{0,40}[(=] ?-[0-9].{0,20}|.{0,30}[0-9]\.[0-9]{9,}.{0,20}`).FindString(text); m != "" {
			t.Errorf("%s: a number that breaks the rule of numbers: %q", name, m)
		}
		for _, bad := range []string{"NaN", "Inf", "%!", "<nil>", "0x", " equal "} {
			if i := strings.Index(text, bad); i >= 0 {
				t.Errorf("%s: %q in %q", name, bad, text[max(0, i-60):min(len(text), i+60)])
			}
		}
	}
}

// inputs are the invented season and seasons that lack things.
func inputs(t testing.TB) map[string]Input {
	whole := inventedInput(t)
	empty := Input{Trial: trial.Trial{Design: trial.CompletelyRandomised}}
	bare := whole
	bare.Responses, bare.Agreements, bare.Operations, bare.Visits = nil, nil, nil, nil
	bare.Photos = Photos{}
	us := inventedInput(t)
	us.Trial.Units = trial.US
	gone := inventedInput(t)
	gone.Responses[0] = lostTreatment(t, gone)
	return map[string]Input{"whole": whole, "empty": empty, "nothing measured": bare, "us": us, "a treatment lost": gone}
}

// lostTreatment is a response of which one treatment is missing everywhere.
func lostTreatment(t testing.TB, in Input) Response {
	t.Helper()
	opt := stats.DefaultOptions()
	opt.Response, opt.Kind, opt.Control, opt.Order = "green cover", stats.Percent, "BARE", codes(in.Trial)
	var rows []stats.Row
	for i, p := range in.Plots {
		rows = append(rows, stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block, Value: float64(10 + i%5), Missing: p.Treatment == "STRAW", Source: "row " + p.ID})
	}
	a, err := stats.Analyse(rows, opt)
	if err != nil {
		t.Fatal(err)
	}
	return Response{analysis.Outcome{Response: analysis.Response{Key: analysis.GreenCover, Label: "green cover"}, Overall: analysis.Answer{Comparison: analysis.Comparison{Analysis: &a}}}}
}

func TestHTMLIsSound(t *testing.T) {
	for name, in := range inputs(t) {
		t.Run(name, func(t *testing.T) {
			for _, build := range []func(Input) Document{Build, BuildTechnical, BuildOnePage} {
				var b bytes.Buffer
				if err := WriteHTML(&b, build(in)); err != nil {
					t.Fatal(err)
				}
				checkHTML(t, b.Bytes())
			}
		})
	}
}

// checkHTML holds a page against what every page must keep: each element is
// closed in order, ids are unique, links lead somewhere, pictures have words,
// headings descend by one, tables have captions and scopes, and nothing is
// fetched from elsewhere.
func checkHTML(t *testing.T, page []byte) {
	t.Helper()
	balanced(t, page)
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	ids, links := map[string]bool{}, []string{}
	level := 0
	landmarks := map[string]int{}
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.ElementNode {
			at := map[string]string{}
			for _, a := range n.Attr {
				at[a.Key] = a.Val
			}
			if id := at["id"]; id != "" {
				if ids[id] {
					t.Errorf("id %q twice", id)
				}
				ids[id] = true
			}
			if strings.HasPrefix(at["href"], "#") {
				links = append(links, at["href"][1:])
			} else if at["href"] != "" || at["src"] != "" {
				t.Errorf("<%s> leads out of the page: %v", n.Data, at)
			}
			links = append(links, strings.Fields(at["aria-labelledby"])...)
			landmarks[n.Data]++
			switch n.Data {
			case "script", "iframe", "object":
				t.Errorf("a <%s> in the page", n.Data)
			case "h1", "h2", "h3", "h4", "h5", "h6":
				next := int(n.Data[1] - '0')
				if next > level+1 {
					t.Errorf("heading %s after h%d", n.Data, level)
				}
				level = next
				if strings.TrimSpace(textOf(n)) == "" {
					t.Errorf("an empty %s", n.Data)
				}
			case "svg":
				if at["role"] != "img" || find(n, "title") == nil || find(n, "desc") == nil || len(textOf(find(n, "desc"))) < 20 {
					t.Error("a figure without words")
				}
			case "table":
				if c := find(n, "caption"); c == nil || textOf(c) == "" {
					t.Error("a table without a caption")
				}
			case "th":
				if at["scope"] == "" {
					t.Error("a th without scope")
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	for _, l := range links {
		if !ids[l] {
			t.Errorf("nothing has the id %q", l)
		}
	}
	for _, l := range []string{"main", "header", "footer", "h1"} {
		if landmarks[l] != 1 {
			t.Errorf("%d <%s>, want 1", landmarks[l], l)
		}
	}
	// A page of one section needs no contents.
	contents := 0
	if bytes.Count(page, []byte("<h2")) > 1 {
		contents = 1
	}
	if landmarks["nav"] != contents {
		t.Errorf("%d <nav>, want %d", landmarks["nav"], contents)
	}
}

// balanced reads the page as written, before any parser mends it.
func balanced(t *testing.T, page []byte) {
	t.Helper()
	void := map[string]bool{"meta": true, "br": true, "hr": true, "img": true, "input": true, "link": true}
	z := html.NewTokenizer(bytes.NewReader(page))
	var open []string
	for {
		switch z.Next() {
		case html.ErrorToken:
			if len(open) > 0 {
				t.Errorf("never closed: %v", open)
			}
			return
		case html.StartTagToken:
			if name, _ := z.TagName(); !void[string(name)] {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if len(open) == 0 || open[len(open)-1] != string(name) {
				t.Fatalf("</%s> closes %v", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

func find(n *html.Node, tag string) *html.Node {
	if n.Type == html.ElementNode && n.Data == tag {
		return n
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		if f := find(c, tag); f != nil {
			return f
		}
	}
	return nil
}

func textOf(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(textOf(c))
	}
	return b.String()
}

// User text stands in the page as text, in tables, sentences and figures.
func TestUserTextIsText(t *testing.T) {
	in := inventedInput(t)
	in.Trial.Treatments[2].Code = "<b>S&T</b>"
	in.Trial.Name = `</title><img src=x onerror="x">`
	in.Photos.Rejected = []Aside{{`"><i>.jpg`, "a <boot>"}}
	in.Responses[0].Label = "cover <u>"
	var b bytes.Buffer
	if err := WriteHTML(&b, Build(in)); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, bad := range []string{"<b>S&", "<script", "<img", "<i>.jpg", "<boot", "cover <u>"} {
		if strings.Contains(page, bad) {
			t.Errorf("%q went into the page as markup", bad)
		}
	}
	checkHTML(t, b.Bytes())
	root, _ := html.Parse(&b)
	if all := textOf(root); !strings.Contains(all, hostile) || !strings.Contains(all, in.Trial.Name) {
		t.Error("a name was lost on the way")
	}
}

// Contrast of text on its ground, by the formula of WCAG 2.1.
func TestContrast(t *testing.T) {
	colour := map[string][3]float64{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6})`).FindAllStringSubmatch(pageStyle, -1) {
		v, err := strconv.ParseUint(m[2], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		colour[m[1]] = [3]float64{float64(v >> 16), float64(v >> 8 & 0xff), float64(v & 0xff)}
	}
	luminance := func(c [3]float64) float64 {
		l := 0.0
		for i, w := range []float64{0.2126, 0.7152, 0.0722} {
			v := c[i] / 255
			if v <= 0.04045 {
				v /= 12.92
			} else {
				v = math.Pow((v+0.055)/1.055, 2.4)
			}
			l += w * v
		}
		return l
	}
	contrast := func(a, b [3]float64) float64 {
		x, y := luminance(a), luminance(b)
		return (max(x, y) + 0.05) / (min(x, y) + 0.05)
	}
	if c := contrast([3]float64{}, [3]float64{255, 255, 255}); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white has %g", c)
	}
	for _, front := range []string{"ink", "soft", "link"} {
		for _, ground := range []string{"ground", "band", "caution-ground", "safety-ground"} {
			a, okA := colour[front]
			b, okB := colour[ground]
			if !okA || !okB {
				t.Fatalf("no colour %s or %s in the style", front, ground)
			}
			if c := contrast(a, b); c < 4.5 {
				t.Errorf("%s on %s: contrast %.2f", front, ground, c)
			}
		}
	}
	white := [3]float64{255, 255, 255}
	for i, m := range marks {
		if c := contrast([3]float64{float64(m.ink.R), float64(m.ink.G), float64(m.ink.B)}, white); c < 4.5 {
			t.Errorf("mark %d on white: contrast %.2f", i, c)
		}
	}
	// Values written into the shaded field.
	for share := 0.0; share <= 1; share += 0.05 {
		s := shade(share)
		ground := [3]float64{float64(s.R), float64(s.G), float64(s.B)}
		front := writing(share)
		if c := contrast([3]float64{float64(front.R), float64(front.G), float64(front.B)}, ground); c < 4.5 {
			t.Errorf("writing on shade %.2f: contrast %.2f", share, c)
		}
	}
	// No colour is written anywhere but among the named ones.
	if n := len(regexp.MustCompile(`#[0-9a-fA-F]{3,6}\b`).FindAllString(pageStyle, -1)); n != len(colour) {
		t.Errorf("%d colours in the style, %d of them named", n, len(colour))
	}
}

// No two of the first eight treatments may look alike without their colour.
func TestMarksWithoutColour(t *testing.T) {
	seen := map[string]int{}
	for i, m := range marks {
		look := fmt.Sprintf("%T %v", m.shape, m.dash)
		if j, ok := seen[look]; ok {
			t.Errorf("marks %d and %d differ by colour alone", i, j)
		}
		seen[look] = i
	}
}

func TestFiguresAreDrawn(t *testing.T) {
	figures := append(Build(inventedInput(t)).Figures(), BuildTechnical(inventedInput(t)).Figures()...)
	wanted := []string{"fig-map", "fig-green-cover-season", "fig-green-cover-means", "fig-green-cover-field", "fig-green-cover-residuals", "fig-green-cover-normal", "fig-equality-cover", "fig-difference-cover", "fig-yield-means", "fig-weeds-yield-green-cover"}
	have := map[string]bool{}
	for _, f := range figures {
		have[f.ID] = true
		var svg, bitmap bytes.Buffer
		if err := f.WriteSVG(&svg); err != nil {
			t.Fatal(f.ID, err)
		}
		if s := svg.String(); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") || strings.Count(s, "<path") < 5 {
			t.Errorf("%s: SVG is not sound", f.ID)
		}
		if err := f.WritePNG(&bitmap, 60); err != nil {
			t.Fatal(f.ID, err)
		}
		if _, err := png.Decode(&bitmap); err != nil {
			t.Errorf("%s: %v", f.ID, err)
		}
	}
	for _, w := range wanted {
		if !have[w] {
			t.Errorf("no figure %s", w)
		}
	}
	if err := figures[0].WritePNG(&bytes.Buffer{}, 0); err == nil {
		t.Error("0 dots per inch were drawn")
	}
}

func TestPDFIsWritten(t *testing.T) {
	for name, in := range inputs(t) {
		t.Run(name, func(t *testing.T) {
			in.Trial.Site = "漢字 and 🌱" // no glyphs: must not break a page
			var a, b bytes.Buffer
			build := BuildTechnical
			if len(name)%2 == 0 {
				build = Build
			}
			if err := WritePDF(&a, build(in)); err != nil {
				t.Fatal(err)
			}
			if err := WritePDF(&b, build(in)); err != nil {
				t.Fatal(err)
			}
			if !bytes.HasPrefix(a.Bytes(), []byte("%PDF-")) || !bytes.Contains(a.Bytes(), []byte("%%EOF")) {
				t.Error("not a PDF")
			}
			if !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Error("the same report gave two different files")
			}
		})
	}
	if err := WritePDF(fullDisk{}, Build(inventedInput(t))); err == nil {
		t.Error("a failed write of the PDF was not reported")
	}
	if err := WriteHTML(fullDisk{}, Build(inventedInput(t))); err == nil {
		t.Error("a failed write of the page was not reported")
	}
}

func TestAmounts(t *testing.T) {
	in := inventedInput(t)
	b := newBuilder(in)
	rate := 150.0
	for _, c := range []struct{ unit, treatment, plot, all string }{
		// 9 m of one bed at 1.8 m is 16.2 m2: 150 kg/ha is 0.243 kg.
		{"kg/ha", "RYE", "0.243 kg", "0.972 kg in 4 plots"},
		{"kg/ha", "", "0.243 kg", "2.92 kg in 12 plots"},
		{"plants/m2", "RYE", "2430 plants", "9720 plants in 4 plots"},
		// 1 lb/acre on 16.2 m2 is 16.2/4046.856 lb.
		{"lb/acre", "RYE", "0.6 lb", "2.4 lb in 4 plots"},
		{"bags", "RYE", "not worked out: the rate is not per ha, acre, m2 or ft2", undefined},
	} {
		plot, all := b.amounts(Operation{Rate: &rate, RateUnit: c.unit, Treatment: c.treatment})
		if plot != c.plot || all != c.all {
			t.Errorf("150 %s on %q: %q and %q, want %q and %q", c.unit, c.treatment, plot, all, c.plot, c.all)
		}
	}
}

// What a plot takes is told in a unit that can be weighed out: 3 ton/acre on 16.2
// m2 is 3*2000*16.2/4046.856 lb, 20 kg/ha 32.4 g, 1 qt/acre 0.128 fl oz.
func TestAmountsToWeighOut(t *testing.T) {
	in := inventedInput(t)
	for _, c := range []struct {
		rate      float64
		unit      string
		units     trial.Units
		plot, all string
	}{
		{3, "ton/acre", trial.US, "24 lb", "96.1 lb in 4 plots"},
		{3, "ton/ha", trial.Metric, "0.00486 ton", "0.0194 ton in 4 plots"},
		{20, "kg/ha", trial.Metric, "32.4 g", "130 g in 4 plots"},
		{1, "qt/acre", trial.US, "0.128 fl oz", "0.512 fl oz in 4 plots"},
		{0.001, "kg/ha", trial.Metric, "0.00162 g", "0.00648 g in 4 plots"},
		{0.0001, "kg/ha", trial.Metric, "0.000162 g", "0.000648 g in 4 plots"},
		{0, "kg/ha", trial.Metric, "0 kg", "0 kg in 4 plots"},
	} {
		b := newBuilder(in)
		b.units = c.units
		if plot, all := b.amounts(Operation{Rate: &c.rate, RateUnit: c.unit, Treatment: "RYE"}); plot != c.plot || all != c.all {
			t.Errorf("%g %s: %q and %q, want %q and %q", c.rate, c.unit, plot, all, c.plot, c.all)
		}
	}
}

// The yield table's bed lengths, checked by hand: the reference example of 84.2
// lb from 30 ft of bed 5.5 ft apart is 22 228.8 lb/acre and 280.667 lb per 100
// ft, and 24 915.18 kg/ha is 4.17678 kg per m of bed.
func TestYieldPerBedLength(t *testing.T) {
	b := builder{in: Input{Trial: trial.Trial{Ground: trial.Ground{BedSpacingMM: 5.5 * trial.MMPerFoot}}}, units: trial.US}
	if f, _ := b.perBed(); math.Abs(22228.8*f-2.8066667) > 1e-6 {
		t.Errorf("22228.8 lb/acre is %g lb per bed-foot", 22228.8*f)
	}
	b.units = trial.Metric
	if f, _ := b.perBed(); math.Abs(24915.18*f-4.17678) > 1e-5 {
		t.Errorf("24915.18 kg/ha is %g kg per m", 24915.18*f)
	}
}

func TestSpreadKeepsOrderAndDistance(t *testing.T) {
	got := spread([]vg.Length{10, 11, 50, 10.5}, 5)
	if !(got[0] <= got[3]-5+1e-9 && got[3] <= got[1]-5+1e-9 && got[2] == 50) {
		t.Errorf("spread: %v", got)
	}
}

func TestSlugsAreUnique(t *testing.T) {
	seen := map[string]string{}
	for _, s := range []string{"count grass", "count-grass", "count", "Unkraut", "a_b", "a.b", "a/b", "ab", "ä", "ü"} {
		g := slug(s)
		if !regexp.MustCompile(`^[a-z0-9_-]*$`).MatchString(g) {
			t.Errorf("%q became %q", s, g)
		}
		if was, ok := seen[g]; ok && !(was == "count grass" && s == "count-grass") {
			t.Errorf("%q and %q both became %q", was, s, g)
		}
		seen[g] = s
	}
}
