package trial

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with a file under testdata.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(got, want) {
		return
	}
	a, b := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range max(len(a), len(b)) {
		line := func(s []string) string {
			if i < len(s) {
				return s[i]
			}
			return "(no line)"
		}
		if line(a) != line(b) {
			t.Fatalf("%s differs from line %d on:\n got  %s\n want %s", name, i+1, line(a), line(b))
		}
	}
}

func mapExample(t *testing.T) (Trial, []Plot) {
	t.Helper()
	x := example(CompleteBlocks, 5, 4)
	x.Ground.Gradient = "wetter towards the far end"
	bearing := 60.0
	x.Ground.BearingDeg = &bearing
	x.Ground.ControlLengthMM = 6000
	plots, err := LayOut(&x)
	if err != nil {
		t.Fatal(err)
	}
	return x, plots
}

func TestMapAsText(t *testing.T) {
	x, plots := mapExample(t)
	s, err := TextMap(&x, plots, MapOptions{Visit: 1}, 0)
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "map.txt", []byte(s))
	s, err = TextMap(&x, plots, MapOptions{Blind: true}, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range x.Treatments {
		if strings.Contains(s, tr.Code) {
			t.Errorf("a blind map shows %s", tr.Code)
		}
	}
	if !strings.Contains(s, "105") {
		t.Error("a blind map lacks its plots")
	}
	s, err = TextMap(&x, []Plot{{ID: "1", Treatment: "RYE", Order: 1}}, MapOptions{Visit: 1}, 0)
	if err != nil || !strings.Contains(s, "not recorded") {
		t.Errorf("without places: %v\n%s", err, s)
	}
}

// A slip in one plot's place must not fill the memory.
func TestMapOfScatteredPlots(t *testing.T) {
	x, plots := mapExample(t)
	plots[0].FromMM = 9e8
	plots[1].Bed = 9999
	s, err := TextMap(&x, plots, MapOptions{}, 0)
	if err != nil || len(s) > 20000 || !strings.Contains(s, "too far apart") {
		t.Errorf("%v, %d bytes", err, len(s))
	}
	if _, err := MapDrawing(&x, plots, 210, 297, MapOptions{Visit: 1}); err != nil {
		t.Error(err)
	}
}

func TestMapAsSVG(t *testing.T) {
	x, plots := mapExample(t)
	x.Name = "a < b & c"
	d, err := MapDrawing(&x, plots, 210, 297, MapOptions{Visit: 1})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := d.WriteSVG(&b); err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	var texts []string
	for dec := xml.NewDecoder(&b); ; {
		tok, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch v := tok.(type) {
		case xml.StartElement:
			count[v.Name.Local]++
		case xml.CharData:
			texts = append(texts, string(v))
		}
	}
	all := strings.Join(texts, "\n")
	for _, want := range []string{"a < b & c", "block 4", "305", "RYEVETCH", "scale 1 : ", "gradient", "N", "16.50 m"} {
		if !strings.Contains(all, want) {
			t.Errorf("the map lacks %q", want)
		}
	}
	if count["polygon"] < len(plots)*(1+4+4) {
		t.Errorf("%v: every plot needs its outline, four flags and four quadrats", count)
	}
}

// True to scale: every plot's rectangle measures its ground times the scale,
// and everything stays on the paper.
func TestMapIsToScale(t *testing.T) {
	x, _ := mapExample(t)
	for _, dir := range []Direction{AlongBeds, AcrossBeds} {
		x.Ground.GradientRuns = dir
		plots, _ := LayOut(&x)
		for _, paper := range [][2]float64{{210, 297}, {297, 210}, {215.9, 279.4}} {
			d, err := MapDrawing(&x, plots, paper[0], paper[1], MapOptions{})
			if err != nil {
				t.Fatal(err)
			}
			long, short := 0, 0
			for _, m := range d.Marks {
				for _, p := range m.Points {
					if p.X < -1e-9 || p.Y < -1e-9 || p.X > paper[0]+1e-9 || p.Y > paper[1]+1e-9 {
						t.Errorf("%v: %+v lies off the paper", paper, m)
					}
				}
				if m.Closed && len(m.Points) == 4 && m.Stroke == inkBlack && m.Fill == "#ffffff" {
					w, h := m.Points[1].X-m.Points[0].X, m.Points[2].Y-m.Points[1].Y
					near(t, "width", w, 3000*d.PaperPerGround, 1e-9)
					switch {
					case h > 8000*d.PaperPerGround:
						near(t, "length", h, 10000*d.PaperPerGround, 1e-9)
						long++
					default:
						near(t, "length of the control", h, 6000*d.PaperPerGround, 1e-9)
						short++
					}
				}
			}
			if long != 16 || short != 4 {
				t.Errorf("%d long and %d short plots drawn", long, short)
			}
		}
	}
	if _, err := MapDrawing(&x, []Plot{{ID: "1"}}, 210, 297, MapOptions{}); err == nil {
		t.Error("a layout without places was drawn")
	}
}

// The layout's table, read back, is the same layout.
func TestLayoutTableRoundTrip(t *testing.T) {
	x, plots := mapExample(t)
	plots[3].LengthMM = 9753.6 // 32 ft
	var rows []TableRow
	for _, r := range LayoutRows(plots, Metric)[1:] {
		rows = append(rows, TableRow{Where: "layout", Plot: r[0], Block: r[1], Column: r[2], Treatment: r[3], Bed: r[4], Beds: r[5], From: r[6], Length: r[8], Order: r[9]})
	}
	_, back, notes, faults := FromTable(&x, rows)
	if len(faults)+len(notes) > 0 {
		t.Fatal(faults, notes)
	}
	for i := range plots {
		if back[i] != plots[i] {
			t.Errorf("%+v came back as %+v", plots[i], back[i])
		}
	}
}
