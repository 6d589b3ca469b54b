package print

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	_ "image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/card"
	"quadtally/vision/label"
	"quadtally/vision/raster"
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
	columns := FieldColumns{Classes: []string{"broadleaf", "grass", "sedge"}, Cover: true}
	more := FieldColumns{Classes: []string{"broadleaf", "grass", "sedge", "volunteer rye"}, Cover: true, Regrowth: true}
	out := map[string]func(io.Writer) ([]string, error){}
	for _, paper := range []Paper{A4, Letter} {
		opt := Options{Paper: paper}
		blind := Options{Paper: paper, Blind: true, PerQuadrat: true}
		out["cards-"+string(paper)] = func(w io.Writer) ([]string, error) { return PlotCards(w, &x, plots, opt) }
		out["blind-"+string(paper)] = func(w io.Writer) ([]string, error) { return PlotCards(w, &x, plots, blind) }
		four := blind
		four.FourOnPage = true
		out["four-"+string(paper)] = func(w io.Writer) ([]string, error) { return PlotCards(w, &x, plots, four) }
		out["marks-"+string(paper)] = func(w io.Writer) ([]string, error) { return CornerMarks(w, &x, 1, opt) }
		out["sheet-"+string(paper)] = func(w io.Writer) ([]string, error) {
			return FieldSheet(w, &x, plots, 2, columns, Options{Paper: paper, Blind: true})
		}
		out["sheetshown-"+string(paper)] = func(w io.Writer) ([]string, error) { return FieldSheet(w, &x, plots, 2, columns, opt) }
		out["sheetblind-"+string(paper)] = func(w io.Writer) ([]string, error) {
			return FieldSheet(w, &x, plots, 3, more, blind)
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
	pages := map[string]int{"cards": 10, "blind": 40, "four": 20, "marks": 1, "sheet": 4, "sheetshown": 5, "sheetblind": 5, "map": 1}
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
		"visit": second(FieldSheet(io.Discard, &x, plots, 0, FieldColumns{Classes: []string{"grass"}}, DefaultOptions())),
		"class": second(FieldSheet(io.Discard, &x, plots, 1, FieldColumns{}, DefaultOptions())),
		"wide":  second(FieldSheet(io.Discard, &x, plots, 1, FieldColumns{Classes: make([]string, 20)}, DefaultOptions())),
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
	left, top := (210-CardWidthMM)/2+quietMM, gap+quietMM
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

// Each ring of an outline keeps the cells that are in on one side; filled by
// the even-odd rule, they give the cells back.
func TestOutlines(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		columns, rows := 1+rng.IntN(9), 1+rng.IntN(9)
		cells := make([]bool, columns*rows)
		for i := range cells {
			cells[i] = rng.IntN(2) == 0
		}
		in := func(c, r int) bool { return cells[r*columns+c] }
		rings := outlines(columns, rows, in)
		for r := range rows {
			for c := range columns {
				crossed := 0 // of a ray from the middle of the cell to the left
				for _, ring := range rings {
					for i, a := range ring {
						b := ring[(i+1)%len(ring)]
						if a[0] != b[0] && a[1] != b[1] {
							t.Fatalf("%v to %v runs aslant", a, b)
						}
						if a[0] == b[0] && a[0] <= c && min(a[1], b[1]) <= r && max(a[1], b[1]) > r {
							crossed++
						}
					}
				}
				if crossed%2 == 1 != in(c, r) {
					t.Fatalf("%d x %d cells %v: cell %d, %d is lost in %v", columns, rows, cells, c, r, rings)
				}
			}
		}
	}
}

// Between the modules of a code and the cells of a mark there is no seam, at
// whatever scale a page is drawn.
func TestCodesHaveNoSeams(t *testing.T) {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("pdftoppm is not installed")
	}
	x, plots := example(t)
	x.Treatments, plots = x.Treatments[:1], plots[:1]
	dir := t.ArtifactDir()
	for _, dpi := range []int{61, 97, 133, 300} {
		img := decode(t, render(t, dir, fmt.Sprint("seam", dpi), dpi, func(w io.Writer) ([]string, error) {
			return PlotCards(w, &x, plots, DefaultOptions())
		})[0])
		perMM := float64(dpi) / 25.4
		// Down the left edge of the upper-left finder pattern, and along its top.
		left, top := (210-CardWidthMM)/2+quietMM, (297-2*CardHeightMM)/3+quietMM
		for _, along := range [][2]float64{{0, 1}, {1, 0}} {
			for mm := 0.6; mm < 7*ModuleMM-0.6; mm += 0.05 {
				px, py := left+ModuleMM/2+along[0]*(mm-ModuleMM/2), top+ModuleMM/2+along[1]*(mm-ModuleMM/2)
				if r, _, _, _ := img.At(int(px*perMM), int(py*perMM)).RGBA(); r > 0x1000 {
					t.Fatalf("%d dpi: a light line %.2f mm into the finder pattern (%d of 65535)", dpi, mm, r)
				}
			}
		}
		// Four modules of paper round the code.
		for mm := -4*ModuleMM + 0.6; mm < CodeMM+4*ModuleMM-0.6; mm += 0.1 {
			for _, p := range [][2]float64{{mm, -1}, {mm, -4*ModuleMM + 0.6}, {mm, CodeMM + 1}, {mm, CodeMM + 4*ModuleMM - 0.6}, {-1, mm}, {-4*ModuleMM + 0.6, mm}, {CodeMM + 1, mm}, {CodeMM + 4*ModuleMM - 0.6, mm}} {
				if r, _, _, _ := img.At(int((left+p[0])*perMM), int((top+p[1])*perMM)).RGBA(); r < 0xe000 {
					t.Fatalf("%d dpi: something is printed in the quiet zone at %.1f, %.1f mm", dpi, p[0], p[1])
				}
			}
		}
	}
}

// The program's own reader reads the cards from the page, at the resolution
// of a careless and of a careful print, in both sizes.
func TestOwnReaderReadsCards(t *testing.T) {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("pdftoppm is not installed")
	}
	x, plots := example(t)
	dir := t.ArtifactDir()
	for _, four := range []bool{false, true} {
		for _, dpi := range []int{100, 300} {
			opt := DefaultOptions()
			opt.PerQuadrat, opt.FourOnPage = true, four
			page := decode(t, render(t, dir, fmt.Sprint("read", four, dpi), dpi, func(w io.Writer) ([]string, error) {
				return PlotCards(w, &x, plots[:1], opt)
			})[0])
			w, h, across, scale := 210.0, 297.0, 1, 1.0
			if four {
				w, h, across, scale = h, w, 2, FourScale
			}
			cw, ch := CardWidthMM*scale, CardHeightMM*scale
			for n := range 2 * across {
				gapX, gapY := (w-float64(across)*cw)/float64(across+1), (h-2*ch)/3
				at := image.Pt(int((gapX+float64(n%across)*(cw+gapX))*float64(dpi)/25.4), int((gapY+float64(n/across)*(ch+gapY))*float64(dpi)/25.4))
				reading, err := card.Find(onSoil(page, image.Rectangle{at, at.Add(image.Pt(int(cw*float64(dpi)/25.4), int(ch*float64(dpi)/25.4)))}), card.DefaultOptions())
				if err != nil {
					t.Fatal(err)
				}
				got, err := reading.One()
				if want := (label.Label{Trial: "AB26", Plot: plots[0].ID, Quadrat: n + 1}); err != nil || got.Label != want {
					t.Errorf("four %v, %d dpi: %v read as %v (%v)", four, dpi, want, got.Label, err)
				}
			}
		}
	}
}

// onSoil lays what a rectangle of a page shows on brown ground, as a photo of
// a card that was cut out.
func onSoil(page image.Image, cut image.Rectangle) *raster.Raster {
	w, h := cut.Dx()*3/2, cut.Dy()*3/2
	photo := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(photo, photo.Bounds(), image.NewUniform(color.RGBA{96, 72, 54, 255}), image.Point{}, draw.Src)
	draw.Draw(photo, image.Rectangle{Max: cut.Size()}.Add(image.Pt(w/6, h/6)), page, cut.Min, draw.Src)
	r := &raster.Raster{Width: w, Height: h, ChromaWidth: w, ChromaHeight: h, FullWidth: w, FullHeight: h, Denom: 1, Orientation: 1}
	for i := 0; i < len(photo.Pix); i += 4 {
		y, cb, cr := color.RGBToYCbCr(photo.Pix[i], photo.Pix[i+1], photo.Pix[i+2])
		r.Y, r.Cb, r.Cr = append(r.Y, y), append(r.Cb, cb), append(r.Cr, cr)
	}
	return r
}
