package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// makeScratch makes an empty folder for the temporary files of a run's workers,
// or returns "" where it cannot. Its name follows from the output folder, which
// the run has locked: what a killed run left behind is removed by the next.
func makeScratch(out string) string {
	sum := sha256.Sum256([]byte(out))
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("cagebook-%d-%s", os.Getuid(), hex.EncodeToString(sum[:6])))
	// Whatever stands there under somebody else's name cannot be removed, and then not be made.
	if os.RemoveAll(dir) != nil || os.Mkdir(dir, 0o700) != nil {
		return ""
	}
	return dir
}

// useScratch gives a process an empty folder for its temporary files.
func useScratch(cmd *exec.Cmd, dir string) error {
	if dir == "" {
		return nil
	}
	if err := os.RemoveAll(dir); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	cmd.Env = append(cmd.Environ(), "TMPDIR="+dir)
	return nil
}
