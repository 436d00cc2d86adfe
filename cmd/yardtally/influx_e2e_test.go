package main

import (
	"context"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strconv"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// rows are all points of a server's database: measurement, instant, fields.
type rows map[string]map[json.Number]map[string]any

// ask returns the points that hold, and those that are void.
func ask(t *testing.T, s *influxtest.Server) (hold, void rows) {
	t.Helper()
	hold, void = rows{}, rows{}
	for _, series := range s.Query("SELECT * FROM /.*/") {
		for _, v := range series.Values {
			row := map[string]any{}
			for i, c := range series.Columns {
				if v[i] != nil {
					row[c] = v[i]
				}
			}
			to := hold
			if row["void"] == true {
				to = void
			}
			if to[series.Name] == nil {
				to[series.Name] = map[json.Number]map[string]any{}
			}
			to[series.Name][row["time"].(json.Number)] = row
		}
	}
	return hold, void
}

// feedInflux brings the night to a daemon that publishes to a server. It calls
// at with each message's time since the start, before it is said.
func feedInflux(t *testing.T, n *night, s *influxtest.Server, at func(time.Duration)) *atWork {
	t.Helper()
	set := n.settings(t, t.TempDir())
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Influx = &settings.Influx{URL: s.URL, Token: s.Token(), Bucket: s.Bucket()}
	w := work(t, set, newStepClock(n.Start))
	c := publisher(t, w.broker.Addr())
	var last mqtt.Token
	for i, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		if i%settleEvery == 0 {
			if last != nil && (!last.WaitTimeout(time.Minute) || last.Error() != nil) {
				t.Fatal(last.Error())
			}
			at(m.At.Sub(n.Start))
			w.clock.set(m.At.Add(20 * time.Millisecond))
			w.view()
		}
		last = c.Publish(settings.DefaultPrefix+"/"+n.Rig+"/readings", 1, false, pack)
	}
	if !last.WaitTimeout(time.Minute) || last.Error() != nil {
		t.Fatal(last.Error())
	}
	w.clock.set(n.said[len(n.said)-1].At.Add(time.Minute))
	w.view()
	return w
}

func (w *atWork) flushed() {
	w.t.Helper()
	await(w.t, "the points to be sent", func() bool { left, _ := w.outbox.Backlog(); return left == 0 })
	if _, bad, err := w.outbox.Rejected(1); bad != 0 || err != nil {
		w.t.Errorf("%d points were rejected, %v", bad, err)
	}
}

// A server that is off for an hour of the night ends with exactly the points
// of one that never was; what is restated is restated there too.
func TestInfluxOutage(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and starts an InfluxDB")
	}
	n := playNight(t, rigsim.DemoNight())
	s := influxtest.Start(t)
	s.NewDatabase("calm")
	calm := feedInflux(t, n, s, func(time.Duration) {})
	calm.flushed()
	want, void := ask(t, s)
	v := calm.view()
	n.checkTruth(t, "calm", v)
	if len(want["fill"]) != len(v.Fills) || len(want["loose"]) != len(v.Loose) || len(want["sample"]) < 300 {
		t.Fatalf("%d fills of %d, %d loose of %d, %d samples", len(want["fill"]), len(v.Fills), len(want["loose"]), len(v.Loose), len(want["sample"]))
	}
	if len(void) > 0 {
		t.Errorf("void without a restatement: %v", void)
	}

	s.NewDatabase("stormy")
	off, on := false, false
	stormy := feedInflux(t, n, s, func(d time.Duration) {
		switch {
		case !off && d >= 10*time.Minute:
			s.Stop()
			off = true
		case !on && d >= 70*time.Minute:
			s.Restart()
			on = true
		}
	})
	if !off || !on {
		t.Fatal("the night is too short for this test")
	}
	stormy.flushed()
	got, void := ask(t, s)
	if !reflect.DeepEqual(got, want) || len(void) > 0 {
		for name := range want {
			for at, row := range want[name] {
				if !reflect.DeepEqual(got[name][at], row) {
					t.Errorf("%s at %s: %v, undisturbed it was %v", name, at, got[name][at], row)
				}
			}
			if len(got[name]) != len(want[name]) {
				t.Errorf("%d %s points, undisturbed %d", len(got[name]), name, len(want[name]))
			}
		}
	}
	if st := stormy.forward.State(); st.Failures == 0 {
		t.Error("the server was never missed, so this test shows nothing")
	}
	restated(t, n, s, stormy)
}

// restated moves a fill to another yard, then has many fills be one.
func restated(t *testing.T, n *night, s *influxtest.Server, w *atWork) {
	before, _ := ask(t, s)
	f := w.view().Fills[3]
	say := func(b act.Body) {
		t.Helper()
		if _, err := w.desk.AddActs(context.Background(), act.Act{ID: newID(), Rig: n.Rig, Who: "wren", When: w.clock.Now().Wall, Body: b}); err != nil {
			t.Fatal(err)
		}
		w.flushed()
	}
	say(act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: "larch"})
	after, void := ask(t, s)
	at := json.Number(strconv.FormatInt(f.Start, 10))
	row := after["fill"][at]
	if row["yard"] != "larch" || row["reason"] != "hand" || row["volume_l"] != before["fill"][at]["volume_l"] || len(void) > 0 {
		t.Errorf("assigned to larch: %v, void %v", row, void)
	}
	delete(after["fill"], at)
	delete(before["fill"], at)
	if !reflect.DeepEqual(after, before) {
		t.Error("something else changed with it")
	}

	rig := act.DefaultRig
	rig.Zone, rig.WrapBits, rig.QuietS = n.Zone, n.Meter.WrapBits, 60
	say(rig)
	v := w.view()
	after, void = ask(t, s)
	if len(v.Fills) >= len(n.truth.Fills) {
		t.Fatal("a quiet of a minute must make fewer fills, or this test shows nothing")
	}
	var there []int64
	sum := 0.0
	for at, row := range after["fill"] {
		ns, err := at.Int64()
		if err != nil {
			t.Fatal(err)
		}
		l, err := row["volume_l"].(json.Number).Float64()
		if err != nil {
			t.Fatal(err)
		}
		there = append(there, ns)
		sum += l
	}
	slices.Sort(there)
	var starts []int64
	fed := 0.0
	for _, f := range v.Fills {
		starts = append(starts, f.Start)
		fed += f.Volume.Litres()
	}
	if !slices.Equal(there, starts) || math.Abs(sum-fed) > 1e-6 {
		t.Errorf("the server has %d fills, %.6f L; the ledger %d, %.6f L", len(there), sum, len(starts), fed)
	}
	if len(void["fill"])+len(after["fill"]) < len(n.truth.Fills) {
		t.Errorf("%d fills hold, %d are void, of %d before", len(after["fill"]), len(void["fill"]), len(n.truth.Fills))
	}
	for at, row := range void["fill"] {
		if row["volume_l"] != json.Number("0") {
			t.Errorf("void at %s with %v", at, row)
		}
	}
	if len(void["fill"]) == 0 {
		t.Error("no fill is void")
	}
}
