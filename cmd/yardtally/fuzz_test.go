package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// atTable is somebody at the command line the morning after a night with three
// fills in two yards; summer time ended in it.
func atTable(f *testing.F) *spoken {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		f.Fatal(err)
	}
	at := time.Date(2026, 10, 31, 21, 40, 0, 0, zone).UnixNano()
	v := &ledger.View{Rig: "heron", Zone: zone.String(), At: at + 3e12,
		Yards:   []ledger.YardInfo{{ID: "mill", Name: "Mill Bottom", Colonies: 18, Fill: quantity.USGallon}, {ID: "larch", Name: "Larch Bank"}, {ID: "bank", Name: "Larch Bank"}},
		Visits:  []ledger.Visit{{Yard: "mill", From: at, To: at + 2e11}, {Yard: "larch", From: at + 1e12, To: at + 2e12}},
		Outings: []ledger.Outing{{From: at, To: at + 2e12, Visits: 2}}}
	for i, x := range []struct {
		visit int
		start int64
	}{{0, at}, {0, at + 1e11}, {1, at + 1e12}} {
		first := uint64(1000 + 400*i)
		v.Fills = append(v.Fills, ledger.Fill{Session: 7, Visit: x.visit, First: first, Last: first + 400, Start: x.start, End: x.start + 4e10, Volume: quantity.USGallon})
	}
	s := &spoken{before: v, zone: zone, sys: quantity.US, now: time.Unix(0, at+4e13)}
	s.from, s.to = nightIn(v, zone, "")
	return s
}

// Whatever words a person writes, they become acts that can be, or the error
// names what must be otherwise.
func FuzzWords(f *testing.F) {
	for _, line := range []string{"say arrived mill", "say left", "say shared 3", "say all-told", "say colonies mill 24", "say target all 6 gal", "say target larch bank none",
		"say route mill larch", "say route none", "move 1-2 to larch", "move last to none", "move to", "count 3 as priming", "cut 2 at 0.9 gal", "join 1-3", "watch kink or throttle down"} {
		for _, at := range []string{"", "now", "21:40", "1:30", "9:40pm", "2026-11-01 01:30", "2026-11-01T01:30:00-05:00", "ever", "24:00", "mill", "none"} {
			f.Add(line, at, "7:1000-1400")
		}
	}
	s := atTable(f)
	f.Fuzz(func(t *testing.T, line, at, counts string) {
		fault := func(what string, err error) bool {
			if err != nil && !strings.Contains(err.Error(), " must ") && !strings.Contains(err.Error(), " has none") {
				t.Errorf("%s %q at %q of %q: no rule: %v", what, line, at, counts, err)
			}
			return err != nil
		}
		if when, err := s.moment(at); !fault("moment", err) && when.Before(time.Unix(0, 0)) {
			t.Errorf("%q is %v", at, when)
		}
		words := strings.Fields(line)
		if len(words) == 0 {
			return
		}
		if words[0] == "say" {
			what, err := parseSaying(words[1:])
			if fault("words", err) {
				return
			}
			x, err := what.said(s, &sayFlags{at: at}, 0)
			if !fault("saying", err) {
				fault("act", x.body.Check())
			}
			return
		}
		if kinds, err := parseKinds(words[1:]); !fault("kinds", err) && len(kinds) == 0 {
			t.Errorf("%q names no kind", line)
		}
		left, _, err := sides(words[1:], "to", "move 3-7 to mill")
		fault("sides", err)
		for _, p := range []*pick{{words: left}, {words: words[1:]}, {counts: counts}, {visit: at}} {
			if fault("pick", p.check()) {
				continue
			}
			all, what, _, err := p.stretches(s)
			if fault("stretches", err) {
				continue
			}
			for _, x := range all {
				if x.first >= x.last || what == "" {
					t.Errorf("%+v picks %+v, %q", p, all, what)
				}
			}
		}
	})
}

// cutShare is how many pulses of a fill a person wants in the first of the two.
func cutShare(s *spoken, c *cutting, f numbered) float64 {
	share := float64(c.volume) / float64(f.Volume)
	if c.timed {
		t, err := s.instant("at", c.where)
		if err != nil {
			return -1
		}
		share = float64(t.UnixNano()-f.Start) / float64(f.End-f.Start)
	}
	return share * float64(f.Last-f.First)
}

// Wherever a person has a fill cut, it is inside that fill, where it was meant,
// and the words say so; or the error names what was written and what it must be.
func FuzzCut(f *testing.F) {
	for _, where := range []string{"0.9 gal", "0.9gal", ".5 gal", "1 gal", "0 gal", "-0.1 gal", "3.7 L", "1000 mL", "1,5 L", "1e0 gal", "9999999999 gal", "0.9", "gal", "NaN gal", "Inf L", "",
		"0.0001 mL", "21:40", "21:40:12", "9:40:20pm", "1:30", "2026-10-31 21:40:12", "2026-11-01T01:30:00-05:00", ":", "24:00"} {
		f.Add("1 at "+where, len(where)%2 == 0)
	}
	for _, fill := range []string{"2", "last", "4", "5", "1-2", "1,1", "0", "", "99999999999999999999"} {
		f.Add(fill+" at 0.9 gal", true)
		f.Add(fill+" at 21:41:50", false)
	}
	s := atTable(f)
	start := s.before.Fills[2].Start
	s.before.Fills = append(s.before.Fills,
		ledger.Fill{Session: 7, Visit: 1, First: 2400, Last: 2401, Start: start + 2e11, End: start + 2e11, Volume: 9 * quantity.Millilitre}, // one pulse
		ledger.Fill{Session: 7, Visit: 1, First: 2500, Last: 2900, Start: start + 3e11, End: start + 34e10})                                 // worth nothing
	from, to := s.from, s.to
	f.Fuzz(func(t *testing.T, line string, us bool) {
		s.from, s.to, s.sys = from, to, quantity.SI
		if us {
			s.sys = quantity.US
		}
		c, err := parseCut(strings.Fields(line))
		var text string
		var body act.Cut
		if err == nil {
			text, body, err = c.said(s)
		}
		if err != nil {
			name, rule, _ := strings.Cut(err.Error(), ": ")
			if name != "at" && name != "FILL" && name != "FILLS" || !strings.Contains(rule, "must ") && !strings.Contains(rule, " has none") {
				t.Errorf("%q: %v", line, err)
			}
			if strings.HasPrefix(rule, "must be inside ") {
				if fills, err := c.fills(s); err != nil || len(fills) != 1 {
					t.Errorf("%q: %v, %v", line, fills, err)
				} else if n := cutShare(s, &c, fills[0]); n > 0.6 && n < float64(fills[0].Last-fills[0].First)-0.6 {
					t.Errorf("%q is refused, and is %g pulses into the fill: %v", line, n, rule)
				}
			}
			if c.where != "" && name == "at" && !strings.Contains(rule, strconv.Quote(c.where)) {
				t.Errorf("%q: the error does not say %q: %v", line, c.where, err)
			}
			return
		}
		fills, err := c.fills(s)
		if err != nil || len(fills) != 1 {
			t.Fatalf("%q: of %v, %v", line, fills, err)
		}
		x := fills[0]
		if err := body.Check(); err != nil || body.Session != x.Session || body.At <= x.First || body.At >= x.Last {
			t.Errorf("%q: %+v, of %d to %d: %v", line, body, x.First, x.Last, err)
		}
		var no int
		var all, a, b float64
		var unit, unit2 string
		n, err := fmt.Sscanf(text, "Fill %d, %f %s cut into %f and %f %s", &no, &all, &unit, &a, &b, &unit2)
		if _, want := s.sys.VolumeParts(0); n != 6 || err != nil || no != x.no || unit != want+"," || unit2 != want+"." {
			t.Fatalf("%q: %q: %d, %v", line, text, n, err)
		}
		per := map[bool]quantity.Volume{true: quantity.USGallon, false: quantity.Litre}[us]
		first := x.Volume / quantity.Volume(x.Last-x.First) * quantity.Volume(body.At-x.First)
		near := func(got float64, want quantity.Volume) bool { return math.Abs(got-float64(want)/float64(per)) < 0.0101 }
		if math.Abs(all-a-b) > 1e-9 || !near(a, first) || !near(b, x.Volume-first) {
			t.Errorf("%q: %q, of %v is %v cut off", line, text, x.Volume, first)
		}
		if n := cutShare(s, &c, x); math.Abs(n-float64(body.At-x.First)) > 0.51 {
			t.Errorf("%q: cut off %d pulses, not %g", line, body.At-x.First, n)
		}
		if c.timed {
			return
		}
		again, err := parseCut(append(slices.Clone(c.words), "at", c.volume.String()))
		if err != nil || again.volume != c.volume {
			t.Errorf("%q is %v, which is read as %v: %v", line, c.volume, again.volume, err)
		}
		if _, twice, err := again.said(s); err != nil || twice != body {
			t.Errorf("%q cuts at %+v, %v at %+v: %v", line, body, c.volume, twice, err)
		}
	})
}

// Whatever comes over the control socket is answered, and acts that are refused
// leave nothing.
func FuzzSocket(f *testing.F) {
	b, err := openLocal(filepath.Join(f.TempDir(), "data"), "heron", true)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { b.Close() })
	paths := []string{"/rig", "/rigs", "/view", "/acts", "/acts/all", "/house/views", "/house/acts", "/watch", "/import", "/backup", "/store", "/export", "/", "//", "/acts/"}
	good, err := json.Marshal([]act.Act{{ID: "0b", Rig: "heron", Who: "wren", When: 1790000000e9, Body: act.Arrive{At: act.Moment{NS: 1790000000e9}, Yard: ""}}})
	if err != nil {
		f.Fatal(err)
	}
	for i, path := range paths {
		f.Add(uint8(i), "rig=heron&path=relative", "", false)
		if path != "/acts" && path != "/house/acts" && path != "/import" {
			continue
		}
		for _, body := range []string{"", "[]", "null", "[null]", "[{}]", string(good), strings.ReplaceAll(string(good), "heron", "egret"), strings.ReplaceAll(string(good), `"0b"`, `""`),
			`[{"bn":"heron/","bt":1790000000,"n":"pulses","u":"count","v":3}]`, "\x00\n\n"} {
			f.Add(uint8(i), "rig=%zz", body, true)
		}
	}
	h := controlHandler(b)
	f.Fuzz(func(t *testing.T, which uint8, query, body string, post bool) {
		r := httptest.NewRequest("GET", "/", strings.NewReader(body))
		if post {
			r.Method = "POST"
		}
		r.URL = &url.URL{Path: paths[int(which)%len(paths)], RawQuery: query}
		if p := r.URL.Query().Get("path"); filepath.IsAbs(p) {
			return // that would be a backup to anywhere on this machine, which who may open the socket may ask for
		}
		before, err := b.Acts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		switch w.Code {
		case http.StatusOK, http.StatusMovedPermanently, http.StatusTemporaryRedirect, http.StatusNotFound, http.StatusMethodNotAllowed:
			return
		case http.StatusUnprocessableEntity:
		default:
			t.Fatalf("%s %s %q: status %d, %s", r.Method, r.URL, body, w.Code, w.Body)
		}
		after, err := b.Acts(t.Context())
		if err != nil || len(after) != len(before) || w.Body.Len() == 0 {
			t.Errorf("%s %s %q is refused with %q, and of %d acts there are %d (%v)", r.Method, r.URL, body, w.Body, len(before), len(after), err)
		}
	})
}
