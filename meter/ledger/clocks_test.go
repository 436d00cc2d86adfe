package ledger

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
)

// An outing across a change to or from daylight-saving time is one outing and
// one night, no hour is lost or doubled, and what is said of it does not depend
// on the zone. The changes are those of the IANA time-zone database; where they
// lie is asked of it, on the dates that are named here from memory.
func TestOutingAcrossDaylightSaving(t *testing.T) {
	for _, tc := range []struct {
		zone string
		date string // of the evening
		step time.Duration
	}{
		{"America/Chicago", "2026-10-31", -time.Hour},
		{"America/Chicago", "2027-03-13", time.Hour},
		{"Europe/Berlin", "2026-10-24", -time.Hour},
		{"Europe/Berlin", "2027-03-27", time.Hour},
		{"Australia/Lord_Howe", "2026-10-03", 30 * time.Minute},
		{"Australia/Lord_Howe", "2027-04-03", -30 * time.Minute},
		{"America/Havana", "2026-03-07", time.Hour}, // its midnight is not there
		{"Asia/Beirut", "2026-03-28", time.Hour},    // nor is this
		{"UTC", "2026-10-31", 0},
	} {
		t.Run(tc.zone+" "+tc.date, func(t *testing.T) {
			loc, err := time.LoadLocation(tc.zone)
			if err != nil {
				t.Fatal(err)
			}
			noon, err := time.ParseInLocation("2006-01-02 15:04", tc.date+" 12:00", loc)
			if err != nil {
				t.Fatal(err)
			}
			change := noon.Add(13 * time.Hour)
			if tc.step != 0 {
				_, change = noon.ZoneBounds()
				_, before := change.Add(-time.Second).Zone()
				_, after := change.Zone()
				if d := time.Duration(after-before) * time.Second; d != tc.step || change.Sub(noon) > 24*time.Hour {
					t.Fatalf("the change is by %v at %v", d, change)
				}
			}
			// Pulls every hour from three hours before the change to three after it.
			s := script{length: 6*3600 + 600, base: 1000, up: 5000, wrap: 1 << 32, places: []place{{0, 43.200, -91.900}}}
			for h := range 7 {
				s.pulls = append(s.pulls, pull{float64(h)*3600 + 60, float64(h)*3600 + 90, 400, "orchard"})
			}
			acts := settings()
			rig := acts[0].Body.(act.Rig)
			rig.Zone = tc.zone
			acts[0].Body = rig
			from := change.Add(-3 * time.Hour).UnixNano()
			var recs []meter.Record
			for i, m := range s.tell() {
				if i%7 == 0 || m.readings[0].Channel != meter.Pulses || int(m.t)%3600 < 120 { // enough to see each pull
					at := int64(m.t * 1e9)
					recs = append(recs, meter.Record{Seq: uint64(len(recs) + 1), Boot: 1, Mono: 77*sec + at, Wall: from + at, Source: "serial", Readings: m.readings})
				}
			}
			v := replayed(t, acts, recs).View()
			if v.Zone != tc.zone || len(v.Outings) != 1 || len(v.Fills) != len(s.pulls) || len(v.Visits) != 1 {
				t.Fatalf("zone %q, %d outings, %d fills, %d visits", v.Zone, len(v.Outings), len(v.Fills), len(v.Visits))
			}
			for i, f := range v.Fills {
				if d := time.Duration(f.Start-from) - time.Duration(s.pulls[i].start*1e9); d.Abs() > time.Second {
					t.Errorf("fill %d starts %v off", i, d)
				}
			}
			if d := time.Duration(v.Outings[0].To - v.Outings[0].From); (d - 6*time.Hour).Abs() > time.Minute {
				t.Errorf("the outing lasts %v", d)
			}
			whole := 7 * 400 * 10 * quantity.Millilitre
			for _, f := range v.Fills {
				a, b := v.NightAt(f.Start, loc)
				if n := Tally(v, a, b); n.Total != whole || n.Fills != 7 || v.Total != whole {
					t.Errorf("the night of %v has %v in %d fills", time.Unix(0, f.Start).In(loc), n.Total, n.Fills)
				}
				if e := v.Evening(f.Start, loc).Format(time.DateOnly); e != tc.date {
					t.Errorf("%v is of the evening of %s", time.Unix(0, f.Start).In(loc), e)
				}
			}
			// Nights follow one another: each hour is in exactly one.
			day, _ := time.Parse(time.DateOnly, tc.date)
			_, before := v.NightOn(day.AddDate(0, 0, -1), loc)
			a, b := v.NightOn(day, loc)
			after, _ := v.NightOn(day.AddDate(0, 0, 1), loc)
			if before != a || b != after {
				t.Errorf("nights meet at %v and %v, %v and %v", time.Unix(0, before).In(loc), time.Unix(0, a).In(loc), time.Unix(0, b).In(loc), time.Unix(0, after).In(loc))
			}
		})
	}
}

// Taps on the page while the board's clock was wrong end where they were made,
// in the order of pulls, once it is put right; those that name no boot stay as
// said. There are no positions here: taps alone say which yard.
func TestTapsUnderWrongClock(t *testing.T) {
	s := evening()
	var said []message
	for _, m := range s.tell() {
		if m.readings[0].Channel != meter.Lat {
			said = append(said, m)
		}
	}
	const far = 37 * 24 * 3600 * sec
	for _, off := range []int64{0, far, -far, -t0} {
		for _, by := range []string{"phone", "hand", "satellites", "network"} {
			if off == 0 && by != "phone" {
				continue
			}
			t.Run(fmt.Sprint(off/sec, " ", by), func(t *testing.T) {
				const told = 1000.0 // s of the night
				recs := serial(said)
				for i := range recs {
					if said[i].t < told || by == "phone" || by == "hand" {
						recs[i].Wall += off
					}
					if by == "satellites" && said[i].t > told && said[i].readings[0].Channel == meter.Headspace {
						recs[i].Wall += off
						recs[i].Readings = append(slices.Clone(recs[i].Readings), meter.Reading{Channel: meter.UTC, Value: float64(t0)/1e9 + said[i].t})
					} else if by == "satellites" && said[i].t > told {
						recs[i].Wall += off
					}
				}
				moment := func(at float64) act.Moment {
					ns := int64(at * 1e9)
					return act.Moment{NS: t0 + ns + off, Boot: "b1", MonoNS: 77*sec + ns}
				}
				acts := settings()
				tap := func(at float64, b act.Body) {
					acts = append(acts, act.Act{ID: fmt.Sprint("tap ", at), Rig: "heron", Who: "wren", When: t0 + int64(at*1e9) + off, Body: b})
				}
				tap(10, act.Arrive{At: moment(10), Yard: "orchard"})
				tap(s.pulls[2].end+10, act.Colony{At: moment(s.pulls[2].end + 10), What: act.Skipped})
				tap(780, act.Arrive{At: moment(780), Yard: "mill"})
				// One that names no boot stays where it was said: long before or after.
				stray := act.Moment{NS: t0 - 90*24*3600*sec}
				tap(790, act.Colony{At: stray, What: act.Skipped})
				if by == "phone" || by == "hand" {
					acts = append(acts, act.Act{ID: "fix", Rig: "heron", Who: "wren", When: t0 + int64(told)*sec + off,
						Body: act.Fix{Boot: "b1", MonoNS: 77*sec + int64(told)*sec, UTC: t0 + int64(told)*sec, By: by}})
				}
				l := New("heron")
				l.NameBoot(1, "b1")
				l.SetActs(acts)
				if f, ok := l.cfg.fix(1); ok {
					if at := l.Here(1, f.Mono+5*sec, 3); at != f.UTC+5*sec {
						t.Errorf("before any record it is %d s of the night", (at-t0)/sec)
					}
				} else if at := l.Here(1, 5, 3); at != 3 {
					t.Errorf("before any record and fix it is %d", at)
				}
				// Live: what is said comes when it is said.
				live := New("heron")
				live.NameBoot(1, "b1")
				have := settings()
				next := len(have)
				for i := range recs {
					for next < len(acts) && (acts[next].When-off-t0)/sec <= int64(said[i].t) {
						have = append(have, acts[next])
						next++
						live.SetActs(have)
					}
					live.Add(&recs[i])
					if i%9 == 0 {
						if err := live.Refold(replayOf(recs[:i+1])); err != nil {
							t.Fatal(err)
						}
						live.Settle(live.Here(1, recs[i].Mono, recs[i].Wall))
					}
				}
				if err := live.Refold(replayOf(recs)); err != nil {
					t.Fatal(err)
				}
				if err := l.Rebuild(replayOf(recs)); err != nil {
					t.Fatal(err)
				}
				v := l.View()
				same(t, "live and replayed", results(live.View()), results(v))
				checkTruth(t, "tapped", s, v)
				if len(v.Visits) != 2 || v.Visits[0].Skipped != 1 || v.Visits[1].Skipped != 0 || v.Visits[0].Reason != ByTap {
					t.Errorf("visits %+v", v.Visits)
				}
			})
		}
	}
}

// Satellites that tell of a clock long after the start move every record of it,
// also one that came late and lies before its sender's first, whenever it came
// and though it moved no clock itself: live is as replayed, and as replayed once
// all that shows the time is known.
func TestLateFirstMessageUnderWrongClock(t *testing.T) {
	const off = -1000 * sec // of the board's clock and the sender's; more than clock.slow
	s := evening()
	type heard struct {
		at  float64 // arrival, s after the boot
		rec meter.Record
	}
	for _, late := range []float64{0.05, 0.15, 0.35, 0.55, 300} { // before, between and after the satellites' words
		for up := int64(40); up < 49; up++ {
			const early = 5.0
			var in []heard
			hear := func(at, sent float64, source string, readings ...meter.Reading) {
				r := meter.Record{Boot: 1, Source: source, Readings: readings}
				if source == "mqtt" {
					r.Sent = t0 + int64(sent*1e9) + off
				}
				in = append(in, heard{at, r})
			}
			for _, m := range s.tell() {
				switch m.readings[0].Channel {
				case meter.Pulses:
					hear(m.t, 0, "serial", m.readings...)
				case meter.Lat:
					hear(m.t+0.02, m.t, "mqtt", m.readings...)
				}
			}
			for i := range 4 { // waited at the broker while the daemon started
				hear(0.01+float64(i)/1000, -2+float64(i)/10, "mqtt", meter.Reading{Channel: meter.Headspace, Value: 0.4})
			}
			hear(late, -early, "mqtt", meter.Reading{Channel: meter.Headspace, Value: 0.401})
			for _, at := range []float64{0.1, 0.3, 700, 701} {
				hear(at, 0, "serial", meter.Reading{Channel: meter.UTC, Value: float64(t0)/1e9 + at})
			}
			slices.SortStableFunc(in, func(a, b heard) int { return cmp.Compare(a.at, b.at) })
			var recs []meter.Record
			for i, h := range in {
				at := int64(h.at * 1e9)
				h.rec.Seq, h.rec.Mono, h.rec.Wall = uint64(i+1), up*sec+at, t0+at+off
				recs = append(recs, h.rec)
			}
			l, whole := live(t, settings(), recs), replayed(t, settings(), recs)
			a, once := settledView(l), settledView(whole)
			if err := whole.Rebuild(replayOf(recs)); err != nil { // all that shows the time is known now
				t.Fatal(err)
			}
			b := settledView(whole)
			same(t, "read once and twice", once, b)
			if same(t, fmt.Sprintf("%d s up, %g s late", up, late), a, b); t.Failed() {
				t.FailNow()
			}
			if b.Placed.By != "satellites" {
				t.Fatalf("placed by %s", b.Placed.By)
			}
			checkTruth(t, "live", s, &a)
		}
	}
}
