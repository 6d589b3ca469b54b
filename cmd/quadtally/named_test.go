package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"quadtally/cmd/quadtally/internal/measured"
	"strconv"
	"strings"
	"testing"
)

// leavesAndBlades draws a photo of bare ground with round leaves, the crop, and
// thin blades, the weeds, of one green, and what is where: 1 crop, 2 weed.
func leavesAndBlades(rng *rand.Rand, w, h int) (*image.RGBA, []uint8, [3][2]int) {
	img, truth := image.NewRGBA(image.Rect(0, 0, w, h)), make([]uint8, w*h)
	var middle [3][2]int
	mark := func(class uint8, cx, cy, long, short, angle float64) {
		c, s := math.Cos(angle), math.Sin(angle)
		for y := range h {
			for x := range w {
				u, v := (float64(x)-cx)*c+(float64(y)-cy)*s, -(float64(x)-cx)*s+(float64(y)-cy)*c
				if u*u/(long*long)+v*v/(short*short) <= 1 {
					truth[y*w+x] = class
				}
			}
		}
		middle[class] = [2]int{int(cx), int(cy)}
	}
	// Each stands in a square of its own, so that none touch.
	const side = 120
	for y := range h / side {
		for x := range w / side {
			cx, cy := float64(x*side)+side/2, float64(y*side)+side/2
			if (x+y)%2 == 0 {
				mark(1, cx, cy, 34, 30, 0)
			} else {
				mark(2, cx, cy, 45, 4.5, rng.Float64()*math.Pi)
			}
		}
	}
	for i, k := range truth {
		n := rng.IntN(17) - 8
		c := [3]int{120 + n, 98 + n, 80 + n}
		if k > 0 {
			c = [3]int{70 + n, 140 + n, 50 + n}
		}
		img.SetRGBA(i%w, i/w, color.RGBA{uint8(c[0]), uint8(c[1]), uint8(c[2]), 255})
	}
	return img, truth, middle
}

// namedPhotos writes photos of leaves and blades and a file naming a crop and a
// weed in the first few.
func namedPhotos(t *testing.T, n, named int) (dir, names string, truth map[string][]uint8) {
	t.Helper()
	dir = t.TempDir()
	rng := rand.New(rand.NewPCG(11, 3))
	truth = map[string][]uint8{}
	var rows strings.Builder
	rows.WriteString("photo,x,y,class\n")
	for i := range n {
		img, what, middle := leavesAndBlades(rng, 600, 480)
		path := filepath.Join(dir, fmt.Sprintf("p%02d.jpg", i))
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := jpeg.Encode(f, img, &jpeg.Options{Quality: 92}); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		truth[path] = what
		if i < named {
			fmt.Fprintf(&rows, "%s,%d.5,%d.5,crop\n%s,%d.5,%d.5,weed\n", path, middle[1][0], middle[1][1], filepath.Base(path), middle[2][0], middle[2][1])
		}
	}
	names = filepath.Join(t.TempDir(), "named.csv")
	writeText(t, names, rows.String())
	return dir, names, truth
}

func writeText(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestNamedPlants: from a few named plants every photo's green is told apart,
// the picture of classes agrees with the truth and with the line, and answered
// check points give areas that hold it.
func TestNamedPlants(t *testing.T) {
	dir, names, truth := namedPhotos(t, 8, 4)
	masks := filepath.Join(t.TempDir(), "masks")
	r := must(t, "measure", "--no-frame", "--json", "--named", names, "--masks", masks, dir)
	var weeds, ground int
	for _, line := range strings.Split(strings.TrimSpace(r.out), "\n") {
		var m measured.Line
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatal(err)
		}
		var raw map[string]any
		json.Unmarshal([]byte(line), &raw)
		first := raw["classes"].([]any)[0].(map[string]any)
		for _, field := range []string{"name", "role", "code", "cover_pct", "cover_range_pct", "pieces", "sure"} {
			if _, ok := first[field]; !ok {
				t.Fatalf("a class in JSON has no %s: %v", field, first)
			}
		}
		code := map[string]uint8{}
		for _, c := range m.Classes {
			code[c.Name] = c.Code
			if c.CoverPct < c.RangePct[0] || c.CoverPct > c.RangePct[1] || c.Sure < 0.5 || c.Sure > 1 || c.Code == 0 {
				t.Errorf("%s: %+v", m.File, c)
			}
			if c.Pieces != 10 {
				t.Errorf("%s: %d pieces of %s, 10 are drawn", m.File, c.Pieces, c.Name)
			}
		}
		f, err := os.Open(filepath.Join(masks, strings.TrimSuffix(filepath.Base(m.File), ".jpg")+".png"))
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		g, ok := img.(*image.Gray)
		if !ok || g.Bounds() != image.Rect(0, 0, 600, 480) {
			t.Fatalf("class picture is %T of %v, want 8-bit grey of 600 x 480", img, img.Bounds())
		}
		var right, seen, weed int
		for i, k := range truth[m.File] {
			v := g.Pix[i]
			if v == code["weed"] {
				weed++
			}
			if k == 2 && v > 0 {
				weeds++
			}
			ground++
			if k == 0 || v == 0 {
				continue
			}
			seen++
			if k == 1 && v == code["crop"] || k == 2 && v == code["weed"] {
				right++
			}
		}
		if share := float64(right) / float64(seen); share < 0.97 {
			t.Errorf("%s: %.3f of the green is right", m.File, share)
		}
		if got := 100 * float64(weed) / (600 * 480); math.Abs(got-m.Classes[0].CoverPct) > 0.05 {
			t.Errorf("%s: picture holds %.2f %% weeds, its line says %.2f", m.File, got, m.Classes[0].CoverPct)
		}
	}

	ask := must(t, "measure", "--no-frame", "--named", names, "--ask", "60", "--seed", "4", dir)
	if again := must(t, "measure", "--no-frame", "--ask", "60", "--seed", "4", dir); again.out != ask.out {
		t.Error("check points depend on the named plants")
	}
	rows, err := csv.NewReader(strings.NewReader(ask.out)).ReadAll()
	if err != nil || len(rows) != 61 || strings.Join(rows[0], ",") != "photo,x,y,class" {
		t.Fatalf("%d rows of check points, %v", len(rows), err)
	}
	var answers strings.Builder
	w := csv.NewWriter(&answers)
	for i, row := range rows {
		if i > 0 {
			if row[3] != "" {
				t.Fatalf("a check point comes with the answer %q", row[3])
			}
			x, _ := strconv.ParseFloat(row[1], 64)
			y, _ := strconv.ParseFloat(row[2], 64)
			row[3] = []string{"not a plant", "crop", "weed"}[truth[row[0]][int(y)*600+int(x)]]
		}
		w.Write(row)
	}
	w.Flush()
	answered := filepath.Join(t.TempDir(), "answers.csv")
	writeText(t, answered, answers.String())
	r = must(t, "measure", "--no-frame", "--json", "--named", names, "--answers", answered, dir)
	lines := strings.Split(strings.TrimSpace(r.out), "\n")
	var last struct {
		Total map[string]struct {
			CoverPct float64    `json:"cover_pct"`
			RangePct [2]float64 `json:"cover_range_pct"`
		} `json:"total"`
	}
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil {
		t.Fatal(err)
	}
	want := 100 * float64(weeds) / float64(ground)
	if got := last.Total["weed"]; got.RangePct[0] > want || got.RangePct[1] < want || !(got.RangePct[1] > got.RangePct[0]) || got.RangePct[1]-got.RangePct[0] > 2 {
		t.Errorf("weeds over all photos %+v, true %.2f", got, want)
	}
	must(t, "measure", "--no-frame", "--named", names, "--answers", answered, dir).expect(t, exitDone, "all photos, by 60 check points", "weed:")
	// Weeds that are named by class and answered as weeds alone: the class is open.
	grass := filepath.Join(t.TempDir(), "grass.csv")
	writeText(t, grass, strings.ReplaceAll(string(mustRead(t, names)), ",weed", ",weed: blade"))
	r = must(t, "measure", "--no-frame", "--json", "--named", grass, "--answers", answered, dir)
	r.expect(t, exitDone, "classes of weed have no cover here")
	if last := r.out[strings.LastIndex(strings.TrimSpace(r.out), "\n")+1:]; !strings.Contains(last, `"weed":`) || strings.Contains(last, `"blade":`) {
		t.Errorf("total of an open class: %s", last)
	}
	must(t, "measure", "--no-frame", "--named", names, "--csv", dir).expect(t, exitDone, "weed_cover_pct")

	// Points that were drawn from other photos than those given are noticed.
	some, _ := filepath.Glob(filepath.Join(dir, "p0[0-3].jpg"))
	say(t, append([]string{"measure", "--no-frame", "--json", "--named", names, "--answers", answered}, some...)...).expect(t, exitFailed, "is not among the photos measured")
	var few []string
	for _, row := range strings.Split(answers.String(), "\n") {
		if row < filepath.Join(dir, "p04") || strings.HasPrefix(row, "photo,") {
			few = append(few, row)
		}
	}
	writeText(t, answered, strings.Join(few, "\n"))
	say(t, "measure", "--no-frame", "--json", "--named", names, "--answers", answered, dir).expect(t, exitFailed, "do not lie over these photos")
}

// TestNamedFaults: what is wrong with a file of names or answers is said with
// its row, and nothing is claimed from too few.
func TestNamedFaults(t *testing.T) {
	dir, names, _ := namedPhotos(t, 2, 2)
	photo := filepath.Join(dir, "p00.jpg")
	file := filepath.Join(t.TempDir(), "named.csv")
	for _, c := range []struct {
		text string
		code int
		says string
	}{
		{"photo,x,y\n" + photo + ",60,60\n", exitFailed, "class"},
		{"photo,x,y,class\n" + photo + ",60,60,leek\n", exitFailed, "named.csv:2: class \"leek\" is not known"},
		{"photo,x,y,class\n" + photo + ",60,,weed\n", exitFailed, "named.csv:2"},
		{"photo,x,y,class\n" + photo + ",6000,60,weed\n", exitFailed, "named.csv:2: 6000, 60 lies outside p00.jpg"},
		{"photo,x,y,class\n" + photo + ",60,60,crop\n", exitFailed, "two classes"},
		{"photo,x,y,class\nother.jpg,60,60,crop\n", exitFailed, "two classes"},
		{"photo,x,y,class\nother.jpg,60,60,crop\nother.jpg,9,60,weed\n", exitFailed, "2 of 2 named plants lie in photos that are not among those measured"},
		{"photo,x,y,class\n" + photo + ",60,60,crop\n" + photo + ",62,61,weed\n", exitFailed, "named.csv:2 and named.csv:3 name one spot crop and weed"},
	} {
		writeText(t, file, c.text)
		say(t, "measure", "--no-frame", "--named", file, dir).expect(t, c.code, c.says)
	}
	text, err := os.ReadFile(names)
	if err != nil {
		t.Fatal(err)
	}
	writeText(t, file, string(text)+photo+",1,1,weed\nelsewhere.jpg,5,5,weed\n")
	must(t, "measure", "--no-frame", "--named", file, dir).expect(t, exitDone, "no green at 1, 1 of p00.jpg", "1 of 6 named plants lie in photos that are not among those measured")
	for _, args := range [][]string{{"--masks", "m"}, {"--answers", "a.csv"}, {"--ask", "0"}, {"--seed", "3"}, {"--named", names, "--ask", "9", "--answers", "a.csv"}, {"--named", names, "--csv", "--answers", "a.csv"}} {
		say(t, append([]string{"measure", "--no-frame", dir}, args...)...).expect(t, exitUsage)
	}
	say(t, "measure", "--no-frame", "--ask", "100000000", dir).expect(t, exitFailed, "ask for fewer")
}
