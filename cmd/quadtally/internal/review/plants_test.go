package review

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"
)

// The fake has as many check points as were drawn and knows what was answered.
func (f *fake) NextPlant(_ context.Context, visit int, after string) (PlantSpot, error) {
	if visit != 1 {
		return PlantSpot{}, Refusal{"name a plant of two classes at least first"}
	}
	n := 1
	if after == hashFor(1) {
		n = 6
	}
	return PlantSpot{Hash: hashFor(n), At: XY{0.25, 0.75}}, nil
}

func (f *fake) Sorted(_ context.Context, hash string) (Sorted, error) {
	if _, ok := f.photos[hash]; !ok {
		return Sorted{}, ErrUnknown
	}
	return Sorted{Classes: []Class{Weed, KindOf(Crop, "leek")}, Cells: []uint8{0, 1, 2, 0}}, nil
}

func (f *fake) NextCheck(_ context.Context, visit int) (PlantSpot, int, int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if visit != 1 || len(f.answers) == f.checks {
		return PlantSpot{}, len(f.answers), f.checks, nil
	}
	return PlantSpot{Hash: hashFor(1), X: 120.5, Y: 80, At: XY{0.5, 0.25}}, len(f.answers), f.checks, nil
}

func (f *fake) DrawChecks(_ context.Context, _, n int) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.readOnly {
		return ErrReadOnly
	}
	f.checks += n
	return nil
}

func (f *fake) AnswerCheck(_ context.Context, hash string, x, y float64, class Class) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.answers = append(f.answers, fmt.Sprintf("%s %g %g %s", hash[:4], x, y, class))
	return nil
}

// TestCheckPoints goes from drawing check points to answering one, and keeps
// that the page tells nothing of where the photo belongs.
func TestCheckPoints(t *testing.T) {
	f := newFake()
	p := open(t, f, Options{})
	if status, body := p.get("/visit/1/check"); status != 200 || !strings.Contains(body, "None are drawn yet") || !strings.Contains(body, `name="draw"`) {
		t.Fatalf("%d %s", status, body)
	}
	if status, _, _ := p.request("POST", "/visit/1/check", "draw=yes", nil); status == 303 || f.checks != 0 {
		t.Errorf("drawn without the token of the page: %d", status)
	}
	if status, _, h := p.post("/visit/1/check", url.Values{"draw": {"yes"}}); status != 303 || h.Get("Location") != "/visit/1/check" || f.checks != checkPoints {
		t.Fatalf("drawing: %d to %s, %d drawn", status, h.Get("Location"), f.checks)
	}
	status, body := p.get("/visit/1/check")
	if status != 200 || !strings.Contains(body, "0 of 100 answered") || !strings.Contains(body, `viewBox="0.44000 0.19000 0.12000 0.12000"`) ||
		!strings.Contains(body, `data-key="w"`) {
		t.Errorf("%d %s", status, body)
	}
	if page := inspect(body); page.h1 != 1 || len(page.scripts) != 1 || len(page.faults) > 0 {
		t.Errorf("%d headings, scripts %v, faults %q", page.h1, page.scripts, page.faults)
	}
	for _, tells := range []string{"IMG_", "Plot 101", "BARE", "RYE"} {
		if strings.Contains(body, tells) {
			t.Errorf("the page of a check point tells %q", tells)
		}
	}
	if status, _, _ := p.post("/visit/1/check", url.Values{"photo": {hashFor(1)}, "x": {"120.5"}, "y": {"80"}, "class": {string(Crop)}}); status != 303 {
		t.Fatalf("answering: %d", status)
	}
	if len(f.answers) != 1 || f.answers[0] != "0001 120.5 80 crop" {
		t.Errorf("answered %q", f.answers)
	}
	for _, form := range []url.Values{{"photo": {"x"}, "x": {"1"}, "y": {"1"}, "class": {"crop"}}, {"photo": {hashFor(1)}, "x": {"one"}, "y": {"1"}, "class": {"crop"}}} {
		if status, _, _ := p.post("/visit/1/check", form); status != 404 || len(f.answers) != 1 {
			t.Errorf("%v: %d, %d answers", form, status, len(f.answers))
		}
	}
	if status, _ := p.get("/visit/x/check"); status != 404 {
		t.Errorf("a visit that is none: %d", status)
	}
}

// TestUnsure leads to the plant the page is least sure of, in another photo.
func TestUnsure(t *testing.T) {
	p := open(t, newFake(), Options{})
	for after, to := range map[string]int{"": 1, "?after=" + hashFor(1): 6} {
		status, _, h := p.request("GET", "/visit/1/unsure"+after, "", nil)
		if want := "/photo/" + hashFor(to) + "?at=0.25000%2C0.75000&visit=1"; status != 303 || h.Get("Location") != want {
			t.Errorf("%q: %d to %s, want %s", after, status, h.Get("Location"), want)
		}
	}
	if status, body := p.get("/visit/2/unsure"); status != 422 || !strings.Contains(body, "two classes") {
		t.Errorf("too few named: %d", status)
	}
	if status, _ := p.get("/visit/1/unsure?after=%2Fevil"); status != 404 {
		t.Errorf("after something that is no photo: %d", status)
	}
}
