package main

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

// Times of a night are of the evening before midnight and of the day after it.
// In the United States clocks go forward at 2:00 on the second Sunday of March
// and back at 2:00 on the first of November (15 U.S.C. 260a; memory).
func TestInstant(t *testing.T) {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ evening, text, want string }{
		{"2026-10-09", "21:40", "2026-10-09T21:40:00-05:00"},
		{"2026-10-09", "21:40:12", "2026-10-09T21:40:12-05:00"},
		{"2026-10-09", "9:40pm", "2026-10-09T21:40:00-05:00"},
		{"2026-10-09", "9:40:12 PM", "2026-10-09T21:40:12-05:00"},
		{"2026-10-09", "12:00", "2026-10-09T12:00:00-05:00"},
		{"2026-10-09", "11:59", "2026-10-10T11:59:00-05:00"},
		{"2026-10-09", "00:30", "2026-10-10T00:30:00-05:00"},
		{"2026-10-09", "12:30am", "2026-10-10T00:30:00-05:00"},
		{"2026-10-31", "00:30", "2026-11-01T00:30:00-05:00"},
		{"2026-10-31", "02:30", "2026-11-01T02:30:00-06:00"},
		{"2026-10-09", "2026-10-08 07:15", "2026-10-08T07:15:00-05:00"},
		{"2026-10-09", "2026-10-08 07:15:09", "2026-10-08T07:15:09-05:00"},
		{"2026-10-09", "2026-10-08T07:15:09Z", "2026-10-08T02:15:09-05:00"},
		{"2026-10-09", "9:40", `-at: must be a time of the night like "21:40" or "9:40pm", or "2026-10-09 21:40", is "9:40"`},
		{"2026-10-09", "24:10", `is "24:10"`},
		{"2026-10-09", "13:10pm", `is "13:10pm"`},
		{"2026-10-09", "2026-10-08", `is "2026-10-08"`},
		{"2026-10-09", "0001-01-01 10:00", `is "0001-01-01 10:00"`},
		{"2026-10-31", "01:30", "-at: must say which of the two it is, 2026-11-01T01:30:00-05:00 or 2026-11-01T01:30:00-06:00, is \"01:30\""},
		{"2026-10-31", "2026-11-01T01:30:00-06:00", "2026-11-01T01:30:00-06:00"},
		{"2026-03-07", "02:30", `-at: must be a time that the clock showed that night, is "02:30"`},
	} {
		var s spoken
		s.zone = zone
		s.from, s.to = nightIn(new(ledger.View), zone, c.evening)
		at, err := s.instant("-at", c.text)
		got := at.In(zone).Format(time.RFC3339)
		if err != nil {
			got = err.Error()
		}
		if !strings.HasSuffix(got, c.want) {
			t.Errorf("%q in the night of %s: %s, want %s", c.text, c.evening, got, c.want)
		}
	}
}

// Now is not after a newest reading that runs ahead of the board's own clock.
func TestMomentNow(t *testing.T) {
	night := time.Date(2026, 10, 9, 21, 0, 0, 0, time.UTC)
	s := spoken{zone: time.UTC, now: night, before: &ledger.View{At: night.Add(30 * time.Minute).UnixNano()}}
	s.from, s.to = nightIn(s.before, s.zone, "")
	for text, want := range map[string]string{
		"":      "21:00:00",
		"now":   "21:00:00",
		"20:59": "20:59:00",
		"21:29": "21:29:00",
		"21:32": `-at: must not be in the future, is "21:32", which is 2026-10-09 21:32:00`,
	} {
		at, err := s.moment(text)
		got := at.Format(time.TimeOnly)
		if err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
	s.now = night.AddDate(0, 0, 1)
	if _, err := s.moment(""); err == nil || err.Error() != `-at: must be given, like "21:40" or now, as the night of 2026-10-09 is over` {
		t.Errorf("the day after: %v", err)
	}
}

// seven nights of one fill each in a yard that both ends of the change know.
func sevenNights(yard string, moved int) *ledger.View {
	v := &ledger.View{Yards: []ledger.YardInfo{{ID: "larch", Name: "Larch Bank"}, {ID: "mill", Name: "Mill Bottom"}}}
	for i := range 7 {
		f := ledger.Fill{Session: 7, First: uint64(i * 100), Last: uint64(i*100 + 100), Volume: 4 * quantity.Litre, Yard: "larch",
			Start: time.Date(2026, 10, 1+i, 21, 0, 0, 0, time.UTC).UnixNano(), End: time.Date(2026, 10, 1+i, 21, 0, 5, 0, time.UTC).UnixNano()}
		if i >= 1 && i <= moved {
			f.Yard = yard
		}
		v.Fills = append(v.Fills, f)
	}
	v.Loose = []ledger.Loose{{Session: 7, First: 700, Last: 701, Volume: 10 * quantity.Millilitre, Yard: "larch", Start: v.Fills[1].End, End: v.Fills[1].End}}
	return v
}

func TestRestate(t *testing.T) {
	var out strings.Builder
	if before := sevenNights("mill", 0); restate(&out, before, sevenNights("mill", 0), quantity.SI, time.UTC) || out.Len() != 0 {
		t.Errorf("nothing changed, and it says %s", out.String())
	}
	if !restate(&out, sevenNights("mill", 0), sevenNights("mill", 2), quantity.SI, time.UTC) {
		t.Error("nothing changed")
	}
	two := `
The night of 2026-10-02:

yard         fills before  now  L before   now
Larch Bank              1    0      4.01  0.01
Mill Bottom             0    1      0.00  4.00
-----------  ------------  ---  --------  ----
sum                     1    1      4.01  4.01

The night of 2026-10-03:

yard         fills before  now  L before   now
Larch Bank              1    0      4.00  0.00
Mill Bottom             0    1      0.00  4.00
-----------  ------------  ---  --------  ----
sum                     1    1      4.00  4.00
`
	if out.String() != two {
		t.Errorf("got %s want %s", out.String(), two)
	}
	out.Reset()
	restate(&out, sevenNights("mill", 0), sevenNights("mill", 4), quantity.SI, time.UTC)
	four := `
The nights of 2026-10-02 to 2026-10-05 together, of which 4 change:

yard         fills before  now  L before    now
Larch Bank              4    0     16.01   0.01
Mill Bottom             0    4      0.00  16.00
-----------  ------------  ---  --------  -----
sum                     4    4     16.01  16.01
`
	if out.String() != four {
		t.Errorf("got %s want %s", out.String(), four)
	}

	// Nights that only one of the two has are told, too.
	out.Reset()
	none := &ledger.View{}
	one := sevenNights("mill", 0)
	one.Fills, one.Loose = one.Fills[:1], nil
	if !restate(&out, none, one, quantity.SI, time.UTC) || !strings.Contains(out.String(), "sum                    0    1      0.00  4.00\n") {
		t.Errorf("a night that came: %s", out.String())
	}
	out.Reset()
	if !restate(&out, one, none, quantity.SI, time.UTC) || !strings.Contains(out.String(), "sum                    1    0      4.00  0.00\n") {
		t.Errorf("a night that went: %s", out.String())
	}
}

func TestPick(t *testing.T) {
	v := &ledger.View{At: time.Date(2026, 10, 9, 23, 0, 0, 0, time.UTC).UnixNano()}
	s := &spoken{zone: time.UTC, before: v}
	s.from, s.to = nightIn(v, time.UTC, "")
	// Two fills of the night before, then six; a dribble before the last but two.
	for i, c := range [][2]uint64{{0, 50}, {50, 100}, {100, 200}, {200, 300}, {300, 310}, {320, 400}, {400, 500}, {500, 600}} {
		f := ledger.Fill{Session: 7, First: c[0], Last: c[1], Volume: quantity.Litre, Start: time.Date(2026, 10, 9, 21, i, 0, 0, time.UTC).UnixNano()}
		if i < 2 {
			f.Start -= 24 * time.Hour.Nanoseconds()
		}
		v.Fills = append(v.Fills, f)
	}
	for _, c := range []struct{ words, said string }{
		{"1", "Fill 1, 1.00 L"},
		{"2-3", "Fills 2-3, 2.00 L"},
		{"2,3 1", "Fills 1-3, 3.00 L"},
		{"last", "Fill 6, 1.00 L"},
		{"1,3-4,4-5,last", "Fills 1, 3-6, 5.00 L"},
	} {
		p := pick{words: strings.Fields(c.words)}
		fills, err := p.fills(s)
		if err != nil || sayFills(fills, quantity.SI) != c.said {
			t.Errorf("%s: %q, %v", c.words, sayFills(fills, quantity.SI), err)
		}
	}
	p := pick{words: []string{"1-5"}}
	all, _, _, err := p.stretches(s)
	want := []stretch{{7, 100, 310}, {7, 320, 500}}
	if err != nil || len(all) != 2 || all[0] != want[0] || all[1] != want[1] {
		t.Errorf("stretches %v, want %v (%v)", all, want, err)
	}

	// What goes on cannot be corrected ahead.
	v.Fills[7].Open = true
	p = pick{words: []string{"5-6"}}
	if _, _, note, err := p.stretches(s); err != nil || note != "\nFill 6 is still open: it holds for what flowed until now." {
		t.Errorf("%q, %v", note, err)
	}
	v.Fills = nil
	if _, err := p.fills(s); err == nil || err.Error() != "FILLS: the night of 2026-10-09 has none" {
		t.Error(err)
	}
}

// feeding is a view of one outing with a fill every hour.
func feeding(first time.Time, hours int) *ledger.View {
	v := &ledger.View{Outings: []ledger.Outing{{From: first.UnixNano()}}}
	for h := range hours {
		at := first.Add(time.Duration(h) * time.Hour)
		v.At = at.Add(time.Minute).UnixNano()
		v.Outings[0].To = v.At
		v.Fills = append(v.Fills, ledger.Fill{Session: 7, First: uint64(100 * h), Last: uint64(100*h + 100), Start: at.UnixNano(), End: v.At,
			Volume: quantity.Litre, Yard: "larch", Visit: -1})
	}
	return v
}

// An outing that runs on past midnight and noon is one night to every command:
// what a report numbers, corrections know by the same numbers.
func TestOneNightForAll(t *testing.T) {
	for _, c := range []struct {
		name  string
		first time.Time
		hours int
		night string
	}{
		{"past noon", time.Date(2026, 10, 9, 22, 10, 0, 0, time.UTC), 16, "2026-10-09"},
		{"after midnight", time.Date(2026, 10, 10, 1, 10, 0, 0, time.UTC), 12, "2026-10-09"},
		{"a morning", time.Date(2026, 10, 10, 5, 10, 0, 0, time.UTC), 9, "2026-10-10"},
	} {
		v := feeding(c.first, c.hours)
		for _, night := range []string{"", c.night} {
			s := &spoken{zone: time.UTC, before: v, night: night}
			p := pick{words: []string{"1-" + strconv.Itoa(c.hours)}}
			fills, err := p.fills(s)
			if err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
			var out strings.Builder
			o := report.Options{Zone: time.UTC}
			o.From, o.To = nightIn(v, time.UTC, night)
			if err := report.Fills(&out, v, o); err != nil {
				t.Fatal(err)
			}
			for _, f := range fills {
				if line := fmt.Sprintf("\n%3d  %s ", f.no, clockTime(f.Start, time.UTC)); !strings.Contains(out.String(), line) {
					t.Errorf("%s: no %q in\n%s", c.name, line, out.String())
				}
			}
		}
		moved := feeding(c.first, c.hours)
		moved.Fills[c.hours-1].Yard = "mill"
		var out strings.Builder
		restate(&out, v, moved, quantity.SI, time.UTC)
		if text := out.String(); strings.Count(text, "The night of ") != 1 || !strings.Contains(text, "The night of "+c.night+":") {
			t.Errorf("%s: restated %s", c.name, text)
		}
	}
}

// A time is that of the night's outing; before any, of the evening or the day after.
func TestInstantOfOuting(t *testing.T) {
	for _, c := range []struct {
		first time.Time
		hours int
		text  string
		want  string
	}{
		{time.Date(2026, 10, 9, 22, 10, 0, 0, time.UTC), 16, "23:00", "2026-10-09 23:00:00"},
		{time.Date(2026, 10, 9, 22, 10, 0, 0, time.UTC), 16, "04:00", "2026-10-10 04:00:00"},
		{time.Date(2026, 10, 9, 22, 10, 0, 0, time.UTC), 16, "06:30", "2026-10-10 06:30:00"},
		{time.Date(2026, 10, 9, 8, 10, 0, 0, time.UTC), 3, "08:15", "2026-10-09 08:15:00"},
		{time.Date(2026, 10, 9, 20, 10, 0, 0, time.UTC), 3, "00:30", "2026-10-10 00:30:00"},
		{time.Date(2026, 10, 9, 20, 10, 0, 0, time.UTC), 20, "16:00", `-at: must have its date, like "2026-10-09 21:40", as the night of 2026-10-09 had that time 2 times, is "16:00"`},
	} {
		s := spoken{zone: time.UTC, before: feeding(c.first, c.hours)}
		s.from, s.to = nightIn(s.before, time.UTC, "")
		at, err := s.instant("-at", c.text)
		got := at.Format(time.DateTime)
		if err != nil {
			got = err.Error()
		}
		if got != c.want {
			t.Errorf("%s of an outing from %v: %s, want %s", c.text, c.first, got, c.want)
		}
	}
}
