package trial

import (
	"fmt"
	"slices"
	"strings"
)

// Stage is the part a piece of field work plays in a trial.
type Stage string

// The stages whose dates can explain a difference between treatments by
// themselves; other work has none.
const (
	Seeding     Stage = "seeding"
	Termination Stage = "termination"
	Planting    Stage = "planting"
	OtherWork   Stage = "other"
)

// StageWord says what a word for field work means.
type StageWord struct {
	Word  string `json:"word"`
	Stage Stage  `json:"stage"`
}

// stageWords are the trade's words for the three stages, common practice.
var stageWords = []struct {
	stage Stage
	words []string
}{
	{Seeding, []string{"seeding", "seed", "seeded", "sowing", "sow", "sown", "drilling", "drill", "drilled", "broadcasting", "broadcast", "overseeding", "overseeded", "interseeding", "interseeded", "reseeding", "reseeded", "drill seeded", "drill seeding", "cover crop seeding"}},
	{Termination, []string{"termination", "terminate", "terminated", "killing", "killed", "mowing", "mow", "mowed", "mown", "flail mowing", "flail mow", "flail mowed", "flail mown", "flailing", "flailed", "disking", "disk", "disked", "discing", "disc", "disced",
		"tilling", "till", "tilled", "tillage", "rotary tilling", "rotary tilled", "rototilling", "rototill", "rototilled", "rotovating", "rotovated", "strip tilling", "strip till", "strip tilled", "ploughing", "plowing", "plough", "plow", "ploughed", "plowed",
		"chisel plowing", "chisel plowed", "chisel ploughing", "chisel ploughed", "incorporation", "incorporating", "incorporated", "undercutting", "undercut",
		"rolling", "roll", "rolled", "crimping", "crimp", "crimped", "roller crimping", "roller crimped", "rolling and crimping", "roll and crimp", "rolled and crimped", "roll crimped", "roll crimping",
		"spraying out", "spray out", "sprayed out", "spraying off", "spray off", "sprayed off", "burndown", "burn down", "burning down", "burned down", "burnt down", "herbicide burndown", "desiccation", "desiccated", "tarping", "tarped", "solarizing", "solarized"}},
	{Planting, []string{"planting", "plant", "planted", "transplanting", "transplant", "transplanted", "setting out", "set out"}},
}

// StageOf says which stage a word for work means, whole words as they stand:
// first by the plan's own list, then by the trade's. known is false for a word
// that neither has.
func (t *Trial) StageOf(word string) (stage Stage, known bool) {
	key := NameKey(word)
	for _, w := range t.Words {
		if NameKey(w.Word) == key {
			return w.Stage, true
		}
	}
	for _, s := range stageWords {
		if slices.ContainsFunc(s.words, func(w string) bool { return NameKey(w) == key }) {
			return s.stage, true
		}
	}
	return OtherWork, false
}

// StageWords lists what every word means, the plan's own first.
func (t *Trial) StageWords() []StageWord {
	out := slices.Clone(t.Words)
	for _, s := range stageWords {
		for _, w := range s.words {
			if !slices.ContainsFunc(t.Words, func(own StageWord) bool { return NameKey(own.Word) == NameKey(w) }) {
				out = append(out, StageWord{w, s.stage})
			}
		}
	}
	return out
}

// readWord reads `mowing = other`, `bed shaping = planting`.
func readWord(t *Trial, v string) error {
	word, stage, ok := strings.Cut(v, "=")
	w := StageWord{strings.TrimSpace(word), Stage(Label(stage))}
	if !ok || w.Word == "" || !slices.Contains([]Stage{Seeding, Termination, Planting, OtherWork}, w.Stage) {
		return fmt.Errorf("%q is not understood: write the word and what it is, such as mowing = termination, planting, seeding or other", clip(v))
	}
	t.Words = append(t.Words, w)
	return nil
}

func writeWord(w StageWord) string { return CleanLabel(w.Word) + " = " + string(w.Stage) }

// SeedingDays lists the planned days of seeding of a treatment.
func (tr *Treatment) SeedingDays() []Date {
	var out []Date
	days := append([]Date{tr.Seeded}, tr.SeededAlso...)
	for _, s := range tr.Seeds {
		days = append(days, s.On)
	}
	for _, d := range days {
		if !d.IsZero() && !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	return out
}

// FrameOverDrill compares a frame's width, laid across the rows, with the
// spacing of the drill. Where the width is no whole multiple, the frame catches
// one row fewer or one more, and what is cut in it is fewest or most times the
// true weight per area. fits is false there.
func FrameOverDrill(widthMM, drillRowMM float64) (fewest, most float64, fits bool) {
	if !(widthMM > 0 && drillRowMM > 0) {
		return 1, 1, true
	}
	rows := widthMM / drillRowMM
	n := float64(int(rows + 1e-6))
	if rows-n < 0.01*rows {
		return 1, 1, true
	}
	if n+1-rows < 0.01*rows {
		return 1, 1, true
	}
	return n / rows, (n + 1) / rows, false
}
