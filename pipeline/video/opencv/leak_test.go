//go:build cgo && matprofile

package opencv

import (
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestMain fails if a test leaves a Mat behind.
func TestMain(m *testing.M) {
	before := gocv.MatProfile.Count()
	code := m.Run()
	if n := gocv.MatProfile.Count() - before; n != 0 {
		fmt.Fprintf(os.Stderr, "%d Mats were not closed:\n", n)
		gocv.MatProfile.WriteTo(os.Stderr, 1)
		code = 1
	}
	os.Exit(code)
}
