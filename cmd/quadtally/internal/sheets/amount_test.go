package sheets

import (
	"math"
	"testing"
)

// TestAmount: 100 lb/acre is 112.085 kg/ha (exact pound and acre, NIST SP 811),
// so a plot of 16.2 m² takes 181.578 g.
func TestAmount(t *testing.T) {
	for _, c := range []struct {
		rate   float64
		unit   string
		us     bool
		amount float64
		in     string
	}{
		{100, "lb/acre", false, 181.57788, "g"},
		{112.0851156, "kg/ha", false, 181.57789, "g"},
		{100, "lb / ac", true, 6.404976, "oz"},
		{100, "lb/A", true, 6.404976, "oz"},
		{8000, "kg/ha", false, 12.96, "kg"},
		{8000, "kg/ha", true, 28.57191, "lb"},
		{20, "lb/1000 sq ft", true, 3.487508, "lb"},
		{1, "oz per sq ft", true, 10.898462, "lb"},
		{11.1, "plants/m²", false, 179.82, "plants"},
	} {
		got, in, ok := Amount(c.rate, c.unit, 16.2, c.us)
		if !ok || in != c.in || math.Abs(got-c.amount) > 1e-4*c.amount {
			t.Errorf("%g %s: %g %s %v, want %g %s", c.rate, c.unit, got, in, ok, c.amount, c.in)
		}
	}
	if _, _, ok := Amount(5, "bags", 16.2, false); ok {
		t.Error("bags were understood")
	}
}
