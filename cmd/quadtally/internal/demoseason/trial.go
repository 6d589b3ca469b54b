// Package demoseason joins the invented season of package demo with the trial
// that it grows in: its plan, its sheets, the plants that are named in it, and
// what the photos say of it beside the truth.
package demoseason

import (
	"context"
	"image"

	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/label"
)

// Trial is the plan of the invented trial.
func Trial(seed uint64) *trial.Trial {
	day := func(s string) trial.Date { d, _ := trial.ParseDate(s); return d }
	margin := 5.0
	t := trial.Defaults()
	t.Name, t.Tag = "Leeks after rolled winter cereals", "ALDR"
	t.Site, t.Crop = "Alder Bend trial ground (invented)", "leek"
	t.Question = "Which cover crop ahead of transplanted leeks holds the weeds, and what does it do to the yield?"
	t.Design, t.Blocks = trial.CompleteBlocks, 4
	for _, x := range demo.Treatments() {
		t.Treatments = append(t.Treatments, trial.Treatment{Code: x.Code, Name: x.Name, Control: x.Control})
	}
	t.Ground.Beds, t.Ground.LengthMM, t.Ground.BorderMM = 1, 9000, 1000
	t.Ground.BedSpacingMM, t.Ground.BedTopMM = 1800, 1200
	t.Ground.Gradient = "wetter towards the far end of the beds"
	t.Quadrat.WidthMM, t.Quadrat.LengthMM, t.Quadrat.PerPlot, t.Quadrat.Permanent = 500, 500, 3, true
	t.Quadrat.PipeMM = 25
	t.SeasonStart, t.SeasonEnd = day("2024-09-01"), day("2025-10-31")
	t.Visits = []trial.Date{day("2025-06-14"), day("2025-06-28"), day("2025-07-12"), day("2025-07-26")}
	t.VisitToleranceDays = 3
	t.Seed = seed
	t.AgreementMargin = &margin
	return &t
}

// Options are what can be chosen of an invented season.
type Options struct {
	Seed    uint64
	WidthPx int  // of the photos
	Marks   bool // frames with printed corner marks
}

// DefaultOptions are those of the demonstration.
func DefaultOptions() Options { return Options{Seed: 20250614, WidthPx: 1600} }

// Config is the season of the demonstration on a layout, with the trial's own
// cards in its photos.
func Config(t *trial.Trial, plots []trial.Plot) (demo.Config, error) {
	card := func(plot string, quadrat int) (string, error) {
		return label.Encode(label.Label{Trial: t.Tag, Plot: trial.CardPlot(plot), Quadrat: quadrat})
	}
	var list []demo.Plot
	for _, p := range plots {
		list = append(list, demo.Plot{ID: p.ID, Block: p.Block, Treatment: p.Treatment})
		if _, err := card(p.ID, max(1, t.Quadrat.PerPlot)); err != nil {
			return demo.Config{}, err
		}
	}
	return demo.DefaultConfig(list, func(plot string, quadrat int) string {
		text, _ := card(plot, quadrat) // the highest number was tried above
		return text
	}), nil
}

// Season invents what grows on a layout.
func Season(ctx context.Context, t *trial.Trial, plots []trial.Plot, o Options) (*demo.SeasonPlan, error) {
	cfg, err := Config(t, plots)
	if err != nil {
		return nil, err
	}
	cfg.Seed = o.Seed
	cfg.Size = image.Pt(o.WidthPx, o.WidthPx*3/4)
	if o.Marks {
		cfg.Marks = Marks()
	}
	return demo.Season(ctx, cfg)
}

// Marks puts the first frame class's marks on the rendered frames.
func Marks() *demo.Marks {
	class := label.Classes()[0]
	m := &demo.Marks{Border: 1, SizeMM: label.MarkSizeMM, OffsetMM: label.MarkMarginMM + label.MarkSizeMM/2, HeightMM: 25,
		Bits: func(id int) [6][6]bool { return label.Mark{ID: id}.Bits() }}
	for i := range m.IDs {
		m.IDs[i] = 4*class.ID + i
	}
	return m
}

// Sheets are the sheets the invented people filled in.
func Sheets(s *demo.SeasonPlan) []tables.Table {
	counts := tables.Table{Name: "counts", Header: []string{"plot", "quadrat", "date", "broadleaf", "grass", "cover_%", "observer"}}
	eye := map[[3]any]float64{}
	for _, e := range s.EyeCovers {
		eye[[3]any{e.Visit, e.Plot, e.Quadrat}] = e.CoverPct
	}
	for _, c := range s.Counts {
		var cover any
		if v, ok := eye[[3]any{c.Visit, c.Plot, c.Quadrat}]; ok {
			cover = v
		}
		counts.Add(c.Plot, c.Quadrat, c.Date.Format("2006-01-02"), c.Broadleaf, c.Grass, cover, c.Observer)
	}
	yields := tables.Table{Name: "yields", Header: []string{"plot", "date", "marketable_kg", "cull_kg", "bed_length_m", "pieces", "stand", "trim"}}
	harvest := s.Photos[0].Taken.AddDate(0, 0, 110).Format("2006-01-02")
	for _, y := range s.Yields {
		yields.Add(y.Plot, harvest, y.MarketableKG, y.CullKG, y.BedLengthM, y.Pieces, y.Stand, "trimmed to 30 cm")
	}
	field := tables.Table{Name: "field", Header: []string{"date", "operation", "treatment", "input", "rate", "rate_unit"}}
	for _, o := range s.Operations {
		var rate any
		if o.Rate > 0 {
			rate = o.Rate
		}
		field.Add(o.Date.Format("2006-01-02"), o.Kind, o.Treatment, o.Detail, rate, o.RateUnit)
	}
	return []tables.Table{counts, yields, field}
}
