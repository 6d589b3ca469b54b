package trial

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

const examplePlan = `# An invented plan.
trial: Alder Bend leeks
site: Alder Bend trial ground
crop: leek
question: Does rolled rye hold weeds back as long as a tarp does?
design: randomised complete blocks
blocks: 5
treatment: BARE = tilled bare ground; control
treatment: RYE = rolled winter rye; rate 110 kg/ha; seeded 2025-09-20; terminated 2026-05-18
treatment: RYE2 = the same, heavy; rate 180 kg/ha; seeded 2025-09-20; terminated 2026-05-18
treatment: TARP
beds per plot: 2
bed spacing: 5.5 ft
bed top: 36 in
plot length: 30 ft
end border: 3 ft
alley: 2 ft
avoid: 64 in to 68 in; wheel track
gradient: wetter towards the river
gradient runs: along the beds
beds point to: north-east
quadrat: 18x18in
quadrats per plot: 3
quadrat spots: permanent
season: 2026-05-20 to 2026-09-30
visits: every 14 days from 2026-05-25 to 2026-08-31
agreement margin: 5
units: US
seed: 12345
`

func TestPlanRoundTrip(t *testing.T) {
	x, faults := parsePlan(strings.NewReader(examplePlan), "plan.txt")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if x.Tag != "ALDE" || len(x.Visits) != 8 || x.Visits[7].String() != "2026-08-31" || *x.Ground.BearingDeg != 45 ||
		x.Quadrat.WidthMM != 457.2 || !x.Quadrat.Permanent || *x.Treatments[2].Rate != 180 || x.Treatments[1].RateUnit != "kg/ha" ||
		x.Treatments[1].Terminated.String() != "2026-05-18" || x.Ground.Avoid[0].Why != "wheel track" || x.Units != US {
		t.Errorf("%+v", x)
	}
	var b bytes.Buffer
	if err := WritePlan(&b, &x); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"bed spacing: 5.5 ft", "quadrat: 18 in x 18 in", "treatment: BARE = tilled bare ground; control"} {
		if !strings.Contains(b.String(), line+"\n") {
			t.Errorf("no line %q in\n%s", line, b.String())
		}
	}
	y, faults := parsePlan(&b, "again")
	if len(faults) > 0 || !reflect.DeepEqual(x, y) {
		t.Errorf("changed on the way: %v\n%+v\n%+v", faults, x, y)
	}
}

func TestAllFaultsOfAPlan(t *testing.T) {
	_, faults := parsePlan(strings.NewReader("\ufefftrial: X\r\nblocks: many\nblok: 4\nplot length: 30\nno colon here\nquadrat:\nseed: 1\nseed: 2\ntreatment: A; rate lots; control\nvisits: every day\nbeds point to: up\n"), "p")
	want := []string{
		`p:2: blocks: "many" is not a whole number`, `p:3: there is no key "blok"; perhaps "blocks" is meant`, `p:4: plot length: "30" has no unit`,
		"p:5: \"no colon here\" is not `key: value`", "p:6: quadrat has no value", "p:8: seed was already given in line 7",
		`p:9: treatment: A: the rate "lots"`, `p:10: visits: "every day"`, `p:11: beds point to: "up"`,
	}
	if len(faults) != len(want) {
		t.Fatalf("%d faults:\n%v", len(faults), faults)
	}
	for i, w := range want {
		if !strings.HasPrefix(faults[i].Error(), w) {
			t.Errorf("fault %d is %q, want %q", i, faults[i].Error(), w)
		}
	}
	if _, faults = parsePlan(strings.NewReader(strings.Repeat("101,1,2025-06-14,2\n", 240)), "counts.csv"); len(faults) != 1 || !strings.Contains(faults.Error(), "counts.csv") || !strings.Contains(faults.Error(), "is no plan") {
		t.Errorf("another file: %d faults: %.200v", len(faults), faults)
	}
	if _, faults = parsePlan(strings.NewReader("trail: X\nblok: 4\n"), "p"); len(faults) < 2 || !strings.Contains(faults.Error(), `perhaps "trial" is meant`) && !strings.Contains(faults.Error(), `perhaps "blocks" is meant`) {
		t.Errorf("two slips: %v", faults)
	}
	_, faults = parsePlan(strings.NewReader("trial: X\ndesign: latin square\nblocks: 3\ntreatment: A\ntreatment: a\n"), "p")
	for _, w := range []string{`"A" and "a" are the same label`, "bed spacing", "as many rows as treatments"} {
		if !strings.Contains(faults.Error(), w) {
			t.Errorf("no %q in\n%v", w, faults)
		}
	}
}

// Every key of the plan can be set alone, and gives what the file gives.
func TestSetIsThePlanFile(t *testing.T) {
	want, faults := parsePlan(strings.NewReader(examplePlan), "plan.txt")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	got := Defaults()
	for _, line := range strings.Split(strings.TrimSpace(examplePlan), "\n")[1:] {
		key, value, _ := strings.Cut(line, ":")
		if err := got.Set(key, value); err != nil {
			t.Error(err)
		}
	}
	got.Tag = TagFor(got.Name)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\n%+v", got, want)
	}
	for _, bad := range [][2]string{{"bed space", "1m"}, {"blocks", ""}, {"blocks", "x"}, {"question", "\x01"}} {
		if err := got.Set(bad[0], bad[1]); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

func FuzzParsePlan(f *testing.F) {
	f.Add(examplePlan)
	f.Add("treatment: A = b; rate 1e3 kg\ntreatment: =;;\navoid: 1m to 2m\nbeds point to: 1e300\n")
	f.Add(sevenTreatments + "sections: 3 x 10 m; beds 9 to 10: 2 x 15 m\nspare: beds 1 to 2 section 2\nsample beds: 1\nrows per bed: 2\nrow spacing: 1 ft\ndrill row spacing: 7.5 in\n")
	f.Add("treatment: A = b; seed rye 90 kg/ha on 2025-01-01; seeded 2025-01-01, 2025-02-01\ncontrast: a = A against B\nfactor: n = A 1, B 2; kg\nclass: x=y; grass\nwork: a;b = other\nprimary response: cover\n")
	f.Add("season: 2026-01-01 to 2026-02-30\nvisits: 2026-01-01,,\nquadrat: 1x1mm")
	f.Fuzz(func(t *testing.T, s string) {
		x, faults := parsePlan(strings.NewReader(s), "plan")
		if len(faults) > 0 {
			return
		}
		var b bytes.Buffer
		if err := WritePlan(&b, &x); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		y, faults := parsePlan(&b, "again")
		if len(faults) > 0 || !reflect.DeepEqual(x, y) {
			t.Errorf("%v\n%s\n%+v\n%+v", faults, text, x, y)
		}
	})
}
