//go:build cgo

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"cagebook/models"
	"cagebook/pose/onnx"
)

// The landmark network comes from a package that holds a runtime of its own, WebAssembly for
// browsers. peer runs that in a headless Chromium, on frames of the clip, as a page would.
type peer struct {
	dir     string // holds the unpacked npm package; "" = not measured
	skipped string // why it was not measured
	frameS  []float64
	oursS   []float64 // the same network in ours, one thread
}

const (
	peerFrames  = 20              // each takes about 0.15 s
	peerTimeout = 6 * time.Minute // a browser that draws without a graphics card takes its time to start
)

// peerPage runs the package as its README shows: the large network, each frame sent when the one before is done.
// The networks run on the processor (XNNPACK, one thread): its other way is a graphics card, which is none here.
// The person is searched for in the first frames alone; those are not counted.
const peerPage = `<!doctype html><script src="/pkg/pose.js"></script><script>
(async () => {
  let found = 0;
  const say = x => fetch("/result", {method: "POST", body: JSON.stringify(x)});
  try {
    const pose = new Pose({locateFile: f => "/pkg/" + f});
    pose.setOptions({modelComplexity: 2, useCpuInference: true, smoothLandmarks: false, enableSegmentation: false});
    pose.onResults(r => { if (r.poseLandmarks) found++; });
    const images = [];
    for (let i = 1; i <= FRAMES; i++) {
      const im = new Image(); im.src = "/frames/" + i + ".jpg"; await im.decode(); images.push(im);
    }
    await pose.initialize();
    for (let i = 0; i < 4; i++) await pose.send({image: images[i]});
    found = 0;
    const begin = performance.now();
    for (const im of images) await pose.send({image: im});
    await say({ms: performance.now() - begin, found: found});
  } catch (e) { await say({error: String(e)}); }
})();
</script>`

// measure takes one round of both, in turn.
func (p *peer) measure(ctx context.Context, b *bench) error {
	if p.dir == "" || p.skipped != "" {
		return nil
	}
	browser, err := exec.LookPath("chromium")
	if err != nil {
		p.skipped = "no chromium on this machine"
		return nil
	}
	if _, err := os.Stat(filepath.Join(p.dir, "pose.js")); err != nil {
		p.skipped = "the npm package is not there (" + p.dir + ")"
		return nil
	}
	ours, err := b.oneThread()
	if err != nil {
		return err
	}
	theirs, err := p.page(ctx, browser, b.clip)
	if err != nil {
		p.skipped = err.Error()
		return nil
	}
	p.oursS, p.frameS = append(p.oursS, ours), append(p.frameS, theirs)
	return nil
}

// oneThread is the seconds a frame of the landmark network, alone and with one thread.
func (b *bench) oneThread() (float64, error) {
	path, _, err := models.Open(b.dir, models.LandmarkHeavy)
	if err != nil {
		return 0, err
	}
	net, err := onnx.Open(path, 1)
	if err != nil {
		return 0, err
	}
	defer net.Close()
	for c := range b.counts {
		if c.net != models.LandmarkHeavy {
			continue
		}
		const warm = 4
		var begin time.Time
		for i := range warm + peerFrames {
			if i == warm {
				begin = time.Now()
			}
			if _, err := net.Run(b.inputs[c]); err != nil {
				return 0, err
			}
		}
		return time.Since(begin).Seconds() / peerFrames, nil
	}
	return 0, errors.New("the clip needed no landmarks")
}

// page is the seconds a frame in the browser.
func (p *peer) page(ctx context.Context, browser, clip string) (_ float64, err error) {
	ctx, cancel := context.WithTimeout(ctx, peerTimeout)
	defer cancel()
	tmp, err := os.MkdirTemp("", "cagebook-bench-")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(tmp)) }()
	frames := filepath.Join(tmp, "frames")
	if err := os.Mkdir(frames, 0o755); err != nil {
		return 0, err
	}
	if out, err := exec.CommandContext(ctx, "ffmpeg", "-v", "error", "-i", clip, "-frames:v", fmt.Sprint(peerFrames), "-q:v", "3", filepath.Join(frames, "%d.jpg")).CombinedOutput(); err != nil {
		return 0, fmt.Errorf("ffmpeg: %w: %s", err, out)
	}
	result := make(chan []byte, 1)
	mux := http.NewServeMux()
	mux.Handle("/pkg/", http.StripPrefix("/pkg/", http.FileServer(http.Dir(p.dir))))
	mux.Handle("/frames/", http.StripPrefix("/frames/", http.FileServer(http.Dir(frames))))
	mux.HandleFunc("/{$}", func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprintf(w, "<script>const FRAMES = %d</script>%s", peerFrames, peerPage)
	})
	mux.HandleFunc("POST /result", func(_ http.ResponseWriter, r *http.Request) {
		var raw json.RawMessage
		if json.NewDecoder(http.MaxBytesReader(nil, r.Body, 1<<16)).Decode(&raw) == nil {
			select {
			case result <- raw:
			default:
			}
		}
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = server.Serve(l) }() // ends with Close
	defer server.Close()
	c := exec.CommandContext(ctx, browser, "--headless", "--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
		"--user-data-dir="+filepath.Join(tmp, "profile"), "--remote-debugging-port=0", "http://"+l.Addr().String()+"/")
	c.WaitDelay = 5 * time.Second
	if err := c.Start(); err != nil {
		return 0, err
	}
	defer func() {
		cancel()
		_ = c.Wait() // it was told to end
	}()
	select {
	case raw := <-result:
		var r struct {
			MS    float64
			Found int
			Error string
		}
		if err := json.Unmarshal(raw, &r); err != nil {
			return 0, err
		}
		if r.Error != "" || r.Found < peerFrames/2 {
			return 0, fmt.Errorf("the browser followed nobody (%d of %d frames) %s", r.Found, peerFrames, r.Error)
		}
		return r.MS / 1000 / peerFrames, nil
	case <-ctx.Done():
		return 0, errors.New("the browser gave no answer in time")
	}
}

// print tells of the landmark network in its own runtime and in ours.
func (p *peer) print(w io.Writer) {
	switch {
	case p.skipped != "":
		fmt.Fprintf(w, "\ne  the landmark network in its own runtime: not measured, %s\n", p.skipped)
		return
	case len(p.frameS) == 0:
		return
	}
	var theirs, ours, ratio []cost
	for i := range p.frameS {
		theirs, ours = append(theirs, cost{wallS: 1 / p.frameS[i]}), append(ours, cost{wallS: 1 / p.oursS[i]})
		ratio = append(ratio, cost{wallS: p.frameS[i] / p.oursS[i]})
	}
	wall := func(c cost) float64 { return c.wallS }
	fmt.Fprintf(w, "\n%-44s %22s   frames/s: WebAssembly in Chromium, without a graphics card\n", "e  the landmark network in its own runtime", words(spread(theirs, wall)))
	fmt.Fprintf(w, "%-44s %22s   frames/s\n", "   the same network in ours, one thread", words(spread(ours, wall)))
	fmt.Fprintf(w, "%-44s %22s   goal ≥ 4\n", "   ours / its own, per frame and thread", words(spread(ratio, wall)))
}
