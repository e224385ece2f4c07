package report

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/phases"
)

// A handout is one page whatever it has to say, and the same bytes every time.
func TestHandout(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(r *Report)
		want   []string // as a PDF reader gives the text
	}{
		{"as it comes", func(*Report) {}, []string{"ada", "Contact", "Keep", "Work on", "ask a coach"}},
		{"much to say", func(r *Report) {
			for i := range r.Swings[0].Findings {
				f := &r.Swings[0].Findings[i]
				f.Verdict = []Verdict{Keep, WorkOn}[i%2]
				f.Sentence = strings.Repeat("Word after word. ", 40)
				f.Cue, f.CueBody, f.Drill, f.Caution = f.Sentence, f.Sentence, f.Sentence, f.Sentence
			}
		}, []string{"Keep", "Work on"}},
		{"nothing found", func(r *Report) { r.Swings[0].Findings = nil }, []string{"Nothing stands out", "Nothing is far enough"}},
		{"moments missing", func(r *Report) { r.Swings[0].Events = r.Swings[0].Events[3:] }, []string{"This moment was not found."}},
		{"a name in another script", func(r *Report) { r.Hitter.ID = "山田" }, []string{"Hitter (name on the page)"}},
		{"left-handed and a long name", func(r *Report) {
			r.Swings[0].Bats, r.Hitter.ID, r.Clip.Path = phases.Left, strings.Repeat("Zoë ", 16), strings.Repeat("very-long/", 30)+"a.mp4"
		}, []string{"Zoë Zoë"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			made := func() []byte {
				r, out := Build(exInput(t)), files{}
				c.change(r)
				if err := WriteClip(out.put, r, exPicture); err != nil {
					t.Fatal(err)
				}
				if r.Swings[0].Handout != "swing-1/handout.pdf" {
					t.Fatalf("the report names %q", r.Swings[0].Handout)
				}
				return out["swing-1/handout.pdf"]
			}
			pdf := made()
			if n := bytes.Count(pdf, []byte("/Type /Page\n")); n != 1 {
				t.Errorf("%d pages", n)
			}
			if !bytes.Equal(pdf, made()) {
				t.Error("the same report gives other bytes")
			}
			tool, err := exec.LookPath("pdftotext")
			if err != nil {
				t.Skip("pdftotext is not installed: the words are not read")
			}
			file := filepath.Join(t.TempDir(), "a.pdf")
			if err := os.WriteFile(file, pdf, 0o600); err != nil {
				t.Fatal(err)
			}
			text, err := exec.Command(tool, file, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			for _, w := range c.want {
				if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), w) {
					t.Errorf("no %q in\n%s", w, text)
				}
			}
		})
	}
}
