package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/clock"
	"yardtally/meter/ledger"
)

// board is a snapshot of a board whose clock is known so, and says it is now.
func board(by string, now time.Time) *Snapshot {
	return &Snapshot{View: &ledger.View{Records: 1, Placed: ledger.Placing{By: by}}, Units: quantity.US, Zone: zone, Now: now.UnixNano()}
}

func TestPhoneTellsTheTime(t *testing.T) {
	truth := time.Date(2026, 10, 9, 21, 30, 0, 0, zone)
	in1970 := time.Unix(900, 0)
	for _, c := range []struct {
		name string
		snap *Snapshot
		fix  bool
		text string
	}{
		{"1970", board(clock.ByNeighbours, in1970), true, "it was 57 years behind"},
		{"nothing heard yet", board("", in1970), true, "it was 57 years behind"},
		{"own clock two hours ahead", board(clock.ByOwnClock, truth.Add(2*time.Hour)), true, "it was 2\u00a0h ahead"},
		{"by sensors three minutes behind", board(clock.BySender, truth.Add(-3*time.Minute)), true, "it was 3\u00a0min behind"},
		{"own clock, right", board(clock.ByOwnClock, truth.Add(1900*time.Millisecond)), false, ""},
		{"satellites, whatever the phone says", board(clock.BySatellites, truth.Add(time.Hour)), false, ""},
		{"network", board("network", truth.Add(time.Hour)), false, ""},
		{"by hand", board(clock.ByPerson, truth.Add(time.Hour)), false, ""},
		{"a demonstration", func() *Snapshot { s := board(clock.ByOwnClock, in1970); s.Demo = "A simulated night."; return s }(), false, ""},
	} {
		st := newStand(t, c.snap)
		w := get(t, st.h, "/clock", st.cookie)
		var b boots
		if err := json.Unmarshal(w.Body.Bytes(), &b); err != nil || b.Boot != "boot 1" || b.Mono != fmt.Sprint(int64(bookMono)) {
			t.Fatalf("%s: %v, %+v", c.name, err, b)
		}
		form := fmt.Sprintf("boot=boot+1&mono_ns=%d&utc_ms=%d&rtt_ms=40", int64(bookMono), truth.UnixMilli())
		w = st.post("/clock", form)
		said := st.said()
		if w.Code != 200 || (len(said) == 1) != c.fix || !strings.Contains(w.Body.String(), c.text) {
			t.Errorf("%s: status %d, %s, acts %+v", c.name, w.Code, w.Body, said)
			continue
		}
		if !c.fix {
			continue
		}
		if want := (act.Fix{Boot: "boot 1", MonoNS: bookMono, UTC: truth.UnixNano(), By: "phone"}); said[0].Body != want {
			t.Errorf("%s: said %+v, want %+v", c.name, said[0].Body, want)
		}
		// Once a boot: not by another phone, nor after it was taken back.
		st.now = st.now.Add(time.Minute)
		st.post("/clock", form)
		st.post("/say/back", "act=act-0")
		st.now = st.now.Add(time.Minute)
		st.post("/clock", form)
		if n := len(st.said()); n != 2 {
			t.Errorf("%s: %d acts, want the fix and its undo", c.name, n)
		}
	}
}

func TestPhonesMeasurementIsJudged(t *testing.T) {
	st := newStand(t, board(clock.ByNeighbours, time.Unix(900, 0)))
	good := map[string]string{"boot": "boot 1", "mono_ns": fmt.Sprint(int64(bookMono)), "utc_ms": "1791600000000", "rtt_ms": "40"}
	for _, c := range []struct{ field, value, words string }{
		{"boot", "boot 0", `boot: must be the one that runs, is "boot 0"`},
		{"mono_ns", fmt.Sprint(int64(bookMono) - 61e9), "mono_ns: must be of the last 60 s"},
		{"mono_ns", fmt.Sprint(int64(bookMono) + 1), "mono_ns: must be of the last 60 s"},
		{"mono_ns", "soon", `mono_ns: must be a whole number, is "soon"`},
		{"utc_ms", "900000", "utc_ms: must be between the years 2024 and 2115, is 900000"},
		{"utc_ms", "9223372036854775807", "utc_ms: must be between"},
		{"utc_ms", "", `utc_ms: must be a whole number, is ""`},
		{"rtt_ms", "2001", "rtt_ms: must be between 0 and 2000, is 2001"},
		{"rtt_ms", "-1", "rtt_ms: must be between 0 and 2000, is -1"},
	} {
		var form []string
		for k, v := range good {
			if k == c.field {
				v = c.value
			}
			form = append(form, k+"="+strings.ReplaceAll(v, " ", "+"))
		}
		if w := st.post("/clock", strings.Join(form, "&")); w.Code != 422 || !strings.Contains(w.Body.String(), c.words) {
			t.Errorf("%s %q: status %d: %s", c.field, c.value, w.Code, w.Body)
		}
	}
	if len(st.said()) != 0 {
		t.Errorf("acts %+v", st.said())
	}
}

func TestTimeByHand(t *testing.T) {
	st := newStand(t, board(clock.ByNeighbours, time.Unix(900, 0)))
	page := st.page("/")
	for _, want := range []string{"Time not known", `type="datetime-local"`, "in America/Chicago", "The rig’s time: a guess"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	w := st.post("/say/time", "time=2026-10-09T21:30&token=a")
	want := act.Fix{Boot: "boot 1", MonoNS: bookMono, UTC: time.Date(2026, 10, 9, 21, 30, 0, 0, zone).UnixNano(), By: "hand"}
	if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != want {
		t.Fatalf("status %d, said %+v, want %+v", w.Code, said, want)
	}
	if page := st.page(w.Header().Get("Location")); !strings.Contains(page, "The rig’s time, by hand: it was 9 Oct 2026 21:30:00.") {
		t.Error("the page does not say the time that was set")
	}
	// The satellites know better, and the page does not ask.
	st.feed.set(board(clock.BySatellites, time.Unix(1791600000, 0)))
	if page := st.page("/"); strings.Contains(page, "datetime-local") || !strings.Contains(page, "The rig’s time: by satellites.") {
		t.Error("the page asks for the time that satellites tell")
	}
	if w := st.post("/say/time", "time=2026-10-09T21:31&token=b"); w.Code != 422 || len(st.said()) != 1 {
		t.Errorf("against the satellites: status %d, acts %+v", w.Code, st.said())
	}
}

// A tap said while the board took itself to be in 1970 is one of tonight when
// the time is known, and can be taken back.
func TestTapsBeforeTheTimeWasKnown(t *testing.T) {
	st := newStand(t, board(clock.ByNeighbours, time.Unix(900, 0)))
	st.post("/say/colony", "what=skipped&token=a")
	st.feed.set(board("phone", time.Date(2026, 10, 9, 21, 30, 0, 0, zone)))
	page := st.page("/")
	if !strings.Contains(page, "Skipped one <small>21:30:00, phone</small>") || !strings.Contains(page, `name="act" value="act-0"`) {
		t.Error("the tap is lost")
	}
}

// The page asks an open phone as long as the rig knows nothing better.
func TestBeatAsksForTheTime(t *testing.T) {
	for by, want := range map[string]bool{clock.ByNeighbours: true, clock.ByOwnClock: true, clock.BySatellites: false, "phone": false} {
		f := newFeed(board(by, time.Unix(1791600000, 0)))
		for _, said := range []Said{nil, &book{feed: f}} {
			s := newServer(Options{Feed: f, Said: said})
			if got := s.render(f.Snapshot(), new(kept)).ask; got != (want && said != nil) {
				t.Errorf("%s: asks %v", by, got)
			}
			ctx, cancel := context.WithCancel(context.Background())
			w := httptest.NewRecorder()
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				s.handler().ServeHTTP(&stopAfterBeat{w, cancel}, httptest.NewRequest("GET", "/live", nil).WithContext(ctx))
			}()
			<-ended
			if got := strings.Contains(w.Body.String(), `"ask":true`); got != (want && said != nil) {
				t.Errorf("%s: the beat asks %v", by, got)
			}
		}
	}
}

// stopAfterBeat ends a stream with its first beat.
type stopAfterBeat struct {
	*httptest.ResponseRecorder
	stop context.CancelFunc
}

func (w *stopAfterBeat) Unwrap() http.ResponseWriter { return w.ResponseRecorder }

func (w *stopAfterBeat) Write(b []byte) (int, error) {
	if strings.Contains(string(b), "event: beat") {
		defer w.stop()
	}
	return w.ResponseRecorder.Write(b)
}
