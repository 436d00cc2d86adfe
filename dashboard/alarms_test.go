package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"strings"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// announced is that a change was given out so long before the sample's now, s.
func announced(id, key, what string, ago int64, kinds ...string) act.Act {
	at := sample().Now - ago*1e9
	return act.Act{ID: id, Rig: "heron", Who: "rig", When: at, Body: act.Announced{Key: key, What: what, At: act.Moment{NS: at}, Kinds: kinds, Yard: "orchard"}}
}

// The page has every alarm with its evidence and its life, and the season's.
func TestAlarmPage(t *testing.T) {
	said := []act.Act{seen(name(over())),
		announced("a1", "leak 5", act.Raised, 40*86400, "leak"), announced("a2", "leak 5", act.Returned, 40*86400-600, "leak"),
		{ID: "a3", Rig: "heron", Who: "wren", When: sample().Now - 40*86400e9 + 60e9, Body: act.Ack{Key: "leak 5"}},
		announced("a4", "clog 6", act.Raised, 20*86400, "clog"), announced("a5", "not raised 7", act.Returned, 20*86400, "clog")}
	said = append(said, shelved(watch.Drift)...)
	s := ailing(said, pair(), over(), still(-0.04, watch.Drift))
	for i := range s.Watch.Log.Fills { // what the charts made of them
		s.Watch.Log.Fills[i].Slow = float64(i) / 4
	}
	st := newStand(t, s)
	st.book.acts = said
	page := st.page("/watch")
	for _, c := range []struct{ from, to, want string }{
		{`id="h-stands"`, "</section>", "At the next stop: kink, or throttle lowered"},
		{`id="h-stands"`, "</section>", "The last fill: 1.5 gal/min expected, 1.3 to 1.7 in 19 of 20; 0.75 measured."},
		{`id="h-stands"`, "</section>", "Cold has taken 5.0 % of the flow since the first fill. What is told above comes on top of it."},
		{`id="h-aside"`, "</section>", "meter and tote disagree"},
		{`id="h-aside"`, "</section>", "Take off the shelf"},
		{`id="h-over"`, "</section>", "pump against a shut trigger"},
		{`id="h-judged"`, "</section>", "limit"},
		{`id="h-judged"`, "</section>", "outside the band, where 19 of 20 should lie"},
		{`id="h-past"`, "</section>", "Kink, or throttle lowered Mill Bottom not yet not answered"},
		{`id="h-past"`, "</section>", "Leak Orchard End 30 Aug 21:36 30 Aug 21:27, wren"},
		{`id="h-past"`, "</section>", "Clog Orchard End not known not answered"},
	} {
		if got := section(t, page, c.from, c.to); !strings.Contains(strings.ReplaceAll(got, "\u00a0", " "), c.want) {
			t.Errorf("%s: no %q in %s", c.from, c.want, got)
		}
	}
	if strings.Contains(page, "not raised") || strings.Contains(page, "style=") || len(page) > 60_000 {
		t.Errorf("%d bytes: %s", len(page), page)
	}
	// An act said here leads back here, as its refusal does.
	w := st.post("/say/ack", url.Values{"page": {"/watch"}, "token": {"a"}, "key": {name(pair())}}.Encode())
	if to := w.Header().Get("Location"); w.Code != 303 || !strings.HasPrefix(to, "/watch?said=act-") || !strings.HasSuffix(to, "#heard") {
		t.Fatalf("status %d to %q", w.Code, to)
	}
	if page := st.page(w.Header().Get("Location")); !strings.Contains(page, "Seen: kink, or throttle lowered.") || !strings.Contains(page, `name="page" value="/watch"><button name="act"`) {
		t.Error("what was said is not told, or cannot be taken back")
	}
	w = st.post("/say/ack", "page=/watch&token=b&key=nothing")
	if got := w.Body.String(); w.Code != 422 || !strings.Contains(got, "Nothing was said: key: must be of an alarm") || !strings.Contains(got, "<h1>Alarms") {
		t.Errorf("status %d: %s", w.Code, got)
	}
	if w := st.post("/say/drained", "page=//evil.example&token=c"); !strings.HasPrefix(w.Header().Get("Location"), "/?said=") {
		t.Errorf("to %q", w.Header().Get("Location"))
	}
	// Tables to take away.
	var doc struct {
		Alarms []alarmDoc `json:"alarms"`
	}
	if err := json.Unmarshal(get(t, st.h, "/watch.json").Body.Bytes(), &doc); err != nil || len(doc.Alarms) != 5 {
		t.Fatalf("%d alarms, %v", len(doc.Alarms), err)
	}
	states := map[string]string{}
	for _, a := range doc.Alarms {
		states[strings.Join(a.Kinds, "+")+" "+a.Yard] = a.State
	}
	if fmt.Sprint(states) != "map[clog orchard: deadhead :gone drift :shelved kink+throttle down mill:unacknowledged leak orchard:]" {
		t.Errorf("%v", states)
	}
	rows, err := csv.NewReader(get(t, st.h, "/watch.csv").Body).ReadAll()
	if err != nil || len(rows) != 6 || rows[0][0] != "raised" || rows[5][1] != "leak" {
		t.Errorf("%v, %v", rows, err)
	}
	rows, err = csv.NewReader(get(t, st.h, "/watch/pulls.csv").Body).ReadAll()
	if err != nil || len(rows) != 1+len(s.View.Fills) || rows[0][6] != "sum_slow" || rows[5][6] != "1" {
		t.Errorf("%d rows, %v", len(rows), err)
	}
}

// Nobody who is not signed in can answer; without a watch it is said that there is none.
func TestAlarmPageOfOthers(t *testing.T) {
	page := get(t, handler(ailing(nil, pair())), "/watch").Body.String()
	if strings.Contains(page, "<form method=\"post\" action=\"/say") || !strings.Contains(page, "kink, or throttle lowered") {
		t.Error("whoever looks can answer, or sees nothing")
	}
	got := words1(get(t, handler(&Snapshot{Zone: zone, Now: at(21, 0, 0)}), "/watch").Body.String())
	for _, want := range []string{"Nobody watches this rig yet", "No pull of the newest outing was held against anything yet.", "No alarm was raised yet."} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
}

// Pulls are found again whatever their order in the view, and what was judged is
// what was measured.
func TestJudgedPulls(t *testing.T) {
	s := ailing(nil, pair())
	s.Watch.Log.Fills[0].Expected = 0 // not judged
	m := newModel(s)
	pulls := m.judgedPulls()
	if len(pulls) != len(s.View.Fills)-1 || pulls[0].at != s.View.Fills[1].Start {
		t.Fatalf("%d pulls of %d", len(pulls), len(s.View.Fills))
	}
	last := &pulls[len(pulls)-1]
	if r := float64(last.measured / last.j.Expected); math.Abs(r-0.5) > 1e-9 || last.yard != "mill" {
		t.Errorf("%+v: %g of what was expected", last, r)
	}
	if all := m.season(nil); len(all) != 1 || all[0].a.State != alarm.Unacknowledged {
		t.Errorf("%+v", all)
	}
}
