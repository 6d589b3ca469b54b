package label

import (
	"errors"
	"fmt"
	"math/bits"
	"strings"
	"testing"
)

// TestCheckCharacters: "ISO79" has the check characters 3W, the worked
// example of ISO/IEC 7064:2003 MOD 1271-36 as the documentation of the Rust
// library iso-7064 gives it, and a valid string leaves the remainder 1 that the standard asks for.
func TestCheckCharacters(t *testing.T) {
	if got := mod1271("ISO79"); got != "3W" {
		t.Errorf("check characters of ISO79: %s, want 3W", got)
	}
	for _, s := range []string{"0", "Z", "AB12", "ALDR3P0112"} {
		full := s + mod1271(s)
		sum, weight := 0, 1
		for i := len(full) - 1; i >= 0; i-- { // the standard's own definition: sum of a_i * 36^i
			sum = (sum + strings.IndexByte(alphabet, full[i])*weight) % 1271
			weight = weight * 36 % 1271
		}
		if sum != 1 {
			t.Errorf("%s: weighted sum is %d mod 1271, want 1", full, sum)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	for _, l := range []Label{
		{"ALDR", "101", 3}, {"0000", "0", 0}, {"ZZZZ", "ZZZZZZ", 99}, {"AB26", "007", 10},
	} {
		s, err := Encode(l)
		if err != nil {
			t.Fatalf("%v: %v", l, err)
		}
		if len(s) > 20 {
			t.Errorf("%q is %d characters: a version-1 code at level M holds 20", s, len(s))
		}
		got, err := Decode(s)
		if err != nil || got != l {
			t.Errorf("%q came back as %v, %v", s, got, err)
		}
	}
}

// TestRunTogether: moving the boundary between plot and quadrat must change
// the check characters.
func TestRunTogether(t *testing.T) {
	a, _ := Encode(Label{"ALDR", "20", 32})
	b, _ := Encode(Label{"ALDR", "203", 2})
	if a[len(a)-2:] == b[len(b)-2:] {
		t.Errorf("%s and %s share their check characters", a, b)
	}
}

func TestEncodeRefuses(t *testing.T) {
	for _, l := range []Label{
		{"ALD", "1", 1}, {"ALDRS", "1", 1}, {"aldr", "1", 1}, {"AL R", "1", 1},
		{"ALDR", "", 1}, {"ALDR", "1234567", 1}, {"ALDR", "1-2", 1}, {"ALDR", "Ä", 1},
		{"ALDR", "1", -1}, {"ALDR", "1", 100},
	} {
		if s, err := Encode(l); err == nil {
			t.Errorf("%v became %q", l, s)
		}
	}
}

// TestEverySlipIsCaught: each single wrong character and each swap of
// neighbours gives no label, never another label.
func TestEverySlipIsCaught(t *testing.T) {
	const set = alphabet + ":"
	for _, l := range []Label{{"ALDR", "101", 3}, {"AB26", "7", 12}, {"Q00Z", "NW0042", 0}} {
		s, _ := Encode(l)
		for i := range len(s) {
			for j := range len(set) {
				if set[j] == s[i] {
					continue
				}
				wrong := s[:i] + set[j:j+1] + s[i+1:]
				if got, err := Decode(wrong); err == nil {
					t.Errorf("%q, a slip of %q, was read as %v", wrong, s, got)
				}
			}
			if i > 0 && s[i] != s[i-1] {
				wrong := s[:i-1] + s[i:i+1] + s[i-1:i] + s[i+1:]
				if got, err := Decode(wrong); err == nil {
					t.Errorf("%q, a swap in %q, was read as %v", wrong, s, got)
				}
			}
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	good, _ := Encode(Label{"ALDR", "101", 3})
	for _, s := range []string{
		"", ":::", "https://example.org/ALDR:101:3", strings.ToLower(good), " " + good, good + "\n",
		strings.Replace(good, ":3:", ":03:", 1), strings.Replace(good, ":3:", ":+3:", 1),
		good + ":", "LOT 2210 LEEK 500 SEEDS",
	} {
		if l, err := Decode(s); !errors.Is(err, ErrNotLabel) {
			t.Errorf("%q was read as %v, %v", s, l, err)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, l := range []Label{{"ALDR", "101", 3}, {"0000", "0", 0}, {"ZZZZ", "ZZZZZZ", 99}} {
		s, _ := Encode(l)
		f.Add(s)
	}
	f.Add("WIFI:S:farm;T:WPA;;")
	f.Fuzz(func(t *testing.T, s string) {
		l, err := Decode(s)
		if err != nil {
			return
		}
		if again, err := Encode(l); err != nil || again != s {
			t.Errorf("%q was read as %v, which encodes to %q, %v", s, l, again, err)
		}
	})
}

// TestCodesKeepTheirDistance: minimal Hamming distance 11 between any two
// codes in any rotation, and between a code and its own rotations (the h11 of
// the family's name; Olson 2011, section III-B). Code 0 as published.
func TestCodesKeepTheirDistance(t *testing.T) {
	if len(codes) != MarkCount() {
		t.Fatalf("%d codes for %d marks", len(codes), MarkCount())
	}
	if codes[0] != 0xd5d628584 {
		t.Errorf("code 0 is %#x, published is 0xd5d628584", codes[0])
	}
	least := 36
	for i, a := range codes {
		for j := i; j < len(codes); j++ {
			b := codes[j]
			for turn := range 4 {
				if i != j || turn > 0 {
					least = min(least, bits.OnesCount64(a^b))
				}
				b = quarterTurn(b)
			}
		}
	}
	if least != 11 {
		t.Errorf("least distance between codes is %d, want 11", least)
	}
}

func quarterTurn(code uint64) (turned uint64) {
	for r := range 6 {
		for c := range 6 {
			turned = turned<<1 | code>>(35-(6*(5-c)+r))&1
		}
	}
	return turned
}

func TestBitsAreTheCode(t *testing.T) {
	for id := range MarkCount() {
		m := Mark{id}
		var code uint64
		for _, row := range m.Bits() {
			for _, white := range row {
				code <<= 1
				if white {
					code |= 1
				}
			}
		}
		if code != m.Code() {
			t.Fatalf("mark %d: bits say %#x, code is %#x", id, code, m.Code())
		}
		for i, row := range m.Cells() {
			for j, white := range row {
				if white && (i == 0 || j == 0 || i == 7 || j == 7) {
					t.Fatalf("mark %d: the ring has a white cell at %d,%d", id, i, j)
				}
			}
		}
	}
	if (Mark{-1}).Code() != 0 || (Mark{MarkCount()}).Bits() != [6][6]bool{} {
		t.Error("a mark that does not exist has a code")
	}
}

// TestPlacement: plates touch the inner corner from outside, in every class.
func TestPlacement(t *testing.T) {
	for _, c := range Classes() {
		inner := [4][2]float64{{0, 0}, {c.WidthMM, 0}, {c.WidthMM, c.HeightMM}, {0, c.HeightMM}}
		for k := range 4 {
			m, err := NewMark(c, k)
			if err != nil {
				t.Fatal(err)
			}
			got, ok := m.PlacementMM()
			if !ok {
				t.Fatalf("mark %d has no place", m.ID)
			}
			near := got[(k+2)%4] // the square's corner that faces inward
			dx, dy := near[0]-inner[k][0], near[1]-inner[k][1]
			outX, outY := -1.0, -1.0
			if k == UpperRight || k == LowerRight {
				outX = 1
			}
			if k >= LowerRight {
				outY = 1
			}
			if !closeTo(dx, outX*MarkMarginMM) || !closeTo(dy, outY*MarkMarginMM) {
				t.Errorf("%v corner %d: inward corner lies (%g, %g) from the inner corner", c, k, dx, dy)
			}
			if back, ok := m.Class(); !ok || back != c || m.Corner() != k {
				t.Errorf("mark %d says %v corner %d", m.ID, back, m.Corner())
			}
		}
	}
	if _, ok := (Mark{MarkCount()}).PlacementMM(); ok {
		t.Error("a mark that does not exist has a place")
	}
}

func closeTo(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }

// TestClassesAreFixed pins the meaning of marks that are out in the field.
func TestClassesAreFixed(t *testing.T) {
	for id, want := range map[int]string{
		0: "500 x 500 mm frame 1", 7: "500 x 500 mm frame 8", 8: "250 x 1000 mm frame 1",
		33: "457.2 x 457.2 mm frame 2", 111: "400 x 625 mm frame 8",
	} {
		c, ok := ClassByID(id)
		if !ok || c.String() != want {
			t.Errorf("class %d is %q, want %q", id, c, want)
		}
	}
	if _, ok := ClassByID(112); ok {
		t.Error("class 112 exists")
	}
	if _, err := NewMark(Class{ID: 999}, 0); err == nil {
		t.Error("a mark of an unknown class was made")
	}
}

func ExampleEncode() {
	s, _ := Encode(Label{Trial: "ALDR", Plot: "101", Quadrat: 3})
	fmt.Println(s)
	l, _ := Decode(s)
	fmt.Println(l)
	// Output:
	// ALDR:101:3:AL
	// ALDR plot 101 quadrat 3
}
