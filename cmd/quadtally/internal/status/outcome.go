package status

import (
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/wording"
)

// Notes are what is to be said on the way of taking in photos, or merging
// parts, a line each.
func Notes(o *season.Outcome) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	for _, p := range o.Unfinished {
		say("%s: part %s was not measured to its end (%s in it): run the part again, then merge again", p.File, p.Part, wording.Plural(p.Photos, "photo"))
	}
	for _, p := range o.Absent {
		say("%d of %d parts of %s were not given: %s", len(p.Parts), p.Of, p.Folder, strings.Join(p.Parts, ", "))
	}
	for _, c := range o.Copies {
		say("%s has the same content as %s and is used once", c.File, c.Of)
	}
	for _, c := range o.Versions {
		say("%s", VersionsText(c))
	}
	for _, r := range o.Renamed {
		if r.Stays {
			say("%s is called %s now, which names no plot of the layout: it stays where its former name put it; `quadtally place` moves it", r.Was, r.File)
		} else {
			say("%s is called %s now and is placed by its new name", r.Was, r.File)
		}
	}
	for _, c := range o.SheetClashes {
		say("%s", intake.Shown(ClashText(c)))
	}
	return append(out, FaultNotes(o.Faults)...)
}

// FaultNotes are files that could not be read, a line each.
func FaultNotes(faults []intake.Fault) []string {
	var out []string
	for _, x := range faults {
		out = append(out, intake.Shown(x.Path)+": "+x.Text)
	}
	return out
}

// LeftAside counts what taking in photos, or merging parts, could not read.
func LeftAside(o *season.Outcome) int {
	return len(o.Faults) + len(o.Missing) + len(o.SheetClashes)
}

// WritePart says what measuring one part of a folder did.
func WritePart(w io.Writer, o *season.PartOutcome) {
	fmt.Fprintf(w, "part %s: %s, %d measured now, in %s\n", o.Part, wording.Plural(o.Photos, "photo"), o.Measured, o.File)
	if !o.Finished {
		fmt.Fprintln(w, "not finished: run it again once every photo can be reached")
	}
}

// WriteDecided says what came of words about photos.
func WriteDecided(w io.Writer, list []season.Decided) {
	for _, d := range list {
		name := filepath.Base(d.Photo.Path)
		switch {
		case d.TookBack != nil:
			fmt.Fprintf(w, "%s: took back %s (by %s)\n", name, d.TookBack.Kind, d.TookBack.Author)
		case d.Place != nil:
			fmt.Fprintf(w, "%s: plot %s quadrat %d visit %d\n", name, d.Place.Plot, d.Place.Quadrat, d.Place.Visit)
		default:
			fmt.Fprintf(w, "%s: set aside (%s)\n", name, d.SetAside)
		}
	}
}

// FollowedNotes say what changed with what was said, a line each.
func FollowedNotes(f season.Followed) []string {
	var out []string
	if f.Measured > 0 {
		out = append(out, wording.Plural(f.Measured, "photo")+" measured again")
	}
	for _, x := range f.Unreachable {
		out = append(out, x.Path+": "+x.Text)
	}
	if f.Lost > 0 {
		out = append(out, wording.Plural(f.Lost, "photo")+" no longer in use, since the frame in it does not fit what the plan says now: if the plan is right, see `quadtally status`; if not, `quadtally undo` takes it back")
	}
	return out
}

// VersionsText says what is the matter with two versions of one photo.
func VersionsText(c season.Copy) string {
	return fmt.Sprintf("%s and %s have the same name and time but not the same bytes: one is damaged or edited; look at both and set one aside (`quadtally place PHOTO --reject \"why\"`)", c.File, c.Of)
}

// WriteOutcome prints what taking in photos, or merging parts, did.
func WriteOutcome(w io.Writer, o *season.Outcome) {
	if len(o.Parts) > 0 {
		fmt.Fprintf(w, "%s in %s, %d new, %d measurements folded in\n", wording.Plural(o.Photos, "photo"), wording.Plural(len(o.Parts), "part"), o.New, o.Measured)
	} else {
		fmt.Fprintf(w, "%s in the folders, %d new, %d measured now", wording.Plural(o.Photos, "photo"), o.New, o.Measured)
		if o.Ignored > 0 {
			fmt.Fprintf(w, "; %s ignored", wording.Plural(o.Ignored, "non-photo file"))
		}
		for _, why := range slices.Sorted(maps.Keys(o.Skipped)) {
			fmt.Fprintf(w, "; %s not looked into (%s)", wording.Plural(o.Skipped[why], "folder"), why)
		}
		fmt.Fprintln(w)
	}
	for _, by := range [][2]string{{intake.ByCard, "its plot card"}, {intake.BySheet, "your sheet"}, {intake.ByName, "its name"}, {intake.ByHand, "what you said"}} {
		if n := o.Placed[by[0]]; n > 0 {
			fmt.Fprintf(w, "  %s placed by %s\n", wording.Plural(n, "photo"), by[1])
		}
	}
	if o.Spare > 0 {
		fmt.Fprintf(w, "  %s kept as spare: a better one of the same quadrat is used\n", wording.Plural(o.Spare, "photo"))
	}
	for _, v := range slices.Sorted(maps.Keys(o.Thresholds)) {
		if v > 0 {
			fmt.Fprintf(w, "  visit %d: threshold %.4g (%s)\n", v, o.Thresholds[v].Value, o.Thresholds[v].Basis)
		}
	}
	if len(o.Open) == 0 {
		return
	}
	fmt.Fprintf(w, "\n%s for you (`quadtally place PHOTO --plot P --quadrat N --visit V`, --yes or --reject \"why\"):\n", wording.Plural(len(o.Open), "question"))
	for i, q := range o.Open {
		if i == 20 {
			fmt.Fprintf(w, "  and %d more: `quadtally status --all` names them\n", len(o.Open)-i)
			break
		}
		fmt.Fprintf(w, "  %s: %s\n", q.Photo, q.Text)
	}
}

// ClashText says why a row of a photo sheet was passed over.
func ClashText(c intake.SheetClash) string {
	switch {
	case c.Other > 0:
		return fmt.Sprintf("row %d of the sheet names photo %s otherwise than row %d: keep one of them", c.Row.Line, c.Row.Path, c.Other)
	case len(c.Photos) == 0:
		return fmt.Sprintf("row %d of the sheet: there is no photo %s in the record", c.Row.Line, c.Row.Path)
	}
	return fmt.Sprintf("row %d of the sheet: %s may mean %s: write its folder before the name", c.Row.Line, c.Row.Path, strings.Join(c.Photos, " or "))
}

// WriteObservers says how far observers of the same quadrats are apart.
func WriteObservers(w io.Writer, list []analysis.ObserverPair) {
	if len(list) > 0 {
		fmt.Fprintln(w)
	}
	for _, p := range list {
		fmt.Fprintf(w, "Two observers: %s\n", ObserversText(p))
	}
}
