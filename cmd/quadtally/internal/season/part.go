package season

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/partfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// PartOutcome is what measuring one part of a folder did and found.
type PartOutcome struct {
	Part     string         `json:"part"`
	File     string         `json:"file"`
	Photos   int            `json:"photos"`
	Measured int            `json:"measured"`
	Faults   []intake.Fault `json:"faults"`
	Settings string         `json:"settings"`
	Finished bool           `json:"finished"`
}

// Part measures one part of a folder into a file; with file "", into
// part-K-of-N.jsonl. The record is only read, so that many machines can work
// at once.
func (s *Season) Part(ctx context.Context, snap *record.Snapshot, folder string, part intake.Part, file string, change Change) (*PartOutcome, error) {
	abs, err := filepath.Abs(folder)
	if err != nil {
		return nil, err
	}
	if info, err := os.Stat(abs); err != nil || !info.IsDir() {
		return nil, fmt.Errorf("%s is no folder: check the spelling, or plug the phone or card in again", folder)
	}
	header, opt, err := s.partHeader(ctx, snap, abs, part, change)
	if err != nil {
		return nil, err
	}
	bar := s.opt.begin(-1, "looking through the folder")
	scan, err := intake.WalkPart(ctx, []string{abs}, part, nil, func(int) { bar.Add(1) })
	bar.Finish()
	if err != nil {
		return nil, err
	}
	if file == "" {
		file = fmt.Sprintf("part-%d-of-%d.jsonl", part.K, part.N)
	}
	out := &PartOutcome{Part: part.String(), File: file, Photos: len(scan.Files), Settings: header.Fingerprint,
		Faults: append([]intake.Fault{}, scan.Faults...)}
	return out, s.measurePart(ctx, snap, scan, abs, header, opt, out)
}

func (s *Season) partHeader(ctx context.Context, snap *record.Snapshot, folder string, part intake.Part, change Change) (h partfile.Header, opt vision.Options, err error) {
	set, err := DecidedSettings(snap)
	if err != nil {
		return h, opt, err
	}
	set = set.With(change)
	if opt, err = set.VisionOptions(&snap.Trial); err != nil {
		return h, opt, err
	}
	begun, err := s.begun(ctx)
	if err != nil {
		return h, opt, err
	}
	given, err := json.Marshal(set)
	if err != nil {
		return h, opt, err
	}
	root, err := filepath.Abs(s.store.Dir())
	if err != nil {
		return h, opt, err
	}
	return partfile.Header{Trial: snap.Trial.Tag, Begun: begun, Fingerprint: opt.Fingerprint(), Settings: given,
		Folder: relativeInside(root, folder), Part: part}, opt, nil
}

// begun is when the record was begun. With the trial's tag it tells this trial
// from every other; copies of the record share it.
func (s *Season) begun(ctx context.Context) (string, error) {
	entries, err := s.store.Entries(ctx)
	if err != nil || len(entries) == 0 {
		return "", err
	}
	return entries[0].At.UTC().Format(time.RFC3339), nil
}

// measurePart measures the photos of a part that its file does not hold yet.
func (s *Season) measurePart(ctx context.Context, snap *record.Snapshot, scan intake.Scan, folder string, h partfile.Header, opt vision.Options, out *PartOutcome) error {
	have := map[string]string{} // hash: what was drawn on it when it was measured
	file, was, err := partfile.Open(out.File, h, func(p partfile.Photo) error {
		if p.FaultCode.Transient() {
			return nil
		}
		have[p.Facts.Hash] = p.Guide
		if p.Fault != "" {
			out.Faults = append(out.Faults, intake.Fault{Path: filepath.Join(folder, filepath.FromSlash(intake.PathOfText(p.Path))), Text: p.Fault})
		}
		return nil
	})
	if err != nil {
		return err
	}
	defer file.Close()
	inside := func(path string) string {
		rel, _ := filepath.Rel(folder, path) // both come from one walk
		return intake.PathText(filepath.ToSlash(rel))
	}
	var jobs []Job
	var wanted []partfile.Photo
	for _, f := range scan.Files {
		guide, with, err := guided(snap, f.Hash, opt)
		if err != nil {
			return err
		}
		if g, done := have[f.Hash]; done && g == guide {
			continue
		}
		p := partfile.Photo{Path: inside(f.Path), Facts: record.PhotoFacts{Hash: f.Hash, Bytes: f.Size}, Guide: guide}
		for _, c := range scan.Copies[f.Hash] {
			p.Copies = append(p.Copies, inside(c))
		}
		with.Looks = with.Looks || len(snap.Named) > 0
		jobs = append(jobs, Job{Path: f.Path, Hash: f.Hash, Options: with})
		wanted = append(wanted, p)
	}
	keep := func(i int, r Reply) error {
		if r.Fault != "" {
			out.Faults = append(out.Faults, intake.Fault{Path: jobs[i].Path, Text: r.Fault})
		}
		p := wanted[i]
		p.Facts = photoFacts(intake.File{Hash: p.Facts.Hash, Size: p.Facts.Bytes}, r.Facts, folder, nil)
		m, err := r.toMeasurement(p.Facts.Hash, h.Fingerprint, p.Guide)
		if err != nil {
			return err
		}
		p.Fault, p.FaultCode, p.Doc, p.Curve, p.Plane, p.Looks = m.Fault, m.FaultCode, m.Doc, m.Curve, m.Plane, m.Looks
		out.Measured++
		return file.Add(p)
	}
	unreachable, err := s.opt.measurePhotos(ctx, jobs, keep, file.Sync)
	if err != nil {
		return err
	}
	out.Faults = append(out.Faults, unreachable...)
	if out.Finished = len(unreachable) == 0; !out.Finished {
		return nil // photos that could not be reached wait for the next run
	}
	if out.Measured == 0 && was.Finished() {
		return nil
	}
	return file.End(partfile.End{Photos: was.Photos + out.Measured, Unusable: scan.Faults})
}
