package print

import (
	"bytes"
	"fmt"
	"image"
	_ "image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/label"
)

// example is an invented trial at an invented place; its names hold letters
// from outside Latin-1.
func example(t *testing.T) (trial.Trial, []trial.Plot) {
	t.Helper()
	x := trial.Defaults()
	x.Name, x.Tag, x.Crop, x.Seed, x.Blocks = "Alder Bend leeks – por, pór, порей", "AB26", "leek", 20260301, 4
	x.Treatments = []trial.Treatment{{Code: "BARE", Name: "tilled bare ground", Control: true}, {Code: "RYE", Name: "rolled winter rye"},
		{Code: "RYEVETCH", Name: "rolled rye with hairy vetch"}, {Code: "STRAW"}, {Code: "TARP", Name: "tarp until planting"}}
	bearing := 60.0
	x.Ground = trial.Ground{Beds: 2, LengthMM: 10000, BorderMM: 1000, BedSpacingMM: 1500, BedTopMM: 900, AlleyMM: 500,
		GradientRuns: trial.AlongBeds, Gradient: "wetter towards the far end", BearingDeg: &bearing,
		Avoid: []trial.Strip{{FromMM: 1400, ToMM: 1600, Why: "wheel track"}}}
	start, _ := trial.ParseDate("2026-05-25")
	x.Visits = trial.VisitsEvery(start, start.AddDays(70), 14)
	plots, err := trial.LayOut(&x)
	if err != nil {
		t.Fatal(err)
	}
	return x, plots
}

// prints is everything this package prints, by file name.
func prints(x trial.Trial, plots []trial.Plot) map[string]func(io.Writer) ([]string, error) {
	classes := []string{"broadleaf", "grass", "sedge"}
	out := map[string]func(io.Writer) ([]string, error){}
	for _, paper := range []Paper{A4, Letter} {
		opt := Options{Paper: paper}
		blind := Options{Paper: paper, Blind: true, PerQuadrat: true}
		out["cards-"+string(paper)] = func(w io.Writer) ([]string, error) { return PlotCards(w, &x, plots, opt) }
		out["blind-"+string(paper)] = func(w io.Writer) ([]string, error) { return PlotCards(w, &x, plots, blind) }
		out["marks-"+string(paper)] = func(w io.Writer) ([]string, error) { return CornerMarks(w, &x, 1, opt) }
		out["sheet-"+string(paper)] = func(w io.Writer) ([]string, error) { return FieldSheet(w, &x, plots, 2, classes, opt) }
		out["sheetblind-"+string(paper)] = func(w io.Writer) ([]string, error) {
			return FieldSheet(w, &x, plots, 3, append(classes, "crop", "volunteer rye"), blind)
		}
		out["map-"+string(paper)] = func(w io.Writer) ([]string, error) {
			return MapPDF(w, &x, plots, trial.MapOptions{Visit: 1}, opt)
		}
	}
	return out
}

var pageMark = regexp.MustCompile(`/Type /Page\n`)

func TestPagesOfEveryPrint(t *testing.T) {
	x, plots := example(t)
	pages := map[string]int{"cards": 10, "blind": 40, "marks": 1, "sheet-A4": 3, "sheet-Letter": 4, "sheetblind": 5, "map": 1}
	for name, print := range prints(x, plots) {
		var a, b bytes.Buffer
		notes, err := print(&a)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(notes) > 0 {
			t.Errorf("%s: %v", name, notes)
		}
		if _, err := print(&b); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s: a second print differs (%v)", name, err)
		}
		kind, _, _ := strings.Cut(name, "-")
		if pages[name] > 0 {
			kind = name
		}
		if n := len(pageMark.FindAll(a.Bytes(), -1)); n != pages[kind] {
			t.Errorf("%s: %d pages, want %d", name, n, pages[kind])
		}
	}
}

// Names that no font has, and names far too long, must not break a page.
func TestOddNames(t *testing.T) {
	x, plots := example(t)
	x.Name = "蔥 🌱 \x00\ufeff" + strings.Repeat("very long ", 60)
	x.Treatments[1].Name = strings.Repeat("ångström ", 50)
	for name, print := range prints(x, plots) {
		if strings.HasSuffix(name, "Letter") {
			continue // the paper changes nothing about names
		}
		var b bytes.Buffer
		notes, err := print(&b)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if !strings.HasPrefix(name, "marks") && len(notes) != 1 {
			t.Errorf("%s: notes %q", name, notes)
		}
	}
}

func TestRefusals(t *testing.T) {
	x, plots := example(t)
	odd := x
	odd.Quadrat.WidthMM = 510
	long := []trial.Plot{{ID: "northwest"}}
	for what, err := range map[string]error{
		"paper": second(PlotCards(io.Discard, &x, plots, Options{Paper: "A3"})),
		"plots": second(PlotCards(io.Discard, &x, nil, DefaultOptions())),
		"code":  second(PlotCards(io.Discard, &x, long, DefaultOptions())),
		"marks": second(CornerMarks(io.Discard, &odd, 1, DefaultOptions())),
		"frame": second(CornerMarks(io.Discard, &x, 9, DefaultOptions())),
		"visit": second(FieldSheet(io.Discard, &x, plots, 0, []string{"grass"}, DefaultOptions())),
		"class": second(FieldSheet(io.Discard, &x, plots, 1, nil, DefaultOptions())),
		"wide":  second(FieldSheet(io.Discard, &x, plots, 1, make([]string, 20), DefaultOptions())),
		"drawn": second(MapPDF(io.Discard, &x, long, trial.MapOptions{}, DefaultOptions())),
	} {
		if err == nil {
			t.Errorf("%s: was not refused", what)
		}
	}
}

func second(_ []string, err error) error { return err }

// heavy skips unless the long tests were asked for and the programs are here.
func heavy(t *testing.T, programs ...string) {
	t.Helper()
	if os.Getenv("QUADTALLY_HEAVY") != "1" {
		t.Skip("set QUADTALLY_HEAVY=1 to render the pages")
	}
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			t.Skipf("%s is not installed", p)
		}
	}
}

// render turns a print into PNG pages at the given dots per inch.
func render(t *testing.T, dir, name string, dpi int, print func(io.Writer) ([]string, error)) []string {
	t.Helper()
	path := filepath.Join(dir, name+".pdf")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := print(f); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", fmt.Sprint(dpi), "-png", path, filepath.Join(dir, name)).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v\n%s", err, out)
	}
	pages, err := filepath.Glob(filepath.Join(dir, name+"-*.png"))
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages: %v", err)
	}
	return pages
}

// Every card is read back from the rendered page by an independent decoder.
func TestCardsReadBack(t *testing.T) {
	heavy(t, "pdftoppm", "zbarimg")
	x, plots := example(t)
	dir := t.ArtifactDir()
	for _, c := range []struct {
		name string
		each []int
	}{{"cards-A4", []int{0}}, {"blind-Letter", []int{1, 2, 3, 4}}} {
		pages := render(t, dir, c.name, 72, prints(x, plots)[c.name])
		out, err := exec.Command("zbarimg", append([]string{"-q", "--raw"}, pages...)...).Output()
		if err != nil {
			t.Fatalf("zbarimg: %v", err)
		}
		read := map[string]int{}
		for _, l := range strings.Fields(string(out)) {
			read[l]++
		}
		for _, p := range plots {
			for _, q := range c.each {
				code, err := label.Encode(label.Label{Trial: "AB26", Plot: p.ID, Quadrat: q})
				if err != nil {
					t.Fatal(err)
				}
				if read[code] != 1 {
					t.Errorf("%s: card %s was read %d times", c.name, code, read[code])
				}
				delete(read, code)
			}
		}
		if len(read) > 0 {
			t.Errorf("%s: read besides: %v", c.name, read)
		}
	}
}

// Measured on the rendered page: the code, the bar and the marks have the
// sizes they claim, and the marks the cells they should.
func TestTrueSizes(t *testing.T) {
	heavy(t, "pdftoppm")
	x, plots := example(t)
	dir := t.ArtifactDir()
	const dpi = 254 // ten dots a millimetre
	page := decode(t, render(t, dir, "cards-A4", dpi, prints(x, plots)["cards-A4"])[0])
	gap := (297 - 2*CardHeightMM) / 3
	left, top := (210-CardWidthMM)/2+quietMM-4, gap+quietMM-4
	// The outermost modules of a code are the finder patterns' corners.
	if w := darkRun(page, left+0.5*ModuleMM, top+ModuleMM/2, 1, 0); math.Abs(w-6.5*ModuleMM) > 0.2 {
		t.Errorf("finder pattern from its middle module on: %.2f mm, want %.2f", w, 6.5*ModuleMM)
	}
	if !dark(page, left+CodeMM-0.5, top+0.5) || dark(page, left+CodeMM+0.5, top+0.5) || dark(page, left-0.5, top+0.5) {
		t.Error("the code does not end where it should")
	}

	page = decode(t, render(t, dir, "marks-A4", dpi, prints(x, plots)["marks-A4"])[0])
	class, err := frameClass(&x, 1)
	if err != nil {
		t.Fatal(err)
	}
	gapX := (210 - 2*label.MarkPlateMM) / 3
	const cell = label.MarkSizeMM / label.MarkCells
	for corner := range 4 {
		m, _ := label.NewMark(class, corner)
		col, row := float64(corner&1^corner>>1), float64(corner>>1)
		px := gapX + col*(label.MarkPlateMM+gapX) + label.MarkMarginMM
		py := 20 + row*(label.MarkPlateMM+12) + label.MarkMarginMM
		for r, cells := range m.Cells() {
			for c, white := range cells {
				if dark(page, px+(float64(c)+0.5)*cell, py+(float64(r)+0.5)*cell) == white {
					t.Errorf("mark %d: cell %d,%d is wrong", m.ID, r, c)
				}
			}
		}
		if w := darkRun(page, px+0.1, py+cell/2, 1, 0); math.Abs(w-label.MarkSizeMM) > 0.3 {
			t.Errorf("mark %d is %.2f mm wide", m.ID, w)
		}
	}
}

func decode(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, _, err := image.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// dark looks at a place in millimetres on a page of ten dots a millimetre.
func dark(img image.Image, xMM, yMM float64) bool {
	r, g, b, _ := img.At(int(xMM*10), int(yMM*10)).RGBA()
	return r+g+b < 3*0x8000
}

// darkRun measures how far it stays dark from a place on.
func darkRun(img image.Image, xMM, yMM, dx, dy float64) float64 {
	n := 0.0
	for dark(img, xMM+n*dx, yMM+n*dy) && n < 300 {
		n += 0.1
	}
	return n
}

// The field sheet's text can be taken out of the page again, in walking order.
func TestSheetKeepsTheWalk(t *testing.T) {
	heavy(t, "pdftotext")
	x, plots := example(t)
	dir := t.ArtifactDir()
	path := filepath.Join(dir, "sheet.pdf")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := prints(x, plots)["sheetblind-A4"](f); err != nil {
		t.Fatal(err)
	}
	f.Close()
	out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	text := string(out)
	for _, tr := range x.Treatments {
		if strings.Contains(text, tr.Code) {
			t.Errorf("a blind sheet shows %s", tr.Code)
		}
	}
	if !strings.Contains(text, "порей") || !strings.Contains(text, "2026-06-22") {
		t.Error("the title or the planned day is missing")
	}
	at := 0
	for _, p := range trial.InWalkingOrder(plots) {
		i := strings.Index(text[at:], p.ID)
		if i < 0 {
			t.Fatalf("plot %s is missing or out of order", p.ID)
		}
		at += i
	}
}
