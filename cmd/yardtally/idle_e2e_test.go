package main

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// A whole daemon with nothing coming writes nothing to the disk, looked at or
// not: after a reading its log is moved into the file, and then it is quiet,
// until the next. Counted by the kernel, in whole blocks of the disk (Linux,
// proc_pid_io(5), write_bytes).
func TestIdleDaemonWritesNothing(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	dir := t.TempDir()
	l := newLine(t)
	c := sharedClock{source.SystemClock{}.Now().Mono, n.Start.UnixNano(), 1}
	v := spawn(t, n.settingsFile(t, dir, l.path, "127.0.0.1:0"), c, io.Discard)
	t.Cleanup(func() { v.signal(t, syscall.SIGTERM) })
	data := filepath.Join(dir, "data")
	await(t, "the daemon", func() bool { _, err := look(data); return err == nil })
	written := func() (n int64) {
		text, err := os.ReadFile("/proc/" + strconv.Itoa(v.cmd.Process.Pid) + "/io")
		if err != nil {
			t.Skip("no /proc here")
		}
		for l := range strings.Lines(string(text)) {
			if v, ok := strings.CutPrefix(l, "write_bytes:"); ok {
				if n, err = strconv.ParseInt(strings.TrimSpace(v), 10, 64); err != nil {
					t.Fatal(err)
				}
			}
		}
		return n
	}
	if written() == 0 {
		t.Skip("the folder of this test is on no disk")
	}
	records := func() uint64 {
		v, err := look(data)
		if err != nil {
			t.Fatal(err)
		}
		return v.Records
	}
	say := func(i int) {
		before := records()
		for up := float64(i); records() == before; up += 0.2 { // the line may not be open yet
			text, err := rigsim.SerialLines(nil, rigsim.Said{Readings: []meter.Reading{
				{Channel: meter.Pulses, Value: 1000}, {Channel: meter.Uptime, Value: up}}})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := l.near.Write(text); err != nil {
				t.Fatal(err)
			}
			time.Sleep(200 * time.Millisecond)
		}
	}
	say(100)
	await(t, "the log to be moved", func() bool {
		i, err := os.Stat(filepath.Join(data, journalFile+"-wal"))
		return errors.Is(err, fs.ErrNotExist) || err == nil && i.Size() == 0
	})
	time.Sleep(time.Second) // what was kept last has settled
	before := written()
	time.Sleep(3 * time.Second)
	records()
	if now := written(); now != before {
		t.Errorf("idle, it wrote %d bytes", now-before)
	}
	say(200)
	if written() == before {
		t.Fatal("a reading was kept and nothing was written: this counts nothing")
	}
}
