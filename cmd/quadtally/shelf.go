package main

import (
	"fmt"
	"os"

	"quadtally/vision"
)

// shelf keeps the planes of measured photos in a temporary file until the
// threshold of their visit is known, so that memory does not grow with the
// number of photos.
type shelf struct {
	file *os.File
	end  int64
	lies map[int][2]int64 // photo: where its plane begins and how long it is
}

func newShelf() (*shelf, error) {
	f, err := os.CreateTemp("", "quadtally-*")
	if err != nil {
		return nil, fmt.Errorf("a temporary file cannot be made: %w", err)
	}
	return &shelf{file: f, lies: map[int][2]int64{}}, nil
}

func (s *shelf) close() {
	s.file.Close()
	os.Remove(s.file.Name())
}

// put takes the plane out of a photo's measurement.
func (s *shelf) put(photo int, m *vision.Measurement) error {
	if m == nil || m.Plane == nil {
		return nil
	}
	b, err := m.Plane.MarshalBinary()
	if err != nil {
		return err
	}
	if _, err := s.file.WriteAt(b, s.end); err != nil {
		return fmt.Errorf("no room for temporary files in %s: free some space, or name another place in TMPDIR (%w)", os.TempDir(), err)
	}
	s.lies[photo] = [2]int64{s.end, int64(len(b))}
	s.end += int64(len(b))
	m.Plane = nil
	return nil
}

// whole gives a photo's measurement with its plane.
func (s *shelf) whole(photo int, m vision.Measurement) (vision.Measurement, error) {
	at, ok := s.lies[photo]
	if !ok {
		return m, nil
	}
	b := make([]byte, at[1])
	if _, err := s.file.ReadAt(b, at[0]); err != nil {
		return m, fmt.Errorf("a temporary file cannot be read back: %w", err)
	}
	m.Plane = new(vision.Plane)
	return m, m.Plane.UnmarshalBinary(b)
}
