package main

import (
	"archive/zip"
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"image/png"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"quadtally/cmd/quadtally/internal/measured"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/workers"
)

// memoryLimit is what a worker, or reading a sheet, may take at most.
const memoryLimit = 500 << 20

// processes reads from /proc what each process started by parent holds in
// memory and how many files it has open.
func processes(parent int) map[int]procFigures {
	out := map[int]procFigures{}
	list, _ := filepath.Glob("/proc/[0-9]*/status")
	for _, path := range list {
		b, err := os.ReadFile(path)
		if err != nil {
			continue // it ended meanwhile
		}
		field := func(name string) int {
			_, rest, _ := strings.Cut(string(b), "\n"+name+":")
			n := 0
			fmt.Sscan(rest, &n)
			return n
		}
		pid := field("Pid")
		if pid == parent || field("PPid") == parent {
			fds, _ := os.ReadDir(filepath.Join(filepath.Dir(path), "fd"))
			out[pid] = procFigures{computing: computingOf(pid), rss: int64(field("VmRSS")) << 10, peak: int64(field("VmHWM")) << 10, files: len(fds)}
		}
	}
	return out
}

type procFigures struct {
	rss, peak int64 // bytes
	files     int
	computing time.Duration
}

// computingOf is the processor time a process has used so far: fields 14 and
// 15 of its stat, in hundredths of a second (proc(5)).
func computingOf(pid int) time.Duration {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := bytes.Cut(b, []byte(") ")) // the name before it may hold anything
	f := strings.Fields(string(rest))
	if len(f) < 13 {
		return 0
	}
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

// watchChildren follows the largest child of this process until stop is
// called, which returns its peak of memory in bytes.
func watchChildren() (stop func() int64) {
	var most atomic.Int64
	done := make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		self := os.Getpid()
		for {
			for pid, p := range processes(self) {
				if pid != self && p.peak > most.Load() {
					most.Store(p.peak)
				}
			}
			select {
			case <-done:
				return
			case <-time.After(30 * time.Millisecond):
			}
		}
	}()
	return func() int64 { close(done); <-ended; return most.Load() }
}

// pngChunk makes one chunk of a PNG with its checksum (ISO/IEC 15948).
func pngChunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// pngOf is a PNG of one colour: w by h, as small as deflate makes it.
func pngOf(w, h uint32, depth, colour byte, rowBytes int, rows int) []byte {
	var z bytes.Buffer
	zw := zlib.NewWriter(&z)
	row := make([]byte, 1+rowBytes)
	for range rows {
		zw.Write(row)
	}
	zw.Close()
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	out := append([]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", append(head, depth, colour, 0, 0, 0))...)
	return append(append(out, pngChunk("IDAT", z.Bytes())...), pngChunk("IEND", nil)...)
}

// hostileHeaders are camera headers that point at themselves, past the end, or
// to more than there is.
func hostileHeaders(rng *rand.Rand, n int) [][]byte {
	var out [][]byte
	tags := []phototest.Tag{{ID: 0x9003, ASCII: "2026:06:14 09:00:00"}, {ID: 0x010f, ASCII: strings.Repeat("A", 40000)}, {ID: 0x9286, Rats: [][2]uint32{{1, 0}, {0, 0}}}}
	whole := phototest.Header(tags, []phototest.Tag{{ID: 2, Rats: [][2]uint32{{1, 0}, {0xffffffff, 1}, {3, 0}}}})
	for _, text := range []string{"0000:00:00 00:00:00", "9999:99:99 99:99:99", "2026:06:14", "=1+1", "<script>", strings.Repeat("9", 60000)} {
		out = append(out, phototest.Header(phototest.Taken(text), nil))
	}
	const tiff = 10 // marker, length, "Exif\0\0"
	for k := range n {
		h := bytes.Clone(whole)
		at := tiff + 8 + rng.IntN(60)
		switch k % 3 {
		case 0:
			binary.LittleEndian.PutUint32(h[at:], 8) // back to the first directory
		case 1:
			binary.LittleEndian.PutUint32(h[at:], rng.Uint32())
		default:
			for range 1 + rng.IntN(8) {
				h[tiff+rng.IntN(len(h)-tiff)] ^= 1 << rng.IntN(8)
			}
		}
		out = append(out, h)
	}
	return out
}

// TestTortureDamagedPhotos measures thousands of damaged and hostile photos in
// worker processes.
func TestTortureDamagedPhotos(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	ground := phototest.Ground(5, 640, 480)
	var pngFile bytes.Buffer
	if err := png.Encode(&pngFile, phototest.Ground(6, 160, 120)); err != nil {
		t.Fatal(err)
	}
	sound := map[string][]byte{
		"jpg": phototest.JPEG(ground, phototest.Taken("2026:06:14 09:00:00"), nil), "png": pngFile.Bytes(),
		"webp": mustRead(t, "../../testdata/damaged/ground.webp"), "heic": mustRead(t, "../../testdata/damaged/ground.heic"),
	}
	dir := t.TempDir()
	made := map[string]int{}
	put := func(format, kind string, b []byte) {
		name := fmt.Sprintf("%s-%s-%04d.%s", format, kind, made[format+kind], format)
		made[format+kind]++
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("jpg", "sound", sound["jpg"])
	for _, format := range slices.Sorted(maps.Keys(sound)) { // the same files each time
		whole := sound[format]
		if format != "jpg" {
			put(format, "sound", whole)
		}
		// Cut off at every kilobyte, and finer where the file is small.
		step := max(1, min(1024, len(whole)/full(12, 100)))
		end := len(whole) - 1
		if format == "webp" {
			end-- // the last byte may be padding
		}
		for n := step; n <= end; n += step {
			put(format, "cut", whole[:n])
		}
		put(format, "cut", whole[:end])
		for range full(25, 350) {
			b := bytes.Clone(whole)
			for range 1 + rng.IntN(3) {
				b[12+rng.IntN(len(b)-12)] ^= 1 << rng.IntN(8)
			}
			put(format, "flip", b)
		}
	}
	// Forged sizes.
	sof := bytes.Index(sound["jpg"], []byte{0xff, 0xc0})
	vp8 := bytes.Index(sound["webp"], []byte{0x9d, 0x01, 0x2a})
	ispe := bytes.Index(sound["heic"], []byte("ispe"))
	for _, size := range [][2]uint16{{0, 0}, {1, 1}, {1, 60000}, {65535, 65535}, {30000, 30000}, {16383, 16383}, {479, 641}, {960, 1280}} {
		b := bytes.Clone(sound["jpg"])
		binary.BigEndian.PutUint16(b[sof+5:], size[0])
		binary.BigEndian.PutUint16(b[sof+7:], size[1])
		put("jpg", "size", b)
		b = bytes.Clone(sound["webp"])
		binary.LittleEndian.PutUint16(b[vp8+3:], size[0]&0x3fff)
		binary.LittleEndian.PutUint16(b[vp8+5:], size[1]&0x3fff)
		put("webp", "size", b)
		b = bytes.Clone(sound["heic"])
		binary.BigEndian.PutUint32(b[ispe+8:], uint32(size[0])*uint32(1+rng.IntN(3)))
		binary.BigEndian.PutUint32(b[ispe+12:], uint32(size[1]))
		put("heic", "size", b)
		put("png", "size", pngOf(uint32(size[0])*3, uint32(size[1])*3, 8, 2, 300, 100))
	}
	// Bombs: small files that say they unfold to gigabytes, and do.
	put("png", "bomb", pngOf(30000, 30000, 1, 0, 3750, 30000))
	put("png", "bomb", pngOf(12000, 12000, 8, 2, 36000, full(2000, 12000)))
	put("png", "bomb", pngOf(64, 64, 8, 2, 192, full(100_000, 2_000_000)))
	for _, h := range hostileHeaders(rng, full(20, 300)) {
		put("jpg", "exif", append(append(bytes.Clone(sound["jpg"][:2]), h...), sound["jpg"][2:]...))
	}
	all := 0
	for _, n := range made {
		all += n
	}

	peak := watchChildren()
	began := time.Now()
	r := say(t, "measure", "--no-frame", "--threshold", "0.165", "--json", "--limit", "20s", dir)
	took, most := time.Since(began), peak()
	if r.code != exitPartly {
		t.Fatalf("exit %d\n%.2000s", r.code, r.err)
	}
	answers := map[string]measured.Line{}
	for dec := json.NewDecoder(strings.NewReader(r.out)); ; {
		var m measured.Line
		if err := dec.Decode(&m); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		answers[filepath.Base(m.File)] = m
	}
	copies := strings.Count(r.err, "has the same content as")
	if len(answers)+copies != all {
		t.Errorf("%d answers and %d copies for %d files", len(answers), copies, all)
	}
	measuredOf, off, crashed, slow := map[string]int{}, map[string]int{}, 0, 0
	for name, m := range answers {
		p := strings.SplitN(name, "-", 3)
		format, kind := p[0], p[1]
		if m.Error != nil {
			if *m.Error == workers.ErrCrashed.Error() {
				crashed++
				t.Logf("%s stopped its worker", name)
			}
			if *m.Error == workers.ErrTooLong.Error() {
				slow++
				t.Logf("%s took too long", name)
			}
			continue
		}
		measuredOf[format+" "+kind]++
		if m.CoverPct == nil || math.IsNaN(*m.CoverPct) || *m.CoverPct < 0 || *m.CoverPct > 100 {
			t.Errorf("%s: no error and no number", name)
			continue
		}
		if kind == "cut" {
			t.Errorf("%s was cut off and gave %.1f %%", name, *m.CoverPct)
		}
		if kind == "bomb" {
			t.Errorf("%s was measured", name)
		}
		want := answers[format+"-sound-0000."+format]
		if want.CoverPct == nil {
			t.Fatalf("the sound %s was not measured: %v", format, *want.Error)
		}
		d := math.Abs(*m.CoverPct - *want.CoverPct)
		if d > 1 && len(m.Notes)+len(m.Flags) == len(want.Notes)+len(want.Flags) {
			off[format+" "+kind]++
			if format == "png" || kind == "exif" {
				t.Errorf("%s: %.2f %% instead of %.2f %%, and nothing is said", name, *m.CoverPct, *want.CoverPct)
			}
		}
	}
	if crashed+slow > 0 {
		t.Logf("%d photos stopped their worker, %d took too long; each cost only itself", crashed, slow)
	}
	if most > memoryLimit {
		t.Errorf("a worker took %d MB", most>>20)
	}
	figure(t, "damaged and hostile photos", plural(all, "file"), "0 crashes of the batch, %d stopped their worker, %d took longer than 20 s, largest worker %d MB, %.0f s", crashed, slow, most>>20, took.Seconds())
	figure(t, "  still measured", "", "%v", measuredOf)
	figure(t, "  off by over 1 point, nothing said", "", "%v (flipped in the coded pixels before the first reading, which the format does not guard)", off)
}

// sheets damaged and hostile.
func hostileSheets(t testing.TB, rng *rand.Rand, n int) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	csvText := "plot,quadrat,date,broadleaf,grass,cover_%\n"
	table := tables.Table{Name: "counts", Header: []string{"plot", "quadrat", "date", "broadleaf", "grass", "cover_%"}}
	for i := range 24 {
		csvText += fmt.Sprintf("%d,%d,2026-05-25,%d,%d,%d.5\n", 101+i%3, i%4+1, i, 2*i, i)
		table.Add(strconv.Itoa(101+i%3), i%4+1, "2026-05-25", i, 2*i, float64(i)+0.5)
	}
	var book bytes.Buffer
	if err := tables.WriteXLSX(&book, []tables.Table{table}); err != nil {
		t.Fatal(err)
	}
	members := func(change func(name string, b []byte) []byte) []byte {
		r, err := zip.NewReader(bytes.NewReader(book.Bytes()), int64(book.Len()))
		if err != nil {
			t.Fatal(err)
		}
		var z bytes.Buffer
		w := zip.NewWriter(&z)
		for _, f := range r.File {
			h, err := f.Open()
			if err != nil {
				t.Fatal(err)
			}
			b, err := io.ReadAll(h)
			h.Close()
			if err != nil {
				t.Fatal(err)
			}
			m, err := w.Create(f.Name)
			if err != nil {
				t.Fatal(err)
			}
			m.Write(change(f.Name, b))
		}
		w.Close()
		return z.Bytes()
	}
	inSheet := func(edit func(string) string) []byte {
		return members(func(name string, b []byte) []byte {
			if strings.Contains(name, "worksheets/") {
				return []byte(edit(string(b)))
			}
			return b
		})
	}
	huge := strings.Repeat(" ", full(16, 400)<<20)
	out["bomb of blanks.xlsx"] = inSheet(func(s string) string { return strings.Replace(s, "<sheetData>", huge+"<sheetData>", 1) })
	out["bomb of rows.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(s, "<sheetData>", "<sheetData>"+strings.Repeat(`<row r="1"><c r="A1"><v>1</v></c></row>`, full(200_000, 3_000_000)), 1)
	})
	out["bomb of texts.xlsx"] = members(func(name string, b []byte) []byte {
		if strings.Contains(name, "sharedStrings") {
			return []byte(`<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">` + strings.Repeat("<si><t>aaaaaaaaaaaaaaaa</t></si>", full(200_000, 3_000_000)) + "</sst>")
		}
		return b
	})
	var laughs strings.Builder
	laughs.WriteString(`<!DOCTYPE x [<!ENTITY a0 "ha">`)
	for i := 1; i < 12; i++ {
		fmt.Fprintf(&laughs, `<!ENTITY a%d "%s">`, i, strings.Repeat(fmt.Sprintf("&a%d;", i-1), 10))
	}
	laughs.WriteString("]>")
	out["entities.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(laughs.String()+strings.TrimPrefix(s, `<?xml version="1.0" encoding="UTF-8"?>`), "<v>1</v>", "<v>&a11;</v>", 1)
	})
	out["outside file.xlsx"] = inSheet(func(s string) string {
		return `<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]>` + strings.Replace(s, "<v>1</v>", "<v>&f;</v>", 1)
	})
	out["far row.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(s, "<sheetData>", fmt.Sprintf(`<sheetData><row r="%[1]d"><c r="B%[1]d"><v>1</v></c></row>`, full(50_000, 1_048_576)), 1)
	})
	out["far column.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(s, "<sheetData>", `<sheetData><row r="1"><c r="XFD1"><v>1</v></c></row>`, 1)
	})
	out["impossible cell.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(s, "<sheetData>", `<sheetData><row r="99999999999"><c r="ZZZZZZ99999999999"><v>1</v></c></row>`, 1)
	})
	out["many merges.xlsx"] = inSheet(func(s string) string {
		return strings.Replace(s, "</sheetData>", "</sheetData><mergeCells>"+strings.Repeat(`<mergeCell ref="A1:J9000"/>`, full(1000, 10_000))+"</mergeCells>", 1)
	})
	out["deep.xlsx"] = inSheet(func(s string) string { return strings.Repeat("<a>", full(100_000, 1_000_000)) + s })
	out["million columns.csv"] = []byte("plot" + strings.Repeat(",x", 1_000_000) + "\n101" + strings.Repeat(",1", 1_000_000) + "\n")
	out["one cell.csv"] = []byte("plot,quadrat,visit,grass\n101,1,1,\"" + strings.Repeat("9", 8<<20) + "\"\n")
	out["open quote.csv"] = []byte("plot,quadrat,visit,grass\n101,1,1,\"" + strings.Repeat("\n", 4<<20))
	out["formulas.csv"] = []byte("plot,quadrat,visit,grass\n=1+1,@x,+1,=cmd|'/c calc'!A1\n101,1,1,=SUM(A1)\n")
	out["numbers.csv"] = []byte("plot,quadrat,visit,grass\n101,1,1,1e999\n101,2,1,NaN\n101,3,1,Inf\n101,4,1,-5\n101,99999999999999999999,1,5\n")
	out["nulls.csv"] = bytes.Repeat([]byte{0}, 1<<20)
	for i := len(out); i < n; i++ {
		base, ext := []byte(csvText), ".csv"
		if i%2 == 0 {
			base, ext = book.Bytes(), ".xlsx"
		}
		b := bytes.Clone(base)
		switch i % 5 {
		case 0:
			b = b[:rng.IntN(len(b))]
		case 1, 2:
			for range 1 + rng.IntN(10) {
				b[rng.IntN(len(b))] ^= 1 << rng.IntN(8)
			}
		case 3:
			at := rng.IntN(len(b))
			b = append(append(bytes.Clone(b[:at]), bytes.Repeat([]byte{b[at]}, rng.IntN(5000))...), b[at:]...)
		default:
			if ext == ".xlsx" { // damage inside the XML, behind a sound zip
				b = inSheet(func(s string) string {
					x := []byte(s)
					for range 1 + rng.IntN(10) {
						x[rng.IntN(len(x))] = byte(32 + rng.IntN(95))
					}
					return string(x)
				})
			} else {
				at := rng.IntN(len(b))
				b = append(append(bytes.Clone(b[:at]), "\",;\t\n\x00\xff\xfe"[rng.IntN(8)]), b[at:]...)
			}
		}
		out[fmt.Sprintf("mutated %d%s", i, ext)] = b
	}
	return out
}

// TestTortureSheets reads hundreds of damaged and hostile sheets as each of
// the three kinds.
func TestTortureSheets(t *testing.T) {
	dir, _ := smallTrial(t, 0)
	snap := snapshotOf(t, dir)
	rng := rand.New(rand.NewPCG(5, 5))
	list := hostileSheets(t, rng, full(70, 500))
	runtime.GC()
	var base, m runtime.MemStats
	runtime.ReadMemStats(&base)
	var peak, longest = uint64(0), time.Duration(0)
	refused, read, values := 0, 0, 0
	for name, data := range list {
		began := time.Now()
		done := make(chan struct{})
		go func() {
			defer close(done)
			defer func() {
				if x := recover(); x != nil {
					t.Errorf("%s: panic: %v", name, x)
				}
			}()
			s, err := tables.Read(name, data)
			if err != nil {
				refused++
				if strings.ContainsAny(err.Error(), "\n") || err.Error() == "" {
					t.Errorf("%s: not one sentence: %q", name, err)
				}
				return
			}
			read++
			opt := sheets.Options{Decimal: tables.Point, Dates: tables.DayFirst, WeightUnit: "kg", LengthUnit: "m", LengthMM: 3000, Visit: 1}
			for _, kind := range []sheets.Kind{sheets.KindCounts, sheets.KindYields, sheets.KindField} {
				im, err := sheets.Read(kind, &snap.Trial, snap.Plots, s, opt)
				if err != nil {
					continue
				}
				values += len(im.Observations)
				for _, o := range im.Observations {
					if _, ok := snap.Plot(o.Plot); !ok || math.IsNaN(o.Value) || math.IsInf(o.Value, 0) || (!o.Missing && o.Value < 0) {
						t.Errorf("%s: stored %+v", name, o)
					}
				}
			}
		}()
		tick := time.NewTicker(50 * time.Millisecond)
	wait:
		for {
			select {
			case <-done:
				break wait
			case <-tick.C:
				runtime.ReadMemStats(&m)
				peak = max(peak, m.HeapAlloc-min(m.HeapAlloc, base.HeapAlloc))
				if time.Since(began) > 2*time.Minute {
					t.Fatalf("%s hangs", name)
				}
			}
		}
		tick.Stop()
		if d := time.Since(began); d > longest {
			longest = d
			if d > 5*time.Second {
				t.Logf("%s took %.1f s", name, d.Seconds())
			}
		}
	}
	if peak > memoryLimit {
		t.Errorf("%d MB were taken", peak>>20)
	}
	figure(t, "damaged and hostile sheets", plural(len(list), "file"), "%d refused, %d read (%d values), 0 crashes, at most %d MB and %.1f s for one", refused, read, values, peak>>20, longest.Seconds())
}
