package review

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
)

// PlantSpot is a place in a photo: in pixels of the upright photo, and as
// fractions of the straight view.
type PlantSpot struct {
	Hash string  `json:"hash"`
	Name string  `json:"-"` // the file's name may tell a plot
	X    float64 `json:"x"`
	Y    float64 `json:"y"`
	At   XY      `json:"at"`
}

// Plants is what a backend does that tells plants apart.
type Plants interface {
	// Sorted tells the green of a photo apart by the plants named so far.
	Sorted(ctx context.Context, hash string) (Sorted, error)
	// NextPlant is the plant of a visit that a name would teach most, in
	// another photo than after, and than those asked about before, while there
	// is one.
	NextPlant(ctx context.Context, visit int, after string) (PlantSpot, error)
	// NextCheck is a check point that is not answered, with how many are and
	// how many there are; its hash is "" where none is left.
	NextCheck(ctx context.Context, visit int) (spot PlantSpot, answered, all int, err error)
	// DrawChecks draws check points in a visit.
	DrawChecks(ctx context.Context, visit, n int) error
	// AnswerCheck stores what stands at a check point.
	AnswerCheck(ctx context.Context, hash string, x, y float64, class Class) error
}

// Sorted is how the green of a photo is told apart, cell by cell of its plane:
// 0 no green, c + 1 the c-th of Classes. Without Cells nothing is told apart.
type Sorted struct {
	Classes []Class
	Cells   []uint8
}

// checkPoints is how many are drawn at once.
const checkPoints = 100

// servePlants adds the routes of naming and checking.
func (s *Server) servePlants(m *http.ServeMux) {
	p, ok := s.backend.(Plants)
	if !ok {
		return
	}
	visitOf := func(r *http.Request) (int, error) {
		v, err := strconv.Atoi(r.PathValue("visit"))
		if err != nil || v < 0 {
			return 0, ErrUnknown
		}
		return v, nil
	}
	m.HandleFunc("GET /visit/{visit}/unsure", func(w http.ResponseWriter, r *http.Request) {
		v, err := visitOf(r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		after := r.URL.Query().Get("after")
		if after != "" && !isHash(after) {
			s.fail(w, r, ErrUnknown)
			return
		}
		spot, err := p.NextPlant(r.Context(), v, after)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		q := url.Values{"visit": {strconv.Itoa(v)}, "at": {strconv.FormatFloat(spot.At[0], 'f', 5, 64) + "," + strconv.FormatFloat(spot.At[1], 'f', 5, 64)}}
		http.Redirect(w, r, "/photo/"+spot.Hash+"?"+q.Encode(), http.StatusSeeOther)
	})
	m.HandleFunc("GET /photo/{hash}/sorted", func(w http.ResponseWriter, r *http.Request) {
		hash, err := photoHash(r)
		var sorted Sorted
		if err == nil {
			sorted, err = p.Sorted(r.Context(), hash)
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		sendSorted(w, sorted)
	})
	m.HandleFunc("GET /visit/{visit}/check", func(w http.ResponseWriter, r *http.Request) {
		v, err := visitOf(r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		season, err := s.backend.Season(r.Context())
		if err != nil {
			s.fail(w, r, err)
			return
		}
		spot, done, all, err := p.NextCheck(r.Context(), v)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		s.show(w, r, http.StatusOK, "check.html", view{Title: "Check points", Season: season, Filter: filter{Visit: v}, Body: checkBody{v, spot, done, all, season.Plants, checkPoints}})
	})
	m.HandleFunc("POST /visit/{visit}/check", func(w http.ResponseWriter, r *http.Request) {
		v, err := visitOf(r)
		var f url.Values
		if err == nil {
			f, err = s.form(r)
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		if f.Get("draw") != "" {
			err = p.DrawChecks(r.Context(), v, checkPoints)
		} else {
			hash := f.Get("photo")
			x, errX := strconv.ParseFloat(f.Get("x"), 64)
			y, errY := strconv.ParseFloat(f.Get("y"), 64)
			if !isHash(hash) || errX != nil || errY != nil {
				err = ErrUnknown
			} else {
				err = p.AnswerCheck(r.Context(), hash, x, y, Class(f.Get("class")))
			}
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/visit/"+strconv.Itoa(v)+"/check", http.StatusSeeOther)
	})
}

// sendSorted sends the number of bytes of a JSON list of classes, little-endian
// and of 32 bits, the list, and a byte a cell, compressed on the way.
func sendSorted(w http.ResponseWriter, sorted Sorted) {
	list, _ := json.Marshal(sorted.Classes)
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	z.Write(binary.LittleEndian.AppendUint32(nil, uint32(len(list))))
	z.Write(list)
	z.Write(sorted.Cells)
	z.Close()
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Encoding", "gzip")
	w.Write(b.Bytes())
}

// checkBody is the page of a check point.
type checkBody struct {
	Visit    int
	Spot     PlantSpot
	Answered int
	All      int
	Classes  []PlantClass
	Draw     int
}

// nearView is how much of the ground the close picture shows, as a share.
const nearView = 0.12

// Near is the part of the picture around the point, as SVG writes it.
func (c checkBody) Near() string {
	return fmt.Sprintf("%.5f %.5f %.5f %.5f", c.Spot.At[0]-nearView/2, c.Spot.At[1]-nearView/2, nearView, nearView)
}

// Cross is a cross of that size with an open middle, so that it hides nothing.
func (c checkBody) Cross(size float64) string {
	x, y, gap := c.Spot.At[0], c.Spot.At[1], size/4
	return fmt.Sprintf("M%.5f %.5fH%.5fM%.5f %.5fH%.5fM%.5f %.5fV%.5fM%.5f %.5fV%.5f",
		x-size, y, x-gap, x+gap, y, x+size, x, y-size, y-gap, x, y+gap, y+size)
}
