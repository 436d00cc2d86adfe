package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/desk"
	"yardtally/ingest/journal"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// season is a journal of nights like the demo's, on all of its channels, over
// its wires: what hangs on the serial line comes without stamps, the rest with
// the sender's. The rig is switched off between nights.
type season struct {
	file     []byte // the journal, closed
	nights   int
	readings int
	end      source.Stamp // as the newest reading came
	bootID   string       // of the newest night
	tonight  int64        // first reading of it, Unix ns
	acts     []act.Act    // the demo's
	proving  act.Act      // the newest of them
}

// seasonOf makes nights of some 170,000 readings each, 57 colonies fed in three
// yards, once in a process. The whole season is 60 of them, ten million readings.
var seasonOf = sync.OnceValues(func() (*season, error) {
	nights := 6
	switch {
	case full():
		nights = 60
	case os.Getenv("YARDTALLY_CI") != "": // there it is asked whether benchmarks run
		nights = 2
	}
	return makeSeason(nights)
})

func theSeason(b *testing.B) *season {
	b.Helper()
	s, err := seasonOf()
	if err != nil {
		b.Fatal(err)
	}
	return s
}

func seasonNight(i int) rigsim.Scenario {
	n := demoNight(uint64(i + 1))
	n.Start = n.Start.Add(time.Duration(i) * 24 * time.Hour)
	n.Yards[0].Colonies, n.Yards[1].Colonies, n.Yards[3].Colonies = 23, 18, 16
	n.Meter.Uptime, n.Meter.Boots = time.Minute, uint64(i+1)
	return n
}

func makeSeason(nights int) (*season, error) {
	s := &season{nights: nights}
	set, err := (&demo{night: seasonNight(0), data: "none", page: "127.0.0.1:0", units: quantity.US}).settings("")
	if err != nil {
		return nil, err
	}
	for i, a := range set.Acts {
		s.acts = append(s.acts, act.Act{ID: fmt.Sprint("demo", i), Rig: "heron", Who: "wren", When: int64(i + 1), Body: a.Body})
	}
	s.proving = s.acts[len(s.acts)-1]
	dir, err := os.MkdirTemp("", "yardtally-season-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "journal")
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		return nil, err
	}
	defer j.Close()
	for i := range s.acts {
		if _, err := j.AddAct(s.acts[i]); err != nil {
			return nil, err
		}
	}
	for i := range nights {
		if err := s.add(j, i); err != nil {
			return nil, err
		}
	}
	if err := j.Close(); err != nil {
		return nil, err
	}
	s.file, err = os.ReadFile(path)
	return s, err
}

// add plays a night into the journal.
func (s *season) add(j *journal.Journal, night int) error {
	rig, err := rigsim.New(seasonNight(night))
	if err != nil {
		return err
	}
	s.bootID, s.tonight = fmt.Sprintf("night %d", night+1), 0
	boot, err := j.Boot(s.bootID)
	if err != nil {
		return err
	}
	split := rigsim.DemoSplit()
	waiting := 0
	for m := range rig.All() {
		at := m.At.UnixNano()
		if s.tonight == 0 {
			s.tonight = at
		}
		// What a message takes to come, ms, without any two at one instant.
		wait := 3 + int64(len(m.Readings))%3
		for _, wire := range [...]struct {
			source   string
			channels []meter.Channel
		}{{"counter board", split.Serial}, {"broker", split.MQTT}} {
			r := meter.Record{Boot: boot, Source: wire.source}
			for _, x := range m.Readings {
				if slices.Contains(wire.channels, x.Channel) {
					r.Readings = append(r.Readings, x)
				}
			}
			if len(r.Readings) == 0 {
				continue
			}
			s.end = source.Stamp{Mono: 77e9 + at - s.tonight + wait*1e6, Wall: at + wait*1e6}
			r.Mono, r.Wall = s.end.Mono, s.end.Wall
			if wire.source == "broker" {
				r.Sent = at
			}
			if err := j.Append("heron", &r); err != nil {
				return err
			}
			s.readings += len(r.Readings)
			if waiting++; waiting == 8192 {
				if err := j.Commit(); err != nil {
					return err
				}
				waiting = 0
			}
		}
	}
	return j.Commit()
}

// stillClock stands where the season ended.
type stillClock source.Stamp

func (c stillClock) Now() source.Stamp { return source.Stamp(c) }

// opened is a desk on a copy of the season.
type opened struct {
	*desk.Desk
	acts int
	last map[string]string // newest act of a kind of edit
}

func (s *season) open(b *testing.B) *opened {
	b.Helper()
	path := filepath.Join(b.TempDir(), "journal")
	f, err := os.Create(path)
	if err == nil {
		_, err = io.Copy(f, bytes.NewReader(s.file))
	}
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		b.Fatal(err)
	}
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { j.Close() })
	d, err := desk.Open(desk.Options{Rig: "heron", Journal: j, Clock: stillClock(s.end), BootID: s.bootID,
		Log: slog.New(slog.NewTextHandler(b.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	b.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			b.Error(err)
		}
	})
	return &opened{Desk: d, last: make(map[string]string)}
}

// edit says something new of a subject, and waits until the view holds it.
func (o *opened) edit(b *testing.B, subject string, from int64, body act.Body) *ledger.View {
	b.Helper()
	o.acts++
	a := act.Act{ID: fmt.Sprint("edit", o.acts), Rig: "heron", Who: "wren", When: 1_800_000_000e9 + int64(o.acts), From: from, Body: body}
	if old := o.last[subject]; old != "" {
		a.Replaces = []string{old}
	}
	o.last[subject] = a.ID
	before := o.Snapshot().View
	if n, err := o.AddActs(context.Background(), a); err != nil || n != 1 {
		b.Fatal(n, err)
	}
	v := o.Snapshot().View
	if v == before || v.Records != before.Records {
		b.Fatal("the view is not there")
	}
	return v
}

// bucket is a bucket test that differs from all others.
func (s *season) bucket(i int) act.Proving {
	p := s.proving.Body.(act.Proving)
	p.Pulses += float64(i%50 - 25)
	return p
}

// Restating everything after an edit: a bucket test is corrected, since ever.
// Journal, ledger and view; ten million readings with YARDTALLY_FULL=1, a tenth
// of that without.
func BenchmarkRestateSeason(b *testing.B) {
	s := theSeason(b)
	heap := heapNow()
	o := s.open(b)
	heap = heapNow() - heap
	i := 0
	for b.Loop() {
		i++
		before := o.Snapshot().View.Total
		if v := o.edit(b, "proving", 0, s.bucket(i)); i > 1 && v.Total == before {
			b.Fatal("nothing changed")
		}
	}
	took := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(float64(s.readings), "readings")
	b.ReportMetric(float64(s.readings)/took, "readings/s")
	b.ReportMetric(took*1e7/float64(s.readings), "s/10Mreadings")
	b.ReportMetric(float64(heap)/1e6, "heap-MB")
	b.ReportMetric(float64(len(o.Snapshot().View.Fills)), "fills")
}

func heapNow() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// Edits of tonight with a season open, each until the view holds it.
func BenchmarkEditTonight(b *testing.B) {
	s := theSeason(b)
	o := s.open(b)
	tonight := func() *ledger.Fill {
		v := o.Snapshot().View
		return &v.Fills[len(v.Fills)-3]
	}
	yard, ok := s.acts[3].Body.(act.Yard)
	if !ok || yard.ID != "orchard" {
		b.Fatal("the demo's acts are others")
	}
	for _, c := range []struct {
		name string
		from int64
		body func(i int) act.Body
	}{
		{"move", 0, func(i int) act.Body {
			f := tonight()
			return act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: [...]string{"mill", "ferry"}[i%2]}
		}},
		{"tap", 0, func(int) act.Body {
			return act.Colony{At: act.Moment{NS: tonight().End + 1}, What: act.Skipped}
		}},
		{"yard", 0, func(i int) act.Body {
			y := yard
			y.Lat += float64(i%7) * 1e-5
			return y
		}},
		{"proving", s.tonight, func(i int) act.Body {
			p := s.bucket(i)
			p.DoneNS = s.tonight
			return p
		}},
	} {
		b.Run(c.name, func(b *testing.B) {
			i := 0
			for b.Loop() {
				i++
				subject := c.name
				if c.name == "tap" {
					subject = fmt.Sprint("tap", i%20) // a night's taps at most
				}
				o.edit(b, subject, c.from, c.body(i))
			}
			b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/op")
			b.ReportMetric(0, "ns/op")
		})
	}
}
