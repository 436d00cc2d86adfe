package ledger

import (
	"math/rand/v2"
	"testing"
	"time"

	"yardtally/meter/outing"
)

// An outing belongs to the date it began on, however long it goes on. Daylight
// saving as in TestNightOf.
func TestEvening(t *testing.T) {
	loc := chicago(t)
	ns := func(s string) int64 {
		x, err := time.ParseInLocation("2006-01-02 15:04", s, loc)
		if err != nil {
			t.Fatal(err)
		}
		return x.UnixNano()
	}
	for _, tc := range []struct{ name, from, to, date string }{
		{"an evening", "2026-10-09 18:40", "2026-10-09 22:10", "2026-10-09"},
		{"past midnight", "2026-10-09 20:00", "2026-10-10 03:00", "2026-10-09"},
		{"past five", "2026-10-09 20:00", "2026-10-10 06:30", "2026-10-09"},
		{"past noon", "2026-10-09 20:00", "2026-10-10 13:00", "2026-10-09"},
		{"a morning", "2026-10-09 06:00", "2026-10-09 13:00", "2026-10-09"},
		{"from noon on", "2026-10-09 11:30", "2026-10-09 16:00", "2026-10-09"},
		{"begun after midnight", "2026-10-10 00:20", "2026-10-10 07:00", "2026-10-09"},
		{"begun just before five", "2026-10-10 04:59", "2026-10-10 07:00", "2026-10-09"},
		{"begun at five", "2026-10-10 05:00", "2026-10-10 07:00", "2026-10-10"},
		{"the hour twice", "2026-10-31 22:00", "2026-11-01 05:30", "2026-10-31"},
		{"the hour left out", "2026-03-07 22:00", "2026-03-08 05:30", "2026-03-07"},
		{"new year", "2026-12-31 23:00", "2027-01-01 02:00", "2026-12-31"},
	} {
		// Beside it an outing of the evening before and one of that after.
		v := &View{Outings: []Outing{
			{From: ns(tc.from) - 30*3600*sec, To: ns(tc.from) - 29*3600*sec},
			{From: ns(tc.from), To: ns(tc.to)},
			{From: ns(tc.to) + 26*3600*sec, To: ns(tc.to) + 28*3600*sec},
		}}
		date, err := time.Parse(time.DateOnly, tc.date)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []int64{ns(tc.from), (ns(tc.from) + ns(tc.to)) / 2, ns(tc.to), ns(tc.to) + outing.Pause} {
			if got := v.Evening(at, loc); !got.Equal(date) {
				t.Errorf("%s: at %v it is the evening of %s", tc.name, time.Unix(0, at).In(loc), got.Format(time.DateOnly))
			}
		}
		from, to := v.NightOn(date, loc)
		if from > ns(tc.from) || to <= ns(tc.to) || from <= v.Outings[0].To || to > v.Outings[2].From {
			t.Errorf("%s: from %v to %v", tc.name, time.Unix(0, from).In(loc), time.Unix(0, to).In(loc))
		}
	}

	// Whoever was out since noon and goes out again by the next is at one night's
	// work; whoever was not begins a day.
	for _, tc := range []struct {
		name  string
		times []string // begin and end of each outing
		dates []string
	}{
		{"home for supper", []string{"2026-10-09 13:30", "2026-10-09 15:00", "2026-10-09 20:10", "2026-10-10 00:30"}, []string{"2026-10-09", "2026-10-09"}},
		{"home for the night", []string{"2026-10-09 19:00", "2026-10-10 00:10", "2026-10-10 06:30", "2026-10-10 09:00"}, []string{"2026-10-09", "2026-10-09"}},
		{"three of one night", []string{"2026-10-09 14:00", "2026-10-09 15:00", "2026-10-09 23:00", "2026-10-10 01:00", "2026-10-10 11:59", "2026-10-10 13:00"},
			[]string{"2026-10-09", "2026-10-09", "2026-10-09"}},
		{"noon begins another", []string{"2026-10-09 19:00", "2026-10-10 00:10", "2026-10-10 12:00", "2026-10-10 13:00"}, []string{"2026-10-09", "2026-10-10"}},
		{"a morning, and the evening of its day", []string{"2026-10-10 07:00", "2026-10-10 10:00", "2026-10-10 20:00", "2026-10-10 22:00"}, []string{"2026-10-10", "2026-10-10"}},
		{"mornings one after another", []string{"2026-10-09 07:00", "2026-10-09 10:00", "2026-10-10 07:00", "2026-10-10 10:00"}, []string{"2026-10-09", "2026-10-10"}},
		{"evening, morning, evening", []string{"2026-10-09 20:00", "2026-10-09 23:00", "2026-10-10 07:00", "2026-10-10 10:00", "2026-10-10 20:00", "2026-10-10 23:00"},
			[]string{"2026-10-09", "2026-10-09", "2026-10-10"}},
		{"a noon of 23 hours", []string{"2026-03-07 20:00", "2026-03-07 23:00", "2026-03-08 11:30", "2026-03-08 12:30"}, []string{"2026-03-07", "2026-03-07"}},
	} {
		v := &View{}
		for i := 0; i < len(tc.times); i += 2 {
			v.Outings = append(v.Outings, Outing{From: ns(tc.times[i]), To: ns(tc.times[i+1])})
		}
		for i, o := range v.Outings {
			from, to := v.NightAt(o.From, loc)
			if got := v.Evening(o.To, loc).Format(time.DateOnly); got != tc.dates[i] || from > o.From || to <= o.To {
				t.Errorf("%s: the outing at %s is of %s, from %v to %v", tc.name, tc.times[2*i], got, time.Unix(0, from).In(loc), time.Unix(0, to).In(loc))
			}
			if i > 0 && tc.dates[i] == tc.dates[i-1] {
				if between := v.Evening((v.Outings[i-1].To+outing.Pause+o.From)/2, loc).Format(time.DateOnly); between != tc.dates[i] {
					t.Errorf("%s: before the outing at %s it is of %s", tc.name, tc.times[2*i], between)
				}
			}
		}
	}

	// With no outing at all nights run from noon to noon.
	v := &View{}
	for _, s := range []string{"2026-10-09 12:00", "2026-10-10 11:59"} {
		from, to := v.NightAt(ns(s), loc)
		if wf, wt := NightOf(ns(s), loc); from != wf || to != wt || v.Evening(ns(s), loc).Format(time.DateOnly) != "2026-10-09" {
			t.Errorf("%s: %v to %v", s, time.Unix(0, from).In(loc), time.Unix(0, to).In(loc))
		}
	}
}

// Nights of any outings cover all time once, and cut no outing.
func TestNightsCover(t *testing.T) {
	loc := chicago(t)
	for _, first := range []time.Time{time.Date(2026, 10, 20, 0, 0, 0, 0, loc), time.Date(2026, 2, 25, 0, 0, 0, 0, loc)} {
		for seed := range uint64(50) {
			rnd := rand.New(rand.NewPCG(seed, 7))
			v := &View{}
			for at := first.UnixNano(); at < first.AddDate(0, 0, 16).UnixNano(); {
				to := at + rnd.Int64N(20*3600*sec)
				if rnd.IntN(12) == 0 {
					to += rnd.Int64N(60 * 3600 * sec) // days without a pause
				}
				v.Outings = append(v.Outings, Outing{From: at, To: to})
				at = to + outing.Pause + 1 + rnd.Int64N(30*3600*sec)
			}
			edge, _ := v.NightOn(first.AddDate(0, 0, -1), loc)
			for d := -1; d < 25; d++ {
				date := time.Date(first.Year(), first.Month(), first.Day()+d, 0, 0, 0, 0, time.UTC)
				from, to := v.NightOn(date, loc)
				if from == to {
					continue
				}
				if from != edge {
					t.Fatalf("seed %d: the night of %s begins at %v, the one before ended at %v", seed, date.Format(time.DateOnly), time.Unix(0, from), time.Unix(0, edge))
				}
				edge = to
				for _, at := range []int64{from, from + (to-from)/2, to - 1} {
					if got := v.Evening(at, loc); !got.Equal(date) {
						t.Fatalf("seed %d: %v is in the night of %s, and Evening says %s", seed, time.Unix(0, at).In(loc), date.Format(time.DateOnly), got.Format(time.DateOnly))
					}
				}
				for _, o := range v.Outings {
					if o.From < to && o.To >= from && (o.From < from || o.To >= to) {
						t.Fatalf("seed %d: the night of %s cuts an outing", seed, date.Format(time.DateOnly))
					}
				}
			}
		}
	}
}
