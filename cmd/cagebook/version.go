//go:build cgo

package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"cagebook/models"
	"cagebook/pipeline"
)

// release is the version that CHANGELOG.md speaks of; commit and analysis, a
// hash of the source that results are made from (.ci/analysis), are set by the linker.
const release = "0.1.0"

var commit, analysis = "", ""

func version() string {
	if commit == "" {
		return release
	}
	return release + "+" + commit
}

// tool is what makes the results of this program.
func tool() pipeline.Tool {
	t := pipeline.Tool{Version: version(), Models: map[string]string{}}
	for _, m := range models.All() {
		if !m.Optional {
			t.Models[m.Name] = m.SHA256
		}
	}
	made := analysis
	if made == "" { // a build that does not say: every commit may change results
		made = commit
	}
	sum := sha256.Sum256([]byte(resultOptions() + " " + made))
	t.Options = hex.EncodeToString(sum[:])
	return t
}

func newVersion(s streams) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			fmt.Fprintf(s.out, "cagebook %s (%s, %s/%s)\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}
