package main

import (
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
)

const clusterDir = "../../testdata/cluster"

// clusterTrial is a trial with photos and what one run makes of them. The
// record is as before that run.
func clusterTrial(t *testing.T, n int) (dir, photos, want string) {
	t.Helper()
	dir, photos = smallTrial(t, n)
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	want = contentOf(t, dir)
	copyFile(t, before, filepath.Join(dir, record.FileName))
	return dir, photos, want
}

func needs(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			t.Skipf("%s is not installed", p)
		}
	}
}

func TestParallel(t *testing.T) {
	needs(t, "parallel", "bash")
	dir, photos, want := clusterTrial(t, 20)
	cmd := exec.Command(filepath.Join(clusterDir, "parallel.sh"), dir, photos, "5")
	cmd.Env = append(os.Environ(), programEnv+"=1", "QUADTALLY="+os.Args[0], "QUADTALLY_FLAGS=--no-frame")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if d := differ(want, contentOf(t, dir)); d != "" {
		t.Error(d)
	}
}

// TestSlurmArray starts a controller and a daemon of Slurm on this machine,
// runs the job array and merges its parts.
func TestSlurmArray(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("starts a scheduler: set QUADTALLY_HEAVY=1")
	}
	needs(t, "slurmctld", "slurmd", "munged", "mungekey", "sbatch", "squeue")
	if os.Getuid() != 0 {
		t.Skip("a Slurm daemon of its own needs root")
	}
	dir, photos, want := clusterTrial(t, 30)
	bin := filepath.Join(t.TempDir(), "quadtally")
	if out, err := goTool("build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	conf := startSlurm(t)
	env := append(os.Environ(), "SLURM_CONF="+conf)
	run := func(name string, args ...string) string {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Env, cmd.Dir = env, filepath.Dir(conf)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, out)
		}
		return string(out)
	}
	script, err := filepath.Abs(filepath.Join(clusterDir, "slurm-array.sh"))
	if err != nil {
		t.Fatal(err)
	}
	run("sbatch", "--array=1-4", "--mem=0", "--export=ALL,TRIAL="+dir+",PHOTOS="+photos+",QUADTALLY="+bin+",QUADTALLY_FLAGS=--no-frame", script)
	for deadline := time.Now().Add(3 * time.Minute); strings.TrimSpace(run("squeue", "-h")) != ""; time.Sleep(time.Second) {
		if time.Now().After(deadline) {
			t.Fatalf("the array does not end:\n%s", run("squeue"))
		}
	}
	parts, _ := filepath.Glob(filepath.Join(dir, "parts", "*.jsonl"))
	if len(parts) != 4 {
		said, _ := filepath.Glob(filepath.Join(filepath.Dir(conf), "quadtally-*.out"))
		for _, f := range said {
			t.Logf("%s: %s", filepath.Base(f), mustRead(t, f))
		}
		t.Fatalf("%d parts", len(parts))
	}
	must(t, append([]string{"merge", "--trial", dir}, parts...)...).expect(t, exitDone, "30 photos in 4 parts")
	if d := differ(want, contentOf(t, dir)); d != "" {
		t.Error(d)
	}
}

// startSlurm runs munge, a controller and a daemon for one node, all in the
// foreground of processes of ours, and returns the configuration's path.
func startSlurm(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	host, _, _ = strings.Cut(host, ".")
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mungekey", "--create", "--keyfile="+at("key")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	conf := fmt.Sprintf(`ClusterName=trial
SlurmctldHost=%[1]s(127.0.0.1)
SlurmUser=%[2]s
AuthType=auth/munge
AuthInfo=socket=%[3]s/munge.socket
CryptoType=crypto/munge
SlurmctldPort=26817
SlurmdPort=26818
StateSaveLocation=%[3]s/state
SlurmdSpoolDir=%[3]s/spool
SlurmctldPidFile=%[3]s/ctld.pid
SlurmdPidFile=%[3]s/d.pid
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
ReturnToService=2
NodeName=%[1]s NodeAddr=127.0.0.1 CPUs=2 State=UNKNOWN
PartitionName=all Nodes=%[1]s Default=YES MaxTime=INFINITE State=UP
`, host, me.Username, dir)
	if err := os.WriteFile(at("slurm.conf"), []byte(conf), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{"state", "spool"} {
		if err := os.Mkdir(at(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	start := func(name string, args ...string) {
		log, err := os.Create(at(name + ".log"))
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(name, args...)
		cmd.Env = append(os.Environ(), "SLURM_CONF="+at("slurm.conf"))
		cmd.Stdout, cmd.Stderr = log, log
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if t.Failed() {
				t.Logf("%s: %.1500s", name, mustRead(t, at(name+".log")))
			}
			cmd.Process.Signal(os.Interrupt)
			done := make(chan struct{})
			go func() { cmd.Wait(); close(done) }()
			select {
			case <-done:
			case <-time.After(5 * time.Second):
				cmd.Process.Kill()
				<-done
			}
			log.Close()
		})
	}
	start("munged", "--foreground", "--force", "--key-file="+at("key"), "--socket="+at("munge.socket"), "--pid-file="+at("munge.pid"),
		"--log-file="+at("munge.log"), "--seed-file="+at("munge.seed"), "--num-threads=2")
	time.Sleep(time.Second)
	start("slurmctld", "-D", "-f", at("slurm.conf"))
	start("slurmd", "-D", "-f", at("slurm.conf"), "-N", host)
	return at("slurm.conf")
}

// TestIndexedJob checks the manifest by its structure: mappings with sound
// indentation, the fields an indexed Job needs (Kubernetes batch/v1), and one
// number of parts throughout.
func TestIndexedJob(t *testing.T) {
	text := string(mustRead(t, filepath.Join(clusterDir, "indexed-job.yaml")))
	if strings.Contains(text, "\t") {
		t.Error("YAML knows no tabs")
	}
	block := -1 // indentation of the key that holds the script
	for i, line := range strings.Split(text, "\n") {
		body := strings.TrimLeft(line, " ")
		indent := len(line) - len(body)
		if body == "" || strings.HasPrefix(body, "#") || (block >= 0 && indent > block) {
			continue
		}
		block = -1
		if strings.HasSuffix(body, "|") {
			block = indent
			continue
		}
		if indent%2 != 0 || !regexp.MustCompile(`^(- )?([A-Za-z]+:( .+)?|[^ :]+)$`).MatchString(body) {
			t.Errorf("line %d: %q", i+1, line)
		}
	}
	value := func(key string) int {
		m := regexp.MustCompile(`(?m)^ *` + key + `: "?([0-9]+)"?$`).FindStringSubmatch(text)
		if m == nil {
			t.Errorf("no %s", key)
			return 0
		}
		n, _ := strconv.Atoi(m[1])
		return n
	}
	if n := value("completions"); n != value("value") || n < 2 || n < value("parallelism") {
		t.Error("completions, parallelism and PARTS do not agree")
	}
	for _, want := range []string{"apiVersion: batch/v1\n", "kind: Job\n", "completionMode: Indexed\n", "JOB_COMPLETION_INDEX + 1", `--part "$k/$PARTS"`, "restartPolicy: OnFailure\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
}
