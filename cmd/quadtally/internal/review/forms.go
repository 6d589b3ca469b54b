package review

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// Bounds on what a form may draw.
const (
	maxAreas  = 200
	maxPoints = 4000
	maxText   = 500
)

// form reads a posted form and checks its token.
func (s *Server) form(r *http.Request) (url.Values, error) {
	if err := r.ParseForm(); err != nil {
		return nil, err
	}
	if !sameKey(r.PostForm.Get("token"), s.token) {
		return nil, errToken
	}
	return r.PostForm, nil
}

var errToken = Refusal{"this form is from an earlier run of the page: go back, reload the page and do it again; nothing was changed"}

// change carries out an action and shows the page it was asked on, or the
// next photo.
func (s *Server) change(w http.ResponseWriter, r *http.Request) {
	f, err := s.form(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	act, back, err := s.action(r, f)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	look := s.filterOf(f.Get)
	if hash := r.PathValue("hash"); f.Get("then") == "next" && hash != "" {
		// Asked before the change: afterwards the photo may no longer be
		// among those looked at.
		if season, err := s.backend.Season(r.Context()); err == nil {
			back = "/photos"
			if look.Show == showQueue {
				back = "/"
			}
			if _, after, _, _ := look.around(season.Shots, hash); after != "" {
				back = "/photo/" + after
			}
		}
	}
	done, err := s.backend.Do(r.Context(), act)
	if before := (*CountedBefore)(nil); errors.As(err, &before) && !wantsJSON(r) {
		s.countedBefore(w, r, before, f)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if wantsJSON(r) {
		s.answer(w, r, r.PathValue("hash"), done)
		return
	}
	s.say(w, said{Text: done.Text, Entry: done.Entry, Hash: r.PathValue("hash")})
	http.Redirect(w, r, back+"?"+string(look.Query()), http.StatusSeeOther)
}

// wantsJSON tells that the page itself asks and stays where it is.
func wantsJSON(r *http.Request) bool { return r.Header.Get("Accept") == "application/json" }

// answer tells the page what became of its photo, so that it need not be
// loaded anew.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, hash string, done Done) {
	out := struct {
		Said    string   `json:"said"`
		Entry   int64    `json:"entry"` // to take it back
		Areas   []Area   `json:"areas"`
		Numbers *Numbers `json:"numbers"`
	}{Said: done.Text, Entry: done.Entry}
	if isHash(hash) {
		p, err := s.backend.Photo(r.Context(), hash)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		out.Areas, out.Numbers = p.Areas, p.Numbers
	}
	s.sendJSON(w, r, out)
}

func (s *Server) undo(w http.ResponseWriter, r *http.Request) {
	f, err := s.form(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	entry, err := strconv.ParseInt(r.PathValue("entry"), 10, 64)
	if err != nil {
		s.fail(w, r, ErrUnknown)
		return
	}
	text, err := s.backend.Undo(r.Context(), entry)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if wantsJSON(r) {
		s.answer(w, r, f.Get("photo"), Done{Text: text})
		return
	}
	s.say(w, said{Text: text})
	back := "/log"
	if hash := f.Get("photo"); isHash(hash) {
		back = "/photo/" + hash
	} else if visit, err := strconv.Atoi(f.Get("threshold")); err == nil && visit > 0 {
		back = fmt.Sprintf("/visit/%d/threshold", visit)
	}
	http.Redirect(w, r, back+"?"+string(s.filterOf(f.Get).Query()), http.StatusSeeOther)
}

// said is what an action did, as the next page tells it.
type said struct {
	Text  string
	Entry int64  // to take it back; 0 cannot be
	Hash  string // of the photo it was about, to go back to; "" none
}

// say hands to the next page what was done.
func (s *Server) say(w http.ResponseWriter, what said) {
	v := url.Values{"text": {what.Text}, "entry": {strconv.FormatInt(what.Entry, 10)}, "photo": {what.Hash}}
	http.SetCookie(w, &http.Cookie{Name: saidCookie, Value: v.Encode(), Path: "/", MaxAge: 30, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// heard takes what the last action left to be told, once.
func heard(w http.ResponseWriter, r *http.Request) said {
	c, err := r.Cookie(saidCookie)
	if err != nil {
		return said{}
	}
	http.SetCookie(w, &http.Cookie{Name: saidCookie, Path: "/", MaxAge: -1})
	v, _ := url.ParseQuery(c.Value)
	out := said{Text: v.Get("text")}
	out.Entry, _ = strconv.ParseInt(v.Get("entry"), 10, 64)
	if isHash(v.Get("photo")) {
		out.Hash = v.Get("photo")
	}
	return out
}

// countedBefore shows the count in force beside the new one and asks which of
// them shall count.
func (s *Server) countedBefore(w http.ResponseWriter, r *http.Request, before *CountedBefore, f url.Values) {
	season, err := s.backend.Season(r.Context())
	var p Photo
	if err == nil {
		p, err = s.backend.Photo(r.Context(), r.PathValue("hash"))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	again := url.Values{"seen": {strconv.FormatInt(before.Entry, 10)}}
	for _, k := range []string{"observer", "class", "plants", "zeros"} {
		again[k] = f[k]
	}
	body := struct {
		Photo  Photo
		Before []Count
		Beside []Count
		Mine   []ClassCount
		By     string
		Form   url.Values
	}{Photo: p, Before: before.Counts, Beside: before.Beside, Form: again}
	if act, err := s.tally(p.Hash, f); err == nil {
		t := act.(Tally)
		body.Mine, body.By = t.Classes, t.Observer
	}
	s.show(w, r, http.StatusConflict, "counted.html", view{Title: "Counted before", Season: season, Filter: s.filterOf(f.Get), Body: body})
}

const saidCookie = "quadtally-said"

// action reads what is asked for, and where to go back to.
func (s *Server) action(r *http.Request, f url.Values) (Action, string, error) {
	if r.URL.Path == treatmentsPath {
		return ShowTreatments{f.Get("show_treatments") == "yes"}, "/photos", nil
	}
	if v := r.PathValue("visit"); v != "" {
		visit, err := strconv.Atoi(v)
		if err != nil {
			return nil, "", ErrUnknown
		}
		act := SetThreshold{Visit: visit}
		if f.Get("automatic") == "" {
			value, err := strconv.ParseFloat(f.Get("value"), 64)
			if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
				return nil, "", Refusal{"the threshold is not a number: move the slider or type one"}
			}
			act.Value = &value
		}
		back := "/photos"
		if h := f.Get("photo"); isHash(h) {
			back = "/photo/" + h
		}
		return act, back, nil
	}
	hash, err := photoHash(r)
	if err != nil {
		return nil, "", err
	}
	if r.PathValue("what") == "mark" {
		season, err := s.backend.Season(r.Context())
		if err != nil {
			return nil, "", err
		}
		if !slices.ContainsFunc(season.Plants, func(p PlantClass) bool { return string(p.Class) == f.Get("class") }) {
			return nil, "", Refusal{"say what the plant is: choose one of the classes listed"}
		}
	}
	act, err := s.photoAction(r.PathValue("what"), hash, f)
	return act, "/photo/" + hash, err
}

func (s *Server) photoAction(what, hash string, f url.Values) (Action, error) {
	switch what {
	case "place":
		a := Place{Hash: hash, Plot: f.Get("plot")}
		var err1, err2 error
		a.Quadrat, err1 = strconv.Atoi(f.Get("quadrat"))
		a.Visit, err2 = strconv.Atoi(f.Get("to_visit"))
		if err1 != nil || err2 != nil || a.Plot == "" {
			return nil, Refusal{"say all three: plot, quadrat and visit"}
		}
		return a, nil
	case "accept":
		return Accept{hash}, nil
	case "reject":
		reason := strings.TrimSpace(cmp.Or(f.Get("reason"), f.Get("other")))
		if reason == "" {
			return nil, Refusal{"say why the photo is set aside: the reason stands in the report"}
		}
		return Reject{hash, cut(reason)}, nil
	case "frame":
		if f.Get("find") != "" {
			return Frame{Hash: hash}, nil
		}
		var c [4]XY
		for i := range c {
			for k, axis := range []string{"x", "y"} {
				v, err := strconv.ParseFloat(f.Get(fmt.Sprintf("%s%d", axis, i+1)), 64)
				if err != nil || !(v >= -50 && v <= 150) {
					return nil, Refusal{fmt.Sprintf("corner %d is not a place on the photo: give both numbers in percent, at most half a photo outside", i+1)}
				}
				c[i][k] = v / 100
			}
		}
		return Frame{hash, &c}, nil
	case "leave-out":
		areas, err := parseAreas(f.Get("areas"))
		return LeaveOut{hash, areas}, err
	case "mark":
		a := Mark{Hash: hash, Class: Class(f.Get("class"))}
		if a.Class == Weed && f.Get("rest") != "" {
			return a, nil
		}
		at, ok := parsePoint(f.Get("at"))
		if !ok {
			return nil, Refusal{"point at a patch first: click it, or move the cross with the arrow keys and press Enter"}
		}
		a.At = &at
		return a, nil
	case "count":
		return s.tally(hash, f)
	}
	return nil, ErrUnknown
}

// tally reads a count. A blank is a class that was not looked for, unless the
// counter says that all were.
func (s *Server) tally(hash string, f url.Values) (Action, error) {
	a := Tally{Hash: hash, Observer: cut(strings.TrimSpace(f.Get("observer")))}
	if a.Observer == "" {
		return nil, Refusal{"say who counted: two observers differ, and the agreement needs to know"}
	}
	a.Seen, _ = strconv.ParseInt(f.Get("seen"), 10, 64)
	switch a.Over = Over(f.Get("over")); a.Over {
	case OverAsk, OverReplace, OverBeside:
	default:
		return nil, Refusal{"the count did not arrive whole: reload the page and do it again"}
	}
	names, numbers := f["class"], f["plants"]
	if len(names) != len(numbers) || len(names) > 100 {
		return nil, Refusal{"the count did not arrive whole: reload the page and do it again"}
	}
	had := map[string]bool{}
	for i, name := range names {
		name, number := cut(strings.TrimSpace(name)), strings.TrimSpace(numbers[i])
		if number == "" && f.Get("zeros") != "" && name != "" {
			number = "0"
		}
		if number == "" {
			continue
		}
		n, err := strconv.Atoi(number)
		switch {
		case name == "":
			return nil, Refusal{fmt.Sprintf("a count of %s has no class: name it", number)}
		case err != nil || n < 0 || n > 100000:
			return nil, Refusal{fmt.Sprintf("%s: %q is not a number of plants", name, number)}
		case had[strings.ToLower(name)]:
			return nil, Refusal{fmt.Sprintf("%s stands twice: keep one", name)}
		}
		had[strings.ToLower(name)] = true
		a.Classes = append(a.Classes, ClassCount{name, n})
	}
	if len(a.Classes) == 0 {
		return nil, Refusal{"nothing was counted: type a number for a class, 0 where there was none"}
	}
	s.mu.Lock()
	a.Shown = s.shown[hash]
	s.mu.Unlock()
	return a, nil
}

// cut bounds a text.
func cut(s string) string {
	if r := []rune(s); len(r) > maxText {
		return string(r[:maxText])
	}
	return s
}

func parsePoint(s string) (XY, bool) {
	x, y, ok := strings.Cut(s, ",")
	if !ok {
		return XY{}, false
	}
	a, err1 := strconv.ParseFloat(x, 64)
	b, err2 := strconv.ParseFloat(y, 64)
	if err1 != nil || err2 != nil || !(a >= 0 && a <= 1 && b >= 0 && b <= 1) {
		return XY{}, false
	}
	return XY{a, b}, true
}

// parseAreas reads polygons: points "x,y" apart by spaces, polygons by ";".
func parseAreas(s string) ([][]XY, error) {
	var out [][]XY
	points := 0
	for part := range strings.SplitSeq(s, ";") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		var area []XY
		for word := range strings.FieldsSeq(part) {
			p, ok := parsePoint(word)
			if points++; !ok || points > maxPoints {
				return nil, Refusal{"the area did not arrive whole, or is too fine: draw it again"}
			}
			area = append(area, p)
		}
		if len(area) < 3 || len(out) >= maxAreas {
			return nil, Refusal{"an area needs at least three corners: draw it again"}
		}
		out = append(out, area)
	}
	if len(out) == 0 {
		return nil, Refusal{"no area was drawn: set at least three corners, or brush over it"}
	}
	return out, nil
}
