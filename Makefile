# quadtally: `make demo` and `make test` are all a new machine needs.

PACKAGES := g++ pkg-config libopencv-dev libjpeg62-turbo-dev libheif-dev
EXTRA    := chromium zbar-tools poppler-utils r-base-core r-cran-nlme python3-skimage slurm-wlm sqlite3 parallel
SUDO     := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
DEMO     := alder-bend

# OpenCV's own threads are of no use: photos are spread over processes.
export OPENCV_FOR_THREADS_NUM = 1

.PHONY: build demo test test-all bench torture setup setup-all clean

build: setup
	go build -o quadtally ./cmd/quadtally

demo: build
	./quadtally demo $(DEMO)

# Everything a change must pass, in under 15 minutes on two cores.
test: setup
	go vet ./...
	go test -timeout 15m ./...

# The same and the slow checks: second programs, browser, schedulers, soaks.
test-all: setup-all
	go vet ./...
	QUADTALLY_HEAVY=1 go test -timeout 90m ./...
	go test -tags matprofile -run Leak ./vision/...

# Accuracy on the open photo sets and on rendered scenes, then speed as ratios
# to a limit measured in the same run.
bench: setup
	QUADTALLY_HEAVY=1 go test -count=1 -v -run 'FieldsReport$$' ./vision | grep -v '^=== \|^--- \|^ok \|^PASS'
	go test -count=1 -v -run 'Report$$' -skip FieldsReport ./vision/... ./cmd/quadtally/... | grep -v '^=== \|^--- \|^ok \|^PASS\|no test files\|no tests to run'
	go test -run '^$$' -bench . -benchtime 2s ./...

# Interrupted, crowded, damaged and attacked: prints a table of figures.
torture: setup
	QUADTALLY_TORTURE=1 go test -count=1 -v -timeout 90m -run 'Torture' ./cmd/quadtally/... ./vision/...

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
	@missing=""; \
	for p in $(EXTRA); do \
	  dpkg-query -W -f '$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; \
	done; \
	if [ -n "$$missing" ]; then \
	  echo "Installing with apt-get:$$missing"; \
	  $(SUDO) apt-get update -qq && \
	  $(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	fi

clean:
	rm -rf quadtally $(DEMO)
