package video

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// clipJSON is what ffprobe 5.1 prints, cut to the entries that are asked for.
func clipJSON(stream, packets, formatTags string) string {
	return fmt.Sprintf(`{"packets":[%s],"streams":[{"index":0,"codec_type":"video","codec_name":"h264","codec_tag_string":"avc1",
"width":640,"height":360,"pix_fmt":"yuv420p","time_base":"1/1000","start_pts":0,"avg_frame_rate":"30/1"%s}],
"format":{"format_name":"mov,mp4","tags":{%s}}}`, packets, stream, formatTags)
}

func packetsAt(ms ...int) string {
	var s []string
	for _, t := range ms {
		s = append(s, fmt.Sprintf(`{"stream_index":0,"pts":%d,"flags":"K_"}`, t))
	}
	return strings.Join(s, ",")
}

// matrix prints a display matrix the way ffprobe does.
func matrix(a, b, c, d int) string {
	return fmt.Sprintf(`,"side_data_list":[{"side_data_type":"Display Matrix","displaymatrix":"\n00000000: %12d %11d           0\n00000001: %12d %11d           0\n00000002:            0           0  1073741824\n"}]`,
		a*65536, b*65536, c*65536, d*65536)
}

func TestParseProbe(t *testing.T) {
	three := packetsAt(0, 33, 66)
	tests := []struct {
		name string
		json string
		want func(*Probe) bool
	}{
		// ISO/IEC 14496-12, 8.5.3: x' = a·x + c·y, y' = b·x + d·y, y down.
		{"upright", clipJSON("", three, ""), func(p *Probe) bool { return p.Rotation == 0 && !p.Mirrored && p.PixelAspect == 1 }},
		{"matrix 90 clockwise", clipJSON(matrix(0, 1, -1, 0), three, ""), func(p *Probe) bool { return p.Rotation == 90 && !p.Mirrored }},
		{"matrix 180", clipJSON(matrix(-1, 0, 0, -1), three, ""), func(p *Probe) bool { return p.Rotation == 180 && !p.Mirrored }},
		{"matrix 270 clockwise", clipJSON(matrix(0, -1, 1, 0), three, ""), func(p *Probe) bool { return p.Rotation == 270 && !p.Mirrored }},
		{"matrix mirrors", clipJSON(matrix(-1, 0, 0, 1), three, ""), func(p *Probe) bool { return p.Rotation == 0 && p.Mirrored && len(p.Notes) == 1 }},
		{"matrix of zeros is ignored", clipJSON(matrix(0, 0, 0, 0), three, ""), func(p *Probe) bool { return p.Rotation == 0 && !p.Mirrored }},
		{"rotation without matrix counts the other way", clipJSON(`,"side_data_list":[{"rotation":-90}]`, three, ""), func(p *Probe) bool { return p.Rotation == 90 }},
		{"old rotate tag", clipJSON(`,"tags":{"rotate":"270"}`, three, ""), func(p *Probe) bool { return p.Rotation == 270 }},
		{"odd angle is rounded and said", clipJSON(`,"tags":{"rotate":"80"}`, three, ""), func(p *Probe) bool { return p.Rotation == 90 && len(p.Notes) == 1 }},
		{"wide pixels", clipJSON(`,"sample_aspect_ratio":"4:3"`, three, ""), func(p *Probe) bool { w, h := p.SquareSize(); return w == 853 && h == 360 }},
		{"tall pixels stretch the height", clipJSON(`,"sample_aspect_ratio":"3:4"`, three, ""), func(p *Probe) bool { w, h := p.SquareSize(); return w == 640 && h == 480 }},
		{"impossible pixels are square", clipJSON(`,"sample_aspect_ratio":"1:900"`, three, ""), func(p *Probe) bool { return p.PixelAspect == 1 && len(p.Notes) == 1 }},
		{"unknown pixels are square", clipJSON(`,"sample_aspect_ratio":"0:1"`, three, ""), func(p *Probe) bool { return p.PixelAspect == 1 && len(p.Notes) == 0 }},
		{"B-frame packets are put in display order", clipJSON("", packetsAt(0, 100, 33, 66), ""), func(p *Probe) bool {
			return len(p.PTSS) == 4 && p.PTSS[1] == 0.033 && p.PTSS[3] == 0.1 && p.Suspicion() == ""
		}},
		{"frames hidden by an edit list", clipJSON(`,"nb_frames":"4"`, `{"stream_index":0,"pts":-33,"flags":"KD"},`+three, ""), func(p *Probe) bool {
			return len(p.PTSS) == 3 && p.Packets == 4 && p.expected() == 3 && p.Suspicion() == ""
		}},
		{"fewer packets than declared", clipJSON(`,"nb_frames":"120"`, three, ""), func(p *Probe) bool { return p.Suspicion() != "" && p.expected() == 120 }},
		{"a packet without a time", clipJSON("", three+`,{"stream_index":0,"flags":"__"}`, ""), func(p *Probe) bool { return p.MissingPTS == 1 && p.Suspicion() != "" }},
		{"a repeated time", clipJSON("", packetsAt(0, 33, 33), ""), func(p *Probe) bool { return p.Suspicion() != "" }},
		{"day of filming", clipJSON("", three, `"creation_time":"2026-05-01T23:10:00.000000Z"`), func(p *Probe) bool { return p.Recorded == "2026-05-01" }},
		{"local day before UTC", clipJSON("", three, `"creation_time":"2026-05-02T03:10:00.000000Z","com.apple.quicktime.creationdate":"2026-05-01T20:10:00-0700"`), func(p *Probe) bool { return p.Recorded == "2026-05-01" }},
		{"clock that was never set", clipJSON("", three, `"creation_time":"1970-01-01T00:00:00.000000Z"`), func(p *Probe) bool { return p.Recorded == "" }},
		{"Android capture rate", clipJSON("", three, `"com.android.capture.fps":"240.000000"`), func(p *Probe) bool { return p.CaptureFPS == 240 }},
		{"absurd capture rate", clipJSON("", three, `"com.android.capture.fps":"NaN"`), func(p *Probe) bool { return p.CaptureFPS == 0 }},
		{
			"cover picture before the clip",
			`{"packets":[{"stream_index":0,"pts":0,"flags":"K_"},{"stream_index":1,"pts":5,"flags":"K_"}],"streams":[
			{"index":0,"codec_type":"video","codec_name":"mjpeg","width":2000,"height":2000,"time_base":"1/90000","disposition":{"attached_pic":1}},
			{"index":1,"codec_type":"video","codec_name":"h264","width":640,"height":360,"time_base":"1/10"},
			{"index":2,"codec_type":"audio","codec_name":"aac","sample_rate":"44100"}],"format":{}}`,
			func(p *Probe) bool {
				return p.StreamIndex == 1 && !p.FirstVideo && p.HasAudio && p.AudioRateHz == 44100 && len(p.PTSS) == 1 && p.PTSS[0] == 0.5
			},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := ParseProbe([]byte(tt.json))
			if err != nil {
				t.Fatal(err)
			}
			if !tt.want(p) {
				t.Errorf("%+v", p)
			}
		})
	}
}

func TestParseProbeFaults(t *testing.T) {
	tests := []struct {
		name, json, says string
		kind             error
	}{
		{"sound only", `{"streams":[{"index":0,"codec_type":"audio"}],"format":{}}`, "sound", ErrNotVideo},
		{"no stream", `{"streams":[],"format":{}}`, "beginning", ErrNotVideo},
		{"subtitles only", `{"streams":[{"index":0,"codec_type":"subtitle"}],"format":{}}`, "no moving", ErrNotVideo},
		{"unknown codec", `{"streams":[{"index":0,"codec_type":"video","codec_name":"unknown","codec_tag_string":"vvc1","width":4,"height":4}]}`, "vvc1", ErrDamaged},
		{"encrypted sample entry", `{"streams":[{"index":0,"codec_type":"video","codec_name":"h264","codec_tag_string":"encv","width":4,"height":4}]}`, "encrypted", ErrDamaged},
		{"encrypted packets", clipJSON("", `{"stream_index":0,"pts":0,"flags":"K_","side_data_list":[{"side_data_type":"Encryption info"}]}`, ""), "encrypted", ErrDamaged},
		{"no size", `{"streams":[{"index":0,"codec_type":"video","codec_name":"h264"}]}`, "size", ErrDamaged},
		{"absurd size", `{"streams":[{"index":0,"codec_type":"video","codec_name":"h264","width":9000000000,"height":9000000000}]}`, "too large", ErrTooLarge},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ParseProbe([]byte(tt.json))
			var e *Error
			if !errors.As(err, &e) || !errors.Is(err, tt.kind) || !strings.Contains(e.Error(), tt.says) || e.Hint == "" {
				t.Errorf("got %v, want kind %v with %q and a hint", err, tt.kind, tt.says)
			}
		})
	}
	if _, err := ParseProbe([]byte(`{"streams":`)); err == nil {
		t.Error("cut JSON was taken")
	}
}

func TestInfo(t *testing.T) {
	at30, at240 := make([]int, 31), make([]int, 241)
	for i := range at30 {
		at30[i] = i * 1000 / 30
	}
	for i := range at240 {
		at240[i] = i * 1000 / 240
	}
	android := `"com.android.capture.fps":"240.000000"`
	tests := []struct {
		name         string
		json         string
		o            Options
		fps, scale   float64
		from         string
		nWarnings    int
		durationS    float64
		width, heigh int
	}{
		{"real time", clipJSON("", packetsAt(at30...), ""), Options{}, 30, 1, "file", 0, 31.0 / 30, 640, 360},
		{"slow motion by metadata", clipJSON("", packetsAt(at30...), android), Options{}, 240, 30.0 / 240, "metadata", 0, 31.0 / 240, 640, 360},
		{"sidecar wins over metadata", clipJSON("", packetsAt(at30...), android), Options{CapturedFPS: 120}, 120, 0.25, "sidecar", 0, 31.0 / 120, 640, 360},
		{"metadata that only confirms", clipJSON("", packetsAt(at240...), android), Options{}, 240, 1, "metadata", 0, 241.0 / 240, 640, 360},
		{"sidecar that only confirms", clipJSON("", packetsAt(at30...), ""), Options{CapturedFPS: 29.97}, 30, 1, "sidecar", 0, 31.0 / 30, 640, 360},
		{"metadata below the file's rate is not used", clipJSON("", packetsAt(at240...), `"com.android.capture.fps":"30"`), Options{}, 240, 1, "file", 1, 241.0 / 240, 640, 360},
		{"sidecar below the file's rate is used and questioned", clipJSON("", packetsAt(at30...), ""), Options{CapturedFPS: 15}, 15, 2, "sidecar", 1, 31.0 / 15, 640, 360},
		{"turned", clipJSON(matrix(0, 1, -1, 0)+`,"sample_aspect_ratio":"4:3"`, packetsAt(at30...), ""), Options{}, 30, 1, "file", 0, 31.0 / 30, 360, 853},
		{"one frame", clipJSON("", packetsAt(500), ""), Options{}, 30, 1, "file", 0, 1.0 / 30, 640, 360},
		{"repeated time", clipJSON("", packetsAt(0, 33, 33, 100), ""), Options{}, 30, 1, "file", 1, 0.1333, 640, 360},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := ParseProbe([]byte(tt.json))
			if err != nil {
				t.Fatal(err)
			}
			in, err := p.Info("x", nil, tt.o)
			if err != nil {
				t.Fatal(err)
			}
			near := func(a, b float64) bool { return math.Abs(a/b-1) < 0.005 }
			if !near(in.CapturedFPS, tt.fps) || !near(in.TimeScale, tt.scale) || in.CapturedFPSFrom != tt.from || !near(in.DurationS, tt.durationS) {
				t.Errorf("%g fps from %s, scale %g, %g s; want %g %s %g %g", in.CapturedFPS, in.CapturedFPSFrom, in.TimeScale, in.DurationS, tt.fps, tt.from, tt.scale, tt.durationS)
			}
			if len(in.Warnings) != tt.nWarnings || in.Width != tt.width || in.Height != tt.heigh || in.PTSS[0] != 0 {
				t.Errorf("%+v", in)
			}
		})
	}
}

func TestLimits(t *testing.T) {
	p, err := ParseProbe([]byte(clipJSON("", packetsAt(0, 5000), "")))
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []Options{{MaxPixels: 640*360 - 1}, {MaxDurationS: 4}} {
		if _, err := p.Info("x", nil, o); !errors.Is(err, ErrTooLarge) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if _, err := p.Info("x", nil, Options{MaxPixels: 640 * 360, MaxDurationS: 11}); err != nil {
		t.Error(err)
	}
}

// FuzzParseProbe: whatever ffprobe prints, parsing ends in a probe that gives a
// sane description, or in an error.
func FuzzParseProbe(f *testing.F) {
	f.Add([]byte(clipJSON(matrix(0, 1, -1, 0)+`,"sample_aspect_ratio":"4:3","nb_frames":"3"`, packetsAt(0, 33, 66), `"com.android.capture.fps":"240"`)))
	f.Add([]byte(clipJSON("", packetsAt(9, 9, -9)+`,{"stream_index":0,"flags":"KD"}`, "")))
	f.Add([]byte(`{"streams":[{"index":0,"codec_type":"audio"}],"format":{}}`))
	f.Add([]byte(`{"packets":[{"stream_index":0,"pts":9223372036854775807}],"streams":[{"codec_type":"video","codec_name":"a","width":1,"height":1,"time_base":"1/1"}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProbe(data)
		if err != nil {
			return
		}
		in, err := p.Info("x", nil, Options{})
		if err != nil {
			return
		}
		if in.Width <= 0 || in.Height <= 0 || in.Frames != len(in.PTSS) || !(in.DurationS > 0) || !(in.TimeScale > 0) || !(in.CapturedFPS > 0) {
			t.Fatalf("%+v", in)
		}
		for i := 1; i < len(in.PTSS); i++ {
			if !(in.PTSS[i] > in.PTSS[i-1]) {
				t.Fatalf("times %v", in.PTSS)
			}
		}
	})
}

// Where reading breaks off, ffprobe ends its list of packets and says nothing. The script stands for it: each call
// lists so many packets of 20 kB in a file that holds ten.
func TestListThatBreaksOff(t *testing.T) {
	for _, c := range []struct {
		name           string
		first, second  int // packets listed
		declared       string
		packets, calls int // 0 packets = an error
	}{
		{"whole", 10, 0, "", 10, 1},
		{"cut off once", 6, 10, "", 0, 2},
		{"cut off at another place", 6, 8, "", 0, 2},
		{"something else lies behind the packets", 6, 6, "", 6, 2},
		{"the header tells how many there are", 6, 10, `,"nb_frames":"10"`, 6, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			bin := t.TempDir()
			clip, calls := filepath.Join(bin, "clip.mkv"), filepath.Join(bin, "calls")
			list := func(n int) string {
				var s []string
				for i := range n {
					s = append(s, fmt.Sprintf(`{"stream_index":0,"pts":%d,"size":"20000","pos":"%d","flags":"K_"}`, 33*i, 20000*i))
				}
				return clipJSON(c.declared, strings.Join(s, ","), "")
			}
			for name, text := range map[string]string{
				"ffprobe": "#!/bin/sh\necho >> " + calls + "\ncat " + bin + "/$(wc -l < " + calls + ").json\n",
				"1.json":  list(c.first), "2.json": list(c.second), "clip.mkv": strings.Repeat("x", 10*20000+900),
			} {
				if err := os.WriteFile(filepath.Join(bin, name), []byte(text), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			t.Setenv("PATH", bin+":"+os.Getenv("PATH"))
			p, err := ReadProbe(t.Context(), clip)
			switch {
			case c.packets == 0 && !errors.Is(err, syscall.EIO):
				t.Errorf("%v, want an error of reading", err)
			case c.packets > 0 && (err != nil || p.Packets != c.packets):
				t.Errorf("%+v, %v; want %d packets", p, err, c.packets)
			}
			if log, _ := os.ReadFile(calls); len(log) != c.calls {
				t.Errorf("asked %d times, want %d", len(log), c.calls)
			}
		})
	}
}
