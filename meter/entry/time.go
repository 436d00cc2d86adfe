package entry

import (
	"strings"
	"time"
)

// instant reads when something happened, from the fields "on" and "at".
func (r *reader) instant() int64 {
	on, at := r.text("on"), r.text("at")
	latest := r.k.Now
	if v := r.k.View; v != nil {
		latest = max(latest, v.At) // a board without the time of day may lag behind its satellites
	}
	now := time.Unix(0, r.k.Now).In(r.k.Zone)
	day, dated := now, false
	if on != "" {
		d, err := time.ParseInLocation(time.DateOnly, on, r.k.Zone)
		if err != nil || d.Year() < 1971 || d.Year() > 2199 {
			r.fail("on", "must be a date like 2026-10-09", on)
			return 0
		}
		day, dated = d, true
	}
	if at == "" || strings.EqualFold(at, "now") {
		if !dated {
			return r.k.Now
		}
		if at != "" {
			r.fail("on", "must not stand beside -at now", on)
			return 0
		}
		noon := time.Date(day.Year(), day.Month(), day.Day(), 12, 0, 0, 0, r.k.Zone).UnixNano()
		if y, m, d := now.Date(); day.Year() == y && day.Month() == m && day.Day() == d {
			noon = min(noon, r.k.Now) // today, this morning
		}
		return r.past("on", on, noon, latest)
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04", "2006-01-02 15:04:05"} {
		t, err := time.ParseInLocation(layout, at, r.k.Zone)
		switch {
		case err != nil || t.Year() < 1971 || t.Year() > 2199:
			continue
		case dated:
			r.fail("on", "must not stand beside a date in -at", on)
			return 0
		case layout != time.RFC3339:
			return r.past("at", at, r.onClock(at, t, t), latest)
		}
		return r.past("at", at, t.UnixNano(), latest)
	}
	low := strings.ToLower(strings.ReplaceAll(at, " ", ""))
	for _, layout := range []string{"15:04", "15:04:05", "3pm", "3:04pm", "3:04:05pm"} {
		t, err := time.Parse(layout, low)
		if err != nil || layout[0] == '1' && low[1] == ':' { // 9:40 alone could be either half of the day
			continue
		}
		return r.past("at", at, r.onClock(at, day, t), latest)
	}
	r.fail("at", `must be a time like "17:30" or "5:30pm", or "2026-10-09 17:30"`, at)
	return 0
}

// onClock returns when the clocks of the zone showed a time on a day: on the
// days that summer time begins or ends some never come and others come twice.
func (r *reader) onClock(text string, day, clock time.Time) int64 {
	t := time.Date(day.Year(), day.Month(), day.Day(), clock.Hour(), clock.Minute(), clock.Second(), 0, r.k.Zone)
	if t.Hour() != clock.Hour() || t.Minute() != clock.Minute() {
		r.fail("at", "must be a time that the clock showed that day", text)
		return 0
	}
	for _, d := range []time.Duration{-time.Hour, -time.Hour / 2, time.Hour / 2, time.Hour} {
		if o := t.Add(d); o.Hour() == t.Hour() && o.Minute() == t.Minute() {
			r.fail("at", "must say which of the two it is, "+t.Format(time.RFC3339)+" or "+o.Format(time.RFC3339), text)
			return 0
		}
	}
	return t.UnixNano()
}

func (r *reader) past(field, text string, ns, latest int64) int64 {
	if ns > latest+int64(time.Minute) {
		r.fail(field, "must not be in the future", text)
	}
	return ns
}
