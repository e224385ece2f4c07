//go:build cgo

package main

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestServe(t *testing.T) {
	dir := t.TempDir()
	put := func(name, text string) {
		t.Helper()
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("out/index.html", "morning")
	put("out/clips/a b#.mov/report.html", "report")
	put("out/.kept/00", "hidden")
	put("secret.txt", "secret")
	put("cage/a b#.mov", "clip")
	if err := os.Symlink("../secret.txt", filepath.Join(dir, "out", "link.txt")); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(filepath.Join(dir, "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	h := &pages{root: root, clips: filepath.Join(dir, "cage"), token: "tok", host: "127.0.0.1:5"}
	ask := func(method, target, host, origin, body string) (int, string, http.Header) {
		r := httptest.NewRequest(method, "http://127.0.0.1:5"+target, strings.NewReader(body))
		r.Host = host
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		data, _ := io.ReadAll(w.Result().Body)
		return w.Code, string(data), w.Result().Header
	}
	const us, from = "127.0.0.1:5", "http://127.0.0.1:5"
	for _, c := range []struct {
		name, method, target, host, origin string
		code                               int
		body                               string
	}{
		{"the morning page", "GET", "/tok/index.html", us, "", 200, "morning"},
		{"the folder is its page", "GET", "/tok/", us, "", 200, "morning"},
		{"a report", "GET", "/tok/clips/a%20b%23.mov/report.html", us, "", 200, "report"},
		{"without the secret", "GET", "/index.html", us, "", 404, "no such page"},
		{"with another secret", "GET", "/tik/index.html", us, "", 404, "no such page"},
		{"under another name", "GET", "/tok/index.html", "evil.example:5", "", 404, "no such page"},
		{"out of the folder", "GET", "/tok/../secret.txt", us, "", 404, "no such page"},
		{"out of the folder, escaped", "GET", "/tok/%2e%2e/secret.txt", us, "", 404, "no such page"},
		{"out of the folder by a link", "GET", "/tok/link.txt", us, "", 404, "no such page"},
		{"hidden files", "GET", "/tok/.kept/00", us, "", 404, "no such page"},
		{"a list of a folder", "GET", "/tok/clips/", us, "", 404, "no such page"},
		{"marks from another page", "POST", "/tok/clips/a%20b%23.mov/corrections", us, "http://evil.example", 403, ""},
		{"marks from nowhere", "POST", "/tok/clips/a%20b%23.mov/corrections", us, "", 403, ""},
		{"marks of another place", "POST", "/tok/clips/../../secret.txt/corrections", us, from, 400, "Not saved"},
		{"deleting", "DELETE", "/tok/index.html", us, from, 405, ""},
	} {
		code, body, head := ask(c.method, c.target, c.host, c.origin, "marks: {contact: 1}")
		if code != c.code || !strings.Contains(body, c.body) || strings.Contains(body, "secret") && c.code == 200 {
			t.Errorf("%s: %d %q, want %d %q", c.name, code, body, c.code, c.body)
		}
		for _, k := range []string{"Content-Security-Policy", "X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy"} {
			if head.Get(k) == "" {
				t.Errorf("%s: no header %s", c.name, k)
			}
		}
	}
	code, body, _ := ask("POST", "/tok/clips/a%20b%23.mov/corrections", us, from, "marks:\n  contact: [1.25]\n")
	saved, err := os.ReadFile(filepath.Join(dir, "cage", "a b#.mov.yaml"))
	if code != 200 || !strings.Contains(body, "Saved in a b#.mov.yaml") || err != nil || !strings.Contains(string(saved), "contact: [1.25]") {
		t.Errorf("saving marks: %d %q, file %q, %v", code, body, saved, err)
	}
}

// It listens on the loopback address alone, and ends when it is told to.
func TestServeListens(t *testing.T) {
	dir := t.TempDir()
	ctx, stop := context.WithCancel(context.Background())
	out, in := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		ended <- runServe(ctx, streams{out: in}, dir, "", 0)
		in.Close()
	}()
	buf := make([]byte, 4096)
	n, err := out.Read(buf)
	if err != nil {
		t.Fatal(err)
	}
	if got := string(buf[:n]); !strings.Contains(got, "http://127.0.0.1:") || len(got[strings.LastIndex(got, ":"):]) < 40 {
		t.Errorf("it says %q", got)
	}
	stop()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(5 * time.Second):
		t.Error("it does not end")
	}
}
