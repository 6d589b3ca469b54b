package main

import (
	"bufio"
	"bytes"
	"context"
	"strings"
	"testing"
	"time"
)

// casePath is a table of testdata/cases.
func casePath(name string) string { return "../../testdata/cases/" + name }

// Dunnett's test with irregular gaps is bounded work. The limit is far above
// what it takes, which on a busy machine is a second.
func TestDunnettWithGapsAnswers(t *testing.T) {
	for _, name := range []string{"dunnett-024.csv", "dunnett-078.csv"} {
		start := time.Now()
		must(t, "compare", "y", "--from", casePath(name), "--control", "CTRL").expect(t, exitDone, "the control CTRL (Dunnett)")
		if d := time.Since(start); d > time.Minute {
			t.Errorf("%s took %s", name, d)
		}
	}
}

// What was begun ends with the context, as at Ctrl-C.
func TestCompareEndsWhenInterrupted(t *testing.T) {
	for _, args := range [][]string{{"y", "--from", casePath("dunnett-078.csv"), "--control", "CTRL"}, {"cover", "--from", casePath("percent-patchy.csv")}} {
		ctx, stop := context.WithCancel(t.Context())
		stop()
		var out, talk bytes.Buffer
		a := &app{in: strings.NewReader(""), out: bufio.NewWriter(&out), err: &talk, ctx: ctx, clock: time.Now}
		root := newRoot(a)
		root.SetArgs(append([]string{"compare"}, args...))
		if code := a.report(root.ExecuteContext(ctx)); code != exitInterrupted {
			t.Errorf("%v: exit %d, %s", args, code, talk.String())
		}
	}
}

// Percentages of patchy weeds hold values below 1 and need no word on it.
func TestPatchyPercentsAnswer(t *testing.T) {
	for _, name := range []string{"percent-171.csv", "percent-patchy.csv"} {
		for _, more := range [][]string{nil, {"--kind", "percent"}} {
			must(t, append([]string{"compare", "cover", "--from", casePath(name)}, more...)...).expect(t, exitDone, "differences among treatments are shown")
		}
	}
}

// A few pairs never stop the counting, and both questions are answered before
// anything else.
func TestFewPairsAreNotEnough(t *testing.T) {
	for name, missing := range map[string]string{"agree-3-pairs.csv": "3 plots have pairs, and 8 are needed", "agree-5-plots-biased.csv": "5 plots have pairs, and 8 are needed"} {
		r := must(t, "agree", "--from", casePath(name), "--margin", "5")
		first, _, _ := strings.Cut(r.out, "How far is the camera")
		text := strings.Join(strings.Fields(first), " ")
		for _, want := range []string{"May you stop counting by hand? NOT YET", "On average over the trial: NOT YET: ", "For comparing treatments: NOT YET: ", missing, "1 visit has pairs, and 3 are needed"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: nothing says %q in\n%s", name, want, first)
			}
		}
		if strings.Contains(text, "YES") {
			t.Errorf("%s: YES in\n%s", name, first)
		}
	}
	say(t, "agree", "--from", casePath("agree-3-pairs.csv"), "--margin", "5", "--over", "much").expect(t, exitUsage, "LOW,HIGH")
	must(t, "agree", "--from", casePath("agree-3-pairs.csv"), "--margin", "5", "--over", "0,40").expect(t, exitDone, "thirds of the stated range")
}
