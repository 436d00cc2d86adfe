package dashboard

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/watch"
)

// forms are where the page's forms go, but for sign-in, which is the door's.
var forms = []string{"/say/arrive", "/say/colony", "/say/deem", "/say/drained", "/say/break", "/say/back", "/say/time", "/say/ack", "/say/shelve",
	"/say/unshelve", "/say/move", "/say/cut", "/say/join", "/say/visit", "/say/colonies", "/say/target", "/who", "/clock", "/look",
	"/meter/prove", "/meter/back", "/books/write", "/books/back", issuePath}

// askable are the pages and tables that may be asked for with a query.
var askable = []string{"/", "/tonight.csv", "/tonight.json", "/yards.csv", "/yards.json", forecastPath, forecastPath + ".csv", forecastPulls + ".json",
	mixPath, mixPath + ".csv", mixPath + ".json", meterPath, meterPath + ".csv", provePath, totePath, totePath + "/levels.csv", totePath + "/strapping.json",
	yardsPath, yardsPath + "/mill", yardsPath + "/moon", seasonPath + ".csv", visitPath, visitPath + ".csv", visitPath + ".json", fillPath, fillPath + ".csv",
	rigPath, rigPath + ".csv", watchPath, watchPath + ".csv", watchPulls + ".json", booksPath, writePath, statementPath, statementPath + ".csv",
	statementPath + ".json", balancePath, balancePath + ".csv", "/clock"}

// kit is a rig with something of everything: fills, loose flow, a flow that has
// ended, books, an alarm.
func kit(f *testing.F) *stand {
	st := booked(f)
	s := sample()
	s.Currency, s.View.Steps = "$", st.feed.snap.View.Steps
	s.Live.Flow = 0
	said(s, nil, of(watch.Kink))
	st.feed.set(s)
	st.taps.now = func() time.Time { return st.now }
	return st
}

// ask is one request of a device that is signed in, hours after the one before.
func (st *stand) ask(method, path, query, body string) *httptest.ResponseRecorder {
	st.now = st.now.Add(2 * tapLife) // so that no tap is another one again
	r := httptest.NewRequest(method, "/", nil)
	if method == "POST" {
		r.Body, r.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
	}
	r.URL = &url.URL{Path: path, RawQuery: query}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.AddCookie(st.cookie)
	w := httptest.NewRecorder()
	st.h.ServeHTTP(w, r)
	return w
}

// Whatever a form says, the page answers; what it refuses it names, and keeps
// nothing of it; what it keeps can be so, and is the same after writing it down.
func FuzzForms(f *testing.F) {
	st := kit(f)
	fill := st.feed.snap.View.Fills[3]
	pull := fmt.Sprintf("&pull=%d+%d", fill.Session, fill.First)
	for path, seeds := range map[string][]string{
		"/say/arrive": {"yard=mill", "yard=moon", ""}, "/say/colony": {"what=shared&n=2", "what=all+told&yard=mill"}, "/say/deem": {"as=priming" + pull},
		"/say/back": {"act=mixed", "act=act-0+act-1"}, "/say/break": {"over=yes"}, "/say/time": {"time=2026-10-09T21:40"}, "/say/ack": {"key=x&kinds=kink"},
		"/say/shelve": {"kind=kink&for=2h"}, "/say/move": {"yard=larch&whole=yes" + pull}, "/say/cut": {"at=0.5+gal" + pull}, "/say/join": {"page=/fill" + pull}, "/say/visit": {"what=begins" + pull},
		"/say/colonies": {"yard=mill&count=12&each=1+gal&since=ever"}, "/say/target": {"yard=&season=6+gal", "yard=mill&none=yes"}, "/who": {"name=wren"},
		"/clock": {"boot=boot+1&mono_ns=499000000000&utc_ms=1790000000000&rtt_ms=40"}, "/look": {"look=night&to=//elsewhere.example"},
		"/meter/prove": {"do=keep&since=hand&pulses=543&full=48.5+lb&empty=2.6+lb&temp=68+F&brix=64"}, "/meter/back": {"act=bought"},
		"/books/write": {"way=mix&what=4+bags+%2B+15+gal+water&empty=true&on=2026-10-09&at=17:30", "way=loss&fix=bought&what=1+bag+sugar"}, "/books/back": {"act=bought", "id=mixed"},
		issuePath: {"from=2026-01-01&to=2026-12-31", "from=2026-12-31&to=x"},
	} {
		for _, form := range seeds {
			f.Add(uint8(slices.Index(forms, path)), form)
		}
	}
	base := st.said()
	f.Fuzz(func(t *testing.T, which uint8, form string) {
		st.book.acts = append([]act.Act(nil), base...)
		path := forms[int(which)%len(forms)]
		w := st.ask("POST", path, "", form)
		kept := st.said()[len(base):]
		switch w.Code {
		case http.StatusOK, http.StatusSeeOther:
		case http.StatusUnprocessableEntity:
			if !strings.Contains(w.Body.String(), "must") {
				t.Errorf("%s %q is refused without a rule: %s", path, form, w.Body)
			}
			fallthrough
		case http.StatusBadRequest, http.StatusNotFound:
			if len(kept) > 0 {
				t.Errorf("%s %q is refused with %d, and kept %+v", path, form, w.Code, kept)
			}
		default:
			t.Errorf("%s %q: status %d: %s", path, form, w.Code, w.Body)
		}
		for _, a := range kept {
			if err := a.Body.Check(); err != nil {
				t.Errorf("%s %q keeps what cannot be: %v", path, form, err)
			}
			var b act.Act
			data, err := json.Marshal(a)
			if err == nil {
				err = json.Unmarshal(data, &b)
			}
			if err != nil || !reflect.DeepEqual(a, b) {
				t.Errorf("%s %q keeps %s, which is read as %+v (%v)", path, form, data, b, err)
			}
		}
		if to := w.Header().Get("Location"); w.Code == http.StatusSeeOther {
			if u, err := url.Parse(to); err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") {
				t.Errorf("%s %q leads to %q", path, form, to)
			}
		}
	})
}

// Whatever a page is asked, it answers, and asking changes nothing.
func FuzzQueries(f *testing.F) {
	st := kit(f)
	fill := st.feed.snap.View.Fills[3]
	flow := fmt.Sprintf("of=%d.%d", fill.Session, fill.First)
	for path, seeds := range map[string][]string{
		"/": {"said=act-0&again=1", "%zz=;&&="}, "/tonight.csv": {"night=2026-10-09"}, "/yards.json": {"night=2026-99-99"},
		forecastPath: {"syrup=hfcs-55&temp=45+F&thin=60+Brix&speed=2600+rpm"},
		mixPath:      {"syrup=hfcs-55+to+65+Brix&colonies=24,18&each=1+gal&tote=275+gal&gross=4000+lb&bag=50+lb&price=31/bag"}, mixPath + ".json": {"syrup=2:1&yards=mill&stores=20+lb"},
		provePath: {"since=1790000000000000000.1.1000&counts=1.1000.2000", "since=hand&pulses=543&full=48.5+lb&temp=68+F&brix=64&empty=2.6+lb"},
		yardsPath: {"sort=fed&down=1", "order=volume"}, visitPath: {flow, "of=0.0"}, fillPath: {flow, "id=%00%ff"}, fillPath + ".csv": {flow}, watchPath: {"said=act-0"},
		writePath: {"way=mix", "fix=mixed", "fix=%00"}, statementPath: {"from=2026-01-01&to=2026-12-31"}, balancePath + ".csv": {"from=x"},
	} {
		for _, query := range seeds {
			f.Add(uint8(slices.Index(askable, path)), query)
		}
	}
	base := st.said()
	f.Fuzz(func(t *testing.T, which uint8, query string) {
		path := askable[int(which)%len(askable)]
		w := st.ask("GET", path, query, "")
		switch w.Code {
		case http.StatusOK, http.StatusSeeOther, http.StatusBadRequest, http.StatusNotFound:
		case http.StatusUnprocessableEntity:
			if !strings.Contains(w.Body.String(), "must") {
				t.Errorf("%s?%s is refused without a rule: %s", path, query, w.Body)
			}
		default:
			t.Errorf("%s?%s: status %d: %s", path, query, w.Code, w.Body)
		}
		if strings.HasSuffix(path, ".json") && w.Code == http.StatusOK && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s?%s: no JSON: %s", path, query, w.Body)
		}
		if len(st.said()) != len(base) {
			t.Fatalf("%s?%s keeps something", path, query)
		}
	})
}
