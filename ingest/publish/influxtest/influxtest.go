// Package influxtest runs a real InfluxDB 1.8 for tests: built once from the
// module under testdata/influxd, kept in the user's cache folder, started on
// loopback with its data in the test's own folder.
package influxtest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// Server is an InfluxDB of a test's own. It may be stopped and started again
// on the same address and data.
type Server struct {
	URL      string
	Database string
	User     string // "" without access control
	Password string

	t         testing.TB
	dir       string
	http, rpc string
	run       *run
}

// run is one run of the process.
type run struct {
	process *os.Process
	done    chan struct{} // closed when it has ended
	out     *os.File
}

// Option changes how a server is set up.
type Option func(*Server)

// Auth makes the server ask for this user and password.
func Auth(user, password string) Option {
	return func(s *Server) { s.User, s.Password = user, password }
}

// Start builds the server if need be, starts it, creates its database "yard"
// and stops it at the end of the test.
func Start(t testing.TB, opts ...Option) *Server {
	t.Helper()
	s := &Server{t: t, dir: t.TempDir()}
	for _, o := range opts {
		o(s)
	}
	bin, err := binary()
	if err != nil {
		t.Fatalf("influxtest: building influxd: %v", err)
	}
	t.Cleanup(s.Stop)
	// A free port may be taken by another before the server takes it.
	for try := 0; ; try++ {
		s.http, s.rpc = freePort(t), freePort(t)
		s.URL = "http://" + s.http
		err := s.start(bin)
		if err == nil {
			break
		}
		if try == 4 {
			t.Fatalf("influxtest: %v", err)
		}
	}
	if s.User != "" {
		// The first user is made by whoever comes first.
		s.Exec("CREATE USER " + quote(s.User) + " WITH PASSWORD '" + s.Password + "' WITH ALL PRIVILEGES")
	}
	s.NewDatabase("yard")
	return s
}

// NewDatabase creates an empty database and uses it from now on. Starting a
// server takes seconds, so tests share one this way.
func (s *Server) NewDatabase(name string) {
	s.t.Helper()
	s.Database = name
	s.Exec("CREATE DATABASE " + quote(name))
}

// Token is what the client library sends: "user:password", as InfluxDB 1.8
// wants it.
func (s *Server) Token() string {
	if s.User == "" {
		return ""
	}
	return s.User + ":" + s.Password
}

// Bucket is the database and its default retention policy, as InfluxDB 1.8
// wants it.
func (s *Server) Bucket() string { return s.Database + "/autogen" }

// PID is the number of the running server's process.
func (s *Server) PID() int { return s.run.process.Pid }

// Folder is where the server keeps all it keeps.
func (s *Server) Folder() string { return s.dir }

// Restart starts a stopped server on the same address and data.
func (s *Server) Restart() {
	s.t.Helper()
	bin, err := binary()
	if err == nil {
		err = s.start(bin)
	}
	if err != nil {
		s.t.Fatalf("influxtest: %v", err)
	}
}

// Stop ends the server and waits until it has; nothing if it does not run.
func (s *Server) Stop() { s.end(os.Interrupt) }

// Kill ends the server without warning.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

func (s *Server) end(sig os.Signal) {
	r := s.run
	if r == nil {
		return
	}
	s.run = nil
	if err := r.process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		s.t.Errorf("influxtest: %v", err)
	}
	select {
	case <-r.done:
	case <-time.After(20 * time.Second):
		r.process.Kill()
		<-r.done
	}
	r.out.Close()
}

func (s *Server) start(bin string) error {
	out, err := os.OpenFile(filepath.Join(s.dir, "out"), os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	cmd := exec.Command(bin, "run", "-config", "/dev/null")
	cmd.Dir, cmd.Stdout, cmd.Stderr = s.dir, out, out
	cmd.Env = append(os.Environ(),
		"INFLUXDB_REPORTING_DISABLED=true",
		"INFLUXDB_BIND_ADDRESS="+s.rpc,
		"INFLUXDB_META_DIR="+filepath.Join(s.dir, "meta"),
		"INFLUXDB_DATA_DIR="+filepath.Join(s.dir, "data"),
		"INFLUXDB_DATA_WAL_DIR="+filepath.Join(s.dir, "wal"),
		"INFLUXDB_DATA_QUERY_LOG_ENABLED=false",
		"INFLUXDB_HTTP_BIND_ADDRESS="+s.http,
		"INFLUXDB_HTTP_LOG_ENABLED=false",
		"INFLUXDB_HTTP_FLUX_ENABLED=true",
		"INFLUXDB_HTTP_AUTH_ENABLED="+strconv.FormatBool(s.User != ""),
		"INFLUXDB_LOGGING_LEVEL=error",
		"INFLUXDB_MONITOR_STORE_ENABLED=false",
		"INFLUXDB_RETENTION_CHECK_INTERVAL=1h",
	)
	// It shall not outlive a killed test. The signal is bound to the thread
	// that started the process, so that thread waits for it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	r := &run{done: make(chan struct{}), out: out}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			cmd.Wait()
		}
		close(r.done)
	}()
	if err := <-started; err != nil {
		out.Close()
		return err
	}
	r.process = cmd.Process
	s.run = r
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(60 * time.Second)
	for {
		select {
		case <-r.done:
			s.run = nil
			defer out.Close()
			said, _ := os.ReadFile(out.Name())
			return fmt.Errorf("influxd ended at once: %s", bytes.TrimSpace(said))
		case <-limit:
			s.Kill()
			return errors.New("influxd was not ready after 60 s")
		case <-tick.C:
			a, err := http.Get(s.URL + "/ping")
			if err != nil {
				continue
			}
			a.Body.Close()
			if a.StatusCode == http.StatusNoContent {
				return nil
			}
		}
	}
}

// Exec runs statements that change something.
func (s *Server) Exec(q string) {
	s.t.Helper()
	s.ask(http.MethodPost, q)
}

// Series is one series of an answer. Values are string, bool, nil or
// json.Number; the first column is the time in ns.
type Series struct {
	Name    string            `json:"name"`
	Tags    map[string]string `json:"tags"`
	Columns []string          `json:"columns"`
	Values  [][]any           `json:"values"`
}

// Query runs one InfluxQL query.
func (s *Server) Query(q string) []Series {
	s.t.Helper()
	return s.ask(http.MethodGet, q)
}

func (s *Server) ask(method, q string) []Series {
	s.t.Helper()
	v := url.Values{"q": {q}, "db": {s.Database}, "epoch": {"ns"}}
	if s.User != "" {
		v.Set("u", s.User)
		v.Set("p", s.Password)
	}
	req, err := http.NewRequestWithContext(context.Background(), method, s.URL+"/query?"+v.Encode(), nil)
	if err != nil {
		s.t.Fatal(err)
	}
	a, err := http.DefaultClient.Do(req)
	if err != nil {
		s.t.Fatalf("influxtest: %v", err)
	}
	defer a.Body.Close()
	var r struct {
		Error   string
		Results []struct {
			Error  string
			Series []Series
		}
	}
	d := json.NewDecoder(a.Body)
	d.UseNumber()
	if err := d.Decode(&r); err != nil {
		s.t.Fatalf("influxtest: %s: %v", q, err)
	}
	if r.Error != "" || len(r.Results) != 1 || r.Results[0].Error != "" {
		s.t.Fatalf("influxtest: %s: %+v", q, r)
	}
	return r.Results[0].Series
}

// Write writes lines of line protocol, past the code under test.
func (s *Server) Write(lines string) {
	s.t.Helper()
	v := url.Values{"db": {s.Database}}
	if s.User != "" {
		v.Set("u", s.User)
		v.Set("p", s.Password)
	}
	a, err := http.Post(s.URL+"/write?"+v.Encode(), "text/plain", bytes.NewBufferString(lines))
	if err != nil {
		s.t.Fatalf("influxtest: %v", err)
	}
	defer a.Body.Close()
	if a.StatusCode != http.StatusNoContent {
		said, _ := io.ReadAll(a.Body)
		s.t.Fatalf("influxtest: write: %s: %s", a.Status, said)
	}
}

func quote(name string) string { return `"` + name + `"` }

func freePort(t testing.TB) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
