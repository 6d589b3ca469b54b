// Package sheetstore stores sheets that people hand in: it holds a sheet against
// what the record has, says what storing it changes, and asks first where that
// looks like a slip.
package sheetstore

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// Request is a sheet to be stored.
type Request struct {
	Kind      sheets.Kind
	Path      string
	Data      []byte // the file's bytes
	Worksheet string // of a workbook; "" is the first visible one
	As        string // the sheet's name in the record; "" is the file's
	Options   sheets.Options
	DryRun    bool // only say what would change
	Agreed    bool // yes to what would be asked
}

// name is what a sheet is known by from version to version.
func (r *Request) name() string {
	switch {
	case r.As != "":
		return r.As
	case r.Worksheet != "":
		return filepath.Base(r.Path) + " " + r.Worksheet
	}
	return filepath.Base(r.Path)
}

// Outcome is what came of a sheet.
type Outcome struct {
	File   string              `json:"file"`
	Rows   int                 `json:"rows"`
	Values int                 `json:"values"`
	Stored bool                `json:"stored"`
	Diff   record.SheetDiff    `json:"diff"`
	Asked  []string            `json:"asked"` // what keeps it from being stored
	Open   []string            `json:"open"`  // questions that do not
	Sums   []sheets.Sum        `json:"sums,omitempty"`
	Stages []trial.StageWord   `json:"stages,omitempty"` // what the words for work were taken for
	Notes  []string            `json:"notes"`
	Faults []tables.FaultGroup `json:"faults"`

	Unread int         `json:"-"` // rows with a fault
	DryRun bool        `json:"-"`
	units  trial.Units // that people of the trial read
}

// errNothingNew ends a transaction that would store what is there already.
var errNothingNew = errors.New("nothing new")

// errAsked ends a transaction that a person has to agree to first.
var errAsked = errors.New("asked")

// Store reads a sheet and stores it, or says with DryRun what that would change.
// The outcome is nil where the sheet could not be read at all; else it is to be
// shown, with or without an error.
func Store(ctx context.Context, store *record.Store, snap *record.Snapshot, r Request) (*Outcome, error) {
	sheet, err := tables.ReadPart(r.Path, r.Data, tables.Options{Worksheet: r.Worksheet})
	if err != nil {
		return nil, err
	}
	opt, name := r.Options, r.name()
	said := slices.Sorted(maps.Keys(opt.Columns))
	columns, learned, err := RememberedColumns(snap, opt.Columns)
	if err != nil {
		return nil, err
	}
	opt.Columns, opt.Classes = columns, classesOf(snap)
	opt.Stored, opt.UnlistedBefore = valuesOfOthers(snap, string(r.Kind), name), snap.Unlisted()
	im, err := sheets.Read(r.Kind, &snap.Trial, snap.Plots, sheet, opt)
	if err != nil {
		return nil, err
	}
	out := outcomeOf(r.Path, im)
	out.DryRun, out.units = r.DryRun, snap.Trial.Units
	out.Notes = append(out.Notes, sheets.Unused(r.Kind, sheet, opt, im)...)
	if names := sheets.NotInSheet(sheet, im, said); len(names) > 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("--columns: this sheet has neither a column nor a class %s; it has the columns %s", strings.Join(names, ", "), strings.Join(sheet.Header, ", ")))
	}
	if r.Kind == sheets.KindField {
		out.Stages = stagesOf(&snap.Trial, im.Operations)
	}
	if out.Values == 0 && out.Unread > 0 {
		return out, nil
	}
	sum := sha256.Sum256(r.Data)
	v := record.SheetVersion{Kind: string(r.Kind), Name: name, Digest: hex.EncodeToString(sum[:]),
		Partial: im.Partial(), Observations: im.Observations, Operations: im.Operations}
	if r.DryRun {
		if out.Diff, err = store.CompareSheet(ctx, v, snap.Entry); err == nil && !r.Agreed {
			out.Asked = questionsAbout(im, out.Diff, snap)
		}
	} else {
		_, err = store.Write(ctx, string(r.Kind), r.Path, func(tx *record.Tx) (err error) {
			if out.Diff, err = tx.StoreSheet(v, snap.Entry); err != nil {
				return err
			}
			if !r.Agreed {
				if out.Asked = questionsAbout(im, out.Diff, snap); len(out.Asked) > 0 {
					return errAsked
				}
			}
			unlisted, answered := remembered(opt.UnlistedBefore, im.Unlisted)
			if out.Diff.Empty() && !learned && !answered {
				return errNothingNew
			}
			if learned {
				_, err = tx.Decide(columnsSubject, record.KindColumns, columns)
			}
			if answered && err == nil {
				_, err = tx.Decide(record.UnlistedSubject, record.KindUnlisted, unlisted)
			}
			return err
		})
		out.Stored = err == nil || errors.Is(err, errNothingNew)
	}
	var partial record.ErrPartial
	switch {
	case errors.Is(err, errAsked), errors.Is(err, errNothingNew):
		err = nil
	case errors.As(err, &partial):
		out.Diff = partial.Diff
	}
	return out, err
}

func outcomeOf(path string, im sheets.Import) *Outcome {
	out := &Outcome{File: path, Rows: im.Rows, Values: len(im.Observations) + len(im.Operations), Sums: im.Sums,
		Faults: tables.GroupFaults(im.Faults), Unread: len(im.Faults), Asked: []string{}, Open: []string{}, Notes: []string{}}
	for _, q := range im.Questions {
		out.Open = append(out.Open, q.Text())
	}
	for _, n := range im.Notes {
		if !slices.Contains(out.Open, n) {
			out.Notes = append(out.Notes, n)
		}
	}
	return out
}

// stagesOf says what each word for work in a sheet was taken for.
func stagesOf(t *trial.Trial, work []record.Operation) []trial.StageWord {
	var out []trial.StageWord
	for _, o := range work {
		if stage, _ := t.StageOf(o.What); !slices.ContainsFunc(out, func(w trial.StageWord) bool { return w.Word == o.What }) {
			out = append(out, trial.StageWord{Word: o.What, Stage: stage})
		}
	}
	return out
}
