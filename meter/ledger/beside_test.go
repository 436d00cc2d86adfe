package ledger

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	ltote "yardtally/meter/tote"
)

// Of a pull it is told whether the pump was at rest while its pulses came, and
// whether the rig drove; single positions far off, and what came before or after,
// are neither.
func TestBeside(t *testing.T) {
	const north = 1 / 111195.08 // degrees a metre
	stands := func(float64) (float64, bool) { return 0, true }
	for _, c := range []struct {
		name         string
		hz           float64 // of pulses
		lasts        float64 // s
		pump         func(s float64) (float64, bool)
		at           func(s float64) float64 // m along the road, s from the first pulse on
		rest, moving bool
	}{
		{name: "a pull", hz: 20, lasts: 20, pump: func(float64) (float64, bool) { return 38, true }},
		{name: "the pump at rest", hz: 20, lasts: 20, pump: stands, rest: true},
		{name: "a slow burst", hz: 1, lasts: 60, pump: stands, rest: true},
		{name: "nothing said of the pump", hz: 20, lasts: 20, pump: func(float64) (float64, bool) { return 0, false }},
		{name: "the pump turns for a while", hz: 20, lasts: 20, pump: func(s float64) (float64, bool) {
			if s > 8 && s < 12 {
				return 38, true
			}
			return 0, true
		}},
		{name: "the pump stops before and after only", hz: 20, lasts: 20, pump: func(s float64) (float64, bool) {
			if s < 0.5 || s > 19.5 {
				return 0, true
			}
			return 38, true
		}},
		{name: "driving", hz: 5, lasts: 30, pump: stands, at: func(s float64) float64 { return 12 * s }, rest: true, moving: true},
		{name: "driving for long", hz: 5, lasts: 200, pump: stands, at: func(s float64) float64 { return 12 * s }, rest: true, moving: true},
		{name: "at a walk", hz: 20, lasts: 30, pump: stands, at: func(s float64) float64 { return 1.5 * s }, rest: true},
		{name: "one position far off", hz: 20, lasts: 20, pump: stands, rest: true, at: func(s float64) float64 {
			if s >= 10 && s < 11 {
				return 400
			}
			return 0
		}},
		{name: "the last two far off", hz: 20, lasts: 20, pump: stands, rest: true, at: func(s float64) float64 {
			if s >= 18 {
				return 400
			}
			return 0
		}},
		{name: "driving off at once after it", hz: 20, lasts: 8, pump: stands, rest: true, at: func(s float64) float64 { return 15 * max(0, s-8) }},
	} {
		var recs []meter.Record
		for k := range int((c.lasts + 40) * 5) {
			s := float64(k)/5 - 20 // from the first pulse on
			r := meter.Record{Seq: uint64(k + 1), Boot: 1, Mono: 77*sec + int64(k)*sec/5, Wall: t0 + int64(k)*sec/5, Source: "serial",
				Readings: []meter.Reading{{Channel: meter.Pulses, Value: 1000 + math.Floor(c.hz*max(0, min(s, c.lasts)))}}}
			if k%5 == 0 {
				if v, ok := c.pump(s); ok {
					r.Readings = append(r.Readings, meter.Reading{Channel: meter.Pump, Value: v})
				}
				y := 0.0
				if c.at != nil {
					y = c.at(s)
				}
				r.Readings = append(r.Readings, meter.Reading{Channel: meter.Lat, Value: 43.2 + y*north}, meter.Reading{Channel: meter.Lon, Value: -91.9})
			}
			recs = append(recs, r)
		}
		l := New("heron")
		l.SetActs(settings())
		if err := l.Rebuild(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		v := l.View()
		if len(v.Fills)+len(v.Loose) != 1 {
			t.Errorf("%s: %d fills, %d loose", c.name, len(v.Fills), len(v.Loose))
			continue
		}
		var rest, moving bool
		if len(v.Fills) > 0 {
			rest, moving = v.Fills[0].Rest, v.Fills[0].Moving
		} else {
			rest, moving = v.Loose[0].Rest, v.Loose[0].Moving
		}
		if rest != c.rest || moving != c.moving {
			t.Errorf("%s: rest %v, moving %v", c.name, rest, moving)
		}
	}
}

// Stray pulses that begin in one yard and go on until the first pull in the next
// do not carry it with them: what flowed there is a piece of its own. A receiver
// that errs by as much for a while cuts no pull in two.
func TestDriven(t *testing.T) {
	const north = 1 / 111195.08 // degrees a metre
	for _, c := range []struct {
		name   string
		at     func(s float64) float64 // m along the road, s from the first pulse on
		pieces int
	}{
		{"to the next yard", func(s float64) float64 { return 12 * max(0, min(s, 30)-14) }, 2},
		{"a walk along the row", func(s float64) float64 { return 1.5 * max(0, min(s, 30)-14) }, 1},
		{"the receiver jumps", func(s float64) float64 {
			if s >= 14 {
				return 400
			}
			return 0
		}, 1},
	} {
		var recs []meter.Record
		count := 1000.0
		for k := range 130 * 5 {
			s := float64(k)/5 - 40 // from the first pulse on
			switch {
			case s > 70:
			case s > 50:
				count += 20.0 / 5 // a pull
			case s > 0:
				count += 2.0 / 5
			}
			r := meter.Record{Seq: uint64(k + 1), Boot: 1, Mono: 77*sec + int64(k)*sec/5, Wall: t0 + int64(k)*sec/5, Source: "serial",
				Readings: []meter.Reading{{Channel: meter.Pulses, Value: math.Floor(count)}}}
			if k%5 == 0 {
				r.Readings = append(r.Readings, meter.Reading{Channel: meter.Lat, Value: 43.2 + c.at(s)*north}, meter.Reading{Channel: meter.Lon, Value: -91.9})
			}
			recs = append(recs, r)
		}
		l := New("heron")
		l.SetActs(settings())
		if err := l.Rebuild(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
		f := l.st.Flows
		if len(f) != c.pieces {
			t.Errorf("%s: %d pieces of flow, want %d", c.name, len(f), c.pieces)
			continue
		}
		if first, last := f[0].First, f[len(f)-1].Last; first != 1000 || float64(last) != math.Floor(count) {
			t.Errorf("%s: counts %d to %d, want 1000 to %g", c.name, first, last, math.Floor(count))
		}
		if begins := float64(f[len(f)-1].Start-t0)/1e9 - 40; c.pieces > 1 && (begins < 30 || begins > 50 || f[0].Last != f[1].First) {
			t.Errorf("%s: the pull's piece begins %.1f s after the first pulse, the pieces are %d to %d and %d to %d", c.name, begins, f[0].First, f[0].Last, f[1].First, f[1].Last)
		}
	}
}

// A leak while the rig stands is told as it goes on, over when it is, and the
// same live, derived anew, and loaded in the middle of it; so is all else
// that is seen of levels.
func TestFalls(t *testing.T) {
	s := rigsim.LeakNight(rigsim.WatchNight(11))
	acts := simActs(&s)
	for i := range acts {
		if b, ok := acts[i].Body.(act.Batch); ok {
			b.MadeNS = s.Start.Add(-50 * time.Hour).UnixNano()
			acts[i].Body = b
		}
		if b, ok := acts[i].Body.(act.Rig); ok {
			b.DeadheadS = 480
			acts[i].Body = b
		}
	}
	recs, _ := simRecords(t, s, 0)
	leak := s.Start.Add(s.Leaks[0].After).UnixNano()
	over := leak + int64(s.Leaks[0].For)
	live, loaded := New("heron"), (*Ledger)(nil)
	live.SetActs(acts)
	var told int64
	for i := range recs {
		live.Add(&recs[i])
		if loaded != nil {
			loaded.Add(&recs[i])
		}
		if i%50 != 0 {
			continue
		}
		live.Settle(0)
		live.Take()
		at := recs[i].Wall
		if told == 0 && at < over {
			if f := live.View().Falls; len(f) > 0 {
				told = at
				if len(f) != 1 || f[0].Until != 0 || f[0].From < leak-5*60*sec || f[0].From > at {
					t.Errorf("%+v, the leak began at %d", f, leak)
				}
			}
		}
		if loaded == nil && at > leak+600*sec {
			data, err := live.Save()
			if err != nil || data == nil {
				t.Fatalf("%v, %d bytes", err, len(data))
			}
			loaded = New("heron")
			loaded.SetActs(acts)
			if err := loaded.Load(data, replayOf(recs[:i+1])); err != nil {
				t.Fatal(err)
			}
		}
	}
	if told == 0 || told > leak+5*60*sec {
		t.Errorf("told %v after it began", time.Duration(told-leak))
	}
	anew := New("heron")
	anew.SetActs(acts)
	if err := anew.Rebuild(replayOf(recs)); err != nil {
		t.Fatal(err)
	}
	for _, l := range []*Ledger{live, loaded, anew} {
		l.Settle(0)
	}
	v := anew.View()
	same(t, "live", *live.View(), *v)
	same(t, "loaded", *loaded.View(), *v)
	if len(v.Falls) != 1 || v.Falls[0].Until < over-120*sec || v.Falls[0].Until > over+300*sec || math.Abs(v.Falls[0].Volume.Litres()-30) > 4 {
		t.Errorf("%+v", v.Falls)
	}
	if len(v.Heads) < 20 || len(v.Points) < 10 || v.Terms.MeterU <= 0 || v.Deadhead != 480*sec {
		t.Errorf("%d heads, %d points, %+v, idling %d", len(v.Heads), len(v.Points), v.Terms, v.Deadhead)
	}
	for i, h := range v.Heads {
		if d := h.Pressure - h.Face; math.Abs(float64(d)) > 0.04 || i > 0 && h.At-v.Heads[i-1].At < headEvery {
			t.Errorf("%+v after %+v", h, v.Heads[max(0, i-1)])
		}
	}
	want := []Booked{{ID: "s3", Made: s.Start.Add(-50 * time.Hour).UnixNano(), From: math.MinInt64, Liquid: v.Fills[0].Pulled.Liquid}}
	if fmt.Sprint(v.Batches) != fmt.Sprint(want) {
		t.Errorf("batches %+v, want %+v", v.Batches, want)
	}
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var sent View
	if err := json.Unmarshal(data, &sent); err != nil {
		t.Fatal(err)
	}
	sent.Restore(acts)
	if !slices.Equal(sent.Falls, v.Falls) || !slices.Equal(sent.Heads, v.Heads) || !slices.Equal(sent.Points, v.Points) || fmt.Sprint(sent.Batches) != fmt.Sprint(want) {
		t.Error("a view that was sent tells another thing")
	}
}

// The level comes after what was metered: that is no leak, and a leak
// is told some time after flow.
func TestFallsAfterFlow(t *testing.T) {
	cfg := compile("heron", settings())
	sp := cfg.at(t0)
	run := func(leaks float64) *State {
		st := new(State)
		s := evening()
		s.pulls = s.pulls[:1]
		s.length = s.pulls[0].end + 5
		for _, r := range serial(s.tell()) {
			st.step(cfg, &item{at: r.Wall, rec: r}, nil)
		}
		if len(st.Flows) != 1 {
			t.Fatalf("%d flows", len(st.Flows))
		}
		end := st.Flows[0].End
		for k := range int64(60) {
			after := float64(k) * 10
			litres := 600 - min(4, after/5) - leaks/60*after // what was metered comes within 20 s
			st.fall(sp, &ToteNow{Level: quantity.Length(litres / 1000), LevelU: 0.0003},
				&ltote.Point{At: end + k*10*sec, Rest: true, Volume: quantity.VolumeOf(litres / 1000), Metered: 4 * quantity.Litre, Tote: "t"})
		}
		return st
	}
	if st := run(0); len(st.falls()) > 0 || st.Falling.Last.At == 0 {
		t.Errorf("a pull is taken for a leak: %+v", st.falls())
	}
	if f := run(1.5).falls(); len(f) != 1 || f[0].Until != 0 {
		t.Errorf("a leak after a pull: %+v", f)
	}
}
