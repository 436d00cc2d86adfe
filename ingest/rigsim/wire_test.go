package rigsim

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/ingest/wire"
	"yardtally/meter"
)

// all collects a night with every sensor fitted.
func all(t testing.TB, s Scenario) []Said {
	t.Helper()
	s.Fitted = nil
	for c := meter.Pulses; c <= meter.LastChannel; c++ {
		s.Fitted = append(s.Fitted, c)
	}
	return slices.Collect(build(t, s).All())
}

// TestSerial: what goes out as lines comes back as the same readings.
func TestSerial(t *testing.T) {
	for _, s := range all(t, SmallNight(1))[:3000] {
		out, err := SerialLines([]byte("kept"), s)
		if err != nil || !bytes.HasPrefix(out, []byte("kept$")) {
			t.Fatalf("%v: %v, %q", s, err, out)
		}
		got := map[meter.Channel]float64{}
		for line := range strings.Lines(string(out[4:])) {
			if len(line) > 82 || !strings.HasSuffix(line, "\r\n") {
				t.Fatalf("line: want at most 82 characters and CR LF, got %q", line)
			}
			m, drops := wire.ParseNMEA([]byte(line))
			if len(drops) > 0 {
				t.Fatalf("%q: %v", line, drops)
			}
			for _, x := range m.Readings {
				got[x.Channel] = x.Value
			}
		}
		for _, x := range s.Readings {
			// Positions are printed to a billionth of a minute.
			if v, ok := got[x.Channel]; !ok || math.Abs(v-x.Value) > 2e-11 {
				t.Fatalf("%v: want %v, got %v", x.Channel, x.Value, v)
			}
		}
		if len(got) != len(s.Readings) {
			t.Fatalf("want %v, got %v", s.Readings, got)
		}
	}
	// The fields that were set out by hand from the standard's layout of XDR, RMC and GGA.
	s := Said{Readings: []meter.Reading{{Channel: meter.Lat, Value: 43.25}, {Channel: meter.Lon, Value: -91.5}, {Channel: meter.HDOP, Value: 0.9}, {Channel: meter.UTC, Value: 1791589200}, {Channel: meter.Headspace, Value: 0.3639}}}
	out, err := SerialLines(nil, s)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"$YXXDR,D,0.3639,M,HEADSPACE*", "$GNRMC,234000,A,4315.00000,N,09130.00000,W,,,091026,", "$GNGGA,,4315.00000,N,09130.00000,W,1,,0.9,"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("want %q, got %q", want, out)
		}
	}
	if out, err := SerialLines([]byte("kept"), Said{Readings: []meter.Reading{{Channel: meter.Pulses, Value: -1}}}); err == nil || string(out) != "kept" {
		t.Errorf("a count below zero: want an error and nothing written, got %q", out)
	}
}

// TestPack: what goes out as a pack comes back as the same readings.
func TestPack(t *testing.T) {
	for i, s := range all(t, SmallNight(1))[:3000] {
		stamped := i%2 == 0
		out, err := Pack(nil, "heron", s, stamped)
		if err != nil || bytes.ContainsRune(out, '\n') {
			t.Fatalf("%v: %v, %q", s, err, out)
		}
		m, drops := wire.ParsePack(out, "heron")
		if len(drops) > 0 || len(m) != 1 || !reflect.DeepEqual(m[0].Readings, s.Readings) {
			t.Fatalf("%s: want %v, got %v, %v", out, s.Readings, m, drops)
		}
		if want := s.At.UnixNano(); stamped && m[0].Sent != want || !stamped && m[0].Sent != 0 {
			t.Fatalf("%s: want a stamp of %d where stamped, got %d", out, want, m[0].Sent)
		}
		if stamped { // then it is a line of a recording
			e, drops := wire.ParseLine(append(out, '\n'), "heron")
			if len(drops) > 0 || len(e.Records) != 1 || e.Records[0].Sent != m[0].Sent || !reflect.DeepEqual(e.Records[0].Readings, s.Readings) {
				t.Fatalf("%s as a line: want %v, got %+v, %v", out, m, e, drops)
			}
		}
	}
}

// TestRough counts what a rough wire does.
func TestRough(t *testing.T) {
	sent := all(t, SmallNight(1))
	cut := Window{sent[2000].At, sent[2000].At.Add(time.Minute)}
	w := Rough{Seed: 1, Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second, Outages: []Window{cut}}
	key := func(s Said) string { return fmt.Sprint(s.At.UnixNano(), s.Readings) }
	came := map[string]int{}
	var last time.Time
	arrived, late := 0, 0
	for at, s := range w.Carry(slices.Values(sent)) {
		if at.Before(last) || at.Before(s.At) {
			t.Fatalf("arrival at %v of what was said %v, after one at %v", at, s.At, last)
		}
		last = at
		arrived++
		came[key(s)]++
		if came[key(s)] == 1 && at.Sub(s.At) == w.LateBy {
			late++
		}
	}
	n, lost, doubled, out := float64(len(sent)), 0.0, 0.0, 0.0
	for _, s := range sent {
		within := !s.At.Before(cut.From) && s.At.Before(cut.To)
		switch k := came[key(s)]; {
		case within && k > 0:
			t.Fatalf("said in an outage, and arrived: %v", s)
		case within:
			out++
		case k == 0:
			lost++
		case k == 2:
			doubled++
		}
	}
	for what, x := range map[string][2]float64{"lost": {lost, 0.1}, "doubled": {doubled, 0.045}, "late": {float64(late), 0.045}} {
		share := x[0] / (n - out)
		if share < x[1]*0.85 || share > x[1]*1.15 {
			t.Errorf("%s: want %g of all, got %.4f", what, x[1], share)
		}
	}
	if out < 700 { // 60 s of 13 messages or so
		t.Errorf("outage: want a minute's messages lost, got %g", out)
	}
	i := 0
	for at, s := range (Rough{}).Carry(slices.Values(sent)) {
		if !at.Equal(sent[i].At) || key(s) != key(sent[i]) {
			t.Fatalf("a good wire: want message %d as it was said", i)
		}
		i++
	}
	if i != len(sent) {
		t.Errorf("a good wire: want %d messages, got %d", len(sent), i)
	}
}

// fake is a clock that moves only when slept on, and then oversleeps.
type fake struct {
	now    time.Duration
	over   time.Duration
	sleeps int
}

func (f *fake) elapsed() time.Duration { return f.now }
func (f *fake) sleep(ctx context.Context, d time.Duration) error {
	f.sleeps++
	f.now += d + f.over
	return ctx.Err()
}

// TestPlay: every message, in order, on its own wire, none before its time, and
// in step again after each late waking.
func TestPlay(t *testing.T) {
	s := SmallNight(1)
	want := slices.Collect(build(t, s).All())
	for _, over := range []time.Duration{0, 300 * time.Millisecond} {
		clock := &fake{now: 5 * time.Second, over: over}
		var serial, packs bytes.Buffer
		i := 0
		p := Player{
			Speed: 60, Split: DemoSplit(), Stamped: true, Elapsed: clock.elapsed, Sleep: clock.sleep,
			Serial: func(b []byte) error { serial.Write(b); return nil },
			MQTT:   func(b []byte) error { packs.Write(append(b, '\n')); return nil },
			Said: func(m Said) {
				if !reflect.DeepEqual(m, want[i]) {
					t.Fatalf("message %d: want %v, got %v", i, want[i], m)
				}
				due := want[i].At.Sub(want[0].At) / 60
				if late := clock.now - 5*time.Second - due; late < 0 || late > over+time.Microsecond {
					t.Fatalf("message %d: want it when due or up to %v later, got %v", i, over, late)
				}
				i++
			},
		}
		if err := p.Play(context.Background(), build(t, s)); err != nil {
			t.Fatal(err)
		}
		if i != len(want) {
			t.Errorf("want %d messages, got %d", len(want), i)
		}
		n := map[meter.Channel]int{}
		for line := range bytes.Lines(serial.Bytes()) {
			m, drops := wire.ParseNMEA(line)
			if len(drops) > 0 {
				t.Fatal(drops)
			}
			for _, x := range m.Readings {
				n[x.Channel]++
			}
		}
		for line := range bytes.Lines(packs.Bytes()) {
			ms, drops := wire.ParsePack(line[:len(line)-1], "heron")
			if len(drops) > 0 || len(ms) != 1 {
				t.Fatal(drops)
			}
			for _, x := range ms[0].Readings {
				n[x.Channel] += 1e6
			}
		}
		said := map[meter.Channel]int{}
		for _, m := range want {
			for _, x := range m.Readings {
				said[x.Channel]++
			}
		}
		for c, k := range said {
			if slices.Contains(p.Split.MQTT, c) {
				k *= 1e6
			}
			if n[c] != k {
				t.Errorf("%v: want %d, got %d", c, k, n[c])
			}
		}
		if over > 0 && clock.sleeps > len(want)/10 {
			t.Errorf("after a late waking: want what is due said at once, got %d sleeps for %d messages", clock.sleeps, len(want))
		}
	}
}

func TestPlayStops(t *testing.T) {
	clock := &fake{}
	ctx, cancel := context.WithCancel(context.Background())
	n := 0
	p := Player{Speed: 1, Split: DemoSplit(), Elapsed: clock.elapsed, Sleep: clock.sleep, Said: func(Said) {
		if n++; n == 100 {
			cancel()
		}
	}}
	if err := p.Play(ctx, build(t, SmallNight(1))); !errors.Is(err, context.Canceled) || n != 100 {
		t.Errorf("want it ended after 100 messages, got %v after %d", err, n)
	}
	full := errors.New("line is full")
	p = Player{Speed: 1, Split: DemoSplit(), Elapsed: clock.elapsed, Sleep: clock.sleep, Serial: func([]byte) error { return full }}
	if err := p.Play(context.Background(), build(t, SmallNight(1))); !errors.Is(err, full) {
		t.Errorf("want the wire's error, got %v", err)
	}
	p.Speed = 0
	if err := p.Play(context.Background(), build(t, SmallNight(1))); err == nil || err.Error() != "speed: must be above 0, is 0" {
		t.Errorf("want the speed refused, got %v", err)
	}
}
