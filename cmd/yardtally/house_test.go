package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// The house has floors, and a room may import only rooms below it. rooms says
// for every package which of our own packages and which modules it may import;
// a package that is not here, or imports what is not here, fails the test.
//
// The standard library is free above the two pure floors. On those it is an
// allow-list, and the clock may not be asked.
var rooms = map[string][]string{
	"calibrate/quantity":  {},
	"calibrate/syrup":     {"calibrate/quantity"},
	"calibrate/mix":       {"calibrate/quantity", "calibrate/syrup"},
	"calibrate/fit":       {"gonum.org/v1/gonum"},
	"calibrate/proving":   {"calibrate/quantity", "calibrate/syrup", "calibrate/fit", "gonum.org/v1/gonum"},
	"calibrate/tote":      {"calibrate/quantity"},
	"calibrate/line":      {"calibrate/quantity", "calibrate/syrup", "calibrate/fit"},
	"calibrate/reconcile": {"gonum.org/v1/gonum"},
	"calibrate/plan":      {"calibrate/quantity", "calibrate/syrup", "calibrate/mix", "calibrate/tote"},

	"meter":        {},
	"meter/act":    {"calibrate/..."},
	"meter/chart":  {"gonum.org/v1/gonum"},
	"meter/clock":  {"meter"},
	"meter/total":  {},
	"meter/worth":  {"calibrate/..."},
	"meter/fill":   {"calibrate/quantity", "meter/worth"},
	"meter/yard":   {"calibrate/quantity"},
	"meter/tote":   {"calibrate/quantity"},
	"meter/signal": {"calibrate/quantity", "meter/total"},
	"meter/sensor": {"meter"},
	"meter/sugar":  {"calibrate/mix", "calibrate/quantity", "calibrate/syrup", "meter/act"},
	"meter/outing": {"calibrate/quantity", "calibrate/syrup", "meter/act", "meter/worth", "meter/fill", "meter/yard", "meter/tote"},
	"meter/watch":  {"calibrate/...", "meter", "meter/chart", "meter/outing", "meter/sensor", "meter/tote"},
	"meter/alarm":  {"meter/act", "meter/watch"},
	"meter/ledger": {"calibrate/...", "meter", "meter/act", "meter/clock", "meter/total", "meter/worth", "meter/fill", "meter/yard", "meter/tote", "meter/outing", "meter/sensor", "meter/sugar"},
	"meter/bucket": {"calibrate/...", "meter/act", "meter/ledger"},
	"meter/books":  {"calibrate/...", "meter/act", "meter/sugar", "meter/outing", "meter/worth", "meter/ledger", "gonum.org/v1/gonum"},
	"meter/entry":  {"calibrate/...", "meter/act", "meter/ledger", "meter/sugar", "meter/tote"},

	"ingest/wire":                  {"meter", "meter/act"},
	"ingest/rigsim":                {"calibrate/quantity", "meter", "ingest/wire"},
	"ingest/source":                {"meter", "ingest/wire", "golang.org/x/sys"},
	"ingest/serialport":            {"ingest/source", "ingest/wire", "go.bug.st/serial", "golang.org/x/sys"},
	"ingest/gpio":                  {"meter", "ingest/source", "ingest/wire", "golang.org/x/sys"},
	"ingest/gpsd":                  {"meter", "ingest/source", "ingest/wire"},
	"ingest/gpsd/gpsdtest":         {"github.com/creack/pty"},
	"ingest/modbus":                {"meter", "ingest/modbus/registers", "ingest/source", "ingest/wire", "github.com/simonvetter/modbus"},
	"ingest/modbus/registers":      {"meter"},
	"ingest/modbus/modbustest":     {"github.com/creack/pty", "github.com/simonvetter/modbus", "golang.org/x/term"},
	"ingest/mqttsub":               {"ingest/source", "ingest/wire", "github.com/eclipse/paho.mqtt.golang"},
	"ingest/broker":                {"ingest/source", "ingest/wire", "github.com/mochi-mqtt/server/v2"},
	"ingest/places":                {"meter/act", "meter/yard"},
	"ingest/recording":             {"meter", "meter/act", "ingest/source", "ingest/wire"},
	"ingest/sqlite":                {"github.com/ncruces/go-sqlite3"},
	"ingest/sqlite/faulty":         {"github.com/ncruces/go-sqlite3"},
	"ingest/journal":               {"meter", "meter/act", "ingest/sqlite", "golang.org/x/sys"},
	"ingest/publish":               {"calibrate/quantity", "meter/ledger", "ingest/sqlite", "ingest/wire", "github.com/influxdata/influxdb-client-go/v2"},
	"ingest/publish/influxtest":    {},
	"ingest/mqttsub/mosquittotest": {},
	"ingest/sound":                 {"meter/signal"},
	"ingest/desk":                  {"calibrate/quantity", "meter", "meter/act", "meter/ledger", "ingest/journal", "ingest/source"},
	"dashboard":                    {"calibrate/...", "meter/...", "dashboard/door", "dashboard/draw", "dashboard/report", "github.com/DataDog/datadog-agent/pkg/template"},
	"dashboard/door":               {"golang.org/x/crypto", "github.com/DataDog/datadog-agent/pkg/template"},
	"dashboard/draw":               {"calibrate/quantity", "meter/ledger", "meter/yard"},
	"dashboard/report":             {"calibrate/...", "meter/act", "meter/books", "meter/ledger", "meter/outing", "meter/tote", "meter/worth", "meter/watch", "meter/alarm", "codeberg.org/go-pdf/fpdf", "golang.org/x/image"},
	"cmd/yardtally/settings":       {"calibrate/quantity", "meter", "meter/act", "ingest/modbus/registers", "ingest/places", "ingest/wire", "github.com/pelletier/go-toml/v2"},
	"cmd/yardtally/logbook":        {},
	"cmd/yardtally/notify":         {"golang.org/x/sys"},
	"cmd/yardtally/gauges":         {},
	"cmd/yardtally":                {"calibrate/...", "meter/...", "ingest/...", "dashboard/...", "cmd/yardtally/settings", "cmd/yardtally/logbook", "cmd/yardtally/notify", "cmd/yardtally/gauges", "golang.org/x/sys", "golang.org/x/term", "github.com/creack/pty", "github.com/eclipse/paho.mqtt.golang"},
}

// pureStd is what the pure floors may take from the standard library.
var pureStd = []string{"bytes", "cmp", "encoding/binary", "encoding/json", "errors", "fmt", "hash/crc32", "iter", "maps",
	"math", "math/big", "math/bits", "reflect", "slices", "sort", "strconv", "strings", "time", "unicode", "unicode/utf8"}

// askingTheTime are the functions and variables of package time that the pure
// floors may not use.
var askingTheTime = []string{"Now", "Since", "Until", "After", "AfterFunc", "Local", "Sleep", "Tick", "NewTimer", "NewTicker", "LoadLocation"}

// topLevel is all that may stand at the top of the repository, dotfiles aside.
var topLevel = []string{"cmd", "ingest", "meter", "calibrate", "dashboard", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md"}

func pure(room string) bool {
	return strings.HasPrefix(room, "calibrate/") || room == "meter" || strings.HasPrefix(room, "meter/")
}

// breaches returns every breach of the house's rules in a tree, sorted.
func breaches(root, module string) ([]string, error) {
	var out []string
	bad := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		name := d.Name()
		if rel != "." && !strings.ContainsRune(rel, filepath.Separator) && !strings.HasPrefix(name, ".") && !slices.Contains(topLevel, name) {
			if !(d.IsDir() && name == "bin" || name == "shots") { // made by people and tests, never committed
				bad("%s: must not stand at the top level", rel)
			}
		}
		if d.IsDir() && rel != "." && (name == "testdata" || strings.HasPrefix(name, ".")) {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		room := filepath.ToSlash(filepath.Dir(rel))
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		allowed, known := rooms[room]
		if !known {
			bad("%s: room %s is in no plan: add it to rooms", rel, room)
			return nil
		}
		for _, s := range f.Imports {
			p, err := strconv.Unquote(s.Path.Value)
			if err != nil {
				return err
			}
			if why := mayImport(room, p, module, allowed); why != "" {
				bad("%s: imports %s: %s", rel, p, why)
			}
		}
		if pure(room) {
			for _, what := range impurities(f) {
				bad("%s: %s", rel, what)
			}
		}
		return nil
	})
	sort.Strings(out)
	return out, err
}

func mayImport(room, path, module string, allowed []string) string {
	inside := strings.HasPrefix(path, module+"/")
	if !inside && !strings.Contains(strings.SplitN(path, "/", 2)[0], ".") {
		if pure(room) && !slices.Contains(pureStd, path) {
			return "is not for the pure floors"
		}
		return ""
	}
	path = strings.TrimPrefix(path, module+"/")
	for _, a := range allowed {
		if tree, ok := strings.CutSuffix(a, "/..."); ok {
			if path == tree || strings.HasPrefix(path, tree+"/") {
				return ""
			}
		} else if path == a || !inside && strings.HasPrefix(path, a+"/") {
			return ""
		}
	}
	return "is not in the room's plan"
}

// impurities finds goroutines, channels and questions to the clock.
func impurities(f *ast.File) []string {
	timeName := ""
	for _, s := range f.Imports {
		if s.Path.Value == `"time"` {
			timeName = "time"
			if s.Name != nil {
				timeName = s.Name.Name
			}
		}
	}
	var out []string
	if timeName == "." {
		out = append(out, "takes time's names as its own")
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			out = append(out, "starts a goroutine")
		case *ast.ChanType:
			out = append(out, "has a channel")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && timeName != "" && x.Name == timeName && slices.Contains(askingTheTime, n.Sel.Name) {
				out = append(out, "uses time."+n.Sel.Name)
			}
		}
		return true
	})
	return out
}

func TestHouse(t *testing.T) {
	found, err := breaches(filepath.Join("..", ".."), "yardtally")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range found {
		t.Error(b)
	}
}

// Each planted breach must be seen, or the test above shows nothing.
func TestHouseSeesBreaches(t *testing.T) {
	const lib = "package x\n"
	for _, c := range []struct{ name, file, text, want string }{
		{"pure room asks the time", "meter/fill/x.go", "package fill\nimport \"time\"\nvar _ = time.Now\n", "uses time.Now"},
		{"under another name", "meter/fill/x.go", "package fill\nimport clock \"time\"\nvar _ = clock.Since\n", "uses time.Since"},
		{"with a dot", "calibrate/tote/x.go", "package tote\nimport . \"time\"\nvar _ = Now\n", "takes time's names"},
		{"local zone", "meter/ledger/x.go", "package ledger\nimport \"time\"\nvar _ = time.Local\n", "uses time.Local"},
		{"pure room reads files", "calibrate/syrup/x.go", "package syrup\nimport _ \"os\"\n", "not for the pure floors"},
		{"pure room logs", "meter/x.go", "package meter\nimport _ \"log/slog\"\n", "not for the pure floors"},
		{"pure room throws dice", "meter/total/x.go", "package total\nimport _ \"math/rand/v2\"\n", "not for the pure floors"},
		{"pure room locks", "meter/total/x.go", "package total\nimport _ \"sync/atomic\"\n", "not for the pure floors"},
		{"pure room starts a goroutine", "meter/yard/x.go", "package yard\nfunc f() { go f() }\n", "starts a goroutine"},
		{"pure room has a channel", "meter/yard/x.go", "package yard\nvar c chan int\n", "has a channel"},
		{"calibrate looks up to meter", "calibrate/proving/x.go", "package proving\nimport _ \"yardtally/meter\"\n", "not in the room's plan"},
		{"meter takes a module", "meter/act/x.go", "package act\nimport _ \"golang.org/x/sys/unix\"\n", "not in the room's plan"},
		{"dashboard looks at ingest", "dashboard/x.go", "package dashboard\nimport _ \"yardtally/ingest/source\"\n", "not in the room's plan"},
		{"ingest looks at dashboard", "ingest/desk/x.go", "package desk\nimport _ \"yardtally/dashboard\"\n", "not in the room's plan"},
		{"rigsim knows a detector", "ingest/rigsim/x.go", "package rigsim\nimport _ \"yardtally/meter/ledger\"\n", "not in the room's plan"},
		{"a room nobody planned", "ingest/attic/x.go", lib, "in no plan"},
		{"a stray top-level folder", "attic/x.go", lib, "must not stand at the top level"},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := t.TempDir()
			path := filepath.Join(root, filepath.FromSlash(c.file))
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(c.text), 0o644); err != nil {
				t.Fatal(err)
			}
			found, err := breaches(root, "yardtally")
			if err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(strings.Join(found, "\n"), c.want) {
				t.Errorf("want a breach with %q, got %q", c.want, found)
			}
		})
	}
}
