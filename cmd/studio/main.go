// Command studio makes clips and keypoint tracks whose truth is known.
package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"
)

// commit is set by the linker.
var commit = ""

func main() {
	root := &cobra.Command{
		Use:           "studio",
		Short:         "make clips and keypoint tracks whose truth is known",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(demoCmd(), trackCmd(), sceneCmd(), sheetCmd(), stillCmd(), templateCmd(), accuracyCmd())
	if err := root.Execute(); err != nil {
		fmt.Fprintln(os.Stderr, "studio:", err)
		os.Exit(1)
	}
}
