package workers

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"testing"
	"time"
)

type job struct{ Say string }
type reply struct{ Heard string }

// TestMain lets the test binary play the child.
func TestMain(m *testing.M) {
	if os.Getenv("CREW_CHILD") == "1" {
		err := Serve(os.Stdin, os.Stdout, func(j job) reply {
			switch j.Say {
			case "crash":
				os.Exit(66)
			case "hang":
				time.Sleep(time.Hour)
			case "babble":
				os.Stdout.WriteString("not json\n")
			}
			return reply{j.Say}
		})
		if err != nil {
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func options(n int) Options {
	return Options{Workers: n, Limit: 2 * time.Second, Start: func() *exec.Cmd {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "CREW_CHILD=1")
		return cmd
	}}
}

// TestOneBadJobCostsOnlyItself: a crash and a hang are named, everything else
// is answered exactly once.
func TestOneBadJobCostsOnlyItself(t *testing.T) {
	jobs := []job{{"a"}, {"crash"}, {"b"}, {"hang"}, {"c"}, {"crash"}, {"d"}, {"babble"}, {"e"}}
	got := map[int]Answer[reply]{}
	err := Run(context.Background(), jobs, options(2), func(a Answer[reply]) error {
		if _, twice := got[a.Index]; twice {
			t.Errorf("job %d answered twice", a.Index)
		}
		got[a.Index] = a
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, j := range jobs {
		a, ok := got[i]
		if !ok {
			t.Errorf("job %d was lost", i)
			continue
		}
		switch j.Say {
		case "crash", "babble":
			if !errors.Is(a.Err, ErrCrashed) {
				t.Errorf("%s: %v", j.Say, a.Err)
			}
		case "hang":
			if !errors.Is(a.Err, ErrTooLong) {
				t.Errorf("hang: %v", a.Err)
			}
		default:
			if a.Err != nil || a.Result.Heard != j.Say {
				t.Errorf("%s: %+v", j.Say, a)
			}
		}
	}
}

func TestInterruption(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	n := 0
	err := Run(ctx, make([]job, 1000), options(2), func(Answer[reply]) error {
		if n++; n == 5 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) || n >= 1000 {
		t.Errorf("n %d err %v", n, err)
	}
}

func TestStoreFaultStopsTheRun(t *testing.T) {
	full := errors.New("disk full")
	err := Run(context.Background(), make([]job, 100), options(2), func(Answer[reply]) error { return full })
	if !errors.Is(err, full) {
		t.Errorf("got %v", err)
	}
}

func TestNoSuchProgram(t *testing.T) {
	opt := options(1)
	opt.Start = func() *exec.Cmd { return exec.Command("./no-such-program") }
	if err := Run(context.Background(), make([]job, 3), opt, func(Answer[reply]) error { return nil }); err == nil {
		t.Error("no error")
	}
}

func TestNoJobs(t *testing.T) {
	if err := Run(context.Background(), []job{}, options(2), func(Answer[reply]) error { return nil }); err != nil {
		t.Error(err)
	}
}
