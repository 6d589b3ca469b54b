package review

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"net/url"
	"slices"
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
	"asset": assetAddress,
}).ParseFS(assets, "assets/*.html"))

// assetAddress is where a file of the page lies, with a part that changes when
// the file does: a phone keeps what it has.
func assetAddress(name string) (string, error) {
	content, err := assets.ReadFile("assets/" + name)
	sum := sha256.Sum256(content)
	return "/" + name + "?v=" + hex.EncodeToString(sum[:4]), err
}

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
	// Phone is the address of this machine in the local network under which a
	// phone in the field may send photos and counts, and nothing else; "" none.
	Phone string
	// Door is that of an earlier run, so that a phone that has its address
	// goes on without scanning again; nil a new one.
	Door *Door
	// Encrypt serves the phone over TLS, with a certificate of its own: the
	// phone's browser will ask whether to trust it.
	Encrypt bool
	// Certificate is that of an earlier run with its key, in PEM, so that a
	// phone that trusts it need not be asked again; nil a new one.
	Certificate []byte
}

// Door is what a phone needs to come in.
type Door struct {
	Port  int    `json:"port"`
	Key   string `json:"key"`   // in the address
	Token string `json:"token"` // in what is sent
}

// Addresses are where the page can be opened.
type Addresses struct {
	Page  string
	Phone string // "" not served
	Door  Door   // of the phone
	// Certificate is what the phone is served with, with its key, in PEM; nil
	// without TLS.
	Certificate []byte
	// Fingerprint is the SHA-256 of the certificate shown to the phone, by
	// which a person can tell it from another; "" without TLS.
	Fingerprint string
}

// Server is the page of one trial.
type Server struct {
	backend Backend
	field   Field
	hosts   map[string]bool
	key     string // asked of everybody where the page is open to the network
	token   string // in every form of this session
	visit   int

	mu    sync.Mutex
	shown map[string]bool // photos whose value was shown in this session
}

// Serve listens and answers until ctx ends. ready is called once with the
// addresses to open. field may be nil where no phone is served.
func Serve(ctx context.Context, b Backend, field Field, opt Options, ready func(Addresses)) error {
	if opt.Door == nil {
		opt.Door = &Door{Key: newKey(), Token: newKey()}
	}
	s := &Server{backend: b, field: field, token: opt.Door.Token, visit: opt.Visit, shown: map[string]bool{}}
	l, err := listen(cmp.Or(opt.Open, "127.0.0.1"), opt.Port)
	if err != nil {
		return err
	}
	s.hosts = hostsFor(l.Addr(), opt.Open)
	at := Addresses{Page: "http://" + l.Addr().String() + "/"}
	if opt.Open != "" {
		_, port, _ := net.SplitHostPort(l.Addr().String())
		s.key = newKey()
		at.Page = "http://" + net.JoinHostPort(opt.Open, port) + "/?key=" + s.key
	}
	serving := []served{{newHTTP(s.Handler()), l}}
	if opt.Phone != "" {
		one, err := s.servePhone(opt, &at)
		if err != nil {
			l.Close()
			return err
		}
		serving = append(serving, one)
	}
	ended := make(chan error, len(serving))
	for _, one := range serving {
		one.srv.BaseContext = func(net.Listener) context.Context { return ctx }
		go func() { ended <- one.srv.Serve(one.l) }()
	}
	ready(at)
	select {
	case err = <-ended:
	case <-ctx.Done():
		err = nil
	}
	closing, stop := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer stop()
	for _, one := range serving {
		if one.srv.Shutdown(closing) != nil {
			one.srv.Close()
		}
	}
	return err
}

type served struct {
	srv *http.Server
	l   net.Listener
}

func listen(host string, port int) (net.Listener, error) {
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return nil, fmt.Errorf("the page cannot be opened at %s port %d: another program may have it; choose another --port (%w)", host, port, err)
	}
	return l, nil
}

// Handler is every route behind the guard. Looking is GET; whatever changes
// the record is POST.
func (s *Server) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /{$}", s.queue)
	m.HandleFunc("GET /photos", s.roll)
	m.HandleFunc("GET /photo/{hash}", s.photo)
	m.HandleFunc("GET /photo/{hash}/frame", s.frame)
	m.HandleFunc("GET /photo/{hash}/count", s.count)
	m.HandleFunc("GET /photo/{hash}/plane", s.plane)
	m.HandleFunc("GET /visit/{visit}/threshold", s.threshold)
	m.HandleFunc("GET /visit/{visit}/thresholds", s.thresholds)
	m.HandleFunc("GET /picture/{hash}/{view}", s.picture)
	m.HandleFunc("GET /log", s.log)
	s.servePlants(m)
	s.serveAssets(m, "page.css", "page.js", "icon.svg")
	m.HandleFunc("POST /photo/{hash}/{what}", s.change)
	m.HandleFunc("POST /visit/{visit}/threshold", s.change)
	m.HandleFunc("POST "+treatmentsPath, s.change)
	m.HandleFunc("POST /undo/{entry}", s.undo)
	m.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.fault(w, r, http.StatusNotFound, "there is no such page here")
	})
	return s.guard(m, s.hosts, s.key)
}

const treatmentsPath = "/treatments"

func (s *Server) serveAssets(m *http.ServeMux, names ...string) {
	for _, name := range names {
		m.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			http.ServeFileFS(w, r, assets, "assets/"+name)
		})
	}
}

// view is what every page is filled with.
type view struct {
	Title   string
	Token   string
	Season  Season
	Filter  filter
	Said    said   // what the last action did
	Hash    string // of the photo it is about; "" none
	Next    string // photo to go to after what was done on this one; "" none
	Answers bool   // the page asks for an answer, at the bottom on a phone
	Now     string // which part of the page is open
	Body    any
}

// show renders to a buffer first, so that a page comes whole or not at all.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, page string, v view) {
	v.Token = s.token
	v.Said = heard(w, r)
	if v.Said.Hash != v.Hash {
		v.Next = "" // this is the next one already
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
	if wantsJSON(r) {
		b, _ := json.Marshal(map[string]string{"fault": text})
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(status)
		w.Write(b)
		return
	}
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
	if h := r.PathValue("hash"); isHash(h) {
		return h, nil
	}
	return "", ErrUnknown
}

func isHash(h string) bool { return len(h) == 64 && strings.Trim(h, "0123456789abcdef") == "" }

// What a list of photos holds.
const (
	showAll   = ""      // every photo
	showQueue = "queue" // those that need a person, the most urgent first
)

// filter says which photos are looked at. It is part of every address, so
// that a list survives every action, a reload and the way back.
type filter struct {
	Visit int // -1 all; 0 those of no known visit
	Show  string
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
	if get("show") == showQueue {
		f.Show = showQueue
	}
	return f
}

// VisitWord is the visit as it stands in addresses.
func (f filter) VisitWord() string {
	if f.Visit < 0 {
		return "all"
	}
	return strconv.Itoa(f.Visit)
}

// Query is the filter as it stands in addresses. Its type tells the template
// that it is an address already: escaped once more it would be one key
// without a value, and the list would be lost at the first click.
func (f filter) Query() template.URL {
	return template.URL(url.Values{"visit": {f.VisitWord()}, "show": {f.Show}}.Encode())
}

func (f filter) fits(p Shot) bool {
	return (f.Visit < 0 || p.Visit == f.Visit) && (f.Show != showQueue || p.Attention() != NoAttention)
}

// list is what the filter leaves of the photos, in the order they are gone
// through: by visit and walk, and in the queue the most urgent first.
func (f filter) list(shots []Shot) []Shot {
	var out []Shot
	for _, p := range shots {
		if f.fits(p) {
			out = append(out, p)
		}
	}
	if f.Show == showQueue {
		slices.SortStableFunc(out, func(a, b Shot) int { return cmp.Compare(b.Attention(), a.Attention()) })
	}
	return out
}

// around finds the neighbours of a photo in the list, and its place in it
// from 1; 0 where the list does not hold it. The next of a photo that is not
// in the list is the list's first.
func (f filter) around(shots []Shot, hash string) (before, after string, place, all int) {
	list := f.list(shots)
	i := slices.IndexFunc(list, func(p Shot) bool { return p.Hash == hash })
	if i > 0 {
		before = list[i-1].Hash
	}
	if i+1 < len(list) {
		after = list[i+1].Hash
	}
	return before, after, i + 1, len(list)
}

// queueSums counts what the queue holds.
type queueSums struct{ Answer, Unreadable, Glance int }

func (f filter) sums(shots []Shot) queueSums {
	var q queueSums
	for _, p := range shots {
		if f.Visit >= 0 && p.Visit != f.Visit {
			continue
		}
		switch p.Attention() {
		case NeedsAnswer:
			q.Answer++
		case Unreadable:
			q.Unreadable++
		case WorthAGlance:
			q.Glance++
		}
	}
	return q
}

// All is the length of the queue.
func (q queueSums) All() int { return q.Answer + q.Unreadable + q.Glance }

// queue leads to the first photo that matters, or says that none is left.
func (s *Server) queue(w http.ResponseWriter, r *http.Request) {
	season, err := s.backend.Season(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f := s.filterOf(r.URL.Query().Get)
	f.Show = showQueue
	if list := f.list(season.Shots); len(list) > 0 {
		http.Redirect(w, r, "/photo/"+list[0].Hash+"?"+string(f.Query()), http.StatusSeeOther)
		return
	}
	s.show(w, r, http.StatusOK, "done.html", view{Title: "Done", Season: season, Filter: f, Now: "queue"})
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
	for _, v := range season.Visits {
		part := rollPart{Visit: v}
		for _, p := range season.Shots {
			if p.Visit != v.Number || (f.Visit >= 0 && f.Visit != v.Number) {
				continue
			}
			count[p.State]++
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
		Queue  queueSums
	}{parts, []State{InUse, Waiting, Unread, Spare, Aside}, count, f.sums(season.Shots)}})
}

// onePhoto is what the pages about one photo are filled with.
type onePhoto struct {
	Photo         Photo
	Before, After string
	Place, Of     int // in the list; Place 0: not in it
	Queue         queueSums
	Reasons       []string
}

// reasons are the ones that most photos are set aside for.
var reasons = []string{"boot in the frame", "half in shadow", "blurred", "frame not flat", "wrong plot"}

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
	o := onePhoto{Photo: p, Queue: f.sums(season.Shots), Reasons: reasons}
	o.Before, o.After, o.Place, o.Of = f.around(season.Shots, hash)
	s.show(w, r, http.StatusOK, page, view{Title: title + " " + p.Name, Season: season, Filter: f, Hash: hash, Next: o.After, Answers: page == "photo.html", Body: o})
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
	if err == nil && !slices.Contains([]View{Straight, Upright, Small, Close, Full, Card}, v) {
		err = ErrUnknown
	}
	var b []byte
	if err == nil {
		b, err = s.backend.Picture(r.Context(), hash, v)
	}
	switch {
	case errors.Is(err, ErrNoPicture):
		http.ServeFileFS(w, r, assets, "assets/nopicture.svg")
		return
	case errors.Is(err, ErrNoCard):
		http.ServeFileFS(w, r, assets, "assets/nocard.svg")
		return
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

// plane sends the levels: little-endian and of 32 bits, width, height and the
// level of the threshold in force, then a byte a cell, row by row, compressed
// on the way.
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
	var head []byte
	for _, n := range []int{p.Width, p.Height, p.Level} {
		head = binary.LittleEndian.AppendUint32(head, uint32(n))
	}
	z.Write(head)
	z.Write(p.Levels)
	z.Close()
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Encoding", "gzip")
	w.Write(b.Bytes())
}

func (s *Server) visitThresholds(r *http.Request) (Thresholds, error) {
	visit, err := strconv.Atoi(r.PathValue("visit"))
	if err != nil {
		return Thresholds{}, ErrUnknown
	}
	return s.backend.Thresholds(r.Context(), visit)
}

// threshold is the page of a visit's threshold.
func (s *Server) threshold(w http.ResponseWriter, r *http.Request) {
	t, err := s.visitThresholds(r)
	var season Season
	if err == nil {
		season, err = s.backend.Season(r.Context())
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	steps, err := s.backend.Log(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body := struct {
		Visit  int
		Now    float64
		Basis  string
		ByHand bool
		Photo  string // to go back to
		Steps  []Step // in force, about this threshold
	}{Visit: t.Visit, Now: t.Values[t.Now], Basis: t.Basis, ByHand: t.ByHand,
		Steps: slices.DeleteFunc(steps, func(st Step) bool { return !st.Live || t.Visit == 0 || st.Visit != t.Visit })}
	if h := r.URL.Query().Get("photo"); isHash(h) {
		body.Photo = h
	}
	s.show(w, r, http.StatusOK, "threshold.html", view{Title: fmt.Sprintf("Threshold of visit %d", t.Visit), Season: season, Filter: s.filterOf(r.URL.Query().Get), Body: body})
}

// thresholds sends the same as numbers.
func (s *Server) thresholds(w http.ResponseWriter, r *http.Request) {
	t, err := s.visitThresholds(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.sendJSON(w, r, t)
}

func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(b)
}
