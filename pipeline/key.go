package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"

	"cagebook/configs"
)

// hashTold is a second or so of a slow disk.
const hashTold = 64 << 20

// hashFile is the SHA-256 of a clip's content, hex. It can be interrupted. read,
// which may be nil, is told how much of it has been read, every hashTold bytes.
func hashFile(ctx context.Context, path string, read func(bytes int64)) (string, error) {
	// Not blocking, in case the file has become a named pipe since it was listed.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return "", fmt.Errorf("%w: %w", errClipFile, err)
	}
	defer f.Close()
	h := sha256.New()
	buf := make([]byte, 128<<10) // larger ones are no faster
	done, told := int64(0), int64(0)
	for {
		if read != nil && done-told >= hashTold {
			told = done
			read(done)
		}
		if err := ctx.Err(); err != nil {
			return "", err
		}
		n, err := f.Read(buf)
		h.Write(buf[:n])
		done += int64(n)
		if err == io.EOF {
			return hex.EncodeToString(h.Sum(nil)), nil
		}
		if err != nil {
			return "", fmt.Errorf("%w: %w", errClipFile, err)
		}
	}
}

// ResultsOf is a tool without what says nothing of results: the commit that its
// version names. What the source has to do with results is in Options.
func ResultsOf(t Tool) Tool {
	t.Key = ""
	t.Version, _, _ = strings.Cut(t.Version, "+")
	return t
}

// keyOf hashes everything that a result depends on.
func keyOf(contentSHA256 string, s configs.Sidecar, t Tool) (string, error) {
	t = ResultsOf(t)
	data, err := json.Marshal(struct { // maps are written in the order of their keys
		Content string
		Sidecar configs.Sidecar
		Tool    Tool
	}{contentSHA256, s, t})
	if err != nil {
		return "", fmt.Errorf("key: %w", err)
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}
