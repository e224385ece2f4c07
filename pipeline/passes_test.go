package pipeline

import (
	"context"
	"errors"
	"image"
	"io"
	"math"
	"slices"
	"testing"

	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/report"
)

// movie is a source of n grey frames with a patch that moves, 60 a second.
type movie struct {
	n, at  int
	failAt int // frame at which reading fails; 0 = never
	f      video.Frame
	closed *int
}

var errPlanted = errors.New("planted fault")

func newMovie(n, failAt int, closed *int) *movie {
	m := &movie{n: n, failAt: failAt, closed: closed}
	m.f = video.Frame{W: 320, H: 192, Stride: 960, Pix: make([]byte, 960*192)}
	return m
}

func (m *movie) Info() video.Info {
	i := video.Info{Width: 320, Height: 192, Frames: m.n, TimeScale: 1}
	for k := range m.n {
		i.PTSS = append(i.PTSS, float64(k)/60)
	}
	return i
}

func (m *movie) Next(_ context.Context, f *video.Frame) error {
	if m.at >= m.n {
		return io.EOF
	}
	if m.failAt > 0 && m.at >= m.failAt {
		return errPlanted
	}
	for i := range m.f.Pix {
		m.f.Pix[i] = 100
	}
	x := (m.at * 3) % 280
	for y := 40; y < 80; y++ {
		for c := 3 * x; c < 3*x+120; c++ {
			m.f.Pix[y*960+c] = 220
		}
	}
	m.f.Index, m.f.TimeS = m.at, float64(m.at)/60
	m.at++
	*f = m.f
	return nil
}

func (m *movie) Skip(_ context.Context, n int) error { m.at += n; return nil }

func (m *movie) JPEG(int, image.Rectangle) ([]byte, error) { return []byte{byte(m.at - 1)}, nil }

func (m *movie) Close() error { *m.closed++; return nil }

// fakeNet answers with the same outputs each time, and fails at one call.
type fakeNet struct {
	out    []pose.Tensor
	calls  int
	failAt int // 0 = never
}

func (f *fakeNet) Run(...pose.Tensor) ([]pose.Tensor, error) {
	f.calls++
	if f.calls == f.failAt {
		return nil, errPlanted
	}
	return f.out, nil
}

func (f *fakeNet) Close() error { return nil }

func fakeNets() Nets {
	landmarks := func() pose.Net {
		points := make([]float32, 195)
		for i := range points {
			points[i] = 100 + float32(i%5)
		}
		return &fakeNet{out: []pose.Tensor{{F32: points}, {F32: make([]float32, 1)}, {F32: make([]float32, 117)}}}
	}
	var objects []pose.Tensor
	for _, n := range []int{52 * 52, 26 * 26, 13 * 13} {
		objects = append(objects, pose.Tensor{F32: make([]float32, n*80)}, pose.Tensor{F32: make([]float32, n*44)})
	}
	return Nets{
		People:    []pose.Net{&fakeNet{out: []pose.Tensor{{F32: make([]float32, 6*56)}}}},
		Objects:   []pose.Net{&fakeNet{out: objects}},
		Landmarks: []pose.Net{landmarks(), landmarks()},
	}
}

func TestScoutReportsFaultsAndEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(n *Nets) (failFrame int)
		want error
	}{
		{"sound", func(*Nets) int { return 0 }, nil},
		{"source fails", func(*Nets) int { return 50 }, errPlanted},
		{"people model fails at once", func(n *Nets) int { n.People[0].(*fakeNet).failAt = 1; return 0 }, errPlanted},
		{"people model fails late", func(n *Nets) int { n.People[0].(*fakeNet).failAt = 7; return 0 }, errPlanted},
		{"people model gives another form", func(n *Nets) int { n.People[0].(*fakeNet).out = []pose.Tensor{{F32: make([]float32, 5)}}; return 0 }, pose.ErrShape},
	} {
		nets := fakeNets()
		fail := c.edit(&nets)
		closed := 0
		out, err := scout(context.Background(), func() (video.Source, error) { return newMovie(120, fail, &closed), nil }, nets, ScoutOptions{}, nil)
		if !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if closed != 1 {
			t.Errorf("%s: source closed %d times", c.name, closed)
		}
		if c.want == nil && (out.Samples < 6 || out.Samples > 9 || out.Frames != 120 || out.Seen == "") {
			t.Errorf("%s: %+v, want about 7 looks in 120 frames in which nobody is", c.name, out)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	closed := 0
	if _, err := scout(ctx, func() (video.Source, error) { return newMovie(120, 0, &closed), nil }, fakeNets(), ScoutOptions{}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Of the pictures that wait for the detector only those are looked at that are wanted; a fault ends it.
func TestObjectsOnlyWhereWanted(t *testing.T) {
	run := func(net *fakeNet, wanted ...bool) ([]objectsAt, error) {
		in := make(chan glance, len(wanted))
		var samples []pose.Sample
		for i := range wanted {
			small := pose.Image{W: 64, H: 36, Stride: 192, Pix: make([]byte, 192*36)}
			in <- glance{frame: 10 * i, small: small, zoom: 1}
			samples = append(samples, pose.Sample{Frame: 10 * i})
		}
		close(in)
		return watchObjects(context.Background(), []pose.Net{net}, in, t.TempDir(), func() ([]pose.Sample, []bool) { return samples, wanted })
	}
	net := fakeNets().Objects[0].(*fakeNet)
	out, err := run(net, true, false, false, true)
	if err != nil || len(out) != 2 || out[0].sample != 0 || out[1].sample != 3 || net.calls != 2 {
		t.Errorf("%+v, %v after %d calls", out, err, net.calls)
	}
	net.calls, net.failAt = 0, 2
	if _, err := run(net, true, true); !errors.Is(err, errPlanted) {
		t.Errorf("a detector that fails: %v", err)
	}
}

// someHitter stands in the picture's middle; windows as given.
func someHitter(windows ...pose.Window) pose.Hitter {
	h := pose.Hitter{ID: 1, Windows: windows}
	var p pose.Pose
	for i, j := range pose.COCOJoints {
		p[j] = pose.Keypoint{X: 150 + float64(i%2)*20, Y: 40 + 7*float64(i), Score: 0.9}
	}
	for i := range 30 {
		h.Coarse.Frames = append(h.Coarse.Frames, 4*i)
		h.Coarse.Times = append(h.Coarse.Times, float64(i)/15)
		h.Coarse.Raw = append(h.Coarse.Raw, p)
	}
	return h
}

func TestDenseCoversTheWindowsInOrder(t *testing.T) {
	closed := 0
	h := someHitter(pose.Window{FromS: 0.5, ToS: 1.0}, pose.Window{FromS: 0.9, ToS: 1.3})
	done := 0
	ws, err := dense(context.Background(), newMovie(120, 0, &closed), []pose.Hitter{h}, fakeNets(), DenseOptions{TempDir: t.TempDir()}, func(d, _ int) { done = d })
	if err != nil || len(ws) != 2 {
		t.Fatalf("%d windows, %v", len(ws), err)
	}
	if done != 31+25 {
		t.Errorf("progress ended at %d, want 56", done)
	}
	for k, w := range ws {
		win := h.Windows[k]
		if first, last := w.Track.Times[0], w.Track.Times[w.Track.Len()-1]; math.Abs(first-win.FromS) > 0.01 || math.Abs(last-win.ToS) > 0.01 {
			t.Errorf("window %d: %.3f to %.3f s, want %v", k, first, last, win)
		}
		for i, f := range w.Track.Frames {
			if i > 0 && f != w.Track.Frames[i-1]+1 || len(w.Track.Raw) != w.Track.Len() || len(w.Track.World) != w.Track.Len() {
				t.Fatalf("window %d: frames %v", k, w.Track.Frames)
			}
			if b, err := w.Spool.JPEG(f); err != nil || len(b) != 1 || int(b[0]) != f {
				t.Fatalf("spool gives %v, %v for frame %d", b, err, f)
			}
		}
	}
	if _, err := ws[0].Spool.JPEG(3); err == nil {
		t.Error("the spool has a frame outside of the windows")
	}
	if err := errors.Join(ws[0].Spool.Close(), ws[0].Spool.Close()); err != nil {
		t.Error(err)
	}
}

func TestDenseReportsFaultsAndEnds(t *testing.T) {
	h := []pose.Hitter{someHitter(pose.Window{FromS: 0, ToS: 1.9})}
	for failAt := 1; failAt < 60; failAt += 7 {
		closed := 0
		nets := fakeNets()
		nets.Landmarks[1].(*fakeNet).failAt = failAt
		nets.Landmarks[0].(*fakeNet).failAt = failAt
		if _, err := dense(context.Background(), newMovie(120, 0, &closed), h, nets, DenseOptions{TempDir: t.TempDir()}, nil); !errors.Is(err, errPlanted) {
			t.Errorf("model fails at call %d: %v", failAt, err)
		}
		if _, err := dense(context.Background(), newMovie(120, failAt, &closed), h, fakeNets(), DenseOptions{TempDir: t.TempDir()}, nil); !errors.Is(err, errPlanted) {
			t.Errorf("source fails at frame %d: %v", failAt, err)
		}
	}
}

func TestNumber(t *testing.T) {
	for name, c := range map[string]struct {
		hitters []int // of the swings, in the order of the windows
		other   []bool
	}{
		"one swing, by the second person followed": {[]int{2}, []bool{false}},
		"all by one":   {[]int{2, 2}, []bool{false, false}},
		"taking turns": {[]int{2, 1, 2}, []bool{false, true, false}},
	} {
		t.Run(name, func(t *testing.T) {
			var in report.Input
			for i, h := range slices.Backward(c.hitters) { // order of time is made by number
				sw := &phases.Swing{Events: []phases.Event{{TimeS: float64(i)}}}
				in.Swings = append(in.Swings, report.SwingInput{Swing: sw, Hitter: h})
			}
			number(&in)
			for i, s := range in.Swings {
				if s.Swing.Number != i+1 || s.Swing.Events[0].TimeS != float64(i) || (len(s.Swing.Notes) > 0) != c.other[i] {
					t.Errorf("swing %d: %+v", i, s.Swing)
				}
			}
		})
	}
}
