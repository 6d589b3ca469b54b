package intake

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// inTime fails a test that hangs.
func inTime(t *testing.T, limit time.Duration, f func()) {
	t.Helper()
	done := make(chan bool)
	go func() { f(); close(done) }()
	select {
	case <-done:
	case <-time.After(limit):
		t.Fatalf("still at it after %v", limit)
	}
}

// TestPipesSocketsDevices are counted and never opened, under whatever name
// and also as what is named on the command line.
func TestPipesSocketsDevices(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "IMG_1.jpg", jpegWith(1, nil, nil))
	if err := syscall.Mkfifo(filepath.Join(dir, "x.jpg"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(filepath.Join(dir, "no suffix"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(dir, "x.jpg"), filepath.Join(dir, "linked.jpg")); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("unix", filepath.Join(dir, "s.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	inTime(t, 5*time.Second, func() {
		s := walk(t, nil, dir)
		if len(s.Files) != 1 || len(s.Faults) != 0 || s.Ignored[device] != 4 {
			t.Errorf("%+v", s)
		}
	})
	inTime(t, 5*time.Second, func() {
		if s := walk(t, nil, filepath.Join(dir, "x.jpg"), "/dev/zero"); len(s.Files) != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// TestLinkedFolders are followed once: not in circles, not beside the folder
// itself, and a link alone is enough.
func TestLinkedFolders(t *testing.T) {
	phone, dir := t.TempDir(), t.TempDir()
	put(t, phone, "DCIM/IMG_1.jpg", jpegWith(1, nil, nil))
	put(t, dir, "real/IMG_2.jpg", jpegWith(2, nil, nil))
	for name, to := range map[string]string{"a-phone": phone, "circle": dir, "again": filepath.Join(dir, "real"), "broken": filepath.Join(dir, "nowhere"), "real/up": dir, "z-phone": filepath.Join(phone, "DCIM")} {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	inTime(t, 5*time.Second, func() {
		s := walk(t, nil, dir)
		var names []string
		for _, f := range s.Files {
			rel, _ := filepath.Rel(dir, f.Path)
			names = append(names, rel)
		}
		if strings.Join(names, " ") != "a-phone/DCIM/IMG_1.jpg real/IMG_2.jpg" || len(s.Copies) != 0 || s.Skipped[SkipTwice] != 4 || s.Ignored["broken link"] != 1 {
			t.Errorf("%v %+v", names, s)
		}
	})
	link := filepath.Join(t.TempDir(), "link")
	os.Symlink(phone, link)
	if s := walk(t, nil, link); len(s.Files) != 1 {
		t.Errorf("a link named on the command line: %+v", s)
	}
}

// TestNamesThatAreNoText: a file whose name is not UTF-8 is a photo like any
// other, and its path can be written down and found again.
func TestNamesThatAreNoText(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "plot101-2 caf\xe9.jpg", jpegWith(1, nil, nil))
	s := walk(t, nil, dir)
	if len(s.Files) != 1 {
		t.Fatalf("%+v", s)
	}
	if _, err := os.Stat(PathOfText(PathText(s.Files[0].Path))); err != nil {
		t.Error(err)
	}
}

// TestWalkEndsWithItsContext: in the middle of a long file.
func TestWalkEndsWithItsContext(t *testing.T) {
	dir := t.TempDir()
	f, err := os.Create(filepath.Join(dir, "long.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	f.Write(jpegWith(1, nil, nil))
	f.Truncate(64 << 30) // sparse: nothing on the disk, minutes to read
	f.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	inTime(t, 2*time.Second, func() {
		if _, err := Walk(ctx, []string{dir}, nil, nil); err == nil {
			t.Error("no error")
		}
	})
}
