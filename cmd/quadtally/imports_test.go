package main

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// goPackage is what `go list -json` says of a package.
type goPackage struct {
	ImportPath string
	Imports    []string
	Deps       []string
}

func packages(t *testing.T) []goPackage {
	t.Helper()
	out, err := exec.Command("go", "list", "-deps", "-json=ImportPath,Imports,Deps", "quadtally/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for dec := json.NewDecoder(strings.NewReader(string(out))); dec.More(); {
		var p goPackage
		if err := dec.Decode(&p); err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(p.ImportPath, "quadtally/") {
			all = append(all, p)
		}
	}
	if len(all) < 10 {
		t.Fatalf("only %d packages of ours were listed", len(all))
	}
	return all
}

func under(path, dir string) bool { return path == dir || strings.HasPrefix(path, dir+"/") }

// notImported names, for each room inside cmd, the rooms it must not import.
// Numbers go one way: record, analysis, then report and export.
var notImported = map[string][]string{
	"reportdata": {"export", "review", "reviewdata", "sheets"},
	"sheetstore": {"analysis", "season", "report", "export", "review", "reviewdata"},
	"sheets":     {"analysis", "season", "report", "export", "review", "reviewdata"},
	"outfile":    {"trial", "analysis", "season", "sheets", "report", "export", "review", "reviewdata"},
	"terminal":   {"trial", "record", "analysis", "season", "sheets", "report", "export", "review", "reviewdata"},
	"status":     {"report", "export", "review", "reviewdata", "sheets"},
	"measured":   {"record", "analysis", "report", "export", "review", "reviewdata"},
	"demoseason": {"season", "report", "export", "review", "reviewdata", "sheets"},
	"season":     {"analysis", "report", "export", "review", "reviewdata", "sheets"},
	"reviewdata": {"report", "export", "sheets"},
	"review":     {"record", "season", "reviewdata", "analysis", "report", "export", "intake"},
	"intake":     {"record", "season", "reviewdata", "analysis", "report", "export", "review"},
	"analysis":   {"report", "export", "review", "reviewdata", "season", "intake"},
	"report":     {"record", "intake", "review", "reviewdata", "season", "export"},
	"export":     {"report", "review", "intake"},
	"trial":      {"analysis", "record", "report"},
	"record":     {"analysis", "report", "season", "reviewdata", "review"},
}

// leansOn names rooms whose numbers must come from another one.
var leansOn = map[string]string{"report": "analysis", "export": "analysis"}

// TestWalls keeps the rooms of the house apart.
func TestWalls(t *testing.T) {
	const cmd = "quadtally/cmd/quadtally"
	libraries := []string{"quadtally/vision", "quadtally/calibrate", "quadtally/stats"}
	impure := []string{"os", "io/fs", "os/exec", "net", "net/http", "database/sql", "log", "log/slog", "github.com/spf13/cobra", "path/filepath"}
	// Each of these may be imported only from under the given folders.
	reserved := map[string][]string{
		"gocv.io/x/gocv":                {"quadtally/vision/internal/mats"},
		"database/sql":                  {cmd + "/internal/record"},
		"github.com/mattn/go-sqlite3":   {cmd + "/internal/record"},
		"net/http":                      {cmd + "/internal/review"},
		"github.com/spf13/cobra":        nil, // cmd/quadtally itself alone
		"github.com/spf13/pflag":        nil,
		"github.com/xuri/excelize/v2":   {cmd + "/internal/tables"},
		"github.com/makiuchi-d/gozxing": {"quadtally/vision"},
		"github.com/chromedp/chromedp":  {cmd + "/internal/review"},
	}
	const testOnly = "quadtally/stats/internal/refcases" // loads reference files for tests
	for _, p := range packages(t) {
		if slices.Contains(p.Imports, testOnly) {
			t.Errorf("%s imports %s outside a test", p.ImportPath, testOnly)
		}
		if p.ImportPath == testOnly {
			continue
		}
		for _, lib := range libraries {
			if !under(p.ImportPath, lib) {
				continue
			}
			for _, imp := range p.Imports {
				if slices.Contains(impure, imp) {
					t.Errorf("%s imports %s: a computing library takes values and gives values", p.ImportPath, imp)
				}
				if strings.HasPrefix(imp, "quadtally/") && !under(imp, lib) {
					t.Errorf("%s imports %s: the libraries do not know each other", p.ImportPath, imp)
				}
			}
			for _, dep := range p.Deps {
				if under(dep, cmd) {
					t.Errorf("%s depends on %s", p.ImportPath, dep)
				}
			}
		}
		for what, where := range reserved {
			for _, imp := range p.Imports {
				if imp == what || strings.HasPrefix(imp, what+"/") {
					allowed := p.ImportPath == cmd && where == nil
					for _, w := range where {
						allowed = allowed || under(p.ImportPath, w)
					}
					if !allowed {
						t.Errorf("%s imports %s, which is kept to %v", p.ImportPath, what, where)
					}
				}
			}
		}
		if under(p.ImportPath, cmd+"/internal/demo") {
			for _, dep := range p.Deps {
				if strings.HasPrefix(dep, "quadtally/") && !under(dep, cmd+"/internal/demo") || strings.HasPrefix(dep, "gocv.io") {
					t.Errorf("%s depends on %s: the invented truth must not share our bugs", p.ImportPath, dep)
				}
			}
		}
		for _, imp := range p.Imports {
			for room, closed := range notImported {
				if under(p.ImportPath, cmd+"/internal/"+room) && slices.ContainsFunc(closed, func(c string) bool { return under(imp, cmd+"/internal/"+c) }) {
					t.Errorf("%s imports %s: see the rooms in DEVELOPERS.md for which way the numbers go", p.ImportPath, imp)
				}
			}
		}
		for _, room := range []string{"analysis", "export", "report"} {
			if p.ImportPath == cmd+"/internal/"+room && slices.ContainsFunc(p.Imports, func(imp string) bool { return under(imp, "quadtally/vision") }) {
				t.Errorf("%s imports vision: it takes the numbers of photos from the record", p.ImportPath)
			}
		}
		if under(p.ImportPath, cmd+"/internal/review") && slices.ContainsFunc(p.Deps, func(d string) bool { return under(d, "quadtally/vision") }) {
			t.Errorf("%s depends on vision: the page shows what lies behind its backend", p.ImportPath)
		}
		for room, needed := range leansOn {
			if p.ImportPath == cmd+"/internal/"+room && !slices.Contains(p.Imports, cmd+"/internal/"+needed) {
				t.Errorf("%s does not import %s: it would have a second way to the same numbers", p.ImportPath, needed)
			}
		}
	}
}

// TestOneWriterOfPhotos: measurements, results and photos are stored by the
// season room alone, so that a number of a photo has one way to come about.
func TestOneWriterOfPhotos(t *testing.T) {
	writing := []string{"AddPhoto", "AddMeasurement", "AddResult"}
	found := map[string]bool{}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok {
				if sel, ok := call.Fun.(*ast.SelectorExpr); ok && slices.Contains(writing, sel.Sel.Name) {
					found[sel.Sel.Name] = true
					if room := filepath.ToSlash(filepath.Dir(path)); room != "internal/season" {
						t.Errorf("%s calls %s: photos are stored by internal/season", path, sel.Sel.Name)
					}
				}
			}
			return true
		})
		return nil
	})
	if err != nil || len(found) != len(writing) {
		t.Errorf("found %v of %v: %v", found, writing, err)
	}
}

// typedByPeople are the rooms that read words a person wrote: keys and values
// of a plan, a contrast, names of columns, folders of a memory card. They
// compare these with blanks in them.
var typedByPeople = []string{"internal/trial", "internal/sheets", "internal/tables", "internal/intake"}

// TestNoSentenceIsCompared: what a program asks for is a typed value. A literal
// with a blank between two words is text for a person, and is nowhere compared,
// searched for or told apart in a switch.
func TestNoSentenceIsCompared(t *testing.T) {
	sentence := func(e ast.Expr) (string, bool) {
		l, ok := e.(*ast.BasicLit)
		if !ok || l.Kind != token.STRING {
			return "", false
		}
		s, err := strconv.Unquote(l.Value)
		return s, err == nil && len(strings.Fields(s)) > 1
	}
	searching := []string{"Contains", "HasPrefix", "HasSuffix", "EqualFold", "Index", "Cut", "CutPrefix", "CutSuffix", "TrimPrefix", "TrimSuffix", "Split"}
	files := 0
	for _, root := range []string{".", "../../stats", "../../calibrate", "../../vision"} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			drawnForTests := under(filepath.ToSlash(path), "../../vision/internal/drawn") // scenes by their names
			if drawnForTests || slices.ContainsFunc(typedByPeople, func(room string) bool { return under(filepath.ToSlash(path), room) }) {
				return nil
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, path, nil, 0)
			if err != nil {
				return err
			}
			files++
			ast.Inspect(file, func(n ast.Node) bool {
				var read []ast.Expr
				switch n := n.(type) {
				case *ast.BinaryExpr:
					if n.Op == token.EQL || n.Op == token.NEQ {
						read = []ast.Expr{n.X, n.Y}
					}
				case *ast.CaseClause:
					read = n.List
				case *ast.CallExpr:
					if f, ok := n.Fun.(*ast.SelectorExpr); ok && slices.Contains(searching, f.Sel.Name) {
						read = n.Args
					}
				}
				for _, e := range read {
					if s, ok := sentence(e); ok {
						t.Errorf("%s: %q is compared: give what it stands for a type of its own", set.Position(e.Pos()), s)
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 150 {
		t.Errorf("only %d files were read", files)
	}
}
