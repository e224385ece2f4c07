package video

import (
	"math"
	"slices"
	"testing"
)

func TestRepairTimes(t *testing.T) {
	nan := math.NaN()
	tests := []struct {
		name    string
		in      []float64
		nominal float64
		want    []float64
		changed int
	}{
		{"good", []float64{0, 1, 3}, 0, []float64{0, 1, 3}, 0},
		{"repeated", []float64{0, 1, 1, 3}, 0, []float64{0, 1, 2, 3}, 1},
		{"backwards", []float64{0, 2, 1, 4, 6}, 0, []float64{0, 0.5, 1, 4, 6}, 1},
		{"one wild time does not spoil the rest", []float64{0, 1, 900, 3, 4}, 0, []float64{0, 1, 2, 3, 4}, 1},
		{"missing inside", []float64{0, nan, nan, 3}, 1, []float64{0, 1, 2, 3}, 2},
		{"missing at both ends", []float64{nan, 5, 6, nan, nan}, 0, []float64{4, 5, 6, 7, 8}, 3},
		{"all missing", []float64{nan, nan, nan}, 0.1, []float64{0, 0.1, 0.2}, 3},
		{"all zero", []float64{0, 0, 0}, 0.5, []float64{0, 0.5, 1}, 2},
		{"none", nil, 0, nil, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, changed := RepairTimes(tt.in, tt.nominal)
			if changed != tt.changed || len(got) != len(tt.want) {
				t.Fatalf("%v, %d changed; want %v, %d", got, changed, tt.want, tt.changed)
			}
			for i := range got {
				if math.Abs(got[i]-tt.want[i]) > 1e-12 {
					t.Fatalf("%v, want %v", got, tt.want)
				}
			}
		})
	}
}

func TestMatchTimes(t *testing.T) {
	got := MatchTimes([]float64{0, 1, 2, 3, 4}, []float64{0.01, 2.1, math.NaN(), 2.98, 9}, 0.25)
	if want := []int{0, -1, 1, 3, -1}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestDecodeWatch(t *testing.T) {
	w := &decodeWatch{}
	// Lines as ffmpeg 5.1 prints them, cut across writes.
	for _, s := range []string{
		"[Parsed_showinfo_0 @ 0x55] config in time_base: 1/15360, frame_rate: 30/1\n",
		"[Parsed_showinfo_0 @ 0x55] n:   0 pts:      0 pts_ti", "me:0       duration:    512\n",
		"x.mp4: corrupt decoded frame in stream 0\n[Parsed_showinfo_0 @ 0x55] n:   1 pts:    512 pts_time:0.0333333 duration:    512\n",
		"[Parsed_showinfo_0 @ 0x55] n:   2 pts:   NOPTS pts_time:NOPTS duration:    512\n",
		"[h264 @ 0x55] Invalid NAL unit size (-1 > 551).",
	} {
		if n, err := w.Write([]byte(s)); n != len(s) || err != nil {
			t.Fatal(n, err)
		}
	}
	w.flush()
	if len(w.pts) != 3 || w.pts[1] != 0.0333333 || !math.IsNaN(w.pts[2]) || w.corrupt != 1 {
		t.Errorf("times %v, %d corrupt", w.pts, w.corrupt)
	}
	if got := lastMessage(w.messages.String(), "x.mp4"); got != "Invalid NAL unit size (-1 > 551)." {
		t.Errorf("message %q", got)
	}
}
