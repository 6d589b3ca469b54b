package main

import (
	"context"
	"fmt"
	"html"
	"io"
	"maps"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// unitTrial is a season entered in one system of units, every kind of sheet in
// it, with things to be asked and refused.
type unitTrial struct {
	plan, counts, yields, field    string
	longBed, wrongQuadrat, amended string // a sheet and two changes that are refused or asked about
}

var unitTrials = map[string]unitTrial{
	"us": {
		plan: `units: us
bed spacing: 5.5 ft
bed top: 40 in
plot length: 30 ft
end border: 3 ft
side border: 4 in
alley: 4 ft
avoid: 2 ft to 30 in; wheel track
drill row spacing: 7.5 in
quadrat: 18 in x 18 in
frame pipe: 1 in
`,
		counts:       "crop_height_in,biomass_oz,residue (lb/acre)",
		yields:       "plot,date,marketable_lb,cull_lb,bed_length_ft,stand\n",
		field:        "date,operation,treatment,input,rate,rate_unit,implement,implement_weight_lb\n2026-05-01,seeding,RYE,rye,100,lb/acre,drill,\n2026-05-20,termination,RYE,,,,roller,900\n2026-05-24,termination,STRAW,,,,roller,900\n",
		longBed:      "plot,date,marketable_lb,bed_length_ft\n101,2026-10-01,9,300\n",
		wrongQuadrat: "quadrat: 40 ft x 18 in",
		amended:      "end border: 4 ft",
	},
	"metric": {
		plan: `units: metric
bed spacing: 1.7 m
bed top: 1 m
plot length: 9 m
end border: 1 m
side border: 10 cm
alley: 1.2 m
avoid: 60 cm to 75 cm; wheel track
drill row spacing: 19 cm
quadrat: 500 mm x 500 mm
frame pipe: 25 mm
`,
		counts:       "crop_height_cm,biomass_g,residue (kg/ha)",
		yields:       "plot,date,marketable_kg,cull_kg,bed_length_m,stand\n",
		field:        "date,operation,treatment,input,rate,rate_unit,implement,implement_weight_kg\n2026-05-01,seeding,RYE,rye,110,kg/ha,drill,\n2026-05-20,termination,RYE,,,,roller,400\n2026-05-24,termination,STRAW,,,,roller,400\n",
		longBed:      "plot,date,marketable_kg,bed_length_m\n101,2026-10-01,4,90\n",
		wrongQuadrat: "quadrat: 12 m x 500 mm",
		amended:      "end border: 1.2 m",
	},
}

// Units that belong to one system alone, behind a number, a word of measure or
// an underscore. "In" is a unit only behind a number, and not where a count
// goes on ("6 in 4 blocks").
var (
	metricUnits = regexp.MustCompile(`(?:\d[  ]?|per[  ]|[(/_])(?:mm|cm|m|km|m2|m²|kg|g|ha|t/ha|metres?|hectares?)(?:$|[^\pL\d²])|\b(?:[Mm]illimet|centimet|kilogram|hectare)`)
	usUnits     = regexp.MustCompile(`(?:\d[  ]?|per[  ]|[(/_])(?:ft|ft2|ft²|lb|lbs|oz|ac|acres?|feet|foot|yards?|inch|inches)(?:$|[^\pL\d²])|bed-foot|\d[  ]in(?:$|[.,;:)]|[  ](?:x|across|along|wide|and|apart|from|to|inside|\()[  \d])`)
)

// allowedUnits are the spots of the other system that are meant.
var allowedUnits = []*regexp.Regexp{
	// Printed paper is measured with either ruler: its lengths are told twice.
	regexp.MustCompile(`\d in \(\d+(\.\d+)? mm\)`),
	// A question which unit is meant names both systems.
	regexp.MustCompile(`\S+mm, \S+m, \S+in or \S+ft`),
	regexp.MustCompile(`\(\w+_kg or \w+_lb\)|--weight kg or --weight lb`),
	// A setting of the measuring, which is the same for all trials.
	regexp.MustCompile(`leads\s+within\s+[\d.]+\s+mm\s+to\s+green`),
}

func foreignUnits(text string, foreign *regexp.Regexp) []string {
	for _, a := range allowedUnits {
		text = a.ReplaceAllString(text, "-")
	}
	var out []string
	for line := range strings.SplitSeq(text, "\n") {
		line = strings.ReplaceAll(line, "\u00a0", " ")
		for _, at := range foreign.FindAllStringIndex(line, -1) {
			out = append(out, strings.TrimSpace(line[max(0, at[0]-60):min(len(line), at[1]+30)]))
		}
	}
	return out
}

// TestForeignUnits keeps the search for units from finding nothing.
func TestForeignUnits(t *testing.T) {
	for _, c := range []struct {
		text       string
		metric, us int
	}{
		{"12.5 plants per m² and 3 m, 40 cm; marketable_kg in 4 blocks", 4, 0},
		{"4 t/ha, 110 kg/ha (cm), 9 mm", 4, 0},
		{"plants per ft², 12 lb/acre; bed_length_ft, 3 oz (in 4 plots)", 0, 4},
		{"frames 18 in x 18 in wide; 12 in 4 blocks; 7 lb per bed-foot", 0, 3},
		{"code 2.48 in (63 mm) wide", 0, 0},
		{"write it as 3mm, 3m, 3in or 3ft", 0, 0},
		{"1 in 5; p = .04 in 80 of 100; form, gram, mulch, foot; quadrat 2, m; F(4,12)", 0, 0},
	} {
		m, u := foreignUnits(c.text, metricUnits), foreignUnits(c.text, usUnits)
		if len(m) != c.metric || len(u) != c.us {
			t.Errorf("%q: metric %q, us %q", c.text, m, u)
		}
	}
}

// TestUnitsAreWhole runs a trial in each system of units through everything
// that is written for people, and finds no unit of the other.
func TestUnitsAreWhole(t *testing.T) {
	for units, foreign := range map[string]*regexp.Regexp{"us": metricUnits, "metric": usUnits} {
		t.Run(units, func(t *testing.T) {
			texts := everythingSaid(t, units)
			if len(texts) < 60 {
				t.Errorf("only %d texts were looked at", len(texts))
			}
			own := usUnits
			if units == "metric" {
				own = metricUnits
			}
			spoken := 0
			for _, name := range slices.Sorted(maps.Keys(texts)) {
				for _, leak := range foreignUnits(texts[name], foreign) {
					t.Errorf("%s: %q", name, leak)
				}
				if len(foreignUnits(texts[name], own)) > 0 {
					spoken++
				}
			}
			if spoken < 20 {
				t.Errorf("only %d texts have units of their own", spoken)
			}
		})
	}
}

// TestUnitsChangeNoTest holds a comparison in US units against the same one in
// SI: tests are the same, means differ by the unit alone.
func TestUnitsChangeNoTest(t *testing.T) {
	counted, _ := largeTrial(t, 4, 3)
	for _, c := range []struct {
		name, dir string
		visit     int
		factor    float64 // of a value told in US units, by the definitions of 1959
	}{
		{"count", counted, 3, 0.3048 * 0.3048}, {"pieces", counted, 3, 0.3048 * 0.3048}, {"cover", counted, 3, 1}, {"count", counted, 0, 0.3048 * 0.3048},
		{"yield", reportTrial(t, "metric"), 0, 4046.8564224 / 0.45359237 / 10000}, {"yield-per-bed", reportTrial(t, "metric"), 0, 0.3048 / 0.45359237},
	} {
		snap := snapshotOf(t, c.dir)
		compare := func(units trial.Units) analysis.Comparison {
			snap.Trial.Units = units
			opt := analysis.DefaultOptions()
			opt.Visit = c.visit
			out, err := analysis.Compare(snap, c.name, opt)
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		was, us := compare(trial.Metric), compare(trial.US)
		same := func(what string, got, want float64) {
			if math.Abs(got-want) > 1e-9*math.Abs(want) {
				t.Errorf("%s at visit %d: %s %.15g, in SI %.15g", c.name, c.visit, what, got, want)
			}
		}
		same("p", *treatmentF(us).P, *treatmentF(was).P)
		same("F", *treatmentF(us).F, *treatmentF(was).F)
		for i, x := range us.Main().Treatments {
			mean, lower, upper := x.Shown()
			m, l, u := was.Main().Treatments[i].Shown()
			same("mean", *mean, c.factor**m)
			same("lower", *lower, c.factor**l)
			same("upper", *upper, c.factor**u)
		}
		for i, x := range us.Main().Pairs {
			same("p of pair", *x.P, *was.Main().Pairs[i].P)
		}
		if us.CountModel != nil {
			same("p of the model", us.CountModel.Treatment.P, was.CountModel.Treatment.P)
			same("mean of the model", us.CountModel.Means[0].Mean, c.factor*was.CountModel.Means[0].Mean)
		}
	}
}

func treatmentF(c analysis.Comparison) (row struct{ F, P *float64 }) {
	for _, r := range c.Main().ANOVA {
		if r.Term == "treatment" {
			row.F, row.P = r.F, r.P
		}
	}
	return row
}

// everythingSaid makes a trial in a system of units and gathers every text that
// the program writes of it, by where it stands.
func everythingSaid(t *testing.T, units string) map[string]string {
	t.Helper()
	u := unitTrials[units]
	dir := t.TempDir()
	texts := map[string]string{}
	runs := func(args ...string) {
		t.Helper()
		code, out, talk := quietly(append(args, "--trial", dir)...)
		if code != exitDone && code != exitPartly && code != exitFailed && !(code == exitUsage && (args[0] == "amend" || args[0] == "loss" || args[0] == "power" || args[0] == "compare")) {
			t.Fatalf("%q: exit %d\n%s%s", args, code, out, talk)
		}
		texts[strings.ReplaceAll(strings.Join(args, " "), dir, "DIR")] = out + talk
	}
	plan := file(t, dir, "plan.txt", `trial: Alder Bend leeks
blocks: 4
treatment: BARE = tilled bare ground; control
treatment: RYE = rolled rye
treatment: STRAW = spread straw
class: broadleaf
class: grass
quadrats per plot: 2
quadrat spots: permanent
count rule: plants rooted inside
season: 2026-04-01 to 2026-10-31
visits: 2026-06-14, 2026-06-28, 2026-07-12
visit tolerance: 3
agreement margin: 5 points
seed: 11
`+u.plan)
	runs("new", "--plan", plan, "--dry-run")
	runs("new", "--plan", plan, "--write-plan", filepath.Join(dir, "written.txt"))
	snap := snapshotOf(t, dir)
	var counts, yields strings.Builder
	counts.WriteString("plot,quadrat,date,broadleaf,grass,cover_%,regrowth," + u.counts + "\n")
	yields.WriteString(u.yields)
	level := map[string]float64{"BARE": 30, "RYE": 9, "STRAW": 15}
	for v, day := range snap.Trial.Visits {
		for i, p := range snap.Plots {
			for q := 1; q <= 2; q++ {
				n := int(level[p.Treatment]) + (7*i+3*q+5*v)%9
				fmt.Fprintf(&counts, "%s,%d,%s,%d,%d,%d,%d,%d,%d,%d\n", p.ID, q, day, n, n/3, n+v, (i+v)%4, 6+i%3+v, 3+i%4, 1500+37*i)
			}
		}
	}
	for i, p := range snap.Plots {
		fmt.Fprintf(&yields, "%s,%s,%d,%d,%s,%d\n", p.ID, "2026-10-01", 20+(5*i)%7, 2+i%2, map[string]string{"us": "15", "metric": "5"}[units], 40+i%5)
	}
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = store.Write(t.Context(), "test", "photos", func(tx *record.Tx) error {
		for v, day := range snap.Trial.Visits {
			for i, p := range snap.Plots {
				for q := 1; q <= 2; q++ {
					n := 1000*(v+1) + 10*i + q
					if err := addPhoto(tx, p, q, v+1, day, n, level[p.Treatment]/100+0.01*float64((3*i+q+v)%5)); err != nil {
						return err
					}
				}
			}
		}
		return nil
	})
	store.Close()
	if err != nil {
		t.Fatal(err)
	}
	runs("counts", file(t, dir, "counts.csv", counts.String()), "--dry-run")
	runs("counts", filepath.Join(dir, "counts.csv"))
	runs("yields", file(t, dir, "harvest.csv", yields.String()), "--dry-run")
	runs("yields", filepath.Join(dir, "harvest.csv"))
	runs("field", file(t, dir, "field.csv", u.field), "--dry-run")
	runs("field", filepath.Join(dir, "field.csv"))
	// What is asked and refused.
	runs("yields", file(t, dir, "long.csv", u.longBed))
	runs("yields", file(t, dir, "unitless.csv", "plot,date,marketable\n101,2026-10-01,9\n"))
	runs("counts", file(t, dir, "height.csv", "plot,quadrat,date,crop height,biomass,residue\n101,1,2026-06-14,9,4,20\n"))
	runs("amend", "--set", u.wrongQuadrat, "--dry-run")
	runs("amend", "--set", "plot length: 3", "--dry-run")
	runs("amend", "--set", u.amended, "--dry-run")
	runs("amend", "--set", u.amended)
	runs("undo")
	runs("undo", "5")

	runs("map", "--full")
	runs("map")
	runs("status")
	runs("visits")
	runs("describe")
	for _, name := range analysis.Names(snapshotOf(t, dir)) {
		runs("compare", name, "--full")
		runs("compare", name, "--visit", "2")
		runs("loss", name, "--visit", "2")
		runs("power", "--response", name, "--visit", "2", "--difference", "20%", "--full")
	}
	runs("compare", "count", "--class", "grass", "--equivalent-to", "RYE", "--margin", "2", "--visit", "1")
	runs("compare", "yield", "--no-worse-than", "BARE", "--margin", "500", "--contrast", "mulch: RYE + STRAW - 2 BARE")
	runs("compare", "count", "--script", filepath.Join(dir, "count.R"))
	runs("agree", "--of", "cover", "--full")
	runs("agree", "--of", "count", "--margin", "3", "--full")
	runs("agree")
	runs("power", "--cv", "20")
	for _, kind := range []string{"counts", "yields", "field", "photos", "amounts"} {
		runs("sheet", kind, "--out", filepath.Join(dir, "sheet-"+kind+".csv"))
	}
	out := func(name string) string { return filepath.Join(dir, name) }
	runs("map", "--svg", out("map.svg"), "--pdf", out("map.pdf"), "--csv", out("layout.csv"), "--quadrats", out("spots.csv"))
	runs("cards", "--out", out("cards.pdf"))
	runs("cards", "--per-quadrat", "--four", "--out", out("cards-4.pdf"))
	runs("cards", "marks", "--out", out("marks.pdf"))
	runs("cards", "sheet", "--out", out("sheet.pdf"))
	runs("report", "--out", out("report"))
	runs("report", "--one-page", "--out", out("report"))
	runs("export", out("export"))
	readFiles(t, dir, texts)
	readPages(t, dir, texts)
	return texts
}

// readFiles adds what stands in the files that were written.
func readFiles(t *testing.T, dir string, texts map[string]string) {
	t.Helper()
	_, noPDF := exec.LookPath("pdftotext")
	entered := []string{"plan.txt", "counts.csv", "harvest.csv", "field.csv", "long.csv", "unitless.csv", "height.csv"}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || slices.Contains(entered, d.Name()) {
			return err
		}
		name, _ := filepath.Rel(dir, path)
		switch filepath.Ext(path) {
		case ".csv", ".txt":
			// Tables of the record as it is stored, for programs, are in SI: their
			// heads say so.
			if filepath.Dir(name) != "export" || d.Name() == "values.csv" {
				texts[name] = string(mustRead(t, path))
			}
		case ".R": // what a person reads of a script
			var remarks []string
			for line := range strings.Lines(string(mustRead(t, path))) {
				if strings.HasPrefix(line, "#") {
					remarks = append(remarks, line)
				}
			}
			texts[name] = strings.Join(remarks, "")
		case ".svg", ".html":
			texts[name] = shownOf(string(mustRead(t, path)))
		case ".pdf":
			if noPDF != nil {
				t.Logf("%s was not looked at: no pdftotext here", name)
				return nil
			}
			text, err := exec.Command("pdftotext", "-layout", path, "-").Output()
			if err != nil {
				return err
			}
			texts[name] = string(text)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

var (
	hiddenParts = regexp.MustCompile(`(?s)<style.*?</style>|<script.*?</script>|<!--.*?-->`)
	tags        = regexp.MustCompile(`(?s)<[^>]*>`)
)

// shownOf is what a page shows, a line a part.
func shownOf(page string) string {
	return html.UnescapeString(tags.ReplaceAllString(hiddenParts.ReplaceAllString(page, "\n"), "\n"))
}

// readPages adds the pages of the review.
func readPages(t *testing.T, dir string, texts map[string]string) {
	t.Helper()
	s := serve(t, dir)
	photo := snapshotOf(t, dir).Photos[0].Hash
	for _, path := range []string{"", "photos", "photo/" + photo, "photo/" + photo + "/frame", "photo/" + photo + "/count", "visit/1/threshold", "log"} {
		req, err := http.NewRequestWithContext(context.WithoutCancel(t.Context()), http.MethodGet, s.address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		page, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		texts["page /"+path] = shownOf(string(page))
	}
}
