package intake

import (
	"context"
	"fmt"
	"testing"
	"time"
)

// BenchmarkRescan looks through a folder of 2000 photos that are all known; it
// states how many times as long reading and hashing them all would take.
func BenchmarkRescan(b *testing.B) {
	dir := b.TempDir()
	body := append(jpegWith(1, taken("2025:06:14 09:00:00"), nil), make([]byte, 200_000)...)
	for i := range 2000 {
		writeFile(b, dir, fmt.Sprintf("IMG_%04d.jpg", i), append(body, byte(i), byte(i>>8)))
	}
	known := map[string]Known{}
	walkAll := func(known map[string]Known) Scan {
		s, err := Walk(context.Background(), []string{dir}, known, nil)
		if err != nil {
			b.Fatal(err)
		}
		return s
	}
	walkAll(nil) // the files are in memory now, as they are for what is compared
	began := time.Now()
	walkAll(nil)
	fresh := time.Since(began)
	for _, f := range walkAll(nil).Files {
		known[f.Path] = Known{f.Size, f.MTime, f.Hash}
	}
	for b.Loop() {
		if s := walkAll(known); len(s.Files) != 2000 || s.Files[0].Fresh {
			b.Fatal("not known")
		}
	}
	b.ReportMetric(float64(fresh.Nanoseconds())/(float64(b.Elapsed().Nanoseconds())/float64(b.N)), "x-faster-than-fresh")
}
