package pipeline

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"cagebook/configs"
)

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Corrections go where the next run reads them, and nothing else is lost.
func TestSaveCorrections(t *testing.T) {
	for _, c := range []struct {
		name       string
		files      map[string]string
		marks      string
		file, want string
	}{
		{"no file yet", nil, "marks:\n  contact: [1.5]\n", "day/a.mov.yaml", "marks:\n  contact: [1.5]\n"},
		{"comments and keys stay", map[string]string{"a.yaml": "# of May\nbats: L # sure\nmarks: {contact: 1.1}\n"}, "marks: {foot_down: [0.9, 3.25], contact: 1.5}\n", "day/a.yaml", "# of May\nbats: L # sure\nmarks:\n  foot_down: [0.9, 3.25]\n  contact: [1.5]\n"},
		{"the file with marks is the one", map[string]string{"a.mov.yaml": "bats: L\n", "a.yaml": "marks: {contact: 1.1}\n"}, "marks: {contact: 2}\n", "day/a.yaml", "marks:\n  contact: [2]\n"},
		{"marks taken away", map[string]string{"a.yaml": "bats: L\nmarks: {contact: 1.1}\n"}, "marks: {}\n", "day/a.yaml", "bats: L\n"},
		{"only marks taken away", map[string]string{"a.yaml": "marks: {contact: 1.1}\n"}, "marks: {}\n", "day/a.yaml", "# no settings\n"},
		{"who and how tall", nil, "bats: L\nheight_m: 1.42\nlevel: youth\nhitter_at: {time_s: 2.4, x: 0.31, y: 0.62}\n", "day/a.mov.yaml", "bats: L\nheight_m: 1.42\nlevel: youth\nhitter_at: {time_s: 2.4, x: 0.31, y: 0.62}\n"},
		{"a corrected side stays in its place", map[string]string{"a.yaml": "bats: L # said the coach\ntask: tee\n"}, "bats: R\n", "day/a.yaml", "bats: R # said the coach\ntask: tee\n"},
		{"a name that YAML would take for something else", nil, "hitter: \"yes\"\n", "day/a.mov.yaml", "hitter: \"yes\"\n"},
		{"a key where it stands already", map[string]string{"a.mov.yaml": "bats: L\n", "a.yaml": "marks: {contact: 1.1}\n"}, "bats: R\n", "day/a.mov.yaml", "bats: R\n"},
		{"a height in inches gives way", map[string]string{"a.yaml": "height_in: 56\nbats: L\n"}, "height_m: 1.45\n", "day/a.yaml", "bats: L\nheight_m: 1.45\n"},
		{"an empty file", map[string]string{"a.yaml": "# later\n"}, "marks: {contact: 2}\n", "day/a.yaml", "marks:\n  contact: [2]\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := t.TempDir()
			write(t, filepath.Join(root, "day", "a.mov"), "x")
			for n, text := range c.files {
				write(t, filepath.Join(root, "day", n), text)
			}
			files, err := SaveCorrections(root, "day/a.mov", []byte(c.marks))
			if err != nil || len(files) != 1 || files[0] != c.file {
				t.Fatalf("saved in %q, %v; want %q", files, err, c.file)
			}
			got, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(c.file)))
			if err != nil || string(got) != c.want {
				t.Errorf("%v, file is\n%s\nwant\n%s", err, got, c.want)
			}
			if _, err := configs.ForClip(root, filepath.Join(root, "day", "a.mov")); err != nil {
				t.Errorf("the next run cannot read it: %v", err)
			}
		})
	}
}

func TestSaveCorrectionsRefuses(t *testing.T) {
	dir := t.TempDir()
	root := filepath.Join(dir, "clips")
	write(t, filepath.Join(root, "a.mov"), "x")
	write(t, filepath.Join(dir, "secret.mov"), "x")
	if err := os.Symlink(dir, filepath.Join(root, "out")); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ rel, marks string }{
		"a path outside":             {"../secret.mov", "marks: {contact: 1}"},
		"a link outside":             {"out/secret.mov", "marks: {contact: 1}"},
		"an absolute path":           {"/etc/passwd", "marks: {contact: 1}"},
		"no such clip":               {"b.mov", "marks: {contact: 1}"},
		"other settings":             {"a.mov", "marks: {contact: 1}\nhide_faces: no"},
		"a path as reference":        {"a.mov", "reference: /etc/passwd"},
		"nothing":                    {"a.mov", "# nothing\n"},
		"an unknown event":           {"a.mov", "marks: {jump: 1}"},
		"an impossible time":         {"a.mov", "marks: {contact: -1}"},
		"not YAML":                   {"a.mov", "marks: {contact: ["},
		"a folder instead of a clip": {"out", "marks: {contact: 1}"},
	} {
		if files, err := SaveCorrections(root, c.rel, []byte(c.marks)); !errors.Is(err, ErrCorrections) {
			t.Errorf("%s: saved in %q, %v", name, files, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 {
		t.Errorf("%v lie in the folder above, %v", entries, err)
	}
}
