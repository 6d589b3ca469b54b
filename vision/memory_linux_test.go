package vision

import (
	"bufio"
	"fmt"
	"os"
	"runtime/debug"
	"strings"
	"testing"
)

// TestMemoryReport: memory does not grow with the photos that were measured.
// The figure includes what this test itself holds: two photos, and libraries
// of OpenCV that the program does not link.
func TestMemoryReport(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") != "1" {
		t.Skip("set QUADTALLY_HEAVY=1 to measure 2000 photos of 12 megapixels")
	}
	const photos, warm = 2000, 200
	var kinds [2][]byte
	var opts [2]Options
	for i := range kinds {
		kinds[i], opts[i] = framedPhoto(t, uint64(i+1), i == 1)
	}
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(100 << 20)) // as the workers have it
	debug.FreeOSMemory()
	var ws Workspace
	early, late := 0.0, 0.0
	for i := range photos {
		m, err := ws.Measure(kinds[i%2], opts[i%2])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := AtThreshold(m, Threshold{Index: m.Index, Value: 0.12}, opts[i%2]); err != nil {
			t.Fatal(err)
		}
		switch rss := resident(t); {
		case i < warm:
			early = max(early, rss)
		case i >= photos-warm:
			late = max(late, rss)
		}
	}
	t.Logf("Memory over %d photos of 12 megapixels: %.0f MB among the first %d, %.0f MB among the last", photos, early, warm, late)
	if late > 1.05*early {
		t.Errorf("memory grew from %.0f to %.0f MB", early, late)
	}
}

// resident is the process's memory in MB, as the system counts it.
func resident(t *testing.T) float64 {
	f, err := os.Open("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var kb float64
		if rest, ok := strings.CutPrefix(lines.Text(), "VmRSS:"); ok {
			if _, err := fmt.Sscan(rest, &kb); err != nil {
				t.Fatal(err)
			}
			return kb / 1024
		}
	}
	t.Fatal("the system does not say how much memory is used")
	return 0
}
