// Package status says what is in a trial, what is missing and what waits for a
// person, and what came of taking photos in.
package status

import (
	"cmp"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/wording"
)

// Trial is what is in a trial, what is missing and what waits for a person.
type Trial struct {
	Name      string                   `json:"trial"`
	Plots     int                      `json:"plots"`
	Visits    []analysis.VisitProgress `json:"visits"`
	Photos    int                      `json:"photos"`
	InUse     int                      `json:"photos_in_use"`
	Unread    []season.Question        `json:"photos_not_read"`
	Questions []season.Question        `json:"questions"`
	Rejected  int                      `json:"photos_rejected"`
	Spare     int                      `json:"photos_spare"` // a better one of the same quadrat is used
	Yields    int                      `json:"plots_with_yield"`
	Observers []analysis.ObserverPair  `json:"counted_by_two,omitempty"` // quadrats with a count beside the one in force
	Open      []analysis.SheetQuestion `json:"sheet_questions"`          // what stored sheets leave open
	Ignored   []string                 `json:"columns_ignored"`          // of sheets, as people said
	Apart     []string                 `json:"dates_apart"`              // operations of which groups of treatments share no day
	Versions  []season.Copy            `json:"same_name_other_bytes"`
	Files     *season.FileCheck        `json:"files,omitempty"`   // with --files
	Waiting   []string                 `json:"waiting,omitempty"` // doubts nobody answered, visits without plant names
	Entry     int64                    `json:"entry"`
}

// Of reads it from the record.
func Of(snap *record.Snapshot) Trial {
	st := Trial{Name: snap.Trial.Name, Plots: len(snap.Plots), Photos: len(snap.Photos), Entry: snap.Entry}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		name := filepath.Base(p.Path)
		switch p.State() {
		case record.PhotoSetAside:
			st.Rejected++
		case record.PhotoUnread:
			if p.Place.Plot != "" && p.Place.Quadrat > 0 {
				name += fmt.Sprintf(" (plot %s quadrat %d)", p.Place.Plot, p.Place.Quadrat)
			}
			st.Unread = append(st.Unread, season.Question{Photo: name, Hash: p.Hash, Text: p.Fault})
		case record.PhotoSpare:
			st.Spare++
		case record.PhotoInUse:
			st.InUse++
		case record.PhotoUnmeasured, record.PhotoAwaitsPlace:
			st.Questions = append(st.Questions, season.Question{Photo: name, Hash: p.Hash, Text: p.Why()})
		}
	}
	st.Yields = analysis.PlotsWithYield(snap)
	st.Observers = analysis.Observers(snap)
	st.Open, st.Apart = analysis.SheetQuestions(snap), analysis.DatesApart(snap)
	st.Waiting = waiting(snap)
	st.Versions = season.DifferentVersions(snap)
	st.Visits = analysis.Progress(snap)
	slices.SortFunc(st.Questions, func(a, b season.Question) int {
		return cmp.Or(strings.Compare(a.Photo, b.Photo), strings.Compare(a.Hash, b.Hash))
	})
	return st
}

// few shortens a list for a screen.
func few(list []string, all bool) string {
	const show = 8
	if all || len(list) <= show {
		return strings.Join(list, " ")
	}
	return fmt.Sprintf("%s and %d more (--all names them)", strings.Join(list[:show], " "), len(list)-show)
}

// Write prints it in lines of at most width columns, 0 for 80; all names every quadrat and photo, not only the first few.
func Write(w io.Writer, st Trial, all bool, width int) {
	said := func(mark, text string) { io.WriteString(w, wording.Indented(mark, text, width)) }
	said("", fmt.Sprintf("%s: %s, %s, %d in use", st.Name, wording.Plural(st.Plots, "plot"), wording.Plural(st.Photos, "photo"), st.InUse))
	fmt.Fprintln(w)
	fmt.Fprintf(w, "visit  date        photos     hand counts\n")
	for _, v := range st.Visits {
		if v.NotBegun {
			fmt.Fprintf(w, "%5d  %s  not begun\n", v.Visit, v.Date)
			continue
		}
		fmt.Fprintf(w, "%5d  %s  %3d of %-3d %3d of %-3d\n", v.Visit, v.Date, v.Photos, v.Wanted, v.Counts, v.Wanted)
		if v.Others > 0 {
			said("       ", "other readings in "+wording.Plural(v.Others, "plot"))
		}
		if len(v.NoPhoto) > 0 && v.Photos+v.Counts > 0 {
			said("       no photo: ", few(v.NoPhoto, all))
		}
		if len(v.NoCount) > 0 && v.Counts > 0 {
			said("       no count: ", few(v.NoCount, all))
		}
	}
	for _, v := range st.Visits {
		for _, b := range v.Split {
			said("       ", fmt.Sprintf("visit %d was not made on one day within a block: %s", v.Visit, b))
		}
	}
	fmt.Fprintf(w, "\nyields: %d of %s\n", st.Yields, wording.Plural(st.Plots, "plot"))
	if st.Spare > 0 {
		fmt.Fprintf(w, "kept as spare: %s\n", wording.Plural(st.Spare, "photo"))
	}
	if st.Rejected > 0 {
		fmt.Fprintf(w, "set aside: %s\n", wording.Plural(st.Rejected, "photo"))
	}
	for _, p := range st.Observers {
		said("counted by two: ", ObserversText(p))
	}
	for _, x := range st.Waiting {
		said("", x)
	}
	for _, q := range st.Open {
		said("question: ", q.Text)
	}
	if len(st.Ignored) > 0 {
		said("", "columns of sheets that are ignored, as you said: "+strings.Join(st.Ignored, ", "))
	}
	for _, text := range st.Apart {
		said("note: ", text)
	}
	list := func(title string, qs []season.Question) {
		if len(qs) == 0 {
			return
		}
		fmt.Fprintln(w)
		said("", title)
		for i, q := range qs {
			if !all && i == 12 {
				fmt.Fprintf(w, "  and %d more (--all names them)\n", len(qs)-i)
				return
			}
			said("  ", q.Photo+": "+q.Text)
		}
	}
	var alike []season.Question
	for _, c := range st.Versions {
		alike = append(alike, season.Question{Photo: filepath.Base(c.File), Text: VersionsText(c)})
	}
	list("Photos of which there are two versions:", alike)
	list("Photos that could not be read:", st.Unread)
	list("Photos that wait for you (place one with `quadtally place PHOTO --plot P --quadrat N --visit V`, or use `quadtally review`):", st.Questions)
	if f := st.Files; f != nil {
		fmt.Fprintf(w, "\nthe record is sound; %s as measured\n", wording.Plural(f.Sound, "photo file"))
		list("Photo files that changed:", f.Changed)
		var gone []season.Question
		for _, path := range f.Gone {
			gone = append(gone, season.Question{Photo: path, Text: "is not where it was: bring it back, or run `quadtally photos` on the folder it is in now"})
		}
		list("Photo files that are gone (their numbers stay):", gone)
	}
}

// ObserversText says how far two observers of the same quadrats are apart.
func ObserversText(p analysis.ObserverPair) string {
	text := fmt.Sprintf("%s (in force) and %s counted %s both, %.1f and %.1f plants on average; the second less the first %+.1f", p.InForce, p.Beside,
		wording.Plural(p.Quadrats, "quadrat"), p.MeanInForce, p.MeanBeside, p.Difference)
	if p.SD != nil {
		text += fmt.Sprintf(" (SD %.1f)", *p.SD)
	}
	return text + fmt.Sprintf(", at most %g, in plot %s quadrat %d at visit %d", p.Most, p.At.Plot, p.At.Quadrat, p.At.Visit)
}
