package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"yardtally/ingest/journal"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter"
)

// peerSays is what testdata/peers answers.
type peerSays struct {
	Readings, Refused int
	Sum               float64
	Seconds           float64
	Commits           int
	P50, P99          float64
	Written, Blocks   int64
	RSS               int64
}

// peer is one of the stores beside the journal.
type peer struct {
	name string
	bin  string
	s    *influxtest.Server // of InfluxDB
}

// run has the peers' program do something and returns what it says.
func (p *peer) run(b *testing.B, dir, action string, file ...string) (a peerSays) {
	b.Helper()
	args := []string{"-dir", dir}
	if p.s != nil {
		args = []string{"-url", p.s.URL, "-pid", fmt.Sprint(p.s.PID())}
	}
	cmd := exec.Command(p.bin, append(append(args, p.name, action), file...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err == nil {
		err = json.Unmarshal(out, &a)
	}
	if err != nil {
		b.Fatalf("%s %s: %v", p.name, action, err)
	}
	return a
}

// fresh empties the store and returns the folder of the next.
func (p *peer) fresh(b *testing.B) string {
	b.Helper()
	if p.s != nil {
		p.s.Exec(`DROP DATABASE "yard"`)
		p.s.NewDatabase("yard")
		return p.s.Folder()
	}
	return b.TempDir()
}

// writeReadings writes the readings as testdata/peers reads them (type row there).
func writeReadings(b *testing.B, recs func(yield func(stamped) bool)) (path string, n int, sum float64) {
	b.Helper()
	path = filepath.Join(b.TempDir(), "readings")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	out := bufio.NewWriterSize(f, 1<<20)
	sources := map[string]byte{}
	for r := range recs {
		source, ok := sources[r.Source]
		if !ok {
			source = byte(len(sources))
			sources[r.Source] = source
		}
		for _, x := range r.Readings {
			var row [20]byte
			binary.LittleEndian.PutUint64(row[0:], uint64(r.Wall))
			binary.LittleEndian.PutUint16(row[8:], uint16(r.rig))
			row[10], row[11] = source, byte(x.Channel)
			binary.LittleEndian.PutUint64(row[12:], math.Float64bits(x.Value))
			out.Write(row[:])
			n++
			sum += x.Value
		}
	}
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	return path, n, sum
}

func inOrder(nights ...[]meter.Record) func(func(stamped) bool) {
	return func(yield func(stamped) bool) {
		for _, recs := range nights {
			for i := range recs {
				if !yield(stamped{0, recs[i]}) {
					return
				}
			}
		}
	}
}

// column is one store's figures, each of every round.
type column map[string][]float64

func (c column) add(what string, v float64) { c[what] = append(c[what], v) }

func (c column) median(what string) (float64, bool) {
	v := slices.Sorted(slices.Values(c[what]))
	if len(v) == 0 {
		return 0, false
	}
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2, true
}

// peerLines are the table's lines, in order.
var peerLines = []struct{ what, format string }{
	{"bytes a reading, all files", "%.2f"},
	{"the same without write-ahead logs", "%.2f"},
	{"bytes written a second of logging", "%.0f"},
	{"the same in whole blocks of the disk", "%.0f"},
	{"importing, readings/s", "%.0f"},
	{"reading back, readings/s", "%.0f"},
	{"restating, readings/s", "%.0f"},
	{"commit of 2,400 readings, median, ms", "%.1f"},
	{"the same, 99th percentile, ms", "%.1f"},
	{"memory with the season open, MB", "%.0f"},
}

// BenchmarkPeers holds the journal beside rows of SQLite, the library tsdb and
// an InfluxDB 1.8 on the same readings, the demo's channels, in one run, and
// prints the table: medians of ten rounds and a season of ten million readings
// with YARDTALLY_FULL=1, else one round and a million. A round has each store
// once for each of importing, reading back and committing, in turn, with a tenth
// of the season; size and memory are of the whole season.
func BenchmarkPeers(b *testing.B) {
	rounds, part := 1, 6
	if full() {
		rounds = 10
	}
	bin := filepath.Join(b.TempDir(), "peers")
	if out, err := exec.Command("go", "build", "-C", filepath.Join("..", "..", "testdata", "peers"), "-o", bin, ".").CombinedOutput(); err != nil {
		b.Fatalf("building testdata/peers: %v\n%s", err, out)
	}
	s := theSeason(b)
	nights := s.nightsOf(b)
	some := nights[:min(part, len(nights))]
	said := crowd(nights[0], liveRigs, liveSeconds)
	partFile, partN, partSum := writeReadings(b, inOrder(some...))
	nightFile, _, _ := writeReadings(b, inOrder(nights[0]))
	liveFile, _, _ := writeReadings(b, func(yield func(stamped) bool) {
		for _, sec := range said {
			slices.SortStableFunc(sec, func(x, y stamped) int { return int(x.Wall - y.Wall) })
			for _, r := range sec {
				if !yield(r) {
					return
				}
			}
		}
	})
	peers := []*peer{{name: "sqlite", bin: bin}, {name: "tsdb", bin: bin}, {name: "influx", bin: bin, s: influxtest.Start(b)}}
	columns := make([]column, 1+len(peers))
	for i := range columns {
		columns[i] = column{}
	}
	lasted := float64(nights[0][len(nights[0])-1].Mono-nights[0][0].Mono) / 1e9
	refused := 0
	for b.Loop() {
		for range rounds {
			ours(b, s, columns[0], some, partN, partSum)
			took := liveCommits(b, said)
			columns[0].add("commit of 2,400 readings, median, ms", share(took, 0.5))
			columns[0].add("the same, 99th percentile, ms", share(took, 0.99))
			for i, p := range peers {
				c := columns[i+1]
				dir := p.fresh(b)
				put := p.run(b, dir, "import", partFile)
				c.add("importing, readings/s", float64(put.Readings)/put.Seconds)
				got := p.run(b, dir, "open")
				c.add("reading back, readings/s", float64(got.Readings)/got.Seconds)
				p.want(b, put, got, partN, partSum)
				refused = max(refused, put.Refused)
				live := p.run(b, p.fresh(b), "log", liveFile)
				c.add("commit of 2,400 readings, median, ms", live.P50)
				c.add("the same, 99th percentile, ms", live.P99)
			}
		}
	}
	blocks := blocksWritten(b)
	columns[0].add("bytes written a second of logging", float64(ourWrites(b, nights[0]))/lasted)
	columns[0].add("the same in whole blocks of the disk", float64(blocksWritten(b)-blocks)/lasted)
	for i, p := range peers {
		a := p.run(b, p.fresh(b), "log", nightFile)
		columns[i+1].add("bytes written a second of logging", float64(a.Written)/lasted)
		columns[i+1].add("the same in whole blocks of the disk", float64(a.Blocks)/lasted)
	}
	wholeSeason(b, s, nights, peers, columns)
	b.ReportMetric(0, "ns/op")

	var text strings.Builder
	fmt.Fprintf(&text, "%s, %d cores; %s; %d readings, a part of %d; medians of %d\n\n", processor(), runtime.NumCPU(), runtime.Version(), s.readings, partN, rounds)
	w := tabwriter.NewWriter(&text, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "\tjournal\tSQLite rows\ttsdb\tInfluxDB 1.8\t")
	for _, l := range peerLines {
		fmt.Fprint(w, l.what, "\t")
		for _, c := range columns {
			if v, ok := c.median(l.what); ok {
				fmt.Fprintf(w, l.format+"\t", v)
			} else {
				fmt.Fprint(w, "–\t")
			}
		}
		fmt.Fprintln(w)
	}
	w.Flush()
	fmt.Fprintf(&text, "\nThe journal keeps each record's source, arrival on two clocks and sender's stamp, the others one instant. tsdb syncs nothing at a commit, and took %d readings for doubles. InfluxDB is asked over HTTP.\n", refused)
	fmt.Print(text.String())
}

// want checks that a peer gave back what it took.
func (p *peer) want(b *testing.B, put, got peerSays, n int, sum float64) {
	b.Helper()
	if put.Readings != n || got.Readings != n-put.Refused || put.Refused == 0 && math.Abs(got.Sum-sum) > 1e-9*math.Abs(sum) {
		b.Fatalf("%s took %d and gave back %d of sum %g; there are %d of sum %g, %d refused", p.name, put.Readings, got.Readings, got.Sum, n, sum, put.Refused)
	}
}

// ours is the journal's round.
func ours(b *testing.B, s *season, c column, nights [][]meter.Record, n int, sum float64) {
	b.Helper()
	dir := b.TempDir()
	start := time.Now()
	path := keep(b, dir, nights)
	c.add("importing, readings/s", float64(n)/time.Since(start).Seconds())
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	got, back := 0, 0.0
	start = time.Now()
	err = j.Replay("heron", 0, func(r *meter.Record) error {
		got += len(r.Readings)
		for i := range r.Readings {
			back += r.Readings[i].Value
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	c.add("reading back, readings/s", float64(n)/time.Since(start).Seconds())
	if got != n || math.Abs(back-sum) > 1e-9*math.Abs(sum) {
		b.Fatalf("the journal gave back %d readings of sum %g; there are %d of sum %g", got, back, n, sum)
	}
	o := s.open(b)
	o.edit(b, "proving", 0, s.bucket(0))
	start = time.Now()
	o.edit(b, "proving", 0, s.bucket(1))
	c.add("restating, readings/s", float64(s.readings)/time.Since(start).Seconds())
}

func ourWrites(b *testing.B, recs []meter.Record) int64 {
	b.Helper()
	layer := faulty.New()
	defer layer.Close()
	j, err := journal.Open(filepath.Join(b.TempDir(), "journal"), journal.Options{VFS: layer.Name()})
	if err != nil {
		b.Fatal(err)
	}
	_, before, _ := layer.Writes()
	if err := logNight(j, recs); err != nil {
		b.Fatal(err)
	}
	_, after, _ := layer.Writes()
	return after - before
}

// blocksWritten are the bytes that this process has caused to be written to a
// disk so far, in whole blocks (Linux, proc_pid_io(5), write_bytes).
func blocksWritten(b *testing.B) (n int64) {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip("no /proc here")
	}
	for l := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(l, "write_bytes:"); ok {
			if n, err = strconv.ParseInt(strings.TrimSpace(v), 10, 64); err != nil {
				b.Fatal(err)
			}
		}
	}
	return n
}

// wholeSeason adds size and memory with the whole season. What InfluxDB has not
// yet brought into its final form it does at once, told that all is old.
func wholeSeason(b *testing.B, s *season, nights [][]meter.Record, peers []*peer, columns []column) {
	b.Helper()
	size := func(c column, dir string) {
		all, log := folderSize(b, dir)
		c.add("bytes a reading, all files", float64(all)/float64(s.readings))
		c.add("the same without write-ahead logs", float64(all-log)/float64(s.readings))
	}
	memory := func(c column, bytes int64) { c.add("memory with the season open, MB", float64(bytes)/1e6) }
	dir := b.TempDir()
	path := keep(b, dir, nights)
	size(columns[0], dir)
	pid, end := seasonMemory(b, program(b), path)
	memory(columns[0], int64(1e6*status(b, pid, "VmRSS")))
	end()

	file, all, sum := writeReadings(b, inOrder(nights...))
	for _, what := range []string{"CACHE_SNAPSHOT_WRITE_COLD_DURATION", "COMPACT_FULL_WRITE_COLD_DURATION"} {
		b.Setenv("INFLUXDB_DATA_"+what, "2s")
	}
	for i, p := range peers {
		if p.s != nil {
			p.s.Stop()
			p = &peer{name: p.name, bin: p.bin, s: influxtest.Start(b)}
		}
		dir := p.fresh(b)
		put := p.run(b, dir, "import", file)
		if p.s != nil {
			for was, still := int64(-1), 0; still < 5; { // until nothing changes any more
				time.Sleep(2 * time.Second)
				now, _ := folderSize(b, dir)
				if still++; now != was {
					still = 0
				}
				was = now
			}
			p.s.Stop()
			p.s.Restart()
			time.Sleep(5 * time.Second)
		}
		size(columns[i+1], dir)
		got := p.run(b, dir, "open")
		memory(columns[i+1], got.RSS)
		p.want(b, put, got, all, sum)
	}
}

// processor names the machine's, as the kernel does.
func processor() string {
	text, _ := os.ReadFile("/proc/cpuinfo")
	for l := range strings.Lines(string(text)) {
		if name, ok := strings.CutPrefix(l, "model name"); ok {
			return strings.TrimLeft(strings.TrimSpace(name), ": \t")
		}
	}
	return runtime.GOARCH
}
