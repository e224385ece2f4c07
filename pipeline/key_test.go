package pipeline

import (
	"testing"

	"cagebook/configs"
)

// A result holds across commits that do not touch what results are made from.
func TestKeyHoldsAcrossCommits(t *testing.T) {
	key := func(content string, s configs.Sidecar, tool Tool) string {
		k, err := keyOf(content, s, tool)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	tool := Tool{Version: "1.2.0+abc", Models: map[string]string{"m": "1"}, Options: "o", Key: "was"}
	want := key("c", configs.Sidecar{}, tool)
	other := tool
	other.Version, other.Key = "1.2.0+def-dirty", ""
	if key("c", configs.Sidecar{}, other) != want {
		t.Error("another commit gives another key")
	}
	edits := map[string]func(content *string, s *configs.Sidecar, t *Tool){
		"content":                  func(c *string, _ *configs.Sidecar, _ *Tool) { *c = "d" },
		"settings beside the clip": func(_ *string, s *configs.Sidecar, _ *Tool) { s.Bats = "L" },
		"release":                  func(_ *string, _ *configs.Sidecar, t *Tool) { t.Version = "1.3.0+abc" },
		"model":                    func(_ *string, _ *configs.Sidecar, t *Tool) { t.Models = map[string]string{"m": "2"} },
		"options":                  func(_ *string, _ *configs.Sidecar, t *Tool) { t.Options = "p" },
	}
	for name, edit := range edits {
		c, s, changed := "c", configs.Sidecar{}, tool
		edit(&c, &s, &changed)
		if key(c, s, changed) == want {
			t.Errorf("another %s gives the same key", name)
		}
	}
}
