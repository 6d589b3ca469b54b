package report

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// compared compares made-up values again with some rows taken out: drop says of a
// plot at a visit (0 for a response without visits) that it has no value.
func compared(t testing.TB, in Input, r Response, drop func(p trial.Plot, visit int) bool, change func(*stats.Options)) Response {
	t.Helper()
	opt := stats.DefaultOptions()
	opt.Response, opt.Unit, opt.Kind, opt.Control, opt.Order, opt.UnitKnown = r.Label, r.Unit, stats.Measure, "BARE", codes(in.Trial), true
	if change != nil {
		change(&opt)
	}
	var rows []stats.Row
	days := map[float64]int{}
	visits := []int{0}
	if len(r.ByVisit) > 0 {
		visits = nil
		for v := range in.Trial.Visits {
			visits = append(visits, v+1)
		}
	}
	for _, v := range visits {
		day := float64(14 * max(0, v-1))
		days[day] = v
		for i, p := range in.Plots {
			value := map[string]float64{"BARE": 40, "RYE": 18, "STRAW": 22}[p.Treatment] + float64(i*7%5) + float64(v)
			rows = append(rows, stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block, Day: day, Value: value, Missing: drop != nil && drop(p, v), Source: fmt.Sprintf("row %s/%d", p.ID, v)})
		}
	}
	out := Response{analysis.Outcome{Response: r.Response}}
	if len(visits) == 1 {
		a, err := stats.Analyse(rows, opt)
		if err != nil {
			t.Fatal(err)
		}
		out.Overall = analysis.Answer{Comparison: analysis.Comparison{Analysis: &a}}
		return out
	}
	s, err := stats.AnalyseSeason(rows, opt)
	if err != nil {
		t.Fatal(err)
	}
	out.Overall = analysis.Answer{Comparison: analysis.Comparison{Season: &s}, VisitOf: days}
	for _, v := range visits {
		var at []stats.Row
		for _, x := range rows {
			if days[x.Day] == v {
				x.Day = 0
				at = append(at, x)
			}
		}
		a, err := stats.Analyse(at, opt)
		if err != nil {
			t.Fatal(err)
		}
		out.ByVisit = append(out.ByVisit, analysis.Answer{Comparison: analysis.Comparison{Visit: v, Analysis: &a}, Date: in.Trial.Visits[v-1], Day: float64(14 * (v - 1))})
	}
	return out
}

func questionsOf(list ...analysis.SheetQuestion) []analysis.SheetQuestion { return list }

// doubtful are seasons each with something that a reader of the answer must
// know, and the words that tell it in the short form.
func doubtful(t testing.TB) map[string]struct {
	in   Input
	says []string
} {
	type season = struct {
		in   Input
		says []string
	}
	out := map[string]season{}
	third := func() Input {
		in := inventedInput(t)
		in.Trial.Visits = append(in.Trial.Visits, in.Trial.Visits[1].AddDays(14))
		return in
	}
	in := inventedInput(t)
	in.Responses[2] = compared(t, in, in.Responses[2], func(p trial.Plot, _ int) bool { return p.Block == "2" }, nil)
	out["a block without yields"] = season{in, []string{"In marketable yield, block 2 has no data: 3 blocks are compared"}}
	in = inventedInput(t)
	in.Responses[2] = compared(t, in, in.Responses[2], func(p trial.Plot, _ int) bool { return p.Treatment == "RYE" || p.ID == "202" }, nil)
	out["a treatment and a plot without yields"] = season{in, []string{"rolled rye has no value in any plot and is not compared", "plot 202 has no value"}}
	in = third()
	in.Responses[1] = compared(t, in, in.Responses[1], func(p trial.Plot, v int) bool { return v == 2 && (p.ID == "102" || p.ID == "303") }, nil)
	out["a visit bridged"] = season{in, []string{"In weeds, plots 102 and 303 have no value at visit 2: a straight line"}}
	in = third()
	in.Responses[1] = compared(t, in, in.Responses[1], func(p trial.Plot, v int) bool { return v == 3 && p.Block == "4" }, nil)
	out["a block not seen at the last visit"] = season{in, []string{"In weeds, block 4 has no data: 3 blocks are compared"}}
	in = inventedInput(t)
	pick := analysis.SheetQuestion{Kind: analysis.AskPick, Of: analysis.Yield, Text: "no weight for plot 204 at pick 2: nothing to cut (0) or not weighed (missing)?", Short: "no weight for plot 204 at pick 2"}
	in.Responses[2].Overall = analysis.Answer{Comparison: analysis.Comparison{Questions: questionsOf(pick)}, Refusal: "there is no marketable yield in the record yet"}
	in.Open = questionsOf(pick)
	out["yields refused, with a question"] = season{in, []string{"no weight for plot 204 at pick 2"}}
	in = inventedInput(t)
	class := analysis.SheetQuestion{Kind: analysis.AskClass, Of: analysis.HandCount, Class: "sedge", Visit: 1, Text: "sedge was counted in 2 of 24 quadrats of visit 1: was it looked for?", Short: "sedge was counted in 2 of 24 quadrats of visit 1 only"}
	again := class
	again.Visit = 2
	in.Responses[1].Overall.Questions = questionsOf(class, again)
	in.Open = questionsOf(class, again)
	out["a class of few quadrats"] = season{in, []string{"sedge was counted in few quadrats of visits 1 and 2"}}
	in = inventedInput(t)
	in.Photos.Open = []Aside{{"IMG_3.jpg", "no card was read"}}
	in.Photos.Doubtful = 7
	out["a photo that waits"] = season{in, []string{"3 of 50 photos are not used", fmt.Sprintf("7 of %d photos in use have a doubt that nobody has looked at", in.Photos.InUse)}}
	return out
}

// Every doubt and open question stands on the first page, on the page alone and,
// in the short form, on the slide; the page alone stays one page.
func TestDoubtsReachEveryFirstPage(t *testing.T) {
	for name, c := range doubtful(t) {
		first := Build(c.in)
		first.Sections = first.Sections[:1]
		b := newBuilder(c.in)
		for where, text := range map[string]string{"page 1": asText(first), "one-page": asText(BuildOnePage(c.in)), "slide": strings.Join(b.doubts(wordsFor{&b.in.Trial}, b.claims()), " ")} {
			for _, want := range c.says {
				if !strings.Contains(text, want) {
					t.Errorf("%s: %s does not say %q:\n%s", name, where, want, text)
				}
			}
		}
		if err := WriteSlide(&bytes.Buffer{}, c.in, 40); err != nil {
			t.Error(name, err)
		}
		var pdf bytes.Buffer
		if err := WritePDF(&pdf, BuildOnePage(c.in)); err != nil {
			t.Fatal(err)
		}
		if n := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(pdf.Bytes(), -1)); n != 1 {
			t.Errorf("%s: the page alone has %d pages", name, n)
		}
		for _, q := range c.in.Open {
			if text := asText(Build(c.in)); !strings.Contains(text, sentence("%s", q.Text)) {
				t.Errorf("%s: the report does not ask %q in full", name, q.Text)
			}
		}
	}
}

// What is said of a response on all pages fits together, whatever is missing: no
// treatment is told of twice, what has no value is not told of, blocks are
// counted with data, and a yield is called what was weighed.
func TestPagesDoNotContradict(t *testing.T) {
	type season struct {
		in                 Input
		never, blocksYield string
	}
	all := map[string]season{}
	for name, c := range doubtful(t) {
		all[name] = season{in: c.in}
	}
	for name, in := range inputs(t) {
		if len(in.Responses) > 0 {
			all[name] = season{in: in}
		}
	}
	missing := all["a block without yields"]
	missing.blocksYield = "With 3 blocks"
	all["a block without yields"] = missing
	noCamera := inventedInput(t)
	noCamera.Responses[0].Overall, noCamera.Responses[0].ByVisit = analysis.Answer{Refusal: "there is no green cover in the record yet"}, nil
	noCamera.Agreements = nil
	all["no camera"] = season{in: noCamera}
	cameraOnly := inventedInput(t)
	cameraOnly.Responses = cameraOnly.Responses[:1]
	cameraOnly.Agreements = nil
	all["camera only"] = season{in: cameraOnly, never: "fewer weeds"}
	ungraded := inventedInput(t)
	ungraded.Responses[2] = compared(t, ungraded, Response{analysis.Outcome{Response: analysis.Response{Key: analysis.Yield, Label: "ungraded total yield", Unit: "kg/ha", Role: analysis.Crop, Main: true, Factor: 1}}}, nil, func(o *stats.Options) { o.Response = "ungraded total yield" })
	for i := range ungraded.Harvest {
		ungraded.Harvest[i].Ungraded = true
	}
	all["nothing graded"] = season{in: ungraded, never: "arketable yield"}
	controls := inventedInput(t)
	controls.Trial.Treatments[1].Control = true
	all["two controls"] = season{in: controls}
	alike := inventedInput(t)
	alike.Trial.Treatments[2].Name = alike.Trial.Treatments[1].Name
	all["two treatments of one name"] = season{in: alike, never: "Rolled rye had"}
	for _, key := range []analysis.Key{analysis.GreenCover, analysis.HandCount, analysis.Yield} {
		named := inventedInput(t)
		named.Trial.Primary = string(key)
		all["primary "+string(key)] = season{in: named}
	}
	for name, c := range all {
		for _, control := range []bool{true, false} {
			in := c.in
			if !control {
				in = withoutControl(t, in)
			}
			b := newBuilder(in)
			named := wordsFor{&b.in.Trial}
			for _, r := range in.Responses {
				claim := analysis.ClaimOf(r.Response, r.Overall)
				list := named.verdict(claim)
				for _, tr := range in.Trial.Treatments {
					name := named.name(tr.Code)
					n := 0
					for _, s := range list {
						if strings.HasPrefix(strings.ToLower(s), strings.ToLower(name)+" ") || strings.Contains(s, " and "+name+" had") || strings.Contains(s, " and "+name+" did") {
							n++
						}
					}
					if n > 1 {
						t.Errorf("%s, %s: %s is told of %d times: %q", c.in.Trial.Name, r.Label, name, n, list)
					}
					if slices.Contains(claim.TreatmentsLost, tr.Code) && strings.Contains(strings.Join(list, " "), name) {
						t.Errorf("%s: %s has no value and is told of: %q", name, tr.Code, list)
					}
				}
			}
			text := asText(Build(in)) + asText(BuildTechnical(in))
			others := -1
			for _, r := range in.Responses {
				if r.Overall.Main() != nil {
					others++
				}
			}
			if m := regexp.MustCompile(`(\d+) others? (was|were) compared as well`).FindStringSubmatch(text); (m == nil) != (others <= 0) || m != nil && m[1] != fmt.Sprint(others) {
				t.Errorf("%s: %v, %d others can be compared", name, m, others)
			}
			if c.never != "" && strings.Contains(text, c.never) {
				i := strings.Index(text, c.never)
				t.Errorf("%s: %q is said: …%s", name, c.never, text[max(0, i-80):min(len(text), i+60)])
			}
			if c.blocksYield != "" {
				for _, want := range []string{c.blocksYield, "in 3 complete blocks, no data in block 2"} {
					if !strings.Contains(text, want) {
						t.Errorf("%s: %q is not said", name, want)
					}
				}
				if strings.Contains(text, "plots 201, 202 and 203") || strings.Contains(text, "plot 201, 202, 203") {
					t.Errorf("%s: the block is told plot by plot", name)
				}
			}
		}
	}
}

// withoutControl is the same season with no control named beforehand.
func withoutControl(t testing.TB, in Input) Input {
	t.Helper()
	in.Trial.Treatments = slices.Clone(in.Trial.Treatments)
	for i := range in.Trial.Treatments {
		in.Trial.Treatments[i].Control = false
	}
	in.Responses = slices.Clone(in.Responses)
	for i, r := range in.Responses {
		if a := r.Overall.Main(); a != nil {
			same := *a
			same.Control, same.VsControl, same.Treatments = "", nil, slices.Clone(a.Treatments)
			for k := range same.Treatments {
				same.Treatments[k].Suppression = nil
			}
			if s := r.Overall.Season; s != nil {
				season := *s
				season.PeriodMean = same
				in.Responses[i].Overall.Season = &season
			} else {
				in.Responses[i].Overall.Analysis = &same
			}
		}
	}
	return in
}

// Cover by class says how check points corrected it.
func TestCheckPointsAreReported(t *testing.T) {
	in := inventedInput(t)
	weeds := in.Responses[0]
	weeds.Key, weeds.Label, weeds.Role = analysis.WeedCover, "weed cover", analysis.Weeds
	weeds.Overall.Checked = []analysis.Checked{{Visit: 1, Points: 60, Errors: 7}, {Visit: 2, Points: 40, Errors: 4, Shown: true, Test: &calibrate.Test{P: 0.01}}}
	in.Responses = append(in.Responses, weeds)
	text := asText(BuildOnePage(in))
	for _, want := range []string{"Weed cover is corrected by 100 check points of 2 visits, 11 of which the photos had sorted wrongly", "at visit 2 the photos err by another amount in one treatment than in another"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said:\n%s", want, text)
		}
	}
}

// No lettering in a figure of the report is smaller than 11 pixels on a screen
// that shows it in its own size, as narrow screens do.
func TestFiguresCanBeRead(t *testing.T) {
	size := regexp.MustCompile(`font-size:\s*([0-9.]+)px`)
	for _, f := range Build(inventedInput(t)).Figures() {
		if f.ID == "fig-map" { // drawn to scale
			continue
		}
		var b bytes.Buffer
		if err := f.WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		sizes := size.FindAllStringSubmatch(b.String(), -1)
		if len(sizes) == 0 {
			t.Errorf("%s: no lettering was found", f.ID)
		}
		for _, m := range sizes {
			if v, err := strconv.ParseFloat(m[1], 64); err != nil || v*96/72 < 11 {
				t.Errorf("%s: lettering of %.1f pixels", f.ID, v*96/72)
			}
		}
	}
	if !strings.Contains(pageStyle, ".drawing { overflow-x: auto; } figure svg { max-width: none; }") {
		t.Error("narrow screens shrink the figures")
	}
}

// What has no room on a slide is counted there, not cut.
func TestDoubtsOnTheSlide(t *testing.T) {
	width := func(s string) vg.Length { return vg.Length(len(s)) }
	list := []string{"Doubt nr 1.", "Doubt nr 2.", "Doubt nr 3.", "Doubt nr 4.", "Doubt nr 5."}
	for _, c := range []struct {
		room  vg.Length
		lines int
		want  string
	}{
		{59, 1, "Doubt nr 1. Doubt nr 2. Doubt nr 3. Doubt nr 4. Doubt nr 5."},
		{58, 1, "Doubt nr 1. 4 doubts more on page 1 of the report."},
		{28, 2, "Doubt nr 1. 4 doubts more on|page 1 of the report."},
		{40, 1, "5 doubts: see page 1 of the report."},
	} {
		if got := strings.Join(fittedDoubts(width, list, c.room, c.lines), "|"); got != c.want {
			t.Errorf("in %d lines of %v: %q, want %q", c.lines, c.room, got, c.want)
		}
	}
}
