package publish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	influxdb "github.com/influxdata/influxdb-client-go/v2"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/publish/influxtest"
	"yardtally/meter/ledger"
)

// The tests against a real InfluxDB 1.8.10 share one server, which takes
// seconds to start; each has a database of its own.
func TestInfluxDB(t *testing.T) {
	s := influxtest.Start(t, influxtest.Auth("wren", "s3cret-of-the-trailer"))
	for _, c := range []struct {
		name string
		test func(*testing.T, *influxtest.Server)
	}{
		{"points", realPoints},
		{"names", realNames},
		{"restatement", realRestatement},
		{"lost acknowledgement", realLostAck},
		{"partial rejection", realPartial},
		{"retention", realRetention},
		{"wrong token", realToken},
		{"outage", realOutage},
		{"fleet", realFleet},
		{"probe", realProbe},
	} {
		t.Run(c.name, func(t *testing.T) {
			s.NewDatabase(strings.ReplaceAll(c.name, " ", "-"))
			c.test(t, s)
		})
	}
}

func forward(t testing.TB, s *influxtest.Server, o *Outbox, opt Options) *Forwarder {
	t.Helper()
	opt.URL, opt.Outbox = s.URL, o
	if opt.Token == "" {
		opt.Token = s.Token()
	}
	if opt.Bucket == "" {
		opt.Bucket = s.Bucket()
	}
	opt.MinWait, opt.MaxWait, opt.SlowWait = 20*time.Millisecond, 100*time.Millisecond, 100*time.Millisecond
	f, err := NewForwarder(opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("Run = %v, want nil", err)
		}
	})
	return f
}

// await waits until the forwarder says of itself what is asked for.
func await(t testing.TB, f *Forwarder, what string, ok func(State) bool) State {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Minute)
	for {
		if s := f.State(); ok(s) {
			return s
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("never %s; state: %+v", what, f.State())
		}
	}
}

func idle(s State) bool { return s.Phase == Idle && s.Backlog == 0 }

// held lists what the server holds in the four measurements, a line a point.
func held(t testing.TB, s *influxtest.Server) []string {
	t.Helper()
	var out []string
	for _, m := range measurements[1:] {
		for _, series := range s.Query("SELECT * FROM " + m.name + " GROUP BY rig") {
			for _, v := range series.Values {
				f := make(map[string]string)
				for i, c := range series.Columns[1:] {
					switch x := v[i+1].(type) {
					case nil:
					case json.Number:
						f[c] = number(x.String())
					default:
						f[c] = fmt.Sprint(x)
					}
				}
				out = append(out, canon(m.name, series.Tags["rig"], fmt.Sprint(v[0]), f))
			}
		}
	}
	slices.Sort(out)
	return out
}

func number(s string) string {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return "not a number: " + s
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func canon(name, rig, at string, f map[string]string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s of %s at %s", name, rig, at)
	for _, k := range slices.Sorted(maps.Keys(f)) {
		fmt.Fprintf(&b, " %s=%s", k, f[k])
	}
	return b.String()
}

// canonical lists what a fake store holds in the same way.
func (s *store) canonical() []string {
	var out []string
	for key, fields := range s.points {
		name, rest, _ := strings.Cut(key, ",rig=")
		rig, at, _ := strings.Cut(rest, " ")
		f := make(map[string]string)
		for k, v := range fields {
			switch {
			case v[0] == '"':
				f[k] = v[1 : len(v)-1]
			case v == "true" || v == "false":
				f[k] = v
			default:
				f[k] = number(strings.TrimSuffix(v, "i"))
			}
		}
		out = append(out, canon(name, rig, at, f))
	}
	slices.Sort(out)
	return out
}

// undisturbed is what the puts leave in a store that is always there.
func undisturbed(t testing.TB, puts ...[]ledger.Event) []string {
	t.Helper()
	o, s := openOutbox(t), newStore()
	for _, p := range puts {
		mustPut(t, o, p...)
		drain(t, o, s, 1000)
	}
	return s.canonical()
}

func realPoints(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	f := forward(t, s, o, Options{Batch: 100, Gzip: true})
	last := fill(dusk+9000*second, 7_000_000, 3.785411784, "larch")
	last.Fill.Solids, last.Fill.Brix = 3.2, 64
	night := append(tell(0, 300, 0), last, sample(dusk+9001*second, 1), told(dusk+9100*second))
	for i := 0; i < len(night); i += 37 {
		mustPut(t, o, night[i:min(i+37, len(night))]...)
	}
	raised := Alarm{At: dusk + 9200*second, Key: "leak 5", Change: "raised", What: "leak", Priority: "now", Yard: "mill"}
	if err := o.PutAlarms("heron", []Alarm{raised}); err != nil {
		t.Fatal(err)
	}
	st := await(t, f, "idle", idle)
	want := undisturbed(t, night)
	want = append(want, fmt.Sprintf("alarm of heron at %d change=raised key=leak 5 priority=now void=false what=leak yard=mill", raised.At))
	slices.Sort(want)
	same(t, "server", held(t, s), want)
	if st.Sent != uint64(len(want)) || st.Rejected != 0 || st.LastAck.IsZero() {
		t.Errorf("state %+v, want %d sent, none rejected", st, len(want))
	}

	// The instant to the nanosecond and the volume to the last digit, by Flux.
	client := influxdb.NewClient(s.URL, s.Token())
	defer client.Close()
	r, err := client.QueryAPI("").Query(t.Context(), fmt.Sprintf(`from(bucket: %q) |> range(start: 0)
		|> filter(fn: (r) => r._measurement == "fill" and r._field == "volume_l" and r.rig == "heron") |> last()`, s.Bucket()))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; r.Next(); n++ {
		if at, v := r.Record().Time().UnixNano(), r.Record().Value(); at != dusk+9000*second || v != 3.785411784 {
			t.Errorf("last fill by Flux: %v L at %d, want 3.785411784 at %d", v, at, dusk+9000*second)
		}
	}
	if n != 1 || r.Err() != nil {
		t.Errorf("Flux gave %d fills, %v; want one", n, r.Err())
	}

	// Every field has the type the package names.
	types := map[byte]string{'f': "float", 'i': "integer", 's': "string"}
	for _, m := range measurements[1:] {
		want := map[string]string{"void": "boolean"}
		for _, f := range m.fields {
			want[f.name] = types[f.typ]
		}
		got := make(map[string]string)
		for _, v := range s.Query("SHOW FIELD KEYS FROM " + m.name)[0].Values {
			got[v[0].(string)] = v[1].(string)
		}
		if !maps.Equal(got, want) {
			t.Errorf("fields of %s are %v, want %v", m.name, got, want)
		}
	}
}

func realNames(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	f := forward(t, s, o, Options{})
	const rig, yard = `heron no. 2, k=v "ø"`, `larch "bank", a\b=c é`
	if err := o.Put(rig, []ledger.Event{fill(dusk, 1, 3, yard), told(dusk + 60*second)}); err != nil {
		t.Fatal(err)
	}
	await(t, f, "idle", idle)
	got := s.Query("SELECT yard FROM fill GROUP BY rig")
	if len(got) != 1 || got[0].Tags["rig"] != rig || got[0].Values[0][1] != yard {
		t.Errorf("server holds %+v, want rig %s and yard %s", got, rig, yard)
	}
}

func realRestatement(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	f := forward(t, s, o, Options{})
	puts := [][]ledger.Event{
		tell(0, 200, 0),
		append([]ledger.Event{rewound(stretch(50) + 1)}, tell(50, 150, 1)...),
		append([]ledger.Event{rewound(stretch(20) + 1)}, tell(20, 180, 2)...),
	}
	for _, p := range puts {
		mustPut(t, o, p...)
		await(t, f, "idle", idle)
	}
	same(t, "server", held(t, s), undisturbed(t, puts...))
	// What a person asks for, with and without regard to void.
	var want quantity.Volume
	n := 0
	for _, e := range append(tell(0, 20, 0), tell(20, 180, 2)...) {
		if e.Kind == ledger.FillDone {
			want += e.Fill.Volume
			n++
		}
	}
	for q, count := range map[string]int{"SELECT sum(volume_l), count(volume_l) FROM fill WHERE void = false": n, "SELECT sum(volume_l) FROM fill": 0} {
		v := s.Query(q)[0].Values[0]
		sum, err := v[1].(json.Number).Float64()
		if d := sum - want.Litres(); err != nil || d > 1e-6 || d < -1e-6 {
			t.Errorf("%s = %v L, want %v", q, v[1], want.Litres())
		}
		if count > 0 && fmt.Sprint(v[2]) != fmt.Sprint(count) {
			t.Errorf("%s counts %v, want %d", q, v[2], count)
		}
	}
}

// losing lets requests through to the server but loses every answer.
type losing struct{ through chan<- int }

func (l losing) RoundTrip(r *http.Request) (*http.Response, error) {
	a, err := http.DefaultTransport.RoundTrip(r)
	if err == nil {
		a.Body.Close()
		l.through <- a.StatusCode
		err = errors.New("connection reset")
	}
	return nil, err
}

func realLostAck(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	night := tell(0, 100, 0)
	mustPut(t, o, night...)
	through := make(chan int)
	t.Run("lost", func(t *testing.T) {
		forward(t, s, o, Options{Batch: 50, Transport: losing{through}})
		for range 3 {
			if status := <-through; status != 204 {
				t.Errorf("server answered %d, want 204", status)
			}
		}
		go func() {
			for range through {
			}
		}()
	})
	close(through)
	if n, _ := o.Backlog(); int(n) != len(undisturbed(t, night)) {
		t.Errorf("%d points wait after lost answers, want all %d", n, len(undisturbed(t, night)))
	}
	f := forward(t, s, o, Options{})
	await(t, f, "idle", idle)
	same(t, "server", held(t, s), undisturbed(t, night))
}

func realPartial(t *testing.T, s *influxtest.Server) {
	// Somebody else once wrote syrup_c as text: fills that know the syrup's
	// temperature conflict, all else is good.
	s.Write(fmt.Sprintf("fill,rig=stranger syrup_c=\"cold\" %d\n", dusk))
	o := openOutbox(t)
	f := forward(t, s, o, Options{Batch: 64})
	night := tell(0, 200, 0)
	mustPut(t, o, night...)
	st := await(t, f, "idle", idle)
	var good, bad []string
	for _, l := range undisturbed(t, night) {
		if strings.HasPrefix(l, "fill") && strings.Contains(l, "syrup_c=") {
			bad = append(bad, l)
		} else {
			good = append(good, l)
		}
	}
	got := slices.DeleteFunc(held(t, s), func(l string) bool { return strings.Contains(l, "stranger") })
	same(t, "server", got, good)
	list, all, err := o.Rejected(1000)
	if err != nil || all != len(bad) || len(list) != len(bad) || st.Rejected != uint64(len(bad)) || len(bad) == 0 {
		t.Fatalf("rejected: %d in the outbox, %d in the state, %v; want %d", all, st.Rejected, err, len(bad))
	}
	for i, r := range list {
		if !strings.HasPrefix(bad[i], fmt.Sprintf("%s of heron at %d ", r.Measurement, r.At.UnixNano())) ||
			!strings.Contains(r.Words, "field type conflict") || !strings.Contains(r.Words, "syrup_c") {
			t.Errorf("rejected %d: %+v; want %s", i, r, bad[i])
		}
	}
	// The owner mends it.
	s.Exec(`DROP SERIES FROM fill WHERE rig = 'stranger'`)
	s.Exec(`DROP MEASUREMENT fill`)
	if _, err := o.RetryRejected(); err != nil {
		t.Fatal(err)
	}
	await(t, f, "idle", idle)
	got = slices.DeleteFunc(held(t, s), func(l string) bool { return !strings.HasPrefix(l, "fill") })
	same(t, "server after mending", got, bad)
}

func realRetention(t *testing.T, s *influxtest.Server) {
	s.Exec(`CREATE RETENTION POLICY short ON "` + s.Database + `" DURATION 2h REPLICATION 1 SHARD DURATION 1h`)
	o := openOutbox(t)
	now := time.Now().UnixNano()
	mustPut(t, o, sample(now-1, 1))
	for i := range int64(40) {
		mustPut(t, o, sample(now-5*3600*second-i*ledger.SampleEvery, 1))
	}
	mustPut(t, o, sample(now, 2), told(now))
	f := forward(t, s, o, Options{Bucket: s.Database + "/short"})
	await(t, f, "idle", idle)
	list, all, err := o.Rejected(1)
	if err != nil || all != 40 || !strings.Contains(list[0].Words, "beyond retention policy") {
		t.Errorf("rejected: %d, %+v, %v; want 40 points beyond the retention policy", all, list, err)
	}
	if v := s.Query("SELECT total_l FROM short.sample")[0].Values; len(v) != 2 {
		t.Errorf("server holds %v, want the two new samples", v)
	}
}

func realToken(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	night := tell(0, 50, 0)
	mustPut(t, o, night...)
	for _, c := range []struct {
		opt  Options
		want string
	}{
		{Options{Token: "wren:wrong"}, "HTTP 401"},
		{Options{Bucket: "nowhere/autogen"}, "HTTP 404"},
	} {
		t.Run("refused", func(t *testing.T) {
			f := forward(t, s, o, c.opt)
			st := await(t, f, "refused", func(s State) bool { return s.Phase == Refused && s.Failures > 1 })
			if !strings.Contains(st.Err, c.want) || st.Sent != 0 || st.Rejected != 0 || st.Backlog == 0 {
				t.Errorf("state %+v, want refused with %s and nothing lost", st, c.want)
			}
		})
	}
	f := forward(t, s, o, Options{})
	await(t, f, "idle", idle)
	same(t, "server", held(t, s), undisturbed(t, night))
}

// The server is killed, hours of results and restatements come, and it starts
// again: the store ends as that of an undisturbed run.
func realOutage(t *testing.T, s *influxtest.Server) {
	o := openOutbox(t)
	f := forward(t, s, o, Options{Batch: 500})
	puts := [][]ledger.Event{tell(0, 200, 0)}
	mustPut(t, o, puts[0]...)
	await(t, f, "idle", idle)
	s.Kill()
	for k := 200; k < 2000; k += 50 { // five hours
		p := tell(k, 50, 0)
		if k%300 == 0 {
			p = append([]ledger.Event{rewound(stretch(k-150) + 1)}, tell(k-150, 200, k/300)...)
		}
		puts = append(puts, p)
		mustPut(t, o, p...)
	}
	st := await(t, f, "waiting", func(s State) bool { return s.Phase == Waiting })
	if st.Backlog < 2000 || st.Err == "" || st.NextTry.IsZero() {
		t.Errorf("state in the outage: %+v, want thousands of points waiting and the failure", st)
	}
	s.Restart()
	await(t, f, "idle", idle)
	same(t, "server", held(t, s), undisturbed(t, puts...))
}

func BenchmarkForward(b *testing.B) {
	s := influxtest.Start(b)
	s.NewDatabase("bench")
	const n = 100_000
	for _, zip := range []bool{false, true} {
		b.Run(fmt.Sprintf("gzip=%v", zip), func(b *testing.B) {
			o := openOutbox(b)
			ev := make([]ledger.Event, 0, n)
			for k := range n {
				ev = append(ev, sample(stretch(k), float64(k)))
			}
			mustPut(b, o, ev...)
			for b.Loop() {
				if _, err := o.db.Exec("UPDATE state SET acked = 0"); err != nil {
					b.Fatal(err)
				}
				o.acked, o.backlog = 0, n // no forwarder runs
				ctx, stop := context.WithCancel(context.Background())
				f, err := NewForwarder(Options{URL: s.URL, Bucket: s.Bucket(), Outbox: o, Gzip: zip})
				if err != nil {
					b.Fatal(err)
				}
				ended := make(chan error, 1)
				go func() { ended <- f.Run(ctx) }()
				await(b, f, "idle", idle)
				stop()
				<-ended
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}

// realProbe: a probe finds each thing wrong by a real server, and leaves nothing.
func realProbe(t *testing.T, s *influxtest.Server) {
	good := Options{URL: s.URL, Token: s.Token(), Bucket: s.Bucket()}
	if err := Probe(t.Context(), good); err != nil {
		t.Errorf("a good one: %v", err)
	}
	if got := s.Query("SHOW MEASUREMENTS"); len(got) != 0 {
		t.Errorf("it left %+v", got)
	}
	page := httptest.NewServer(http.NotFoundHandler())
	defer page.Close()
	for _, c := range []struct {
		name, what string
		change     func(*Options)
	}{
		{"wrong token", "token", func(o *Options) { o.Token = "wren:wrong" }},
		{"no token", "token", func(o *Options) { o.Token = "" }},
		{"wrong bucket", "bucket", func(o *Options) { o.Bucket = "nowhere/autogen" }},
		{"nobody", "url", func(o *Options) { o.URL = "http://127.0.0.1:1" }},
		{"another server", "url", func(o *Options) { o.URL = page.URL }},
	} {
		o := good
		c.change(&o)
		var p *Probed
		if err := Probe(t.Context(), o); !errors.As(err, &p) || p.What != c.what {
			t.Errorf("%s: %v", c.name, err)
		} else {
			t.Logf("%s: %v", c.name, err)
		}
	}
}
