package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

type reportFlags struct {
	out     string
	formats []string
	figures bool
}

func reportCommand(a *app) *cobra.Command {
	var f reportFlags
	c := &cobra.Command{
		Use:   "report",
		Short: "Write the report that you hand in",
		Long: `Writes the report of the trial as it stands: the question, a page in plain words,
the trial and its map, what was done when, what was found, camera against hand,
weeds over the season, yields, what the trial could not have seen, how large the
next one should be, cautions and gaps, methods with sources, and every plot's
raw data with the photo or row it came from. What is not recorded is said to be
not recorded; a comparison that cannot be made says why.

report.html needs nothing else and can be sent as it is; report.pdf has the same
content. The numbers are those of ` + "`compare`" + ` and ` + "`agree`" + `. With --figures each
figure is also written as SVG and PNG into figures/. Each file is written whole
or not at all; an older report is replaced.

` + exitHelp,
		Example: `  quadtally report
  quadtally report --format html --figures
  quadtally report --out for-the-grant-officer`,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, x := range f.formats {
				if x != "html" && x != "pdf" {
					return usagef("--format %q is not known: use html, pdf or both with a comma between", x)
				}
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error { return a.writeReport(snap, f) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.out, "out", "", "the `folder` to write to (default: report in the trial's folder)")
	fl.StringSliceVar(&f.formats, "format", []string{"html", "pdf"}, "html, pdf or both")
	fl.BoolVar(&f.figures, "figures", false, "also write each figure as SVG and PNG")
	return c
}

// figureDPI is fine enough for print.
const figureDPI = 200

func (a *app) writeReport(snap *record.Snapshot, f reportFlags) error {
	doc := report.Build(reportInput(snap, trial.DateOf(a.clock())))
	dir := cmp.Or(f.out, filepath.Join(a.trialDir, "report"))
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return fmt.Errorf("%s is a file: name a folder", dir)
	}
	write := map[string]func(io.Writer) error{
		"html": func(w io.Writer) error { return report.WriteHTML(w, doc) },
		"pdf":  func(w io.Writer) error { return report.WritePDF(w, doc) },
	}
	for _, x := range slices.Compact(slices.Sorted(slices.Values(f.formats))) {
		if err := a.writeTo(filepath.Join(dir, "report."+x), write[x]); err != nil {
			return err
		}
	}
	if !f.figures {
		return nil
	}
	figures := doc.Figures()
	for _, x := range figures {
		path := filepath.Join(dir, "figures", strings.TrimPrefix(x.ID, "fig-"))
		if err := writeWhole(path+".svg", x.WriteSVG); err != nil {
			return err
		}
		if err := writeWhole(path+".png", func(w io.Writer) error { return x.WritePNG(w, figureDPI) }); err != nil {
			return err
		}
	}
	a.note("wrote %s as SVG and PNG into %s", plural(len(figures), "figure"), filepath.Join(dir, "figures"))
	return nil
}

// reportInput gathers the report's input from one snapshot, by the same
// functions as compare, agree and status.
func reportInput(snap *record.Snapshot, made trial.Date) report.Input {
	in := report.Input{Trial: snap.Trial, Plots: snap.Plots, Made: made, Entry: snap.Entry, Photos: reportPhotos(snap)}
	for _, o := range snap.Operations {
		in.Operations = append(in.Operations, report.Operation{Date: o.Date, What: o.What, Treatment: o.Treatment, Plot: o.Plot, Input: o.Input,
			Rate: o.Rate, RateUnit: o.RateUnit, Stage: o.Stage, Passes: o.Passes, Note: o.Note, Source: o.Source})
	}
	for _, o := range snap.Observations {
		in.Observers = addOnce(in.Observers, o.Observer)
		in.Trims = addOnce(in.Trims, o.Trim)
	}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			in.Settings = addOnce(in.Settings, p.Fingerprint)
		}
	}
	slices.Sort(in.Settings)
	if opt, err := season.VisionOptions(snap); err == nil {
		in.Index = opt.Index.Method()
	}
	for _, r := range reportResponses(snap) {
		in.Responses = append(in.Responses, reportResponse(snap, r.name, r.class))
	}
	in.Visits = reportVisits(snap)
	in.Harvest = reportHarvest(snap)
	for _, kind := range []calibrate.Kind{calibrate.Cover, calibrate.Count} {
		in.Agreements = append(in.Agreements, reportAgreement(snap, kind))
	}
	return in
}

func addOnce(list []string, s string) []string {
	if s == "" || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// reportResponses lists what the report compares: cover, counts and yield
// always, so that a refusal is said; everything else where it was recorded.
func reportResponses(snap *record.Snapshot) []response {
	list := []response{{name: "cover"}, {name: "count"}}
	var classes []string
	for _, o := range snap.Observations {
		if o.Variable == "count" {
			classes = addOnce(addOnce(classes, o.Class), o.Group)
		}
	}
	if len(classes) > 1 {
		for _, c := range classes {
			list = append(list, response{name: "count", class: c})
		}
	}
	list = append(list, response{name: "yield"})
	for _, name := range responseNames(snap) {
		if name == "pieces" || name == sheets.Harvested || slices.ContainsFunc(list, func(r response) bool { return r.name == name }) {
			continue
		}
		if r, err := responseOf(snap, name, ""); err == nil && len(r.readings(snap)) > 0 {
			list = append(list, r)
		}
	}
	return list
}

func reportResponse(snap *record.Snapshot, name, class string) report.Response {
	r, err := responseOf(snap, name, class)
	out := report.Response{Name: name, Class: class, Label: cmp.Or(r.label, name), Unit: r.unit}
	if err != nil {
		out.Overall.Refusal = err.Error()
		return out
	}
	rs := r.readings(snap)
	visits := map[int]trial.Date{}
	for _, x := range rs {
		out.Readings = append(out.Readings, report.Reading{Plot: x.plot, Quadrat: x.quadrat, Visit: x.visit, Date: x.date, Value: x.value, Source: x.source})
		if d, ok := visits[x.visit]; !ok || x.date.DaysTo(d) > 0 {
			visits[x.visit] = x.date
		}
	}
	compare := func(visit int) report.Comparison {
		c, err := compareResponse(snap, name, compareFlags{class: class, visit: visit, method: string(stats.Tukey), side: string(stats.BothSides), alpha: stats.DefaultOptions().Alpha})
		if err != nil {
			return report.Comparison{Visit: visit, Refusal: err.Error()}
		}
		return report.Comparison{Visit: visit, Season: c.Season, Analysis: c.Analysis, Notes: c.Notes}
	}
	out.Overall = compare(0)
	days, _ := visitDays(rs)
	for v := 1; v <= len(snap.Trial.Visits); v++ {
		if d, ok := visits[v]; ok {
			c := compare(v)
			c.Date, c.Day = d, days[v]
			out.ByVisit = append(out.ByVisit, c)
		}
	}
	return out
}

func reportAgreement(snap *record.Snapshot, kind calibrate.Kind) report.Agreement {
	f := agreeFlags{of: string(kind), by: calibrate.DefaultOptions().By, seed: calibrate.DefaultOptions().Seed}
	out := report.Agreement{Of: string(kind)}
	opt, err := f.options()
	if err == nil {
		var r calibrate.Report
		if r, err = agreementOf(snap, opt, false); err == nil {
			out.Report = &r
		}
	}
	if err != nil {
		out.Refusal = err.Error()
	}
	return out
}

// reportVisits is the state of each visit with its threshold and the days on
// which it was made.
func reportVisits(snap *record.Snapshot) []report.Visit {
	made := map[int][]trial.Date{}
	add := func(visit int, d trial.Date) {
		if visit > 0 && !d.IsZero() && !slices.Contains(made[visit], d) {
			made[visit] = append(made[visit], d)
		}
	}
	for _, x := range (response{name: "cover"}).readings(snap) {
		add(x.visit, x.date)
	}
	for _, o := range snap.Observations {
		add(o.Visit, o.Date)
	}
	var out []report.Visit
	for _, s := range statusOf(snap).Visits {
		v := report.Visit{Number: s.Visit, Planned: snap.Trial.Visits[s.Visit-1], Made: made[s.Visit],
			Quadrats: s.Wanted, Photos: s.Photos, Counts: s.Counts, NoPhoto: s.NoPhoto, NoCount: s.NoCount}
		slices.SortFunc(v.Made, func(a, b trial.Date) int { return cmp.Compare(a.String(), b.String()) })
		if t, ok := snap.Thresholds[s.Visit]; ok {
			v.Threshold, v.Basis, v.ByHand = &t.Value, t.Basis, t.ByHand
		}
		out = append(out, v)
	}
	return out
}

func reportPhotos(snap *record.Snapshot) report.Photos {
	out := report.Photos{All: len(snap.Photos)}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		aside := func(list *[]report.Aside, reason string) {
			*list = append(*list, report.Aside{Photo: filepath.Base(p.Path), Reason: reason})
		}
		switch p.State() {
		case record.PhotoInUse:
			out.InUse++
		case record.PhotoSetAside:
			aside(&out.Rejected, p.Why())
		case record.PhotoUnread:
			aside(&out.Unread, p.Why())
		case record.PhotoSpare:
			out.Spare++
		case record.PhotoUnmeasured:
			aside(&out.Open, "not measured yet")
		case record.PhotoAwaitsPlace:
			aside(&out.Open, p.Why())
		}
	}
	return out
}

// reportHarvest adds up what was taken from each plot, in walking order. A
// plot with a part marked missing has no sum of it.
func reportHarvest(snap *record.Snapshot) []report.Harvest {
	type sum struct {
		value float64
		n     int
		lost  bool
	}
	var out []report.Harvest
	for _, p := range snap.Plots {
		h := report.Harvest{Plot: p.ID}
		sums := map[string]*sum{}
		for _, o := range snap.Observations {
			what := o.Variable
			if what == "yield" {
				what = o.Class
			}
			if o.Plot != p.ID || o.Quadrat != 0 || (o.Variable != "yield" && what != sheets.Harvested && what != "stand") {
				continue
			}
			v := sums[what]
			if v == nil {
				v = &sum{}
				sums[what] = v
			}
			v.lost = v.lost || o.Missing
			v.n++
			if what == "stand" {
				v.value = o.Value // counted anew, not added up
			} else {
				v.value += o.Value
			}
			h.LengthMM = max(h.LengthMM, o.LengthMM)
			h.Sources = addOnce(h.Sources, o.Source)
		}
		total := func(names ...string) *float64 {
			for _, n := range names {
				if v := sums[n]; v != nil && !v.lost {
					return &v.value
				}
			}
			return nil
		}
		h.MarketableKG, h.CulledKG = total("marketable", "total"), total("cull")
		h.Pieces, h.Stand = total(sheets.Harvested), total("stand")
		for _, n := range []string{"marketable", "total", "cull"} {
			if v := sums[n]; v != nil {
				h.Picks = max(h.Picks, v.n)
			}
		}
		if len(h.Sources) > 0 {
			out = append(out, h)
		}
	}
	return out
}
