package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// A store that refuses, then rejects fills, then takes all: the page and the
// command "store" say so each time, nothing is lost, and what was rejected is
// sent again when somebody says so.
func TestStoreCommand(t *testing.T) {
	var mood atomic.Value // "closed", "picky" or "open"
	mood.Store("closed")
	var fills atomic.Int64
	srv := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		n := 0
		for line := range strings.Lines(string(body)) {
			if strings.HasPrefix(line, "fill,") {
				n++
			}
		}
		switch {
		case mood.Load() == "closed":
			rw.Header().Set("X-Influxdb-Error", "authorization failed")
			rw.WriteHeader(http.StatusUnauthorized)
		case mood.Load() == "picky" && n > 0:
			rw.Header().Set("X-Influxdb-Error", fmt.Sprintf("partial write: field type conflict: input field \"volume_l\" dropped=%d", n))
			rw.WriteHeader(http.StatusBadRequest)
		default:
			fills.Add(int64(n))
			rw.WriteHeader(http.StatusNoContent)
		}
	}))
	defer srv.Close()

	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Influx = &settings.Influx{URL: srv.URL, Token: "x", Org: "o", Bucket: "b"}
	w := work(t, set, newStepClock(n.Start))
	w.plays(n, w.broker.Addr())
	say := func(args ...string) string {
		t.Helper()
		return call(t, append([]string{"store", "-data", set.Data}, args...)...)
	}
	page := func() *storeState {
		t.Helper()
		var st storeState
		if err := json.Unmarshal([]byte(say("-json")), &st); err != nil {
			t.Fatal(err)
		}
		if l := (&feed{w.oneRig}).Snapshot().Store; l == nil || l.Waiting != st.Waiting || (l.Oldest != 0) != (st.Waiting > 0) {
			t.Errorf("the page has %+v, the command %+v", l, st)
		}
		return &st
	}
	await(t, "the refusal", func() bool { return w.forward.State().Phase == "refused" })
	if st := page(); st.Waiting < int64(len(n.truth.Fills)) || st.LagS <= 0 || st.RejectedAll != 0 || !strings.Contains(st.Why, "401") {
		t.Errorf("refused: %+v", st)
	}
	if text := say(); !strings.Contains(text, "points wait, the oldest of 20") || !strings.Contains(text, "It takes none: ") || !strings.Contains(text, "Tried again at 20") {
		t.Errorf("refused: %s", text)
	}

	file := filepath.Join(t.TempDir(), "check.toml")
	if err := os.WriteFile(file, fmt.Appendf(nil, "rig = \"heron\"\n[broker]\naddress = \"127.0.0.1:0\"\n[[provings]]\nk_factor = \"100 pulses/L\"\n[influxdb]\nurl = %q\nbucket = \"b\"\n", srv.URL), 0o666); err != nil {
		t.Fatal(err)
	}
	check := func(want int) string {
		t.Helper()
		var out, err strings.Builder
		if code := Main([]string{"check", "-settings", file, "-data", set.Data}, &env{strings.NewReader(""), &out, &err}); code != want {
			t.Errorf("check: code %d, want %d: %s%s", code, want, out.String(), err.String())
		}
		return out.String()
	}
	if text := check(1); !strings.Contains(text, "store: "+fmt.Sprint(page().Waiting)+" points wait for the InfluxDB, the oldest of 20") || !strings.Contains(text, " ago. It takes none: ") {
		t.Errorf("check beside the daemon: %s", text)
	}

	// The token is mended, as by a restart; the store is of another mind on fills.
	mood.Store("picky")
	w.end()
	again := newStepClock(n.Start)
	again.set(n.said[len(n.said)-1].At.Add(2 * time.Minute))
	w = work(t, set, again)
	w.flushedBut()
	if st := page(); st.Waiting != 0 || st.LagS != 0 || st.RejectedAll != len(n.truth.Fills) || len(st.Rejected) != min(mostRejected, st.RejectedAll) {
		t.Errorf("picky: %+v, of %d fills", st, len(n.truth.Fills))
	}
	if text := say(); !strings.Contains(text, "has everything") || !strings.Contains(text, fmt.Sprintf("It rejected %d points", len(n.truth.Fills))) || !strings.Contains(text, "field type conflict") {
		t.Errorf("picky: %s", text)
	}
	if text, want := check(0), fmt.Sprintf("store: the InfluxDB rejected %d points; the InfluxDB has everything else", len(n.truth.Fills)); !strings.Contains(text, want) {
		t.Errorf("check beside the daemon: %s; want %q", text, want)
	}
	mood.Store("open")
	if got, want := say("retry"), fmt.Sprintf("%d points are sent again.\n", len(n.truth.Fills)); got != want {
		t.Errorf("retry says %q, want %q", got, want)
	}
	w.flushedBut()
	if st := page(); st.RejectedAll != 0 || fills.Load() != int64(len(n.truth.Fills)) {
		t.Errorf("mended: %+v, and %d fills arrived", st, fills.Load())
	}
}

// flushedBut waits until all that the store takes is sent.
func (w *atWork) flushedBut() {
	w.t.Helper()
	w.view()
	await(w.t, "the points to be sent", func() bool { left, _ := w.outbox.Backlog(); return left == 0 })
}

// Without a store the command says so, and without a daemon too.
func TestStoreCommandWithout(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	w := work(t, set, newStepClock(n.Start))
	fails := func(want string, args ...string) {
		t.Helper()
		var out, err strings.Builder
		if code := Main(args, &env{strings.NewReader(""), &out, &err}); code == 0 || !strings.Contains(err.String(), want) {
			t.Errorf("%v: code %d, %s; want %q", args, code, err.String(), want)
		}
	}
	for _, a := range []string{"", "retry"} {
		fails("no [influxdb] is set", strings.Fields("store -data "+set.Data+" "+a)...)
	}
	fails("must be retry, or nothing", "store", "-data", set.Data, "later")
	w.end()
	fails("the daemon must run", "store", "-data", set.Data)
}

// A mix that is corrected after the night rewrites every fill's Brix and sugar in
// a real InfluxDB, and nothing else of it; a proving rewrites volumes; what is
// taken back comes back.
func TestInfluxRestatedByBooks(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and starts an InfluxDB")
	}
	n := playNight(t, rigsim.SmallNight(1))
	s := influxtest.Start(t)
	set := n.settings(t, t.TempDir())
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Influx = &settings.Influx{URL: s.URL, Token: s.Token(), Bucket: s.Bucket()}
	w := work(t, set, newStepClock(n.Start))
	from := n.Start.UnixNano() - 500e9
	say := func(id string, b act.Body, over ...string) {
		t.Helper()
		a := act.Act{ID: id, Rig: n.Rig, Who: "wren", When: w.clock.Now().Wall + int64(len(id)), From: from, Body: b, Replaces: over}
		if _, err := w.desk.AddActs(context.Background(), a); err != nil {
			t.Fatal(err)
		}
	}
	// 200 kg of sugar and so much water: 2:1 is 66.67 Brix, 1:1 is 50.
	mix := func(waterKg float64) act.Mix {
		return act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 8, BagKg: 25}}, WaterKg: waterKg}
	}
	say("buy", act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}})
	say("first", mix(100))
	w.plays(n, w.broker.Addr())
	w.flushedBut()
	number := func(row map[string]any, field string) float64 {
		v, err := row[field].(json.Number).Float64()
		if err != nil {
			t.Fatalf("%s of %v: %v", field, row, err)
		}
		return v
	}
	// but are the fields that may differ between two states of the store.
	equal := func(what string, a, b rows, but ...string) {
		t.Helper()
		for name := range a {
			for at, x := range a[name] {
				y := b[name][at]
				for field := range x {
					if !slices.Contains(but, field) && !reflect.DeepEqual(x[field], y[field]) {
						t.Errorf("%s: %s at %s: %s was %v, is %v", what, name, at, field, x[field], y[field])
					}
				}
			}
			if len(a[name]) != len(b[name]) {
				t.Errorf("%s: %d %s points, were %d", what, len(b[name]), name, len(a[name]))
			}
		}
	}
	first, void := ask(t, s)
	if len(first["fill"]) != len(n.truth.Fills) || len(void) > 0 {
		t.Fatalf("%d fills of %d, void %v", len(first["fill"]), len(n.truth.Fills), void)
	}
	// What flowed first is still of what the hose held before.
	holds := func(what string, got rows, brix float64) {
		t.Helper()
		v := w.view()
		for i := range v.Fills {
			f := &v.Fills[i]
			row := got["fill"][json.Number(strconv.FormatInt(f.Start, 10))]
			if f.Solids == 0 { // of nothing that is known
				continue
			}
			if b, kg := number(row, "brix"), number(row, "solids_kg"); math.Abs(b-f.Brix) > 1e-9 || math.Abs(kg-float64(f.Solids)) > 1e-9 {
				t.Errorf("%s: fill %d has %g Brix, %g kg; the ledger %g, %v", what, i, b, kg, f.Brix, f.Solids)
			}
		}
		if f := v.Fills[len(v.Fills)-1]; math.Abs(f.Brix-brix) > 0.01 || f.Solids <= 0 {
			t.Errorf("%s: the last fill has %g Brix, want %g", what, f.Brix, brix)
		}
	}
	holds("mixed", first, 200.0/3)

	say("right", mix(200), "first")
	w.flushedBut()
	right, void := ask(t, s)
	equal("corrected", first, right, "brix", "solids_kg", "within_l")
	holds("corrected", right, 50)
	if len(void) > 0 {
		t.Errorf("corrected: void %v", void)
	}

	say("taken back", act.Undo{Act: "right"})
	w.flushedBut()
	back, _ := ask(t, s)
	equal("taken back", first, back)
	equal("taken back", back, first)

	from = 0
	say("proved", act.Proving{PulsesPerL: 132.25 / 2})
	w.flushedBut()
	proved, _ := ask(t, s)
	holds("proved", proved, 200.0/3)
	for at, row := range proved["fill"] {
		if got := number(row, "volume_l") / number(first["fill"][at], "volume_l"); math.Abs(got-2) > 1e-6 {
			t.Errorf("proved: the fill at %s is %g times what it was", at, got)
		}
	}
}
