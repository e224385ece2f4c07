package studio

import (
	"os"
	"testing"
)

func BenchmarkFrame(b *testing.B) {
	data, err := os.ReadFile("../../testdata/scenes/demo/ben-game.yaml")
	if err != nil {
		b.Fatal(err)
	}
	s, err := ParseScene(data)
	if err != nil {
		b.Fatal(err)
	}
	f, err := NewFilm(s, func(n int, row func(int)) {
		for y := range n {
			row(y)
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	br := f.NewBrush()
	i := 0
	for b.Loop() {
		f.Frame(i%f.Len(), br)
		i += 7
	}
}
