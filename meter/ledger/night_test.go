package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
)

const (
	sec = int64(1_000_000_000)
	t0  = int64(1_791_588_000) * sec // an October evening of 2026, invented
)

// pull is one pull of the trigger in the script of a test's night.
type pull struct {
	start, end float64 // s after t0
	pulses     uint64
	yard       string
}

type place struct {
	from     float64 // s after t0
	lat, lon float64
}

// script is a night told exactly, so that a test knows every answer.
type script struct {
	pulls   []pull
	places  []place
	length  float64
	base    uint64  // count at t0
	up      float64 // uptime at t0, s
	wrap    uint64
	restart float64 // the board starts again then; 0: never
}

func evening() script {
	s := script{length: 1500, base: 1000, up: 5000, wrap: 1 << 32}
	s.places = []place{{0, 43.200, -91.900}, {700, 43.215, -91.900}, {760, 43.230, -91.900}}
	t := 30.0
	for i := range 12 {
		if i == 6 {
			t = 800
		}
		yard := "orchard"
		if i >= 6 {
			yard = "mill"
		}
		d := 30 + float64(i%4)
		s.pulls = append(s.pulls, pull{t, t + d, uint64(370 + 7*i), yard})
		t += d + 25
	}
	return s
}

func (s *script) count(t float64) uint64 {
	n := s.base
	for _, p := range s.pulls {
		switch {
		case t >= p.end:
			n += p.pulses
		case t > p.start:
			n += uint64(float64(p.pulses) * (t - p.start) / (p.end - p.start))
		}
	}
	return n
}

// said is one message at its true instant.
type message struct {
	t        float64
	readings []meter.Reading
}

func (s *script) tell() []message {
	var out []message
	for k := range int(s.length * 5) {
		t := float64(k) / 5
		n, up := s.count(t), s.up+t
		if s.restart > 0 && t >= s.restart {
			n -= s.count(s.restart)
			up = t - s.restart
		}
		up = math.Round(up*1000) / 1000
		out = append(out, message{t, []meter.Reading{{Channel: meter.Pulses, Value: float64(n % s.wrap)}, {Channel: meter.Uptime, Value: up}}})
		if k%5 == 0 {
			p := s.places[0]
			for _, q := range s.places {
				if t >= q.from {
					p = q
				}
			}
			out = append(out, message{t + 0.05, []meter.Reading{{Channel: meter.Lat, Value: p.lat}, {Channel: meter.Lon, Value: p.lon}, {Channel: meter.HDOP, Value: 0.9}}})
			out = append(out, message{t + 0.07, []meter.Reading{{Channel: meter.Headspace, Value: 0.4 + 0.001*float64(k%3)}}})
		}
	}
	return out
}

func settings() []act.Act {
	body := []act.Body{
		act.Rig{WrapBits: 32, QuietS: 2.5, LeastL: 0.25, MostLPM: 120, Zone: "America/Chicago"},
		act.Proving{PulsesPerL: 100},
		act.Yard{ID: "orchard", Name: "Orchard End", Lat: 43.200, Lon: -91.900, EnterM: 120, LeaveM: 200, Colonies: 6},
		act.Yard{ID: "mill", Name: "Mill Bottom", Lat: 43.230, Lon: -91.900, EnterM: 120, LeaveM: 200, Colonies: 6},
		act.Tote{Name: "t", CapacityL: 1041, SensorM: 1.1, Straps: []act.Strap{{LevelM: 0, VolumeL: 0}, {LevelM: 1, VolumeL: 1000}}},
	}
	var out []act.Act
	for i, b := range body {
		out = append(out, act.Act{ID: fmt.Sprint("s", i), Rig: "heron", Who: "wren", When: t0 - 1000*sec, Body: b})
	}
	return out
}

// serial gives records as a serial line brings them: stamped on arrival only.
func serial(said []message) []meter.Record {
	out := make([]meter.Record, len(said))
	for i, m := range said {
		at := int64(math.Round(m.t * 1e9))
		out[i] = meter.Record{Seq: uint64(i + 1), Boot: 1, Mono: 77*sec + at, Wall: t0 + at, Source: "serial", Readings: m.readings}
	}
	return out
}

// late gives each message its arrival.
type arrival struct {
	at float64
	message
}

// mqtt gives records as a broker brings them: stamped by the sender, in order
// of arrival.
func mqtt(in []arrival, boot uint32) []meter.Record {
	slices.SortStableFunc(in, func(a, b arrival) int {
		if a.at < b.at {
			return -1
		} else if a.at > b.at {
			return 1
		}
		return 0
	})
	out := make([]meter.Record, len(in))
	for i, m := range in {
		at := int64(math.Round(m.at * 1e9))
		out[i] = meter.Record{Seq: uint64(i + 1), Boot: boot, Mono: 99*sec + at, Wall: t0 + at,
			Sent: t0 + int64(math.Round(m.t*1e9)), Source: "mqtt", Readings: m.readings}
	}
	return out
}

// asImport takes away what a recording does not say: when anything arrived.
func asImport(recs []meter.Record) []meter.Record {
	for i := range recs {
		recs[i].Mono, recs[i].Wall = 0, 0
	}
	return recs
}

func onTime(s []message) []arrival {
	out := make([]arrival, len(s))
	for i := range s {
		out[i] = arrival{s[i].t + 0.02, s[i]}
	}
	return out
}

// rough loses, doubles and delays messages.
func rough(s []message, seed uint64) []arrival {
	r := rand.New(rand.NewPCG(seed, 1))
	var out []arrival
	for i := range s {
		a := arrival{s[i].t + 0.02, s[i]}
		if r.Float64() < 0.05 {
			a.at += 5 * r.Float64()
		}
		if r.Float64() < 0.10 && i > 5 && i < len(s)-20 {
			continue
		}
		out = append(out, a)
		if r.Float64() < 0.05 {
			a.at += 3 * r.Float64()
			out = append(out, a)
		}
	}
	return out
}

func replayOf(recs []meter.Record) Replay {
	return func(after uint64, fn func(*meter.Record) error) error {
		var r meter.Record
		for i := range recs {
			if recs[i].Seq > after {
				r = recs[i]
				if err := fn(&r); err != nil {
					return err
				}
			}
		}
		return nil
	}
}

// live runs records as they come: settle every second, refold when stale.
func live(t *testing.T, acts []act.Act, recs []meter.Record) *Ledger {
	t.Helper()
	l := New("heron")
	l.SetActs(acts)
	for i := range recs {
		l.Add(&recs[i])
		if i%7 == 0 {
			if l.Stale() {
				if err := l.Refold(replayOf(recs[:i+1])); err != nil {
					t.Fatal(err)
				}
			}
			l.Settle(0)
		}
	}
	if l.Stale() {
		if err := l.Refold(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
	}
	l.Settle(0)
	return l
}

// replayed derives everything from the journal at once.
func replayed(t *testing.T, acts []act.Act, recs []meter.Record) *Ledger {
	t.Helper()
	l := New("heron")
	l.SetActs(acts)
	if err := l.Rebuild(replayOf(recs)); err != nil {
		t.Fatal(err)
	}
	return l
}

// results is what must not depend on the order of arrival: everything but the
// names of sessions, which are orders of arrival.
func results(v *View) View {
	c := *v
	c.Fills, c.Loose = slices.Clone(v.Fills), slices.Clone(v.Loose)
	for i := range c.Fills {
		c.Fills[i].Session = 0
	}
	for i := range c.Loose {
		c.Loose[i].Session = 0
	}
	c.Settled, c.Records = 0, 0
	c.Placed.Steps = 0
	return c
}

func same(t *testing.T, what string, a, b View) {
	t.Helper()
	if reflect.DeepEqual(a, b) {
		return
	}
	va, vb := reflect.ValueOf(a), reflect.ValueOf(b)
	for i := range va.NumField() {
		if x, y := va.Field(i).Interface(), vb.Field(i).Interface(); !reflect.DeepEqual(x, y) {
			t.Errorf("%s: %s differ:\n %+v\n %+v", what, va.Type().Field(i).Name, x, y)
		}
	}
}

// checkTruth holds a view against the script: every fill exact, in its yard,
// and everything together the total.
func checkTruth(t *testing.T, what string, s script, v *View) {
	t.Helper()
	if len(v.Fills) != len(s.pulls) {
		t.Errorf("%s: %d fills, want %d: %+v", what, len(v.Fills), len(s.pulls), v.Fills)
		return
	}
	var sum quantity.Volume
	for i, f := range v.Fills {
		p := s.pulls[i]
		if want := quantity.Volume(p.pulses) * 10 * quantity.Millilitre; f.Volume != want {
			t.Errorf("%s: fill %d is %v, want %v", what, i, f.Volume, want)
		}
		if f.Yard != p.yard {
			t.Errorf("%s: fill %d in yard %q, want %q (%s)", what, i, f.Yard, p.yard, f.Reason)
		}
		if d := float64(f.Start-t0)/1e9 - p.start; d < -2 || d > 2 {
			t.Errorf("%s: fill %d starts %g s off", what, i, d)
		}
		sum += f.Volume
	}
	for _, l := range v.Loose {
		sum += l.Volume
	}
	if sum != v.Total {
		t.Errorf("%s: fills and loose flow are %v, total is %v", what, sum, v.Total)
	}
}
