package ledger

import (
	"testing"
	"time"
	_ "time/tzdata"

	"yardtally/calibrate/quantity"
)

func chicago(t *testing.T) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// In 2026 daylight-saving time in America/Chicago ends on 1 November at 02:00
// and began on 8 March (IANA time zone database, northamerica: rule US).
func TestNightOf(t *testing.T) {
	loc := chicago(t)
	for _, tc := range []struct {
		name     string
		at       string
		from, to string
	}{
		{"evening", "2026-10-09T21:30:00-05:00", "2026-10-09T12:00:00-05:00", "2026-10-10T12:00:00-05:00"},
		{"after midnight is the same night", "2026-10-10T00:30:00-05:00", "2026-10-09T12:00:00-05:00", "2026-10-10T12:00:00-05:00"},
		{"noon begins a night", "2026-10-09T12:00:00-05:00", "2026-10-09T12:00:00-05:00", "2026-10-10T12:00:00-05:00"},
		{"just before noon", "2026-10-09T11:59:59-05:00", "2026-10-08T12:00:00-05:00", "2026-10-09T12:00:00-05:00"},
		{"25 hours, before the change", "2026-11-01T01:30:00-05:00", "2026-10-31T12:00:00-05:00", "2026-11-01T12:00:00-06:00"},
		{"25 hours, the hour once more", "2026-11-01T01:30:00-06:00", "2026-10-31T12:00:00-05:00", "2026-11-01T12:00:00-06:00"},
		{"23 hours", "2026-03-08T03:30:00-05:00", "2026-03-07T12:00:00-06:00", "2026-03-08T12:00:00-05:00"},
		{"new year", "2027-01-01T00:00:00-06:00", "2026-12-31T12:00:00-06:00", "2027-01-01T12:00:00-06:00"},
	} {
		ns := func(s string) int64 {
			x, err := time.Parse(time.RFC3339, s)
			if err != nil {
				t.Fatal(err)
			}
			return x.UnixNano()
		}
		if from, to := NightOf(ns(tc.at), loc); from != ns(tc.from) || to != ns(tc.to) {
			t.Errorf("%s: %v to %v", tc.name, time.Unix(0, from).In(loc), time.Unix(0, to).In(loc))
		}
	}
}

// A season of fills, one every 37 minutes over both changes of the clock: each
// is in exactly one night, and every sum closes.
func TestTally(t *testing.T) {
	loc := chicago(t)
	v := &View{Yards: []YardInfo{{ID: "mill", Name: "Mill Bottom", Colonies: 20, Fill: quantity.USGallon}}}
	start := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC).UnixNano()
	yards := []string{"mill", "orchard", ""}
	var all quantity.Volume
	for i := range int64(11000) {
		at := start + i*37*60*sec
		vol := quantity.Volume(3_000_000_000 + i*1237)
		all += vol
		if i%5 == 0 {
			v.Loose = append(v.Loose, Loose{Start: at, End: at + sec, Volume: vol, Yard: yards[i%3]})
		} else {
			v.Fills = append(v.Fills, Fill{Start: at, End: at + sec, Volume: vol, Yard: yards[i%3], Open: i == 10999})
		}
	}
	var sum quantity.Volume
	fills, open := 0, 0
	for from, to := NightOf(start, loc); from < start+11000*37*60*sec; from, to = NightOf(to, loc) {
		n := Tally(v, from, to)
		var inYards quantity.Volume
		for i, y := range n.Yards {
			inYards += y.Volume + y.Loose
			if y.Yard == "" && i != len(n.Yards)-1 {
				t.Error("what has no yard must come last")
			}
			if y.Yard == "mill" && (y.Name != "Mill Bottom" || y.Colonies != 20 || y.Each != quantity.USGallon) {
				t.Errorf("%+v", y)
			}
			if y.Fills > 0 && (y.Least > y.Most || y.Volume < y.Most) || y.First > y.Last {
				t.Errorf("%+v", y)
			}
			if y.Open {
				open++
			}
		}
		if inYards != n.Total || n.Volume+n.Loose != n.Total {
			t.Errorf("yards sum to %v, the night is %v", inYards, n.Total)
		}
		sum += n.Total
		fills += n.Fills
	}
	if sum != all || fills != len(v.Fills) || open != 1 {
		t.Errorf("nights sum to %v in %d fills, %d open; want %v in %d", sum, fills, open, all, len(v.Fills))
	}
}
