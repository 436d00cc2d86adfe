package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// daemonOf starts a real daemon on a serial line, in a process of its own, in
// a folder where a night may have been imported before.
func daemonOf(b *testing.B, n *night, dir string, l *cable) *victim {
	b.Helper()
	c := sharedClock{source.SystemClock{}.Now().Mono, n.Start.Add(24 * time.Hour).UnixNano(), 1}
	return spawn(b, n.settingsFile(b, dir, l.path, "127.0.0.1:0"), c, os.Stderr)
}

// BenchmarkStart is the time from starting the process to the first reading of
// a serial line that is kept and shown, with a night in the journal. The line
// brings one reading every 10 ms.
func BenchmarkStart(b *testing.B) {
	n := playNight(b, rigsim.DemoNight())
	dir := b.TempDir()
	n.importTo(b, filepath.Join(dir, "data"))
	l := newLine(b)
	b.ResetTimer()
	for b.Loop() {
		v := daemonOf(b, n, dir, l)
		kept := make(chan error, 1)
		go func() {
			_, err := io.ReadFull(v.out, make([]byte, len("kept")))
			kept <- err
		}()
	talking:
		for i := 0; ; i++ {
			text, err := rigsim.SerialLines(nil, rigsim.Said{Readings: []meter.Reading{
				{Channel: meter.Pulses, Value: float64(n.truth.Count)}, {Channel: meter.Uptime, Value: 1e8 + float64(i)/5}}})
			if err != nil {
				b.Fatal(err)
			}
			if err := l.near.SetWriteDeadline(time.Now().Add(time.Millisecond)); err != nil {
				b.Fatal(err)
			}
			l.near.Write(text) // what the line cannot hold yet is lost
			select {
			case err := <-kept:
				if err != nil {
					b.Fatal(err)
				}
				break talking
			case <-time.After(10 * time.Millisecond):
			}
		}
		b.StopTimer()
		v.signal(b, syscall.SIGTERM)
		b.StartTimer()
	}
}

// BenchmarkIdleMemory is what a real daemon holds with a night in its journal,
// a page once looked at, and nothing coming, after 10 s.
func BenchmarkIdleMemory(b *testing.B) {
	n := playNight(b, rigsim.DemoNight())
	dir := b.TempDir()
	n.importTo(b, filepath.Join(dir, "data"))
	l := newLine(b)
	for b.Loop() {
		v := daemonOf(b, n, dir, l)
		await(b, "the daemon", func() bool { _, err := look(filepath.Join(dir, "data")); return err == nil })
		b.ReportMetric(status(b, v.cmd.Process.Pid, "VmRSS"), "MB-started")
		time.Sleep(10 * time.Second)
		for _, what := range []string{"VmRSS", "RssAnon", "RssFile", "VmHWM"} {
			b.ReportMetric(status(b, v.cmd.Process.Pid, what), "MB-"+what)
		}
		v.signal(b, syscall.SIGTERM)
	}
}

// status returns a figure of a process, MB of a million bytes.
func status(b *testing.B, pid int, what string) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Skip("no /proc here")
	}
	for l := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(l, what+":"); ok {
			kb, err := strconv.ParseFloat(strings.Fields(v)[0], 64)
			if err != nil {
				b.Fatal(err)
			}
			return kb * 1024 / 1e6
		}
	}
	b.Fatalf("no %s", what)
	return 0
}

// importTo puts the night into a new journal.
func (n *night) importTo(b testing.TB, data string) {
	b.Helper()
	back, err := openLocal(data, n.Rig, true)
	if err != nil {
		b.Fatal(err)
	}
	defer back.Close()
	if err := sayAll(context.Background(), back, n.settings(b, data), 1); err != nil {
		b.Fatal(err)
	}
	f, err := os.Open(n.recording(b))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if _, err := back.Import(context.Background(), f, func(imported) {}); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkDesk is a message from Put to its commit, one commit a second of the
// night, the ledger's share and the page's view with it.
func BenchmarkDesk(b *testing.B) {
	n := playNight(b, rigsim.SmallNight(1))
	readings := 0
	for b.Loop() {
		b.StopTimer()
		w := work(b, n.settings(b, b.TempDir()), newStepClock(n.Start))
		b.StartTimer()
		for i, m := range n.said {
			w.clock.set(m.At)
			at := w.clock.Now()
			r := meter.Record{Mono: at.Mono, Wall: at.Wall, Source: "serial", Readings: m.Readings}
			if err := w.desk.Put(context.Background(), source.Arrival{Rig: n.Rig, Records: []meter.Record{r}}); err != nil {
				b.Fatal(err)
			}
			readings += len(m.Readings)
			if i%13 == 0 { // a second's worth
				w.view()
			}
		}
		w.view()
		b.StopTimer()
		w.end()
		b.StartTimer()
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkLive is the time from a serial line's bytes to the snapshot that
// shows their flow, on a pseudo-terminal.
func BenchmarkLive(b *testing.B) {
	n := playNight(b, rigsim.SmallNight(1))
	l := newLine(b)
	set := n.settings(b, b.TempDir())
	set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
	w := work(b, set, newStepClock(n.Start))
	at := n.Start
	i := 0
	for b.Loop() {
		i++
		at = at.Add(200 * time.Millisecond)
		w.clock.set(at)
		text, err := rigsim.SerialLines(nil, rigsim.Said{At: at, Readings: []meter.Reading{
			{Channel: meter.Pulses, Value: float64(1000 + 5*i)}, {Channel: meter.Uptime, Value: 5000 + float64(i)/5}}})
		if err != nil {
			b.Fatal(err)
		}
		before := w.desk.Snapshot()
		if _, err := l.near.Write(text); err != nil {
			b.Fatal(err)
		}
		if i > 1 {
			await(b, "the flow to be shown", func() bool { return w.desk.Snapshot().Live.FlowAt > before.Live.FlowAt })
		}
	}
}
