package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"yardtally/dashboard/door"
	"yardtally/meter/act"
	"yardtally/meter/clock"
)

// A board without a battery does not know the time, and a signed-in phone does.
// The page's script measures how the phone's clock stands to the boot's, and
// sends what it found; the rig takes it where it knows nothing better.
const (
	phoneOff  = 2 * time.Second // less than this off is left alone
	phoneAge  = time.Minute     // a measurement older than this is not taken
	phoneTrip = 2 * time.Second // nor one whose question took longer on the way
)

// No clock before 2024 can be right, nor one after 2115: as in meter/clock.
const (
	earliest = int64(1_704_067_200)
	latest   = int64(4_600_000_000) // s
)

// wantsTime reports whether nothing better than the board's own clock tells
// the rig's time.
func (m *model) wantsTime() bool {
	if m.Demo != "" || m.speed > 1 {
		return false // its time is another one
	}
	return !m.sure()
}

// sure reports whether the time is known from where no phone knows it better.
// Where nothing was heard yet, nothing is.
func (m *model) sure() bool {
	switch m.view.Placed.By {
	case "", clock.ByNeighbours, clock.ByOwnClock, clock.BySender:
		return false
	}
	return true
}

// timeless reports whether the rig has no idea of the time.
func (m *model) timeless() bool {
	return m.view.Placed.By == clock.ByNeighbours || m.Now < earliest*1e9
}

// sayClock says how the rig's time is known.
func (m *model) sayClock() string {
	switch by := m.view.Placed.By; by {
	case clock.BySatellites:
		return "by satellites"
	case "phone":
		return "set from a phone"
	case "network":
		return "from the network"
	case clock.ByPerson:
		return "set by hand"
	case clock.BySender:
		return "as the sensors tell it"
	case clock.ByNeighbours:
		return "a guess"
	}
	return "by the board’s own clock"
}

// boots is the answer to the page's question, of which the phone measures when
// it was answered. A count of ns does not fit a script's number.
type boots struct {
	Boot string `json:"boot"`
	Mono string `json:"mono_ns"`
}

// boot tells the boot and its clock.
func (s *server) boot(w http.ResponseWriter, r *http.Request) {
	if door.Of(r.Context()) != door.In {
		http.Error(w, "Only who is signed in is asked for the time.", http.StatusForbidden)
		return
	}
	now := s.Said.Now()
	answer(w, boots{now.Boot, strconv.FormatInt(now.MonoNS, 10)})
}

func answer(w http.ResponseWriter, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		panic(err) // strings only
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data) // a reader that went away is no fault
}

// phone takes what an opened phone found: at mono_ns of the boot's clock it was
// utc_ms of Unix time by the phone's, within half of rtt_ms.
func (s *server) phone(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	f := r.PostForm
	var off time.Duration
	id, again, err := s.sayOnce(r.Context(), tap{session: door.Session(r.Context()), what: "/clock"}, nameOf(r),
		func(ctx context.Context, now act.Moment) ([]act.Body, error) {
			fix, err := phoneFix(now, f)
			if err != nil {
				return nil, err
			}
			m := newModel(s.Feed.Snapshot())
			off = time.Duration(fix.UTC - (fix.MonoNS + now.NS - now.MonoNS))
			if !m.wantsTime() || off.Abs() <= phoneOff {
				return nil, errNothing
			}
			acts, err := s.Said.Acts(ctx)
			if err != nil {
				return nil, err
			}
			for i := range acts {
				// Two phones would take turns; and what a person took back is
				// not to come again by itself.
				if x, ok := acts[i].Body.(act.Fix); ok && x.Boot == fix.Boot {
					return nil, errNothing
				}
			}
			return []act.Body{fix}, nil
		})
	var field *act.FieldError
	switch {
	case errors.Is(err, errNothing) || again:
		answer(w, map[string]string{})
	case errors.As(err, &field):
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
	case err != nil:
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
	default:
		how := "behind"
		if off < 0 {
			how = "ahead"
		}
		answer(w, map[string]string{"act": id, "text": "The rig’s time was set from this phone; it was " + longSpan(off.Abs()) + " " + how + "."})
	}
}

// phoneFix reads a measurement, and reports what in it cannot be so.
func phoneFix(now act.Moment, f url.Values) (act.Fix, error) {
	var n [3]int64
	for i, field := range []string{"mono_ns", "utc_ms", "rtt_ms"} {
		var err error
		if n[i], err = strconv.ParseInt(f.Get(field), 10, 64); err != nil {
			return act.Fix{}, &act.FieldError{Field: field, Rule: "must be a whole number", Value: strconv.Quote(f.Get(field))}
		}
	}
	mono, utc, trip := n[0], n[1], n[2]
	switch {
	case f.Get("boot") != now.Boot:
		return act.Fix{}, &act.FieldError{Field: "boot", Rule: "must be the one that runs", Value: strconv.Quote(f.Get("boot"))}
	case mono > now.MonoNS || mono < now.MonoNS-int64(phoneAge):
		return act.Fix{}, &act.FieldError{Field: "mono_ns", Rule: fmt.Sprintf("must be of the last %.0f s", phoneAge.Seconds()), Value: mono}
	case utc < earliest*1000 || utc > latest*1000:
		return act.Fix{}, &act.FieldError{Field: "utc_ms", Rule: "must be between the years 2024 and 2115", Value: utc}
	case trip < 0 || trip > phoneTrip.Milliseconds():
		return act.Fix{}, &act.FieldError{Field: "rtt_ms", Rule: fmt.Sprintf("must be between 0 and %d", phoneTrip.Milliseconds()), Value: trip}
	}
	return act.Fix{Boot: now.Boot, MonoNS: mono, UTC: utc * int64(time.Millisecond), By: "phone"}, nil
}

// sayTime takes the time that a person reads off a watch, in the rig's zone.
func (s *server) sayTime(_ context.Context, now act.Moment, f url.Values) (act.Body, error) {
	m := newModel(s.Feed.Snapshot())
	if m.view.Placed.By == clock.BySatellites {
		return nil, &act.FieldError{Field: "time", Rule: "must be left to the satellites while they tell it", Value: strconv.Quote(f.Get("time"))}
	}
	text := strings.TrimSpace(f.Get("time"))
	for _, form := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05"} {
		at, err := time.ParseInLocation(form, text, m.zone)
		if err == nil && at.Unix() >= earliest && at.Unix() <= latest {
			return act.Fix{Boot: now.Boot, MonoNS: now.MonoNS, UTC: at.UnixNano(), By: clock.ByPerson}, nil
		}
	}
	return nil, &act.FieldError{Field: "time", Rule: "must be a day and a time like 2026-10-09 21:30, from 2024 on", Value: strconv.Quote(text)}
}

// longSpan says a duration in the unit that tells most of it.
func longSpan(d time.Duration) string {
	h := d.Hours()
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f\u00a0s", d.Seconds())
	case h < 2:
		return fmt.Sprintf("%.0f\u00a0min", d.Minutes())
	case h < 48:
		return fmt.Sprintf("%.0f\u00a0h", h)
	case h < 2*365*24:
		return fmt.Sprintf("%.0f days", h/24)
	}
	return fmt.Sprintf("%.0f years", h/24/365.25)
}
