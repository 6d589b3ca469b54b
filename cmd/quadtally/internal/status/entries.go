package status

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
)

// mostEntries is how many entries are listed before the older are only counted.
const mostEntries = 40

// WriteEntries lists entries of the record, newest first.
func WriteEntries(w io.Writer, list []record.LogEntry, all bool) {
	fmt.Fprintln(w, "entry  when              by              what")
	for i, e := range list {
		if i == mostEntries && !all {
			fmt.Fprintf(w, "and %d older (--all lists them)\n", len(list)-i)
			break
		}
		state := ""
		switch {
		case e.UndoneBy != 0:
			state = fmt.Sprintf("  [taken back by entry %d]", e.UndoneBy)
		case e.Replaced:
			state = "  [replaced by something newer]"
		}
		fmt.Fprintf(w, "%5d  %s  %-14s  %s%s\n", e.ID, e.At.Local().Format("2006-01-02 15:04"), e.Author, EntryText(&e), state)
	}
}

// EntryText is an entry in a few words: the command, and what it stored.
func EntryText(e *record.LogEntry) string {
	parts := []string{e.Command}
	note := e.Note
	if e.Undoes != 0 {
		note = "" // it names the entry once more
	}
	for _, s := range []string{e.Said(), note} {
		if s != "" && !slices.Contains(parts, s) {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, ": ")
}
