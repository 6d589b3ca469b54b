package trial

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// ChangeVisits adds visits, each a date, and moves others, each NUMBER=DATE.
// Added visits get the next numbers, so that no number changes its meaning. The
// errors say what was put wrongly.
func (t *Trial) ChangeVisits(add, move []string) error {
	visits := slices.Clone(t.Visits)
	for _, m := range move {
		left, right, _ := strings.Cut(m, "=")
		n, err := strconv.Atoi(strings.TrimSpace(left))
		if err != nil || n < 1 || n > len(visits) {
			return fmt.Errorf("--move %q: write it as NUMBER=DATE, with a visit from 1 to %d", m, len(visits))
		}
		d, err := ParseDate(right)
		if err != nil {
			return fmt.Errorf("--move: %w", err)
		}
		visits[n-1] = d
	}
	for _, s := range add {
		d, err := ParseDate(s)
		if err != nil {
			return fmt.Errorf("--add: %w", err)
		}
		visits = append(visits, d)
	}
	seen := map[Date]int{}
	for i, d := range visits {
		if was, dup := seen[d]; dup {
			return fmt.Errorf("visits %d and %d would both be on %s", was, i+1, d)
		}
		seen[d] = i + 1
		if !t.InSeason(d) {
			return fmt.Errorf("%s lies outside the season %s to %s", d, t.SeasonStart, t.SeasonEnd)
		}
	}
	t.Visits = visits
	return nil
}
