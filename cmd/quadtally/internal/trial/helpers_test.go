package trial

import "io"

// parsePlan reads a plan file over Defaults and judges the plan as a whole.
func parsePlan(r io.Reader, name string) (Trial, Faults) {
	t, faults := ReadPlan(Defaults(), r, name)
	if len(faults) == 0 {
		for _, f := range Validate(&t) {
			f.Where = name + ": " + f.Where
			faults = append(faults, f)
		}
	}
	return t, faults
}
