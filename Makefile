# quadtally: `make demo` and `make test` are all a new machine needs.

PACKAGES := g++ pkg-config libopencv-dev libjpeg62-turbo-dev libheif-dev
EXTRA    := debootstrap chromium zbar-tools poppler-utils r-base-core r-cran-nlme python3-skimage slurm-wlm sqlite3 parallel r-cran-lme4 r-cran-lmertest r-cran-pbkrtest r-cran-mvtnorm
SUDO     := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
DEMO     := alder-bend

# OpenCV's own threads are of no use: photos are spread over processes.
export OPENCV_FOR_THREADS_NUM = 1

# gocv asks for every OpenCV library, 264 with all they need in turn, which take
# a third of a second at every start. The program uses functions of four: its
# unused parts are dropped and only these are linked. Plain `go build` and
# `go test` work too, and start slower.
GO   := CGO_CPPFLAGS="$$(pkg-config --cflags opencv4)" CGO_CXXFLAGS="-O2 -std=c++11 -ffunction-sections -fdata-sections" GOFLAGS=-tags=customenv go
OPEN := -Wl,--gc-sections -Wl,--no-export-dynamic -Wl,--as-needed -lopencv_features2d -lopencv_calib3d -lopencv_imgproc -lopencv_core
LINK := -ldflags '-extldflags "$(OPEN)"'
# The tests of vision also open photos with OpenCV, to compare.
LINK_VISION := -ldflags '-extldflags "$(OPEN) -lopencv_imgcodecs"'

.PHONY: build demo test test-all lint package try-bare bench torture mutants throughput setup setup-all clean

build: setup
	$(GO) build $(LINK) -o quadtally ./cmd/quadtally

demo: build
	./quadtally demo $(DEMO)

# Everything a change must pass, in under 15 minutes on two cores.
test: setup
	$(GO) vet ./...
	$(GO) test -timeout 15m $(LINK_VISION) ./vision/...
	$(GO) test -timeout 15m $(LINK) ./cmd/... ./stats/... ./calibrate/...

# What the tools of go.mod find. staticcheck's answers hold for the libraries
# and are only shown for cmd (the dash); a function that neither the program nor
# a test reaches is a fault everywhere, one that only tests reach is shown.
LIBRARIES := ./vision/... ./calibrate/... ./stats/...
lint: setup
	@unformatted=$$(gofmt -l cmd vision calibrate stats); [ -z "$$unformatted" ] || { echo "gofmt changes: $$unformatted" >&2; exit 1; }
	$(GO) vet ./...
	$(GO) tool staticcheck $(LIBRARIES)
	$(GO) tool staticcheck ./cmd/...
	@echo "Functions that nothing reaches:"; found=$$($(GO) tool deadcode -test ./...) || exit 1; \
	  [ -z "$$found" ] && echo "none" || { echo "$$found"; exit 1; }
	@echo "Functions that only tests reach (no fault):"; $(GO) tool deadcode ./cmd/quadtally

# For machines without a compiler: a Debian package and a folder that needs
# nothing but libc, in dist/. To be run on Debian 12, whose libraries they hold.
PACKERS := dpkg-dev patchelf
VERSION = $(shell git describe --tags --match 'v[0-9]*' 2>/dev/null | sed 's/^v//; s/-/+/; s/-/./' | grep . || git log -1 --format=0~git%cd.%h --date=format:%Y%m%d 2>/dev/null || echo 0)
package: setup
	$(call install-missing,$(PACKERS))
	$(GO) build -trimpath -ldflags '-s -w -X main.release=$(VERSION) -extldflags "$(OPEN)"' -o quadtally ./cmd/quadtally
	.ci/package '$(VERSION)'

# Packs, and tries both in bare Debian 12 and 13, where nothing else is
# installed, and on Debian 13 the two commands of the README from source.
try-bare:
	@$(TRY_BARE)

# 77: it could not be tried here, which is no fault and no success.
TRY_BARE = testdata/try-bare.sh || { [ $$? = 77 ] && echo "NOT TRIED: the packages on bare Debian"; }

# The same and the slow checks: second programs, browser, schedulers, soaks.
test-all: setup-all
	$(GO) vet ./...
	QUADTALLY_HEAVY=1 $(GO) test -timeout 90m $(LINK_VISION) ./vision/...
	QUADTALLY_HEAVY=1 $(GO) test -timeout 90m $(LINK) ./cmd/... ./stats/... ./calibrate/...
	$(GO) test -tags customenv,matprofile $(LINK_VISION) -run Leak ./vision/...
	@$(TRY_BARE)

# Accuracy on the open photo sets and on rendered scenes, size and coverage of
# the statistics in 1000 and more drawn trials a setting (about half an hour on
# two cores), then speed as ratios to a limit measured in the same run.
bench: setup
	( QUADTALLY_HEAVY=1 $(GO) test -count=1 -v $(LINK_VISION) -run '(Fields|SilentMiss)Report$$' ./vision ; \
	  $(GO) test -count=1 -v $(LINK_VISION) -run 'Report$$' -skip '(Fields|SilentMiss)Report' ./vision/... ; \
	  QUADTALLY_HEAVY=1 $(GO) test -count=1 -v -timeout 90m $(LINK) -run 'Report$$' ./stats/... ; \
	  QUADTALLY_TRIALS=$${QUADTALLY_TRIALS:-6} $(GO) test -count=1 -v -timeout 150m $(LINK) -run 'Report$$' ./cmd/quadtally/... ) | grep -v '^=== \|^--- \|^ok \|^PASS\|no test files\|no tests to run'
	$(GO) test $(LINK_VISION) -run '^$$' -bench . -benchtime 2s ./vision/...
	$(GO) test $(LINK) -run '^$$' -bench . -benchtime 2s ./cmd/... ./stats/... ./calibrate/...

# Interrupted, crowded, damaged and attacked: prints a table of figures at the
# end. Takes about three quarters of an hour on two cores; `make test` runs a
# short form of all of it. Then small faults are planted in the code, one at a
# time, to see whether the tests find them: two hours at most.
torture: setup
	QUADTALLY_TORTURE=1 $(GO) test -count=1 -v -timeout 150m $(LINK) -run 'Torture' ./cmd/quadtally
	$(MAKE) mutants

mutants: setup
	QUADTALLY_TORTURE=1 QUADTALLY_EXTLDFLAGS='$(OPEN) -lopencv_imgcodecs' $(GO) test -count=1 -v -timeout 150m $(LINK) -run 'Mutants$$' ./cmd/quadtally

# Photos an hour, for the table in README.md; wants the machine for itself.
throughput: setup
	QUADTALLY_THROUGHPUT=1 $(GO) test -count=1 -v $(LINK) -run 'Throughput' ./cmd/quadtally

# Installs what is missing, says what, and is quick when nothing is.
setup:
	@command -v go >/dev/null || { echo "Go 1.26 or newer is needed: https://go.dev/dl/" >&2; exit 1; }
	@if command -v dpkg-query >/dev/null && command -v apt-get >/dev/null; then \
	  missing=""; \
	  for p in $(PACKAGES); do \
	    dpkg-query -W -f '$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; \
	  done; \
	  if [ -n "$$missing" ]; then \
	    echo "Installing with apt-get:$$missing"; \
	    $(SUDO) apt-get update -qq && \
	    $(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	  fi; \
	elif ! pkg-config --exists opencv4 libjpeg libheif; then \
	  echo "The development files of OpenCV 4, libjpeg-turbo and libheif are needed; README.md names the packages of your system." >&2; exit 1; \
	fi

setup-all: setup
	$(call install-missing,$(EXTRA))

# Installs those of a list of Debian packages that are missing, and says so.
define install-missing
@missing=""; \
for p in $(1); do \
  dpkg-query -W -f '$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; \
done; \
if [ -n "$$missing" ]; then \
  echo "Installing with apt-get:$$missing"; \
  $(SUDO) apt-get update -qq && \
  $(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
fi
endef

clean:
	rm -rf quadtally dist $(DEMO)
