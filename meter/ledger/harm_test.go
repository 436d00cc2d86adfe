package ledger

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/meter"
)

// runLive settles and refolds every second and counts what that took.
func runLive(t *testing.T, recs []meter.Record) (l *Ledger, refolds, tail int) {
	t.Helper()
	l = New("heron")
	l.SetActs(settings())
	for i := range recs {
		l.Add(&recs[i])
		if i%7 == 0 {
			if l.Stale() {
				refolds++
				if err := l.Refold(replayOf(recs[:i+1])); err != nil {
					t.Fatal(err)
				}
			}
			l.Settle(0)
			tail = max(tail, l.tail.len())
			l.Take()
		}
	}
	return l, refolds, tail
}

// No clock, however wrong, and no wild record makes the ledger go back again
// and again, or lets records pile up unsettled. A night without dirt goes back
// a few times while the clocks become known, and then never.
func TestNoHarm(t *testing.T) {
	s := evening()
	told := s.tell()
	r := rand.New(rand.NewPCG(1, 1))
	for _, tc := range []struct {
		name    string
		recs    func() []meter.Record
		refolds int
	}{
		{"clean, serial", func() []meter.Record { return serial(told) }, 0},
		{"clean, mqtt", func() []meter.Record { return mqtt(onTime(told), 1) }, 2},
		{"rough", func() []meter.Record { return mqtt(rough(told, 1), 1) }, 6},
		{"sender half a minute slow beside a true one", func() []meter.Record {
			recs := serial(told)
			for i := range recs {
				if recs[i].Readings[0].Channel == meter.Lat {
					recs[i].Source, recs[i].Sent = "mqtt", recs[i].Wall-30*sec
				}
			}
			return recs
		}, 4},
		{"sender five hours slow", func() []meter.Record {
			recs := mqtt(onTime(told), 1)
			for i := range recs {
				recs[i].Sent -= 18000 * sec
			}
			return recs
		}, 4},
		{"sender 37 days ahead", func() []meter.Record {
			recs := mqtt(onTime(told), 1)
			for i := range recs {
				recs[i].Sent += 37 * 86400 * sec
			}
			return recs
		}, 4},
		{"stamps that mean nothing", func() []meter.Record {
			recs := mqtt(onTime(told), 1)
			for i := range recs {
				recs[i].Sent = int64(r.Uint64() >> 1)
			}
			return recs
		}, 25},
		{"satellites that mean nothing", func() []meter.Record {
			recs := serial(told)
			for i := range recs {
				recs[i].Readings = append(recs[i].Readings[:len(recs[i].Readings):len(recs[i].Readings)], meter.Reading{Channel: meter.UTC, Value: 4e9 * r.Float64()})
			}
			return recs
		}, 4},
		{"a boot 37 days ahead, then one that is right", func() []meter.Record {
			recs := serial(told)
			for i := range recs {
				if recs[i].Wall < t0+30*sec {
					recs[i].Wall += 37 * 86400 * sec
				} else {
					recs[i].Boot, recs[i].Mono = 2, recs[i].Mono-60*sec
				}
			}
			return recs
		}, 4},
		{"one wild record in twenty", func() []meter.Record {
			recs := mqtt(onTime(told), 1)
			for i := range recs {
				if r.IntN(20) == 0 {
					recs[i].Sent += int64((r.Float64() - 0.5) * 1e17)
				}
			}
			return recs
		}, 12},
		{"one wild count in twenty", func() []meter.Record {
			recs := serial(told)
			for i := range recs {
				if recs[i].Readings[0].Channel == meter.Pulses && r.IntN(20) == 0 && i > 20 && i < len(recs)-20 {
					recs[i].Readings = []meter.Reading{{Channel: meter.Pulses, Value: math.Trunc(4e9 * r.Float64())}, recs[i].Readings[1]}
				}
			}
			return recs
		}, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			recs := tc.recs()
			l, refolds, tail := runLive(t, recs)
			if refolds > tc.refolds {
				t.Errorf("%d refolds, want at most %d", refolds, tc.refolds)
			}
			if tail > 900 { // two minutes
				t.Errorf("%d records unsettled", tail)
			}
			if l.Stale() {
				if err := l.Refold(replayOf(recs)); err != nil {
					t.Fatal(err)
				}
			}
			v := l.View()
			checkTruth(t, tc.name, s, v)
			t.Logf("%d refolds, at most %d unsettled; total %.1f L, %d fills, %d loose, %d gaps, placed %+v", refolds, tail, v.Total.Litres(), len(v.Fills), len(v.Loose), len(v.Gaps), v.Placed)
		})
	}
}
