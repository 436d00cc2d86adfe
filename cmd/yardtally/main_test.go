package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"yardtally/ingest/journal"
	"yardtally/ingest/publish"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
)

const raceOptions = "atexit_sleep_ms=0"

// Programs that tests run beside this one.
func TestMain(m *testing.M) {
	// A raced program lingers for a second when it ends, unless told not to.
	os.Setenv("GORACE", raceOptions)
	testscript.Main(m, map[string]func(){
		"yardtally": main,
		"simnight":  simnight,
		"stubborn":  stubborn,
	})
}

// simnight FILE SEED [RIG] records a simulated night of two yards.
func simnight() {
	seed, err := strconv.ParseUint(os.Args[2], 10, 64)
	rig := "heron"
	if len(os.Args) > 3 {
		rig = os.Args[3]
	}
	if err == nil {
		err = recordNight(os.Args[1], seed, rig)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func recordNight(path string, seed uint64, name string) error {
	rig, err := rigsim.New(rigsim.SmallNight(seed))
	if err != nil {
		return err
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	out := bufio.NewWriter(f)
	var line []byte
	for s := range rig.All() {
		if line, err = rigsim.Pack(line[:0], name, s, true); err != nil {
			return err
		}
		out.Write(append(line, '\n'))
	}
	return out.Flush()
}

// stubborn does not end when it is asked to.
func stubborn() {
	ctx, stop := interruptible()
	defer stop()
	fmt.Println("ready")
	<-ctx.Done()
	fmt.Println("asked")
	select {}
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("GORACE", raceOptions)
			// The small recording and settings for it, in every script.
			for _, name := range []string{"hand.rec", "heron.toml"} {
				data, err := os.ReadFile(filepath.Join("testdata", name))
				if err != nil {
					return err
				}
				if err := os.WriteFile(filepath.Join(env.WorkDir, name), data, 0o666); err != nil {
					return err
				}
			}
			return nil
		},
		UpdateScripts: os.Getenv("YARDTALLY_UPDATE") != "",
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code":        code,
			"holdjournal": holdJournal,
			"listen":      listen,
			"takes":       takes,
			"envsubst":    envsubst,
			"tear":        tear,
			"acted":       acted,
			"idlerec":     idleRec,
			"waiting":     waiting,
		},
	})
}

// code N PROGRAM ARG... runs a program and wants that exit code.
func code(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N PROGRAM ARG...")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	if err != nil {
		var exit interface{ ExitCode() int }
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit code %d, want %s", got, args[0])
	}
}

// holdjournal FOLDER owns its journal for the rest of the script, as a process
// does that answers to nobody.
func holdJournal(ts *testscript.TestScript, neg bool, args []string) {
	j, err := journal.Open(filepath.Join(ts.MkAbs(args[0]), journalFile), journal.Options{})
	ts.Check(err)
	ts.Defer(func() { j.Close() })
}

// listen VARIABLE takes an address of this machine for the rest of the script.
func listen(ts *testscript.TestScript, neg bool, args []string) {
	l, err := new(net.ListenConfig).Listen(context.Background(), "tcp", "127.0.0.1:0")
	ts.Check(err)
	ts.Defer(func() { l.Close() })
	ts.Setenv(args[0], l.Addr().String())
}

// takes VARIABLE has a server at an address that takes whatever is written to it,
// as an InfluxDB does, for the rest of the script.
func takes(ts *testscript.TestScript, neg bool, args []string) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	ts.Defer(s.Close)
	ts.Setenv(args[0], s.Listener.Addr().String())
}

// envsubst FILE puts in the values of $VARIABLES.
func envsubst(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(os.Expand(ts.ReadFile(args[0]), ts.Getenv)), 0o666))
}

// waiting FOLDER N has an outbox there with so many points that are to be sent, of
// 2026-10-09 19:02:11 UTC and the seconds after it.
func waiting(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	ts.Check(os.MkdirAll(ts.MkAbs(args[0]), 0o770))
	o, err := publish.OpenOutbox(filepath.Join(ts.MkAbs(args[0]), outboxFile))
	ts.Check(err)
	defer o.Close()
	for i := range n {
		at := time.Date(2026, 10, 9, 19, 2, 11+i, 0, time.UTC).UnixNano()
		ts.Check(o.PutAlarms("heron", []publish.Alarm{{At: at, Key: fmt.Sprint("kink ", i), Change: "raised", What: "kink", Priority: "now"}}))
	}
}

// tear FILE LINE cuts the line in two halves, of which the second is lost.
func tear(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	lines := strings.SplitAfter(ts.ReadFile(args[0]), "\n")
	lines[n-1] = lines[n-1][:len(lines[n-1])/2] + "\n"
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.Join(lines, "")), 0o666))
}

// idlerec FILE MINUTES records a pump that turns for so long while nothing
// flows, from 20:00 on the evening of the small recording on.
func idleRec(ts *testscript.TestScript, neg bool, args []string) {
	minutes, err := strconv.Atoi(args[1])
	ts.Check(err)
	var text []byte
	start := time.Date(2026, 10, 10, 1, 0, 0, 0, time.UTC)
	for i := range minutes * 12 {
		at := start.Add(time.Duration(i) * 5 * time.Second)
		m := idling(at, 20000+float64(5*i), 40)
		m.Readings = append(m.Readings, meter.Reading{Channel: meter.Lat, Value: 43.22}, meter.Reading{Channel: meter.Lon, Value: -91.88})
		text, err = rigsim.Pack(text, "heron", m, true)
		ts.Check(err)
		text = append(text, '\n')
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), text, 0o666))
}

// acted VARIABLE... takes the ids of the acts that the last command kept.
func acted(ts *testscript.TestScript, neg bool, args []string) {
	_, text, _ := strings.Cut(ts.ReadFile("stdout"), "To take it back: yardtally undo ")
	ids := strings.Fields(text)
	if len(ids) != len(args) {
		ts.Fatalf("%d acts were kept, want %d", len(ids), len(args))
	}
	for i, name := range args {
		ts.Setenv(name, ids[i])
	}
}
