package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/review"
)

// spoil writes a photo again with its pixels changed and everything else that
// the camera wrote kept.
func spoil(t *testing.T, path string, change func(image.Image) image.Image) {
	t.Helper()
	content := mustRead(t, path)
	img, err := jpeg.Decode(bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, change(img), &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	out := slices.Clone(b.Bytes()[:2])
	for at := 2; content[at] == 0xff && content[at+1]&0xf0 == 0xe0; { // the APPn segments
		n := 2 + int(content[at+2])<<8 + int(content[at+3])
		out = append(out, content[at:at+n]...)
		at += n
	}
	if err := os.WriteFile(path, append(out, b.Bytes()[2:]...), 0o644); err != nil {
		t.Fatal(err)
	}
}

// blurred is what a photo out of focus looks like: neither card nor leaf can be
// made out.
func blurred(img image.Image) image.Image {
	const r = 14
	b := img.Bounds()
	out := image.NewRGBA(b)
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			var s [3]uint32
			n := uint32(0)
			for dy := -r; dy <= r; dy += 4 {
				for dx := -r; dx <= r; dx += 4 {
					p := image.Pt(x+dx, y+dy)
					if p.In(b) {
						cr, cg, cb, _ := img.At(p.X, p.Y).RGBA()
						s[0], s[1], s[2], n = s[0]+cr>>8, s[1]+cg>>8, s[2]+cb>>8, n+1
					}
				}
			}
			out.SetRGBA(x, y, color.RGBA{uint8(s[0] / n), uint8(s[1] / n), uint8(s[2] / n), 255})
		}
	}
	return out
}

// overexposed is what a photo of three and a half times the light looks like.
func overexposed(img image.Image) image.Image {
	b := img.Bounds()
	out := image.NewRGBA(b)
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			cr, cg, cb, _ := img.At(x, y).RGBA()
			up := func(v uint32) uint8 { return uint8(math.Min(255, 3.5*float64(v>>8))) }
			out.SetRGBA(x, y, color.RGBA{up(cr), up(cg), up(cb), 255})
		}
	}
	return out
}

// doubtful spoils some photos of a season and lists the photos in the order of
// their names.
func doubtful(t *testing.T, dir string, changes ...func(image.Image) image.Image) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "photos", "*.jpg"))
	if err != nil || len(list) <= 2*len(changes)+1 {
		t.Fatal(list, err)
	}
	for i, change := range changes {
		spoil(t, list[2*i+1], change)
	}
	return list
}

// cutCopy lays a copy of a photo that was cut short beside it.
func cutCopy(t *testing.T, path string) {
	t.Helper()
	content := mustRead(t, path)
	if err := os.WriteFile(strings.TrimSuffix(path, ".jpg")+"_1.jpg", content[:len(content)/2], 0o644); err != nil {
		t.Fatal(err)
	}
}

// queued lists the photos that need a person, the most urgent first.
func queued(t *testing.T, d openedPage) []string {
	t.Helper()
	s, err := d.Season(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, want := range []review.Attention{review.NeedsAnswer, review.Unreadable, review.WorthAGlance} {
		for _, shot := range s.Shots {
			if shot.Attention() == want {
				out = append(out, shot.Hash)
			}
		}
	}
	return out
}

const answerable = `document.documentElement.dataset.answerable`

// point finds the middle of an element that is there to be pressed: in the
// window, not covered, and on a phone large enough for a thumb.
func (b *browser) point(selector string) (x, y float64) {
	b.t.Helper()
	find := fmt.Sprintf(`(() => { const e = document.querySelector(%q); if (!e || !%s) return null; let r = e.getBoundingClientRect(); if (r.top < 0 || r.bottom > innerHeight) { e.scrollIntoView({block: "center"}); r = e.getBoundingClientRect(); }
		const x = r.left + r.width / 2, y = r.top + r.height / 2, hit = document.elementFromPoint(x, y); return [x, y, r.width, r.height, hit && (e.contains(hit) || hit.contains(e) && hit.tagName === "LABEL") ? 1 : 0]; })()`, selector, answerable)
	b.until(find)
	p := value[[]float64](b, find)
	if len(p) != 5 || p[4] == 0 {
		b.t.Fatalf("%s is covered or outside the window: %v", selector, p)
	}
	if value[int](b, "innerWidth") < 500 && (p[2] < 44 || p[3] < 44) {
		b.t.Errorf("%s is too small for a thumb: %.0f by %.0f", selector, p[2], p[3])
	}
	return p[0], p[1]
}

// click and tap press an element, and count it.
func (b *browser) click(selector string) {
	b.t.Helper()
	x, y := b.point(selector)
	b.presses++
	b.do(chromedp.MouseClickXY(x, y))
}

func (b *browser) tap(selector string) {
	b.t.Helper()
	x, y := b.point(selector)
	b.presses++
	b.do(chromedp.TapXY(x, y))
}

func (b *browser) key(k string) {
	b.t.Helper()
	b.presses++
	b.do(chromedp.KeyEvent(k))
}

// walkQueue goes through the queue to its end with the first answer there is,
// and returns the photos in the order they came.
func (b *browser) walkQueue(address string, answer func(first bool)) []string {
	b.t.Helper()
	const where = `location.pathname`
	b.do(chromedp.Navigate(address))
	var seen []string
	for range 100 {
		b.until(answerable)
		if value[string](b, `document.querySelector("h1").textContent`) == "Done" {
			return seen
		}
		at := value[string](b, where)
		seen = append(seen, strings.TrimPrefix(at, "/photo/"))
		if line := value[string](b, `document.querySelector(".queue").textContent`); !strings.Contains(line, " to answer") || !strings.Contains(line, " of ") {
			b.t.Errorf("the line over the queue says %q", line)
		}
		answer(value[bool](b, `!!document.querySelector("#answers [data-key=k]")`))
		b.until(where + " !== " + fmt.Sprintf("%q", at))
		b.until(answerable + ` && (document.querySelector("h1").textContent === "Done" || document.querySelector(".said"))`)
		if !value[bool](b, `document.querySelector("h1").textContent === "Done" || !!document.querySelector(".said form[action^='/undo/']")`) {
			b.t.Error("what was answered cannot be taken back where it is said")
		}
	}
	b.t.Fatal("the queue has no end")
	return nil
}

func (b *browser) byKeys(first bool) {
	b.t.Helper()
	if first {
		b.key("k")
		return
	}
	b.key("s")
	b.until(`document.getElementById("aside").open`)
	b.key("1")
}

func (b *browser) byTouch(first bool) {
	b.t.Helper()
	if w := value[int](b, `document.documentElement.scrollWidth`); w > 390 {
		b.t.Errorf("the page is %d pixels wide on a phone of 390", w)
	}
	if first {
		b.tap("#answers button.main")
		return
	}
	b.tap("#aside summary")
	b.tap("#aside button")
}

// takeAllBack undoes whatever was done on the page.
func takeAllBack(t *testing.T, d openedPage) {
	t.Helper()
	steps, err := d.Log(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range steps {
		if s.Live {
			if _, err := d.Undo(t.Context(), s.Entry); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestQueueInBrowser walks the queue to its end by keys and by touch, and
// counts what each action costs.
func TestQueueInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photos and runs a browser")
	}
	b := openBrowser(t)
	dir := newSeason(t, 2, 2)
	list := doubtful(t, dir, blurred)
	cutCopy(t, list[2])
	takeIn(t, dir)
	d := openPage(t, dir, false)
	want := queued(t, d)
	if len(want) < 2 {
		t.Fatalf("%d photos are in doubt", len(want))
	}

	s := serve(t, dir)
	// The list is what is gone through.
	b.do(chromedp.Navigate(s.address + "photos?visit=all&show=queue"))
	b.until(answerable)
	shown := value[[]string](b, `[...document.querySelectorAll(".roll li a[title]")].map((a) => a.pathname.slice(7))`)
	slices.Sort(shown)
	if !reflect.DeepEqual(shown, slices.Sorted(slices.Values(want))) {
		t.Errorf("the list shows %d photos, %d are in doubt", len(shown), len(want))
	}
	b.presses = 0
	if got := b.walkQueue(s.address, b.byKeys); !reflect.DeepEqual(got, want) {
		t.Errorf("by keys %v, in doubt are %v", got, want)
	}
	t.Logf("by keys: %d photos, %d keys", len(want), b.presses)
	b.do(chromedp.Reload())
	b.until(answerable)
	if h := value[string](b, `document.querySelector("h1").textContent`); h != "Done" {
		t.Errorf("at the end: %q", h)
	}

	s.kill(t)
	takeAllBack(t, d)
	if again := queued(t, openPage(t, dir, false)); !reflect.DeepEqual(again, want) {
		t.Fatalf("taken back, in doubt are %v, want %v", again, want)
	}
	s = serve(t, dir)
	b.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch))
	b.presses = 0
	if got := b.walkQueue(s.address, b.byTouch); !reflect.DeepEqual(got, want) {
		t.Errorf("by touch %v, in doubt are %v", got, want)
	}
	t.Logf("by touch: %d photos, %d taps", len(want), b.presses)
	b.do(chromedp.EmulateViewport(320, 640, chromedp.EmulateMobile, chromedp.EmulateTouch))
	b.do(chromedp.Navigate(s.address + "photo/" + want[0]))
	b.until(answerable)
	for _, path := range []string{"", "/frame", "/count"} {
		b.do(chromedp.Navigate(s.address + "photo/" + want[0] + path))
		b.until(answerable)
		if w := value[int](b, `document.documentElement.scrollWidth`); w > 320 {
			t.Errorf("%q is %d pixels wide on a phone of 320", path, w)
		}
	}

	// With a slow disk: nothing is answered before the photo is there.
	s.kill(t)
	takeAllBack(t, d)
	s = serve(t, dir)
	b.do(chromedp.EmulateViewport(1440, 900))
	slow := behindSlowDisk(t, s.address)
	value[int](b, fmt.Sprintf("setTimeout(() => { location.href = %q; }, 0)", slow)) // without waiting for the pictures
	b.until(`location.pathname.startsWith("/photo/") && document.documentElement.dataset.answerable === "" && document.getElementById("tooearly")`)
	at := value[string](b, "location.pathname")
	b.key("k")
	b.until(`!document.getElementById("tooearly").hidden`)
	if r := value[[]float64](b, `(() => { const r = document.getElementById("board").getBoundingClientRect(); return [r.width, r.height]; })()`); r[0] < 200 || r[1] < 200 {
		t.Errorf("no room is kept for the photo: %v", r)
	}
	b.until(answerable)
	if now := value[string](b, "location.pathname"); now != at {
		t.Error("a photo that could not be seen yet was answered about")
	}
	if got := b.walkQueue(slow, b.byKeys); !reflect.DeepEqual(got, want) {
		t.Errorf("with a slow disk %v, in doubt are %v", got, want)
	}

	s.kill(t)
	takeAllBack(t, d)
	s = serve(t, dir)
	b.countPresses(s, d, want)
}

// behindSlowDisk is the page at another address, where every picture takes
// five seconds.
func behindSlowDisk(t *testing.T, address string) string {
	t.Helper()
	to, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	proxy := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(to) }}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/picture/") {
			time.Sleep(5 * time.Second)
		}
		proxy.ServeHTTP(w, r)
	}))
	t.Cleanup(srv.Close)
	return srv.URL + "/"
}

// countPresses does each thing once and holds what it costs against its goal.
func (b *browser) countPresses(s *served, d openedPage, doubtful []string) {
	b.t.Helper()
	t := b.t
	open := func(hash string) {
		b.do(chromedp.Navigate(s.address + "photo/" + hash))
		b.until(answerable + ` && document.querySelector("#board[data-ready=yes]") && document.getElementById("picture").complete`)
		b.presses = 0
	}
	cost := func(what string, goal int) {
		t.Logf("%s: %d clicks", what, b.presses)
		if b.presses > goal {
			t.Errorf("%s takes %d clicks, at most %d are meant", what, b.presses, goal)
		}
	}
	said := func(text string) {
		b.until(answerable + fmt.Sprintf(` && (document.querySelector(".said") || {textContent: ""}).textContent.includes(%q)`, text))
	}
	season, err := d.Season(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var sound []string
	for _, shot := range season.Shots {
		if shot.State == review.InUse {
			sound = append(sound, shot.Hash)
		}
		if shot.State == review.Waiting {
			p, err := d.Photo(t.Context(), shot.Hash)
			if err != nil {
				t.Fatal(err)
			}
			if p.Proposed && p.Measured {
				open(shot.Hash)
				b.click("#answers button.main")
				said("accepted as plot")
				cost("confirm a place", 1)
			}
		}
	}
	if len(sound) < 3 {
		t.Fatalf("%d photos are in use", len(sound))
	}
	open(sound[0])
	b.click("#answers button.main")
	said("accepted")
	cost("keep", 1)

	open(sound[0])
	b.click("#aside summary")
	b.click("#aside button")
	said("set aside")
	cost("set aside", 2)

	open(sound[1])
	p, _ := stood(t, d).Photo(sound[1])
	spot, _ := largestPiece(t, d, p)
	b.point("input[name=class][value=weed]") // brings it into the window
	b.click("input[name=class][value=weed]")
	x, y := b.at("#board", spot[0], spot[1])
	b.presses++
	b.do(chromedp.MouseClickXY(x, y))
	b.until(`document.getElementById("atsaid").textContent.includes("a plant named weed") && !document.getElementById("unname").hidden`)
	cost("name a plant", 2)
	b.click("#unname")
	b.until(`document.getElementById("atsaid").textContent.includes("took back")`)

	open(sound[1])
	b.click("#answers a[data-key=f]")
	b.until(answerable + ` && document.querySelector("#corners[data-known=yes] img").complete`)
	x, y = b.at(`.corner[data-corner="1"]`, 1.2, 1.2)
	b.presses++
	b.do(chromedp.MouseClickXY(x, y))
	b.until(`document.getElementById("framesaid").textContent.includes("corners of the frame set")`)
	cost("a corner", 2)
	b.click("#unframe")
	b.until(answerable + ` && !document.getElementById("framesaid").textContent`)

	open(sound[2])
	b.click("input[name=tool][value=brush]")
	x, y = b.at("#board", 0.1, 0.9)
	b.presses++
	b.do(chromedp.DragAndDropXY(x, y, x+120, y-20, 8))
	b.click("#outform button:not([type])")
	said("left out of the ground: 1 region")
	cost("a boot left out", 3)

	// A held key and a double click act once.
	takeAllBack(t, d)
	s.kill(t)
	*s = *serve(t, dirOf(d))
	count := func() int {
		steps, err := d.Log(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return len(steps)
	}
	b.do(chromedp.Navigate(s.address + "photo/" + sound[0]))
	b.until(answerable)
	before := count()
	if ok := value[bool](b, `(() => { for (let i = 0; i < 5; i++) document.body.dispatchEvent(new KeyboardEvent("keydown", {key: "k", repeat: i > 0, bubbles: true})); return true; })()`); !ok {
		t.Fatal("no key was sent")
	}
	said("accepted")
	b.do(chromedp.Navigate(s.address + "photo/" + sound[1]))
	x, y = b.point("#answers button.main")
	b.do(chromedp.MouseClickXY(x, y), chromedp.MouseClickXY(x, y))
	said("accepted")
	time.Sleep(snapshotAge)
	if n := count() - before; n != 2 {
		t.Errorf("a held key and a double click stored %d answers, want 2", n)
	}
}

// snapshotAge is longer than the page remembers what the record said.
const snapshotAge = 2500 * time.Millisecond

func dirOf(d openedPage) string { return d.store.Dir() }

// axeSource fetches the accessibility checker axe-core by npm.
func axeSource(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	cmd := exec.Command("npm", "pack", "--silent", "axe-core@4")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Logf("axe-core could not be had by npm, so the pages were not checked with it: %v %s", err, out)
		return ""
	}
	if out, err := exec.Command("sh", "-c", "tar -xzf "+dir+"/*.tgz -C "+dir).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	return string(mustRead(t, filepath.Join(dir, "package", "axe.min.js")))
}

// axe reports what the checker finds wrong in the open page.
func (b *browser) axe(source, name string) {
	b.t.Helper()
	if source == "" {
		return
	}
	b.do(chromedp.Evaluate[chromedp.Void](source + `; window.axeSays = null; axe.run().then((r) => { window.axeSays = JSON.stringify(r.violations.map((v) => v.id + ": " + v.help + " " + v.nodes.map((n) => n.html.slice(0, 120)).join(" | "))); });`))
	b.until("window.axeSays")
	var found []string
	if err := json.Unmarshal([]byte(value[string](b, "window.axeSays")), &found); err != nil {
		b.t.Fatal(err)
	}
	for _, f := range found {
		b.t.Errorf("%s: %s", name, f)
	}
}

// p95 is the value below which 19 of 20 lie.
func p95(ms []float64) float64 {
	s := slices.Sorted(slices.Values(ms))
	return s[min(len(s)-1, len(s)*19/20)]
}

// TestFieldDay is a day's work at full size: sixty photos by phone with the
// laptop dying in the middle, counts made out of its reach, and the evening's
// queue.
func TestFieldDay(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("renders sixty photos: set QUADTALLY_HEAVY=1")
	}
	axe := axeSource(t)
	const nUploads, nQueue = 60, 45
	dir := newSeason(t, 20, 3)
	list, err := filepath.Glob(filepath.Join(dir, "photos", "*.jpg"))
	if err != nil || len(list) != nUploads {
		t.Fatal(len(list), err)
	}

	t.Run("phone", func(t *testing.T) {
		b := openBrowser(t)
		b.offline = true
		fresh := t.TempDir()
		must(t, "new", "--plan", filepath.Join(dir, "plan.txt"), "--trial", fresh)
		s := serve(t, fresh, "--phone", "127.0.0.1")
		b.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.phone))
		b.until(`document.querySelectorAll("#spot option").length === 60`)
		if w := value[int](b, `document.documentElement.scrollWidth`); w > 390 {
			t.Errorf("the page is %d pixels wide on a phone of 390", w)
		}
		b.axe(axe, "in the field")
		b.do(chromedp.Evaluate[chromedp.Void](`performance.setResourceTimingBufferSize(5000)`))
		began := time.Now()
		b.do(chromedp.SetUploadFiles(chromedp.CSS("#library"), list))
		verdicts := func(n int) string { return fmt.Sprintf(`document.querySelectorAll("#verdicts li").length >= %d`, n) }
		b.long(verdicts(nUploads / 3))
		s.kill(t)
		time.Sleep(time.Second)
		s = serve(t, fresh, "--phone", "127.0.0.1")
		b.long(verdicts(nUploads))
		t.Logf("%d photos in %.0f s, with one restart", nUploads, time.Since(began).Seconds())
		for _, bad := range value[[]string](b, `[...document.querySelectorAll("#verdicts li")].filter((e) => !/^(✓ Keep|↻ Take it again)/.test(e.textContent)).map((e) => e.textContent)`) {
			t.Errorf("a verdict says %q", bad)
		}
		t.Logf("%d to keep", value[int](b, `document.querySelectorAll("#verdicts li.keep").length`))
		last := value[[]float64](b, `Object.values(performance.getEntriesByType("resource").filter((e) => e.name.includes("/upload/") && e.name.includes("offset=")).reduce((m, e) => { m[e.name.split("?")[0]] = e.duration; return m; }, {}))`)
		t.Logf("verdict after the last piece: median %.0f ms, p95 %.0f ms, n %d", slices.Sorted(slices.Values(last))[len(last)/2], p95(last), len(last))

		kept, err := filepath.Glob(filepath.Join(fresh, "photos", "phone", "*"))
		if err != nil || len(kept) != nUploads {
			t.Errorf("%d originals are kept, %v", len(kept), err)
		}
		sent := map[string]bool{}
		for _, path := range list {
			sum := sha256.Sum256(mustRead(t, path))
			sent[hex.EncodeToString(sum[:])] = true
		}
		d := openPage(t, fresh, false)
		snap := stood(t, d)
		if len(snap.Photos) != nUploads {
			t.Errorf("%d photos are in the record", len(snap.Photos))
		}
		for _, p := range snap.Photos {
			sum := sha256.Sum256(mustRead(t, filepath.Join(fresh, p.Path)))
			if hex.EncodeToString(sum[:]) != p.Hash || !sent[p.Hash] {
				t.Errorf("%s is not what was sent", p.Path)
			}
			delete(sent, p.Hash)
		}
		for hash := range sent {
			t.Errorf("%s was sent and is not there", hash)
		}

		// Out of reach: three counts wait, and arrive once.
		s.kill(t)
		b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("observer").value = "Ben"`))
		for i := range 3 {
			b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("steppers").scrollIntoView()`))
			for range i + 1 {
				b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector(".stepper button[aria-label^='one'][aria-label$='more']").click()`))
			}
			b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("store").click()`))
			b.until(fmt.Sprintf(`JSON.parse(localStorage.getItem("waiting")).length === %d`, i+1))
		}
		if n := len(stood(t, d).Observations); n != 0 {
			t.Errorf("%d counts arrived while nobody listened", n)
		}
		serve(t, fresh, "--phone", "127.0.0.1")
		b.long(`JSON.parse(localStorage.getItem("waiting")).length === 0`)
		time.Sleep(time.Second)
		got := map[float64]int{}
		for _, o := range stood(t, d).Observations {
			got[o.Value]++
		}
		if want := map[float64]int{1: 1, 2: 1, 3: 1}; !reflect.DeepEqual(got, want) {
			t.Errorf("counts that arrived, by value: %v, want %v", got, want)
		}
	})

	t.Run("queue", func(t *testing.T) {
		b := openBrowser(t)
		for _, path := range list[nQueue:] {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
		doubtful(t, dir, blurred, overexposed, blurred)
		content := mustRead(t, list[20])
		if err := os.WriteFile(list[20], content[:len(content)/2], 0o644); err != nil {
			t.Fatal(err)
		}
		takeIn(t, dir)
		d := openPage(t, dir, false)
		want := queued(t, d)
		s := serve(t, dir)

		// Through all photos, by n.
		b.do(chromedp.Navigate(s.address + "photos?visit=all"))
		b.until(answerable)
		b.press(".roll a", "\r")
		const there = `(() => { const p = document.getElementById("picture") || document.querySelector("img.whole"); return document.readyState === "complete" && p && p.complete; })()`
		b.until(there)
		var ms []float64
		for range nQueue - 1 {
			at := value[string](b, "location.pathname")
			began := time.Now()
			b.do(chromedp.KeyEvent("n"))
			for !value[bool](b, fmt.Sprintf("location.pathname !== %q && !!%s", at, there)) {
				if time.Since(began) > time.Minute {
					t.Fatal("the next photo never came")
				}
			}
			ms = append(ms, float64(time.Since(began).Microseconds())/1000)
		}
		t.Logf("next photo: median %.0f ms, p95 %.0f ms, n %d", slices.Sorted(slices.Values(ms))[len(ms)/2], p95(ms), len(ms))

		for _, path := range []string{"", "photos", "log", "visit/2/threshold", "photo/" + inUse(t, d), "photo/" + inUse(t, d) + "/count", "photo/" + inUse(t, d) + "/frame"} {
			for _, width := range []int64{1280, 390} {
				b.do(chromedp.EmulateViewport(width, 844), chromedp.Navigate(s.address+path))
				b.until(answerable)
				b.axe(axe, fmt.Sprintf("/%s at %d", path, width))
			}
		}
		b.do(chromedp.EmulateViewport(1440, 900))

		b.presses = 0
		if got := b.walkQueue(s.address, b.byKeys); !reflect.DeepEqual(got, want) {
			t.Errorf("by keys %v, in doubt are %v", got, want)
		}
		t.Logf("%d photos, %d in the queue, cleared by %d keys", nQueue, len(want), b.presses)
		if b.presses > 12 {
			t.Errorf("%d keys clear the queue, at most 12 are meant", b.presses)
		}
		b.axe(axe, "the end of the queue")
	})
}

// TestPhoneAway: with the laptop gone, the phone's page opens again with what
// was typed in it, and by reload too where the browser lets it; what was
// counted meanwhile arrives once. A quadrat counted twice by one person is
// asked about.
func TestPhoneAway(t *testing.T) {
	if testing.Short() {
		t.Skip("runs a browser")
	}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	lan := ""
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil && !n.IP.IsLoopback() {
			lan = n.IP.String()
		}
	}
	// This machine's own address counts as safe for the browser, so that it
	// keeps the page by itself; any other needs a certificate for that.
	for name, address := range map[string]string{"kept by the page": "127.0.0.1", "kept by the browser": lan} {
		t.Run(name, func(t *testing.T) {
			if address == "" {
				t.Skip("this machine has no network address")
			}
			b := openBrowser(t)
			b.offline = true
			// A count that is asked about; and over plain HTTP one header means
			// nothing.
			b.expects = []string{"409 (Conflict)", "Cross-Origin-Opener-Policy header has been ignored"}
			dir := t.TempDir()
			newTrial(t, dir, demoseason.Trial(7))
			d := openPage(t, dir, false)
			s := serve(t, dir, "--phone", address)
			page, _, _ := strings.Cut(s.phone, "?")
			b.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.phone))
			b.until(`document.querySelectorAll("#spot option").length > 1`)
			if address == "127.0.0.1" {
				b.until(`document.documentElement.dataset.offline === "yes"`)
			}
			more := chromedp.Evaluate[chromedp.Void](`document.querySelector(".stepper button[aria-label^='one'][aria-label$='more']").click()`)
			store := chromedp.Evaluate[chromedp.Void](`document.getElementById("observer").value = "Ben"; document.getElementById("store").click()`)
			s.kill(t)
			b.do(more, more)
			open := func(how chromedp.Action[chromedp.Void]) {
				t.Helper()
				b.do(how)
				b.until(`!document.getElementById("away").hidden && document.querySelector(".stepper output").textContent === "2"`)
			}
			open(chromedp.Navigate(page))
			if address == "127.0.0.1" {
				open(chromedp.Reload())
			}
			b.do(store)
			b.until(`JSON.parse(localStorage.getItem("waiting")).length === 1`)
			b.do(chromedp.Navigate(page))
			b.until(`document.getElementById("waitsum").textContent.includes("1 counts")`)
			if n := len(stood(t, d).Observations); n != 0 {
				t.Errorf("%d counts arrived while nobody listened", n)
			}
			serve(t, dir, "--phone", address)
			b.until(`JSON.parse(localStorage.getItem("waiting")).length === 0 && document.getElementById("away").hidden`)
			if o := stood(t, d).Observations; len(o) != 1 || o[0].Value != 2 || o[0].Observer != "Ben" {
				t.Errorf("%+v", o)
			}

			// The same quadrat once more.
			again := chromedp.Evaluate[chromedp.Void](`document.getElementById("spot").selectedIndex = 0`)
			b.do(again, more, store)
			b.until(`document.querySelectorAll("#refused button").length === 3`)
			if o := stood(t, d).Observations; len(o) != 1 || o[0].Value != 2 {
				t.Errorf("replaced unasked: %+v", o)
			}
			b.do(chromedp.Evaluate[chromedp.Void](`[...document.querySelectorAll("#refused button")].find((e) => e.textContent === "Keep both").click()`))
			b.until(`document.getElementById("countsaid").textContent.includes("beside")`)
			if snap := stood(t, d); len(snap.Observations) != 1 || snap.Observations[0].Value != 2 || len(snap.Beside) != 1 || snap.Beside[0].Value != 1 {
				t.Errorf("%+v %+v", snap.Observations, snap.Beside)
			}
		})
	}
}

// inUse is a photo in use.
func inUse(t *testing.T, d openedPage) string {
	t.Helper()
	s, err := d.Season(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, shot := range s.Shots {
		if shot.State == review.InUse {
			return shot.Hash
		}
	}
	t.Fatal("no photo is in use")
	return ""
}

// long waits for something that takes minutes on a slow machine.
func (b *browser) long(js string) {
	b.t.Helper()
	for end := time.Now().Add(8 * time.Minute); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("!!("+js+")")); ok && err == nil {
			return
		}
	}
	text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string]("document.body.innerText.slice(0, 1500)"))
	b.t.Fatalf("never came true: %s\n%s", js, text)
}
