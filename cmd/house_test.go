// Package cmd_test holds the house rules: it reads the source of the whole project.
package cmd_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The house rules, held by reading the source.

func TestMain(m *testing.M) {
	if err := os.Chdir(".."); err != nil { // the project's root
		panic(err)
	}
	os.Exit(m.Run())
}

type rule struct {
	part  string
	ours  []string
	cause string
}

// mayImport says which of our packages each part of the house may import: the
// folders named and all below them. The first entry that matches counts.
var mayImport = []rule{
	{"pipeline/video/opencv", []string{"pipeline/video"}, "the decoder knows frames only"},
	{"pipeline/video", nil, "frames are the bottom of the house"},
	{"pipeline/studio", []string{"pipeline/studio", "configs", "report", "phases", "pose", "pipeline/video"}, "the studio stands beside a clip's way"},
	{"pose/onnx", []string{"pose", "models"}, "the inference knows tensors and model files only"},
	{"pose", []string{"pose", "pipeline/video"}, "pose stands on frames"},
	{"phases", []string{"phases", "pose", "pipeline/video"}, "phases stand on tracks"},
	{"report", []string{"report", "configs", "phases", "pose", "pipeline/video"}, "reports stand on phases"},
	{"pipeline/queue", []string{"pipeline", "configs", "report", "pipeline/video"}, "the queue carries the pipeline's jobs between machines and knows nothing of pictures"},
	{"pipeline", []string{"configs", "report", "phases", "pose", "pipeline/video"}, "the pipeline joins what is below it and knows no native code"},
	{"configs", nil, "settings are a leaf"},
	{"models", []string{"models"}, "models are a leaf"},
	{"cmd", []string{"configs", "models", "pipeline", "report", "phases", "pose"}, "commands wire everything"},
	{".", nil, "the root holds no code"},
}

// mayImportCgo are the packages in which native code stands. cmd imports them.
var mayImportCgo = []string{"pipeline/video/opencv", "pose/onnx"}

type source struct {
	path string // below the root, slashes
	pkg  string // its folder
	test bool
	file *ast.File
}

var fset = token.NewFileSet()

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != "." && (strings.HasPrefix(d.Name(), ".") || slices.Contains([]string{"testdata", "bin", "build", "demo", "out"}, d.Name())) {
			return filepath.SkipDir
		}
		if filepath.Ext(path) != ".go" {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		path = filepath.ToSlash(path)
		all = append(all, source{path, filepath.ToSlash(filepath.Dir(path)), strings.HasSuffix(path, "_test.go"), f})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 50 {
		t.Fatalf("only %d files found: is this the root of the module?", len(all))
	}
	return all
}

func within(pkg, part string) bool { return pkg == part || strings.HasPrefix(pkg, part+"/") }

func imports(f *ast.File) []string {
	var all []string
	for _, s := range f.Imports {
		p, _ := strconv.Unquote(s.Path.Value) // the parser has seen to it
		all = append(all, p)
	}
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue // a test may hold a package against one above it
		}
		i := slices.IndexFunc(mayImport, func(r rule) bool { return within(s.pkg, r.part) })
		if i < 0 {
			t.Errorf("%s: no rule for package %s", s.path, s.pkg)
			continue
		}
		r := mayImport[i]
		for _, imp := range imports(s.file) {
			own, ok := strings.CutPrefix(imp, "cagebook/")
			if !ok {
				continue
			}
			if !slices.ContainsFunc(r.ours, func(part string) bool { return within(own, part) }) {
				t.Errorf("%s: imports %s, but %s", s.path, imp, r.cause)
			}
			if within(own, "pipeline/studio") && !within(s.pkg, "pipeline/studio") && s.pkg != "cmd/studio" {
				t.Errorf("%s: imports the studio, which no part of a clip's way may", s.path)
			}
			if slices.Contains(mayImportCgo, own) && !within(s.pkg, "cmd") {
				t.Errorf("%s: imports %s, which only cmd may", s.path, imp)
			}
		}
	}
}

func TestCgoStandsInTwoPackages(t *testing.T) {
	for _, s := range sources(t) {
		for _, imp := range imports(s.file) {
			native := imp == "C" || strings.HasPrefix(imp, "gocv.io/") || strings.HasPrefix(imp, "github.com/yalue/onnxruntime_go")
			if native && !slices.Contains(mayImportCgo, s.pkg) {
				t.Errorf("%s: imports %s; native code stands in %v alone", s.path, imp, mayImportCgo)
			}
			own := strings.TrimPrefix(imp, "cagebook/")
			if (native || slices.Contains(mayImportCgo, own)) && !needsCgo(s.file) {
				t.Errorf("%s: imports %s without a line //go:build cgo, so CGO_ENABLED=0 would not build", s.path, imp)
			}
		}
	}
}

// needsCgo says whether a file's build line leaves it out without cgo.
func needsCgo(f *ast.File) bool {
	for _, g := range f.Comments {
		for _, c := range g.List {
			if c.Pos() < f.Package && strings.HasPrefix(c.Text, "//go:build ") && strings.Contains(c.Text, "cgo") && !strings.Contains(c.Text, "!cgo") {
				return true
			}
		}
	}
	return false
}

// The queue is the pipeline's second way to hand out clips: it lives from waiting
// for other machines, and stands apart so that the folder run needs no server.
func TestGoroutinesStandInPipelineAlone(t *testing.T) {
	for _, s := range sources(t) {
		if s.test || s.pkg == "pipeline" || s.pkg == "pipeline/queue" || within(s.pkg, "cmd") {
			continue
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			switch n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: a goroutine; they stand in package pipeline", fset.Position(n.Pos()))
			case *ast.ChanType:
				t.Errorf("%s: a channel; they stand in package pipeline", fset.Position(n.Pos()))
			}
			return true
		})
	}
}

// The folder run needs neither server nor store: what speaks to them stands in one package.
func TestQueueStandsApart(t *testing.T) {
	for _, s := range sources(t) {
		for _, imp := range imports(s.file) {
			if (strings.Contains(imp, "nats-io/") || strings.HasPrefix(imp, "gocloud.dev/")) && s.pkg != "pipeline/queue" {
				t.Errorf("%s: imports %s, which stands in pipeline/queue", s.path, imp)
			}
		}
	}
}

// Numbers must not depend on the clock, on chance, on the environment or on a log.
func TestNumericPackagesArePure(t *testing.T) {
	for _, s := range sources(t) {
		numeric := within(s.pkg, "phases") || within(s.pkg, "report") || within(s.pkg, "pose") && s.pkg != "pose/onnx"
		if s.test || !numeric {
			continue
		}
		for _, imp := range imports(s.file) {
			if imp == "log" || imp == "log/slog" || imp == "math/rand" || strings.Contains(imp, "spf13/viper") {
				t.Errorf("%s: imports %s", s.path, imp)
			}
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			sel, ok := call.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok {
				switch name := x.Name + "." + sel.Sel.Name; {
				case name == "time.Now", name == "os.Getenv", name == "os.LookupEnv":
					t.Errorf("%s: calls %s", fset.Position(n.Pos()), name)
				case x.Name == "rand" && !strings.HasPrefix(sel.Sel.Name, "New"):
					t.Errorf("%s: calls %s: chance without a seed", fset.Position(n.Pos()), name)
				}
			}
			return true
		})
	}
}

func TestTopLevel(t *testing.T) {
	want := []string{
		"cmd", "pipeline", "pose", "phases", "report", "models", "configs", "testdata",
		"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "NOTICE", "Makefile", "Dockerfile", "go.mod", "go.sum",
	}
	made := []string{"bin", "build", "demo", "out"} // by make, not in version control
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if n := e.Name(); !strings.HasPrefix(n, ".") && !slices.Contains(want, n) && !slices.Contains(made, n) {
			t.Errorf("%s does not belong at the top level", n)
		}
	}
}

// Nothing in the tree may depend on, or speak of, the machine or the way it was written.
func TestForbiddenWords(t *testing.T) {
	words := []string{ // put together here, so that this file does not hold them
		"/" + "work/", "/" + "farm/", "tran" + "script", "seed " + "document",
		"proxy." + "golang.org", "sum." + "golang.org", "registry." + "npmjs", "deb." + "debian.org", "trade" + ".md", "brief" + ".md",
	}
	pattern := regexp.MustCompile("(?i)" + strings.Join(quoteAll(words), "|"))
	texts := []string{".go", ".md", ".yaml", ".yml", ".json", ".html", ".css", ".js", ".txt", ".txtar", ".sh", ".svg", ".mod", ""}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if slices.Contains([]string{".git", "bin", "build", "demo", "out"}, path) {
				return filepath.SkipDir
			}
			return nil
		}
		if !slices.Contains(texts, filepath.Ext(path)) || !d.Type().IsRegular() {
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for n, line := range strings.Split(string(data), "\n") {
			if w := pattern.FindString(line); w != "" {
				t.Errorf("%s:%d: %q", path, n+1, w)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func quoteAll(words []string) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = regexp.QuoteMeta(w)
	}
	return out
}
