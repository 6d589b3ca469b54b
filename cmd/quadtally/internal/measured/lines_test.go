package measured

import (
	"testing"

	"quadtally/cmd/quadtally/internal/season"
)

// TestNoCardIsPicked: of a photo that gave no measurement the card is told
// where it is the only one, and none where another lies beside it.
func TestNoCardIsPicked(t *testing.T) {
	for _, c := range []struct {
		card string
		all  []string
	}{{"", nil}, {"A", []string{"A"}}, {"", []string{"A"}}, {"", []string{"A", "B"}}} {
		lines := Lines(&season.Loose{Photos: []season.LoosePhoto{{Path: "a.jpg", Fault: "no frame", Card: c.card, Cards: c.all}}}, "")
		if len(lines) != 1 || (lines[0].Card == nil) != (c.card == "") || lines[0].Card != nil && *lines[0].Card != c.card || len(lines[0].Cards) != len(c.all) {
			t.Errorf("%+v: %+v", c, lines)
		}
	}
}
