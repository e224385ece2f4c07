package report

import (
	"fmt"
	"image"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/phases"
)

// exFilm makes a film of the example whose pictures tell their number by their
// brightness, with ffmpeg as the program makes its own.
func exFilm(t *testing.T, f *Film, n int, file string) {
	t.Helper()
	ffmpeg, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Skip("ffmpeg is not installed")
	}
	src := fmt.Sprintf("nullsrc=s=%dx%d:r=%d,geq=lum=N+40:cb=128:cr=128", f.Width, f.Height, f.FPS)
	out, err := exec.Command(ffmpeg, "-v", "error", "-f", "lavfi", "-i", src, "-frames:v", fmt.Sprint(n), "-c:v", "libx264", "-preset", "ultrafast",
		"-g", "10", "-pix_fmt", "yuv420p", "-y", file).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
}

// The player shows exactly the frame that it says: its pictures carry their number.
func TestPlayerInBrowser(t *testing.T) {
	b := openBrowser(t)
	dir := t.TempDir()
	in := exInput(t)
	r, out := Build(in), files{}
	sw := &r.Swings[0]
	sw.Film = sw.PlanFilm()
	n := len(sw.FilmSamples())
	sw.Film.Path = "swing-1/film.mp4"
	if err := WriteClip(out.put, r, exPicture); err != nil {
		t.Fatal(err)
	}
	writeAll(t, dir, out)
	exFilm(t, sw.Film, n, filepath.Join(dir, "swing-1", "film.mp4"))
	for _, width := range []int{390, 1280} {
		b.open(filepath.Join(dir, "report.html"), width)
		b.wait("String(document.querySelector('video').readyState>=2&&!document.querySelector('video').seeking)", "true")
		if got := b.eval("document.documentElement.scrollWidth<=innerWidth"); got != "true" {
			t.Errorf("at %d px the page is wider than the window", width)
		}
		// Lines off, or they would lie over the picture that is read.
		b.eval("document.querySelectorAll('[data-show]').forEach(function(c){c.checked=false;c.onchange()})")
		picture := `(async function(){var v=document.querySelector('video');await new Promise(function(r){setTimeout(r,150)});
			while(v.seeking)await new Promise(function(r){setTimeout(r,20)});return document.querySelector('.now').textContent.match(/Frame (\d+)/)[1]+' '+v.currentTime})()`
		check := func(what string, want int) {
			t.Helper()
			var frame int
			var time float64
			if _, err := fmt.Sscan(b.eval(picture), &frame, &time); err != nil {
				t.Fatal(err)
			}
			if frame != want || int(math.Floor(time*float64(filmFPS))) != want-sw.Film.FirstFrame {
				t.Errorf("%s: frame %d at %.4f s of the film, want frame %d", what, frame, time, want)
			}
		}
		check("first shown", 119) // contact, see exEvents
		b.eval("document.querySelector('.ahead').click()")
		check("one ahead", 120)
		key := func(k string) {
			b.eval("document.querySelector('.stage').dispatchEvent(new KeyboardEvent('keydown',{key:'" + k + "',bubbles:true}))")
		}
		key("ArrowLeft")
		key("ArrowLeft")
		check("two back by keyboard", 118)
		key("3")
		check("key frame 3, foot down", 96)
		b.eval("document.querySelectorAll('.keys button')[6].click()")
		check("key frame 7, finish", 156)
		key("Home")
		check("first", sw.Film.FirstFrame)
		b.eval("document.querySelector('.play').click()")
		b.eval("new Promise(function(r){setTimeout(r,1200)})")
		b.eval("document.querySelector('.play').click()")
		var frame int
		var at float64
		if _, err := fmt.Sscan(b.eval(picture), &frame, &at); err != nil || frame <= sw.Film.FirstFrame+3 {
			t.Errorf("playing for a second got to frame %d", frame)
		}
		// Marking a moment gives the lines of a settings file.
		key("5")
		key("ArrowRight")
		b.eval("document.querySelector('.move').open=true;document.querySelector('.which').value='contact';document.querySelector('.this').click()")
		if got, want := b.eval("document.querySelector('.move pre').textContent"), "marks:\n  contact: [1.0000]\n"; got != want { // frame 120 at 120 frames/s
			t.Errorf("marks are\n%s\nwant\n%s", got, want)
		}
		if got := b.eval("document.querySelector('a.save').download"); got != "ada-03.mov.yaml" {
			t.Errorf("file of marks is %q", got)
		}
	}
	for _, f := range b.faults {
		t.Error(f)
	}
}

// Film and curves where they can be known, nothing where not.
func TestPlanFilm(t *testing.T) {
	r := Build(exInput(t))
	s := &r.Swings[0]
	f := s.PlanFilm()
	if f == nil {
		t.Fatal("no plan")
	}
	if f.Width%2 != 0 || f.Height%2 != 0 || max(f.Width, f.Height) > filmSide {
		t.Errorf("film of %d × %d", f.Width, f.Height)
	}
	if f.FirstFrame > 30 || f.LastFrame < 156 {
		t.Errorf("frames %d to %d do not hold stance (30) and finish (156)", f.FirstFrame, f.LastFrame)
	}
	if !f.Crop().In(image.Rect(0, 0, exW, exH)) {
		t.Errorf("crop %v lies outside the picture", f.Crop())
	}
	s.Film = f
	frames := s.ReplayFrames()
	keys := 0
	for _, fr := range frames {
		if fr.Key {
			keys++
		}
	}
	if keys != 7 || len(frames) != len(s.FilmSamples()) {
		t.Errorf("%d key frames in %d pictures", keys, len(frames))
	}
	s.Events = nil
	if s.PlanFilm() != nil {
		t.Error("a film of a swing without contact")
	}
}

// The example's hands move on a known way: their speed follows from it.
func TestHandSpeedCurve(t *testing.T) {
	r := Build(exInput(t))
	s := &r.Swings[0]
	s.Film = s.PlanFilm()
	at := s.FilmSamples()
	cs := s.curves(r.Hitter, at)
	if len(cs) != 2 || cs[0].ID != "speed" || cs[1].ID != "head" {
		t.Fatalf("curves %v, want speed and head: the example has no 3D points", cs)
	}
	for i, k := range at {
		f := s.Track.Frames[k]
		if f < 110 || f > 140 { // away from the corners of the way
			continue
		}
		a, c := exPose(f-1), exPose(f+1)
		dx := (a[15].X+a[16].X-a[23].X-a[24].X)/2 - (c[15].X+c[16].X-c[23].X-c[24].X)/2
		dy := (a[15].Y+a[16].Y-a[23].Y-a[24].Y)/2 - (c[15].Y+c[16].Y-c[23].Y-c[24].Y)/2
		want := math.Hypot(dx, dy) / 2 * exFPS / 212.4 // px/m of the example
		if got := cs[0].Lines[0].Y[i]; math.Abs(got-want) > 1e-6 {
			t.Errorf("frame %d: %.4f m/s, want %.4f", f, got, want)
		}
	}
	s.View.AzimuthDeg = 90
	for _, c := range s.curves(r.Hitter, at) {
		if c.ID == "speed" || strings.Contains(fmt.Sprint(c.Lines), "toward the pitcher") {
			t.Errorf("seen from the pitcher, %q is shown", c.Title)
		}
	}
	if s.status("bat_speed") != phases.NoBat {
		t.Errorf("status of bat_speed is %q", s.status("bat_speed"))
	}
}
