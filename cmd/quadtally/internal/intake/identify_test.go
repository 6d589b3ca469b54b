package intake

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

func season() (*trial.Trial, []trial.Plot) {
	d := func(s string) trial.Date { v, _ := trial.ParseDate(s); return v }
	t := &trial.Trial{Tag: "K7QD", SeasonStart: d("2025-05-01"), SeasonEnd: d("2025-10-31"),
		Visits: []trial.Date{d("2025-06-14"), d("2025-06-28")}, VisitToleranceDays: 3, Quadrat: trial.Quadrat{PerPlot: 2}}
	return t, []trial.Plot{{ID: "101"}, {ID: "102"}, {ID: "103"}, {ID: "1-1"}}
}

func at(clock string) string { return "2025-06-14T" + clock }

func card(plot string, q int) []Card { return []Card{{"K7QD", plot, q}} }

func identify(photos ...Seen) []Verdict {
	t, plots := season()
	for i := range photos {
		if photos[i].Hash == "" {
			photos[i].Hash = fmt.Sprint("h", i)
		}
	}
	return Identify(t, plots, photos)
}

func TestGroundsInOrder(t *testing.T) {
	for name, c := range map[string]struct {
		photo Seen
		want  Spot
		basis string
	}{
		"card":             {Seen{Taken: at("09:00:00"), Cards: card("101", 2)}, Spot{"101", 2, 1}, ByCard},
		"card of a dashed": {Seen{Taken: at("09:00:00"), Cards: card("11", 1)}, Spot{"1-1", 1, 1}, ByCard},
		"card beats name":  {Seen{Taken: at("09:00:00"), Cards: card("101", 2), Path: "plot102/q1.jpg"}, Spot{"101", 2, 1}, ByCard},
		"hand beats card":  {Seen{Taken: at("09:00:00"), Cards: card("101", 2), Hand: &Spot{"103", 1, 2}}, Spot{"103", 1, 2}, ByHand},
		"sheet":            {Seen{Taken: at("09:00:00"), Sheet: &Spot{Plot: "102", Quadrat: 1}}, Spot{"102", 1, 1}, BySheet},
		"sheet fills in":   {Seen{Taken: at("09:00:00"), Cards: card("101", 0), Sheet: &Spot{Plot: "101", Quadrat: 2}}, Spot{"101", 2, 1}, ByCard},
		"file name":        {Seen{Taken: at("09:00:00"), Path: "x/plot101_q2.jpg"}, Spot{"101", 2, 1}, ByName},
		"folder name":      {Seen{Taken: at("09:00:00"), Path: "june/102/q1.jpg"}, Spot{"102", 1, 1}, ByName},
		"id and number":    {Seen{Taken: at("09:00:00"), Path: "103-2.jpg"}, Spot{"103", 2, 1}, ByName},
	} {
		v := identify(c.photo)[0]
		if !v.Known() || v.Spot != c.want || v.Basis != c.basis {
			t.Errorf("%s: %+v", name, v)
		}
	}
}

func TestOpenQuestionsSayWhy(t *testing.T) {
	june, _ := trial.ParseDate("2025-06-16")
	for name, c := range map[string]struct {
		photo Seen
		want  string
	}{
		"no date":         {Seen{Cards: card("101", 1)}, "no camera date"},
		"name date":       {Seen{Cards: card("101", 1), NameDate: june}, "2025-06-16, which may be the day it was sent"},
		"clock reset":     {Seen{Taken: "2000-01-01T00:03:12", Cards: card("101", 1)}, "outside the season"},
		"between visits":  {Seen{Taken: "2025-06-21T10:00:00", Cards: card("101", 1)}, "not within 3 days"},
		"other trial":     {Seen{Taken: at("09:00:00"), Cards: []Card{{"ZZZZ", "101", 1}}}, "another trial"},
		"unknown plot":    {Seen{Taken: at("09:00:00"), Cards: card("999", 1)}, "not in the layout"},
		"two cards":       {Seen{Taken: at("09:00:00"), Cards: append(card("101", 1), card("102", 1)...)}, "two cards"},
		"card and sheet":  {Seen{Taken: at("09:00:00"), Cards: card("101", 1), Sheet: &Spot{Plot: "102"}}, "but the sheet says"},
		"sheet and date":  {Seen{Taken: at("09:00:00"), Sheet: &Spot{Plot: "102", Quadrat: 1, Visit: 2}}, "falls into visit 1"},
		"too many":        {Seen{Taken: at("09:00:00"), Cards: card("101", 3)}, "more than the 2 planned"},
		"nothing":         {Seen{Taken: at("09:00:00"), Path: "IMG_101.jpg"}, "no card was read"},
		"names disagree":  {Seen{Taken: at("09:00:00"), Path: "101/plot102.jpg"}, "no card was read"},
		"position helps?": {Seen{Taken: at("09:00:00"), Path: "a.jpg"}, "no card was read"},
	} {
		v := identify(c.photo)[0]
		if v.Known() || !strings.Contains(v.Reason, c.want) {
			t.Errorf("%s: %+v", name, v)
		}
	}
}

func TestPlotCardNumbersQuadratsByTime(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:05:00"), Cards: card("101", 0)},
		Seen{Taken: at("09:00:00"), Cards: card("101", 0), Sharpness: 5},
		Seen{Taken: at("09:00:02"), Cards: card("101", 0), Sharpness: 9},
		Seen{Taken: at("09:10:00"), Cards: card("101", 0)},
	)
	if vs[0].Quadrat != 2 || vs[1].Quadrat != 1 || vs[2].Quadrat != 1 {
		t.Errorf("%+v", vs)
	}
	if vs[1].Spare == "" || vs[2].Spare != "" {
		t.Errorf("the sharper of the burst must be used: %+v", vs[1:3])
	}
	if vs[3].Known() || !strings.Contains(vs[3].Reason, "more photos") {
		t.Errorf("%+v", vs[3])
	}
}

func TestWalkProposesOnlyWhatFitsExactly(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 1)},
		Seen{Taken: at("09:05:00")},
		Seen{Taken: at("09:10:00")},
		Seen{Taken: at("09:15:00"), Cards: card("102", 2)},
		Seen{Taken: at("09:20:00")},
		Seen{Taken: at("09:25:00")},
		Seen{Taken: at("09:30:00"), Cards: card("103", 2)},
	)
	if v := vs[1]; !v.Proposed || v.Spot != (Spot{"101", 2, 1}) || v.Known() {
		t.Errorf("%+v", v)
	}
	if v := vs[2]; !v.Proposed || v.Spot != (Spot{"102", 1, 1}) {
		t.Errorf("%+v", v)
	}
	for _, v := range vs[4:6] { // two photos for one empty place: nothing is proposed
		if v.Proposed || v.Plot != "" {
			t.Errorf("%+v", v)
		}
	}
}

func TestRetakesAreAQuestion(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 1)},
		Seen{Taken: at("09:20:00"), Cards: card("101", 1)},
	)
	for _, v := range vs {
		if v.Known() || !strings.Contains(v.Reason, "2 photos claim") {
			t.Errorf("%+v", v)
		}
	}
	vs = identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 1)},
		Seen{Taken: at("09:20:00"), Cards: card("101", 1), Hand: &Spot{"101", 1, 1}},
	)
	if vs[0].Spare == "" || !vs[1].Known() {
		t.Errorf("%+v", vs)
	}
}

// TestOrderOfPhotosDoesNotMatter: the verdicts follow the photos, however the
// folder listed them.
func TestOrderOfPhotosDoesNotMatter(t *testing.T) {
	photos := []Seen{
		{Hash: "a", Taken: at("09:00:00"), Cards: card("101", 0)},
		{Hash: "b", Taken: at("09:05:00"), Cards: card("101", 0)},
		{Hash: "c", Taken: at("09:10:00")},
		{Hash: "d", Taken: at("09:15:00"), Cards: card("102", 2)},
	}
	want := map[string]Verdict{}
	for i, v := range identify(photos...) {
		want[photos[i].Hash] = v
	}
	turned := []Seen{photos[3], photos[1], photos[0], photos[2]}
	for i, v := range identify(turned...) {
		if v != want[turned[i].Hash] {
			t.Errorf("%s: %+v, want %+v", turned[i].Hash, v, want[turned[i].Hash])
		}
	}
}

// TestUnmeasuredPhotosDoNotStandInTheWay: a retake after a photo without a
// frame is used without a question, and the spoilt one is still placed.
func TestUnmeasuredPhotosDoNotStandInTheWay(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 1), Unmeasured: true},
		Seen{Taken: at("09:02:00"), Cards: card("101", 1)},
	)
	if !vs[1].Known() || vs[1].Spare != "" || vs[0].Spot != (Spot{"101", 1, 1}) {
		t.Errorf("%+v", vs)
	}
}
