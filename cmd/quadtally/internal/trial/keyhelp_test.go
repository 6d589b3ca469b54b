package trial

import "testing"

// TestEveryKeyHasHelp: no key of the plan is left without a word, and no word
// without its key.
func TestEveryKeyHasHelp(t *testing.T) {
	for _, key := range PlanKeys() {
		if KeyHelp(key) == "" {
			t.Errorf("nothing is said of %q", key)
		}
	}
	if len(keyHelp) != len(PlanKeys()) {
		t.Errorf("%d keys have help, the plan has %d", len(keyHelp), len(PlanKeys()))
	}
}
