package review

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
)

// Field is a trial as a phone in the field needs it: photos come in, what
// they are worth is said while one still kneels, and counts are stored blind.
// Nothing else of the trial can be read or changed through it. Its methods
// may be called at the same time.
type Field interface {
	// Walk lists the quadrats of a visit in walking order, with what is still
	// missing; 0 is the visit of today, or the one nearest to it.
	Walk(ctx context.Context, visit int) (Walk, error)
	// Upload takes the next piece of a photo file. A file is known by the key
	// its sender made from its content. Pieces that are there already are
	// passed over, so that a sender may begin again anywhere before the end.
	Upload(ctx context.Context, p Piece) (Progress, error)
	// Received tells how much of a file is there.
	Received(ctx context.Context, key string) (Progress, error)
	// FieldCount stores a hand count. The same count sent twice is stored once.
	// Where another observer's is in force it is stored beside that one, whatever
	// the count says; where the same observer's is, nothing is stored and the error is a
	// *CountedBefore, unless the count says what shall become of it.
	FieldCount(ctx context.Context, c FieldCount) (string, error)
}

// Walk is a visit as it is walked.
type Walk struct {
	Trial    string     `json:"trial"`
	Visit    int        `json:"visit"`
	Visits   []Visit    `json:"visits"`
	Observer string     `json:"observer"`
	Rule     string     `json:"rule"` // what counts as a plant
	Classes  []string   `json:"classes"`
	Quadrats []WalkSpot `json:"quadrats"`
}

// WalkSpot is one quadrat of the walk.
type WalkSpot struct {
	Plot    string `json:"plot"`
	Quadrat int    `json:"quadrat"`
	Photo   bool   `json:"photo"` // one is in use
	Counted bool   `json:"counted"`
}

// Piece is a part of a photo file on its way.
type Piece struct {
	Key    string // letters and digits, made from the content
	Name   string // of the file on the phone
	Offset int64
	Total  int64
	Body   io.Reader
}

// Progress is how far a file has come. Verdict is there once it is whole.
type Progress struct {
	Have    int64    `json:"have"`
	Verdict *Verdict `json:"verdict,omitempty"`
}

// Verdict is what a photo is worth, as told on the phone. It holds no number
// of green: who counts next must not know it.
type Verdict struct {
	Name    string `json:"name"`
	Known   bool   `json:"known"` // the same file was here before
	Keep    bool   `json:"keep"`
	Plot    string `json:"plot,omitempty"`
	Quadrat int    `json:"quadrat,omitempty"`
	Visit   int    `json:"visit,omitempty"`
	// Good and Bad are what was looked at, in short phrases: "card read",
	// "frame found", "half in shadow".
	Good []string  `json:"good"`
	Bad  []string  `json:"bad"`
	Next *WalkSpot `json:"next,omitempty"` // of the walk, without a photo
}

// FieldCount is a hand count from a phone.
type FieldCount struct {
	Key      string       `json:"key"` // made by the phone, one for each count
	Plot     string       `json:"plot"`
	Quadrat  int          `json:"quadrat"`
	Visit    int          `json:"visit"`
	Observer string       `json:"observer"`
	Classes  []ClassCount `json:"classes"`
	Over     Over         `json:"over,omitempty"`
}

// Limits on what a phone may send.
const (
	maxPhoto = 200 << 20
	maxPiece = 512 << 10
)

// phoneCache lets the phone show its page again for a day in the field.
const phoneCache = "private, max-age=43200"

// fieldHandler is every route of the phone. certificate is what the phone is
// served with, in DER, and host the address that it vouches for; nil without
// TLS.
func (s *Server) fieldHandler(certificate []byte, host string) http.Handler {
	m := http.NewServeMux()
	var certified any
	if certificate != nil {
		certified = host
	}
	m.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		// The browser may show it again without asking: opened from its history
		// or after the phone had put the page away, it is there though the
		// laptop is not.
		w.Header().Set("Cache-Control", phoneCache)
		w.Header().Set("Vary", "Cookie") // a new key brings a new page
		s.show(w, r, http.StatusOK, "field.html", view{Title: "In the field", Body: certified})
	})
	for _, name := range []string{"page.css", "field.js", "icon.svg", "offline.js"} {
		m.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", phoneCache)
			if name == "offline.js" {
				w.Header().Set("Cache-Control", "no-cache")
			}
			http.ServeFileFS(w, r, assets, "assets/"+name)
		})
	}
	if certificate != nil {
		m.HandleFunc("GET /certificate.crt", func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "application/x-x509-ca-cert")
			w.Write(certificate)
		})
	}
	m.HandleFunc("GET /walk", func(w http.ResponseWriter, r *http.Request) {
		visit, _ := strconv.Atoi(r.URL.Query().Get("visit"))
		walk, err := s.field.Walk(r.Context(), visit)
		s.reply(w, r, walk, err)
	})
	m.HandleFunc("GET /upload/{key}", func(w http.ResponseWriter, r *http.Request) {
		key, err := uploadKey(r.PathValue("key"))
		var p Progress
		if err == nil {
			p, err = s.field.Received(r.Context(), key)
		}
		s.reply(w, r, p, err)
	})
	m.HandleFunc("POST /upload/{key}", s.upload)
	m.HandleFunc("POST /count", s.fieldCount)
	m.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "there is no such page here", http.StatusNotFound)
	})
	return m
}

// reply sends an answer, or the sentence of a fault, as JSON.
func (s *Server) reply(w http.ResponseWriter, r *http.Request, v any, err error) {
	if err != nil {
		r.Header.Set("Accept", "application/json")
		if errors.Is(err, errToken) { // nothing is wrong with what was sent
			s.fault(w, r, http.StatusUnauthorized, "scan the code on the laptop again: this page is of an earlier day")
			return
		}
		s.fail(w, r, err)
		return
	}
	s.sendJSON(w, r, v)
}

func uploadKey(key string) (string, error) {
	if len(key) < 8 || len(key) > 64 || strings.Trim(key, "0123456789abcdefghijklmnopqrstuvwxyz") != "" {
		return "", ErrUnknown
	}
	return key, nil
}

// upload takes one piece of a photo. The token travels in a header, since the
// body is the file's bytes.
func (s *Server) upload(w http.ResponseWriter, r *http.Request) {
	p, err := s.piece(r)
	var out Progress
	if err == nil {
		out, err = s.field.Upload(r.Context(), p)
	}
	s.reply(w, r, out, err)
}

func (s *Server) piece(r *http.Request) (Piece, error) {
	if !sameKey(r.Header.Get("X-Token"), s.token) {
		return Piece{}, errToken
	}
	key, err := uploadKey(r.PathValue("key"))
	if err != nil {
		return Piece{}, err
	}
	q := r.URL.Query()
	p := Piece{Key: key, Name: cut(q.Get("name")), Body: http.MaxBytesReader(nil, r.Body, maxPiece)}
	var err1, err2 error
	p.Offset, err1 = strconv.ParseInt(q.Get("offset"), 10, 64)
	p.Total, err2 = strconv.ParseInt(q.Get("total"), 10, 64)
	if err1 != nil || err2 != nil || p.Total <= 0 || p.Offset < 0 || p.Offset >= p.Total {
		return Piece{}, Refusal{"the piece of the photo does not say where it belongs: reload the page and send the photo again"}
	}
	if p.Total > maxPhoto {
		return Piece{}, Refusal{fmt.Sprintf("%s is larger than %d MB: it is no photo this program reads", p.Name, maxPhoto>>20)}
	}
	return p, nil
}

func (s *Server) fieldCount(w http.ResponseWriter, r *http.Request) {
	var c FieldCount
	err := json.NewDecoder(r.Body).Decode(&c)
	switch {
	case err != nil && errors.As(err, new(*http.MaxBytesError)):
	case err != nil:
		err = Refusal{"the count did not arrive whole: send it again"}
	case !sameKey(r.Header.Get("X-Token"), s.token):
		err = errToken
	default:
		err = checkFieldCount(&c)
	}
	said := ""
	if err == nil {
		said, err = s.field.FieldCount(r.Context(), c)
	}
	if before := (*CountedBefore)(nil); errors.As(err, &before) {
		b, _ := json.Marshal(map[string]any{"fault": before.Error(), "before": before.Counts})
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusConflict)
		w.Write(b)
		return
	}
	s.reply(w, r, map[string]string{"said": said}, err)
}

func checkFieldCount(c *FieldCount) error {
	if _, err := uploadKey(c.Key); err != nil {
		return Refusal{"the count has no key: reload the page and count again"}
	}
	if c.Observer = cut(strings.TrimSpace(c.Observer)); c.Observer == "" {
		return Refusal{"say who counted: two observers differ, and the agreement needs to know"}
	}
	if c.Plot == "" || c.Quadrat < 1 || c.Visit < 1 {
		return Refusal{"say which plot, quadrat and visit was counted"}
	}
	switch c.Over {
	case OverAsk, OverReplace, OverBeside:
	default:
		return Refusal{"the count did not arrive whole: send it again"}
	}
	if len(c.Classes) == 0 || len(c.Classes) > 100 {
		return Refusal{"nothing was counted: set a number for a class, 0 where there was none"}
	}
	had := map[string]bool{}
	for i := range c.Classes {
		k := &c.Classes[i]
		k.Class = cut(strings.TrimSpace(k.Class))
		if k.Class == "" || k.Plants < 0 || k.Plants > 100000 || had[strings.ToLower(k.Class)] {
			return Refusal{fmt.Sprintf("the count of %q cannot be stored: a class needs a name, stands once, and has 0 to 100000 plants", k.Class)}
		}
		had[strings.ToLower(k.Class)] = true
	}
	return nil
}
