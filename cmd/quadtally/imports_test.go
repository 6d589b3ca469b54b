package main

import (
	"encoding/json"
	"os/exec"
	"slices"
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
		if under(p.ImportPath, cmd+"/internal/report") && slices.Contains(p.Deps, cmd+"/internal/record") {
			t.Errorf("%s depends on the record: a report sees finished results only", p.ImportPath)
		}
	}
}
