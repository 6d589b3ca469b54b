package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// cautions lists deviations from the plan and what is missing.
func (b *builder) cautions() Section {
	s := Section{ID: "cautions", Title: "Cautions, deviations and missing data"}
	var off []string
	for _, v := range b.in.Visits {
		for _, d := range v.Made {
			if gap := v.Planned.DaysTo(d); gap != 0 && !v.Planned.IsZero() {
				off = append(off, fmt.Sprintf("Visit %d was planned for %s and made on %s.", v.Number, b.day(v.Planned), b.day(d)))
			}
		}
	}
	var none []string // titles under which there is nothing to say
	part := func(id, title string, items []string) {
		if len(items) == 0 {
			none = append(none, strings.ToLower(title[:1])+title[1:])
			return
		}
		s.Parts = append(s.Parts, Section{ID: "cautions-" + id, Title: title, Blocks: []Block{List{Items: items, Small: true}}})
	}
	for _, v := range b.in.Visits {
		if len(v.Split) > 0 {
			off = append(off, sentence("visit %d was not made on one day within a block: %s", v.Number, strings.Join(v.Split, "; ")))
		}
	}
	part("dates", "Visits off their date", off)
	var missing []string
	for _, r := range b.in.Responses {
		if r.Class != "" {
			continue
		}
		for _, c := range append([]analysis.Answer{r.Overall}, r.ByVisit...) {
			a := c.Main()
			if a == nil || len(a.Missing) == 0 {
				continue
			}
			where := "over the season"
			if c.Season == nil {
				where = "in the comparison"
			}
			if c.Visit > 0 {
				where = fmt.Sprintf("at visit %d", c.Visit)
			}
			names := make([]string, len(a.Missing))
			for i, m := range a.Missing {
				names[i] = fmt.Sprintf("%s (%s)", m.Name, m.Treatment)
			}
			missing = append(missing, sentence("%s %s: plot %s", r.Label, where, strings.Join(names, ", ")))
		}
	}
	if len(b.in.Open) > 0 {
		var open []string
		for _, q := range b.in.Open {
			open = append(open, sentence("%s", q.Text))
		}
		part("questions", "Questions that sheets leave open", open)
	}
	part("plots", "Plots missing from a comparison", missing)
	var gaps []string
	var later []string
	for _, v := range b.in.Visits {
		if v.notMade() {
			later = append(later, fmt.Sprint(v.Number))
			continue
		}
		if len(v.NoPhoto) > 0 {
			gaps = append(gaps, fmt.Sprintf("Visit %d, no photo in use (%d): %s.", v.Number, len(v.NoPhoto), strings.Join(v.NoPhoto, ", ")))
		}
		if len(v.NoCount) > 0 {
			gaps = append(gaps, fmt.Sprintf("Visit %d, no hand count (%d): %s.", v.Number, len(v.NoCount), strings.Join(v.NoCount, ", ")))
		}
	}
	if len(later) > 0 {
		gaps = append(gaps, "Visits without any reading: "+strings.Join(later, ", ")+".")
	}
	part("quadrats", "Quadrats without a photo or count (plot/quadrat)", gaps)
	if len(none) > 0 {
		s.say("None: %s.", strings.Join(none, "; "))
	}
	photos := b.in.Photos
	p := Section{ID: "cautions-photos", Title: "Photos"}
	p.say("%d photos: %d in use, %d spare shots of a quadrat that has another, %d set aside, %d not read, %d that wait for an answer.",
		photos.All, photos.InUse, photos.Spare, len(photos.Rejected), len(photos.Unread), len(photos.Open))
	if x := photos.doubtWords(); x != "" {
		p.warn("%s", x)
	}
	var tables []Block
	for _, g := range []struct {
		id, title string
		list      []Aside
	}{{"rejected", "Photos set aside, with the reason", photos.Rejected}, {"unread", "Photos that could not be read", photos.Unread}, {"open", "Photos whose place is an open question", photos.Open}} {
		if len(g.list) == 0 {
			continue
		}
		t := Table{ID: "photos-" + g.id, Caption: g.title, Columns: words("Photo", "Why")}
		for _, a := range g.list {
			t.Rows = append(t.Rows, cells(a.Photo, sentence("%s", a.Reason)))
		}
		tables = append(tables, t)
	}
	p.beside(tables...)
	s.Parts = append(s.Parts, p)
	return s
}

// methods names the published source of everything that was done.
func (b *builder) methods() Section {
	s := Section{ID: "methods", Title: "Methods, with sources"}
	s.add(List{Small: true, Items: []string{
		fmt.Sprintf("Green cover: photos are straightened to the inner edge of the frame, or taken whole in a trial without frames; a cell of the ground is green where its greenness index reaches the threshold of its photo. Index: %s. Cover is the green share of the ground inside the frame or photo.", orNotRecorded(b.in.Index)),
		"Threshold: of a visit, the best split of the histogram of all its photos (Otsu 1979, IEEE Trans. SMC 9, 62), no lower than the ground's own noise, drawn toward a typical value where photos are few, and kept within fixed guards; of a photo, between that and what it would have alone, the further the more of it is green; or set by hand for the visit, see the settings.",
		"Red or yellowed leaves are partly missed by this index; green that is not a plant is counted unless it was marked.",
		"Comparison: plot means (quadrats averaged first) by least squares on blocks and treatments; treatment adjusted for blocks (Cochran and Cox 1957, Experimental Designs, 2nd ed.).",
		"All pairs: Tukey's studentized range, for unequal standard errors as Kramer (1956, Biometrics 12, 307) extended it. Letters from the full matrix of pairs.",
		"Against the control: Dunnett (1955, JASA 50, 1096).",
		"Less than the control, in %, for weeds also called suppression: 100 (1 - treatment / control) from adjusted means (Abbott 1925, J. Econ. Entomol. 18, 265), interval by Fieller (1954, J. R. Stat. Soc. B 16, 175).",
		"Counts are analysed as sqrt(x + 0.5) (Bartlett 1936, Suppl. J. R. Stat. Soc. 3, 68); cover and yields as they are. The scale is fixed by the kind of response, never by its outcome.",
		"Season: area under each plot's course by the trapezoid rule with true dates, then one comparison; within plots with the corrections of Greenhouse and Geisser (1959, Psychometrika 24, 95) and Huynh and Feldt (1976, J. Educ. Stat. 1, 69).",
		"Checks: Shapiro and Wilk (1965, Biometrika 52, 591); Brown and Forsythe (1974, JASA 69, 364); rank tests by Friedman (1937, JASA 32, 675); randomisation within blocks (Fisher 1935, The Design of Experiments).",
		"Agreement: limits by Bland and Altman (1986, Lancet 327, 307; 1999, Stat. Methods Med. Res. 8, 135); concordance by Lin (1989, Biometrics 45, 255); two one-sided tests by Schuirmann (1987, J. Pharmacokinet. Biopharm. 15, 657). Intervals take plots as units.",
		"Planning: power of the F test at the least favourable arrangement of means (noncentral F); variance of a plot mean by Cochran (1977, Sampling Techniques, 3rd ed., section 10.6).",
		"At least 12 residual degrees of freedom: common practice (EPPO standard PP 1/152).",
	}})
	return s
}

// settings is what someone needs to get the same numbers again.
func (b *builder) settings() Section {
	s := Section{ID: "settings", Title: "Settings and fingerprints"}
	s.add(Facts{
		{"Measuring settings, fingerprint", strings.Join(b.in.Settings, ", ")},
		{"Layout generator", b.in.Trial.Generator},
		{"Layout seed", fmt.Sprint(b.in.Trial.Seed)},
		{"Seed of the randomisation test", fmt.Sprint(stats.DefaultPermuteOptions().Seed)},
		{"Record entry", fmt.Sprint(b.in.Entry)},
		{"Counted by", strings.Join(b.in.Observers, ", ")},
	})
	t := Table{ID: "thresholds", Caption: "Threshold of each visit", Columns: []Column{{"Visit", false}, {"Date", false}, {"Threshold", true}, {"Set by", false}, {"Basis", false}}}
	for _, v := range b.in.Visits {
		if v.Threshold == nil {
			if !v.notMade() {
				t.Rows = append(t.Rows, cells(fmt.Sprint(v.Number), b.day(v.Planned), notRecorded, undefined, undefined))
			}
			continue
		}
		by := "rule"
		if v.ByHand {
			by = "hand"
		}
		t.Rows = append(t.Rows, cells(fmt.Sprint(v.Number), b.day(v.Planned), fmt.Sprintf("%.3f", *v.Threshold), by, orNotRecorded(v.Basis)))
	}
	t.Note = "Where it is set by rule, a photo with many leaves gets a threshold between that of its visit and what it would have alone; one set by hand holds for all. The threshold of each photo is in photos.csv of the export."
	s.add(t)
	return s
}

// appendix holds the raw plot data; every number leads to the readings it is
// the mean of, and each of those names its photo or row.
func (b *builder) appendix() Section {
	s := Section{ID: "appendix", Title: "Appendix: raw plot data"}
	s.say("Every reading of every plot. Columns are visit and quadrat. The photo or the row of a sheet behind each value, and the value in full, are in values.csv of the export.")
	var single []Response
	for _, r := range b.in.Responses {
		switch {
		case len(r.Readings) == 0:
		case r.onePerPlot():
			single = append(single, r)
		default:
			s.add(b.rawData(r))
		}
	}
	if len(single) > 0 {
		s.add(b.plotData(single))
	}
	return s
}

// onePerPlot reports a response of which every plot has one value at most.
func (r Response) onePerPlot() bool {
	seen := map[string]bool{}
	for _, x := range r.Readings {
		if x.Visit > 0 || x.Quadrat > 0 || seen[x.Plot] {
			return false
		}
		seen[x.Plot] = true
	}
	return true
}

// plotData has a row a plot and a column a response.
func (b *builder) plotData(list []Response) Table {
	t := Table{ID: plotValues, Caption: "Values of whole plots", Columns: words("Plot", "Treatment", "Block"), Dense: true}
	for _, r := range list {
		t.Columns = append(t.Columns, Column{sentenceCase(r.Label) + ", " + r.Unit, true})
	}
	for _, plot := range b.in.Plots {
		row := cells(plot.ID, plot.Treatment, plot.Block)
		for _, r := range list {
			text := undefined
			for _, x := range r.Readings {
				if x.Plot == plot.ID {
					text = figure3(r.Shown(x))
				}
			}
			row.Cells = append(row.Cells, Cell{Text: text})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// rawData has a row a plot and a column for every quadrat of every visit.
func (b *builder) rawData(r Response) Table {
	type spot struct{ visit, quadrat int }
	at := map[string]map[spot]float64{}
	seen := map[spot]bool{}
	for _, x := range r.Readings {
		if at[x.Plot] == nil {
			at[x.Plot] = map[spot]float64{}
		}
		k := spot{x.Visit, x.Quadrat}
		at[x.Plot][k] = r.Shown(x)
		seen[k] = true
	}
	spots := slices.SortedFunc(maps.Keys(seen), func(x, y spot) int {
		return cmp.Or(cmp.Compare(x.visit, y.visit), cmp.Compare(x.quadrat, y.quadrat))
	})
	data := Table{ID: r.dataLink(), Caption: fmt.Sprintf("%s: readings, %s", sentenceCase(r.Label), r.Unit), Columns: words("Plot", "Treatment"), Dense: true}
	for _, k := range spots {
		head := "value"
		switch {
		case k.visit > 0 && k.quadrat > 0:
			head = fmt.Sprintf("%d.%d", k.visit, k.quadrat)
		case k.visit > 0:
			head = fmt.Sprintf("visit %d", k.visit)
		case k.quadrat > 0:
			head = fmt.Sprintf("q%d", k.quadrat)
		}
		data.Columns = append(data.Columns, Column{head, true})
	}
	for _, plot := range b.in.Plots {
		row := cells(plot.ID, plot.Treatment)
		for _, k := range spots {
			text := undefined
			if v, ok := at[plot.ID][k]; ok {
				text = figure3(v)
			}
			row.Cells = append(row.Cells, Cell{Text: text})
		}
		data.Rows = append(data.Rows, row)
	}
	return data
}
