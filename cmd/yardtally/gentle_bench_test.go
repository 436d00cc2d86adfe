package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/journal"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter"
	"yardtally/meter/ledger"
)

// restore writes the season's journal to a folder.
func (s *season) restore(b testing.TB, dir string) string {
	b.Helper()
	path := filepath.Join(dir, journalFile)
	if err := os.WriteFile(path, s.file, 0o660); err != nil {
		b.Fatal(err)
	}
	return path
}

// nightsOf are the season's records, a slice for each boot, each 0 to 3 ms
// later than the season has it, as scheduler and wire would have it: without
// that, what says when a record came would cost nothing. No two are at one instant.
func (s *season) nightsOf(b testing.TB) [][]meter.Record {
	b.Helper()
	j, err := journal.Open(s.restore(b, b.TempDir()), journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	rng := rand.New(rand.NewPCG(1, 8))
	var out [][]meter.Record
	last := int64(0)
	err = j.Replay("heron", 0, func(r *meter.Record) error {
		if len(out) == 0 || out[len(out)-1][0].Boot != r.Boot {
			out = append(out, nil)
			last = 0
		}
		c := *r
		c.Mono = max(c.Mono+rng.Int64N(4)*1e6, last+1e6)
		c.Wall += c.Mono - r.Mono
		last = c.Mono
		c.Readings = slices.Clone(r.Readings)
		out[len(out)-1] = append(out[len(out)-1], c)
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return out
}

// keep puts nights into a new journal in dir, commits of 8,192 records, and
// closes it.
func keep(b testing.TB, dir string, nights [][]meter.Record) (path string) {
	b.Helper()
	path = filepath.Join(dir, "journal")
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	waiting := 0
	for i, recs := range nights {
		boot, err := j.Boot(fmt.Sprint("night ", i))
		if err != nil {
			b.Fatal(err)
		}
		for k := range recs {
			r := recs[k]
			r.Boot = boot
			if err := j.Append("heron", &r); err != nil {
				b.Fatal(err)
			}
			if waiting++; waiting%8192 == 0 {
				if err := j.Commit(); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

// folderSize is the size of all files in dir, bytes, and how much of it is
// write-ahead logs: what is in folders named wal, and SQLite's files.
func folderSize(b testing.TB, dir string) (size, log int64) {
	b.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			size += info.Size()
			if strings.Contains(path, "/wal/") || strings.HasSuffix(path, "-wal") {
				log += info.Size()
			}
		}
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return size, log
}

// Bytes a reading takes on the demo's channels: the whole file, and beside it
// the entropy of the data (see information).
func BenchmarkSeasonSize(b *testing.B) {
	s := theSeason(b)
	nights := s.nightsOf(b)
	for b.Loop() {
		var info information
		for _, recs := range nights {
			info.add(recs)
		}
		if info.readings != s.readings {
			b.Fatal(info.readings, s.readings)
		}
		order0, given := info.perReading()
		n := float64(s.readings)
		dir := b.TempDir()
		keep(b, dir, nights)
		b.ReportMetric(n, "readings")
		size, _ := folderSize(b, dir)
		b.ReportMetric(float64(size)/n, "B/reading")
		b.ReportMetric(order0, "entropyB/reading")
		b.ReportMetric(given, "givenB/reading")
		b.ReportMetric(info.arrivals/8/n, "arrivalsB/reading")
		b.ReportMetric(info.values/8/n, "valuesB/reading")
	}
	b.ReportMetric(0, "ns/op")
}

// seconds cuts records at the seconds of their boot.
func seconds(recs []meter.Record) (out [][]meter.Record) {
	for len(recs) > 0 {
		n := 1
		for n < len(recs) && recs[n].Mono/1e9 == recs[0].Mono/1e9 {
			n++
		}
		out = append(out, recs[:n])
		recs = recs[n:]
	}
	return out
}

func readingsOf(recs []meter.Record) (n int) {
	for i := range recs {
		n += len(recs[i].Readings)
	}
	return n
}

// What a night of logging writes, a commit each second and the ledger's state
// every five minutes as the daemon does, counted where SQLite hands its bytes
// to the file.
func BenchmarkSeasonWritten(b *testing.B) {
	nights := theSeason(b).nightsOf(b)
	recs := nights[len(nights)-1]
	lasted := float64(recs[len(recs)-1].Mono-recs[0].Mono) / 1e9
	for b.Loop() {
		layer := faulty.New()
		j, err := journal.Open(filepath.Join(b.TempDir(), "journal"), journal.Options{VFS: layer.Name()})
		if err != nil {
			b.Fatal(err)
		}
		_, before, syncs := layer.Writes()
		if err := logNight(j, recs); err != nil {
			b.Fatal(err)
		}
		_, after, now := layer.Writes()
		b.ReportMetric(float64(after-before)/lasted, "B/s")
		b.ReportMetric(float64(now-syncs)/lasted, "syncs/s")
		b.ReportMetric(float64(readingsOf(recs))/lasted, "readings/s")
		layer.Close()
	}
	b.ReportMetric(0, "ns/op")
}

// logNight logs as the daemon does and closes the journal.
func logNight(j *journal.Journal, recs []meter.Record) error {
	boot, err := j.Boot("tonight")
	if err != nil {
		return err
	}
	led := ledger.New("heron")
	led.NameBoot(boot, "tonight")
	saved := recs[0].Mono
	for _, sec := range seconds(recs) {
		for i := range sec {
			r := sec[i]
			r.Boot = boot
			if err := j.Append("heron", &r); err != nil {
				return err
			}
			led.Add(&r)
		}
		if err := j.Commit(); err != nil {
			return err
		}
		if at := sec[0].Mono; at-saved > 300e9 {
			saved = at
			led.Settle(sec[0].Wall)
			data, err := led.Save()
			if err == nil && data != nil {
				err = j.PutCheckpoint("heron", "ledger", data)
			}
			if err != nil {
				return err
			}
		}
	}
	return j.Close()
}

// stamped is a record of one of many rigs.
type stamped struct {
	rig int
	meter.Record
}

// crowd is what so many rigs say in so many seconds: each is somewhere else in
// the night, where it says most.
func crowd(recs []meter.Record, rigs, secs int) [][]stamped {
	night := seconds(recs)
	out := make([][]stamped, secs)
	for s := range out {
		for rig := range rigs {
			for _, r := range night[(s+37*rig)%len(night)] {
				into := r.Mono % 1e9 // of its second
				r.Mono = 77e9 + int64(s)*1e9 + into
				r.Wall = recs[0].Wall/1e9*1e9 + int64(s)*1e9 + into
				if r.Sent != 0 {
					r.Sent = r.Wall - 5e6
				}
				out[s] = append(out[s], stamped{rig, r})
			}
		}
	}
	return out
}

// liveRigs rigs like the demo's say 2,400 readings a second together.
const (
	liveRigs    = 112
	liveSeconds = 300
)

// liveCommits keeps what the rigs say, a commit each second, and returns what
// each commit took.
func liveCommits(b testing.TB, said [][]stamped) (took []time.Duration) {
	b.Helper()
	j, err := journal.Open(filepath.Join(b.TempDir(), "journal"), journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	boot, err := j.Boot("a")
	if err != nil {
		b.Fatal(err)
	}
	for _, sec := range said {
		for i := range sec {
			r := sec[i].Record
			r.Boot = boot
			if err := j.Append(fmt.Sprint("rig", sec[i].rig), &r); err != nil {
				b.Fatal(err)
			}
		}
		start := time.Now()
		if err := j.Commit(); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(start))
	}
	return took
}

// share returns what so large a share of the durations is at most, ms.
func share(took []time.Duration, of float64) float64 {
	took = slices.Sorted(slices.Values(took))
	return 1e3 * took[int(of*float64(len(took)-1))].Seconds()
}

// A commit once a second of 2,400 readings: of many rigs, and of one that speaks
// so much faster. One follows the other at once, so sealing and the moving of
// the log have less time beside them than they would have live.
func BenchmarkCommitLive(b *testing.B) {
	nights := theSeason(b).nightsOf(b)
	for _, rigs := range []int{liveRigs, 1} {
		b.Run(fmt.Sprintf("rigs=%d", rigs), func(b *testing.B) {
			said := crowd(nights[0], liveRigs, liveSeconds)
			if rigs == 1 {
				for s := range said {
					for i := range said[s] {
						said[s][i].rig = 0
					}
				}
			}
			n := 0
			for _, sec := range said {
				for i := range sec {
					n += len(sec[i].Readings)
				}
			}
			var took []time.Duration
			for b.Loop() {
				took = append(took, liveCommits(b, said)...)
			}
			b.ReportMetric(float64(n)/liveSeconds, "readings/commit")
			b.ReportMetric(share(took, 0.5), "ms-p50")
			b.ReportMetric(share(took, 0.99), "ms-p99")
			b.ReportMetric(share(took, 1), "ms-most")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// program builds the command as it is shipped.
func program(b *testing.B) string {
	b.Helper()
	bin := filepath.Join(b.TempDir(), "yardtally")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	return bin
}

// seasonMemory starts a real daemon on the journal and returns its process once
// it serves and 10 s have passed with nothing coming, and what ends it.
func seasonMemory(b *testing.B, bin, journalPath string) (pid int, end func()) {
	b.Helper()
	n := &night{Scenario: seasonNight(0)}
	dir := b.TempDir()
	data := filepath.Join(dir, "data")
	if err := os.Mkdir(data, 0o770); err != nil {
		b.Fatal(err)
	}
	if err := os.Rename(journalPath, filepath.Join(data, journalFile)); err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(bin, "run", "-settings", n.settingsFile(b, dir, newLine(b).path, "127.0.0.1:0"))
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	end = func() {
		if err := errors.Join(cmd.Process.Signal(syscall.SIGTERM), cmd.Wait()); err != nil {
			b.Error(err)
		}
	}
	await(b, "the daemon", func() bool { _, err := look(data); return err == nil })
	time.Sleep(10 * time.Second)
	return cmd.Process.Pid, end
}

// BenchmarkSeasonMemory is what the program holds with the season open: ten
// million readings with YARDTALLY_FULL=1.
func BenchmarkSeasonMemory(b *testing.B) {
	s := theSeason(b)
	bin := program(b)
	for b.Loop() {
		pid, end := seasonMemory(b, bin, s.restore(b, b.TempDir()))
		b.ReportMetric(float64(s.readings), "readings")
		for _, what := range []string{"VmRSS", "RssAnon", "VmHWM"} {
			b.ReportMetric(status(b, pid, what), "MB-"+what)
		}
		end()
	}
	b.ReportMetric(0, "ns/op")
}

// BenchmarkImportRecording is a recording brought in as the command does, into
// an empty journal: parsed, compared with what is there, kept and derived.
func BenchmarkImportRecording(b *testing.B) {
	n := playNight(b, rigsim.DemoNight())
	readings := 0
	for _, m := range n.said {
		readings += len(m.Readings)
	}
	rec, err := os.ReadFile(n.recording(b))
	if err != nil {
		b.Fatal(err)
	}
	var took time.Duration
	for b.Loop() {
		back, err := openLocal(filepath.Join(b.TempDir(), "data"), n.Rig, true)
		if err != nil {
			b.Fatal(err)
		}
		start := time.Now()
		done, err := back.Import(context.Background(), bytes.NewReader(rec), func(imported) {})
		if err != nil || done.Records != len(n.said) {
			b.Fatalf("%+v, %v", done, err)
		}
		if err := back.Close(); err != nil {
			b.Fatal(err)
		}
		took += time.Since(start)
	}
	b.ReportMetric(float64(readings)*float64(b.N)/took.Seconds(), "readings/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkMessages sends messages from four clients through the embedded broker
// to the desk and its journal, as fast as they are taken, and holds what was
// kept against what was sent: every one, in its order. The last commit counts.
func BenchmarkMessages(b *testing.B) {
	channels := [...]meter.Channel{meter.Pulses, meter.Mark, meter.Skip, meter.Line}
	const each = 15_000
	for _, qos := range []byte{0, 1} {
		b.Run(fmt.Sprintf("qos=%d", qos), func(b *testing.B) {
			n := playNight(b, rigsim.SmallNight(1))
			sent := 0
			var took time.Duration
			for b.Loop() {
				dir := b.TempDir()
				set := n.settings(b, dir)
				set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
				clock := newStepClock(n.Start)
				w := work(b, set, clock)
				packs := make([][][]byte, len(channels))
				for c := range packs {
					for i := range each {
						pack, err := rigsim.Pack(nil, n.Rig, rigsim.Said{Readings: []meter.Reading{{Channel: channels[c], Value: float64(i + 1)}}}, false)
						if err != nil {
							b.Fatal(err)
						}
						packs[c] = append(packs[c], pack)
					}
				}
				topic := settings.DefaultPrefix + "/" + n.Rig + "/readings"
				var failed atomic.Pointer[error]
				var all sync.WaitGroup
				start := time.Now()
				for c := range packs {
					client := publisherNamed(b, w.broker.Addr(), fmt.Sprint("board ", c))
					all.Go(func() {
						var out []interface{ Error() error }
						for i, p := range packs[c] {
							clock.set(n.Start.Add(time.Since(start)))
							k := client.Publish(topic, qos, false, p)
							out = append(out, k)
							if qos == 0 || i%64 == 63 || i == each-1 { // so many on the way at once
								k.Wait()
							}
						}
						for _, k := range out {
							if err := k.Error(); err != nil {
								failed.Store(&err)
							}
						}
					})
				}
				all.Wait()
				if err := failed.Load(); err != nil {
					b.Fatal(*err)
				}
				await(b, "every message to be kept", func() bool { return w.desk.Snapshot().Records >= each*uint64(len(channels)) })
				took += time.Since(start)
				sent += each * len(channels)
				if d := w.broker.State().Dropped; len(d) > 0 {
					b.Errorf("dropped: %v", d)
				}
				w.end()
				wantInOrder(b, filepath.Join(dir, journalFile), n.Rig, channels[:], each)
			}
			b.ReportMetric(float64(sent)/took.Seconds(), "messages/s")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// wantInOrder checks that each channel counts from 1 to n in the journal.
func wantInOrder(b *testing.B, path, rig string, channels []meter.Channel, n int) {
	b.Helper()
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	last := make(map[meter.Channel]float64)
	err = j.Replay(rig, 0, func(r *meter.Record) error {
		for _, x := range r.Readings {
			if x.Value != last[x.Channel]+1 {
				return fmt.Errorf("%s: %g comes after %g", x.Channel, x.Value, last[x.Channel])
			}
			last[x.Channel] = x.Value
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range channels {
		if last[c] != float64(n) {
			b.Errorf("%s: %g of %d messages", c, last[c], n)
		}
	}
}
