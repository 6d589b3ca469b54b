package review

import (
	"bytes"
	"compress/gzip"
	"context"
	"embed"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
)

//go:embed assets
var assets embed.FS

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"pct":   percent,
	"plain": func(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) },
	"clock": func(t time.Time) string { return t.Local().Format("2006-01-02 15:04") },
	"json":  toJSON,
	"slug":  func(s State) string { return strings.ReplaceAll(string(s), " ", "-") },
}).ParseFS(assets, "assets/*.html"))

func percent(frac float64) string { return strconv.FormatFloat(100*frac, 'f', 1, 64) }

func toJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// Options say where the page listens.
type Options struct {
	Port int // 0: any free one
	// Open is the address of this machine in the local network under which
	// the page may be reached from others; "" keeps it to this machine.
	Open string
	// Visit is the visit shown first; 0 all.
	Visit int
}

// Server is the page of one trial.
type Server struct {
	backend Backend
	hosts   map[string]bool
	key     string // asked of everybody where the page is open to the network
	token   string // in every form of this session
	visit   int

	mu    sync.Mutex
	shown map[string]bool // photos whose value was shown in this session
}

// Serve listens and answers until ctx ends. ready is called once with the
// address to open.
func Serve(ctx context.Context, b Backend, opt Options, ready func(address string)) error {
	host := "127.0.0.1"
	if opt.Open != "" {
		host = opt.Open
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(opt.Port)))
	if err != nil {
		return fmt.Errorf("the page cannot be opened at %s port %d: another program may have it; choose another --port (%w)", host, opt.Port, err)
	}
	s := &Server{backend: b, hosts: hostsFor(l.Addr(), opt.Open), token: newKey(), visit: opt.Visit, shown: map[string]bool{}}
	address := "http://" + l.Addr().String() + "/"
	if opt.Open != "" {
		_, port, _ := net.SplitHostPort(l.Addr().String())
		s.key = newKey()
		address = "http://" + net.JoinHostPort(opt.Open, port) + "/?key=" + s.key
	}
	srv := newHTTP(s.Handler())
	srv.BaseContext = func(net.Listener) context.Context { return ctx }
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	ready(address)
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
		closing, stop := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer stop()
		if srv.Shutdown(closing) != nil {
			srv.Close()
		}
		return nil
	}
}

// Handler is every route behind the guard. Looking is GET; whatever changes
// the record is POST.
func (s *Server) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /{$}", s.roll)
	m.HandleFunc("GET /photo/{hash}", s.photo)
	m.HandleFunc("GET /photo/{hash}/frame", s.frame)
	m.HandleFunc("GET /photo/{hash}/count", s.count)
	m.HandleFunc("GET /photo/{hash}/plane", s.plane)
	m.HandleFunc("GET /photo/{hash}/thresholds", s.thresholds)
	m.HandleFunc("GET /picture/{hash}/{view}", s.picture)
	m.HandleFunc("GET /log", s.log)
	for _, name := range []string{"page.css", "page.js", "icon.svg"} {
		m.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			http.ServeFileFS(w, r, assets, "assets/"+name)
		})
	}
	m.HandleFunc("POST /photo/{hash}/{what}", s.change)
	m.HandleFunc("POST /visit/{visit}/threshold", s.change)
	m.HandleFunc("POST /undo/{entry}", s.undo)
	m.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.fault(w, r, http.StatusNotFound, "there is no such page here")
	})
	return s.guard(m)
}

// view is what every page is filled with.
type view struct {
	Title  string
	Token  string
	Season Season
	Filter filter
	Said   string // what the last action did
	Now    string // which part of the page is open
	Body   any
}

// show renders to a buffer first, so that a page comes whole or not at all.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, page string, v view) {
	v.Token = s.token
	if c, err := r.Cookie(saidCookie); err == nil {
		v.Said, _ = url.QueryUnescape(c.Value)
		http.SetCookie(w, &http.Cookie{Name: saidCookie, Path: "/", MaxAge: -1})
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, page, v); err != nil {
		http.Error(w, "the page could not be drawn: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(b.Bytes())
}

// fault shows a sentence.
func (s *Server) fault(w http.ResponseWriter, r *http.Request, status int, text string) {
	s.show(w, r, status, "fault.html", view{Title: "Not done", Body: text})
}

// fail turns an error of the backend into a page.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var tooLarge *http.MaxBytesError
	status := http.StatusInternalServerError
	switch {
	case errors.Is(err, ErrUnknown):
		status = http.StatusNotFound
	case errors.Is(err, ErrReadOnly):
		status = http.StatusForbidden
	case errors.As(err, new(Refusal)):
		status = http.StatusUnprocessableEntity
	case errors.As(err, &tooLarge):
		status, err = http.StatusRequestEntityTooLarge, fmt.Errorf("this is more than %d KB: draw fewer or simpler areas", tooLarge.Limit>>10)
	}
	s.fault(w, r, status, err.Error())
}

// photoHash takes a content hash from the address and nothing else.
func photoHash(r *http.Request) (string, error) {
	h := r.PathValue("hash")
	if len(h) != 64 || strings.Trim(h, "0123456789abcdef") != "" {
		return "", ErrUnknown
	}
	return h, nil
}

// filter says which photos of the roll are looked at.
type filter struct {
	Visit int    // -1 all; 0 those of no known visit
	Show  string // "" all, "eye" those that need one
}

func (s *Server) filterOf(get func(string) string) filter {
	f := filter{Visit: -1}
	if s.visit > 0 {
		f.Visit = s.visit
	}
	if v := get("visit"); v != "" {
		f.Visit = -1
		if n, err := strconv.Atoi(v); err == nil && n >= 0 {
			f.Visit = n
		}
	}
	if get("show") == "eye" {
		f.Show = "eye"
	}
	return f
}

// Query is the filter as it stands in addresses.
func (f filter) Query() string {
	visit := "all"
	if f.Visit >= 0 {
		visit = strconv.Itoa(f.Visit)
	}
	return "visit=" + visit + "&show=" + f.Show
}

func (f filter) fits(p Shot) bool {
	return (f.Visit < 0 || p.Visit == f.Visit) && (f.Show != "eye" || p.NeedsEye())
}

// around finds the neighbours of a photo among those looked at.
func (f filter) around(shots []Shot, hash string) (before, after string) {
	found := false
	for _, p := range shots {
		switch {
		case p.Hash == hash:
			found = true
		case !f.fits(p):
		case !found:
			before = p.Hash
		default:
			return before, p.Hash
		}
	}
	return before, ""
}

// rollPart is one visit of the roll.
type rollPart struct {
	Visit Visit
	Shots []Shot
}

func (s *Server) roll(w http.ResponseWriter, r *http.Request) {
	season, err := s.backend.Season(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f := s.filterOf(r.URL.Query().Get)
	var parts []rollPart
	count := map[State]int{}
	eye := 0
	for _, v := range season.Visits {
		part := rollPart{Visit: v}
		for _, p := range season.Shots {
			if p.Visit != v.Number || (f.Visit >= 0 && f.Visit != v.Number) {
				continue
			}
			count[p.State]++
			if p.NeedsEye() {
				eye++
			}
			if f.fits(p) {
				part.Shots = append(part.Shots, p)
			}
		}
		if len(part.Shots) > 0 {
			parts = append(parts, part)
		}
	}
	s.show(w, r, http.StatusOK, "roll.html", view{Title: "Photos", Season: season, Filter: f, Now: "roll", Body: struct {
		Parts  []rollPart
		States []State
		Count  map[State]int
		Eye    int
	}{parts, []State{InUse, Waiting, Unread, Spare, Aside}, count, eye}})
}

// onePhoto is what the pages about one photo are filled with.
type onePhoto struct {
	Photo         Photo
	Before, After string
	Classes       []Class
}

// cornerRow is one corner of the frame in percent of the photo.
type cornerRow struct {
	N    int
	X, Y string
}

// CornerRows are the corners as known, or a guess to start from.
func (o onePhoto) CornerRows() []cornerRow {
	at := [4]XY{{0.2, 0.2}, {0.8, 0.2}, {0.8, 0.8}, {0.2, 0.8}}
	if o.Photo.Corners != nil {
		at = *o.Photo.Corners
	}
	var rows []cornerRow
	for i, c := range at {
		f := func(v float64) string { return strconv.FormatFloat(100*v, 'f', 3, 64) }
		rows = append(rows, cornerRow{i + 1, f(c[0]), f(c[1])})
	}
	return rows
}

func (s *Server) one(w http.ResponseWriter, r *http.Request, page, title string) (Photo, bool) {
	hash, err := photoHash(r)
	var season Season
	var p Photo
	if err == nil {
		season, err = s.backend.Season(r.Context())
	}
	if err == nil {
		p, err = s.backend.Photo(r.Context(), hash)
	}
	if err != nil {
		s.fail(w, r, err)
		return p, false
	}
	f := s.filterOf(r.URL.Query().Get)
	before, after := f.around(season.Shots, hash)
	s.show(w, r, http.StatusOK, page, view{Title: title + " " + p.Name, Season: season, Filter: f, Body: onePhoto{p, before, after, Classes()}})
	return p, true
}

func (s *Server) photo(w http.ResponseWriter, r *http.Request) {
	if p, ok := s.one(w, r, "photo.html", "Photo"); ok && p.Numbers != nil {
		s.mu.Lock()
		s.shown[p.Hash] = true
		s.mu.Unlock()
	}
}

func (s *Server) frame(w http.ResponseWriter, r *http.Request) { s.one(w, r, "frame.html", "Frame of") }
func (s *Server) count(w http.ResponseWriter, r *http.Request) { s.one(w, r, "count.html", "Count on") }

func (s *Server) log(w http.ResponseWriter, r *http.Request) {
	season, err := s.backend.Season(r.Context())
	var steps []Step
	if err == nil {
		steps, err = s.backend.Log(r.Context())
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "log.html", view{Title: "Log", Season: season, Filter: s.filterOf(r.URL.Query().Get), Now: "log", Body: steps})
}

func (s *Server) picture(w http.ResponseWriter, r *http.Request) {
	hash, err := photoHash(r)
	v := View(r.PathValue("view"))
	if err == nil && v != Straight && v != Upright && v != Small {
		err = ErrUnknown
	}
	var b []byte
	if err == nil {
		b, err = s.backend.Picture(r.Context(), hash, v)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "image/jpeg")
	h.Set("Cache-Control", "private, no-cache") // the corners may be moved
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
}

// plane sends the levels: two little-endian sizes of 32 bits, then a byte a
// cell, row by row, compressed on the way.
func (s *Server) plane(w http.ResponseWriter, r *http.Request) {
	hash, err := photoHash(r)
	var p Plane
	if err == nil {
		p, err = s.backend.Plane(r.Context(), hash)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	z.Write(binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, uint32(p.Width)), uint32(p.Height)))
	z.Write(p.Levels)
	z.Close()
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Encoding", "gzip")
	w.Write(b.Bytes())
}

func (s *Server) thresholds(w http.ResponseWriter, r *http.Request) {
	hash, err := photoHash(r)
	var t Thresholds
	if err == nil {
		t, err = s.backend.Thresholds(r.Context(), hash)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	b, err := json.Marshal(t)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(b)
}
