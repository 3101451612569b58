package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// module is the import path that all packages of ours begin with.
const module = "gapward/"

// rooms names, for each package, which others of ours its code may import. The
// way through the house goes from the wire to people; no room knows of one
// after it. Tests may look further.
func rooms() map[string][]string {
	return map[string][]string{
		"sensors":                   {},
		"sensors/modbus":            {"sensors"},
		"sensors/dial":              {},
		"sensors/mqtt":              {"sensors", "sensors/dial"},
		"sensors/sensortest":        {"sensors"},
		"analysis":                  {"sensors"},
		"alerts":                    {"sensors", "analysis"},
		"alerts/notify":             {"sensors/dial", "analysis", "alerts"},
		"gateway/store":             {"sensors", "analysis", "alerts"},
		"gateway/export":            {"sensors", "sensors/dial", "analysis", "alerts", "gateway/store"},
		"gateway/export/exporttest": {},
		"gateway/figures":           {"sensors", "analysis", "alerts", "gateway/store"},
		"gateway/report":            {"sensors", "analysis", "alerts", "gateway/store", "gateway/figures"},
		"gateway/accounts":          {},
		"gateway/page/pagetest":     {},
		"gateway/page":              {"gateway/accounts", "sensors", "analysis", "alerts", "gateway/store", "gateway/figures", "gateway/report"},
		// The site file is composed of each room's own settings.
		"configs": {"sensors", "sensors/modbus", "sensors/mqtt", "analysis", "alerts", "alerts/notify", "gateway/export", "gateway/page"},
		"gateway": {"gateway/accounts", "sensors", "sensors/modbus", "sensors/mqtt", "analysis", "alerts", "alerts/notify",
			"gateway/store", "gateway/export", "gateway/figures", "gateway/report", "gateway/page", "configs"},
		"gateway/commission": {"sensors", "sensors/modbus", "sensors/mqtt", "analysis", "alerts", "configs", "gateway"},
		// A simulated hoist shares nothing with what estimates it.
		"simulator":       {"sensors"},
		"simulator/field": {"sensors", "simulator"},
		"cmd/gapward": {"gateway/accounts", "sensors", "sensors/modbus", "sensors/mqtt", "analysis", "alerts", "alerts/notify",
			"gateway/store", "gateway/export", "gateway/figures", "gateway/report", "gateway/page", "configs", "gateway", "gateway/commission", "simulator", "simulator/field"},
	}
}

// room is a package as the go command knows it.
type room struct {
	ImportPath string
	Name       string
	Dir        string
	GoFiles    []string
	Imports    []string
}

// path is the package's import path within the module.
func (r room) path() string { return strings.TrimPrefix(r.ImportPath, module) }

func listRooms(t *testing.T) []room {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Name,Dir,GoFiles,Imports", "./...")
	cmd.Dir, cmd.Stderr = "../..", t.Output()
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var list []room
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var r room
		if err := d.Decode(&r); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		list = append(list, r)
	}
	return list
}

// files parses what a package is built from, without its tests.
func (r room) files(t *testing.T, fset *token.FileSet) []*ast.File {
	t.Helper()
	var list []*ast.File
	for _, name := range r.GoFiles {
		f, err := parser.ParseFile(fset, filepath.Join(r.Dir, name), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, f)
	}
	return list
}

func TestNoRoomImportsALaterOne(t *testing.T) {
	allowed, seen := rooms(), map[string]bool{}
	for _, r := range listRooms(t) {
		may, known := allowed[r.path()]
		if !known {
			t.Errorf("package %s has no place among the rooms; give it one here, before those that import it", r.path())
			continue
		}
		seen[r.path()] = true
		for _, imported := range r.Imports {
			if ours, ok := strings.CutPrefix(imported, module); ok && !slices.Contains(may, ours) {
				t.Errorf("%s imports %s; it may import only %v", r.path(), ours, may)
			}
		}
	}
	for path := range allowed {
		if !seen[path] {
			t.Errorf("there is no package %s any more; take it off the list of rooms", path)
		}
	}
	if order := inOrder(allowed); order != "" {
		t.Error(order)
	}
}

// inOrder reports a circle among the rooms themselves, so that nobody allows
// one by accident.
func inOrder(may map[string][]string) string {
	left := map[string]bool{}
	for r := range may {
		left[r] = true
	}
	for len(left) > 0 {
		before := len(left)
		for r := range left {
			if !slices.ContainsFunc(may[r], func(m string) bool { return left[m] }) {
				delete(left, r)
			}
		}
		if len(left) == before {
			return fmt.Sprintf("these rooms may import each other in a circle: %v", left)
		}
	}
	return ""
}

// The core computes: it has no clock, does no I/O, starts nothing, logs
// nothing and reads no YAML.
func TestTheCoreOnlyComputes(t *testing.T) {
	foreign := []string{"os", "io", "io/fs", "bufio", "net", "net/http", "log", "log/slog", "context", "sync", "sync/atomic",
		"runtime", "syscall", "unsafe", "math/rand", "math/rand/v2", "embed", "database/sql"}
	clock := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	for _, r := range listRooms(t) {
		if r.path() != "analysis" && r.path() != "alerts" {
			continue
		}
		for _, imported := range r.Imports {
			if slices.Contains(foreign, imported) {
				t.Errorf("%s imports %s", r.path(), imported)
			}
			if first, _, _ := strings.Cut(imported, "/"); strings.Contains(first, ".") && !strings.HasPrefix(imported, "gonum.org/v1/gonum/") {
				t.Errorf("%s imports %s; only gonum's mathematics may come from outside", r.path(), imported)
			}
		}
		fset := token.NewFileSet()
		for _, f := range r.files(t, fset) {
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					t.Errorf("%s: a goroutine in %s", fset.Position(n.Pos()), r.path())
				case *ast.ChanType:
					t.Errorf("%s: a channel in %s", fset.Position(n.Pos()), r.path())
				case *ast.SelectorExpr:
					if of, ok := n.X.(*ast.Ident); ok && of.Name == "time" && slices.Contains(clock, n.Sel.Name) {
						t.Errorf("%s: time.%s in %s, which must take time from samples", fset.Position(n.Pos()), n.Sel.Name, r.path())
					}
				}
				return true
			})
		}
	}
}

// No package has an init function, and what the core declares for a whole
// package never changes: all state is in what it is handed.
func TestNothingHidesInPackages(t *testing.T) {
	for _, r := range listRooms(t) {
		fset := token.NewFileSet()
		files := r.files(t, fset)
		for _, f := range files {
			for _, d := range f.Decls {
				if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
					t.Errorf("%s: an init function", fset.Position(fn.Pos()))
				}
			}
		}
		if r.path() != "analysis" && r.path() != "alerts" {
			continue
		}
		for _, where := range changed(r.path(), fset, files) {
			t.Errorf("%s: a variable of the whole package %s is changed", where, r.path())
		}
	}
}

// changed lists where a package assigns to, or takes the address of, one of
// its own package variables.
func changed(path string, fset *token.FileSet, files []*ast.File) (where []token.Position) {
	info := &types.Info{Uses: map[*ast.Ident]types.Object{}}
	// What is imported needn't be known to tell package variables from local
	// ones; the errors that follow from that are of no interest.
	conf := types.Config{Importer: emptyImporter{}, Error: func(error) {}}
	pkg, _ := conf.Check(path, fset, files, info)
	touch := func(e ast.Expr) {
		for {
			switch x := e.(type) {
			case *ast.IndexExpr:
				e = x.X
			case *ast.SelectorExpr:
				e = x.X
			case *ast.ParenExpr:
				e = x.X
			case *ast.StarExpr:
				e = x.X
			case *ast.SliceExpr:
				e = x.X
			case *ast.Ident:
				if v, ok := info.Uses[x].(*types.Var); ok && v.Parent() == pkg.Scope() {
					where = append(where, fset.Position(x.Pos()))
				}
				return
			default:
				return
			}
		}
	}
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.AssignStmt:
				for _, e := range n.Lhs {
					touch(e)
				}
			case *ast.IncDecStmt:
				touch(n.X)
			case *ast.RangeStmt:
				if n.Tok == token.ASSIGN {
					touch(n.Key)
					touch(n.Value)
				}
			case *ast.UnaryExpr:
				if n.Op == token.AND {
					touch(n.X)
				}
			}
			return true
		})
	}
	return where
}

type emptyImporter struct{}

func (emptyImporter) Import(path string) (*types.Package, error) {
	p := types.NewPackage(path, path[strings.LastIndex(path, "/")+1:])
	p.MarkComplete()
	return p, nil
}

// The check on package variables finds what it is there for.
func TestChangedFindsChanges(t *testing.T) {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, "x.go", `package x
import "strings"
var a, b, c, d = 1, []int{1}, struct{ n int }{}, 2
var names = [...]string{"x"}
func f() {
	a = 2
	b[0]++
	c.n = 3
	p := &d
	_ = p
}
func g(a int) string {
	a = 3
	names := []string{strings.ToUpper(names[a])}
	names[0] = "y"
	return names[0]
}`, 0)
	if err != nil {
		t.Fatal(err)
	}
	var lines []int
	for _, w := range changed("x", fset, []*ast.File{f}) {
		lines = append(lines, w.Line)
	}
	if want := []int{6, 7, 8, 9}; !slices.Equal(lines, want) {
		t.Errorf("found changes in lines %v, want %v", lines, want)
	}
}

// A package is named for what is in it.
func TestPackagesAreNamedForTheirContents(t *testing.T) {
	vague := regexp.MustCompile(`(?i)^(utils?|helpers?|common|managers?|misc|shared|base|types|lib)$`)
	for _, r := range listRooms(t) {
		if vague.MatchString(r.Name) || vague.MatchString(filepath.Base(r.Dir)) {
			t.Errorf("package %s (%s) says nothing of its contents", r.Name, r.path())
		}
	}
}

// The files for installing hold no Go, and only tests use the suite that holds
// sources to their promises.
func TestRoomsKeepToTheirMatter(t *testing.T) {
	for _, r := range listRooms(t) {
		if r.path() == "deploy" || strings.HasPrefix(r.path(), "deploy/") {
			t.Errorf("there is Go in %s", r.path())
		}
		if slices.Contains(r.Imports, module+"sensors/sensortest") {
			t.Errorf("%s uses the test suite of sensors outside its tests", r.path())
		}
	}
}

// gapward never writes to a device. The Modbus library is known in one place
// only, and nothing of it that writes is named anywhere, the simulated devices
// apart, which have to refuse it.
func TestNothingWritesToDevices(t *testing.T) {
	writes := regexp.MustCompile(`(?i)write_?(single|multiple)_?(coils?|registers?)|mask_?write|read_?write_?multiple|func_?code_?(write|mask)|write_?file_?record`)
	// What the library has that makes frames of what it is given, and nothing else.
	framing := []string{"ProtocolDataUnit", "TCPClientHandler", "NewTCPClientHandler", "RTUClientHandler", "NewRTUClientHandler"}
	for _, r := range listRooms(t) {
		for _, imported := range r.Imports {
			if strings.Contains(strings.ToLower(imported), "modbus") && imported != module+"sensors/modbus" && r.path() != "sensors/modbus" {
				t.Errorf("%s imports %s: requests are made in sensors/modbus alone, whose type of a table knows only functions that read", r.path(), imported)
			}
		}
		if r.path() == "simulator/field" {
			continue
		}
		fset := token.NewFileSet()
		for _, f := range r.files(t, fset) {
			ast.Inspect(f, func(n ast.Node) bool {
				if of, ok := n.(*ast.SelectorExpr); ok && r.path() == "sensors/modbus" {
					if from, ok := of.X.(*ast.Ident); ok && from.Name == "goburrow" && !slices.Contains(framing, of.Sel.Name) {
						t.Errorf("%s: goburrow.%s is more than framing", fset.Position(of.Pos()), of.Sel.Name)
					}
				}
				if id, ok := n.(*ast.Ident); ok {
					if writes.MatchString(id.Name) {
						t.Errorf("%s: %s writes to a device", fset.Position(id.Pos()), id.Name)
					}
				}
				return true
			})
		}
	}
}
