package review

import (
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// Elements without an end tag (HTML Living Standard, 13.1.2).
var void = []string{"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}

// inspected is what one pass over a page found.
type inspected struct {
	faults  []string
	ids     map[string]bool
	scripts []string
	h1      int
}

// inspect checks that a page is well formed and usable without a mouse: every
// element closed in order, no id twice, every field labelled, every picture
// with a text, nothing of script or style inside it.
func inspect(page string) inspected {
	out := inspected{ids: map[string]bool{}}
	fault := func(s string) { out.faults = append(out.faults, s) }
	var stack, forTargets, fields []string
	inLabel := 0
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		kind := z.Next()
		if kind == html.ErrorToken {
			if z.Err() != io.EOF {
				fault(z.Err().Error())
			}
			break
		}
		tok := z.Token()
		switch kind {
		case html.DoctypeToken:
			if tok.Data != "html" {
				fault("doctype " + tok.Data)
			}
		case html.TextToken:
			if len(stack) > 0 && (stack[len(stack)-1] == "script" || stack[len(stack)-1] == "style") && strings.TrimSpace(tok.Data) != "" {
				fault("script or style inside the page")
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			attr := map[string]string{}
			for _, a := range tok.Attr {
				attr[a.Key] = a.Val
				if strings.HasPrefix(a.Key, "on") || a.Key == "style" || strings.HasPrefix(strings.TrimSpace(strings.ToLower(a.Val)), "javascript:") {
					fault("inline " + a.Key + " on " + tok.Data)
				}
			}
			if id, ok := attr["id"]; ok {
				if out.ids[id] || id == "" || strings.ContainsAny(id, " \t") {
					fault("id " + id + " twice or empty")
				}
				out.ids[id] = true
			}
			for _, ref := range []string{"for", "aria-labelledby", "list"} {
				if v, ok := attr[ref]; ok {
					forTargets = append(forTargets, v)
				}
			}
			switch tok.Data {
			case "script":
				out.scripts = append(out.scripts, attr["src"])
			case "h1":
				out.h1++
			case "img":
				if _, ok := attr["alt"]; !ok {
					fault("picture without a text")
				}
			case "label":
				inLabel++
				if attr["for"] != "" {
					fields = slices.DeleteFunc(fields, func(f string) bool { return f == attr["for"] })
				}
			case "input", "select", "textarea":
				if t := attr["type"]; t == "hidden" || inLabel > 0 || attr["aria-label"] != "" {
					break
				}
				fields = append(fields, attr["id"])
			case "form":
				if slices.Contains(stack, "form") {
					fault("form inside a form")
				}
				if m := attr["method"]; m != "get" && m != "post" || !strings.HasPrefix(attr["action"], "/") {
					fault("form without method or action")
				}
			}
			if !slices.Contains(void, tok.Data) && kind == html.StartTagToken {
				stack = append(stack, tok.Data)
			}
		case html.EndTagToken:
			if len(stack) == 0 || stack[len(stack)-1] != tok.Data {
				fault("</" + tok.Data + "> closes nothing: " + strings.Join(stack, " "))
				return out
			}
			if tok.Data == "label" {
				inLabel--
			}
			stack = stack[:len(stack)-1]
		}
	}
	if len(stack) > 0 {
		fault("not closed: " + strings.Join(stack, " "))
	}
	for _, id := range forTargets {
		if !out.ids[id] {
			fault("nothing has the id " + id)
		}
	}
	for _, f := range fields { // labels may also come after their field
		if f == "" || !slices.Contains(forTargets, f) {
			fault("field without a label: " + f)
		}
	}
	return out
}

// TestPagesAreSound checks every page, filled with text that tries to be
// script wherever a person or a file may put text.
func TestPagesAreSound(t *testing.T) {
	p := open(t, newFake(), Options{})
	p.post("/photo/"+hashFor(1)+"/accept", nil) // its answer is said on the next page
	pages := map[string]string{}
	for _, path := range readable {
		_, body, h := p.request("GET", path, "", nil)
		if strings.HasPrefix(h.Get("Content-Type"), "text/html") {
			pages[path] = body
		}
	}
	for i := range 6 {
		for _, part := range []string{"", "/frame", "/count"} {
			path := "/photo/" + hashFor(i+1) + part
			_, pages[path] = p.get(path)
		}
	}
	_, pages["a fault"] = p.get("/nowhere" + "%3Cscript%3E")
	_, body, _ := p.post("/photo/"+hashFor(1)+"/mark", nil)
	pages["a refusal"] = body
	if len(pages) < 20 {
		t.Fatalf("only %d pages", len(pages))
	}
	for path, body := range pages {
		got := inspect(body)
		for _, f := range got.faults {
			t.Errorf("%s: %s", path, f)
		}
		if !slices.Equal(got.scripts, []string{"/page.js"}) {
			t.Errorf("%s: scripts %q", path, got.scripts)
		}
		if got.h1 != 1 || !got.ids["main"] || !strings.HasPrefix(body, "<!doctype html>\n<html lang=\"en\">") {
			t.Errorf("%s: heading, main part or language is missing", path)
		}
		if strings.Contains(body, "<script>alert") || strings.Contains(body, "ZgotmplZ") {
			t.Errorf("%s: text got through as markup", path)
		}
	}
}

// TestInspectFindsFaults keeps the check above honest.
func TestInspectFindsFaults(t *testing.T) {
	for _, bad := range []string{
		"<p><b></p></b>", "<div>", `<i id="a"></i><i id="a"></i>`, `<input id="x">`, `<label for="y">y</label>`, "<img src=/a>",
		`<p onclick="x()"></p>`, `<p style="color:red"></p>`, "<script>1</script>", `<a href="javascript:1">x</a>`, "<form></form>",
	} {
		if got := inspect(bad); len(got.faults) == 0 && len(got.scripts) == 0 {
			t.Errorf("nothing was found in %s", bad)
		}
	}
	if got := inspect(`<label for="x">x</label><input id="x"><label><input> y</label><p>&lt;script&gt;</p>`); len(got.faults) > 0 {
		t.Errorf("%v", got.faults)
	}
}

func TestAssetsHaveTheirType(t *testing.T) {
	p := open(t, newFake(), Options{})
	for path, want := range map[string]string{"/page.css": "text/css", "/page.js": "text/javascript", "/icon.svg": "image/svg+xml",
		"/picture/" + hashFor(1) + "/small": "image/jpeg"} {
		code, _, h := p.request("GET", path, "", nil)
		if code != http.StatusOK || !strings.HasPrefix(h.Get("Content-Type"), want) {
			t.Errorf("%s: %d %s", path, code, h.Get("Content-Type"))
		}
	}
}
