package queue

import (
	"bufio"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// bucketServer answers the few requests of the S3 interface that the store
// makes: PUT (also If-None-Match: *), GET, HEAD, DELETE of an object.
type bucketServer struct {
	mu      sync.Mutex
	objects map[string][]byte
}

func (b *bucketServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	b.mu.Lock()
	defer b.mu.Unlock()
	name := r.URL.Path
	old, there := b.objects[name]
	switch r.Method {
	case http.MethodPut:
		body := io.Reader(r.Body)
		if strings.Contains(r.Header.Get("Content-Encoding"), "aws-chunked") {
			body = unchunk(r.Body)
		}
		data, err := io.ReadAll(body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		if there && r.Header.Get("If-None-Match") == "*" {
			w.Header().Set("Content-Type", "application/xml")
			w.WriteHeader(http.StatusPreconditionFailed)
			_, _ = io.WriteString(w, "<Error><Code>PreconditionFailed</Code></Error>")
			return
		}
		b.objects[name] = data
		w.Header().Set("ETag", `"x"`)
	case http.MethodGet, http.MethodHead:
		if !there {
			w.Header().Set("Content-Type", "application/xml")
			w.WriteHeader(http.StatusNotFound)
			if r.Method == http.MethodGet {
				_, _ = io.WriteString(w, "<Error><Code>NoSuchKey</Code></Error>")
			}
			return
		}
		w.Header().Set("Content-Length", strconv.Itoa(len(old)))
		w.Header().Set("ETag", `"x"`)
		_, _ = w.Write(old)
	case http.MethodDelete:
		delete(b.objects, name)
		w.WriteHeader(http.StatusNoContent)
	}
}

// unchunk reads the aws-chunked form: size in hex (and a signature), data, trailer.
func unchunk(r io.Reader) io.Reader {
	pr, pw := io.Pipe()
	go func() {
		b := bufio.NewReader(r)
		for {
			line, err := b.ReadString('\n')
			if err != nil {
				pw.CloseWithError(err)
				return
			}
			size, _, _ := strings.Cut(strings.TrimSpace(line), ";")
			n, err := strconv.ParseInt(size, 16, 64)
			if err != nil || n == 0 {
				pw.CloseWithError(err)
				return
			}
			if _, err := io.CopyN(pw, b, n); err != nil {
				pw.CloseWithError(err)
				return
			}
			if _, err := b.ReadString('\n'); err != nil {
				pw.CloseWithError(err)
				return
			}
		}
	}()
	return pr
}

// A store behind the S3 interface keeps the same promises as a folder.
func TestStoreOverS3(t *testing.T) {
	t.Setenv("AWS_ACCESS_KEY_ID", "test")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "test")
	server := httptest.NewServer(&bucketServer{objects: map[string][]byte{}})
	defer server.Close()
	ctx := t.Context()
	s, err := OpenStore(ctx, "s3://swings?region=eu-central-1&use_path_style=true&endpoint="+server.URL, true)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, text := range []string{"one", "two"} {
		if err := s.writeBytes(ctx, resultName("abcd"), []byte(text), true); err != nil {
			t.Fatal(err)
		}
	}
	if data, err := s.read(ctx, resultName("abcd")); err != nil || string(data) != "one" {
		t.Errorf("the first result counts: %q, %v", data, err)
	}
	if ok, err := s.has(ctx, resultName("efgh")); ok || err != nil {
		t.Errorf("a result that is not there: %v, %v", ok, err)
	}
	if data, err := s.read(ctx, resultName("efgh")); data != nil || err != nil {
		t.Errorf("a result that is not there: %q, %v", data, err)
	}
	if err := s.remove(ctx, resultName("abcd")); err != nil {
		t.Error(err)
	}
	if ok, err := s.has(ctx, resultName("abcd")); ok || err != nil {
		t.Errorf("a result that was removed: %v, %v", ok, err)
	}
	if err := s.remove(ctx, storeMark); err != nil {
		t.Error(err)
	}
	if _, err := s.has(ctx, resultName("abcd")); err != errAway {
		t.Errorf("a bucket that is not the store: %v", err)
	}
}
