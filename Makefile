# make demo    sets everything up and turns a folder of demo clips into reports
# make test    everything that is checked on every change
# make build   bin/cagebook and bin/studio
#
# All three work from a fresh clone. What is fetched or converted is kept in
# the user's cache folder, so that clones share it.

GO   := .ci/go
STEP := .ci/step

STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
GOFUMPT     := mvdan.cc/gofumpt@v0.12.0

COMMIT  := $(shell git describe --always --dirty 2>/dev/null)
# What results are made from: the part of a version that decides whether a clip is looked at again.
ANALYSIS := $(shell .ci/analysis)
LDFLAGS := -X main.commit=$(COMMIT) -X main.analysis=$(ANALYSIS)
# The stamp of version control is left to LDFLAGS: the go command refuses it in a clone that belongs to somebody else.
BUILD   := $(GO) build -buildvcs=false -ldflags "$(LDFLAGS)"

# All that goes into the programs: code, and the files embedded in it.
SOURCES := $(shell find cmd pipeline pose phases report models configs -type f ! -name '*_test.go' ! -path '*/testdata/*') go.mod go.sum

.PHONY: demo build test clean native native-test models models-test format lint pure race full accuracy accuracy-quick bench bench-queue night-queue night-kill night-faults night-mutated night-memory long

build: native
	@$(MAKE) --no-print-directory bin/cagebook bin/studio

bin/cagebook: $(SOURCES)
	@$(STEP) "building cagebook (the first time OpenCV's binding too, about two minutes)" $(BUILD) -o $@ ./cmd/cagebook
	@touch $@

bin/studio: $(SOURCES)
	@$(STEP) "building studio" $(BUILD) -o $@ ./cmd/studio
	@touch $@

native:
	@.ci/native build

native-test:
	@.ci/native test

models: bin/cagebook
	@$(STEP) "fetching and converting the models where missing" bin/cagebook models fetch

demo/clips/.rendered: bin/studio
	@$(STEP) "rendering the demo clips" bin/studio demo -o demo/clips
	@touch $@

demo:
	@$(STEP) --start
	@$(STEP) "installing native packages where missing" .ci/native build
	@$(MAKE) --no-print-directory bin/cagebook bin/studio
	@$(MAKE) --no-print-directory models demo/clips/.rendered
	@$(STEP) "looking at the clips" bin/cagebook run demo/clips -o demo/out
	@echo
	@$(STEP) --times
	@echo
	@echo "the morning page: $(CURDIR)/demo/out/index.html"

# The tests, in the order in which they are quick to fail. Everything that
# needs cgo is built with Mat counting, so that OpenCV's binding is built once.
test: native-test format lint models-test pure race full accuracy-quick

format:
	@echo "== gofumpt"
	@bad=$$($(GO) run $(GOFUMPT) -l cmd configs models phases pipeline pose report | grep -v '\.pb\.go$$' || true); \
	 if [ -n "$$bad" ]; then echo "not formatted (run gofumpt -w):"; echo "$$bad"; exit 1; fi

lint:
	@echo "== go vet"
	@$(GO) vet -tags matprofile ./...
	@CGO_ENABLED=0 $(GO) vet ./...
	@echo "== staticcheck"
	@$(GO) run $(STATICCHECK) -tags matprofile ./...

models-test:
	@echo "== models"
	@$(GO) run -buildvcs=false -tags matprofile ./cmd/cagebook models fetch

pure:
	@echo "== tests without cgo"
	@CGO_ENABLED=0 $(GO) test ./...

# The packages that build without cgo are the ones whose goroutines and data are ours.
race:
	@echo "== tests with the race detector"
	@$(GO) test -race -short $$(CGO_ENABLED=0 $(GO) list ./... | grep -v '/cmd/')

full:
	@echo "== tests with OpenCV and the models"
	@$(GO) test -tags matprofile ./...

# Slow: accuracy against clips with known truth.
# Keypoints with known truth take half a minute; SET=quick (12 clips), middle (56)
# standard (260) or fresh (76 others, which nothing was set on) renders clips, runs the whole program on them, and keeps both, with
# the table as accuracy.json and accuracy.md beside them.
# The last full table is kept: make accuracy SET=standard, then
# cp build/accuracy/standard/accuracy.md testdata/accuracy-standard.md
SET ?= middle
accuracy: build models
	bin/studio accuracy --swings 100 --others 30
	bin/studio accuracy --set $(SET) --markdown build/accuracy/$(SET)/accuracy.md

# The last ring of the tests: 12 clips are rendered (once) and the whole program's reports on them must hold the floors.
accuracy-quick:
	@echo "== accuracy on rendered clips"
	@CGO_ENABLED=0 $(GO) build -buildvcs=false -o build/test/studio ./cmd/studio
	@$(GO) build -buildvcs=false -tags matprofile -o build/test/cagebook ./cmd/cagebook
	@build/test/studio accuracy --set quick --dir build/test/accuracy --cagebook build/test/cagebook --floors >build/test/accuracy.txt 2>&1 \
	 || { cat build/test/accuracy.txt; exit 1; }
	@tail -n 1 build/test/accuracy.txt

# What a minute of 60 frames a second with five swings costs, and three seconds of 240: against
# decoding alone, the networks alone, and every frame looked at. Wants an otherwise idle machine.
# The landmark network's own runtime is measured beside ours where npm and chromium are there.
RUNS ?= 5
PEER := @mediapipe/pose@0.5.1675469404
bench: build models
	@mkdir -p build/bench
	bin/studio scene testdata/scenes/bench/*.yaml -o build/bench/clips
	@if command -v npm >/dev/null && [ ! -d build/bench/peer ]; then cd build/bench && rm -rf package && \
	  { npm pack --silent --ignore-scripts $(PEER) && tar xzf mediapipe-pose-*.tgz && chmod -R u+rX package && mv package peer; } || echo "the landmark network's own runtime could not be fetched"; fi
	bin/cagebook bench --runs $(RUNS) --peer build/bench/peer build/bench/clips/minute/minute.mp4 build/bench/clips/slow/slow.mp4

# Throughput of 1, 8 and 64 workers on a queue of clips that only take time, and
# what handing out one clip costs. CLIPS=100000 SCALE=0.01 takes about ten minutes.
CLIPS ?= 10000
SCALE ?= 0.01
bench-queue:
	@CGO_ENABLED=0 QUEUE_CLIPS=$(CLIPS) QUEUE_SCALE=$(SCALE) $(GO) test -run XXX -bench Queue -benchtime 1x -timeout 60m ./pipeline/queue

# The long form of the test in which hub, workers and store come and go: 200 kills, some minutes.
night-queue:
	@CGO_ENABLED=0 CAGEBOOK_TEST_KILLS=200 $(GO) test -run KilledNight -timeout 60m -v ./pipeline/queue

# Long forms of tests: 200 kills of the batch, every fault at every call on the disk, 10,000 altered clips. Hours on a busy machine.
long: night-kill night-faults night-mutated

night-kill:
	@CAGEBOOK_LONG=1 CGO_ENABLED=0 $(GO) test -count=1 -timeout 3h -run Killed -v ./pipeline

night-faults:
	@CAGEBOOK_LONG=1 CGO_ENABLED=0 $(GO) test -count=1 -timeout 3h -run 'EachDiskCall|EachCall' -v ./pipeline

night-mutated:
	@CAGEBOOK_LONG=1 $(GO) test -tags matprofile -count=1 -timeout 9h -run Mutated -v ./cmd/cagebook

# Memory over a night of NIGHT clips: short ones and, every twentieth, one of the folder FROM.
NIGHT ?= 500
FROM ?= demo/clips
night-memory:
	@CAGEBOOK_NIGHT_CLIPS=$(NIGHT) CAGEBOOK_NIGHT_FROM="$(abspath $(wildcard $(FROM)))" $(GO) test -tags matprofile -count=1 -timeout 9h -run NightMemory -v ./cmd/cagebook

clean:
	rm -rf bin build demo
