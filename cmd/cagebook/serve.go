//go:build cgo

package main

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cagebook/pipeline"
)

func newServe(s streams) *cobra.Command {
	var clips string
	var port int
	cmd := &cobra.Command{
		Use:   "serve OUT",
		Short: "Show results on this machine and save corrections from the page",
		Long: `serve shows the pages of OUT in a browser on this machine, and only on it: it
listens on the loopback address, and the address it prints holds a secret that
changes every time. With --clips, what is corrected on a report page (a moment,
the side, the height, who of several people swings) is saved beside the clip; run
again to take it in. Ctrl-C ends it.`,
		Example: `  cagebook serve results --clips cage-videos
  cagebook serve results`,
		Args: argument("OUT, the folder of results", 1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := mustExist(args[0], "folder of results"); err != nil {
				return err
			}
			if _, err := os.Stat(filepath.Join(args[0], "index.html")); err != nil && !pipeline.IsOutput(args[0]) {
				return usageError("name the folder behind -o of: cagebook run", "%s: no results of cagebook are there", args[0])
			}
			if clips != "" {
				if err := mustExist(clips, "folder of clips"); err != nil {
					return err
				}
			}
			return runServe(cmd.Context(), s, args[0], clips, port)
		},
	}
	cmd.Flags().StringVar(&clips, "clips", "", "folder of clips, to save corrections beside them")
	cmd.Flags().IntVar(&port, "port", 0, "port (0 = any that is free)")
	return cmd
}

func runServe(ctx context.Context, s streams, out, clips string, port int) error {
	root, err := os.OpenRoot(out)
	if err != nil {
		return err
	}
	defer root.Close()
	ln, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		return err
	}
	secret := make([]byte, 24)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	h := &pages{root: root, clips: clips, token: base64.RawURLEncoding.EncodeToString(secret), host: ln.Addr().String()}
	server := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	fmt.Fprintf(s.out, "open this in a browser on this machine, Ctrl-C ends it:\nhttp://%s/%s/index.html\n", h.host, h.token)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(ln) }()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
		stop, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		defer cancel()
		err := errors.Join(server.Shutdown(stop), <-ended)
		if errors.Is(err, http.ErrServerClosed) {
			return nil
		}
		return err
	}
}

// pages serves the files of an output folder below a secret path.
type pages struct {
	root        *os.Root
	clips       string
	token, host string
}

// maxCorrectionBytes is far more than all corrections of a clip take.
const maxCorrectionBytes = 64 << 10

func (h *pages) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	// Nothing from elsewhere is loaded, nothing is sent elsewhere, nobody frames the page.
	head.Set("Content-Security-Policy", "default-src 'none'; img-src 'self' data:; media-src 'self'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'")
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("X-Frame-Options", "DENY")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
	head.Set("Cross-Origin-Opener-Policy", "same-origin")
	head.Set("Cache-Control", "no-store")
	if r.Host != h.host { // a page elsewhere that lets its own name point here
		http.Error(w, "no such page", http.StatusNotFound)
		return
	}
	name, ok := strings.CutPrefix(r.URL.Path, "/"+h.token+"/")
	if !ok {
		http.Error(w, "no such page", http.StatusNotFound)
		return
	}
	switch {
	case r.Method == http.MethodPost && strings.HasPrefix(name, pipeline.ClipsDir+"/") && path.Base(name) == "corrections":
		h.save(w, r, strings.TrimPrefix(path.Dir(name), pipeline.ClipsDir+"/"))
	case r.Method == http.MethodGet || r.Method == http.MethodHead:
		h.file(w, r, name)
	default:
		http.Error(w, "not here", http.StatusMethodNotAllowed)
	}
}

// file serves one regular file; folders are not listed, hidden files are not shown.
func (h *pages) file(w http.ResponseWriter, r *http.Request, name string) {
	if name == "" {
		name = "index.html"
	}
	for part := range strings.SplitSeq(name, "/") {
		if part == "" || strings.HasPrefix(part, ".") {
			http.Error(w, "no such page", http.StatusNotFound)
			return
		}
	}
	f, err := h.root.Open(filepath.FromSlash(name))
	if err != nil {
		http.Error(w, "no such page", http.StatusNotFound)
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		http.Error(w, "no such page", http.StatusNotFound)
		return
	}
	http.ServeContent(w, r, path.Base(name), info.ModTime(), f)
}

func (h *pages) save(w http.ResponseWriter, r *http.Request, rel string) {
	if o := r.Header.Get("Origin"); o != "http://"+h.host {
		http.Error(w, "not from this page", http.StatusForbidden)
		return
	}
	if h.clips == "" {
		http.Error(w, "The folder of clips is not known here: start with --clips FOLDER, or use the file.", http.StatusConflict)
		return
	}
	data, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxCorrectionBytes))
	if err != nil {
		http.Error(w, "too much for corrections", http.StatusRequestEntityTooLarge)
		return
	}
	files, err := pipeline.SaveCorrections(h.clips, rel, data)
	if err != nil {
		http.Error(w, "Not saved: "+err.Error(), http.StatusBadRequest)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintf(w, "Saved in %s. Run cagebook again to take it in.\n", strings.Join(files, " and "))
}
