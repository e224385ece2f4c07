package report

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// browser drives a headless Chromium over two pipes (the DevTools protocol with
// messages that end in a zero byte), so that nothing listens on the network.
type browser struct {
	t       *testing.T
	to      io.Writer
	from    *bufio.Reader
	session string
	n       int
	faults  []string // exceptions and failed loads of the page
}

func openBrowser(t *testing.T) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	if testing.Short() {
		t.Skip("a browser takes seconds")
	}
	inR, inW, err1 := os.Pipe()
	outR, outW, err2 := os.Pipe()
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--no-first-run",
		"--autoplay-policy=no-user-gesture-required", "--user-data-dir="+t.TempDir(), "about:blank")
	cmd.ExtraFiles = []*os.File{inR, outW} // the browser's 3 and 4
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	inR.Close()
	outW.Close()
	b := &browser{t: t, to: inW, from: bufio.NewReaderSize(outR, 1<<20)}
	t.Cleanup(func() {
		b.call("", "Browser.close", nil, nil)
		_ = cmd.Wait()
	})
	var targets struct {
		TargetInfos []struct{ TargetID, Type string }
	}
	b.call("", "Target.getTargets", nil, &targets)
	for _, info := range targets.TargetInfos {
		if info.Type == "page" {
			var s struct{ SessionID string }
			b.call("", "Target.attachToTarget", map[string]any{"targetId": info.TargetID, "flatten": true}, &s)
			b.session = s.SessionID
		}
	}
	for _, m := range []string{"Page.enable", "Runtime.enable", "Log.enable"} {
		b.call(b.session, m, nil, nil)
	}
	return b
}

func (b *browser) call(session, method string, params map[string]any, result any) {
	b.t.Helper()
	b.n++
	msg := map[string]any{"id": b.n, "method": method}
	if params != nil {
		msg["params"] = params
	}
	if session != "" {
		msg["sessionId"] = session
	}
	data, err := json.Marshal(msg)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.to.Write(append(data, 0)); err != nil {
		b.t.Fatalf("%s: %v", method, err)
	}
	for {
		line, err := b.from.ReadBytes(0)
		if err != nil {
			if method == "Browser.close" {
				return
			}
			b.t.Fatalf("%s: %v", method, err)
		}
		var reply struct {
			ID     int
			Method string
			Error  *struct{ Message string }
			Result json.RawMessage
			Params json.RawMessage
		}
		if err := json.Unmarshal(line[:len(line)-1], &reply); err != nil {
			b.t.Fatal(err)
		}
		if reply.Method == "Runtime.exceptionThrown" || reply.Method == "Log.entryAdded" {
			b.faults = append(b.faults, string(reply.Params))
		}
		if reply.ID != b.n {
			continue
		}
		if reply.Error != nil {
			b.t.Fatalf("%s: %s", method, reply.Error.Message)
		}
		if result != nil {
			if err := json.Unmarshal(reply.Result, result); err != nil {
				b.t.Fatalf("%s: %v", method, err)
			}
		}
		return
	}
}

// open shows a file of a folder in a window of that width.
func (b *browser) open(file string, width int) {
	b.t.Helper()
	b.call(b.session, "Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600}, nil)
	url := file
	if !strings.HasPrefix(file, "http") {
		url = "file://" + filepath.ToSlash(file)
	}
	b.call(b.session, "Page.navigate", map[string]any{"url": url}, nil)
	for range 100 {
		if b.eval("document.readyState") == "complete" && b.eval("location.href") != "about:blank" {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.t.Fatalf("%s does not load", file)
}

// eval gives the value of an expression as text; a promise is waited for.
func (b *browser) eval(expression string) string {
	b.t.Helper()
	var r struct {
		Result           struct{ Value any }
		ExceptionDetails json.RawMessage
	}
	b.call(b.session, "Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("%s: %s", expression, r.ExceptionDetails)
	}
	return fmt.Sprint(r.Result.Value)
}

// wait until an expression has a value.
func (b *browser) wait(expression, want string) {
	b.t.Helper()
	got := ""
	for range 100 {
		if got = b.eval(expression); got == want {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.t.Fatalf("%s is %q, want %q", expression, got, want)
}

// writeAll puts files of a clip into a folder.
func writeAll(t *testing.T, dir string, f files) {
	t.Helper()
	for name, data := range f {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
