package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

// TestTortureSameRecordTwice measures the same photos into two records, one
// photo at a time and several at once: every measurement is the same byte for
// byte, and so is all that the tables say.
func TestTortureSameRecordTwice(t *testing.T) {
	n := full(40, 400)
	one, photos := smallTrial(t, n)
	two := filepath.Join(t.TempDir(), "two")
	copyFile(t, filepath.Join(one, record.FileName), filepath.Join(two, record.FileName))
	if err := os.CopyFS(filepath.Join(two, "photos"), os.DirFS(photos)); err != nil {
		t.Fatal(err)
	}
	must(t, "photos", photos, "--no-frame", "--workers", "1", "--trial", one)
	must(t, "photos", filepath.Join(two, "photos"), "--no-frame", "--workers", "5", "--trial", two)
	if d := differ(contentOf(t, one), contentOf(t, two)); d != "" {
		t.Error(d)
	}
	a, b := measurements(t, one), measurements(t, two)
	if len(a) != n || len(b) != n {
		t.Errorf("%d and %d measurements of %d photos", len(a), len(b), n)
	}
	size := 0
	for hash, x := range a {
		y := b[hash]
		if x.Fingerprint != y.Fingerprint || !bytes.Equal(x.Doc, y.Doc) || !bytes.Equal(x.Curve, y.Curve) || !bytes.Equal(x.Plane, y.Plane) {
			t.Errorf("%s was measured differently the second time", hash)
		}
		size += len(x.Doc) + len(x.Curve) + len(x.Plane)
	}
	figure(t, "same photos measured twice", plural(n, "photo"), "1 and 5 at once: the same record, %d KB of measurements byte for byte", size>>10)
}

// measurements reads the newest measurement of every photo.
func measurements(t *testing.T, dir string) map[string]record.Measurement {
	t.Helper()
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	snap, err := store.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]record.Measurement{}
	for i := range snap.Photos {
		m, err := store.Measurement(t.Context(), snap.Photos[i].MeasurementID)
		if err != nil {
			t.Fatal(err)
		}
		out[m.Hash] = m
	}
	return out
}
