package configs

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
)

const whole = `# everything that can be said
hitter: Ada K.
bats: L
height_m: 1.52
bat_length_m: 0.76
level: youth
sport: softball
task: tee
captured_fps: 240
camera_distance_m: 5
reference: best/ada.mov
date: 2026-05-01
cues: body
minor: yes
consent: false
keep_until: "2027-01-31"
hide_faces: no
hitter_at: {time_s: 1.4, x: 0.45, y: 0.6}
marks:
  contact: 1.421
  foot_down: [1.233, 5.8]
`

func TestParseSidecarWhole(t *testing.T) {
	got, ps := ParseSidecar("a.yaml", []byte(whole))
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	want := Sidecar{
		Hitter: "Ada K.", Bats: "L", HeightM: 1.52, BatLengthM: 0.76, Level: "youth", Sport: "softball", Task: "tee",
		CapturedFPS: 240, CameraDistanceM: 5, Reference: "best/ada.mov",
		Date: "2026-05-01", Cues: "body", Minor: "yes", Consent: "no", KeepUntil: "2027-01-31", HideFaces: "no",
		HitterAt: &Place{1.4, 0.45, 0.6}, Marks: map[string][]float64{"contact": {1.421}, "foot_down": {1.233, 5.8}},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// Inches are kept as metres: an inch is 25.4 mm (International Yard and Pound Agreement, 1959).
func TestParseSidecarInches(t *testing.T) {
	got, ps := ParseSidecar("a.yaml", []byte("height_in: 66\nbat_length_in: 32.5\nunits: us\n"))
	if want := (Sidecar{HeightM: 1.6764, BatLengthM: 0.8255, Units: "us"}); len(ps) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %v\nwant %+v", got, ps, want)
	}
}

// Every wrong line names file, line, key and what is allowed.
func TestParseSidecarWrong(t *testing.T) {
	for name, c := range map[string]struct{ yaml, want string }{
		"unknown key":          {"hitter: a\nheigth_m: 1.5\n", "f:2: heigth_m: unknown key; want one of hitter, bats, height_m, height_in, bat_length_m, bat_length_in, level, sport, task, captured_fps, camera_distance_m, reference, date, cues, units, minor, consent, keep_until, hide_faces, hitter_at, marks (hint: did you mean height_m?)"},
		"a place without y":    {"hitter_at: {time_s: 1, x: 0.5}\n", "f:1: hitter_at: no y; want time_s, x and y (hint: hitter_at: {time_s: 2.4, x: 0.45, y: 0.6})"},
		"a place in pixels":    {"hitter_at: {time_s: 1, x: 640, y: 0.5}\n", "f:1: hitter_at.x: 640; want a share of the picture's width, from 0 to 1"},
		"a place of no kind":   {"hitter_at: {time: 1, x: 0, y: 0}\n", "hitter_at.time: unknown key; want one of time_s, x, y"},
		"day the other way":    {"date: 01.05.2026\n", `f:1: date: text "01.05.2026"; want a day as year-month-day (hint: for example date: 2026-05-01)`},
		"no day":               {"keep_until: 2026-02-30\n", "want a day as year-month-day"},
		"neither yes nor no":   {"minor: perhaps\n", `f:1: minor: text "perhaps"; want yes or no`},
		"centimetres":          {"height_m: 152\n", "f:1: height_m: 152; want metres from 0.8 to 2.3 (hint: height_m: 1.52, if centimetres were meant)"},
		"slipped point":        {"height_m: 17\n", "f:1: height_m: 17; want metres from 0.8 to 2.3 (hint: for example height_m: 1.52)"},
		"inches":               {"bat_length_m: 32\n", "f:1: bat_length_m: 32; want metres from 0.4 to 1.1 (hint: bat_length_m: 0.8128, if inches were meant)"},
		"feet for inches":      {"height_in: 5.5\n", "f:1: height_in: 5.5; want inches from 32 to 90 (hint: for example height_in: 60)"},
		"inches and metres":    {"height_in: 60\nheight_m: 1.52\n", "f:1: height_in: stands beside height_m; want one of the two"},
		"a third system":       {"units: feet\n", `f:1: units: text "feet"; want metric or us`},
		"not a number":         {"height_m: .nan\n", "f:1: height_m: .nan; want metres from 0.8 to 2.3"},
		"infinite":             {"captured_fps: -.inf\n", "f:1: captured_fps: -.inf; want frames per second from 10 to 2000"},
		"negative":             {"camera_distance_m: -3\n", "f:1: camera_distance_m: -3; want metres from 0.5 to 100"},
		"zero":                 {"height_m: 0\n", "f:1: height_m: 0; want metres"},
		"decimal comma":        {"height_m: 1,52\n", `f:1: height_m: text "1,52"; want metres from 0.8 to 2.3 (hint: height_m: 1.52)`},
		"quoted number":        {"height_m: \"1.52\"\n", `(hint: height_m: 1.52)`},
		"empty value":          {"height_m:\n", "f:1: height_m: nothing; want metres"},
		"list for a number":    {"height_m: [1.5]\n", "f:1: height_m: a list; want metres"},
		"lower case":           {"bats: r\n", `f:1: bats: text "r"; want R or L (hint: did you mean`},
		"unknown word":         {"level: highschool\n", `f:1: level: text "highschool"; want youth or high_school or college or adult (hint: did you mean high_school?)`},
		"number for a name":    {"hitter: 12\n", `f:1: hitter: 12; want a name`},
		"bool for a word":      {"bats: true\n", "f:1: bats: yes/no value true; want R or L"},
		"path as a name":       {"hitter: ../../etc\n", `f:1: hitter: text "../../etc"; want a name of letters`},
		"hidden name":          {"hitter: .ada\n", "want a name of letters"},
		"long name":            {"hitter: " + strings.Repeat("a", 65) + "\n", "at most 64 long"},
		"twice":                {"bats: R\nhitter: a\nbats: L\n", "f:3: bats: stands here a second time, first in line 1; want each key once"},
		"unknown event":        {"marks:\n  foot_dwn: 1\n", "f:2: marks.foot_dwn: unknown event; want one of stance, lead_foot_off, load, foot_down, heel_down, hands_start, contact, extension, finish (hint: did you mean foot_down?)"},
		"mark not a time":      {"marks: {contact: soon}\n", `f:1: marks.contact: text "soon"; want seconds from 0 to 10800`},
		"mark negative":        {"marks: {contact: [1, -2]}\n", "f:1: marks.contact: -2; want seconds"},
		"marks out of order":   {"marks: {contact: [2, 1]}\n", "f:1: marks.contact: 1 does not come after the time before it"},
		"marks empty":          {"marks: {contact: []}\n", "f:1: marks.contact: 0 times; want seconds"},
		"marks a list":         {"marks: [1]\n", "f:1: marks: a list; want event names with times"},
		"a list":               {"- hitter\n", "f:1: a list; want lines such as"},
		"text":                 {"hello\n", `f:1: text "hello"; want lines such as`},
		"broken":               {"hitter: [\n", "not readable as YAML"},
		"tab":                  {"hitter: a\n\tbats: R\n", "f:2: not readable as YAML"},
		"two documents":        {"hitter: a\n---\nhitter: b\n", "a second document; want one document"},
		"alias":                {"hitter: &a b\nlevel: *a\n", "f:2: level: a reference to another place"},
		"merge key":            {"<<: {hitter: a}\n", "want a plain key"},
		"binary":               {"hitter: \x00\x01\n", "not readable as YAML"},
		"too much":             {strings.Repeat("# much\n", 10000), "70000 bytes; want at most 64 kB of settings"},
		"control in reference": {"reference: \"a\\nb\"\n", "want the path of a clip"},
	} {
		_, ps := ParseSidecar("f", []byte(c.yaml))
		if !strings.Contains(ps.Error(), c.want) {
			t.Errorf("%s: got %q\nwant %q", name, ps.Error(), c.want)
		}
	}
}

func TestParseSidecarAllProblemsAtOnce(t *testing.T) {
	_, ps := ParseSidecar("f", []byte("bats: X\nheight_m: 17\nfoo: 1\nmarks: {contact: -1, load: [a]}\n"))
	if len(ps) != 5 {
		t.Errorf("%d problems, want 5:\n%v", len(ps), ps)
	}
}

func TestParseSidecarNothingStated(t *testing.T) {
	for _, s := range []string{"", "# only a comment\n", "---\n", "~\n", "\r\n\r\n"} {
		got, ps := ParseSidecar("f", []byte(s))
		if len(ps) > 0 || !reflect.DeepEqual(got, Sidecar{}) {
			t.Errorf("%q: %+v %v", s, got, ps)
		}
	}
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestForClipNearerWins(t *testing.T) {
	root := t.TempDir()
	write(t, filepath.Join(root, "session.yaml"), "level: youth\nsport: baseball\nhitter: team\n")
	write(t, filepath.Join(root, "cage", "session.yaml"), "hitter: ada\ntask: tee\nreference: best.mov\n")
	write(t, filepath.Join(root, "cage", "1.mov.yaml"), "bats: L\ntask: toss\n")
	write(t, filepath.Join(root, "cage", "1.yaml"), "height_m: 1.5\ntask: toss\n")
	got, err := ForClip(root, filepath.Join(root, "cage", "1.mov"))
	want := Sidecar{
		Hitter: "ada", Bats: "L", Level: "youth", Sport: "baseball", Task: "toss", HeightM: 1.5,
		Reference: filepath.Join(root, "cage", "best.mov"),
	}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, want)
	}
}

func TestForClipProblems(t *testing.T) {
	root := t.TempDir()
	write(t, filepath.Join(root, "session.yaml"), "marks: {contact: 1}\n")
	write(t, filepath.Join(root, "1.mov.yaml"), "bats: L\n")
	write(t, filepath.Join(root, "1.yaml"), "bats: R\nfoo: 1\n")
	_, err := ForClip(root, filepath.Join(root, "1.mov"))
	var ps Problems
	if !errors.As(err, &ps) || len(ps) != 3 {
		t.Fatalf("want three problems, got %v", err)
	}
	for _, want := range []string{"marks in the clip's own file", "1.yaml:2: foo: unknown key", "1.yaml: bats: differs from"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in:\n%v", want, err)
		}
	}
}

// Settings that are no plain file must neither hang nor be passed over.
func TestForClipOddFiles(t *testing.T) {
	root := t.TempDir()
	if err := syscall.Mkfifo(filepath.Join(root, "1.yaml"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("nowhere", filepath.Join(root, "2.yaml")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(root, "3.yaml"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, clip := range []string{"1.mp4", "2.mp4", "3.mp4"} {
		if _, err := ForClip(root, filepath.Join(root, clip)); err == nil {
			t.Errorf("%s: no problem reported", clip)
		}
	}
	// The folder's settings are not those of a clip that is called session.
	write(t, filepath.Join(root, "s", "session.yaml"), "hitter: a\n")
	if got := ClipFiles("s/session.mp4"); len(got) != 1 || got[0] != "s/session.mp4.yaml" {
		t.Errorf("ClipFiles of a clip called session: %q", got)
	}
}

func FuzzParseSidecar(f *testing.F) {
	f.Add([]byte(whole))
	f.Add([]byte("marks: {contact: [1, 2], load: .nan}\n"))
	f.Add([]byte("a: &a [*a]\n"))
	f.Add([]byte("? [1]\n: 2\n<<: 3\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, ps := ParseSidecar("f", data)
		if len(ps) == 0 {
			for _, v := range []float64{s.HeightM, s.BatLengthM, s.CapturedFPS, s.CameraDistanceM} {
				if !(v >= 0 && v <= 2000) {
					t.Errorf("accepted %v from %q", v, data)
				}
			}
			if strings.ContainsAny(s.Hitter, "/\\\x00\n") {
				t.Errorf("accepted hitter %q", s.Hitter)
			}
		}
		_ = ps.Error()
	})
}

// Faces of minors are hidden unless consent is stated; what is said of faces wins.
func TestFacesHidden(t *testing.T) {
	for _, c := range []struct {
		s    Sidecar
		want bool
	}{
		{Sidecar{}, false},
		{Sidecar{Minor: "yes"}, true},
		{Sidecar{Minor: "yes", Consent: "no"}, true},
		{Sidecar{Minor: "yes", Consent: "yes"}, false},
		{Sidecar{Minor: "yes", Consent: "yes", HideFaces: "yes"}, true},
		{Sidecar{Minor: "yes", HideFaces: "no"}, false},
	} {
		if got := c.s.FacesHidden(); got != c.want {
			t.Errorf("%+v: %v", c.s, got)
		}
	}
}
