package review

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// page is a running server as a browser sees it.
type page struct {
	t                  *testing.T
	b                  *fake
	address            string // without the final slash
	phone, fingerprint string
	client             *http.Client
	token              string
	stop               func() error
}

func open(t *testing.T, b *fake, opt Options) *page {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ready, ended := make(chan Addresses, 1), make(chan error, 1)
	go func() { ended <- Serve(ctx, b, b, opt, func(a Addresses) { ready <- a }) }()
	p := &page{t: t, b: b}
	select {
	case at := <-ready:
		p.address, p.phone, p.fingerprint = at.Page, at.Phone, at.Fingerprint
	case err := <-ended:
		t.Fatal(err)
	}
	stopped := false
	p.stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-ended
	}
	t.Cleanup(func() {
		if err := p.stop(); err != nil {
			t.Error(err)
		}
	})
	jar, _ := cookiejar.New(nil)
	p.client = &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	p.address = strings.TrimSuffix(p.address, "/")
	return p
}

// request sends one request and returns status and body. change may alter it.
func (p *page) request(method, path, body string, change func(*http.Request)) (int, string, http.Header) {
	p.t.Helper()
	r, err := http.NewRequest(method, p.address+path, strings.NewReader(body))
	if err != nil {
		p.t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if change != nil {
		change(r)
	}
	res, err := p.client.Do(r)
	if err != nil {
		p.t.Fatalf("%s %s: %v", method, path, err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return res.StatusCode, string(b), res.Header
}

func (p *page) get(path string) (int, string) {
	p.t.Helper()
	code, body, _ := p.request("GET", path, "", nil)
	return code, body
}

// post sends a form as our own pages do.
func (p *page) post(path string, f url.Values) (int, string, http.Header) {
	p.t.Helper()
	if p.token == "" {
		_, body := p.get("/photo/" + hashFor(1))
		_, rest, ok := strings.Cut(body, `name="token" value="`)
		if !ok {
			p.t.Fatal("no token in the page")
		}
		p.token, _, _ = strings.Cut(rest, `"`)
	}
	form := url.Values{"token": {p.token}}
	for k, v := range f {
		form[k] = v
	}
	return p.request("POST", path, form.Encode(), func(r *http.Request) { r.Header.Set("Origin", p.address) })
}

var readable = []string{"/photos", "/photos?visit=0&show=queue", "/photos?visit=x&show=y", "/visit/1/threshold", "/visit/1/thresholds", "/log", "/page.css", "/page.js", "/icon.svg",
	"/photo/" + hashFor(1), "/photo/" + hashFor(2), "/photo/" + hashFor(3), "/photo/" + hashFor(3) + "/frame", "/photo/" + hashFor(1) + "/frame",
	"/photo/" + hashFor(1) + "/count", "/photo/" + hashFor(1) + "/plane",
	"/picture/" + hashFor(1) + "/straight", "/picture/" + hashFor(1) + "/upright", "/picture/" + hashFor(1) + "/small"}

// changing holds a good form for every address that changes something, and
// what it must come to.
var changing = []struct {
	path string
	form url.Values
	want Action
}{
	{"place", url.Values{"plot": {"102"}, "quadrat": {"2"}, "to_visit": {"1"}}, Place{hashFor(1), "102", 2, 1}},
	{"accept", nil, Accept{hashFor(1)}},
	{"reject", url.Values{"reason": {" boot in the frame "}}, Reject{hashFor(1), "boot in the frame"}},
	{"frame", url.Values{"x1": {"10"}, "y1": {"11"}, "x2": {"90"}, "y2": {"12"}, "x3": {"91"}, "y3": {"80"}, "x4": {"-5"}, "y4": {"82"}},
		Frame{hashFor(1), &[4]XY{{0.1, 0.11}, {0.9, 0.12}, {0.91, 0.8}, {-0.05, 0.82}}}},
	{"frame", url.Values{"find": {"yes"}}, Frame{hashFor(1), nil}},
	{"leave-out", url.Values{"areas": {"0,0 1,0 1,1;0.5,0.5 0.6,0.5 0.6,0.6 0.5,0.6"}},
		LeaveOut{hashFor(1), [][]XY{{{0, 0}, {1, 0}, {1, 1}}, {{0.5, 0.5}, {0.6, 0.5}, {0.6, 0.6}, {0.5, 0.6}}}}},
	{"mark", url.Values{"class": {"crop"}, "at": {"0.25,0.75"}}, Mark{hashFor(1), Crop, &XY{0.25, 0.75}}},
	{"mark", url.Values{"class": {"weed"}, "rest": {"yes"}}, Mark{hashFor(1), Weed, nil}},
	{"count", url.Values{"observer": {"Ada"}, "seen": {"7"}, "class": {"broadleaf", "grass", "sedge"}, "plants": {"3", "0", ""}},
		Tally{hashFor(1), "Ada", []ClassCount{{"broadleaf", 3}, {"grass", 0}}, 7, true, ""}},
	{"count", url.Values{"observer": {"Ada"}, "seen": {"7"}, "zeros": {"yes"}, "class": {"broadleaf", "grass", ""}, "plants": {"3", "", ""}},
		Tally{hashFor(1), "Ada", []ClassCount{{"broadleaf", 3}, {"grass", 0}}, 7, true, ""}},
	{"treatments", url.Values{"show_treatments": {"yes"}}, ShowTreatments{true}},
	{"treatments", nil, ShowTreatments{}},
	{"threshold", url.Values{"value": {"0.12"}, "photo": {hashFor(1)}}, SetThreshold{2, ptr(0.12)}},
	{"threshold", url.Values{"automatic": {"yes"}, "value": {"0.12"}}, SetThreshold{2, nil}},
}

func ptr(v float64) *float64 { return &v }

func addressOf(what string) string {
	if what == "treatments" {
		return treatmentsPath
	}
	if what == "threshold" {
		return "/visit/2/threshold"
	}
	return "/photo/" + hashFor(1) + "/" + what
}

func TestLookingChangesNothing(t *testing.T) {
	p := open(t, newFake(), Options{})
	for _, path := range readable {
		code, body := p.get(path)
		if code != http.StatusOK || body == "" {
			t.Errorf("%s: %d", path, code)
		}
	}
	// The addresses that change something do not answer to GET or HEAD.
	for _, c := range changing {
		for _, method := range []string{"GET", "HEAD"} {
			q := "?" + c.form.Encode() + "&token=" + p.token
			if code, _, _ := p.request(method, addressOf(c.path)+q, "", nil); code == http.StatusSeeOther {
				t.Errorf("%s %s was carried out", method, c.path)
			}
		}
	}
	p.get("/undo/5")
	if len(p.b.actions()) > 0 || len(p.b.undone) > 0 {
		t.Errorf("looking did %v %v", p.b.actions(), p.b.undone)
	}
}

func TestActions(t *testing.T) {
	for _, c := range changing {
		t.Run(c.path+" "+c.form.Encode(), func(t *testing.T) {
			p := open(t, newFake(), Options{})
			code, body, _ := p.post(addressOf(c.path), c.form)
			if code != http.StatusSeeOther {
				t.Fatalf("%d %s", code, body)
			}
			if got := p.b.actions(); len(got) != 1 || !reflect.DeepEqual(got[0], c.want) {
				t.Errorf("did %#v, want %#v", got, c.want)
			}
			// What was done is said on the next page, and once.
			if _, body := p.get("/photos"); !strings.Contains(body, `role="status">did review.`) || !strings.Contains(body, `action="/undo/5"`) {
				t.Error("what was done is not said, or cannot be taken back there")
			}
			if _, body := p.get("/photos"); strings.Contains(body, `role="status">did`) {
				t.Error("what was done is said twice")
			}
		})
	}
	p := open(t, newFake(), Options{})
	if code, _, h := p.post("/undo/5", url.Values{"photo": {hashFor(1)}}); code != http.StatusSeeOther || len(p.b.undone) != 1 || !strings.HasPrefix(h.Get("Location"), "/photo/"+hashFor(1)) {
		t.Errorf("undo: %d %v %s", code, p.b.undone, h.Get("Location"))
	}
	if _, _, h := p.post("/undo/5", url.Values{"threshold": {"2"}}); !strings.HasPrefix(h.Get("Location"), "/visit/2/threshold") {
		t.Errorf("a threshold taken back leads to %s", h.Get("Location"))
	}
	if _, body := p.get("/visit/2/threshold"); !strings.Contains(body, `action="/undo/3"`) {
		t.Error("the threshold cannot be taken back on its page")
	}
	if code, _, _ := p.post("/undo/6", nil); code != http.StatusNotFound {
		t.Errorf("undo of nothing: %d", code)
	}
}

// TestACountBeforeTheValue: a count stored before the photo's page was opened
// is told apart from one stored after.
func TestACountBeforeTheValue(t *testing.T) {
	p := open(t, newFake(), Options{})
	form := url.Values{"observer": {"Ada"}, "class": {"grass"}, "plants": {"1"}}
	p.post("/photo/"+hashFor(5)+"/count", form)
	p.get("/photo/" + hashFor(5))
	p.post("/photo/"+hashFor(5)+"/count", form)
	got := p.b.actions()
	if len(got) != 2 || got[0].(Tally).Shown || !got[1].(Tally).Shown {
		t.Errorf("%+v", got)
	}
	// The counting page and the roll themselves show no value.
	for _, path := range []string{"/photo/" + hashFor(5) + "/count", "/photos"} {
		if _, body := p.get(path); strings.Contains(body, "12.3") || strings.Contains(body, "5 pieces") {
			t.Errorf("%s shows an image value", path)
		}
	}
}

func TestFaultyForms(t *testing.T) {
	p := open(t, newFake(), Options{})
	photo := "/photo/" + hashFor(1)
	long := strings.TrimSuffix(strings.Repeat("0.1,0.1 ", maxPoints+1), " ")
	for _, c := range []struct {
		path string
		form url.Values
		code int
		want string
	}{
		{photo + "/place", url.Values{"plot": {"101"}, "quadrat": {"x"}}, 422, "all three"},
		{photo + "/reject", url.Values{"reason": {"  "}}, 422, "say why"},
		{photo + "/reject", url.Values{"reason": {"break"}}, 500, "the disk is full"},
		{photo + "/frame", url.Values{"x1": {"NaN"}}, 422, "corner 1"},
		{photo + "/frame", url.Values{"x1": {"10"}, "y1": {"11"}, "x2": {"90"}, "y2": {"12"}, "x3": {"91"}, "y3": {"80"}, "x4": {"-60"}, "y4": {"82"}}, 422, "corner 4"},
		{photo + "/frame", url.Values{"x1": {"10"}, "y1": {"160"}, "x2": {"90"}, "y2": {"12"}, "x3": {"91"}, "y3": {"80"}, "x4": {"-5"}, "y4": {"82"}}, 422, "corner 1"},
		{photo + "/leave-out", url.Values{"areas": {""}}, 422, "no area"},
		{photo + "/leave-out", url.Values{"areas": {"0,0 1,1"}}, 422, "three corners"},
		{photo + "/leave-out", url.Values{"areas": {"0,0 1,1 NaN,0"}}, 422, "not arrive whole"},
		{photo + "/leave-out", url.Values{"areas": {"0,0 1,1 9,0"}}, 422, "not arrive whole"},
		{photo + "/leave-out", url.Values{"areas": {long}}, 422, "too fine"},
		{photo + "/mark", url.Values{"class": {"tree"}, "at": {"0,0"}}, 422, "say what"},
		{photo + "/mark", url.Values{"class": {"crop"}}, 422, "point at a patch"},
		{photo + "/mark", url.Values{"class": {"crop"}, "rest": {"yes"}}, 422, "point at a patch"},
		{photo + "/count", url.Values{"class": {"grass"}, "plants": {"1"}}, 422, "who counted"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {"grass"}, "plants": {"-1"}}, 422, "not a number of plants"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {"grass"}, "plants": {"1.5"}}, 422, "not a number of plants"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {"grass", "Grass"}, "plants": {"1", "2"}}, 422, "twice"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {"grass"}, "plants": {""}}, 422, "nothing was counted"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {""}, "plants": {"4"}}, 422, "no class"},
		{photo + "/count", url.Values{"observer": {"A"}, "class": {"grass"}}, 422, "not arrive whole"},
		{photo + "/nonsense", nil, 404, "no such thing"},
		{"/visit/2/threshold", url.Values{"value": {"high"}}, 422, "not a number"},
		{"/visit/2/threshold", url.Values{"value": {"Inf"}}, 422, "not a number"},
		{"/visit/x/threshold", url.Values{"value": {"0.1"}}, 404, "no such thing"},
		{"/undo/x", nil, 404, "no such thing"},
	} {
		code, body, _ := p.post(c.path, c.form)
		if code != c.code || !strings.Contains(body, c.want) {
			t.Errorf("%s %v: %d, want %d and %q", c.path, c.form, code, c.code, c.want)
		}
	}
	if got := p.b.actions(); len(got) > 0 {
		t.Errorf("did %v", got)
	}
}

func TestNextPhoto(t *testing.T) {
	p := open(t, newFake(), Options{})
	for _, c := range []struct{ from, visit, show, want string }{
		{hashFor(1), "all", "", "/photo/" + hashFor(2) + "?show=&visit=all"},
		{hashFor(2), "all", "queue", "/photo/" + hashFor(3) + "?show=queue&visit=all"},
		{hashFor(3), "all", "queue", "/photo/" + hashFor(6) + "?show=queue&visit=all"},
		{hashFor(3), "1", "", "/photos?show=&visit=1"},
		{hashFor(6), "all", "", "/photos?show=&visit=all"},
		{hashFor(6), "all", "queue", "/?show=queue&visit=all"},
	} {
		_, _, h := p.post("/photo/"+c.from+"/accept", url.Values{"then": {"next"}, "visit": {c.visit}, "show": {c.show}})
		if got := h.Get("Location"); got != c.want {
			t.Errorf("%+v went to %s", c, got)
		}
	}
}

func TestReadOnly(t *testing.T) {
	b := newFake()
	p := open(t, b, Options{})
	p.post("/photo/"+hashFor(1)+"/accept", nil) // for the token
	b.readOnly = true
	b.done = nil
	code, body, _ := p.post("/photo/"+hashFor(1)+"/accept", nil)
	if code != http.StatusForbidden || !strings.Contains(body, "nothing was stored") {
		t.Errorf("%d %s", code, body)
	}
	for _, path := range readable[8:14] {
		if _, body := p.get(path); strings.Contains(body, `method="post" action="/photo/`+hashFor(1)+`/accept`) || strings.Contains(body, "Take back") {
			t.Errorf("%s offers changes", path)
		}
	}
}

func TestPlaneAndThresholds(t *testing.T) {
	p := open(t, newFake(), Options{})
	r, _ := http.NewRequest("GET", p.address+"/photo/"+hashFor(1)+"/plane", nil)
	r.Header.Set("Accept-Encoding", "gzip")
	res, err := p.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	z, err := gzip.NewReader(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil || len(b) != 12+4 || binary.LittleEndian.Uint32(b) != 2 || binary.LittleEndian.Uint32(b[4:]) != 2 || binary.LittleEndian.Uint32(b[8:]) != 1 || b[15] != OutsideLevel {
		t.Errorf("%v %v", b, err)
	}
	_, body := p.get("/visit/1/thresholds")
	var th Thresholds
	if err := json.Unmarshal([]byte(body), &th); err != nil || len(th.Values) != 2 || len(th.Photos) != 1 {
		t.Errorf("%s %v", body, err)
	}
}

// Attacks.

func TestForeignHosts(t *testing.T) {
	p := open(t, newFake(), Options{})
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(p.address, "http://"))
	for host, ok := range map[string]bool{
		"127.0.0.1:" + port: true, "localhost:" + port: true, "LOCALHOST:" + port: true, "[::1]:" + port: true,
		"evil.example:" + port: false, "evil.example": false, "127.0.0.1": false, "localhost": false, "127.0.0.1:1": false,
		"localhost." + "evil.example:" + port: false, "0.0.0.0:" + port: false, "192.168.1.20:" + port: false,
	} {
		for _, path := range []string{"/photos", "/photo/" + hashFor(1), "/picture/" + hashFor(1) + "/small", "/page.js"} {
			code, body, _ := p.request("GET", path, "", func(r *http.Request) { r.Host = host })
			if (code == http.StatusOK) != ok {
				t.Errorf("Host %s %s: %d", host, path, code)
			}
			if !ok && strings.Contains(body, "Leeks") {
				t.Errorf("Host %s saw the trial", host)
			}
		}
	}
}

func TestForeignForms(t *testing.T) {
	p := open(t, newFake(), Options{})
	p.post("/photo/"+hashFor(1)+"/accept", nil)
	p.b.done = nil
	form := url.Values{"token": {p.token}}.Encode()
	for name, head := range map[string]http.Header{
		"other origin":       {"Origin": {"http://evil.example"}},
		"null origin":        {"Origin": {"null"}},
		"other port":         {"Origin": {"http://127.0.0.1:1"}},
		"cross-site fetch":   {"Sec-Fetch-Site": {"cross-site"}},
		"same-site fetch":    {"Sec-Fetch-Site": {"same-site"}},
		"site beats origin":  {"Sec-Fetch-Site": {"cross-site"}, "Origin": {p.address}},
		"a page of the host": {"Origin": {"http://localhost.evil.example"}},
	} {
		for _, path := range []string{"/photo/" + hashFor(1) + "/accept", "/undo/5", "/visit/1/threshold"} {
			code, _, _ := p.request("POST", path, form, func(r *http.Request) {
				for k, v := range head {
					r.Header[k] = v
				}
			})
			if code != http.StatusForbidden {
				t.Errorf("%s %s: %d", name, path, code)
			}
		}
	}
	// Without the headers of a browser the token still guards.
	for _, token := range []string{"", "0", strings.Repeat("0", 32), p.token + "0"} {
		if code, _, _ := p.request("POST", "/photo/"+hashFor(1)+"/accept", url.Values{"token": {token}}.Encode(), nil); code != http.StatusUnprocessableEntity {
			t.Errorf("token %q: %d", token, code)
		}
	}
	// A token in the address is none.
	if code, _, _ := p.request("POST", "/photo/"+hashFor(1)+"/accept?token="+p.token, "x=1", nil); code != http.StatusUnprocessableEntity {
		t.Errorf("token in the address: %d", code)
	}
	if len(p.b.actions()) > 0 || len(p.b.undone) > 0 {
		t.Errorf("did %v %v", p.b.actions(), p.b.undone)
	}
}

func TestPathsAreNoWayIn(t *testing.T) {
	p := open(t, newFake(), Options{})
	for _, path := range []string{
		"/picture/..%2f..%2f..%2fetc%2fpasswd/small", "/picture/%2e%2e/%2e%2e/small", "/../../etc/passwd", "/..%2f..%2fetc%2fpasswd",
		"/picture//etc/passwd/small", "/picture/" + hashFor(1) + "/..%2f..%2fpasswd", "/picture/" + hashFor(1) + "/small%00", "/assets/page.css",
		"/page.css/../layout.html", "/layout.html", "/picture/" + strings.ToUpper(hashFor(1)[:63]) + "A/small", "/picture/" + hashFor(1)[:12] + "/small",
		"/picture/" + hashFor(99) + "/small", "/photo/..%5c..%5cwindows", "/photo/" + hashFor(99) + "/plane", "/visit/..%2f1/threshold",
	} {
		r, err := http.NewRequest("GET", p.address, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.URL.Opaque = "//" + r.URL.Host + path // as written, not cleaned by the client
		res, err := p.client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := io.ReadAll(res.Body)
		res.Body.Close()
		if res.StatusCode == http.StatusOK || strings.Contains(string(b), "root:") {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
}

func TestOversizedBodies(t *testing.T) {
	p := open(t, newFake(), Options{})
	p.post("/photo/"+hashFor(1)+"/accept", nil)
	p.b.done = nil
	code, body, _ := p.post("/photo/"+hashFor(1)+"/reject", url.Values{"reason": {strings.Repeat("x", maxBody)}})
	if code != http.StatusRequestEntityTooLarge || !strings.Contains(body, "1024 KB") {
		t.Errorf("%d", code)
	}
	// The same without saying how long it is.
	r, _ := http.NewRequest("POST", p.address+"/photo/"+hashFor(1)+"/reject", io.MultiReader(strings.NewReader("token="+p.token+"&reason="), strings.NewReader(strings.Repeat("y", 2*maxBody))))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if res, err := p.client.Do(r); err == nil { // the server may also hang up
		res.Body.Close()
		if res.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("chunked: %d", res.StatusCode)
		}
	}
	long, _, _ := p.post("/photo/"+hashFor(1)+"/reject", url.Values{"reason": {strings.Repeat("é", 10*maxText)}})
	if got := p.b.actions(); long != http.StatusSeeOther || len(got) != 1 || len([]rune(got[0].(Reject).Reason)) != maxText {
		t.Errorf("%d %d", long, len(got))
	}
	if code, _, _ := p.request("GET", "/?x="+strings.Repeat("y", 64<<10), "", nil); code != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("long address: %d", code)
	}
}

// TestSlowClients: one who opens connections and says next to nothing is hung
// up on, and others are served meanwhile.
func TestSlowClients(t *testing.T) {
	srv := newHTTP(http.NotFoundHandler())
	if srv.ReadHeaderTimeout <= 0 || srv.ReadTimeout <= 0 || srv.WriteTimeout <= 0 || srv.IdleTimeout <= 0 {
		t.Fatal("a time limit is missing")
	}
	srv.ReadHeaderTimeout = 150 * time.Millisecond // the same server, in less time
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go srv.Serve(l)
	defer srv.Close()
	var slow []net.Conn
	for range 50 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: ")
		slow = append(slow, c)
	}
	res, err := http.Get("http://" + l.Addr().String())
	if err != nil || res.StatusCode != http.StatusNotFound {
		t.Fatalf("others wait: %v", err)
	}
	res.Body.Close()
	for _, c := range slow {
		c.SetReadDeadline(time.Now().Add(20 * time.Second))
		if _, err := bufio.NewReader(c).ReadString(0); err != io.EOF && !strings.Contains(fmt.Sprint(err), "reset") {
			t.Fatalf("a slow client was kept: %v", err)
		}
	}
}

func TestHeaders(t *testing.T) {
	p := open(t, newFake(), Options{})
	for _, path := range readable {
		_, _, h := p.request("GET", path, "", nil)
		csp := h.Get("Content-Security-Policy")
		if !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %q %q", path, csp, h.Get("X-Content-Type-Options"))
		}
	}
}

func TestOpenToNetwork(t *testing.T) {
	p := open(t, newFake(), Options{Open: "127.0.0.1"})
	base, key, ok := strings.Cut(p.address, "/?key=")
	if !ok || len(key) != 32 {
		t.Fatalf("address %s has no key", p.address)
	}
	p.address = base
	for _, path := range append([]string{"/?key=", "/?key=" + strings.Repeat("0", 32), "/log?key=" + key}, readable...) {
		if code, body, _ := p.request("GET", path, "", nil); code != http.StatusUnauthorized || strings.Contains(body, "Leeks") {
			t.Errorf("%s without the key: %d", path, code)
		}
	}
	if code, _, _ := p.request("POST", "/photo/"+hashFor(1)+"/accept", "token=x", nil); code != http.StatusUnauthorized {
		t.Errorf("POST without the key: %d", code)
	}
	for _, method := range []string{"POST", "HEAD", "PUT"} { // the key is taken by opening the page alone
		if code, _, h := p.request(method, "/?key="+key, "", nil); code != http.StatusUnauthorized || h.Get("Set-Cookie") != "" {
			t.Errorf("%s with the key in the address: %d %s", method, code, h.Get("Set-Cookie"))
		}
	}
	code, _, h := p.request("GET", "/?key="+key, "", nil)
	cookie := h.Get("Set-Cookie")
	if code != http.StatusSeeOther || h.Get("Location") != "/" || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") {
		t.Errorf("with the key: %d %s %s", code, h.Get("Location"), cookie)
	}
	if code, body := p.get("/photos"); code != http.StatusOK || strings.Contains(body, key) {
		t.Errorf("with the cookie: %d", code)
	}
	if code, _, _ := p.post("/photo/"+hashFor(1)+"/accept", nil); code != http.StatusSeeOther {
		t.Errorf("a form with the cookie: %d", code)
	}
}

func TestServeEndsAndRefuses(t *testing.T) {
	p := open(t, newFake(), Options{})
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(p.address, "http://"))
	var n int
	fmt.Sscan(port, &n)
	err := Serve(t.Context(), newFake(), nil, Options{Port: n}, func(Addresses) { t.Error("a taken port was opened") })
	if err == nil || !strings.Contains(err.Error(), "--port") {
		t.Errorf("%v", err)
	}
	if err := p.stop(); err != nil {
		t.Error(err)
	}
	if _, err := p.client.Get(p.address); err == nil {
		t.Error("the page answers after its end")
	}
}

// TestQueue walks the list as a browser does, by the links of the pages
// themselves: what is listed is what is visited, to the end, in every list.
func TestQueue(t *testing.T) {
	p := open(t, newFake(), Options{})
	link := regexp.MustCompile(`<a href="(/photo/[0-9a-f]{64}[^"]*)" rel="next"`)
	first := regexp.MustCompile(`<li><a href="(/photo/[0-9a-f]{64}[^"]*)"`)
	for _, list := range []string{"visit=all&show=queue", "visit=1&show=queue", "visit=2&show=queue", "visit=all&show=", "visit=2&show="} {
		_, body := p.get("/photos?" + list)
		listed := first.FindAllStringSubmatch(body, -1)
		at := ""
		if strings.HasSuffix(list, "queue") {
			_, _, h := p.request("GET", "/?"+list, "", nil)
			at = h.Get("Location")
		} else {
			at = html.UnescapeString(listed[0][1])
		}
		var visited []string
		for at != "" {
			visited = append(visited, at[7:71])
			code, body := p.get(at)
			if code != http.StatusOK {
				t.Fatalf("%s: %d", at, code)
			}
			at = ""
			if m := link.FindStringSubmatch(body); m != nil {
				at = html.UnescapeString(m[1])
			}
		}
		var want []string
		for _, l := range listed {
			want = append(want, l[1][7:71])
		}
		slices.Sort(want)
		got := slices.Sorted(slices.Values(visited))
		if !slices.Equal(got, want) || len(got) == 0 {
			t.Errorf("%s: listed %d, visited %d", list, len(want), len(got))
		}
	}
}

// TestQueueOrder: what waits for an answer comes first, then what cannot be
// read, then what is worth a glance; and an empty queue says that it is done.
func TestQueueOrder(t *testing.T) {
	b := newFake()
	p := open(t, b, Options{})
	code, _, h := p.request("GET", "/", "", nil)
	if code != http.StatusSeeOther || !strings.HasPrefix(h.Get("Location"), "/photo/"+hashFor(2)) {
		t.Errorf("%d %s", code, h.Get("Location"))
	}
	_, body := p.get(h.Get("Location"))
	if !strings.Contains(body, "<b>1</b> to answer") || !strings.Contains(body, "<b>1</b> unreadable · <b>1</b> worth a glance") || !strings.Contains(body, "1 of 3") {
		t.Error("the line above the queue is wrong")
	}
	for i := range b.season.Shots {
		b.season.Shots[i].State, b.season.Shots[i].Accepted = InUse, true
	}
	if code, body := p.get("/"); code != http.StatusOK || !strings.Contains(body, "<h1>Done</h1>") {
		t.Errorf("%d", code)
	}
}

// TestTreatmentsStayHidden: who decides about a photo does not see what was
// done to its plot.
func TestTreatmentsStayHidden(t *testing.T) {
	b := newFake()
	for i := range b.season.Shots {
		b.season.Shots[i].Treatment = "SECRETMULCH"
	}
	for i := range b.season.Plots {
		b.season.Plots[i].Treatment = "SECRETMULCH"
	}
	for h, ph := range b.photos {
		ph.Treatment = "SECRETMULCH"
		b.photos[h] = ph
	}
	p := open(t, b, Options{})
	for _, path := range readable {
		if _, body := p.get(path); strings.Contains(body, "SECRETMULCH") {
			t.Errorf("%s shows a treatment", path)
		}
	}
	// Asked for, they stand beside plots, and still not where one counts or
	// chooses a threshold.
	b.season.Shown = true
	for path, want := range map[string]bool{"/photos": true, "/photo/" + hashFor(1): true, "/photo/" + hashFor(1) + "/count": false, "/visit/2/threshold": false} {
		if _, body := p.get(path); strings.Contains(body, "SECRETMULCH") != want || !strings.Contains(body, "Hide the treatments") {
			t.Errorf("%s: a treatment is shown: %v", path, !want)
		}
	}
}

// TestActionsWithoutReload: the page itself asks for JSON, gets what became
// of the photo, and faults as one sentence.
func TestActionsWithoutReload(t *testing.T) {
	p := open(t, newFake(), Options{})
	p.post("/photo/"+hashFor(1)+"/accept", nil)
	ask := func(f url.Values) (int, string) {
		f.Set("token", p.token)
		code, body, _ := p.request("POST", "/photo/"+hashFor(1)+"/mark", f.Encode(), func(r *http.Request) {
			r.Header.Set("Origin", p.address)
			r.Header.Set("Accept", "application/json")
		})
		return code, body
	}
	code, body := ask(url.Values{"class": {"crop"}, "at": {"0.25,0.75"}})
	var a struct {
		Said    string
		Entry   int64
		Areas   []Area
		Numbers *Numbers
	}
	if err := json.Unmarshal([]byte(body), &a); err != nil || code != http.StatusOK || a.Said == "" || a.Entry != 5 || len(a.Areas) != 2 || a.Numbers == nil || a.Numbers.CoverFrac != 0.1234 {
		t.Errorf("%d %s %v", code, body, err)
	}
	code, body = ask(url.Values{"class": {"tree"}, "at": {"0.25,0.75"}})
	var f struct{ Fault string }
	if err := json.Unmarshal([]byte(body), &f); err != nil || code != http.StatusUnprocessableEntity || !strings.Contains(f.Fault, "say what the plant is") {
		t.Errorf("%d %s %v", code, body, err)
	}
}

// TestAttention: what is in doubt leads, hints come last, and an answer ends
// both.
func TestAttention(t *testing.T) {
	for _, c := range []struct {
		shot Shot
		want Attention
	}{
		{Shot{State: Waiting}, NeedsAnswer},
		{Shot{State: InUse, Looks: 1, Glances: 2}, NeedsAnswer},
		{Shot{State: InUse, Glances: 2}, WorthAGlance},
		{Shot{State: InUse}, NoAttention},
		{Shot{State: InUse, Looks: 1, Glances: 1, Accepted: true}, NoAttention},
		{Shot{State: Unread, Looks: 1}, Unreadable},
		{Shot{State: Aside, Looks: 1}, NoAttention},
		{Shot{State: Spare, Looks: 1, Glances: 1}, NoAttention},
	} {
		if got := c.shot.Attention(); got != c.want {
			t.Errorf("%+v: %d", c.shot, got)
		}
	}
}

// TestNoPicture: a file that cannot be shown is shown as such.
func TestNoPicture(t *testing.T) {
	p := open(t, newFake(), Options{})
	code, body, h := p.request("GET", "/picture/"+hashFor(3)+"/upright", "", nil)
	if code != http.StatusOK || h.Get("Content-Type") != "image/svg+xml" || !strings.Contains(body, "cannot be") {
		t.Errorf("%d %s %q", code, h.Get("Content-Type"), body)
	}
}

// TestCountedBefore: a count in force is told only after the own one is there,
// and replaced only on demand.
func TestCountedBefore(t *testing.T) {
	p := open(t, newFake(), Options{})
	p.b.before = []Count{{Class: "broadleaf", Plants: 26, Observer: "Cleo", Date: "2025-06-14"}}
	mine := url.Values{"observer": {"Ben"}, "class": {"broadleaf", "grass"}, "plants": {"3", "0"}, "seen": {"7"}}
	if _, body := p.get("/photo/" + hashFor(1) + "/count"); strings.Contains(body, ">26<") || strings.Contains(body, "Cleo") {
		t.Error("the count in force is shown before the own one is entered")
	}
	code, body, _ := p.post("/photo/"+hashFor(1)+"/count", mine)
	if code != http.StatusConflict || !strings.Contains(body, "broadleaf: <b>26</b> counted by Cleo on 2025-06-14") || !strings.Contains(body, "broadleaf: <b>3</b>") || len(p.b.actions()) > 0 {
		t.Errorf("%d %v %s", code, p.b.actions(), body)
	}
	for _, over := range []Over{OverReplace, OverBeside} {
		again := url.Values{"over": {string(over)}}
		for _, m := range regexp.MustCompile(`name="(observer|class|plants|seen)" value="([^"]*)"`).FindAllStringSubmatch(body, -1) {
			again.Add(m[1], m[2])
		}
		code, _, _ := p.post("/photo/"+hashFor(1)+"/count", again)
		want := Tally{Hash: hashFor(1), Observer: "Ben", Classes: []ClassCount{{"broadleaf", 3}, {"grass", 0}}, Seen: 9, Shown: true, Over: over}
		done := p.b.actions()
		if code != http.StatusSeeOther || len(done) == 0 || !reflect.DeepEqual(done[len(done)-1], want) {
			t.Errorf("%s: %d %#v", over, code, done)
		}
	}
	mine.Set("over", "both")
	if code, _, _ := p.post("/photo/"+hashFor(1)+"/count", mine); code != http.StatusUnprocessableEntity {
		t.Errorf("an unknown answer: %d", code)
	}
}
