package season

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/label"
)

func TestPlaceOf(t *testing.T) {
	spot := intake.Spot{Plot: "101", Quadrat: 2, Visit: 3}
	for _, c := range []struct {
		verdict intake.Verdict
		state   string
	}{
		{intake.Verdict{Spot: spot, Basis: intake.ByCard}, record.PlaceKnown},
		{intake.Verdict{Spot: spot, Basis: intake.ByCard, Spare: "a sharper one"}, record.PlaceKnown},
		{intake.Verdict{Spot: spot, Proposed: true}, record.PlaceProposed},
		{intake.Verdict{Spot: spot, Proposed: true, Reason: "between two"}, record.PlaceProposed},
		{intake.Verdict{Spot: spot, Reason: "two cards"}, record.PlaceOpen},
	} {
		p := placeOf(c.verdict)
		if p.State != c.state || p.Plot != "101" || p.Quadrat != 2 || p.Visit != 3 || p.Basis != c.verdict.Basis || p.Reason != c.verdict.Reason || p.Spare != c.verdict.Spare {
			t.Errorf("%+v became %+v", c.verdict, p)
		}
	}
}

func TestWhatIsSeen(t *testing.T) {
	code, err := label.Encode(label.Label{Trial: "K7QD", Plot: "101", Quadrat: 2})
	if err != nil {
		t.Fatal(err)
	}
	doc := func(card string, sharpness float64) json.RawMessage {
		m := vision.Measurement{Card: card, Index: vision.DefaultOptions().Index}
		m.Quality.Acuity = sharpness
		b, err := measurementDoc(m)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	at := record.Place{Plot: "7", Quadrat: 1, Visit: 2}
	place := func(basis, state string) record.Place {
		p := at
		p.Basis, p.State = basis, state
		return p
	}
	known := &intake.Spot{Plot: "7", Quadrat: 1, Visit: 2}
	listed := &intake.Spot{Plot: "9"}
	sheet := map[string]intake.Spot{"listed.jpg": *listed, "x/Listed.JPG": *listed}
	for _, c := range []struct {
		say   string
		photo record.Photo
		want  intake.Seen
	}{
		{"card, sharpness and camera", record.Photo{PhotoFacts: record.PhotoFacts{Path: "a.jpg", Taken: "2026-05-25T09:00:00", Camera: "Acme 1", Serial: "77"}, Doc: doc(code, 0.5)},
			intake.Seen{Path: "a.jpg", Taken: "2026-05-25T09:00:00", Camera: "Acme 1", Serial: "77", Sharpness: 0.5, Cards: []intake.Card{{Trial: "K7QD", Plot: "101", Quadrat: 2}}}},
		{"a card of something else", record.Photo{Doc: doc("hello", 0)}, intake.Seen{}},
		{"could not be measured", record.Photo{Fault: "cut short"}, intake.Seen{Unmeasured: true}},
		{"placed by hand", record.Photo{Place: place(intake.ByHand, record.PlaceKnown)}, intake.Seen{Hand: known}},
		{"on the sheet", record.Photo{PhotoFacts: record.PhotoFacts{Path: "x/Listed.JPG"}}, intake.Seen{Path: "x/Listed.JPG", Sheet: listed}},
		{"on a sheet given earlier", record.Photo{Place: place(intake.BySheet, record.PlaceKnown)}, intake.Seen{Sheet: known}},
		{"on both: the new sheet", record.Photo{PhotoFacts: record.PhotoFacts{Path: "listed.jpg"}, Place: place(intake.BySheet, record.PlaceKnown)}, intake.Seen{Path: "listed.jpg", Sheet: listed}},
		{"an earlier sheet left it open", record.Photo{Place: place(intake.BySheet, record.PlaceOpen)}, intake.Seen{}},
		{"by card: worked out anew", record.Photo{Place: place(intake.ByCard, record.PlaceKnown)}, intake.Seen{}},
	} {
		got, err := whatIsSeen(&record.Snapshot{Photos: []record.Photo{c.photo}}, sheet)
		if err != nil || len(got) != 1 || !reflect.DeepEqual(got[0], c.want) {
			t.Errorf("%s: %+v, want %+v (%v)", c.say, got, c.want, err)
		}
	}
	got, err := whatIsSeen(&record.Snapshot{Photos: []record.Photo{{Rejected: "boot"}}}, nil)
	if err != nil || len(got) != 0 {
		t.Errorf("a photo set aside is seen: %+v, %v", got, err)
	}
	if _, err := whatIsSeen(&record.Snapshot{Photos: []record.Photo{{Doc: []byte("{")}}}, nil); err == nil {
		t.Error("a measurement that cannot be read was passed over")
	}
}

// TestPlaceStoresChangesOnly: placing the same photos again stores nothing,
// and photos by another spelling of a sheet are placed by it.
func TestPlaceStoresChangesOnly(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	s := New(store, quiet)
	if _, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	snap = newest(t, store)
	same, err := s.place(t.Context(), snap, nil)
	if err != nil || same != snap {
		t.Errorf("placed again: %v, another snapshot %v", err, same != snap)
	}
	to := intake.Spot{Plot: snap.Plots[5].ID, Quadrat: 3}
	rows := []intake.SheetRow{{Line: 2, Path: strings.ToUpper(fileName(snap.Photos[0].Path)), Spot: to}, {Line: 3, Path: "none.jpg", Spot: to}}
	listed, clashes := matchSheet(snap, rows)
	if len(listed) != 1 || len(clashes) != 1 || clashes[0].Row.Line != 3 {
		t.Errorf("%v, clashes %v", listed, clashes)
	}
	moved, err := s.place(t.Context(), snap, listed)
	if err != nil || moved == snap {
		t.Fatal(err)
	}
	if p := moved.Photos[0].Place; p.Plot != to.Plot || p.Quadrat != 3 || p.Visit != 1 || p.Basis != intake.BySheet {
		t.Errorf("%+v", p)
	}
	if moved.Photos[1].Place != snap.Photos[1].Place {
		t.Errorf("the other photo moved to %+v", moved.Photos[1].Place)
	}
}
