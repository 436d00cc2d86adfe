package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// required reads the modules of a go.mod, indirect ones with true.
func required(mod string) map[string]bool {
	out := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\t(\S+) v\S+( // indirect)?$`).FindAllStringSubmatch(mod, -1) {
		out[m[1]] = m[2] != ""
	}
	return out
}

// tabled reads what the tables of dependencies list: modules in the first column
// between backticks, those of the second table with true.
func tabled(t *testing.T, doc string) map[string]bool {
	_, rest, ok := strings.Cut(doc, "\n### Dependencies, and why\n")
	direct, rest, ok2 := strings.Cut(rest, "\nWhat they bring with them")
	indirect, _, ok3 := strings.Cut(rest, "\n### ")
	if !ok || !ok2 || !ok3 {
		t.Fatal("DEVELOPERS.md has no two tables of dependencies")
	}
	out := map[string]bool{}
	for i, table := range []string{direct, indirect} {
		for _, row := range regexp.MustCompile(`(?m)^\| ([^|]*) \| ([^|]+) \|$`).FindAllStringSubmatch(table, -1) {
			for _, m := range regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(row[1], -1) {
				out[m[1]] = i == 1
			}
		}
	}
	return out
}

// disagreements are modules that only one of the two lists, or as something else.
func disagreements(mod, doc map[string]bool) (out []string) {
	for name, indirect := range mod {
		if as, ok := doc[name]; !ok {
			out = append(out, name+" is in go.mod and in no table")
		} else if as != indirect {
			out = append(out, name+" stands in the other table")
		}
	}
	for name := range doc {
		if _, ok := mod[name]; !ok {
			out = append(out, name+" is in a table and not in go.mod")
		}
	}
	return out
}

// Each module that Yardtally rests on is justified, or said to come with another.
func TestDependenciesAreListed(t *testing.T) {
	read := func(name string) string {
		data, err := os.ReadFile(filepath.Join("..", "..", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	mod, doc := required(read("go.mod")), tabled(t, read("DEVELOPERS.md"))
	if len(mod) < 10 {
		t.Fatalf("go.mod was not read: %v", mod)
	}
	for _, d := range disagreements(mod, doc) {
		t.Error(d)
	}
	// It must see each kind of fault.
	if n := len(disagreements(map[string]bool{"a": false, "b": true, "c": false}, map[string]bool{"a": false, "b": false, "d": true})); n != 3 {
		t.Errorf("%d of three planted faults were seen", n)
	}
}
