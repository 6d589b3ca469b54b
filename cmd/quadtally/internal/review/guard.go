package review

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"net"
	"net/http"
	"strings"
	"time"
)

// maxBody bounds what a form may send.
const maxBody = 1 << 20

// newKey is a fresh secret of 128 bits.
func newKey() string {
	var b [16]byte
	rand.Read(b[:])
	return hex.EncodeToString(b[:])
}

func sameKey(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// guard stands before every page. A page of another site that has its name
// pointed at this machine is found out by the Host, and one that sends a form
// across by Origin and Sec-Fetch-Site; the token in our own forms is a second
// lock on the same door.
func (s *Server) guard(next http.Handler, hosts map[string]bool, key string) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fault(w, r, http.StatusForbidden, "this was sent by another site: nothing was changed")
	}))
	inner := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !hosts[strings.ToLower(r.Host)] {
			http.Error(w, "this page answers only under the address that quadtally printed", http.StatusMisdirectedRequest)
			return
		}
		if key != "" && !admitted(w, r, key) {
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		inner.ServeHTTP(w, r)
	})
}

const cookieName = "quadtally-key"

// admitted lets in who holds the key of a page opened to the network: once by
// the address, from then on by a cookie.
func admitted(w http.ResponseWriter, r *http.Request, key string) bool {
	if c, err := r.Cookie(cookieName); err == nil && sameKey(c.Value, key) {
		return true
	}
	if r.Method == http.MethodGet && r.URL.Path == "/" && sameKey(r.URL.Query().Get("key"), key) {
		http.SetCookie(w, &http.Cookie{Name: cookieName, Value: key, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return false
	}
	http.Error(w, "the key is missing: open the whole address that quadtally printed", http.StatusUnauthorized)
	return false
}

// hostsFor lists the Host headers under which a listener may be spoken to.
func hostsFor(addr net.Addr, named string) map[string]bool {
	_, port, _ := net.SplitHostPort(addr.String())
	hosts := map[string]bool{}
	names := []string{"127.0.0.1", "localhost", "::1"}
	if named != "" {
		names = append(names, strings.ToLower(named))
	}
	for _, n := range names {
		hosts[net.JoinHostPort(n, port)] = true
	}
	return hosts
}

// newHTTP is a server that a slow or greedy client cannot hold up. A photo
// measured anew may take a minute, hence the long time to write.
func newHTTP(h http.Handler) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      2 * time.Minute,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    32 << 10,
	}
}
