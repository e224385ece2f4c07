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

// Marks go where the next run reads them, and nothing else is lost.
func TestSaveMarks(t *testing.T) {
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
		{"an empty file", map[string]string{"a.yaml": "# later\n"}, "marks: {contact: 2}\n", "day/a.yaml", "marks:\n  contact: [2]\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := t.TempDir()
			write(t, filepath.Join(root, "day", "a.mov"), "x")
			for n, text := range c.files {
				write(t, filepath.Join(root, "day", n), text)
			}
			file, err := SaveMarks(root, "day/a.mov", []byte(c.marks))
			if err != nil || file != c.file {
				t.Fatalf("saved in %q, %v; want %q", file, err, c.file)
			}
			got, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(file)))
			if err != nil || string(got) != c.want {
				t.Errorf("%v, file is\n%s\nwant\n%s", err, got, c.want)
			}
			if _, err := configs.ForClip(root, filepath.Join(root, "day", "a.mov")); err != nil {
				t.Errorf("the next run cannot read it: %v", err)
			}
		})
	}
}

func TestSaveMarksRefuses(t *testing.T) {
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
		"other settings":             {"a.mov", "marks: {contact: 1}\nhitter: eve"},
		"an unknown event":           {"a.mov", "marks: {jump: 1}"},
		"an impossible time":         {"a.mov", "marks: {contact: -1}"},
		"not YAML":                   {"a.mov", "marks: {contact: ["},
		"a folder instead of a clip": {"out", "marks: {contact: 1}"},
	} {
		if file, err := SaveMarks(root, c.rel, []byte(c.marks)); !errors.Is(err, ErrMarks) {
			t.Errorf("%s: saved in %q, %v", name, file, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 {
		t.Errorf("%v lie in the folder above, %v", entries, err)
	}
}
