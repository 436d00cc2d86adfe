package recording

import (
	"testing"

	"yardtally/meter"
)

// Each line is the sender's time and uptime in ms (-1: none in that line), and
// what the time line then says, in ms; worked out by hand from the rules above
// timeline.
func TestTimeline(t *testing.T) {
	const base = 1_790_000_000_000
	type line struct{ sent, uptime, want int64 }
	for _, c := range []struct {
		name  string
		lines []line
	}{
		{"steady", []line{{0, -1, 0}, {200, -1, 200}, {400, -1, 400}, {400, -1, 400}}},
		{"a pause of ten minutes", []line{{0, -1, 0}, {600_000, -1, 600_000}}},
		{"longer, no uptime at all", []line{{0, -1, 0}, {600_001, -1, 600_001}, {600_201, -1, 600_201}}},
		{"longer, from a clock never set", []line{{-1_789_999_995_000, -1, 0}, {0, -1, 1}, {200, -1, 201}}},
		{"a day, uptime ran on", []line{{0, 5000, 0}, {86_400_000, 86_405_000, 86_400_000}, {86_400_200, 86_405_200, 86_400_200}}},
		{"a day, uptime ran on by a clock of its own", []line{{0, 5000, 0}, {86_400_000, 86_413_000, 86_400_000}, {86_400_200, 86_413_200, 86_400_200}}},
		{"a day, uptime only some lines later", []line{{0, 5000, 0}, {86_400_000, -1, 1}, {86_400_100, -1, 101}, {86_400_200, 86_405_200, 86_400_200}, {86_400_300, -1, 86_400_300}}},
		{"a jump, uptime only some lines later", []line{{0, 5000, 0}, {86_400_000, -1, 1}, {86_400_100, -1, 101}, {86_400_200, 5400, 201}}},
		{"a day, restarted meanwhile", []line{{0, 5_000_000, 0}, {86_400_000, 10_000, 86_400_000}}},
		{"a day, restarted meanwhile, heard late", []line{{0, 5000, 0}, {86_400_000, 3_600_000, 86_400_000}}},
		{"a day, but the board ran longer", []line{{0, 900_000_000, 0}, {86_400_000, 800_000_000, 1}}},
		{"one late by 5 s from a clock a day ahead", []line{{0, 9_000_000, 0}, {-86_400_000, 9_000_200, 200}, {-4800, 8_995_200, 201}, {-86_399_800, 9_000_400, 5401}}},
		{"restart of a clock never set", []line{{-1_789_999_995_000, 50_000, 0}, {0, 10_000, 1}}},
		{"one from before a day's pause, late", []line{{0, 5000, 0}, {86_400_000, 86_405_000, 86_400_000}, {-100, 4900, 86_400_001}, {-50, -1, 86_400_002}, {86_400_200, 86_405_200, 86_400_200}}},
		{"one from before, while it is open what the step was", []line{{0, 5000, 0}, {86_400_000, -1, 1}, {-100, 4900, 2}, {86_400_200, 86_405_200, 86_400_200}}},
		{"clock set forward, uptime knows", []line{{0, 5000, 0}, {86_400_000, 5200, 200}, {86_400_200, 5400, 400}}},
		{"clock set far back, uptime knows", []line{{0, 5000, 0}, {-86_400_000, 5200, 200}, {-86_399_800, 5400, 400}}},
		{"clock set a little back, uptime knows", []line{{0, 5000, 0}, {-60_000, 5200, 200}, {-59_800, 5400, 400}}},
		{"uptime of some lines ago", []line{{0, 5000, 0}, {100, -1, 100}, {86_400_000, 5300, 300}}},
		{"counter board restarts", []line{{0, 5000, 0}, {200, 10, 200}, {400, 210, 400}}},
		{"restart and jump at once", []line{{0, 5000, 0}, {-86_400_000, 10, 1}, {-86_399_800, 210, 201}}},
		{"one late by 5 s", []line{{0, 9000, 0}, {200, 9200, 200}, {-4800, 4200, 201}, {400, 9400, 400}}},
		{"many late at once", []line{{0, -1, 0}, {-3, -1, 1}, {-2, -1, 2}, {-1, -1, 3}, {1, -1, 3}, {2, -1, 3}, {4, -1, 4}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var tl timeline
			for i, l := range c.lines {
				r := meter.Record{Sent: (base + l.sent) * 1e6, Readings: []meter.Reading{{Channel: meter.Syrup, Value: 12}}}
				if l.uptime >= 0 {
					r.Readings = append(r.Readings, meter.Reading{Channel: meter.Uptime, Value: float64(l.uptime) / 1e3})
				}
				// To the microsecond: uptime is seconds in a float64.
				if got := (tl.next([]meter.Record{r}) + 500) / 1000; got != l.want*1000 {
					t.Errorf("line %d: %d us, want %d ms", i+1, got, l.want)
				}
			}
		})
	}
}
