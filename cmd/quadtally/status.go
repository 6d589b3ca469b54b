package main

import (
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
)

type trialStatus struct {
	Trial     string                   `json:"trial"`
	Plots     int                      `json:"plots"`
	Visits    []analysis.VisitProgress `json:"visits"`
	Photos    int                      `json:"photos"`
	InUse     int                      `json:"photos_in_use"`
	Unread    []season.Question        `json:"photos_not_read"`
	Questions []season.Question        `json:"questions"`
	Rejected  int                      `json:"photos_rejected"`
	Spare     int                      `json:"photos_spare"` // a better one of the same quadrat is used
	Yields    int                      `json:"plots_with_yield"`
	Open      []analysis.SheetQuestion `json:"sheet_questions"` // what stored sheets leave open
	Ignored   []string                 `json:"columns_ignored"` // of sheets, as people said
	Apart     []string                 `json:"dates_apart"`     // operations of which groups of treatments share no day
	Versions  []season.Copy            `json:"same_name_other_bytes"`
	Files     *season.FileCheck        `json:"files,omitempty"`   // with --files
	Waiting   []string                 `json:"waiting,omitempty"` // doubts nobody answered, visits without plant names
	Entry     int64                    `json:"entry"`
}

func statusCommand(a *app) *cobra.Command {
	var asJSON, all, files bool
	c := &cobra.Command{
		Use:   "status",
		Short: "What is in, what is missing, what needs a decision",
		Long: `For every visit: how many quadrats have a photo in use and a hand count, and which
have not. Then the photos that wait for a person, each with the reason, and how
to settle it.

--files also checks the record itself and reads the file of every photo again:
one that does not hold any more what was measured from it is named.

` + exitHelp,
		Example: "  quadtally status\n  quadtally status --all --json\n  quadtally status --files",
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) (err error) {
				st := statusOf(snap)
				if files {
					if st.Files, err = season.New(store, a.measuring()).CheckFiles(a.ctx, snap); err != nil {
						return err
					}
				}
				if asJSON {
					err = a.writeJSON(st)
				} else {
					a.printStatus(st, all)
				}
				if f := st.Files; err == nil && f != nil && len(f.Changed)+len(f.Gone) > 0 {
					return partly{len(f.Changed) + len(f.Gone)}
				}
				return err
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "the status as JSON")
	c.Flags().BoolVar(&files, "files", false, "read every photo file again and check it against what was measured")
	c.Flags().BoolVar(&all, "all", false, "name every quadrat and photo, not only the first few")
	return c
}

func statusOf(snap *record.Snapshot) trialStatus {
	st := trialStatus{Trial: snap.Trial.Name, Plots: len(snap.Plots), Photos: len(snap.Photos), Entry: snap.Entry}
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
	st.Open, st.Apart = analysis.SheetQuestions(snap), analysis.DatesApart(snap)
	if columns, _, err := rememberedColumns(snap, nil); err == nil {
		for _, name := range slices.Sorted(maps.Keys(columns)) {
			if columns[name].As == sheets.AsIgnore {
				st.Ignored = append(st.Ignored, name)
			}
		}
	}
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

func (a *app) printStatus(st trialStatus, all bool) {
	said := func(mark, text string) { report.WriteSentence(a.out, mark, text, a.term) }
	said("", fmt.Sprintf("%s: %s, %s, %d in use", st.Trial, plural(st.Plots, "plot"), plural(st.Photos, "photo"), st.InUse))
	fmt.Fprintln(a.out)
	fmt.Fprintf(a.out, "visit  date        photos     hand counts\n")
	for _, v := range st.Visits {
		if v.NotBegun {
			fmt.Fprintf(a.out, "%5d  %s  not begun\n", v.Visit, v.Date)
			continue
		}
		fmt.Fprintf(a.out, "%5d  %s  %3d of %-3d %3d of %-3d\n", v.Visit, v.Date, v.Photos, v.Wanted, v.Counts, v.Wanted)
		if len(v.NoPhoto) > 0 {
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
	fmt.Fprintf(a.out, "\nyields: %d of %s\n", st.Yields, plural(st.Plots, "plot"))
	if st.Spare > 0 {
		fmt.Fprintf(a.out, "kept as spare: %s\n", plural(st.Spare, "photo"))
	}
	if st.Rejected > 0 {
		fmt.Fprintf(a.out, "set aside: %s\n", plural(st.Rejected, "photo"))
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
		fmt.Fprintln(a.out)
		said("", title)
		for i, q := range qs {
			if !all && i == 12 {
				fmt.Fprintf(a.out, "  and %d more (--all names them)\n", len(qs)-i)
				return
			}
			said("  ", q.Photo+": "+q.Text)
		}
	}
	var alike []season.Question
	for _, c := range st.Versions {
		alike = append(alike, season.Question{Photo: filepath.Base(c.File), Text: versionsText(c)})
	}
	list("Photos of which there are two versions:", alike)
	list("Photos that could not be read:", st.Unread)
	list("Photos that wait for you (settle one with `quadtally settle PHOTO --plot P --quadrat N --visit V`, or use `quadtally review`):", st.Questions)
	if f := st.Files; f != nil {
		fmt.Fprintf(a.out, "\nthe record is sound; %s as measured\n", plural(f.Sound, "photo file"))
		list("Photo files that changed:", f.Changed)
		var gone []season.Question
		for _, path := range f.Gone {
			gone = append(gone, season.Question{Photo: path, Text: "is not where it was: bring it back, or run `quadtally photos` on the folder it is in now"})
		}
		list("Photo files that are gone (their numbers stay):", gone)
	}
}
