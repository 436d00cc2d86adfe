package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// soakForm is how long the month is.
type soakForm struct {
	nights    int
	killed    int           // nights of which the daemon is killed and restarted; one life has the others
	share     float64       // of the season's colonies
	each      int           // faults a night
	ahead     time.Duration // most that the rig is ahead of what the daemon has read
	influx    bool          // a real InfluxDB, else a stand-in that answers 503 now and then
	mosquitto bool
}

func soakForms() soakForm {
	switch os.Getenv("YARDTALLY_FULL") {
	case "1":
		return soakForm{nights: 12, killed: 4, share: 0.15, each: 3, ahead: 5 * time.Second, influx: true, mosquitto: true}
	case "long":
		return soakForm{nights: 12, killed: 4, share: 1, each: 8, ahead: time.Second, influx: true, mosquitto: true}
	}
	return soakForm{nights: 4, killed: 1, share: 0.15, each: 4, ahead: 2 * time.Second}
}

// A month at speed: nights of feeding, idle days between with a few readings,
// the keeper's books, and faults at random all the while, on a daemon in a
// process of its own that is fed over a serial line and MQTT. In the end every
// pulse is accounted for, the yards have what they have without any fault, the
// statement closes, live is as replayed, the InfluxDB has the results, no alarm
// was given out twice, and memory, descriptors and goroutines are as they were.
func TestSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a quarter of a minute")
	}
	if raced {
		t.Skip("the daemon is a process of its own, whose memory the race detector multiplies; its races are other tests' matter")
	}
	t.Parallel() // it waits more than it works
	f := soakForms()
	seed := uint64(1)
	if text := os.Getenv("YARDTALLY_SOAK_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	s := newSoak(t, f, seed)
	began := time.Now()
	if err := s.p.play(); err != nil {
		t.Fatal(err)
	}
	s.rest()
	s.check()
	s.table(time.Since(began))
}

// soakStore is what points are sent to.
type soakStore struct {
	url, bucket string
	down, up    func()
	fills       func() map[int64]soakPoint // that hold, by instant
	all         func() int
}

type soakPoint struct {
	litres float64
	yard   string
}

// standIn takes points as an InfluxDB does, a later one of the same instant in
// the place of the one before; while it is down it answers 503.
func standIn(t testing.TB) *soakStore {
	var down atomic.Bool
	var mu sync.Mutex
	points := map[string]string{} // fields, by measurement, tags and instant
	srv := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || down.Load() {
			rw.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		for l := range strings.Lines(string(body)) {
			l = strings.TrimSpace(l)
			key, rest, ok := strings.Cut(l, " ")
			at := strings.LastIndexByte(rest, ' ')
			if ok && at >= 0 {
				points[key+" "+rest[at+1:]] = rest[:at]
			}
		}
		rw.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(srv.Close)
	litres, yard := regexp.MustCompile(`volume_l=([0-9.e+-]+)`), regexp.MustCompile(`yard="([^"]*)"`)
	return &soakStore{url: srv.URL, bucket: "b", down: func() { down.Store(true) }, up: func() { down.Store(false) },
		all: func() int { mu.Lock(); defer mu.Unlock(); return len(points) },
		fills: func() map[int64]soakPoint {
			mu.Lock()
			defer mu.Unlock()
			out := map[int64]soakPoint{}
			for key, fields := range points {
				if !strings.HasPrefix(key, "fill,") || strings.Contains(fields, "void=true") {
					continue
				}
				at, err := strconv.ParseInt(key[strings.LastIndexByte(key, ' ')+1:], 10, 64)
				if err != nil {
					t.Fatal(err)
				}
				var p soakPoint
				if m := litres.FindStringSubmatch(fields); m != nil {
					p.litres, _ = strconv.ParseFloat(m[1], 64)
				}
				if m := yard.FindStringSubmatch(fields); m != nil {
					p.yard = m[1]
				}
				out[at] = p
			}
			return out
		}}
}

// realInflux is an InfluxDB that is stopped and started.
func realInflux(t *testing.T) *soakStore {
	s := influxtest.Start(t)
	return &soakStore{url: s.URL, bucket: s.Bucket(), down: s.Stop, up: s.Restart,
		all: func() (n int) {
			hold, void := ask(t, s)
			for _, m := range []rows{hold, void} {
				for name := range m {
					n += len(m[name])
				}
			}
			return n
		},
		fills: func() map[int64]soakPoint {
			hold, _ := ask(t, s)
			out := map[int64]soakPoint{}
			for at, row := range hold["fill"] {
				ns, err := at.Int64()
				if err != nil {
					t.Fatal(err)
				}
				l, err := row["volume_l"].(json.Number).Float64()
				if err != nil {
					t.Fatal(err)
				}
				yard, _ := row["yard"].(string)
				out[ns] = soakPoint{l, yard}
			}
			return out
		}}
}

// check holds the end of the month against what is true.
func (s *soak) check() {
	t := s.t
	want := quantity.Volume(s.pulses()) * s.pulse
	s.await("the last reading", func() bool { v, err := look(s.data); return err == nil && v.Total >= want })
	s.await("the store to have everything", func() bool {
		var st storeState
		out, err := s.run("store", "-json")
		return err == nil && json.Unmarshal([]byte(out), &st) == nil && st.Waiting == 0 && st.RejectedAll == 0
	})
	live, err := look(s.data)
	if err != nil {
		t.Fatal(err)
	}
	if live.Total != want {
		t.Errorf("total %v, truly %v: %d pulses", live.Total, want, s.pulses())
	}
	s.sums(live)

	statement, err := s.run("statement")
	if err != nil {
		t.Fatal(err)
	}
	closes(t, statement, "sugar lb")
	var st stated
	if text, err := s.run("statement", "-format", "json"); err != nil || json.Unmarshal([]byte(text), &st) != nil {
		t.Fatal(err)
	}
	s.unaccounted = [3]float64{st.UnaccountedKg, st.WithinKg, s.p.truth.Unaccounted()}
	if d := st.UnaccountedKg - s.p.truth.Unaccounted(); max(d, -d) > st.WithinKg {
		t.Errorf("%.2f kg ± %.2f kg of sugar are unaccounted for, truly %.2f kg", st.UnaccountedKg, st.WithinKg, s.p.truth.Unaccounted())
	}

	points := s.store.fills()
	if len(points) != len(live.Fills) {
		t.Errorf("the store has %d fills, the view %d", len(points), len(live.Fills))
	}
	for i := range live.Fills {
		f := &live.Fills[i]
		if p, ok := points[f.Start]; !ok || p.yard != f.Yard || max(p.litres-f.Volume.Litres(), f.Volume.Litres()-p.litres) > 1e-6 {
			t.Errorf("fill %d of %v in %q at %d: the store has %+v", i, f.Volume, f.Yard, f.Start, p)
		}
	}
	s.once()
	s.closeReaders()
	_, s.most, _ = resident(t, s.v.cmd.Process.Pid)
	s.checkFlat()
	if err := s.v.signal(t, syscall.SIGTERM); err != nil {
		t.Errorf("it did not end well: %v", err)
	}
	again := replayed(t, s.data)
	sameView(t, "live and replayed", live, again)
	s.checkCalm(live)
}

// sums checks that fills and loose flow, and the yards, are the total.
func (s *soak) sums(v *ledger.View) {
	var sum quantity.Volume
	for _, f := range v.Fills {
		sum += f.Volume
	}
	for _, l := range v.Loose {
		sum += l.Volume
	}
	if tally := ledger.Tally(v, 0, 1<<62); sum != v.Total || tally.Total != v.Total {
		s.t.Errorf("fills and loose flow are %v, the yards %v, the total %v", sum, tally.Total, v.Total)
	}
}

// once checks that no change of an alarm was given out twice, be it to the
// journal or to who listens at the broker.
func (s *soak) once() {
	b, err := dialDaemon(s.t.Context(), s.data)
	if err != nil {
		s.t.Fatal(err)
	}
	defer b.Close()
	acts, err := b.AllActs(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	last := map[string]string{}
	for _, a := range acts {
		if x, ok := a.Body.(act.Announced); ok {
			s.announced++
			if last[x.Key] == x.What {
				s.t.Errorf("alarm %s is announced as %s twice", x.Key, x.What)
			}
			last[x.Key] = x.What
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for pack, n := range s.alarms {
		if n > 1 {
			s.t.Errorf("given out %d times: %s", n, pack)
		}
	}
	if len(s.alarms) > s.announced {
		s.t.Errorf("%d alarms were given out, %d are in the journal", len(s.alarms), s.announced)
	}
}

// checkFlat judges the long life.
func (s *soak) checkFlat() {
	m := &s.long
	if n := len(m.memory); n < 4 {
		s.t.Errorf("%d samples are too few to judge by", n)
		return
	}
	if bad := m.leaks(); len(bad) > 0 {
		s.t.Errorf("not flat: %s: %+v", strings.Join(bad, ", "), *m)
	}
}

// checkCalm holds the yards against those of the same month without any fault,
// brought in from a recording. Where the wires were silent, the pulls of that time
// may be in no yard, or in two parts.
func (s *soak) checkCalm(live *ledger.View) {
	t := s.t
	dir := t.TempDir()
	args := []string{"import", "-q", "-settings", s.set, "-data", filepath.Join(dir, "data")}
	for i, piece := range s.said {
		path := filepath.Join(dir, fmt.Sprintf("%03d.senml", i))
		if err := os.WriteFile(path, piece.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	call(t, args...)
	calm := replayed(t, filepath.Join(dir, "data"))
	if calm.Total != live.Total {
		t.Errorf("total %v, without faults %v", live.Total, calm.Total)
	}
	yards := func(v *ledger.View) map[string]quantity.Volume {
		out := map[string]quantity.Volume{}
		for _, f := range v.Fills {
			out[f.Yard] += f.Volume
		}
		for _, l := range v.Loose {
			out[l.Yard] += l.Volume
		}
		return out
	}
	got, want := yards(live), yards(calm)
	for _, y := range slices.Concat(s.p.base.Yards, []rigsim.Yard{{Name: "no yard"}}) {
		d := got[y.ID] - want[y.ID]
		bound := s.doubtful(y.ID)
		s.yards = append(s.yards, fmt.Sprintf("%-34s %7.1f, without faults %.1f; %.1f flowed in silence", y.Name+", L", got[y.ID].Litres(), want[y.ID].Litres(), bound.Litres()))
		if max(d, -d) > bound {
			t.Errorf("%s has %v, without faults %v; at most %v flowed in silence", y.Name, got[y.ID], want[y.ID], bound)
		}
	}
	hide := 0
	for _, g := range live.Gaps {
		if g.Hidden == 0 {
			continue
		}
		hide++ // where the board was another: what may have passed before it ran is named, with its bound
		if g.Why != "board restarted" && g.Why != "board was off" || g.Hidden > quantity.VolumeOf(2) {
			t.Errorf("gap %+v", g)
		}
	}
	if boards := s.count[soakRestart] + s.count[soakExchange]; hide > boards {
		t.Errorf("%d gaps hide something, of %d boards: %+v", hide, boards, live.Gaps)
	}
	s.gaps = len(live.Gaps)
}

// table prints what the month was.
func (s *soak) table(took time.Duration) {
	var b bytes.Buffer
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("seed %d: %d days in %v", s.seed, int(s.now().Sub(s.first).Hours()/24), took.Round(time.Second))
	all := 0
	for _, k := range soakKinds {
		if n := s.count[k]; n > 0 {
			p("%-34s %7d", k, n)
			all += n
		}
	}
	p("%-34s %7d", "faults in all", all)
	p("%-34s %7d", "nights of feeding", s.p.truth.Nights)
	p("%-34s %7d", "readings said", s.readings)
	p("%-34s %7d", "of them lost on a dead wire", s.lost)
	p("%-34s %7d", "pulses, all counted", s.pulses())
	p("%-34s %7d", "points in the store", s.store.all())
	p("%-34s %7d", "changes of alarms, each given once", s.announced)
	p("%-34s %7.1f ± %.1f kg, truly %.1f", "sugar unaccounted for", s.unaccounted[0], s.unaccounted[1], s.unaccounted[2])
	m := &s.long
	ends := func(y []float64) (float64, float64, float64) { return y[0], y[len(y)-1], slices.Max(y) }
	for _, x := range []struct {
		name string
		y    []float64
		unit float64
	}{{"memory, MB", m.memory, 1e6}, {"heap in use, MB", m.heap, 1e6}, {"descriptors", m.descriptors, 1}, {"goroutines", m.goroutines, 1}} {
		if len(x.y) == 0 {
			continue
		}
		first, last, most := ends(x.y)
		p("%-34s %7.4g begin, %.4g end, %.4g most; rises by %.2g", x.name, first/x.unit, last/x.unit, most/x.unit, rise(x.y[len(x.y)/4:])/x.unit)
	}
	p("%-34s %7.1f", "most memory ever, MB", float64(s.most)/1e6)
	p("%-34s %7d", "gaps named", s.gaps)
	p("%s", strings.Join(s.yards, "\n"))
	s.t.Log("\n" + b.String())
}
