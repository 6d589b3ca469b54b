package analysis

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

func plotsInWords(list []stats.CombinePlot) string {
	var out []string
	for _, p := range list {
		out = append(out, fmt.Sprintf("%s %s %.4g", p.Block, p.Treatment, p.Value))
	}
	return strings.Join(out, "; ")
}

const exportHead = "plot,block,treatment,visit,day,quadrat,response,class,value,unit"

// An export is read by response, class and visit; what it states of kind,
// label and control is taken, and what an older one leaves out is not made up.
func TestValuesOfExport(t *testing.T) {
	older := exportHead + "\n" +
		"101,1,BARE,1,0,1,count,,8,plants per ft²\n" +
		"101,1,BARE,1,0,2,count,,12,plants per ft²\n" +
		"102,1,RYE,1,0,,Count,,4,plants per ft²\n" +
		"103,1,RYE,1,0,,count,,,plants per ft²\n" +
		"101,1,BARE,2,14,,count,,30,plants per ft²\n" +
		"101,1,BARE,1,0,,count,grass,3,plants per ft²\n" +
		"101,1,BARE,1,0,,green-cover,,22,% of the ground\n"
	questions := sheetOf(t, "q.csv", "response,class,text\ncount,,grass was not counted in 102\ncount,Grass,nothing is open\ngreen-cover,,of cover\n")
	got, err := ValuesOfExport(sheetOf(t, "e.csv", older), questions, "east", "count", "", 1)
	if err != nil || plotsInWords(got.Plots) != "1 BARE 10; 1 RYE 4" || got.Name != "east" || got.Response != "hand count" || got.Unit != "plants per ft²" || got.Kind != stats.Count || got.Control != "" || got.ByClass {
		t.Errorf("%+v %v", got, err)
	}
	near(t, "one plant", got.One, trial.M2PerFt2, 1e-12)
	if fmt.Sprint(got.Notes) != "[grass was not counted in 102]" {
		t.Errorf("%q", got.Notes)
	}
	if got, err := ValuesOfExport(sheetOf(t, "e.csv", older), questions, "east", "count", "GRASS", 0); err != nil || plotsInWords(got.Plots) != "1 BARE 3" || fmt.Sprint(got.Notes) != "[nothing is open]" {
		t.Errorf("a class: %+v %v", got, err)
	}
	// Over both visits 101 alone was seen from the first to the last.
	got, err = ValuesOfExport(sheetOf(t, "e.csv", older), nil, "east", "count", "", 0)
	if err != nil || plotsInWords(got.Plots) != "1 BARE 20" || len(got.Notes) != 3 || got.Notes[2] != "the mean over 2 visits" || !strings.Contains(got.Notes[0], "102") {
		t.Errorf("a season: %s %q %v", plotsInWords(got.Plots), got.Notes, err)
	}
	metric := strings.ReplaceAll(older, "ft²", "m²")
	if got, err := ValuesOfExport(sheetOf(t, "e.csv", metric), sheetOf(t, "q.csv", "response,text\ncount,x\n"), "east", "count", "", 1); err != nil || got.One != 0 || len(got.Notes) != 0 {
		t.Errorf("per m²: %+v %v", got, err)
	}
	stated := exportHead + ",kind,label,control\n101,1,BARE,0,0,,bulbs,,8,kg,percent,bulbs sold,yes\n102,1,RYE,0,0,,bulbs,,4,kg,percent,bulbs sold,\n"
	if got, err := ValuesOfExport(sheetOf(t, "e.csv", stated), nil, "east", "bulbs", "", 0); err != nil || got.Kind != stats.Percent || got.Response != "bulbs sold" || got.Control != "BARE" || got.One != 0 {
		t.Errorf("stated: %+v %v", got, err)
	}
	weeds := exportHead + "\n101,1,BARE,1,0,,weed-cover,,8,%\n102,1,RYE,1,0,,weed-cover,,4,%\n"
	if got, err := ValuesOfExport(sheetOf(t, "e.csv", weeds), nil, "east", "weed-cover", "", 0); err != nil || !got.ByClass || len(got.Notes) != 1 || !strings.Contains(got.Notes[0], "too sure") {
		t.Errorf("by class: %+v %v", got, err)
	}
	for want, text := range map[string]string{
		"unit":               strings.ReplaceAll(older, ",unit", ",units of it"),
		"e.csv:2":            exportHead + "\n101,1,BARE,1,0,1,count,,x,m\n",
		"e.csv has no count": exportHead + "\n101,1,BARE,1,0,1,yield,,1,m\n",
	} {
		if _, err := ValuesOfExport(sheetOf(t, "e.csv", text), nil, "east", "count", "", 1); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
	if _, err := ValuesOfExport(sheetOf(t, "e.csv", exportHead+"\n101,1,BARE,1,day,1,count,,2,m\n"), nil, "east", "count", "", 1); err == nil {
		t.Error("a day that is no number was taken")
	}
}

// A table of one trial is called as the table; one with trials is told apart by
// place and year, and a row of none is refused.
func TestValuesOfTable(t *testing.T) {
	one, unused, err := ValuesOfTable(sheetOf(t, "t.csv", "trt,rep,y,note\nA,1,2,x\nA,1,4,x\nB,1,7,x\n"), "yield", stats.Measure, TableColumns{})
	if err != nil || len(one) != 1 || one[0].Name != "t.csv" || one[0].Response != "yield" || one[0].Kind != stats.Measure || fmt.Sprint(unused) != "[note]" || one[0].Place != "" {
		t.Errorf("%+v %q %v", one, unused, err)
	}
	list, _, err := ValuesOfTable(sheetOf(t, "t.csv", "farm,year,trt,rep,y\neast,2024,A,1,2\nwest,2024,A,1,3\neast,2024,B,1,4\neast,2025,A,2,\n"), "yield", stats.Count, TableColumns{})
	if err != nil || len(list) != 3 {
		t.Fatalf("%+v %v", list, err)
	}
	if x := list[0]; x.Name != "east 2024" || x.Place != "east" || x.Year != "2024" || plotsInWords(x.Plots) != "1 A 2; 1 B 4" {
		t.Errorf("%+v", x)
	}
	if x := list[2]; x.Name != "east 2025" || len(x.Plots) != 0 {
		t.Errorf("%+v", x)
	}
	for want, text := range map[string]string{
		"names no trial": "farm,trt,y\neast,A,1\n,A,2\n",
		"t.csv:3":        "farm,trt,y\neast,A,1\nwest,A,x\n",
		"the treatment":  "farm,y\neast,1\n",
	} {
		if _, _, err := ValuesOfTable(sheetOf(t, "t.csv", text), "y", stats.Measure, TableColumns{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
}

// The values of a trial are plot means in the unit of the response, at a visit
// or over the period.
func TestValuesOfTrial(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Trial.Name = "Alder Bend"
	cover := func(plot string, quadrat, visit int, share float64) record.Photo {
		p := photoIn(plot, quadrat, visit, record.Result{CoverFrac: share})
		p.Taken = map[int]string{1: "2025-06-14T09:00:00", 2: "2025-06-28T09:00:00"}[visit]
		return p
	}
	snap.Photos = []record.Photo{cover("101", 1, 1, 0.1), cover("101", 2, 1, 0.3), cover("102", 1, 1, 0.5), cover("101", 1, 2, 0.6), cover("102", 1, 2, 0.7)}
	got, err := ValuesOfTrial(snap, "cover", "", 1)
	if err != nil || plotsInWords(got.Plots) != "1 BARE 20; 1 RYE 50" || got.Name != "Alder Bend" || got.Control != "BARE" || got.Unit != "% of the ground" || got.Kind != stats.Percent || got.ByClass || got.Own != nil || got.One != 0 {
		t.Errorf("%+v %v", got, err)
	}
	if got, err = ValuesOfTrial(snap, "cover", "", 0); err != nil || plotsInWords(got.Plots) != "1 BARE 40; 1 RYE 60" {
		t.Errorf("a season: %s %v", plotsInWords(got.Plots), err)
	}
	for name, x := range map[string]struct {
		response string
		visit    int
		want     string
		change   func()
	}{
		"no such response": {"bulbs", 0, "there is no response", nil},
		"nothing stored":   {"yield", 0, "trial Alder Bend has no marketable yield", nil},
		"no such visit":    {"cover", 3, "trial Alder Bend has no green cover", nil},
		"two settings":     {"cover", 1, "different settings", func() { snap.Photos[0].Fingerprint = "other" }},
	} {
		if x.change != nil {
			x.change()
		}
		if _, err := ValuesOfTrial(snap, x.response, "", x.visit); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v", name, err)
		}
		snap.Photos[0].Fingerprint = "f1"
	}
}

// trialsOf are trials with blocks of A, B and C.
func trialsOf(kind stats.Kind, values ...[]float64) []TrialValues {
	var out []TrialValues
	for i, v := range values {
		x := TrialValues{Name: string(rune('p' + i)), Response: "cover", Unit: "%", Kind: kind, Control: "A"}
		for k, y := range v {
			x.Plots = append(x.Plots, stats.CombinePlot{Block: fmt.Sprint(k / 3), Treatment: string(rune('A' + k%3)), Value: y})
		}
		out = append(out, x)
	}
	return out
}

var threeTrials = [][]float64{{10, 7, 5, 12, 8, 5, 11, 9, 6}, {20, 15, 9, 22, 14, 12, 21, 17, 11}, {30, 24, 20, 33, 25, 22, 31, 27, 20}}

// In balanced trials the means over all are the plain means, and the difference
// in a trial is that of its means, with the residual of its own plots.
func TestCombinedMeansAndForests(t *testing.T) {
	got, err := CombineTrials(trialsOf(stats.Measure, threeTrials...), CombineOptions{Alpha: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	sum := map[string]float64{}
	for _, v := range threeTrials {
		for k, y := range v {
			sum[string(rune('A'+k%3))] += y / 9
		}
	}
	for i, m := range got.Means {
		near(t, m.Treatment, m.Mean, sum[m.Treatment], 1e-6)
		near(t, m.Treatment+" carried back", got.Back[i], m.Mean, 1e-9)
	}
	if got.Control != "A" || len(got.Forests) != 2 || got.Response != "cover" || got.Unit != "%" || got.Alpha != 0.05 || len(got.Notes) != 0 {
		t.Fatalf("%+v", got)
	}
	f := got.Forests[0]
	if f.Treatment != "B" || f.Against != "A" || len(f.Lines) != 4 || f.Lines[0].Trial != "p" || f.Lines[3].Trial != "" {
		t.Fatalf("%+v", f)
	}
	near(t, "B less A in p", f.Lines[0].Difference, 8-11, 1e-9)
	near(t, "B less A over all", f.Lines[3].Difference, sum["B"]-sum["A"], 1e-6)

	// Without a control that all name, every pair has its lines.
	list := trialsOf(stats.Measure, threeTrials...)
	list[1].Control = "B"
	if got, err = CombineTrials(list, CombineOptions{Alpha: 0.05}); err != nil || got.Control != "" || len(got.Forests) != 3 {
		t.Errorf("%v %q %d", err, got.Control, len(got.Forests))
	}
	if got, err = CombineTrials(list, CombineOptions{Alpha: 0.05, Control: "C"}); err != nil || got.Control != "C" || len(got.Forests) != 2 || got.Forests[0].Against != "C" {
		t.Errorf("%v %q", err, got.Control)
	}
	// Shares are compared on the logit scale and carried back.
	shares, err := CombineTrials(trialsOf(stats.Percent, threeTrials...), CombineOptions{Alpha: 0.05})
	if err != nil || shares.Transform.Scale != stats.DefaultScale(stats.Percent) {
		t.Fatalf("%+v %v", shares.Transform, err)
	}
	for i, m := range shares.Means {
		if shares.Back[i] <= 0 || math.Abs(shares.Back[i]-sum[m.Treatment]) > 3 {
			t.Errorf("%s: %g, plain %g", m.Treatment, shares.Back[i], sum[m.Treatment])
		}
	}
}

// What cannot be combined is refused, and what a reader must know is said with
// its trial.
func TestCombineRefusesAndSays(t *testing.T) {
	opt := CombineOptions{Alpha: 0.05}
	if _, err := CombineTrials(nil, opt); err == nil || !strings.Contains(err.Error(), "no trials") {
		t.Errorf("%v", err)
	}
	for name, x := range map[string]struct {
		change func(list []TrialValues, o *CombineOptions)
		err    string
		note   string
	}{
		"units":      {func(l []TrialValues, _ *CombineOptions) { l[1].Unit = "m" }, "trial p has cover in % and trial q in m", ""},
		"kinds":      {func(l []TrialValues, _ *CombineOptions) { l[2].Kind = stats.Count }, "a measure in trial p and a count in trial r", ""},
		"names":      {func(l []TrialValues, _ *CombineOptions) { l[2].Name = "p" }, "two trials are called p", ""},
		"scale":      {func(l []TrialValues, o *CombineOptions) { l[2].ByClass, o.Scale = true, stats.Logit }, "on the raw scale", ""},
		"raw":        {func(l []TrialValues, o *CombineOptions) { l[2].ByClass, o.Scale = true, stats.Raw }, "", ""},
		"treatments": {func(l []TrialValues, _ *CombineOptions) { l[2].Plots[0].Treatment = "AA" }, "--same \"AA", ""},
		"a note":     {func(l []TrialValues, _ *CombineOptions) { l[1].Notes = []string{"a plot is missing"} }, "", "q: a plot is missing"},
		"responses":  {func(l []TrialValues, _ *CombineOptions) { l[1].Response = "cover by eye" }, "", "q: what is combined is cover by eye there, and cover in p"},
		"places again": {func(l []TrialValues, _ *CombineOptions) {
			for i, x := range [][2]string{{"east", "2024"}, {"east", "2025"}, {"west", "2025"}} {
				l[i].Place, l[i].Year = x[0], x[1]
			}
		}, "", "--places-and-years allows"},
	} {
		list, o := trialsOf(stats.Measure, threeTrials...), opt
		x.change(list, &o)
		got, err := CombineTrials(list, o)
		switch {
		case x.err != "":
			if err == nil || !strings.Contains(err.Error(), x.err) {
				t.Errorf("%s: %v", name, err)
			}
		case err != nil:
			t.Errorf("%s: %v", name, err)
		case x.note == "" && len(got.Notes) != 0 || !strings.Contains(strings.Join(got.Notes, "\n"), x.note):
			t.Errorf("%s: %q", name, got.Notes)
		}
	}
}

// Places that come again in several years are told only where both do.
func TestCrossedPlacesAndYears(t *testing.T) {
	for text, want := range map[string]bool{
		"east 2024, east 2025, west 2025": true,
		"east 2024, east 2025":            false,
		"east 2024, west 2024":            false,
		"east 2024, west 2025":            false,
		"east 2024, east 2025, west -":    false,
		"east 2024, east 2025, - 2025":    false,
	} {
		var list []TrialValues
		for _, x := range strings.Split(text, ", ") {
			place, year, _ := strings.Cut(strings.ReplaceAll(x, "-", ""), " ")
			list = append(list, TrialValues{Place: place, Year: year})
		}
		if got := crossed(list) != ""; got != want {
			t.Errorf("%s: %v", text, got)
		}
	}
}

// widen adds the variance that check points leave to that of the plots; degrees
// of freedom after Satterthwaite (1946), worked by hand: 4 + 1 with 6 and 3.
func TestWidenAForestLine(t *testing.T) {
	own := TrialValues{Plots: []stats.CombinePlot{{Treatment: "A"}, {Treatment: "A"}, {Treatment: "B"}, {Treatment: "C"}},
		Own: &stats.OwnError{DF: 3, Cov: [][]float64{{1, 0, 0, 0}, {0, 1, 0, 0}, {0, 0, 0.5, 0}, {0, 0, 0, 9}}}}
	line := func() stats.ForestLine {
		return stats.ForestLine{Difference: 10, SED: at(2), DF: 6, Lower: at(5), Upper: at(15)}
	}
	l := line()
	if err := widen(&l, own, "A", "B", 0.05); err != nil {
		t.Fatal(err)
	}
	df := 25.0 / (16.0/6 + 1.0/3)
	near(t, "SED", *l.SED, math.Sqrt(5), 1e-12)
	near(t, "df", l.DF, df, 1e-12)
	near(t, "limits about the difference", *l.Lower+*l.Upper, 20, 1e-9)
	// t(0.975) lies between that of 8 and of 9 df: 2.3060 and 2.2622 (printed tables).
	if q := (*l.Upper - 10) / math.Sqrt(5); q < 2.2622 || q > 2.3060 {
		t.Errorf("%g standard errors", q)
	}
	l = stats.ForestLine{Difference: 10}
	if err := widen(&l, own, "A", "B", 0.05); err != nil || l.SED != nil {
		t.Errorf("a line without error: %+v %v", l, err)
	}
	own.Own.Cov = [][]float64{{0, 0, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}}
	l = line()
	if err := widen(&l, own, "A", "B", 0.05); err != nil || *l.SED != 2 || *l.Lower != 5 || l.DF != 6 {
		t.Errorf("check points that leave nothing: %+v %v", l, err)
	}
}

// The loss of yield takes one row a plot, keeps blocks, and names what is left
// out or refused.
func TestLossOfATable(t *testing.T) {
	text := "block,weeds,yield\n1,0,10\n1,10,8\n1,30,6.5\n2,0,11\n2,12,8.5\n2,40,\n2,25,7\n"
	o := LossOptions{Weeds: "weeds", Yield: "yield", Alpha: 0.1}
	got, err := YieldLossOfTable(sheetOf(t, "t.csv", text), o, tables.Undecided)
	if err != nil || got.Plots != 6 || fmt.Sprint(got.LeftOut) != "[t.csv:7]" || fmt.Sprint(got.input.Blocks) != "[1 1 1 2 2 2]" || math.Abs(got.Confidence-0.9) > 1e-12 || got.input.Confidence != got.Confidence || got.Causal || got.MostWeeds != 30 {
		t.Errorf("%+v %v", got, err)
	}
	script, err := got.Script()
	if err != nil || !strings.HasPrefix(script, ScriptMark+"\n") || strings.HasPrefix(script, ScriptMark+"\n\n") {
		t.Errorf("%v\n%.200s", err, script)
	}
	for want, x := range map[string]struct{ text, weeds, yield string }{
		"the weeds (mass)":           {text, "mass", "yield"},
		"the yield (mass)":           {text, "weeds", "mass"},
		"several trials (column fa":  {"farm,weeds,yield\neast,1,2\nwest,2,3\n", "weeds", "yield"},
		"several trials (column Yea": {"farm,Year,weeds,yield\neast,2024,1,2\neast,2025,2,3\n", "weeds", "yield"},
		"t.csv:2":                    {"weeds,yield\nx,2\n3,4\n", "weeds", "yield"},
		"t.csv:3":                    {"weeds,yield\n1,2\n3,y\n", "weeds", "yield"},
		"cannot be told":             {"weeds,yield\n1,2\n3,4\n", "weeds", "yield"},
	} {
		if _, err := YieldLossOfTable(sheetOf(t, "t.csv", x.text), LossOptions{Weeds: x.weeds, Yield: x.yield, Alpha: 0.05}, tables.Undecided); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
}

// In a trial the yield is held against the weeds of one visit; a plot without
// one of the two is named.
func TestLossOfATrial(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	snap.Trial.Ground.BedSpacingMM = 1500
	for i, p := range snap.Plots {
		if i == 5 {
			continue
		}
		snap.Observations = append(snap.Observations, record.Observation{Plot: p.ID, Date: dateOf("2026-09-01"), Variable: record.VarYield, Class: record.ClassMarketable, Value: 12 - 0.3*float64(i), LengthMM: 3000, Unit: "kg"})
	}
	o := LossOptions{Weeds: "cover", Yield: "yield", Visit: 2, Alpha: 0.05}
	got, err := YieldLoss(snap, o)
	if err != nil {
		t.Fatal(err)
	}
	if got.Plots != 11 || fmt.Sprint(got.LeftOut) != "["+snap.Plots[5].ID+"]" || got.Visit != 2 || got.Weeds != "green cover" || got.YieldUnit != "kg/ha" || len(got.input.Blocks) != 11 || got.WeedsSE != nil || len(got.Notes) == 0 || !strings.Contains(got.Notes[0], "crop and regrowth together") {
		t.Errorf("%+v", got)
	}
	near(t, "yield of the first plot", got.input.Yields[0], 12.0/3/1.5*10000, 1e-6)
	w := (snap.Photos[2].Result.CoverFrac + snap.Photos[3].Result.CoverFrac) / 2
	near(t, "weeds of the first plot", got.input.Weeds[0], 100*w, 1e-9)
	snap.Trial.Design = trial.CompletelyRandomised
	if got, err := YieldLoss(snap, o); err != nil || got.input.Blocks != nil {
		t.Errorf("without blocks: %v %v", got.input.Blocks, err)
	}
	for want, change := range map[string]func(o *LossOptions){
		"is not of weeds":                    func(o *LossOptions) { o.Weeds = "yield" },
		"is not of the crop":                 func(o *LossOptions) { o.Yield = "count" },
		"was looked at on 2 visits":          func(o *LossOptions) { o.Visit = 0 },
		"there is no green cover at visit 3": func(o *LossOptions) { o.Visit = 3 },
		"there is no response \"bulbs\"":     func(o *LossOptions) { o.Weeds = "bulbs" },
		"there is no response \"onions\"":    func(o *LossOptions) { o.Yield = "onions" },
	} {
		x := o
		change(&x)
		if _, err := YieldLoss(snap, x); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
}
