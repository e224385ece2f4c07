package configs

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"github.com/spf13/viper"
)

// Settings steer a run. Only HideFaces changes a result: it goes into what is
// said of each clip, and so into the key by which finished clips are recognised.
type Settings struct {
	// Jobs is the number of clips in work at once, each in its own process; 0 = one
	// for each core, as far as memory goes.
	Jobs int

	// Threads is the number of threads that one process gives to each neural
	// network; 0 = the machine's cores shared out over the clips in work.
	Threads int

	// Stall is how long a clip may show no progress before it is given up. It
	// catches decoders that hang; slow machines still report every few seconds.
	Stall time.Duration

	// Deadline is the longest that one clip may take altogether.
	Deadline time.Duration

	// MemoryMB is the resident memory at which a worker process and the ffmpeg
	// that it started are ended; 0 = no limit. An ordinary clip needs less than 1000.
	MemoryMB int

	// ModelDir holds the models and the inference library; "" = the user's cache folder.
	ModelDir string

	// InProcess analyses in this process instead of in workers: for debugging,
	// because a fault in a decoder then ends the whole run.
	InProcess bool

	// HideFaces covers the faces of everybody in all pictures, whatever the settings beside the clips say.
	HideFaces bool

	// JSON prints events as JSON lines instead of words.
	JSON bool
}

// MaxJobs is the most clips that one machine looks at at once.
const MaxJobs = 256

// Default is the only place where defaults stand.
func Default() Settings {
	return Settings{
		Stall:    5 * time.Minute,
		Deadline: 6 * time.Hour, // a clip of three hours, the longest that is accepted, at half of real time
		MemoryMB: 3000,          // 1000 for an ordinary clip, and room for 8K pictures of 113 MB each and the 730 that ffmpeg takes to copy a damaged clip of that size
	}
}

// AddFlags lets flags set s. Call it with s = Default().
func (s *Settings) AddFlags(fs *pflag.FlagSet) {
	fs.IntVarP(&s.Jobs, "jobs", "j", s.Jobs, "clips in work at once, each in its own process (0 = one for each core, as far as memory goes)")
	fs.IntVar(&s.Threads, "threads", s.Threads, "threads for each neural network of a process (0 = cores / clips in work)")
	fs.DurationVar(&s.Stall, "stall", s.Stall, "give a clip up when it shows no progress for so long")
	fs.DurationVar(&s.Deadline, "deadline", s.Deadline, "longest time for one clip")
	fs.IntVar(&s.MemoryMB, "memory-mb", s.MemoryMB, "end a clip whose process holds more memory than this, its ffmpeg included (0 = no limit)")
	fs.StringVar(&s.ModelDir, "model-dir", s.ModelDir, "folder of models and inference library (default: the user's cache folder)")
	fs.BoolVar(&s.InProcess, "in-process", s.InProcess, "analyse in this process, for debugging: one bad file can then end the run")
	fs.BoolVar(&s.HideFaces, "hide-faces", s.HideFaces, "cover all faces in every picture and film")
	fs.BoolVar(&s.JSON, "json", s.JSON, "print events as JSON lines")
}

// EnvPrefix starts the names of the environment variables: --memory-mb is CAGEBOOK_MEMORY_MB.
const EnvPrefix = "CAGEBOOK"

// FillFromEnv sets each flag that was not given on the command line from its
// environment variable, as strictly as the command line would.
func FillFromEnv(fs *pflag.FlagSet) error {
	v := viper.New()
	v.SetEnvPrefix(EnvPrefix)
	v.SetEnvKeyReplacer(strings.NewReplacer("-", "_"))
	var problems Problems
	fs.VisitAll(func(f *pflag.Flag) {
		if f.Changed || f.Name == "help" || f.Name == "version" {
			return
		}
		if err := v.BindEnv(f.Name); err != nil || !v.IsSet(f.Name) {
			return
		}
		value := v.GetString(f.Name)
		if err := fs.Set(f.Name, value); err != nil {
			env := EnvPrefix + "_" + strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))
			problems = append(problems, Problem{File: "environment", Key: env, Got: shorten(value), Want: "a value of type " + f.Value.Type()})
		}
	})
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// Validate returns every setting that cannot be.
func (s Settings) Validate() error {
	var problems Problems
	bad := func(flag string, got any, want string) {
		problems = append(problems, Problem{File: "settings", Key: "--" + flag, Got: fmt.Sprint(got), Want: want})
	}
	if s.Jobs < 0 || s.Jobs > MaxJobs {
		bad("jobs", s.Jobs, fmt.Sprintf("0 (by cores and memory) to %d", MaxJobs))
	}
	if s.Threads < 0 || s.Threads > 256 {
		bad("threads", s.Threads, "0 (cores / clips in work) to 256")
	}
	if s.Stall < time.Second {
		bad("stall", s.Stall, "1s or more")
	}
	if s.Deadline < s.Stall {
		bad("deadline", s.Deadline, "at least --stall")
	}
	if s.MemoryMB != 0 && s.MemoryMB < 200 {
		bad("memory-mb", s.MemoryMB, "0 (no limit), or 200 and more: the models alone need 150")
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}
