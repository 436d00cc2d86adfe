package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// helpers are packages that only tests import.
var helpers = []string{"ingest/sqlite/faulty", "ingest/publish/influxtest", "ingest/mqttsub/mosquittotest", "ingest/gpsd/gpsdtest", "ingest/modbus/modbustest"}

// unshown returns the packages under root that no runnable example shows, one
// whose output is compared. Programs and helpers of tests need none.
func unshown(root string) (out []string, err error) {
	all, shown := map[string]bool{}, map[string]bool{}
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") {
			if d != nil && d.IsDir() && path != root && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".")) {
				return fs.SkipDir
			}
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		room := filepath.ToSlash(rel)
		if !strings.HasSuffix(path, "_test.go") {
			all[room] = all[room] || f.Name.Name != "main" && !slices.Contains(helpers, room)
			return err
		}
		for _, decl := range f.Decls {
			fn, ok := decl.(*ast.FuncDecl)
			if !ok || !strings.HasPrefix(fn.Name.Name, "Example") {
				continue
			}
			for _, c := range f.Comments {
				out, is := strings.CutPrefix(c.Text(), "Output:")
				if is && c.Pos() > fn.Pos() && c.End() < fn.End() && strings.TrimSpace(out) != "" {
					shown[room] = true
				}
			}
		}
		return err
	})
	for room, needs := range all {
		if needs && !shown[room] {
			out = append(out, room)
		}
	}
	slices.Sort(out)
	return out, err
}

// Each package shows by a runnable example what a reader wants to know first.
func TestHouseIsShown(t *testing.T) {
	found, err := unshown(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	for _, room := range found {
		t.Errorf("%s: must have an example whose output is compared", room)
	}
}

// Examples that are not run, or show another package, count for nothing.
func TestHouseIsShownSees(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{
		"a/a.go": "package a\n", "a/a_test.go": "package a\nfunc ExampleA() {\n\t// Output:\n\t// 1\n}\n",
		"b/b.go": "package b\n", "b/b_test.go": "package b\nfunc ExampleB() {}\n",
		"c/c.go": "package c\n", "c/testdata/x_test.go": "package x\nfunc ExampleX() {\n\t// Output:\n\t// 1\n}\n",
		"d/d.go": "package main\n",
		"e/e.go": "package e\n", "e/e_test.go": "package e\nfunc ExampleE() {\n\t// Output:\n}\n",
	} {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if found, err := unshown(root); err != nil || strings.Join(found, " ") != "b c e" {
		t.Errorf("%q, %v, want b, c and e", found, err)
	}
}
