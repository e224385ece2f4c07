package configs

import (
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
)

func parse(t *testing.T, args ...string) (Settings, error) {
	t.Helper()
	s := Default()
	fs := pflag.NewFlagSet("run", pflag.ContinueOnError)
	s.AddFlags(fs)
	if err := fs.Parse(args); err != nil {
		t.Fatal(err)
	}
	if err := FillFromEnv(fs); err != nil {
		return s, err
	}
	return s, s.Validate()
}

func TestSettingsFlagBeatsEnvironmentBeatsDefault(t *testing.T) {
	t.Setenv("CAGEBOOK_JOBS", "3")
	t.Setenv("CAGEBOOK_STALL", "90s")
	t.Setenv("CAGEBOOK_MEMORY_MB", "700")
	s, err := parse(t, "--jobs", "2")
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Jobs, want.Stall, want.MemoryMB = 2, 90*time.Second, 700
	if s != want {
		t.Errorf("got %+v\nwant %+v", s, want)
	}
}

func TestSettingsAllProblemsAtOnce(t *testing.T) {
	_, err := parse(t, "--jobs", "-1", "--memory-mb", "5", "--stall", "0s", "--threads", "-1")
	for _, want := range []string{"--jobs: -1; want 0 (by cores and memory) to 256", "--memory-mb: 5; want 0", "--stall: 0s; want 1s or more", "--threads: -1"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in: %v", want, err)
		}
	}
}

func TestSettingsEnvironmentIsStrict(t *testing.T) {
	t.Setenv("CAGEBOOK_JOBS", "many")
	_, err := parse(t)
	if err == nil || !strings.Contains(err.Error(), `environment: CAGEBOOK_JOBS: "many"; want a value of type int`) {
		t.Errorf("got %v", err)
	}
}
