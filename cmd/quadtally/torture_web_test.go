package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// markup is text a person, or a stranger's file, may bring in.
const markup = `"><img src=x onerror=alert(1)>'<script>alert(2)</script>{{.}}`

// TestTortureWeb attacks `quadtally review` as it runs: from pages of other
// sites, from other machines, with paths, bodies and text made to do harm.
func TestTortureWeb(t *testing.T) {
	dir, photos := smallTrial(t, 4)
	hostile := strings.NewReplacer("/", "∕").Replace(markup) // no file name holds a slash
	list, _ := filepath.Glob(filepath.Join(photos, "*.jpg"))
	if err := os.Rename(list[0], filepath.Join(photos, hostile+" plot 101 q1.jpg")); err != nil {
		t.Fatal(err)
	}
	must(t, "photos", photos, "--no-frame", "--trial", dir, "--author", markup)
	sheet := filepath.Join(dir, "counts.csv")
	if err := os.WriteFile(sheet, []byte("plot,quadrat,visit,species,count,observer\n101,1,1,\""+strings.ReplaceAll(markup, `"`, `""`)+"\",7,\""+strings.ReplaceAll(markup, `"`, `""`)+"\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "counts", sheet, "--trial", dir, "--columns", markup+"=weed")
	must(t, "place", filepath.Base(list[1]), "--reject", markup, "--trial", dir)
	want := contentOf(t, dir)
	address := strings.TrimSuffix(serve(t, dir).address, "/")
	host := strings.TrimPrefix(address, "http://")
	_, port, err := net.SplitHostPort(host)
	if err != nil {
		t.Fatal(err)
	}
	hash := snapshotOf(t, dir).Photos[0].Hash
	client := &http.Client{Timeout: 30 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	ask := func(method, path, body string, change func(*http.Request)) (int, string) {
		t.Helper()
		r, err := http.NewRequest(method, address, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.URL.Opaque = path // as written, not cleaned on the way
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if change != nil {
			change(r)
		}
		res, err := client.Do(r)
		if err != nil {
			return 0, err.Error() // hung up on
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		early := res.StatusCode == http.StatusBadRequest || res.StatusCode == http.StatusRequestHeaderFieldsTooLarge // nothing of ours was asked
		if !early && !strings.HasPrefix(res.Header.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("%s %.80s: no policy", method, path)
		}
		return res.StatusCode, string(b)
	}

	// Another name for this machine in the address: what a site can make its
	// own name stand for.
	tried := 0
	for _, foreign := range []string{"evil.example", "evil.example:" + port, "localhost.evil.example:" + port, "127.0.0.1.evil.example:" + port,
		"0.0.0.0:" + port, "127.0.0.2:" + port, "2130706433:" + port, "[::ffff:127.0.0.1]:" + port, "127.0.0.1", "localhost:1", " 127.0.0.1:" + port + " "} {
		for _, path := range []string{"/", "/log", "/photo/" + hash, "/photo/" + hash + "/plane", "/picture/" + hash + "/small"} {
			tried++
			if code, body := ask("GET", path, "", func(r *http.Request) { r.Host = foreign }); code == http.StatusOK || strings.Contains(body, "Alder Bend") {
				t.Errorf("Host %q %s: %d", foreign, path, code)
			}
		}
	}
	figure(t, "review page: foreign names (rebinding)", plural(tried, "request"), "all refused")

	_, page := ask("GET", "/photo/"+hash, "", nil)
	_, rest, _ := strings.Cut(page, `name="token" value="`)
	token, _, _ := strings.Cut(rest, `"`)
	if len(token) != 32 {
		t.Fatal("the page has no token")
	}
	tried = 0
	form := url.Values{"token": {token}, "reason": {"x"}, "value": {"0.3"}, "plot": {"101"}, "quadrat": {"2"}, "to_visit": {"1"}}.Encode()
	for _, head := range []http.Header{{"Origin": {"http://evil.example"}}, {"Origin": {"null"}}, {"Origin": {"http://127.0.0.1:1"}},
		{"Sec-Fetch-Site": {"cross-site"}}, {"Sec-Fetch-Site": {"same-site"}}, {"Sec-Fetch-Site": {"cross-site"}, "Origin": {address}}} {
		for _, what := range []string{"/photo/" + hash + "/reject", "/photo/" + hash + "/place", "/photo/" + hash + "/accept", "/visit/1/threshold", "/undo/1"} {
			tried++
			if code, _ := ask("POST", what, form, func(r *http.Request) {
				for k, v := range head {
					r.Header[k] = v
				}
			}); code != http.StatusForbidden {
				t.Errorf("%v %s: %d", head, what, code)
			}
		}
	}
	for _, body := range []string{"", "token=", "token=" + strings.Repeat("0", 32), "token=" + token[1:], "Token=" + token} {
		tried++
		if code, _ := ask("POST", "/photo/"+hash+"/reject", body+"&reason=x", nil); code < 400 {
			t.Errorf("POST %q: %d", body, code)
		}
	}
	for _, method := range []string{"GET", "HEAD", "PUT", "PATCH", "DELETE", "TRACE", "OPTIONS"} {
		tried++
		if code, _ := ask(method, "/photo/"+hash+"/reject?"+form, "", nil); code < 400 {
			t.Errorf("%s: %d", method, code)
		}
	}
	figure(t, "review page: forms from elsewhere", plural(tried, "request"), "all refused, nothing changed")

	tried = 0
	for _, up := range []string{"../", "..%2f", "%2e%2e/", "%2e%2e%2f", "..%5c", "..\\", "....//", "%252e%252e%252f", "%00../", "/"} {
		for _, from := range []string{"/", "/picture/", "/photo/", "/picture/" + hash + "/", "/page.css/", "/log/"} {
			for _, file := range []string{"etc/passwd", "trial-record.db", "plan.txt", "counts.csv"} {
				tried++
				code, body := ask("GET", from+strings.Repeat(up, 8)+file, "", nil)
				if code == http.StatusOK && !strings.Contains(body, "<!doctype html>") || strings.Contains(body, "root:") || strings.Contains(body, "SQLite format") || strings.Contains(body, "bed spacing") {
					t.Errorf("%s: %d %.80s", from+up+file, code, body)
				}
			}
		}
	}
	figure(t, "review page: ways out of its paths", plural(tried, "request"), "no file was given out")

	for _, size := range []int{1<<20 + 1, 8 << 20, 64 << 20} {
		if code, _ := ask("POST", "/photo/"+hash+"/reject", "", func(r *http.Request) {
			r.Body = io.NopCloser(io.MultiReader(strings.NewReader("token="+token+"&reason="), io.LimitReader(endless{}, int64(size))))
			r.ContentLength = -1
		}); code != http.StatusRequestEntityTooLarge && code != 0 {
			t.Errorf("a body of %d bytes: %d", size, code)
		}
	}
	if code, _ := ask("GET", "/?x="+strings.Repeat("y", 1<<20), "", nil); code != http.StatusRequestHeaderFieldsTooLarge && code != 0 {
		t.Errorf("a long address: %d", code)
	}
	figure(t, "review page: oversized bodies and addresses", "4 requests", "all refused")

	// Text that is markup stays text.
	checked := 0
	for _, path := range []string{"/", "/?visit=1", "/log", "/photo/" + hash, "/photo/" + hash + "/frame", "/photo/" + hash + "/count", "/nowhere" + url.PathEscape(markup)} {
		_, body := ask("GET", path, "", nil)
		checked += strings.Count(body, "onerror")
		z := html.NewTokenizer(strings.NewReader(body))
		for kind := z.Next(); kind != html.ErrorToken; kind = z.Next() {
			if kind != html.StartTagToken && kind != html.SelfClosingTagToken {
				continue
			}
			tok := z.Token()
			for _, a := range tok.Attr {
				if strings.HasPrefix(a.Key, "on") || a.Key == "style" || (a.Key == "src" && !strings.HasPrefix(a.Val, "/")) {
					t.Errorf("%s: %s", path, tok)
				}
			}
		}
	}
	if checked == 0 {
		t.Error("the hostile text is on no page")
	}
	figure(t, "review page: markup in names and notes", fmt.Sprintf("%d places", checked), "stays text; no inline event, style or script")

	// Other machines.
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	tried = 0
	for _, a := range addrs {
		ip, ok := a.(*net.IPNet)
		if !ok || ip.IP.IsLoopback() || ip.IP.IsLinkLocalUnicast() {
			continue
		}
		tried++
		if c, err := net.DialTimeout("tcp", net.JoinHostPort(ip.IP.String(), port), time.Second); err == nil {
			c.Close()
			t.Errorf("the page answers at %s", ip.IP)
		}
	}
	figure(t, "review page: from the network, unasked", plural(tried, "address"), "no answer")

	if n := full(0, 200); n > 0 {
		slow := func(opening string) []net.Conn {
			var out []net.Conn
			for range n / 2 {
				c, err := net.Dial("tcp", host)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { c.Close() })
				fmt.Fprint(c, opening)
				out = append(out, c)
			}
			return out
		}
		conns := append(slow("GET / HTTP/1.1\r\nHost: "), slow("POST /photo/"+hash+"/reject HTTP/1.1\r\nHost: "+host+"\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ntoken=")...)
		began := time.Now()
		if code, _ := ask("GET", "/", "", nil); code != http.StatusOK {
			t.Errorf("others wait: %d", code)
		}
		waited := time.Since(began)
		for _, c := range conns {
			c.SetReadDeadline(time.Now().Add(40 * time.Second))
			said, err := io.ReadAll(bufio.NewReader(c))
			if e, ok := err.(net.Error); ok && e.Timeout() || bytes.Contains(said, []byte("Alder Bend")) {
				t.Fatalf("a slow client was kept: %v %.100s", err, said)
			}
		}
		figure(t, "review page: clients that send next to nothing", plural(n, "client"), "others served in %.2f s meanwhile, all hung up on after %.0f s", waited.Seconds(), time.Since(began).Seconds())
	}
	if d := differ(want, contentOf(t, dir)); d != "" {
		t.Errorf("the record changed: %s", d)
	}
}

// endless is a body without an end.
type endless struct{}

func (endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'x'
	}
	return len(b), nil
}
