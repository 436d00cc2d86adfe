// Command peers puts a rig's readings into other stores and says what that
// took: rows of SQLite, the library tsdb of Prometheus, InfluxDB 1.8. It is a
// module of its own, so that Yardtally depends on none of them for it.
// BenchmarkPeers in cmd/yardtally writes the readings, runs it beside the
// journal and prints the table.
//
//	peers STORE import FILE   every reading into a new store; until it is closed
//	peers STORE log FILE      the same with a commit for each second of the file
//	peers STORE open          open the store, say its memory, and read every reading back
//
// The answer is one line of JSON. What is written is as /proc/PID/io counts it:
// wchar, and write_bytes for whole blocks of the disk (Linux, proc_pid_io(5)).
package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"
)

// row is one reading. In the file it takes 20 bytes, little end first: instant,
// rig, source, channel, value.
type row struct {
	at      int64 // arrival, Unix ns
	rig     uint16
	source  uint8
	channel uint8
	value   float64
}

const rowBytes = 20

// batch is how many readings are committed at once where nothing else is said:
// about what the journal takes, 8192 records of two.
const batch = 16384

// store is a peer.
type store interface {
	// put keeps the readings, as durably as the store can at each commit.
	put([]row) error
	// flush makes all of them durable and the store's form final.
	flush() error
	// read reads every reading in the store's own order and returns how many
	// there are and the sum of their values.
	read() (n int, sum float64, err error)
	close() error
}

// answer is what a run says. Not every action fills every field.
type answer struct {
	Readings int     // given
	Refused  int     // of them, not kept
	Sum      float64 // of the values read back
	Seconds  float64 // that it took
	Commits  int
	P50, P99 float64 // of a commit, ms
	Written  int64   // bytes handed to write calls
	Blocks   int64   // bytes of the disk's blocks that this wrote
	RSS      int64   // bytes, opened and idle
}

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "peers:", err)
		os.Exit(1)
	}
}

func run() error {
	dir := flag.String("dir", "", "store's `FOLDER`")
	url := flag.String("url", "", "`URL` of the InfluxDB")
	pid := flag.Int("pid", os.Getpid(), "`PROCESS` whose memory and writes are told")
	flag.Parse()
	if flag.NArg() < 2 {
		return errors.New("usage: peers [-dir FOLDER] [-url URL -pid PROCESS] sqlite|tsdb|influx import|log|open [FILE]")
	}
	var rows []row
	if flag.NArg() > 2 {
		var err error
		if rows, err = readRows(flag.Arg(2)); err != nil {
			return err
		}
	}
	var a answer
	s, err := open(flag.Arg(0), *dir, *url, &a)
	if err != nil {
		return err
	}
	switch flag.Arg(1) {
	case "import":
		err = put(&a, s, rows, *pid, func(rest []row) int { return min(batch, len(rest)) })
	case "log":
		err = put(&a, s, rows, *pid, second)
	case "open":
		err = readBack(&a, s, *pid)
	default:
		err = fmt.Errorf("action: must be import, log or open, is %q", flag.Arg(1))
	}
	if err != nil {
		return errors.Join(err, s.close())
	}
	return json.NewEncoder(os.Stdout).Encode(a)
}

func open(name, dir, url string, a *answer) (store, error) {
	switch name {
	case "sqlite":
		return openRows(dir)
	case "tsdb":
		return openTSDB(dir, a)
	case "influx":
		return &influx{url: url}, nil
	}
	return nil, fmt.Errorf("store: must be sqlite, tsdb or influx, is %q", name)
}

// second is how many of the readings, in order of arrival, came within a second
// of the first.
func second(rows []row) int {
	n := 1
	for n < len(rows) && rows[n].at-rows[0].at < 1e9 {
		n++
	}
	return n
}

func put(a *answer, s store, rows []row, pid int, next func([]row) int) error {
	written, blocks, err := wrote(pid)
	if err != nil {
		return err
	}
	a.Readings = len(rows)
	var took []time.Duration
	start := time.Now()
	for len(rows) > 0 {
		n := next(rows)
		began := time.Now()
		if err := s.put(rows[:n]); err != nil {
			return err
		}
		took = append(took, time.Since(began))
		rows = rows[n:]
	}
	if err := s.flush(); err != nil {
		return err
	}
	if err := s.close(); err != nil {
		return err
	}
	a.Seconds = time.Since(start).Seconds()
	a.Written, a.Blocks, err = wrote(pid)
	if err != nil {
		return err
	}
	a.Written, a.Blocks = a.Written-written, a.Blocks-blocks
	a.Commits = len(took)
	slices.Sort(took)
	at := func(share float64) float64 { return 1e3 * took[int(share*float64(len(took)-1))].Seconds() }
	a.P50, a.P99 = at(0.5), at(0.99)
	return nil
}

func readBack(a *answer, s store, pid int) error {
	if pid == os.Getpid() {
		debug.FreeOSMemory() // what opening left over
	}
	var err error
	if a.RSS, err = resident(pid); err != nil {
		return err
	}
	start := time.Now()
	if a.Readings, a.Sum, err = s.read(); err != nil {
		return err
	}
	a.Seconds = time.Since(start).Seconds()
	return s.close()
}

func readRows(path string) ([]row, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Size()%rowBytes != 0 || info.Size() == 0 {
		return nil, fmt.Errorf("%s: size: must be a multiple of %d and not 0, is %d", path, rowBytes, info.Size())
	}
	rows := make([]row, 0, info.Size()/rowBytes)
	in := bufio.NewReaderSize(f, 1<<20)
	var b [rowBytes]byte
	for {
		if _, err := io.ReadFull(in, b[:]); err == io.EOF {
			return rows, nil
		} else if err != nil {
			return nil, err
		}
		rows = append(rows, row{
			at: int64(binary.LittleEndian.Uint64(b[0:])), rig: binary.LittleEndian.Uint16(b[8:]),
			source: b[10], channel: b[11], value: math.Float64frombits(binary.LittleEndian.Uint64(b[12:])),
		})
	}
}

// wrote returns the bytes that a process has handed to write calls so far, and
// those of the disk's blocks that came of it.
func wrote(pid int) (bytes, blocks int64, err error) {
	if bytes, err = figure(pid, "io", "wchar:", 1); err == nil {
		blocks, err = figure(pid, "io", "write_bytes:", 1)
	}
	return bytes, blocks, err
}

// resident returns the memory that a process has resident, in bytes.
func resident(pid int) (int64, error) { return figure(pid, "status", "VmRSS:", 1024) }

func figure(pid int, file, name string, unit int64) (int64, error) {
	path := fmt.Sprintf("/proc/%d/%s", pid, file)
	text, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	for l := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(l, name); ok {
			n, err := strconv.ParseInt(strings.Fields(v)[0], 10, 64)
			return n * unit, err
		}
	}
	return 0, fmt.Errorf("%s: no %s", path, name)
}
