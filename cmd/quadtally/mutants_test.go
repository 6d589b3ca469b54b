package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// mutant is a program with one small fault: a piece of a file replaced.
type mutant struct {
	file     string // from the module's root
	line     int
	from, to int // bytes
	was, now string
}

func (m mutant) String() string {
	return fmt.Sprintf("%s:%d: %s -> %s", m.file, m.line, m.was, m.now)
}

// apply is the file with the fault in it.
func (m mutant) apply(source []byte) []byte {
	return slices.Concat(source[:m.from], []byte(m.now), source[m.to:])
}

// turned is what a faulty programmer writes for an operator: the boundary
// moved, the opposite taken.
var turned = map[token.Token][]token.Token{
	token.LSS: {token.LEQ, token.GEQ}, token.LEQ: {token.LSS, token.GTR},
	token.GTR: {token.GEQ, token.LEQ}, token.GEQ: {token.GTR, token.LSS},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL},
	token.LAND: {token.LOR}, token.LOR: {token.LAND},
	token.ADD: {token.SUB}, token.SUB: {token.ADD},
	token.MUL: {token.QUO}, token.QUO: {token.MUL},
}

var turnedNames = map[string]string{"true": "false", "false": "true", "min": "max", "max": "min"}

// mutantsOf lists every mutant of a file: operators turned, conditions negated,
// guards (an if that only leaves) dropped, numbers changed by one or a tenth,
// true and false, min and max exchanged. Messages are left alone.
func mutantsOf(name string, source []byte) ([]mutant, error) {
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, source, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	var out []mutant
	add := func(from, to token.Pos, now string) {
		a, b := set.Position(from), set.Position(to)
		out = append(out, mutant{name, a.Line, a.Offset, b.Offset, string(source[a.Offset:b.Offset]), now})
	}
	text := func(n ast.Node) string {
		return string(source[set.Position(n.Pos()).Offset:set.Position(n.End()).Offset])
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec:
			return false
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.SelectorExpr); ok {
				if p, ok := f.X.(*ast.Ident); ok && (p.Name == "fmt" || p.Name == "errors") {
					return false
				}
			}
			if f, ok := n.Fun.(*ast.Ident); ok && turnedNames[f.Name] != "" {
				add(f.Pos(), f.End(), turnedNames[f.Name])
			}
		case *ast.BinaryExpr:
			if isText(n.X) || isText(n.Y) {
				break
			}
			for _, op := range turned[n.Op] {
				add(n.OpPos, n.OpPos+token.Pos(len(n.Op.String())), op.String())
			}
		case *ast.IfStmt:
			add(n.Cond.Pos(), n.Cond.End(), "!("+text(n.Cond)+")")
			if n.Else == nil && leaves(n.Body) {
				add(n.Cond.Pos(), n.Cond.End(), "false && ("+text(n.Cond)+")")
			}
		case *ast.Ident:
			if n.Name == "true" || n.Name == "false" {
				add(n.Pos(), n.End(), turnedNames[n.Name])
			}
		case *ast.BasicLit:
			switch n.Kind {
			case token.INT:
				if v, err := strconv.ParseInt(n.Value, 0, 64); err == nil {
					add(n.Pos(), n.End(), strconv.FormatInt(v+1, 10))
					if v > 0 {
						add(n.Pos(), n.End(), strconv.FormatInt(v-1, 10))
					}
				}
			case token.FLOAT:
				if v, err := strconv.ParseFloat(n.Value, 64); err == nil && v != 0 {
					add(n.Pos(), n.End(), strconv.FormatFloat(v*1.1, 'e', -1, 64))
				}
			}
		}
		return true
	})
	return out, nil
}

func isText(e ast.Expr) bool {
	l, ok := e.(*ast.BasicLit)
	return ok && (l.Kind == token.STRING || l.Kind == token.CHAR)
}

// leaves reports whether a block does nothing but leave the function or loop.
func leaves(b *ast.BlockStmt) bool {
	if len(b.List) != 1 {
		return false
	}
	switch b.List[0].(type) {
	case *ast.ReturnStmt, *ast.BranchStmt:
		return true
	}
	return false
}

// TestMutantsOf keeps the list honest: each kind is made, each still parses,
// and messages stay.
func TestMutantsOf(t *testing.T) {
	const source = `package p

import "fmt"

func f(n int, ok bool) (int, error) {
	if n < 1 {
		return 0, fmt.Errorf("%d is less than 1", n+0)
	}
	x := 2.5 * float64(n)
	if ok && x != 7 {
		x = min(x, 3)
		ok = true
	}
	return int(x) + n, nil
}
`
	list, err := mutantsOf("p.go", []byte(source))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range list {
		got = append(got, m.String())
		if _, err := parser.ParseFile(token.NewFileSet(), "p.go", m.apply([]byte(source)), 0); err != nil {
			t.Errorf("%v: %v", m, err)
		}
	}
	want := []string{
		"p.go:6: n < 1 -> !(n < 1)", "p.go:6: n < 1 -> false && (n < 1)", "p.go:6: < -> <=", "p.go:6: < -> >=", "p.go:6: 1 -> 2", "p.go:6: 1 -> 0",
		"p.go:7: 0 -> 1",
		"p.go:9: * -> /", "p.go:9: 2.5 -> 2.75e+00",
		"p.go:10: ok && x != 7 -> !(ok && x != 7)", "p.go:10: && -> ||", "p.go:10: != -> ==", "p.go:10: 7 -> 8", "p.go:10: 7 -> 6",
		"p.go:11: min -> max", "p.go:11: 3 -> 4", "p.go:11: 3 -> 2",
		"p.go:12: true -> false",
		"p.go:14: + -> -",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// mutated are the folders whose code is mutated, each with what lies below it.
var mutated = []string{
	"stats", "calibrate", "vision",
	"cmd/quadtally/internal/analysis", "cmd/quadtally/internal/record", "cmd/quadtally/internal/intake", "cmd/quadtally/internal/sheets",
}

// How many mutants the tests have to find, of how many that were tried.
const (
	mutantsTried  = 161 // an equal share from each folder
	leastKilled   = 0.85
	leastInFolder = 0.80          // so that no folder hides behind another
	mutantsBudget = 2 * time.Hour // after it no further mutant is begun
)

// TestMutants tries whether the tests of a package notice small faults in it:
// it plants one after the other, drawn from all there are with a fixed seed,
// and runs the quick tests of that package, then, where they notice nothing, those
// of the packages that import it. Those that no test noticed are printed. QUADTALLY_MUTANTS names folders, by commas, to try alone,
// QUADTALLY_MUTANTS_EACH tries so many of each, and QUADTALLY_MUTANT_SEED draws
// others.
func TestMutants(t *testing.T) {
	if os.Getenv("QUADTALLY_TORTURE") == "" {
		t.Skip("set QUADTALLY_TORTURE=1 to plant faults and see whether the tests find them")
	}
	needs(t, "go")
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	folders := mutated
	if only := os.Getenv("QUADTALLY_MUTANTS"); only != "" {
		folders = strings.Split(only, ",")
	}
	seed, _ := strconv.ParseUint(os.Getenv("QUADTALLY_MUTANT_SEED"), 10, 64)
	rng := rand.New(rand.NewPCG(seed, 14))
	began := time.Now()
	users := importers(t)
	share := mutantsTried / len(mutated)
	if each, err := strconv.Atoi(os.Getenv("QUADTALLY_MUTANTS_EACH")); err == nil {
		share = each
	}
	outcomes := make(chan outcome)
	turns := make(chan struct{}, max(runtime.NumCPU()/2, 1))
	var running sync.WaitGroup
	for _, folder := range folders {
		all := drawMutants(t, root, folder, rng)
		took := map[string]time.Duration{} // the tests of a package without a fault
		var lock sync.Mutex
		running.Go(func() {
			counted := 0
			for _, m := range all {
				if counted == share || time.Since(began) > mutantsBudget {
					break
				}
				turns <- struct{}{}
				o := outcome{mutant: m, state: survived}
				for _, pkg := range append([]string{filepath.Dir(m.file)}, users[filepath.Dir(m.file)]...) {
					lock.Lock()
					if _, ok := took[pkg]; !ok {
						o := tryMutant(root, pkg, nil, 20*time.Minute)
						if o.state != survived {
							t.Errorf("the tests of %s do not pass without a fault:\n%s", pkg, o.said)
						}
						took[pkg] = o.took
					}
					lock.Unlock()
					if o = tryMutant(root, pkg, &m, time.Minute+3*took[pkg]); o.state != survived {
						break
					}
				}
				<-turns
				if o.state != unbuilt { // the compiler is no test
					counted++
					o.folder = folder
					outcomes <- o
				}
			}
		})
	}
	go func() {
		running.Wait()
		close(outcomes)
	}()
	tried, killed := map[string]int{}, map[string]int{}
	var alive []string
	for o := range outcomes {
		tried[o.folder]++
		tried[""]++
		if o.state == survived {
			t.Logf("not found: %v", o.mutant)
			alive = append(alive, o.mutant.String())
			continue
		}
		t.Logf("found:     %v", o.mutant)
		killed[o.folder]++
		killed[""]++
	}
	for _, folder := range append(slices.Clone(folders), "") {
		name := folder
		if name == "" {
			name = "all"
		}
		t.Logf("%-36s %3d faults planted, %3d found by its tests", name, tried[folder], killed[folder])
		if folder != "" && float64(killed[folder]) < leastInFolder*float64(tried[folder]) {
			t.Errorf("the tests of %s found %d of %d faults, less than %g %%", folder, killed[folder], tried[folder], 100*leastInFolder)
		}
	}
	slices.Sort(alive)
	t.Logf("not found in %v:\n%s", time.Since(began).Round(time.Minute), strings.Join(alive, "\n"))
	if wanted := share * len(folders); tried[""] < wanted {
		t.Errorf("only %d of %d faults were tried in %v", tried[""], wanted, mutantsBudget)
	}
	if float64(killed[""]) < leastKilled*float64(tried[""]) {
		t.Errorf("the tests found %d of %d faults, less than %g %%", killed[""], tried[""], 100*leastKilled)
	}
}

// drawMutants lists all mutants of a folder in an order drawn by rng. Files
// with C in them are left out: the toolchain cannot lay another over them.
func drawMutants(t *testing.T, root, folder string, rng *rand.Rand) []mutant {
	t.Helper()
	var all []mutant
	err := filepath.WalkDir(filepath.Join(root, folder), func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if tests, _ := filepath.Glob(filepath.Join(path, "*_test.go")); d.Name() == "testdata" || d.Name() == "refcases" || d.Name() == "phototest" || len(tests) == 0 && strings.Contains(path, "internal/drawn") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		source, err := os.ReadFile(path)
		if err != nil || bytes.Contains(source, []byte("\nimport \"C\"")) {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		list, err := mutantsOf(filepath.ToSlash(name), source)
		all = append(all, list...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 100 {
		t.Fatalf("only %d mutants of %s", len(all), folder)
	}
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all
}

// importers are, by package, the packages that import it, as folders from the
// module's root, the program itself last.
func importers(t *testing.T) map[string][]string {
	t.Helper()
	const module = "quadtally/"
	out := map[string][]string{}
	for _, p := range packages(t) {
		for _, imp := range p.Imports {
			if from, ok := strings.CutPrefix(imp, module); ok {
				out[from] = append(out[from], strings.TrimPrefix(p.ImportPath, module))
			}
		}
	}
	for _, list := range out {
		slices.SortFunc(list, func(a, b string) int {
			return cmp.Or(-cmp.Compare(strings.Count(a, "/"), strings.Count(b, "/")), strings.Compare(a, b))
		})
	}
	return out
}

// answers are the tests of the program itself that a planted fault is looked for
// with: what commands answer, from the sheet to the figure. The others take long
// and are about files, processes and pictures.
const answers = "^Test(Compare|Combine|Loss|Export|Power|Agree|Corrected|TwoSheets|Noughts|Another|Dunnett|FewPairs|Tables|Pick|Total|OneClass|Columns|Class|Groups|Undo|Amend|Cells|Tallies|Observers|FromPlan)"

// outcome is what became of a mutant.
type outcome struct {
	mutant mutant
	folder string
	state  mutantState
	took   time.Duration
	said   string
}

type mutantState int

const (
	survived mutantState = iota // every test passed
	found                       // a test failed, or did not end
	unbuilt                     // the compiler refused it
)

// tryMutant runs the tests of a package with a fault laid over its file, and
// without one where m is nil.
func tryMutant(root, pkg string, m *mutant, limit time.Duration) outcome {
	o := outcome{}
	args := []string{"test", "-count=1", "-failfast", "-timeout", limit.String()}
	if link := os.Getenv("QUADTALLY_EXTLDFLAGS"); link != "" {
		args = append(args, "-ldflags", "-extldflags '"+link+"'")
	}
	if pkg == "cmd/quadtally" {
		args = append(args, "-run", answers)
	}
	if m != nil {
		o.mutant = *m
		dir, err := os.MkdirTemp("", "mutant-*")
		if err != nil {
			return outcome{state: unbuilt, said: err.Error()}
		}
		defer os.RemoveAll(dir)
		over, err := overlay(root, dir, *m)
		if err != nil {
			return outcome{state: unbuilt, said: err.Error()}
		}
		args = append(args, "-overlay", over)
	}
	ctx, stop := context.WithTimeout(context.Background(), limit+10*time.Minute) // compiling is not a test
	defer stop()
	cmd := exec.CommandContext(ctx, "go", append(args, "./"+pkg)...)
	cmd.Dir = root
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "QUADTALLY_TORTURE=") })
	began := time.Now()
	said, err := cmd.CombinedOutput()
	o.took, o.said = time.Since(began), string(said)
	switch {
	case err == nil:
		o.state = survived
	case strings.Contains(o.said, "[build failed]") || strings.Contains(o.said, "[setup failed]") || !errors.As(err, new(*exec.ExitError)):
		o.state = unbuilt
	default:
		o.state = found
	}
	return o
}

// overlay writes the faulty file and the note that tells the toolchain to take
// it instead of the true one (go help build, -overlay).
func overlay(root, dir string, m mutant) (string, error) {
	whole := filepath.Join(root, filepath.FromSlash(m.file))
	source, err := os.ReadFile(whole)
	if err != nil {
		return "", err
	}
	faulty := filepath.Join(dir, "faulty.go")
	note, err := json.Marshal(map[string]map[string]string{"Replace": {whole: faulty}})
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "overlay.json")
	return path, errors.Join(os.WriteFile(faulty, m.apply(source), 0o644), os.WriteFile(path, note, 0o644))
}
