package record

// QuadratAt names a quadrat of a plot at a visit.
type QuadratAt struct {
	Plot    string
	Quadrat int
	Visit   int
}

// Spot is the quadrat that an observation is of.
func (o *Observation) Spot() QuadratAt { return QuadratAt{o.Plot, o.Quadrat, o.Visit} }

// Spot is the quadrat that a photo is placed in.
func (p *Place) Spot() QuadratAt { return QuadratAt{p.Plot, p.Quadrat, p.Visit} }

// IsCount reports a hand count: plants were looked for and their number, which
// may be 0, is known.
func (o *Observation) IsCount() bool { return o.Variable == VarCount && !o.Missing && !o.Withdrawn }

// Counted are the quadrats with a hand count in force, of any class. Whether a
// quadrat is counted is decided here and nowhere else.
func (s *Snapshot) Counted() map[QuadratAt]bool {
	out := map[QuadratAt]bool{}
	for i := range s.Observations {
		if o := &s.Observations[i]; o.IsCount() && o.Plot != "" {
			out[o.Spot()] = true
		}
	}
	return out
}

// CountsAt are the hand counts of a quadrat: those in force, and those of
// further observers that stand beside them.
func (s *Snapshot) CountsAt(at QuadratAt) (inForce, beside []Observation) {
	pick := func(list []Observation) (out []Observation) {
		for i := range list {
			if o := &list[i]; o.IsCount() && o.Spot() == at && o.Plot != "" {
				out = append(out, *o)
			}
		}
		return out
	}
	return pick(s.Observations), pick(s.Beside)
}
