package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/meter/act"
)

// scene is a folder with settings and a recorded night.
type scene struct {
	*testing.T
	dir string
}

func newScene(t *testing.T) scene {
	s := scene{t, t.TempDir()}
	text, err := os.ReadFile("testdata/heron.toml")
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, "\n[broker]\naddress = \"127.0.0.1:0\"\n"...)
	if err := os.WriteFile(s.path("heron.toml"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := recordNight(s.path("sim.rec"), 5, "heron"); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s scene) path(name string) string { return filepath.Join(s.dir, name) }

// run runs a command on the scene's settings and returns its exit code and output.
func (s scene) run(name string, args ...string) (code int, out, errs string) {
	s.Helper()
	var o, e bytes.Buffer
	c := exec.CommandContext(s.Context(), "yardtally", append([]string{name, "-settings", s.path("heron.toml")}, args...)...)
	c.Stdout, c.Stderr = &o, &e
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		s.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

// good is run for what must succeed.
func (s scene) good(name string, args ...string) string {
	s.Helper()
	code, out, errs := s.run(name, args...)
	if code != 0 {
		s.Fatalf("%s %v: exit code %d: %s", name, args, code, errs)
	}
	return out
}

// account is all that the reports and an export say.
func (s scene) account() string {
	s.Helper()
	all := ""
	for _, r := range []string{"fills", "yards", "tote"} {
		all += s.good(r, "--json", "-all") + s.good(r)
	}
	return all + s.good("export")
}

// process is a program that was started.
type process struct {
	*exec.Cmd
	out *bufio.Scanner
	err *bytes.Buffer
}

func (s scene) start(program string, args ...string) *process {
	s.Helper()
	p := &process{Cmd: exec.CommandContext(s.Context(), program, args...), err: new(bytes.Buffer)}
	out, err := p.StdoutPipe()
	if err != nil {
		s.Fatal(err)
	}
	p.out, p.Stderr = bufio.NewScanner(out), p.err
	if err := p.Start(); err != nil {
		s.Fatal(err)
	}
	s.Cleanup(func() {
		if p.ProcessState == nil {
			_ = p.Process.Kill()
			_ = p.Wait()
		}
	})
	return p
}

// says waits for a line that begins so.
func (s scene) says(p *process, begin string) {
	s.Helper()
	for p.out.Scan() {
		if strings.HasPrefix(p.out.Text(), begin) {
			return
		}
	}
	_ = p.Wait()
	s.Fatalf("it ended without saying %q: %s", begin, p.err)
}

func (s scene) daemon() *process {
	s.Helper()
	p := s.start("yardtally", "run", "-settings", s.path("heron.toml"))
	s.says(p, "The page is at http://127.0.0.1:")
	return p
}

// stop asks a daemon to stop, which must succeed.
func (s scene) stop(p *process) {
	s.Helper()
	if err := p.Process.Signal(syscall.SIGTERM); err != nil {
		s.Fatal(err)
	}
	if err := p.Wait(); err != nil {
		s.Errorf("it ended with %v: %s", err, p.err)
	}
	if !strings.Contains(p.err.String(), " stopping\n") {
		s.Errorf("it did not say that it is stopping: %s", p.err)
	}
	if _, err := os.Stat(s.path("data/control.sock")); !errors.Is(err, fs.ErrNotExist) {
		s.Errorf("its socket is still there: %v", err)
	}
}

func TestBesideDaemon(t *testing.T) {
	s := newScene(t)
	d := s.daemon()
	info, err := os.Stat(s.path("data/control.sock"))
	if err != nil || info.Mode() != fs.ModeSocket|0o660 {
		t.Errorf("the socket is %v, %v; want Srw-rw----", info.Mode(), err)
	}
	if out := s.good("import", s.path("sim.rec")); !strings.Contains(out, " records, 0 acts.") || strings.Contains(out, "new: 0") {
		t.Errorf("import: %s", out)
	}
	if out := s.good("import", s.path("sim.rec")); !strings.Contains(out, "new: 0 records, 0 acts.") {
		t.Errorf("import again: %s", out)
	}
	// A recording of nobody's is refused through the socket as without it.
	if err := os.WriteFile(s.path("robin.rec"), []byte(`[{"bn":"robin/","bt":1791589200,"n":"pulses","u":"count","v":1}]`), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := s.run("import", s.path("robin.rec")); code != 1 || !strings.Contains(errs, `nothing in it is of rig "heron"`) {
		t.Errorf("import of robin: %d, %s", code, errs)
	}
	if code, _, errs := s.run("fills", "-rig", "robin"); code != 1 || !strings.Contains(errs, `rig: must be the running daemon's, "heron", is "robin"`) {
		t.Errorf("fills of robin: %d, %s", code, errs)
	}
	code, _, errs := s.run("run")
	if who := fmt.Sprintf("the journal is in use by process %d since", d.Process.Pid); code != 1 || !strings.Contains(errs, who) {
		t.Errorf("a second run: %d, %s; want %q", code, errs, who)
	}
	if out := s.good("check"); !strings.Contains(out, "daemon: is running for rig heron") {
		t.Errorf("check: %s", out)
	}
	beside := s.account()
	if !strings.Contains(beside, `"yard_name": "Mill Bottom"`) || !strings.Contains(beside, `"x-mono"`) {
		t.Errorf("the account says too little: %.2000s", beside)
	}
	s.stop(d)
	if after := s.account(); after != beside {
		t.Errorf("the account differs once the daemon has stopped:\n%s", firstDifference(beside, after))
	}
}

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d: %q, then %q", i+1, x[i], y[i])
		}
	}
	return fmt.Sprintf("%d lines, then %d", len(x), len(y))
}

func TestKilledDaemon(t *testing.T) {
	s := newScene(t)
	d := s.daemon()
	s.good("import", s.path("sim.rec"))
	before := s.account()
	if err := d.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = d.Wait()
	if _, err := os.Stat(s.path("data/control.sock")); err != nil {
		t.Fatalf("nothing to test: the socket is gone: %v", err)
	}
	if after := s.account(); after != before {
		t.Errorf("beside a dead socket: %s", firstDifference(before, after))
	}
	d = s.daemon()
	if after := s.account(); after != before {
		t.Errorf("of the next daemon: %s", firstDifference(before, after))
	}
	s.stop(d)
}

// A daemon that is asked to stop does not wait for a recording that does not
// end; what came of it is kept.
func TestStopDuringImport(t *testing.T) {
	s := newScene(t)
	d := s.daemon()
	if err := syscall.Mkfifo(s.path("pipe"), 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := os.ReadFile(s.path("sim.rec"))
	if err != nil {
		t.Fatal(err)
	}
	p := s.start("yardtally", "import", "-settings", s.path("heron.toml"), s.path("pipe"))
	w, err := os.OpenFile(s.path("pipe"), os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	lines := bytes.SplitAfter(rec, []byte("\n"))
	if _, err := w.Write(bytes.Join(lines[:9000], nil)); err != nil {
		t.Fatal(err)
	}
	r, err := dialDaemon(t.Context(), s.path("data"))
	if err != nil {
		t.Fatal(err)
	}
	for kept := uint64(0); kept < 4096; { // a batch
		v, err := r.View(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		kept = v.Records
	}
	r.Close()
	s.stop(d)
	if err := p.Wait(); err == nil || !strings.Contains(p.err.String(), "what is counted above is kept") {
		t.Errorf("import: %v, %s", err, p.err)
	}
	// Again, and as a pipe again: a recording's size is part of what it is.
	again := exec.CommandContext(t.Context(), "yardtally", "import", "-settings", s.path("heron.toml"), "/dev/stdin")
	again.Stdin = io.MultiReader(bytes.NewReader(rec)) // no file, so a pipe is made
	out, err := again.Output()
	all := fmt.Sprintf("new: %d records", len(lines)-1)
	if err != nil || strings.Contains(string(out), all) || strings.Contains(string(out), "new: 0 ") {
		t.Errorf("importing again does not go on: %v, %s", err, out)
	}
}

func TestSecondSignal(t *testing.T) {
	s := scene{t, t.TempDir()}
	p := s.start("stubborn")
	s.says(p, "ready")
	if err := p.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	s.says(p, "asked")
	// The handler is taken away at the same time as the context ends, so a
	// signal may still find it; one of a few does not.
	ended := make(chan error, 1)
	go func() { ended <- p.Wait() }()
	for {
		_ = p.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
			if ws := p.ProcessState.Sys().(syscall.WaitStatus); !ws.Signaled() || ws.Signal() != syscall.SIGTERM {
				t.Errorf("it ended with %v", p.ProcessState)
			}
			return
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// here is a journal with the scene's settings and night, and its socket.
func (s scene) here(data string) *local {
	s.Helper()
	b, err := openLocal(data, "heron", true)
	if err != nil {
		s.Fatal(err)
	}
	s.Cleanup(func() {
		if err := b.Close(); err != nil {
			s.Error(err)
		}
	})
	l, err := listenControl(data)
	if err != nil {
		s.Fatal(err)
	}
	srv := &http.Server{Handler: controlHandler(b)}
	go func() { _ = srv.Serve(l) }()
	s.Cleanup(func() { srv.Close() })
	return b
}

func (s scene) imports(b backend, progress func(imported)) imported {
	s.Helper()
	set, err := settings.Read(s.path("heron.toml"))
	if err != nil {
		s.Fatal(err)
	}
	if err := sayAll(s.Context(), b, set, time.Now().UnixNano()); err != nil {
		s.Fatal(err)
	}
	f, err := os.Open(s.path("sim.rec"))
	if err != nil {
		s.Fatal(err)
	}
	defer f.Close()
	done, err := b.Import(s.Context(), f, progress)
	if err != nil {
		s.Fatal(err)
	}
	return done
}

func TestOverSocket(t *testing.T) {
	s := newScene(t)
	b := s.here(s.path("data"))
	r, err := dialDaemon(t.Context(), s.path("data"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	told := 0
	done := s.imports(r, func(p imported) {
		told++
		if p.Done() == 0 {
			t.Errorf("progress tells nothing: %+v", p)
		}
	})
	if told == 0 || done.Records != done.Lines || done.Records == 0 {
		t.Errorf("told %d times, done %+v", told, done)
	}
	mine, err := b.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	theirs, err := r.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(mine.Fills) < 9 || !mine.Tote.Known || !reflect.DeepEqual(mine, theirs) {
		t.Errorf("the view is not the same over the socket:\n%+v\n%+v", mine, theirs)
	}
	acts, err := r.Acts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if own, err := b.Acts(t.Context()); err != nil || !reflect.DeepEqual(acts, own) || len(acts) != 5 {
		t.Errorf("the acts are not the same over the socket: %v\n%+v\n%+v", err, own, acts)
	}
	bad := act.Act{ID: "a", Rig: "heron", Body: act.Batch{Syrup: "sucrose", Brix: 99}}
	if _, err := r.AddActs(t.Context(), bad); err == nil || !strings.Contains(err.Error(), "brix: must be between 0 and 77, is 99") {
		t.Errorf("a bad act: %v", err)
	}
}

// Done is how much progress was told of.
func (p imported) Done() int64 { return p.Bytes + int64(p.Lines) + p.Readings }

// A data folder may lie deeper than a socket's address reaches.
func TestDeepSocket(t *testing.T) {
	s := newScene(t)
	data := filepath.Join(s.dir, strings.Repeat("deep-in-the-orchard/", 12), "data")
	b := s.here(data)
	r, err := dialDaemon(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Rig() != b.Rig() {
		t.Errorf("rig %q", r.Rig())
	}
	if info, err := os.Stat(filepath.Join(data, socketFile)); err != nil || info.Mode() != fs.ModeSocket|0o660 {
		t.Errorf("the socket: %v, %v", info, err)
	}
	again, err := listenControl(data) // as after a daemon that died
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(again.Close(), again.Close()); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(data, socketFile)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the socket is still there: %v", err)
	}
}

// Who reads an export slowly keeps nobody waiting.
func TestSlowExport(t *testing.T) {
	s := newScene(t)
	b := s.here(s.path("data"))
	s.imports(b, func(imported) {})
	ctx, stop := context.WithCancel(t.Context())
	pr, pw := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		err := b.Export(ctx, pw)
		pw.CloseWithError(err)
		ended <- err
	}()
	if _, err := io.ReadFull(pr, make([]byte, 4000)); err != nil {
		t.Fatal(err)
	}
	if _, err := b.View(t.Context()); err != nil {
		t.Error(err)
	}
	// It is in the midst of the records, and can be stopped there.
	stop()
	pr.CloseWithError(errors.New("gone"))
	if err := <-ended; err == nil {
		t.Error("an export that nobody read succeeded")
	}
}

// Ctrl-C in the middle of an import keeps what was committed and says so.
func TestImportStopped(t *testing.T) {
	defer func(d time.Duration) { progressEvery = d }(progressEvery)
	progressEvery = 0
	for _, way := range []string{"alone", "over the socket"} {
		t.Run(way, func(t *testing.T) {
			s := newScene(t)
			var b backend = s.here(s.path("data"))
			if way != "alone" {
				r, err := dialDaemon(t.Context(), s.path("data"))
				if err != nil {
					t.Fatal(err)
				}
				defer r.Close()
				b = r
			}
			rec, err := os.ReadFile(s.path("sim.rec"))
			if err != nil {
				t.Fatal(err)
			}
			lines := bytes.SplitAfter(rec, []byte("\n"))
			// A pipe that holds out a batch and some, and then nothing.
			if err := syscall.Mkfifo(s.path("pipe"), 0o600); err != nil {
				t.Fatal(err)
			}
			written := make(chan *os.File, 1)
			go func() {
				w, err := os.OpenFile(s.path("pipe"), os.O_WRONLY, 0)
				if err == nil {
					_, err = w.Write(bytes.Join(lines[:4500], nil))
				}
				if err != nil {
					t.Error(err)
				}
				written <- w
			}()
			ctx, stop := context.WithCancel(t.Context())
			var out, told bytes.Buffer
			e := &env{out: &out, err: writer(func(p []byte) (int, error) {
				stop()
				return told.Write(p)
			})}
			err = importFile(ctx, e, b, s.path("pipe"), false)
			(<-written).Close()
			if err == nil || !strings.Contains(err.Error(), "stopped in the middle; what is counted above is kept") {
				t.Errorf("error %v", err)
			}
			if first, _, _ := strings.Cut(told.String(), "\n"); !strings.Contains(first, "pipe: 4096 lines, ") {
				t.Errorf("progress says %q", told.String())
			}
			if !strings.Contains(out.String(), "new: 4096 records") {
				t.Errorf("it says %q", out.String())
			}
			// Again, to the end. The daemon may have kept what it had read
			// besides when it noticed; nothing is lost or doubled.
			done, err := b.Import(t.Context(), bytes.NewReader(rec), func(imported) {})
			if n := done.Lines - done.Records; err != nil || n < 4096 || n > 4500 {
				t.Errorf("importing again: %+v, %v", done, err)
			}
			if v, err := b.View(t.Context()); err != nil || v.Records != uint64(done.Lines) {
				t.Errorf("%d lines became %d records, %v", done.Lines, v.Records, err)
			}
		})
	}
}

func TestProgress(t *testing.T) {
	defer func(d time.Duration) { progressEvery = d }(progressEvery)
	progressEvery = 0
	s := newScene(t)
	b := s.here(s.path("data"))
	var told bytes.Buffer
	if err := importFile(t.Context(), &env{out: io.Discard, err: &told}, b, s.path("sim.rec"), false); err != nil {
		t.Fatal(err)
	}
	if text := told.String(); !strings.Contains(text, " %, 4096 lines, ") || !strings.Contains(text, "100 %, ") {
		t.Errorf("progress says %q", text)
	}
	told.Reset()
	if err := importFile(t.Context(), &env{out: io.Discard, err: &told}, b, s.path("sim.rec"), true); err != nil || told.Len() > 0 {
		t.Errorf("asked to be quiet, it says %q, %v", told.String(), err)
	}
}

type writer func([]byte) (int, error)

func (w writer) Write(p []byte) (int, error) { return w(p) }
