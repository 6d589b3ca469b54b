package main

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/record"
)

// TestTortureSoak measures many small photos in one run and follows, of the
// program and of its workers, memory, open files and computing time.
func TestTortureSoak(t *testing.T) {
	n := full(300, 10_000)
	dir, photos := smallTrial(t, n)
	file := filepath.Join(dir, record.FileName)
	cmd := program("photos", photos, "--no-frame", "--trial", dir, "--quiet")
	began := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	type sample struct {
		stored        int64 // bytes of the record
		main, workers procFigures
		computing     time.Duration // of the program and its workers
	}
	var samples []sample
	size := func() int64 {
		info, err := os.Stat(file)
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	empty := size()
	for running := true; running; {
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(50 * time.Millisecond):
			s := sample{stored: size()}
			for pid, p := range processes(cmd.Process.Pid) {
				s.computing += p.computing
				if pid == cmd.Process.Pid {
					s.main = p
				} else {
					s.workers.rss, s.workers.files = max(s.workers.rss, p.rss), max(s.workers.files, p.files)
				}
			}
			if s.workers.rss > 0 {
				samples = append(samples, s)
			}
		}
	}
	took := time.Since(began)
	if got := audit(t, dir); got != n {
		t.Errorf("%d of %d photos are measured", got, n)
	}
	// The workers are there from the first photo to the last; what comes
	// before and after (hashing, settling) is not theirs.
	if len(samples) < 12 {
		t.Skipf("over after %d samples: too short to follow", len(samples))
	}
	first, last := samples[0].stored, samples[len(samples)-1].stored
	between := func(from, to float64) []sample {
		var out []sample
		for _, s := range samples {
			if done := float64(s.stored-first) / float64(last-first); done >= from && done <= to {
				out = append(out, s)
			}
		}
		return out
	}
	early, late := between(0.1, 0.3), between(0.8, 1)
	if len(early) < 3 || len(late) < 3 {
		t.Skip("too short to follow")
	}
	middle := func(list []sample, of func(sample) int64) float64 {
		slices.SortFunc(list, func(x, y sample) int { return cmp.Compare(of(x), of(y)) })
		return float64(of(list[len(list)/2]))
	}
	long := full(0, 1) == 1 // a short run is over before the memory has settled
	var figures []float64
	for _, what := range []struct {
		name string
		of   func(sample) int64
		most float64 // growth allowed from early to late
	}{
		{"memory of the program", func(s sample) int64 { return s.main.rss }, 0.05},
		{"memory of the largest worker", func(s sample) int64 { return s.workers.rss }, 0.05},
		{"open files of the program", func(s sample) int64 { return int64(s.main.files) }, 0},
		{"open files of a worker", func(s sample) int64 { return int64(s.workers.files) }, 0},
	} {
		a, b := middle(slices.Clone(early), what.of), middle(slices.Clone(late), what.of)
		figures = append(figures, a, b)
		if grows := b/a - 1; grows > what.most && long {
			t.Errorf("%s: %.0f early, %.0f late (%+.1f %%)", what.name, a, b, 100*grows)
		}
	}
	// Computing time, and not the clock: other work on the machine is not the
	// program's.
	perShare := func(list []sample) float64 {
		a, b := list[0], list[len(list)-1]
		return (b.computing - a.computing).Seconds() / float64(b.stored-a.stored)
	}
	ratio := perShare(late) / perShare(early)
	if long && ratio > 1.5 {
		t.Errorf("a photo near the end takes %.2f times the computing of one near the beginning", ratio)
	}
	many := plural(n, "photo")
	mb := func(i int) float64 { return figures[i] / (1 << 20) }
	figure(t, "soak: one run", many, "%.0f s, %.1f KB stored each", took.Seconds(), float64(last-empty)/float64(n)/1024)
	figure(t, "soak: memory early, late", many, "program %.1f, %.1f MB; largest worker %.1f, %.1f MB", mb(0), mb(1), mb(2), mb(3))
	figure(t, "soak: open files early, late", many, "program %.0f, %.0f; worker %.0f, %.0f", figures[4], figures[5], figures[6], figures[7])
	figure(t, "soak: computing a photo", many, "%.2f times as much in the last fifth as in the second tenth to third", ratio)
}

// TestTortureLoosePhotos: `measure` takes no more memory for many photos than
// for few.
func TestTortureLoosePhotos(t *testing.T) {
	few, many := full(8, 50), full(16, 500)
	peak := func(n int) int64 {
		dir := t.TempDir()
		photo := phototest.JPEG(phototest.Ground(1, 1600, 1200), nil, nil)
		for i := range n {
			// What comes after the picture's end makes each file a photo of its own.
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.jpg", i)), append(bytes.Clone(photo), fmt.Sprint(i)...), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		cmd := program("measure", "--no-frame", "--json", dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		most := int64(0)
		for {
			select {
			case err := <-ended:
				if err != nil {
					t.Fatal(err)
				}
				return most
			case <-time.After(10 * time.Millisecond):
				most = max(most, processes(cmd.Process.Pid)[cmd.Process.Pid].peak)
			}
		}
	}
	a, b := peak(few), peak(many)
	planes := int64(many-few) * 1600 * 1200 / 4 // one byte for each point of the half-scale plane
	if planes > 64<<20 && b-a > planes/4 {
		t.Errorf("%d photos took %d MB, %d took %d MB", few, a>>20, many, b>>20)
	}
	figure(t, "measure: memory, few and many photos", fmt.Sprintf("%d, %d photos", few, many), "at most %d, %d MB", a>>20, b>>20)
}
