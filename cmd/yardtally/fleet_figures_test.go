package main

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"yardtally/ingest/journal"
	"yardtally/ingest/publish/influxtest"
	"yardtally/meter"
)

// rigFigures are what many rigs said and had said of them, all together.
type rigFigures struct {
	rigs, seconds int
	said          fleet
	points        float64 // to the InfluxDB; 0: there is none
	pointBytes    float64 // as it counts what it was sent
	stored        float64 // of all points in its own final form
	journal       float64 // a reading, in sealed blocks
}

// manyRigs are those that figures are given for.
const manyRigs = 10_000

// seasonReadings are a season of a rig.
const seasonReadings = 1e7

// report gives the figures a rig and second, and prints them, of many rigs and of
// a season as well: each is the measured one, multiplied.
func (f *rigFigures) report(b *testing.B) {
	each := float64(f.rigs * f.seconds)
	rate := float64(f.said.Readings) / each
	hours := seasonReadings / rate / 3600
	var text strings.Builder
	fmt.Fprintf(&text, "\n%s, %d cores: %d rigs for %d s; a season is %.0f million readings a rig, %.0f h of them\n\n",
		processor(), runtime.NumCPU(), f.rigs, f.seconds, seasonReadings/1e6, hours)
	w := tabwriter.NewWriter(&text, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "\ta rig, a second\t%d rigs, a second\ta rig's season\t\n", manyRigs)
	line := func(what, unit string, all float64, bytes bool) {
		b.ReportMetric(all/each, unit+"/rig·s")
		season := fmt.Sprintf("%.2f million", all/each*hours*3600/1e6)
		if bytes {
			season = fmt.Sprintf("%.1f MB", all/each*hours*3600/1e6)
		}
		fmt.Fprintf(w, "%s\t%.3g\t%.0f\t%s\t\n", what, all/each, all/each*manyRigs, season)
	}
	line("readings", "readings", float64(f.said.Readings), false)
	line("messages of readings", "messages", float64(f.said.Messages), false)
	line("bytes on the wire with them, acknowledgements too", "B-wire", float64(f.said.Bytes), true)
	line("bytes in the journal", "B-journal", f.journal*float64(f.said.Readings), true)
	line("messages of results", "results", float64(f.said.Results), false)
	line("bytes on the wire with them, to one who hears all", "B-results", float64(f.said.ResultBytes), true)
	if f.points > 0 {
		line("points to the InfluxDB", "points", f.points, false)
		line("bytes on the wire with them", "B-points", f.pointBytes, true)
		line("bytes in its files", "B-stored", f.stored, true)
	}
	w.Flush()
	fmt.Println(text.String())
}

// bytesWritten is how much an InfluxDB was sent to write, as it counts.
func bytesWritten(b *testing.B, s *influxtest.Server) float64 {
	b.Helper()
	for _, x := range s.Query("SHOW STATS FOR 'httpd'") {
		for i, name := range x.Columns {
			if n, ok := x.Values[0][i].(json.Number); ok && name == "writeReqBytes" {
				v, err := n.Float64()
				if err != nil {
					b.Fatal(err)
				}
				return v
			}
		}
	}
	b.Fatal("the InfluxDB does not say what it was sent")
	return 0
}

// storedSize is how many bytes an InfluxDB's points take once it has brought them
// into their final form, which it does at once, told that all is old. It ends it.
func storedSize(b *testing.B, s *influxtest.Server) (size float64) {
	b.Helper()
	s.Stop()
	for _, what := range []string{"CACHE_SNAPSHOT_WRITE_COLD_DURATION", "COMPACT_FULL_WRITE_COLD_DURATION"} {
		b.Setenv("INFLUXDB_DATA_"+what, "2s")
	}
	s.Restart()
	for was, still := -1.0, 0; still < 5; { // until nothing changes any more
		time.Sleep(time.Second)
		size = 0
		err := filepath.WalkDir(s.Folder(), func(path string, d fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(path) != ".tsm" {
				return nil // a file that is being compacted away is not there any more
			}
			if info, err := d.Info(); err == nil {
				size += float64(info.Size())
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
		if still++; size != was || size == 0 {
			still = 0
		}
		was = size
	}
	s.Stop()
	return size
}

// sealedSize is how many bytes a reading of a journal takes in sealed blocks: its
// records are put into another one, a block a rig.
func sealedSize(b *testing.B, path string) float64 {
	b.Helper()
	from, err := journal.Open(path, journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer from.Close()
	var size, readings int64
	for rig := range 8 {
		var recs []meter.Record
		err := from.Replay(rigName(rig), 0, func(r *meter.Record) error {
			c := *r
			c.Readings = append([]meter.Reading(nil), r.Readings...)
			recs = append(recs, c)
			return nil
		})
		if err != nil || len(recs) == 0 {
			b.Fatalf("%d records of %s, %v", len(recs), rigName(rig), err)
		}
		to, err := journal.Open(filepath.Join(b.TempDir(), "sealed"), journal.Options{SealAfter: min(len(recs), 4096)})
		if err != nil {
			b.Fatal(err)
		}
		boot, err := to.Boot("a")
		for i := range recs {
			if err != nil {
				b.Fatal(err)
			}
			recs[i].Boot = boot
			err = to.Append(rigName(rig), &recs[i])
		}
		if err == nil {
			err = to.Commit()
		}
		if err != nil {
			b.Fatal(err)
		}
		st := to.Stats()
		size, readings = size+st.BlockBytes, readings+st.SealedReadings
		if err := to.Close(); err != nil {
			b.Fatal(err)
		}
	}
	if readings == 0 {
		b.Fatal("nothing was sealed")
	}
	return float64(size) / float64(readings)
}
