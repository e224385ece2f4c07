//go:build cgo

package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"cagebook/models"
)

// The scripts in testdata say what a user types and sees.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"cagebook": func() {
			ctx, _ := stoppable(true)
			os.Exit(execute(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
		},
		"cagebook-decode": decodeOnly,
	})
}

func TestScripts(t *testing.T) {
	dir, err := models.DefaultDir()
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("CAGEBOOK_MODEL_DIR", dir)
			e.Setenv("CAGEBOOK_JOBS", "1")              // clips end in their order
			ln, err := net.Listen("tcp", "127.0.0.1:0") // a port that is free, for the hub
			if err != nil {
				return err
			}
			_, port, err := net.SplitHostPort(ln.Addr().String())
			e.Setenv("PORT", port)
			return errors.Join(err, ln.Close())
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exitcode": exitCode},
		Condition: func(cond string) (bool, error) {
			if cond != "models" {
				return false, nil
			}
			for _, m := range models.Status(dir) {
				if m.Err != nil && !m.Optional {
					return false, nil
				}
			}
			return true, nil
		},
	})
}

// exitCode runs a command that must end with a given status: exitcode 4 cagebook …
func exitCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exitcode STATUS COMMAND…")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	var ee *exec.ExitError
	if errors.As(err, &ee) {
		got = ee.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v", err)
	}
	if fmt.Sprint(got) != args[0] {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}
