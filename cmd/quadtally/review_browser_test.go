package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"quadtally/cmd/quadtally/internal/season"
)

// served is `quadtally review` as a process of its own.
type served struct {
	cmd     *exec.Cmd
	address string
	phone   string // "" not served
}

func serve(t *testing.T, dir string, flags ...string) *served {
	t.Helper()
	cmd := exec.Command(os.Args[0], append([]string{"review", "--trial", dir, "--author", "Ada"}, flags...)...)
	cmd.Env = append(os.Environ(), season.WorkerEnv+"=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	said := bufio.NewReader(out)
	line := func() string {
		line, err := said.ReadString('\n')
		if err != nil || !strings.HasPrefix(line, "http://") {
			t.Fatalf("the page gave no address: %q %v", line, err)
		}
		return strings.TrimSpace(line)
	}
	s := &served{cmd: cmd, address: line()}
	if slices.Contains(flags, "--phone") {
		s.phone = line()
	}
	return s
}

// kill ends it as a crash or an empty battery does.
func (s *served) kill(t *testing.T) {
	t.Helper()
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	s.cmd.Wait()
}

// browser is one tab; what goes wrong inside it is a fault of the test.
type browser struct {
	t       *testing.T
	ctx     context.Context
	offline bool     // the server is ended on purpose: what cannot be fetched is no fault
	expects []string // parts of messages of the browser that are no fault
	presses int      // clicks, taps and keys by which something was answered
}

func openBrowser(t *testing.T) *browser {
	t.Helper()
	const chromium = "/usr/bin/chromium"
	if _, err := os.Stat(chromium); err != nil {
		t.Skipf("no browser at %s: install the package chromium to test the page in one", chromium)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-background-networking", true), chromedp.WindowSize(1280, 1000))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(end)
	b := &browser{t: t, ctx: ctx}
	var mu sync.Mutex
	var faults []string
	b.do() // starts the browser
	err := chromedp.Listen(ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			faults = append(faults, ev.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			if string(ev.Entry.Level) == "error" {
				faults = append(faults, ev.Entry.Text+" "+ev.Entry.URL)
			}
		case *page.EventJavascriptDialogOpening:
			faults = append(faults, "a dialog opened: "+ev.Message)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		for _, f := range faults {
			if b.offline && strings.Contains(f, "ERR_") || slices.ContainsFunc(b.expects, func(part string) bool { return strings.Contains(f, part) }) {
				continue
			}
			t.Errorf("in the browser: %s", f)
		}
	})
	return b
}

// do runs actions one after the other.
func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

// value evaluates an expression in the page.
func value[T any](b *browser, js string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](js))
	if err != nil {
		b.t.Fatalf("%s: %v", js, err)
	}
	return v
}

// press gives the element the focus and types keys, as one without a mouse.
func (b *browser) press(selector string, keys ...string) {
	b.t.Helper()
	// By the page itself: a node held from outside is lost when the page changes.
	b.until(fmt.Sprintf(`(() => { const e = document.querySelector(%q); if (document.readyState !== "complete" || !e || !document.documentElement.dataset.answerable) return false; e.focus(); return document.activeElement === e; })()`, selector))
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k))
	}
}

// send presses Enter on a button and waits for the sentence about what was done.
func (b *browser) send(button, said string) {
	b.t.Helper()
	b.press(button, kb.Enter)
	b.until(fmt.Sprintf(`(document.querySelector(".said") || {textContent: ""}).textContent.includes(%q)`, said))
}

// at is a place on an element, in pixels of the window.
func (b *browser) at(selector string, x, y float64) (float64, float64) {
	b.t.Helper()
	p := value[[]float64](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect(); return [r.left + %g * r.width, r.top + %g * r.height]; })()`, selector, x, y))
	return p[0], p[1]
}

// until waits for an expression to become true, over changes of page too.
func (b *browser) until(js string) {
	b.t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("!!("+js+")")); ok && err == nil {
			return
		}
	}
	text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string]("location.href + ' ' + document.body.innerText.slice(0, 600)"))
	b.t.Fatalf("never came true: %s\n%s", js, text)
}

// contrastJS lists texts whose colour against the ground behind them is below
// 4.5 to 1 (WCAG 2.2, 1.4.3; relative luminance as defined there).
const contrastJS = `(() => {
  const lum = (c) => { const f = c.map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const rgba = (s) => { const m = s.match(/[\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const bad = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let seen = 0;
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || !e.checkVisibility() || /^(SCRIPT|OPTION)$/.test(e.tagName)) continue;
    seen++;
    let ground = [255, 255, 255, 1];
    for (let p = e; p; p = p.parentElement) { const c = rgba(getComputedStyle(p).backgroundColor); if (c[3] === 1) { ground = c; break; } }
    const a = lum(rgba(getComputedStyle(e).color).slice(0, 3)), b = lum(ground.slice(0, 3));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) bad.push(ratio.toFixed(2) + " " + walk.currentNode.textContent.trim().slice(0, 40));
  }
  if (!seen) bad.push("no text was looked at");
  return bad;
})()`

// checkLook checks the open page for contrast, at screen and phone width for
// parts that stick out, and that every control can be reached by Tab.
func (b *browser) checkLook(name string) {
	b.t.Helper()
	for _, bad := range value[[]string](b, contrastJS) {
		b.t.Errorf("%s: contrast %s", name, bad)
	}
	for _, bad := range value[[]string](b, `[...document.querySelectorAll("a[href],button,input:not([type=hidden]),select")].filter((e) => e.tabIndex < 0).map((e) => e.outerHTML.slice(0, 80))`) {
		b.t.Errorf("%s: not reached by Tab: %s", name, bad)
	}
	for _, width := range []int64{1280, 390} {
		b.do(chromedp.EmulateViewport(width, 900))
		if got := value[int64](b, "document.documentElement.scrollWidth"); got > width {
			b.t.Errorf("%s: %d pixels wide on a screen of %d", name, got, width)
		}
	}
	b.do(chromedp.EmulateViewport(1280, 1000))
}

// outlined counts the pixels of the outline.
const outlined = `(() => { const c = document.getElementById("green"), d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i]) n++; return n; })()`

// TestReviewInBrowser goes the whole way of a reviewer, by the keyboard and,
// where one draws, by the mouse as well: open, threshold, leave out, mark, reassign, count; the server is killed and
// started again; then everything is taken back.
func TestReviewInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photos and runs a browser")
	}
	b := openBrowser(t)
	dir := fewPhotos(t)
	d := openPage(t, dir, false)
	start := numbers(stood(t, d))
	s := serve(t, dir)

	b.do(chromedp.Navigate(s.address + "photos"))
	b.until(`document.querySelectorAll(".roll li").length === 4`)
	b.checkLook("roll")
	b.press(`.roll a`, kb.Enter)
	ready := `document.querySelector("#board[data-ready=yes]") && document.getElementById("picture").complete`
	b.until(ready)
	b.checkLook("photo")
	hash := value[string](b, `document.getElementById("board").dataset.hash`)
	rec := func() map[string]any {
		return numbers(stood(t, d))
	}
	onPhoto := func() string { return strings.TrimSuffix(s.address, "/") + "/photo/" + hash }

	// The outline, on and off.
	if got := value[int](b, outlined); got == 0 {
		t.Error("no outline is drawn")
	}
	b.press("main a", "o")
	if got := value[int](b, outlined); got != 0 {
		t.Errorf("%d pixels of an outline that is off", got)
	}
	b.press("main a", "o")

	// The threshold has a page of its own: looking stores nothing, saving does.
	b.press(`a[href*="/threshold"]`, kb.Enter)
	b.until(`document.querySelector("#slider[data-ready=yes]")`)
	b.checkLook("threshold")
	b.press("#slider", kb.ArrowRight, kb.ArrowRight, kb.ArrowRight, kb.ArrowRight)
	if text := value[string](b, `document.getElementById("effect").textContent`); strings.Count(text, "(now ") != 1 || !strings.Contains(text, "photos in use") {
		t.Errorf("the effect is told as %q", text)
	}
	if n := value[int](b, `document.querySelectorAll("#movers li").length`); n == 0 {
		t.Error("the photos that change are not shown")
	}
	if text := value[string](b, "document.body.innerText"); strings.Contains(text, "RYE") || strings.Contains(text, "BARE") {
		t.Error("the page of the threshold shows treatments")
	}
	if !reflect.DeepEqual(rec(), start) {
		t.Error("looking at a threshold changed the record")
	}
	b.send(`#thresholdform button.main`, "threshold set to")

	// A region left out: three corners by the arrow keys.
	b.until(ready)
	b.press("main a", "3")
	right, down := strings.Repeat(kb.ArrowRight, 40), strings.Repeat(kb.ArrowDown, 40)
	b.press("#board", kb.Enter, right, kb.Enter, down, kb.Enter)
	if got := value[string](b, `document.getElementById("areasaid").textContent`); !strings.Contains(got, "3 corners") {
		t.Errorf("the region is told as %q", got)
	}
	b.send("#outform button:not([type])", "left out of the ground: 1 region")

	// The brush, with the mouse, and started over; then a patch is pointed at.
	b.until(ready)
	b.press("main a", "4")
	fromX, fromY := b.at("#board", 0.3, 0.3)
	toX, toY := b.at("#board", 0.5, 0.4)
	b.do(chromedp.DragAndDropXY(fromX, fromY, toX, toY, 8))
	if text := value[string](b, `document.getElementById("areatext").value`); strings.Count(text, ";") != 0 || strings.Count(text, " ") < 5 {
		t.Errorf("a stroke of the brush made %q", text)
	}
	b.press("#board", kb.Escape)
	if text := value[string](b, `document.getElementById("areatext").value`); text != "" {
		t.Errorf("after starting over: %q", text)
	}
	p, _ := stood(t, d).Photo(hash)
	spot, _ := largestPiece(t, d, p)
	// A plant is named by a key and a click, without leaving the page.
	b.press("main a", "w")
	x, y := b.at("#board", spot[0], spot[1])
	b.do(chromedp.MouseClickXY(x, y))
	b.until(`document.getElementById("atsaid").textContent.includes("a plant named weed")`)
	if n := value[int](b, `document.querySelectorAll("[data-ready=yes]").length`); n != 1 {
		t.Error("the page was left")
	}
	// It is said in sight, and u takes it back and nothing done before it.
	const inSight = `(() => { const r = document.getElementById("spotsaid").getBoundingClientRect(); return r.height > 0 && r.top >= 0 && r.bottom <= innerHeight })()`
	if !value[bool](b, inSight) {
		t.Error("what became of the plant is not said in sight")
	}
	address := value[string](b, `location.href`)
	b.press("main a", "u")
	b.until(`document.getElementById("unname").hidden && document.getElementById("board").dataset.sending === "no"`)
	if after := value[string](b, `location.href`); after != address {
		t.Errorf("u led from %s to %s", address, after)
	}
	if n := len(stood(t, d).Named); n != 0 {
		t.Errorf("%d plants are named after the only one was taken back", n)
	}
	b.do(chromedp.MouseClickXY(x, y))
	b.until(`document.getElementById("atsaid").textContent.includes("a plant named weed")`)
	if !value[bool](b, `document.querySelector("input[name=tool]:checked").value === "patch" && document.querySelector("#markform input[name=class]:checked").value === "weed"`) {
		t.Error("tool and class did not stay")
	}
	// A plant is reached and named by keys alone, once however long one holds.
	b.press("main a", ".")
	if text := value[string](b, `document.getElementById("atsaid").textContent`); !strings.HasPrefix(text, "Patch 1 of ") {
		t.Errorf("the patch is told as %q", text)
	}
	b.do(chromedp.Reload())
	b.until(ready)

	// All green is weed.
	b.until(ready)
	if n := value[int](b, `JSON.parse(document.getElementById("board").dataset.areas).length`); n != 2 {
		t.Errorf("%d areas are drawn", n)
	}
	b.send(`input[name=rest] + button`, "all green not marked otherwise is weed")
	b.until(ready + ` && document.querySelector(".big")`)
	if text := value[string](b, `document.querySelector(".big").textContent`); !strings.Contains(text, "weed cover") {
		t.Errorf("the number is told as %q", text)
	}

	// Reassigned.
	snap := stood(t, d)
	other := snap.Plots[7].ID
	b.press("main a", "b")
	b.do(chromedp.SetValue(chromedp.CSS("#plot"), other))
	b.send(`form[action$="/place"] button`, "shows plot "+other)
	b.until(fmt.Sprintf(`document.querySelector("h1").textContent.includes("Plot %s")`, other))

	// Counted, without a value in sight.
	b.press(`a[href*="/count"]`, kb.Enter)
	b.until(`document.getElementById("countboard")`)
	b.checkLook("count")
	if text := value[string](b, "document.body.innerText"); strings.Contains(text, "%") {
		t.Error("the counting page shows a value")
	}
	b.press("#countboard", kb.Enter, kb.ArrowLeft, kb.Enter, kb.Enter, kb.Backspace, "2", kb.Enter)
	if got := value[[]string](b, `[...document.querySelectorAll("input[name=plants]")].map((e) => e.value)`); !reflect.DeepEqual(got, []string{"2", "1", "", ""}) {
		t.Errorf("counted %q", got)
	}
	b.send("#countform button.main", "counted by Ada: broadleaf 2, grass 1")

	// The frame's page, looked at and left.
	b.do(chromedp.Navigate(onPhoto() + "/frame"))
	b.until(`document.querySelectorAll(".corner").length === 4`)
	b.checkLook("frame")
	corner := `document.getElementById("x1").value`
	first := value[string](b, corner)
	b.press(`.corner[data-corner="1"]`, kb.ArrowRight)
	moved := value[string](b, corner)
	x, y = b.at(`.corner[data-corner="1"]`, 0.5, 0.5)
	b.do(chromedp.DragAndDropXY(x, y, x+9, y+6, 4))
	if dragged := value[string](b, corner); moved == first || dragged == moved {
		t.Errorf("the corner was at %s, by the keys at %s, by the mouse at %s", first, moved, dragged)
	}
	b.until(`document.getElementById("framesaid").textContent.includes("corners of the frame set") && !document.getElementById("unframe").hidden`)
	b.press("main a", kb.Enter) // back to the photo

	// The server dies; nothing is lost.
	b.until(ready)
	before := rec()
	if reflect.DeepEqual(before, start) {
		t.Fatal("nothing was stored")
	}
	s.kill(t)
	s = serve(t, dir)
	if !reflect.DeepEqual(rec(), before) {
		t.Error("the record changed by the server's death")
	}
	b.do(chromedp.Navigate(onPhoto()))
	b.until(ready)
	if text := value[string](b, "document.body.textContent"); !strings.Contains(text, "Plot "+other) || !strings.Contains(text, "broadleaf: 2 (Ada)") || !strings.Contains(text, "corners set by hand") {
		t.Errorf("after the restart:\n%s", text)
	}

	// Everything taken back, newest first.
	b.do(chromedp.Navigate(s.address + "log"))
	b.until(`document.querySelectorAll(".log form").length === 7`)
	b.checkLook("log")
	for left := 6; left >= 0; left-- {
		b.press(".log form button", kb.Enter)
		b.until(fmt.Sprintf(`document.querySelectorAll(".log form").length === %d && document.querySelector(".said")`, left))
	}
	if got := rec(); !reflect.DeepEqual(got, start) {
		t.Errorf("taken back, but not as at first:\n%v\n%v", got, start)
	}
}
