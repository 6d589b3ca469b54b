package review

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"
)

// phone is a page opened by the phone's address: with its key, its cookie and
// the token of its page.
func phone(t *testing.T, opt Options) *page {
	t.Helper()
	opt.Phone = "127.0.0.1"
	p := open(t, newFake(), opt)
	base, key, ok := strings.Cut(p.phone, "/?key=")
	if !ok || len(key) != 32 {
		t.Fatalf("address %s has no key", p.phone)
	}
	p.address = base
	if opt.Encrypt {
		p.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}
	}
	if code, _, _ := p.request("GET", "/?key="+key, "", nil); code != http.StatusSeeOther {
		t.Fatalf("with the key: %d", code)
	}
	_, body := p.get("/")
	m := regexp.MustCompile(`<meta name="token" content="([0-9a-f]{32})">`).FindStringSubmatch(body)
	if m == nil {
		t.Fatal("no token on the phone's page")
	}
	p.token = m[1]
	return p
}

func (p *page) piece(key string, offset, total int, body string) (int, Progress, string) {
	p.t.Helper()
	code, text, _ := p.request("POST", fmt.Sprintf("/upload/%s?name=IMG_1.jpg&offset=%d&total=%d", key, offset, total), body, func(r *http.Request) {
		r.Header.Set("Origin", p.address)
		r.Header.Set("X-Token", p.token)
	})
	var out Progress
	json.Unmarshal([]byte(text), &out)
	return code, out, text
}

func TestPhoneUploads(t *testing.T) {
	for _, opt := range []Options{{}, {Encrypt: true}} {
		p := phone(t, opt)
		whole := strings.Repeat("photo ", 1000)
		key := "abcdef0123456789"
		if code, out, _ := p.piece(key, 0, len(whole), whole[:2500]); code != http.StatusOK || out.Have != 2500 || out.Verdict != nil {
			t.Fatalf("%d %+v", code, out)
		}
		// A piece sent again, since its answer was lost, is passed over.
		if _, out, _ := p.piece(key, 0, len(whole), whole[:2500]); out.Have != 2500 {
			t.Errorf("%+v", out)
		}
		code, body := p.get("/upload/" + key)
		if code != http.StatusOK || !strings.Contains(body, `"have":2500`) {
			t.Errorf("%d %s", code, body)
		}
		_, out, _ := p.piece(key, 2500, len(whole), whole[2500:])
		if out.Verdict == nil || !out.Verdict.Keep || !bytes.Equal(p.b.files[key], []byte(whole)) {
			t.Errorf("%+v, %d bytes", out, len(p.b.files[key]))
		}
	}
}

func TestPhoneCounts(t *testing.T) {
	p := phone(t, Options{})
	send := func(body, token string) (int, string) {
		code, text, _ := p.request("POST", "/count", body, func(r *http.Request) {
			r.Header.Set("Origin", p.address)
			r.Header.Set("X-Token", token)
		})
		return code, text
	}
	good := `{"key":"k1234567890","plot":"101","quadrat":1,"visit":1,"observer":"Ada","classes":[{"Class":"grass","Plants":0},{"Class":"broadleaf","Plants":3}]}`
	for range 2 {
		if code, body := send(good, p.token); code != http.StatusOK || !strings.Contains(body, "stored") {
			t.Errorf("%d %s", code, body)
		}
	}
	if c := p.b.counts["k1234567890"]; len(p.b.counts) != 1 || len(c.Classes) != 2 || c.Classes[0] != (ClassCount{"grass", 0}) {
		t.Errorf("%+v", p.b.counts)
	}
	for _, c := range []struct{ was, is, want string }{
		{`"Ada"`, `" "`, "who counted"}, {`"101"`, `""`, "which plot"}, {`"quadrat":1`, `"quadrat":0`, "which plot"}, {`"visit":1`, `"visit":0`, "which plot"},
		{`"Plants":3`, `"Plants":-1`, "cannot be stored"}, {`"grass"`, `"broadleaf"`, "cannot be stored"}, {`k1234567890`, `../../x`, "no key"}, {`}]}`, ``, "not arrive whole"},
	} {
		if code, body := send(strings.Replace(good, c.was, c.is, 1), p.token); code != http.StatusUnprocessableEntity || !strings.Contains(body, c.want) {
			t.Errorf("%s for %s: %d %s", c.is, c.was, code, body)
		}
	}
	if code, _ := send(good, "0"); code != http.StatusUnauthorized {
		t.Errorf("without the token: %d", code)
	}
	if len(p.b.counts) != 1 {
		t.Errorf("%d counts", len(p.b.counts))
	}
}

// TestPhoneSeesTheFieldOnly: behind the phone's door are the routes of the
// field and nothing else of the trial, and nobody comes in without its key.
func TestPhoneSeesTheFieldOnly(t *testing.T) {
	p := phone(t, Options{})
	for _, path := range []string{"/photos", "/log", "/photo/" + hashFor(1), "/photo/" + hashFor(1) + "/plane", "/picture/" + hashFor(1) + "/small", "/visit/1/threshold", "/page.js", "/undo/5"} {
		if code, body := p.get(path); code != http.StatusNotFound {
			t.Errorf("%s: %d %.60s", path, code, body)
		}
	}
	if code, _, _ := p.request("POST", "/photo/"+hashFor(1)+"/accept", "token="+p.token, func(r *http.Request) { r.Header.Set("Origin", p.address) }); code == http.StatusSeeOther || len(p.b.actions()) > 0 {
		t.Errorf("the phone did something: %d", code)
	}
	_, body := p.get("/walk")
	if strings.Contains(body, "BARE") || strings.Contains(body, "RYE") {
		t.Errorf("treatments on the phone: %s", body)
	}
	// The key of the phone is none for the page, nor the other way about.
	other := open(t, newFake(), Options{Phone: "127.0.0.1"})
	other.address, _, _ = strings.Cut(other.phone, "/?key=")
	for _, path := range []string{"/", "/walk", "/upload/abcdef0123456789", "/field.js"} {
		if code, body := other.get(path); code != http.StatusUnauthorized || strings.Contains(body, "Leeks") {
			t.Errorf("%s without the key: %d", path, code)
		}
	}
	// Foreign sites and hosts.
	for name, change := range map[string]func(*http.Request){
		"other origin": func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") },
		"cross site":   func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"other host":   func(r *http.Request) { r.Host = "evil.example" },
	} {
		code, _, _ := p.request("POST", "/upload/abcdef0123456789?name=x&offset=0&total=4", "abcd", func(r *http.Request) {
			r.Header.Set("X-Token", p.token)
			change(r)
		})
		if code == http.StatusOK {
			t.Errorf("%s: a photo was taken", name)
		}
	}
}

func TestPhoneLimits(t *testing.T) {
	p := phone(t, Options{})
	for _, c := range []struct {
		key           string
		offset, total int
		body          string
		code          int
	}{
		{"short", 0, 10, "x", 404}, {"..%2f..%2fetcpasswd", 0, 10, "x", 404}, {"ABCDEF0123456789", 0, 10, "x", 404},
		{"abcdef0123456789", -1, 10, "x", 422}, {"abcdef0123456789", 10, 10, "x", 422}, {"abcdef0123456789", 0, 0, "x", 422},
		{"abcdef0123456789", 0, maxPhoto + 1, "x", 422}, {"abcdef0123456789", 0, maxPhoto, strings.Repeat("x", maxPiece+1), 413},
	} {
		if code, _, body := p.piece(c.key, c.offset, c.total, c.body); code != c.code {
			t.Errorf("%s %d of %d: %d, want %d: %s", c.key, c.offset, c.total, code, c.code, body)
		}
	}
	p.token = strings.Repeat("0", 32)
	if code, _, _ := p.piece("abcdef0123456789", 0, 4, "abcd"); code != 401 {
		t.Errorf("without the token: %d", code)
	}
	if len(p.b.files) > 0 {
		t.Errorf("%d files were taken", len(p.b.files))
	}
}

// TestPhoneCertificate: the fingerprint printed is that of the certificate
// shown, so that a person can compare them.
func TestPhoneCertificate(t *testing.T) {
	p := open(t, newFake(), Options{Phone: "127.0.0.1", Encrypt: true})
	host, _, _ := strings.Cut(strings.TrimPrefix(p.phone, "https://"), "/")
	c, err := tls.Dial("tcp", host, &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	shown := c.ConnectionState().PeerCertificates[0]
	if got := fmt.Sprintf("% X", sha256.Sum256(shown.Raw)); strings.ReplaceAll(got, " ", ":") != p.fingerprint || shown.VerifyHostname("127.0.0.1") != nil {
		t.Errorf("shown %s, printed %s", got, p.fingerprint)
	}
}

// TestPhoneWithoutTheLaptop: the browser may keep the page of the phone, and
// nothing else; a kept certificate is shown again as long as it holds.
func TestPhoneWithoutTheLaptop(t *testing.T) {
	p := phone(t, Options{})
	for path, want := range map[string]string{"/": phoneCache, "/field.js": phoneCache, "/page.css": phoneCache, "/offline.js": "no-cache", "/walk": "no-store"} {
		if code, _, h := p.request("GET", path, "", nil); code != http.StatusOK || h.Get("Cache-Control") != want {
			t.Errorf("%s: %d %s", path, code, h.Get("Cache-Control"))
		}
	}
	if code, _ := p.get("/certificate.crt"); code != http.StatusNotFound {
		t.Errorf("a certificate without TLS: %d", code)
	}
	// Every file of the page that is kept for the phone is one the door serves.
	script, _ := assets.ReadFile("assets/offline.js")
	for _, m := range regexp.MustCompile(`"(/[a-z]+\.[a-z]+)"`).FindAllStringSubmatch(string(script), -1) {
		if code, _ := p.get(m[1]); code != http.StatusOK {
			t.Errorf("%s is to be kept: %d", m[1], code)
		}
	}

	q := phone(t, Options{Encrypt: true})
	_, body, h := q.request("GET", "/certificate.crt", "", nil)
	shown, err := x509.ParseCertificate([]byte(body))
	if err != nil || h.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Fatal(err, h)
	}
	if _, page := q.get("/"); !strings.Contains(page, "/certificate.crt") {
		t.Error("the page does not offer its certificate")
	}
	// It vouches for its own address alone.
	roots := x509.NewCertPool()
	roots.AddCert(shown)
	for _, host := range []string{"127.0.0.1", "127.0.0.2", "bank.example"} {
		_, err := shown.Verify(x509.VerifyOptions{DNSName: host, Roots: roots})
		if (err == nil) != (host == "127.0.0.1") {
			t.Errorf("%s: %v", host, err)
		}
	}
	now := time.Now()
	first, err := ownCertificate("192.168.1.20", now)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := certificatePEM(first)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		pem  []byte
		host string
		at   time.Time
		same bool
	}{
		{kept, "192.168.1.20", now, true}, {kept, "192.168.1.20", now.Add(certificateLife - 8*24*time.Hour), true},
		{kept, "192.168.1.21", now, false}, {kept, "192.168.1.20", now.Add(certificateLife - 6*24*time.Hour), false},
		{kept[:len(kept)/2], "192.168.1.20", now, false}, {nil, "192.168.1.20", now, false},
	} {
		got, err := keptCertificate(c.pem, c.host, c.at)
		if err != nil || bytes.Equal(got.Certificate[0], first.Certificate[0]) != c.same {
			t.Errorf("%s at %v: %v", c.host, c.at, err)
		}
	}
}

// TestPhoneAsksBeforeReplacing: what a person counted before comes back to the
// phone with the refusal, so that the phone can ask.
func TestPhoneAsksBeforeReplacing(t *testing.T) {
	p := phone(t, Options{})
	p.b.before = []Count{{Class: "grass", Plants: 4, Observer: "Ada"}}
	send := func(over string) (int, string) {
		code, text, _ := p.request("POST", "/count", `{"key":"k1234567890","plot":"101","quadrat":1,"visit":1,"observer":"Ada","classes":[{"Class":"grass","Plants":5}],"over":"`+over+`"}`, func(r *http.Request) {
			r.Header.Set("Origin", p.address)
			r.Header.Set("X-Token", p.token)
		})
		return code, text
	}
	var asked struct{ Before []Count }
	code, body := send("")
	if err := json.Unmarshal([]byte(body), &asked); err != nil || code != http.StatusConflict || len(asked.Before) != 1 || asked.Before[0].Plants != 4 || len(p.b.counts) > 0 {
		t.Errorf("%d %s %v", code, body, err)
	}
	if code, body := send("replace"); code != http.StatusOK || len(p.b.counts) != 1 {
		t.Errorf("%d %s", code, body)
	}
	if code, body := send("whatever"); code != http.StatusUnprocessableEntity {
		t.Errorf("%d %s", code, body)
	}
}
