package trial

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

func planOf(t *testing.T, lines string) Trial {
	t.Helper()
	p, faults := parsePlan(strings.NewReader(lines), "plan.txt")
	if len(faults) > 0 {
		t.Fatalf("%v\nin\n%s", faults, lines)
	}
	return p
}

const sevenTreatments = "trial: Alder Bend leeks\nblocks: 2\ntreatment: A; control\ntreatment: B\ntreatment: C\ntreatment: D\ntreatment: E\ntreatment: F\ntreatment: G\n" +
	"beds: 10\nbeds per plot: 2\nbed spacing: 5.5 ft\nunits: us\nquadrats per plot: 2\n"

func slotText(p []Plot) string {
	var out []string
	for _, v := range p {
		out = append(out, fmt.Sprintf("%s:%d@%g+%g", v.ID, v.Bed, v.FromMM, v.LengthMM))
	}
	return strings.Join(out, " ")
}

// TestTenBedsFourteenPlots: five groups of two beds in three sections are
// fifteen slots; two blocks of seven wrap from one row of sections to the next
// and one slot is left over.
func TestTenBedsFourteenPlots(t *testing.T) {
	for name, c := range map[string]struct {
		keys, want string
		spare      SlotName
	}{
		"across": {"plot length: 10 m\n", "101:1@0+10000 102:3@0+10000 103:5@0+10000 104:7@0+10000 105:9@0+10000 106:9@10000+10000 107:7@10000+10000 " +
			"201:5@10000+10000 202:3@10000+10000 203:1@10000+10000 204:1@20000+10000 205:3@20000+10000 206:5@20000+10000 207:7@20000+10000", SlotName{9, 3}},
		"along, a named spare": {"plot length: 10 m\ngradient runs: across the beds\nspare: beds 1 to 2 section 2\n", "101:1@0+10000 102:1@20000+10000 103:3@20000+10000 104:3@10000+10000 105:3@0+10000 106:5@0+10000 107:5@10000+10000 " +
			"201:5@20000+10000 202:7@20000+10000 203:7@10000+10000 204:7@0+10000 205:9@0+10000 206:9@10000+10000 207:9@20000+10000", SlotName{1, 2}},
		"unequal sections and an alley": {"alley: 1 m\nsections: 12 m, 9 m, 10 m; beds 9 to 10: 2 x 15 m\n", "101:1@0+12000 102:3@0+12000 103:5@0+12000 104:7@0+12000 105:9@0+15000 106:9@16000+15000 107:7@13000+9000 " +
			"201:5@13000+9000 202:3@13000+9000 203:1@13000+9000 204:1@23000+10000 205:3@23000+10000 206:5@23000+10000 207:7@23000+10000", SlotName{}},
	} {
		p := planOf(t, sevenTreatments+c.keys)
		plots, err := LayOut(&p)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if got := slotText(plots); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", name, got, c.want)
		}
		var spare []SlotName
		for _, s := range Slots(&p) {
			if s.Spare {
				spare = append(spare, SlotName{s.Bed, s.Section})
			}
		}
		if c.spare != (SlotName{}) && !slices.Equal(spare, []SlotName{c.spare}) {
			t.Errorf("%s: spare %v", name, spare)
		}
		// Randomised: every treatment once a block, and not in the order of
		// the plan in both.
		order := map[string]string{}
		for i, v := range plots {
			order[v.Block] += v.Treatment
			if v.Order != i+1 {
				t.Errorf("%s: plot %s is number %d in the walk", name, v.ID, v.Order)
			}
			for _, w := range plots[:i] {
				if overlap(v, w) {
					t.Errorf("%s: plots %s and %s overlap", name, v.ID, w.ID)
				}
			}
			spots, err := QuadratSpots(&p, v, 1)
			if err != nil || len(spots) != 2 {
				t.Errorf("%s: plot %s: %v", name, v.ID, err)
			}
		}
		for b, codes := range order {
			letters := strings.Split(codes, "")
			slices.Sort(letters)
			if strings.Join(letters, "") != "ABCDEFG" {
				t.Errorf("%s: block %s has %s", name, b, codes)
			}
		}
		if order["1"] == "ABCDEFG" && order["2"] == "ABCDEFG" {
			t.Errorf("%s: not randomised", name)
		}
		// What was written reads back.
		var b strings.Builder
		if err := WritePlan(&b, &p); err != nil {
			t.Fatal(err)
		}
		again := planOf(t, b.String())
		if fmt.Sprint(again) != fmt.Sprint(p) {
			t.Errorf("%s: written and read back\n%v\n%v\n%s", name, p, again, b.String())
		}
	}
}

// TestSlotsRefused: each with its reason.
func TestSlotsRefused(t *testing.T) {
	for keys, want := range map[string]string{
		"sections: 2 x 10 m\n":                                          "10 slots for plots, but 14 are needed",
		"plot length: 10 m\nspare: beds 1 to 2 section 9\n":             "there is no slot",
		"sections: 3 x 10 m; beds 2 to 3: 10 m\n":                       "not whole groups",
		"plot length: 10 m\nsample beds: 3\n":                           "no bed 3",
		"sections: 10 m, long\n":                                        "long",
		"plot length: 10 m\nspare: somewhere\n":                         "names no slot",
		"sections: 3 x 10 m\nspare: bed 1 section 1, bed 3 section 1\n": "13 slots",
	} {
		_, faults := parsePlan(strings.NewReader(sevenTreatments+keys), "plan.txt")
		if len(faults) == 0 || !strings.Contains(faults.Error(), want) {
			t.Errorf("%q: %v, want %s", keys, faults, want)
		}
	}
	_, faults := parsePlan(strings.NewReader(strings.Replace(sevenTreatments, "beds: 10\n", "", 1)+"plot length: 10 m\nsections: 10 m\n"), "plan.txt")
	if len(faults) == 0 || !strings.Contains(faults.Error(), "give beds as well") {
		t.Errorf("sections without beds: %v", faults)
	}
}

// TestQuadratsInSampledBeds: no frame outside the beds that are sampled.
func TestQuadratsInSampledBeds(t *testing.T) {
	p := planOf(t, strings.Replace(sevenTreatments, "beds per plot: 2", "beds per plot: 5\nsample beds: 2 to 3", 1)+"plot length: 30 m\nvisits: 2026-06-01\n")
	plots, err := LayOut(&p)
	if err != nil {
		t.Fatal(err)
	}
	for _, plot := range plots {
		for visit := 1; visit < 5; visit++ {
			spots, err := QuadratSpots(&p, plot, visit)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range spots {
				if s.Bed != 2 && s.Bed != 3 {
					t.Errorf("plot %s: quadrat in bed %d", plot.ID, s.Bed)
				}
			}
		}
	}
}

// TestNewKeysReadBack: every new key, read, written and read again.
func TestNewKeysReadBack(t *testing.T) {
	p := planOf(t, "trial: Alder Bend\nplot length: 10 m\nbed spacing: 1.5 m\nblocks: 4\ntreatment: SOLO = clover alone; seed crimson clover 20 lb/acre; seeded 2025-06-03, 2025-06-05\n"+
		"treatment: MIX = three together; rate 110 kg/ha; seed rye 90 kg/ha; seed vetch 25 kg/ha on 2025-06-17; seed clover\ntreatment: BARE; control; rate 0 kg/ha\n"+
		"contrast: sown against not = SOLO, MIX against BARE\nfactor: rate = MIX 110, BARE 0; kg/ha\nfactor: legume = SOLO yes, MIX yes, BARE no\n"+
		"class: barnyardgrass; annual; grass\nclass: nutsedge; sedge\nprimary response: weed count\nrows per bed: 2\nrow spacing: 300 mm\ndrill row spacing: 190.5 mm\nwork: mowing = other\n")
	if s := p.Treatments[0]; len(s.Seeds) != 1 || s.Seeds[0].Name != "crimson clover" || *s.Seeds[0].Rate != 20 || s.Seeds[0].Unit != "lb/acre" || len(s.SeededAlso) != 1 {
		t.Errorf("%+v", s)
	}
	if d := p.Treatments[0].SeedingDays(); len(d) != 2 || d[1].String() != "2025-06-05" {
		t.Errorf("days %v", d)
	}
	if d := p.Treatments[1].SeedingDays(); len(d) != 1 || d[0].String() != "2025-06-17" {
		t.Errorf("days %v", d)
	}
	if s := p.Treatments[1].Seeds; len(s) != 3 || s[1].On.String() != "2025-06-17" || s[2].Rate != nil {
		t.Errorf("%+v", s)
	}
	if c := p.Contrasts[0]; !slices.Equal(c.Of, []string{"SOLO", "MIX"}) || !slices.Equal(c.Against, []string{"BARE"}) {
		t.Errorf("%+v", c)
	}
	if p.Classes[0] != (Class{"barnyardgrass", "grass", "annual"}) || p.Primary != "weed count" || p.Ground.DrillRowMM != 190.5 || p.Factors[0].Levels[0] != (FactorLevel{"MIX", "110"}) {
		t.Errorf("%+v", p)
	}
	var a, b strings.Builder
	WritePlan(&a, &p)
	again := planOf(t, a.String())
	WritePlan(&b, &again)
	if a.String() != b.String() || len(again.Factors) != 2 || len(again.Words) != 1 {
		t.Errorf("%s\n%s", a.String(), b.String())
	}
	for line, want := range map[string]string{
		"class: x; tree": "neither a group", "class: Barnyard-grass": "", "contrast: a = SOLO": "not a contrast", "contrast: a = OATS against BARE": "no treatment", "contrast: a = MIX against MIX": "named twice",
		"factor: n = MIX 1, OATS 2": "no treatment", "factor: n = MIX a, BARE 2; kg": "no number of kg", "work: mowing = cutting": "not understood", "treatment: Q; seed rye 90": "no unit", "treatment: R; seed": "what is sown",
		"class: grass; grass\nclass: Gr-ass": "there already",
	} {
		_, faults := parsePlan(strings.NewReader("trial: X\nplot length: 10 m\nbed spacing: 1.5 m\ntreatment: SOLO\ntreatment: MIX\ntreatment: BARE\n"+line+"\n"), "p")
		if (want == "") != (len(faults) == 0) || (want != "" && !strings.Contains(faults.Error(), want)) {
			t.Errorf("%s: %v, want %q", line, faults, want)
		}
	}
}

// TestStagesOfWork: the trade's words, whole; the plan's own list goes first.
func TestStagesOfWork(t *testing.T) {
	tr := &Trial{Words: []StageWord{{"Mowing", OtherWork}, {"bed shaping", Planting}}}
	for word, want := range map[string]Stage{"disking": Termination, "Rolled": Termination, "roller-crimping": Termination, "spraying out": Termination, "flail mowing": Termination,
		"mowing": OtherWork, "Bed-shaping": Planting, "sown": Seeding, "transplanting": Planting, "termination": Termination} {
		if got, known := tr.StageOf(word); got != want || !known {
			t.Errorf("%s: %s %v, want %s", word, got, known, want)
		}
	}
	if got, known := tr.StageOf("mowing the alleys"); got != OtherWork || known {
		t.Errorf("a longer phrase: %s %v", got, known)
	}
	if n := len(tr.StageWords()); n < 40 || tr.StageWords()[0].Word != "Mowing" {
		t.Errorf("%d words", n)
	}
}

// TestFrameOverDrill: a frame of 50 cm over rows of 19.05 cm catches two rows
// or three, 0.762 or 1.143 of the truth; one of 38.1 cm catches two always.
func TestFrameOverDrill(t *testing.T) {
	lo, hi, fits := FrameOverDrill(500, 190.5)
	if fits || math.Abs(lo-0.762) > 5e-4 || math.Abs(hi-1.143) > 5e-4 {
		t.Errorf("%g %g %v", lo, hi, fits)
	}
	if _, _, fits := FrameOverDrill(381, 190.5); !fits {
		t.Error("two rows exactly")
	}
	if _, _, fits := FrameOverDrill(500, 0); !fits {
		t.Error("no drill")
	}
}

// TestStagesInEveryForm: work that is known as something being done is known as
// something done.
func TestStagesInEveryForm(t *testing.T) {
	tr := &Trial{}
	for doing, done := range map[string]string{"seeding": "seeded", "drilling": "drilled", "overseeding": "overseeded", "mowing": "mowed", "flail mowing": "flail-mowed", "disking": "disked",
		"discing": "disced", "tilling": "tilled", "rototilling": "Rototilled", "strip tilling": "strip-tilled", "ploughing": "ploughed", "plowing": "plowed", "chisel plowing": "chisel plowed",
		"incorporating": "incorporated", "rolling": "rolled", "crimping": "crimped", "roller-crimping": "roller-crimped", "rolling and crimping": "rolled and crimped",
		"spraying out": "sprayed out", "spraying off": "sprayed off", "burndown": "burned down", "killing": "killed", "tarping": "tarped", "planting": "planted", "transplanting": "transplanted", "setting out": "set out"} {
		want, known := tr.StageOf(doing)
		if got, too := tr.StageOf(done); !known || !too || got != want {
			t.Errorf("%s is %s (%v), %s is %s (%v)", doing, want, known, done, got, too)
		}
	}
}
