package demo

import (
	"context"
	"fmt"
	"testing"
)

// testPlots is the layout of the demonstration: 4 blocks of 5 treatments,
// turned from block to block.
func testPlots() []Plot {
	var plots []Plot
	tr := Treatments()
	for b := range 4 {
		for i := range tr {
			plots = append(plots, Plot{fmt.Sprintf("%d%02d", b+1, i+1), fmt.Sprint(b + 1), tr[(i+2*b)%len(tr)].Code})
		}
	}
	return plots
}

func testConfig() Config {
	return DefaultConfig(testPlots(), func(plot string, quadrat int) string { return fmt.Sprintf("AB-%s-%d", plot, quadrat) })
}

func BenchmarkPhoto(b *testing.B) {
	c := testConfig()
	c.BigPhotos = 0
	s, err := Season(context.Background(), c)
	if err != nil {
		b.Fatal(err)
	}
	r := NewRenderer(1)
	b.ResetTimer()
	for i := range b.N {
		if _, err := r.JPEG(&s.Photos[i*37%len(s.Photos)]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "photos/s")
}

func BenchmarkSeason(b *testing.B) {
	for range b.N {
		if _, err := Season(context.Background(), testConfig()); err != nil {
			b.Fatal(err)
		}
	}
}
