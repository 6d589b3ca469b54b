package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

const reportPlan = `trial: Leeks <after> rye & straw
tag: ALDR
site: Alder Bend trial ground (invented)
question: Which mulch holds the weeds?
units: %s
design: randomised complete blocks
blocks: 4
treatment: BARE = tilled bare ground; control
treatment: RYE = rolled <i>rye</i>
treatment: STRAW = straw & more
beds per plot: 1
bed spacing: 1.8 m
plot length: 9 m
end border: 1 m
quadrat: 500 mm x 500 mm
quadrats per plot: 2
count rule: plants rooted inside
season: 2026-05-01 to 2026-10-31
visits: 2026-06-14, 2026-06-28, 2026-07-12
visit tolerance: 3
agreement margin: 5 points
seed: 11
`

// reportTrial makes a trial folder with an invented season in its record:
// photos already measured, counts of two classes, cover judged by eye, yields.
// One quadrat has no photo, one photo is rejected, one waits for an answer.
func reportTrial(t *testing.T, units string) string {
	t.Helper()
	return reportTrialOf(t, units, 2)
}

// reportTrialOf draws the season of another year.
func reportTrialOf(t *testing.T, units string, season uint64) string {
	t.Helper()
	plan, faults := trial.ReadPlan(trial.Defaults(), strings.NewReader(fmt.Sprintf(reportPlan, units)), "plan.txt")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	plots, err := trial.LayOut(&plan)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	store, err := record.Create(dir, plan, plots, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	level := map[string]float64{"BARE": 40, "RYE": 14, "STRAW": 20}
	rng := rand.New(rand.NewPCG(1, season))
	_, err = store.Write(context.Background(), "test", "an invented season", func(w *record.Tx) error {
		row := 1
		observe := func(o record.Observation) error {
			row++
			o.Source, o.Observer = fmt.Sprintf("counts.csv:%d", row), "first counter"
			_, _, err := w.AddObservation(o, 1<<40)
			return err
		}
		for visit, day := range plan.Visits {
			for _, p := range plots {
				for q := 1; q <= plan.Quadrat.PerPlot; q++ {
					cover := max(0.2, level[p.Treatment]*float64(visit+1)/3+4*rng.NormFloat64())
					at := record.Observation{Plot: p.ID, Quadrat: q, Visit: visit + 1, Date: day}
					for _, c := range []struct {
						variable, class, unit string
						value                 float64
					}{{"count", "broadleaf", "plants", math.Round(max(0, cover+2*rng.NormFloat64()))}, {"count", "grass", "plants", math.Round(max(0, cover/3+rng.NormFloat64()))},
						{"cover", "", "fraction", math.Round(max(0, cover+rng.NormFloat64())) / 100}} {
						o := at
						o.Variable, o.Class, o.Value, o.Unit = c.variable, c.class, c.value, c.unit
						if err := observe(o); err != nil {
							return err
						}
					}
					if p.ID == plots[0].ID && visit == 1 {
						continue // no photo of this plot at the second visit
					}
					hash := fmt.Sprintf("%064x", 100000*(visit+1)+1000*p.Order+q)
					name := fmt.Sprintf("IMG_%d_%s_%d.jpg", visit+1, p.ID, q)
					if err := w.AddPhoto(record.PhotoFacts{Hash: hash, Path: "photos/" + name, Format: "jpeg", Taken: day.String() + "T09:00:00"}); err != nil {
						return err
					}
					id, err := w.AddMeasurement(record.Measurement{Hash: hash, Fingerprint: "feed0001"})
					if err != nil {
						return err
					}
					if err := w.AddResult(id, record.Result{Threshold: 0.12, CoverFrac: cover / 100, Pieces: int(cover), Kind: "green cover"}); err != nil {
						return err
					}
					place := record.Place{Plot: p.ID, Quadrat: q, Visit: visit + 1, Basis: "card", State: record.PlaceKnown}
					if visit == 2 && p.Order == 3 && q == 1 {
						place.State, place.Reason = record.PlaceOpen, "no card was read"
					}
					if _, err := w.Decide(record.PhotoSubject(hash), record.KindPlace, place); err != nil {
						return err
					}
					if visit == 2 && p.Order == 4 && q == 2 {
						if _, err := w.Decide(record.PhotoSubject(hash), record.KindReject, map[string]string{"reason": "a boot <in> the frame"}); err != nil {
							return err
						}
					}
				}
			}
			if _, err := w.Decide(record.VisitSubject(visit+1), record.KindThreshold, record.Threshold{Value: 0.12, Basis: "pooled"}); err != nil {
				return err
			}
		}
		for _, p := range plots {
			o := record.Observation{Plot: p.ID, Date: plan.SeasonEnd, Variable: "yield", Class: "marketable", Unit: "kg", LengthMM: 5000, Trim: "30 cm",
				Value: 14 - level[p.Treatment]/10 + 0.5*rng.NormFloat64()}
			if err := observe(o); err != nil {
				return err
			}
		}
		rate := 110.0
		_, err := w.AddOperation(record.Operation{Date: plan.SeasonStart, What: "seeding", Treatment: "RYE", Rate: &rate, RateUnit: "kg/ha", Source: "field.csv:2"})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// reportTables reads every table of a report by its id.
func reportTables(t *testing.T, page []byte) map[string][][]string {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][][]string{}
	var text func(*html.Node) string
	text = func(n *html.Node) string {
		if n.Type == html.TextNode {
			return n.Data
		}
		s := ""
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			s += text(c)
		}
		return s
	}
	table := ""
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.ElementNode {
			switch n.Data {
			case "table":
				for _, a := range n.Attr {
					if a.Key == "id" {
						table = a.Val
					}
				}
			case "tr":
				var row []string
				for c := n.FirstChild; c != nil; c = c.NextSibling {
					if c.Type == html.ElementNode {
						row = append(row, text(c))
					}
				}
				out[table] = append(out[table], row)
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return out
}

// same holds a printed number against the value it stands for: they agree to
// half a unit of the last figure printed.
func same(t *testing.T, where, printed string, value *float64) {
	t.Helper()
	if value == nil {
		if printed != "–" && printed != "" {
			t.Errorf("%s: %q is printed for a value there is not", where, printed)
		}
		return
	}
	// p values stand without their zero and open at the ends; numbers have a
	// true minus and no-break spaces between thousands.
	switch printed {
	case "< .001":
		if *value >= 0.001 {
			t.Errorf("%s: %s is printed, the JSON has %v", where, printed, *value)
		}
		return
	case "> .999":
		if *value <= 0.999 {
			t.Errorf("%s: %s is printed, the JSON has %v", where, printed, *value)
		}
		return
	}
	printed = strings.NewReplacer("\u00a0", "", "−", "-").Replace(printed)
	got, err := strconv.ParseFloat(printed, 64)
	if err != nil {
		t.Errorf("%s: %q is not a number, want %g", where, printed, *value)
		return
	}
	mantissa, exponent, _ := strings.Cut(printed, "e")
	unit := 1.0
	if _, after, ok := strings.Cut(mantissa, "."); ok {
		unit = math.Pow(10, -float64(len(after)))
	}
	if exponent != "" {
		e, _ := strconv.Atoi(exponent)
		unit *= math.Pow(10, float64(e))
	} else if whole := strings.TrimLeft(mantissa, "-"); !strings.Contains(whole, ".") {
		// A whole number may stand for a longer one, rounded to its figures.
		for strings.HasSuffix(whole, "0") && len(whole) > 5 {
			whole, unit = strings.TrimSuffix(whole, "0"), unit*10
		}
	}
	if math.Abs(got-*value) > unit/2*(1+1e-9) {
		t.Errorf("%s: %s is printed, the JSON has %v", where, printed, *value)
	}
}

func rowOf(t *testing.T, table [][]string, name string) []string {
	t.Helper()
	for _, r := range table {
		if len(r) > 0 && r[0] == name {
			return r
		}
	}
	t.Fatalf("no row %q among %v", name, table)
	return nil
}

// Every number of the report's tables is the one compare and agree give.
func TestReportNumbersAreThoseOfCompareAndAgree(t *testing.T) {
	dir := reportTrial(t, "metric")
	out := filepath.Join(t.TempDir(), "handed-in")
	must(t, "report", "--trial", dir, "--out", out)
	page, err := os.ReadFile(filepath.Join(out, "technical.html"))
	if err != nil {
		t.Fatal(err)
	}
	tables := reportTables(t, page)
	for _, c := range []struct {
		key  string
		args []string
	}{
		{"green-cover", []string{"cover"}},
		{"count", []string{"count"}},
		{"count-grass", []string{"count", "--class", "grass"}},
		{"yield", []string{"yield"}},
		{"hand-cover", []string{"hand-cover"}},
	} {
		t.Run(c.key, func(t *testing.T) {
			var got analysis.Comparison
			r := must(t, append([]string{"compare", "--trial", dir, "--json"}, c.args...)...)
			if err := json.Unmarshal([]byte(r.out), &got); err != nil {
				t.Fatal(err)
			}
			a := got.Analysis
			if a == nil {
				a = &got.Season.PeriodMean
			}
			means := tables["means-"+c.key]
			for _, x := range a.Treatments {
				row := rowOf(t, means, x.Treatment)
				if row[1] != fmt.Sprint(x.Plots) || row[5] != x.Letters {
					t.Errorf("%s: plots %s, letters %q; the JSON has %d and %q", x.Treatment, row[1], row[5], x.Plots, x.Letters)
				}
				same(t, x.Treatment+" mean", row[len(row)-2], x.Mean)
				same(t, x.Treatment+" SD", row[len(row)-1], x.SD)
				mean, low, high := x.Shown()
				same(t, x.Treatment+" adjusted", row[2], mean)
				same(t, x.Treatment+" SE", row[3], x.SE)
				lower, upper, _ := strings.Cut(row[4], " to ")
				same(t, x.Treatment+" lower", lower, low)
				same(t, x.Treatment+" upper", upper, high)
			}
			for _, x := range a.ANOVA {
				row := rowOf(t, tables["anova-"+c.key], x.Term)
				same(t, x.Term+" SS", row[2], &x.SS)
				same(t, x.Term+" MS", row[3], x.MS)
				same(t, x.Term+" F", row[4], x.F)
				same(t, x.Term+" p", row[5], x.P)
			}
			if pairs, ok := tables["pairs-"+c.key]; ok {
				for _, x := range a.Pairs {
					row := rowOf(t, pairs, x.A+" - "+x.B)
					same(t, row[0]+" difference", row[1], x.Difference)
					same(t, row[0]+" LSD", row[3], x.LSD)
					same(t, row[0]+" p", row[6], x.P)
					if (row[8] == "yes") != x.Differ {
						t.Errorf("%s: %q, the JSON has differ %v", row[0], row[8], x.Differ)
					}
				}
			} else if c.key == "green-cover" || c.key == "count" || c.key == "yield" {
				t.Error("no table of pairs")
			}
			if control, ok := tables["control-"+c.key]; ok {
				for _, x := range a.VsControl {
					row := rowOf(t, control, x.Treatment)
					same(t, row[0]+" against the control", row[1], x.Difference)
					same(t, row[0]+" SED", row[2], x.SED)
					same(t, row[0]+" p", row[4], x.P)
				}
			}
			if checks, ok := tables["checks-"+c.key]; ok {
				for _, x := range a.Checks {
					row := rowOf(t, checks, x.Name)
					same(t, row[0], row[1], x.Statistic)
					same(t, row[0]+" p", row[2], x.P)
				}
			}
			if area, ok := tables["area-"+c.key]; ok {
				for _, x := range got.Season.Area.ANOVA {
					row := rowOf(t, area, x.Term)
					same(t, row[0]+" SS of the area", row[2], &x.SS)
					same(t, row[0]+" F of the area", row[4], x.F)
				}
			}
			if within, ok := tables["within-"+c.key]; ok {
				for _, x := range got.Season.InTime.Within {
					row := rowOf(t, within, x.Term)
					same(t, row[0]+" MS", row[3], x.MS)
					same(t, row[0]+" F", row[4], x.F)
					same(t, row[0]+" p GG", row[6], x.PGG)
				}
			}
			if model, ok := tables["season-model-"+c.key]; ok {
				for _, x := range got.SeasonModel.Fit.Adjusted {
					row := rowOf(t, model, x.Term)
					same(t, row[0]+" error df", row[2], &x.DenDF)
					same(t, row[0]+" F", row[3], &x.F)
					same(t, row[0]+" p", row[4], &x.P)
				}
			} else if got.SeasonModel != nil && (c.key == "green-cover" || c.key == "count") {
				t.Error("no second opinion")
			}
			for _, v := range a.Verdict {
				if !bytes.Contains(page, []byte(html.EscapeString(v[1:]))) {
					t.Errorf("the report does not say %q", v)
				}
			}
		})
	}
	for key, args := range map[string][]string{"green-cover": {"cover"}, "count": {"count"}, "count-broadleaf": {"count", "--class", "broadleaf"}} {
		for visit := 1; visit <= 3; visit++ {
			checkVisit(t, dir, tables["by-visit-"+key], visit, args)
		}
	}
	for kind, scale := range map[string]float64{"cover": 100, "count": 1} {
		var got calibrate.Report
		r := must(t, "agree", "--trial", dir, "--of", kind, "--json")
		if err := json.Unmarshal([]byte(r.out), &got); err != nil {
			t.Fatal(err)
		}
		for name, e := range map[string]calibrate.Estimate{"Mean difference (bias)": got.Agreement.Bias, "Lower limit of agreement": got.Agreement.LowerLimit,
			"Upper limit of agreement": got.Agreement.UpperLimit, "SD of differences": got.Agreement.SDDiff, "Root mean squared difference": got.Agreement.RMSE} {
			row := rowOf(t, tables["agreement-"+kind], name)
			v := e.Value * scale
			same(t, kind+" "+name, row[1], &v)
			if e.ClusterCI != nil {
				low, high, _ := strings.Cut(row[2], " to ")
				lv, hv := e.ClusterCI.Low*scale, e.ClusterCI.High*scale
				same(t, kind+" "+name, low, &lv)
				same(t, kind+" "+name, high, &hv)
			}
		}
		row := rowOf(t, tables["agreement-"+kind], "Concordance (Lin, divisor n)")
		same(t, kind+" concordance", row[1], &got.Agreement.CCC.Value)
	}
	checkFirstPage(t, dir, reportTables(t, mustRead(t, filepath.Join(out, "report.html"))), string(mustRead(t, filepath.Join(out, "report.html"))))
	checkPlanning(t, dir, tables)
	checkRawData(t, dir, page, tables)
}

// checkVisit holds a column of the table by visit against compare --visit.
func checkVisit(t *testing.T, dir string, table [][]string, visit int, args []string) {
	t.Helper()
	var got analysis.Comparison
	r := must(t, append([]string{"compare", "--trial", dir, "--json", "--visit", fmt.Sprint(visit)}, args...)...)
	if err := json.Unmarshal([]byte(r.out), &got); err != nil {
		t.Fatal(err)
	}
	if len(table) == 0 || !strings.HasPrefix(table[0][visit], fmt.Sprintf("%d, ", visit)) {
		t.Fatalf("%v: no column of visit %d in %v", args, visit, table)
	}
	for _, x := range got.Analysis.Treatments {
		text, letters, _ := strings.Cut(rowOf(t, table, x.Treatment)[visit], " ")
		mean, _, _ := x.Shown()
		same(t, fmt.Sprintf("%v visit %d %s", args, visit, x.Treatment), text, mean)
		if letters != x.Letters {
			t.Errorf("%v visit %d %s: letters %q, the JSON has %q", args, visit, x.Treatment, letters, x.Letters)
		}
	}
	for _, x := range got.Analysis.ANOVA {
		if x.Term == "treatment" {
			same(t, fmt.Sprintf("%v visit %d p", args, visit), rowOf(t, table, "p of treatments")[visit], x.P)
		}
	}
}

// checkFirstPage holds the first page's table and the percentages of its verdict
// against compare.
func checkFirstPage(t *testing.T, dir string, tables map[string][][]string, page string) {
	t.Helper()
	for column, c := range []struct {
		name, noun string
		perBed     float64
	}{{"count", "weeds", 1}, {"cover", "green cover", 1}, {"yield", "yield", 1.8 / 10000}} {
		var got analysis.Comparison
		if err := json.Unmarshal([]byte(must(t, "compare", c.name, "--trial", dir, "--json").out), &got); err != nil {
			t.Fatal(err)
		}
		differ := map[string]bool{}
		for _, x := range got.Main().VsControl {
			differ[x.Treatment] = x.Differ
		}
		for i, x := range got.Main().Treatments {
			mean, _, _ := x.Shown()
			value := *mean * c.perBed
			// The table's order is the plan's, that of compare by mean.
			found := false
			for _, row := range tables["answer-table"][1:] {
				text, letters, _ := strings.Cut(row[column+1], " ")
				if v, err := strconv.ParseFloat(text, 64); err == nil && math.Abs(v-value) <= 0.006*value {
					same(t, c.name+" "+x.Treatment, text, &value)
					found = found || letters == x.Letters
				}
			}
			if !found {
				t.Errorf("%s: no row %d of the first page has %g %s: %v", c.name, i, value, x.Letters, tables["answer-table"])
			}
			if s := x.Suppression; c.name == "count" && differ[x.Treatment] && s != nil && s.Percent != nil {
				if want := fmt.Sprintf("%.0f\u00a0%%", math.Abs(*s.Percent)); !strings.Contains(page, want) {
					t.Errorf("the first page does not say that %s had %s fewer weeds", x.Treatment, want)
				}
			}
		}
	}
}

// checkPlanning works the number of blocks out again from compare's JSON.
func checkPlanning(t *testing.T, dir string, tables map[string][][]string) {
	t.Helper()
	var got analysis.Comparison
	if err := json.Unmarshal([]byte(must(t, "compare", "yield", "--trial", dir, "--json").out), &got); err != nil {
		t.Fatal(err)
	}
	a := got.Analysis
	for _, share := range []float64{0.1, 0.2, 0.3} {
		n, power, err := (stats.Plan{Treatments: 3, Blocks: 2, Alpha: 0.05}).BlocksNeeded(a.Detectable.From*share / *a.ResidualSD, 0.8)
		if err != nil {
			t.Fatal(err)
		}
		row := rowOf(t, tables["blocks-yield"], fmt.Sprintf("%.0f %% less", 100*share))
		if row[4] != fmt.Sprint(n) || row[5] != fmt.Sprintf("%.0f %%", 100*power) {
			t.Errorf("%s: %v, want %d blocks with power %.3f", row[0], row, n, power)
		}
	}
}

// checkRawData holds the readings of the technical file against the values
// that compare used, and finds each reading in the export, where its photo or
// row is named.
func checkRawData(t *testing.T, dir string, page []byte, tables map[string][][]string) {
	t.Helper()
	var got analysis.Comparison
	if err := json.Unmarshal([]byte(must(t, "compare", "cover", "--visit", "3", "--trial", dir, "--json").out), &got); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "export")
	must(t, "export", out, "--trial", dir)
	exported := string(mustRead(t, filepath.Join(out, "values.csv")))
	readings := tables["data-green-cover"]
	var columns []int
	for i, head := range readings[0] {
		if strings.HasPrefix(head, "3.") {
			columns = append(columns, i)
		}
	}
	if len(columns) == 0 {
		t.Fatalf("visit 3 has no columns among %v", readings[0])
	}
	for _, p := range got.Analysis.Plots {
		row := rowOf(t, readings, p.Name)
		sum, n, slack := 0.0, 0, 0.0
		for _, i := range columns {
			if row[i] == "–" {
				continue
			}
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatalf("plot %s: %q", p.Name, row[i])
			}
			_, after, _ := strings.Cut(row[i], ".")
			slack = max(slack, math.Pow(10, -float64(len(after)))/2)
			sum += v
			n++
		}
		if n != p.Quadrats || math.Abs(sum/float64(max(n, 1))-p.Value) > slack*(1+1e-9) {
			t.Errorf("plot %s: mean of %d readings %g, the JSON has %d and %v", p.Name, n, sum/float64(max(n, 1)), p.Quadrats, p.Value)
		}
		for _, source := range p.Sources {
			if !strings.Contains(exported, source) {
				t.Errorf("the export does not name %s", source)
			}
		}
	}
	// Where the means stand, a link leads to their readings.
	if !bytes.Contains(page, []byte(`href="#data-green-cover"`)) || !bytes.Contains(page, []byte(`id="data-green-cover"`)) {
		t.Error("the means do not lead to their readings")
	}
}

func TestReportSaysWhatIsMissing(t *testing.T) {
	dir := reportTrial(t, "us")
	r := must(t, "report", "--trial", dir, "--format", "html", "--figures")
	r.expect(t, exitDone, "report.html", "figures")
	raw := append(mustRead(t, filepath.Join(dir, "report", "report.html")), mustRead(t, filepath.Join(dir, "report", "technical.html"))...)
	if _, err := os.Stat(filepath.Join(dir, "report", "report.pdf")); err == nil {
		t.Error("a PDF was written though only html was asked for")
	}
	if _, err := os.Stat(filepath.Join(dir, "report", "figures", "green-cover-season.svg")); err != nil {
		t.Error(err)
	}
	page := html.UnescapeString(string(raw))
	for _, want := range []string{"not recorded", "a boot <in> the frame", "no card was read", "Jun 14, 2026", "lb/acre", "lb per bed-foot", "feed0001", "Leeks <after> rye & straw", "no photo in use (2)"} {
		if !strings.Contains(strings.ToLower(page), strings.ToLower(want)) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if strings.Contains(string(raw), "<i>rye</i>") || strings.Contains(string(raw), "<after>") {
		t.Error("a name went into the page as markup")
	}
	// The trial's own record is not touched.
	say(t, "status", "--trial", dir).expect(t, exitDone)
}

func TestReportOfAnEmptyTrial(t *testing.T) {
	dir := t.TempDir()
	plan := filepath.Join(dir, "plan.txt")
	if err := os.WriteFile(plan, fmt.Appendf(nil, reportPlan, "metric"), 0o644); err != nil {
		t.Fatal(err)
	}
	at := filepath.Join(dir, "trial")
	must(t, "new", "--plan", plan, "--trial", at)
	must(t, "report", "--trial", at)
	raw := append(mustRead(t, filepath.Join(at, "report", "report.html")), mustRead(t, filepath.Join(at, "report", "technical.html"))...)
	for _, want := range []string{"There is no green cover in the record yet", "Operations: not recorded", "cannot be held against the hand yet"} {
		if !strings.Contains(string(raw), want) {
			t.Errorf("the report does not say %q", want)
		}
	}
}

// A trial's folder that was moved or copied renews its own report, with nothing
// left in the user's cache, and still touches nothing that people changed.
func TestReportOfAMovedFolder(t *testing.T) {
	dir := reportTrial(t, "metric")
	must(t, "report", "--trial", dir)
	moved := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.CopyFS(moved, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	// Another name makes every file of the report another one.
	must(t, "amend", "--trial", moved, "--set", "site: Alder Bend, upper ground")
	was := mustRead(t, filepath.Join(moved, "report", "report.html"))
	must(t, "report", "--trial", moved)
	if bytes.Equal(was, mustRead(t, filepath.Join(moved, "report", "report.html"))) {
		t.Error("the report is the old one")
	}
	if err := os.WriteFile(filepath.Join(moved, "report", "report.html"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "report", "--trial", moved).expect(t, exitFailed, "was changed")
	if b := mustRead(t, filepath.Join(moved, "report", "report.html")); string(b) != "mine" {
		t.Error("a file of the user was changed")
	}
}

func TestReportFaults(t *testing.T) {
	dir := reportTrial(t, "metric")
	say(t, "report", "--trial", dir, "--format", "docx").expect(t, exitUsage, "docx")
	file := filepath.Join(dir, "taken")
	if err := os.WriteFile(file, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "report", "--trial", dir, "--out", file).expect(t, exitFailed, "name a folder")
	if b, _ := os.ReadFile(file); string(b) != "mine" {
		t.Error("a file of the user was changed")
	}
	say(t, "report", "--trial", t.TempDir()).expect(t, exitFailed, "no trial here")
}
