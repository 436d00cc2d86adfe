package main

import (
	"bytes"
	"testing"
	"time"

	"yardtally/ingest/rigsim"
)

// Nights that lie one after the other in one recording, days apart, give what
// the same nights give each in a recording of its own: whether the counter board
// ran on in the meantime or was started again, also with its count near where
// it wraps and a tenth of the lines lost, doubled or late.
func TestRecordingOfSeveralNights(t *testing.T) {
	t.Parallel()
	roomy(t)
	right := func(at time.Time) time.Time { return at }
	rough := rigsim.Rough{Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second}
	for _, tc := range []struct {
		name    string
		nights  int
		restart bool
		count   uint64 // of the first night
		wire    rigsim.Rough
		boardUp time.Duration // before the first night
	}{
		{"two, board runs on", 2, false, 184223, rigsim.Rough{}, 26 * time.Hour},
		{"three, board runs on, rough", 3, false, 184223, rough, 26 * time.Hour},
		{"three, board runs on, uptime wraps between, rough", 3, false, 1<<32 - 1500, rough, 48 * 24 * time.Hour},
		{"two, restarted", 2, true, 184223, rigsim.Rough{}, 26 * time.Hour},
		{"three, restarted, rough", 3, true, 184223, rough, time.Minute},
		{"two, restarted near the wrap, rough", 2, true, 1<<32 - 1500, rough, 48 * 24 * time.Hour},
		{"three, restarted near the wrap, rough", 3, true, 1<<32 - 1500, rough, 26 * time.Hour},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var texts [][]byte
			var rig *night
			s := rigsim.SmallNight(1)
			s.Meter.Count, s.Meter.Uptime = tc.count, tc.boardUp
			for k := range tc.nights {
				s.Seed, s.Wire = uint64(k+1), tc.wire
				s.Wire.Seed = uint64(k + 1)
				n := playNight(t, s)
				if rig == nil {
					rig = n
				}
				texts = append(texts, n.recorded(t, right))
				pause := time.Duration(2+k)*24*time.Hour + 17*time.Minute
				s.Start = s.Start.Add(pause)
				if tc.restart {
					s.Meter.Count, s.Meter.Uptime = 0, time.Minute
					s.Meter.Boots++
				} else {
					s.Meter.Count, s.Meter.Uptime = n.truth.Count, s.Meter.Uptime+pause
				}
			}
			acts := rig.acts(t)
			want := importedAll(t, rig.Rig, acts, texts...)
			got := importedAll(t, rig.Rig, acts, bytes.Join(texts, nil))
			if want.Total == 0 || len(want.Fills) < 9*tc.nights {
				t.Fatalf("%d fills, %v in all, of the nights one by one", len(want.Fills), want.Total)
			}
			if got.Total != want.Total || len(got.Fills) != len(want.Fills) {
				t.Fatalf("%d fills, %v in all; want %d, %v", len(got.Fills), got.Total, len(want.Fills), want.Total)
			}
			for i := range want.Fills {
				g, w := got.Fills[i], want.Fills[i]
				g.Session = w.Session // named by when its first message came
				if g != w {
					t.Errorf("fill %d is\n %+v, want\n %+v", i, g, w)
				}
			}
		})
	}
}
