package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// fuzzed lists a fuzz target of every parser and how often it is run. Through
// C a run gets no guidance by coverage and takes its time, hence fewer of them.
var fuzzed = []struct {
	pkg, target string
	times       int
}{
	{"cmd/quadtally/internal/tables", "FuzzRead", 200_000},      // CSV: marks, quotes, numbers, dates
	{"cmd/quadtally/internal/tables", "FuzzXLSX", 200_000},      // the parts of a workbook
	{"cmd/quadtally/internal/sheets", "FuzzSheets", 100_000},    // counts, yields, field work
	{"cmd/quadtally/internal/partfile", "FuzzRead", 100_000},    // measurements from other machines
	{"cmd/quadtally/internal/intake", "FuzzReadFacts", 100_000}, // camera headers
	{"cmd/quadtally/internal/trial", "FuzzParsePlan", 200_000},  // plan files
	{"cmd/quadtally/internal/trial", "FuzzParseLength", 200_000},
	{"vision", "FuzzCurve", 200_000}, // what the record holds of a photo
	{"vision", "FuzzPlane", 100_000},
	{"vision", "FuzzOrientation", 200_000},
	{"vision/classes", "FuzzLooks", 100_000},
	{"vision", "FuzzMeasure", 5_000}, // whole photos, through C
	{"vision/label", "FuzzDecode", 200_000},
	{"vision/card", "FuzzFind", 5_000}, // pictures with and without a code
	{"vision/frame", "FuzzFind", 1_000},
}

// goTool is the go command as a person has it: what this build was given for
// linking fits only the packages it was given for.
func goTool(args ...string) *exec.Cmd {
	cmd := exec.Command("go", args...)
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "GOFLAGS=") || strings.HasPrefix(v, "CGO_CPPFLAGS=") || strings.HasPrefix(v, "CGO_CXXFLAGS=")
	})
	return cmd
}

var executions = regexp.MustCompile(`execs: ([0-9]+)`)

// TestTortureFuzz runs the fuzz targets of the parsers.
func TestTortureFuzz(t *testing.T) {
	if full(0, 1) == 0 {
		t.Skip("only the seeds are run, by the targets themselves: set QUADTALLY_TORTURE=1 for more")
	}
	needs(t, "go")
	for _, f := range fuzzed {
		name := strings.TrimPrefix(f.pkg, "cmd/quadtally/internal/") + " " + f.target
		t.Run(name, func(t *testing.T) {
			began := time.Now()
			out, err := goTool("test", "-run", "^$", "-fuzz", "^"+f.target+"$", "-fuzztime", fmt.Sprintf("%dx", f.times), "-parallel", fmt.Sprint(runtime.NumCPU()), "quadtally/"+f.pkg).CombinedOutput()
			took, result := time.Since(began).Seconds(), "no failure"
			if err != nil {
				t.Errorf("%v\n%.3000s", err, out)
				result = "stopped at a failing input"
			}
			done := "0"
			if all := executions.FindAllStringSubmatch(string(out), -1); len(all) > 0 {
				done = all[len(all)-1][1]
			}
			figure(t, "fuzz "+name, done+" runs", "%s, %.0f s", result, took)
		})
	}
}

// TestTortureOtherRounding holds the golden values against a build that joins
// products and sums into one rounding, as other kinds of machine do.
func TestTortureOtherRounding(t *testing.T) {
	if full(0, 1) == 0 {
		t.Skip("builds everything anew: set QUADTALLY_TORTURE=1")
	}
	needs(t, "go")
	cpu, err := os.ReadFile("/proc/cpuinfo")
	if runtime.GOARCH != "amd64" || err != nil || !strings.Contains(string(cpu), " fma ") || !strings.Contains(string(cpu), " avx2 ") {
		t.Skip("this processor cannot join the two, or does not say")
	}
	cmd := goTool("test", "-count=1", "-v", "-run", "TortureGolden", "quadtally/cmd/quadtally")
	cmd.Env = append(cmd.Env, "GOAMD64=v3", "QUADTALLY_TORTURE=")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%.3000s", err, out)
	}
	for _, line := range strings.Split(string(out), "\n") {
		if _, rest, ok := strings.Cut(line, "golden values of another machine: "); ok && strings.Contains(line, "_test.go:") {
			name, result, _ := strings.Cut(rest, ": ")
			what, many, _ := strings.Cut(name, ", ")
			figure(t, "golden values, joined rounding: "+what, many, "%s", result)
		}
	}
}
