package chem_test

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// imports asks the go command which packages match, and what each imports; with
// deps also everything that those depend on, tests left out.
func imports(t *testing.T, deps bool, format, pattern string) map[string][]string {
	t.Helper()
	args := []string{"list", "-e", "-f", "{{.ImportPath}}" + format}
	if deps {
		args = append(args, "-deps")
	}
	cmd := exec.Command("go", append(args, pattern)...)
	cmd.Dir = ".." // the module's folder
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	require.NoError(t, err, complaint.String())
	list := map[string][]string{}
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(strings.NewReplacer("[", " ", "]", " ").Replace(line))
		list[words[0]] = words[1:]
	}
	return list
}

// within tells whether a package is one of the named ones or lies under one.
func within(pkg string, names ...string) bool {
	return slices.ContainsFunc(names, func(n string) bool { return pkg == n || strings.HasPrefix(pkg, n+"/") })
}

// forbidden are packages that bring a clock's friends, a network, a database,
// other programs or a screen: chem must not reach them by any way. google/uuid
// alone may: it asks for the network card's address and reads the machine's
// random numbers, in functions that chem does not call.
var forbidden = []string{
	"net", "os/exec", "os/signal", "os/user", "database/sql", "log", "log/slog", "flag", "html/template", "plugin", "runtime/cgo", "testing",
	"crypto/rand", "math/rand",
	"github.com/jackc", "github.com/urfave", "github.com/go-echarts", "github.com/stretchr", "pgregory.net",
	"steadybath/db", "steadybath/reports", "steadybath/cmd", "steadybath/migrations",
}

// offences lists the ways from a package of chem to a forbidden one.
func offences(graph map[string][]string) []string {
	var out []string
	var walk func(pkg string, way []string, seen map[string]bool)
	walk = func(pkg string, way []string, seen map[string]bool) {
		if seen[pkg] || pkg == "github.com/google/uuid" {
			return
		}
		seen[pkg] = true
		way = append(way, pkg)
		for _, next := range graph[pkg] {
			if within(next, forbidden...) && next != "math/rand/v2" {
				out = append(out, strings.Join(append(slices.Clone(way), next), " -> "))
				continue
			}
			// The standard library's own depths are not ours to judge.
			if strings.Contains(next, ".") || within(next, "steadybath") {
				walk(next, way, seen)
			}
		}
	}
	for pkg := range graph {
		if within(pkg, "steadybath/chem") {
			walk(pkg, nil, map[string]bool{})
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func TestChemDependsOnNothingThatActs(t *testing.T) {
	graph := imports(t, true, "{{.Imports}}", "./chem/...")
	require.Greater(t, len(graph), 50)
	for _, pkg := range []string{"", "/dose", "/entry", "/estimate", "/filter", "/hazard", "/journal", "/linprog", "/recipe", "/simulate"} {
		require.Contains(t, graph, "steadybath/chem"+pkg)
	}
	assert.Empty(t, offences(graph))
	for pkg, list := range graph {
		if within(pkg, "steadybath/chem") {
			assert.NotContains(t, list, "os", pkg)
			assert.NotContains(t, list, "context", pkg)
			assert.NotContains(t, list, "unsafe", pkg)
		}
	}
	graph["steadybath/chem/filter"] = append(graph["steadybath/chem/filter"], "example.org/helper")
	graph["example.org/helper"] = []string{"os/exec"}
	assert.Contains(t, offences(graph), "steadybath/chem/filter -> example.org/helper -> os/exec", "an offence is seen")
}

// Which packages of the project each may import. Tests may import more.
func TestLayers(t *testing.T) {
	all := imports(t, false, "{{.Imports}}", "./...")
	tests := imports(t, false, "{{.TestImports}}{{.XTestImports}}", "./...")
	require.Contains(t, all, "steadybath/db")
	require.Contains(t, all, "steadybath/reports")
	const chem = "steadybath/chem"
	only := map[string][]string{
		chem:               {},
		chem + "/filter":   {},
		chem + "/linprog":  {},
		chem + "/hazard":   {chem},
		chem + "/recipe":   {chem},
		chem + "/journal":  {chem},
		chem + "/simulate": {chem},
		chem + "/estimate": {chem, chem + "/filter", chem + "/recipe"},
		chem + "/anode":    {chem, chem + "/estimate"},
		chem + "/plating":  {chem, chem + "/anode", chem + "/estimate"},
		chem + "/forecast": {chem, chem + "/anode", chem + "/dose", chem + "/estimate"},
		chem + "/trouble":  {chem, chem + "/estimate"},
		chem + "/advice":   {chem, chem + "/estimate"},
		chem + "/entry":    {chem, chem + "/estimate", chem + "/recipe"},
		chem + "/dose":     {chem, chem + "/estimate", chem + "/hazard", chem + "/linprog", chem + "/recipe"},
	}
	for pkg, list := range all {
		ours := slices.DeleteFunc(slices.Clone(list), func(p string) bool { return !within(p, "steadybath") })
		if may, listed := only[pkg]; listed {
			assert.Subset(t, append(may, "none"), ours, "%s imports what it must not", pkg)
		}
		for _, next := range ours {
			assert.False(t, within(next, "steadybath/cmd") && !within(pkg, "steadybath/cmd"), "%s imports %s; nothing imports cmd", pkg, next)
			assert.False(t, within(pkg, "steadybath/db") && within(next, "steadybath/reports"), "%s imports %s", pkg, next)
			assert.False(t, within(pkg, "steadybath/reports") && within(next, "steadybath/db", "steadybath/migrations"), "%s imports %s", pkg, next)
			assert.False(t, within(next, chem+"/simulate") && !within(pkg, "steadybath/cmd"), "%s imports %s outside a test", pkg, next)
		}
		for _, next := range tests[pkg] {
			assert.False(t, within(next, "steadybath/cmd") && !within(pkg, "steadybath/cmd"), "a test of %s imports %s", pkg, next)
		}
	}
}

// impure lists what a file does that depends on the moment, the machine or
// chance without a seed.
func impure(set *token.FileSet, file *ast.File) []string {
	names := map[string]string{} // of imports in this file
	for _, i := range file.Imports {
		p, _ := strconv.Unquote(i.Path.Value)
		name := path.Base(p)
		if name == "v2" {
			name = path.Base(path.Dir(p))
		}
		if i.Name != nil {
			name = i.Name.Name
		}
		names[name] = p
	}
	acts := func(pkg, name string) bool {
		switch pkg {
		case "time":
			return slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation"}, name)
		case "os", "net", "os/exec", "log", "io/ioutil", "context":
			return true
		case "fmt":
			return strings.HasPrefix(name, "Print") || strings.HasPrefix(name, "Scan")
		case "math/rand", "math/rand/v2":
			// What takes a seed or is a type may be used; all else draws from the
			// process.
			return !slices.Contains([]string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "PCG", "ChaCha8", "Zipf"}, name)
		case "github.com/google/uuid":
			return strings.HasPrefix(name, "New") && !slices.Contains([]string{"NewSHA1", "NewMD5", "NewHash"}, name)
		}
		return false
	}
	var out []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && acts(names[x.Name], n.Sel.Name) {
				out = append(out, fmt.Sprintf("%s: %s.%s", set.Position(n.Pos()), x.Name, n.Sel.Name))
			}
		case *ast.CallExpr:
			if x, ok := n.Fun.(*ast.Ident); ok && (x.Name == "println" || x.Name == "print") {
				out = append(out, fmt.Sprintf("%s: %s", set.Position(n.Pos()), x.Name))
			}
		case *ast.GoStmt:
			out = append(out, fmt.Sprintf("%s: go", set.Position(n.Pos())))
		case *ast.ImportSpec:
			if n.Name != nil && n.Name.Name == "." {
				out = append(out, fmt.Sprintf("%s: a dot import hides what is called", set.Position(n.Pos())))
			}
		}
		return true
	})
	return out
}

func TestChemReadsNoClockAndDrawsNoLots(t *testing.T) {
	files := 0
	require.NoError(t, filepath.WalkDir(".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return err
		}
		files++
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		found := impure(set, file)
		if name == filepath.Join("estimate", "smooth.go") {
			// Two makers share out pieces that do not depend on each other, and each goes to its own place: the answer is the same
			// in whatever order they are made, and a page of ten years is half a second sooner.
			found = slices.DeleteFunc(found, func(what string) bool { return strings.HasSuffix(what, ": go") })
		}
		assert.Empty(t, found, name)
		return nil
	}))
	assert.Greater(t, files, 40)
}

func TestImpureCodeIsSeen(t *testing.T) {
	for _, c := range []struct{ imported, code, want string }{
		{`"time"`, `time.Now()`, "time.Now"},
		{`clock "time"`, `f := clock.Since; _ = f`, "clock.Since"},
		{`"os"`, `os.Getenv("HOME")`, "os.Getenv"},
		{`"math/rand/v2"`, `rand.IntN(3)`, "rand.IntN"},
		{`"math/rand"`, `rand.Float64()`, "rand.Float64"},
		{`"fmt"`, `fmt.Println()`, "fmt.Println"},
		{`"github.com/google/uuid"`, `uuid.NewV7()`, "uuid.NewV7"},
		{`. "time"`, `Now()`, "dot import"},
		{`"sort"`, `println()`, "println"},
		{`"sort"`, `go sort.Ints(nil)`, "go"},
	} {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, "x.go", "package x\nimport "+c.imported+"\nfunc f() { "+c.code+" }", 0)
		require.NoError(t, err)
		found := impure(set, file)
		require.NotEmpty(t, found, c.code)
		assert.Contains(t, found[0], c.want)
	}
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, "x.go", `package x
import ("math/rand/v2"; "time"; "fmt")
func f(t time.Time) string { return fmt.Sprint(rand.New(rand.NewPCG(1, 2)).IntN(3), t.Sub(time.Time{})) }`, 0)
	require.NoError(t, err)
	assert.Empty(t, impure(set, file))
}
