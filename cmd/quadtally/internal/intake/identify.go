package intake

import (
	"cmp"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

// The grounds on which a photo was given its quadrat, strongest first.
const (
	ByHand  = "hand"  // a person said so
	ByCard  = "card"  // the plot card in the photo
	BySheet = "sheet" // a list the user gave
	ByName  = "name"  // the file's or folder's name
	ByOrder = "order" // its place in the walk between two known photos
)

// burstGap is the longest pause between two pictures of one burst. Moving a
// frame takes longer than this, pressing twice does not (common practice).
const burstGap = 6 * time.Second

// Card is what was read off a plot card.
type Card struct {
	Trial, Plot string
	Quadrat     int // 0: the card stands for the whole plot
}

// Spot is a quadrat at a visit; zero fields are not known.
type Spot struct {
	Plot    string
	Quadrat int
	Visit   int
}

// Seen is all that is known of one photo when it is to be identified.
type Seen struct {
	Hash, Path string
	Taken      string // wall time; "" unknown
	Camera     string // make and model; "" unknown
	Serial     string // of the camera; "" unknown
	NameDate   trial.Date
	Cards      []Card
	Sheet      *Spot   // from the user's list
	Hand       *Spot   // decided by a person earlier
	Sharpness  float64 // larger is sharper; only compared within a quadrat
	Unmeasured bool    // it could not be measured: it may be placed, but never stands in a sound photo's way
}

// Verdict is where a photo belongs, or why that is not known.
type Verdict struct {
	Spot
	Basis    string
	Proposed bool   // likely, waits for a yes
	Reason   string // why it is open or only proposed; "" where the place is known
	Spare    string // a sentence where a better photo of the same quadrat is used; "" otherwise
	// Clocks says that the order of photos rests on the clocks of more than one
	// camera, which nobody has compared: the photo is open.
	Clocks bool
}

// camera tells cameras apart: by serial number, or, where that is not
// recorded, by make, model and folder.
func (s *Seen) camera() string {
	if s.Serial != "" {
		return s.Camera + "\x00" + s.Serial
	}
	if s.Camera == "" {
		return ""
	}
	return s.Camera + "\x00\x00" + filepath.Dir(s.Path)
}

// Known reports a place that nobody has to be asked about.
func (v Verdict) Known() bool { return v.Reason == "" && !v.Proposed }

// Identify finds the quadrat of every photo. The grounds are tried in the
// order card, sheet, name; photos still without a plot are placed in the
// walking order between two photos that have one, as a proposal. Position by
// satellite is never used: a phone is metres off, a quadrat is half a metre
// wide.
func Identify(t *trial.Trial, plots []trial.Plot, photos []Seen) []Verdict {
	id := identifier{trial: t, plots: plots, photos: photos, out: make([]Verdict, len(photos)), byCard: map[string][]string{}}
	for _, p := range plots {
		tag := trial.CardPlot(p.ID)
		id.byCard[tag] = append(id.byCard[tag], p.ID)
	}
	id.named = plotNames(plots)
	for i := range photos {
		id.visit(i)
		id.plot(i)
	}
	id.number()
	id.walk()
	id.sortOut()
	return id.out
}

// InName finds the plot, and the quadrat where it is told, in the names of a
// photo's file and folders, as [Identify] does.
func InName(plots []trial.Plot, paths []string) map[string]Spot {
	id := identifier{plots: plots, named: plotNames(plots)}
	out := map[string]Spot{}
	for _, path := range paths {
		if s, ok := id.fromName(path); ok {
			out[path] = s
		}
	}
	return out
}

func plotNames(plots []trial.Plot) []plotName {
	var out []plotName
	for _, p := range plots {
		label := regexp.QuoteMeta(p.ID)
		out = append(out, plotName{
			regexp.MustCompile(`(?i)^(?:.*[^a-z0-9])?plot[ _.-]?` + label + `(?:[ _.-]q?([0-9]{1,2}))?(?:[^a-z0-9].*)?$`),
			regexp.MustCompile(`(?i)^` + label + `(?:[ _.-]q?([0-9]{1,2}))?(?:[ _.-].*)?$`),
		})
	}
	return out
}

type identifier struct {
	trial  *trial.Trial
	plots  []trial.Plot
	photos []Seen
	out    []Verdict
	named  []plotName          // how each plot may be named in a file's name
	byCard map[string][]string // plots by what their card's code says; more than one says nothing
}

// plotName finds a plot in a name: after the word plot, or alone at the start.
type plotName struct{ afterWord, alone *regexp.Regexp }

func (id *identifier) hasPlot(name string) bool {
	return slices.ContainsFunc(id.plots, func(p trial.Plot) bool { return p.ID == name })
}

// open leaves a photo for a person, keeping the first reason given.
func (id *identifier) open(i int, format string, args ...any) {
	if id.out[i].Reason == "" {
		id.out[i].Reason = fmt.Sprintf(format, args...)
	}
}

func (id *identifier) visit(i int) {
	p, v := &id.photos[i], &id.out[i]
	if p.Hand != nil && p.Hand.Visit > 0 {
		v.Visit = p.Hand.Visit
		return
	}
	day := DayOf(p.Taken)
	switch {
	case day.IsZero() && p.Sheet != nil && p.Sheet.Visit > 0:
		v.Visit = p.Sheet.Visit
	case day.IsZero() && !p.NameDate.IsZero():
		id.open(i, "the photo has no camera date; its name says %s, which may be the day it was sent: confirm the visit", p.NameDate)
	case day.IsZero():
		id.open(i, "the photo has no camera date: say which visit it belongs to")
	case !id.trial.InSeason(day):
		id.open(i, "the camera's date %s lies outside the season: say which visit the photo belongs to", day)
	default:
		if v.Visit = id.trial.VisitOf(day); v.Visit == 0 {
			id.open(i, "%s is not within %d days of one planned visit: say which visit it is, or add one with `quadtally visits --add %s`", day, id.trial.VisitToleranceDays, day)
		} else if p.Sheet != nil && p.Sheet.Visit > 0 && p.Sheet.Visit != v.Visit {
			id.open(i, "the sheet says visit %d but the camera's date %s falls into visit %d", p.Sheet.Visit, day, v.Visit)
			v.Visit = 0
		}
	}
}

func (id *identifier) plot(i int) {
	p, v := &id.photos[i], &id.out[i]
	if p.Hand != nil && p.Hand.Plot != "" {
		v.Plot, v.Quadrat, v.Basis = p.Hand.Plot, p.Hand.Quadrat, ByHand
		return
	}
	card, fault := id.card(p.Cards)
	if fault != "" {
		id.open(i, "%s", fault)
		return
	}
	switch sheet := p.Sheet; {
	case card.Plot != "" && sheet != nil && sheet.Plot != "" &&
		(sheet.Plot != card.Plot || (sheet.Quadrat > 0 && card.Quadrat > 0 && sheet.Quadrat != card.Quadrat)):
		id.open(i, "the card in the photo says %s but the sheet says %s", spotWords(card), spotWords(*sheet))
	case card.Plot != "":
		v.Plot, v.Quadrat, v.Basis = card.Plot, card.Quadrat, ByCard
		if sheet != nil && v.Quadrat == 0 {
			v.Quadrat = sheet.Quadrat
		}
	case sheet != nil && sheet.Plot != "":
		if !id.hasPlot(sheet.Plot) {
			id.open(i, "the sheet says plot %q, which is not in the layout", sheet.Plot)
			return
		}
		v.Plot, v.Quadrat, v.Basis = sheet.Plot, sheet.Quadrat, BySheet
	default:
		if s, ok := id.fromName(p.Path); ok {
			v.Plot, v.Quadrat, v.Basis = s.Plot, s.Quadrat, ByName
		}
	}
	if v.Quadrat > id.trial.Quadrat.PerPlot && id.trial.Quadrat.PerPlot > 0 {
		id.open(i, "quadrat %d is more than the %d planned for a plot: say which it is", v.Quadrat, id.trial.Quadrat.PerPlot)
		v.Quadrat = 0
	}
}

func spotWords(s Spot) string {
	if s.Quadrat > 0 {
		return fmt.Sprintf("plot %s quadrat %d", s.Plot, s.Quadrat)
	}
	return "plot " + s.Plot
}

// card works out what the cards in a photo say together.
func (id *identifier) card(cards []Card) (Spot, string) {
	var s Spot
	for _, c := range cards {
		if c.Trial != id.trial.Tag {
			return Spot{}, fmt.Sprintf("the card belongs to another trial (%s, this one is %s)", c.Trial, id.trial.Tag)
		}
		plots := id.byCard[c.Plot]
		if len(plots) == 0 {
			return Spot{}, fmt.Sprintf("the card says plot %q, which is not in the layout", c.Plot)
		}
		if len(plots) > 1 {
			return Spot{}, fmt.Sprintf("the card's code %s stands for plots %s alike: say which it is", c.Plot, strings.Join(plots, " and "))
		}
		got := Spot{Plot: plots[0], Quadrat: c.Quadrat}
		if s.Plot != "" && s != got {
			return Spot{}, fmt.Sprintf("two cards are in the photo (%s and %s): say which it shows", spotWords(s), spotWords(got))
		}
		s = got
	}
	return s, ""
}

var nameQuadrat = regexp.MustCompile(`(?i)(?:^|[^a-z])q(?:uad(?:rat)?)?[ _.-]?([0-9]{1,2})(?:[^0-9]|$)`)

// fromName finds a plot in the file's or its folders' names: the plot's id
// after the word plot, or a whole name part that is the id. Two different
// plots in one path say nothing.
func (id *identifier) fromName(path string) (Spot, bool) {
	parts := strings.Split(filepath.ToSlash(path), "/")
	if n := len(parts); n > 4 {
		parts = parts[n-4:]
	}
	parts[len(parts)-1] = strings.TrimSuffix(parts[len(parts)-1], filepath.Ext(path))
	var s Spot
	for k := len(parts) - 1; k >= 0; k-- {
		plot, tail, ok := id.plotIn(parts[k])
		if !ok {
			continue
		}
		if s.Plot != "" && s.Plot != plot {
			return Spot{}, false
		}
		s.Plot = plot
		if s.Quadrat == 0 && tail > 0 {
			s.Quadrat = tail
		}
	}
	if s.Plot == "" {
		return Spot{}, false
	}
	for k := len(parts) - 1; k >= 0 && s.Quadrat == 0; k-- {
		if m := nameQuadrat.FindStringSubmatch(parts[k]); m != nil {
			s.Quadrat, _ = strconv.Atoi(m[1])
		}
	}
	return s, true
}

// plotIn looks for a plot id as a whole word of a name; "plot101", "101" and
// "101-2" (quadrat 2) are understood, "IMG_101" is not: a bare number counts
// only where it begins the name or follows the word plot.
func (id *identifier) plotIn(name string) (plot string, quadrat int, ok bool) {
	for n, p := range id.plots {
		m := id.named[n].afterWord.FindStringSubmatch(name)
		if m == nil {
			m = id.named[n].alone.FindStringSubmatch(name)
		}
		if m == nil {
			continue
		}
		if plot != "" && len(p.ID) <= len(plot) {
			continue
		}
		plot, quadrat, ok = p.ID, 0, true
		if m[1] != "" {
			quadrat, _ = strconv.Atoi(m[1])
		}
	}
	return plot, quadrat, ok
}

type plotVisit struct {
	plot  string
	visit int
}

// number gives quadrat numbers to photos whose card stands for the whole
// plot: by time within plot and visit, a burst counting as one.
func (id *identifier) number() {
	groups := map[plotVisit][]int{}
	for i, v := range id.out {
		if v.Plot != "" && v.Visit > 0 && v.Quadrat == 0 && v.Reason == "" && !id.photos[i].Unmeasured {
			k := plotVisit{v.Plot, v.Visit}
			groups[k] = append(groups[k], i)
		}
	}
	taken := map[plotVisit]map[int]bool{}
	for _, v := range id.out {
		if v.Plot != "" && v.Visit > 0 && v.Quadrat > 0 {
			k := plotVisit{v.Plot, v.Visit}
			if taken[k] == nil {
				taken[k] = map[int]bool{}
			}
			taken[k][v.Quadrat] = true
		}
	}
	for k, members := range groups {
		if id.clocksDiffer(members) {
			for _, i := range members {
				id.out[i].Clocks = true
				id.open(i, "plot %s was photographed by more than one camera at visit %d, and their clocks may differ: say which quadrat this is", k.plot, k.visit)
			}
			continue
		}
		id.byTime(members)
		q, last := 0, ""
		for _, i := range members {
			if last == "" || !withinBurst(last, id.photos[i].Taken) {
				for q++; taken[k][q]; q++ {
				}
			}
			last = id.photos[i].Taken
			if per := id.trial.Quadrat.PerPlot; per > 0 && q > per {
				id.open(i, "plot %s has more photos at visit %d than its %d quadrats: say which quadrat this is, or reject it", k.plot, k.visit, per)
				continue
			}
			id.out[i].Quadrat = q
		}
	}
}

// clocksDiffer reports photos of more than one camera.
func (id *identifier) clocksDiffer(members []int) bool {
	for _, i := range members[1:] {
		if id.photos[i].camera() != id.photos[members[0]].camera() {
			return true
		}
	}
	return false
}

func (id *identifier) byTime(idx []int) {
	count := id.counters(idx)
	slices.SortFunc(idx, func(a, b int) int {
		return cmp.Or(strings.Compare(id.photos[a].Taken, id.photos[b].Taken), cmp.Compare(count[a], count[b]), strings.Compare(id.photos[a].Path, id.photos[b].Path),
			strings.Compare(id.photos[a].Hash, id.photos[b].Hash))
	})
}

func withinBurst(a, b string) bool {
	ta, e1 := time.Parse("2006-01-02T15:04:05", a)
	tb, e2 := time.Parse("2006-01-02T15:04:05", b)
	return e1 == nil && e2 == nil && tb.Sub(ta).Abs() <= burstGap
}

// walk proposes places for photos without any ground of their own. Between
// two known photos of one visit, the quadrats in the walking order that lie
// between them are given to the photos between them, where the numbers match
// exactly; otherwise nothing is proposed.
func (id *identifier) walk() {
	order := map[Spot]int{}
	var spots []Spot
	for _, p := range id.plots {
		for q := 1; q <= id.trial.Quadrat.PerPlot; q++ {
			order[Spot{Plot: p.ID, Quadrat: q}] = len(spots)
			spots = append(spots, Spot{Plot: p.ID, Quadrat: q})
		}
	}
	type walkOf struct { // each camera's walk is in the order of its own clock
		visit  int
		camera string
	}
	walks := map[walkOf][]int{}
	for i, v := range id.out {
		if v.Visit > 0 {
			k := walkOf{v.Visit, id.photos[i].camera()}
			walks[k] = append(walks[k], i)
		}
	}
	for _, members := range walks {
		id.byTime(members)
		for from := 0; from < len(members); from++ {
			a := id.out[members[from]]
			if a.Plot == "" || a.Quadrat == 0 {
				continue
			}
			to := from + 1
			for to < len(members) && id.out[members[to]].Plot == "" {
				to++
			}
			gap := members[from+1 : min(to, len(members))]
			if to >= len(members) || len(gap) == 0 {
				continue
			}
			b := id.out[members[to]]
			pa, okA := order[Spot{Plot: a.Plot, Quadrat: a.Quadrat}]
			pb, okB := order[Spot{Plot: b.Plot, Quadrat: b.Quadrat}]
			if !okA || !okB || pb-pa-1 != len(gap) {
				continue
			}
			for k, i := range gap {
				if id.out[i].Reason != "" {
					continue
				}
				s := spots[pa+1+k]
				v := &id.out[i]
				v.Plot, v.Quadrat, v.Basis, v.Proposed = s.Plot, s.Quadrat, ByOrder, true
				v.Reason = fmt.Sprintf("no card was read; by its place in the walk it is plot %s quadrat %d: confirm", s.Plot, s.Quadrat)
			}
		}
	}
	for i, v := range id.out {
		if v.Plot == "" {
			id.open(i, "no card was read and neither a sheet nor the file's name says which plot it is")
		} else if v.Quadrat == 0 {
			id.open(i, "which quadrat of plot %s it shows is not known", v.Plot)
		}
	}
}

// sortOut keeps one photo for each quadrat and visit. Of a burst the sharpest
// is used. Photos of one quadrat taken minutes apart are a question for a
// person: they may be retakes, or one of them another quadrat.
func (id *identifier) sortOut() {
	groups := map[Spot][]int{}
	for i, v := range id.out {
		if v.Known() && !id.photos[i].Unmeasured {
			groups[v.Spot] = append(groups[v.Spot], i)
		}
	}
	for spot, members := range groups {
		if len(members) < 2 {
			continue
		}
		id.byTime(members)
		// A photo a person placed stands before any other.
		if hand := slices.DeleteFunc(slices.Clone(members), func(i int) bool { return id.out[i].Basis != ByHand }); len(hand) == 1 {
			for _, i := range members {
				if i != hand[0] {
					id.out[i].Spare = "another photo was chosen by hand for this quadrat: " + filepath.Base(id.photos[hand[0]].Path)
				}
			}
			continue
		}
		burst := true
		for k := 1; k < len(members); k++ {
			burst = burst && withinBurst(id.photos[members[k-1]].Taken, id.photos[members[k]].Taken)
		}
		best := members[0]
		for _, i := range members[1:] {
			if id.photos[i].Sharpness > id.photos[best].Sharpness {
				best = i
			}
		}
		for _, i := range members {
			switch {
			case burst && i != best:
				id.out[i].Spare = "a burst: the sharper " + filepath.Base(id.photos[best].Path) + " is used"
			case !burst:
				id.out[i].Reason = fmt.Sprintf("%d photos claim plot %s quadrat %d at visit %d: choose one, or say which quadrat this is",
					len(members), spot.Plot, spot.Quadrat, spot.Visit)
			}
		}
	}
}
