package publish

import (
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

const (
	second = int64(1_000_000_000)
	dusk   = int64(1_790_000_000)*second + 123_456_789
)

// store is an InfluxDB as far as a writer can tell: fields that have the same
// measurement, tags and instant are merged. It is also a transport, and answers
// as told.
type store struct {
	mu     sync.Mutex
	points map[string]map[string]string
	// answer, if set, may answer in the store's place; nil lets it take the
	// lines.
	answer answer
	outbox *Outbox // what feeds it, for answers that restate meanwhile
}

// answer is how a store answers lines, with its lock held.
type answer func(s *store, r *http.Request, lines []string) (*http.Response, error)

func newStore() *store { return &store{points: make(map[string]map[string]string)} }

func (s *store) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	r.Body.Close()
	lines := strings.Split(strings.Trim(string(body), "\n"), "\n")
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.answer != nil {
		if a, err := s.answer(s, r, lines); a != nil || err != nil {
			return a, err
		}
	}
	s.take(lines)
	return reply(r, 204, "", nil), nil
}

// hang keeps an answer back until the asker gives up.
func (s *store) hang(r *http.Request) error {
	s.mu.Unlock()
	defer s.mu.Lock()
	<-r.Context().Done()
	return r.Context().Err()
}

func (s *store) take(lines []string) {
	for _, l := range lines {
		part := strings.SplitN(l, " ", 2)
		cut := strings.LastIndex(part[1], " ")
		key := part[0] + " " + part[1][cut+1:]
		if s.points[key] == nil {
			s.points[key] = make(map[string]string)
		}
		for _, f := range strings.Split(part[1][:cut], ",") {
			k, v, _ := strings.Cut(f, "=")
			s.points[key][k] = v
		}
	}
}

func reply(r *http.Request, status int, body string, header map[string]string) *http.Response {
	a := &http.Response{StatusCode: status, Status: fmt.Sprint(status), Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1,
		Header: make(http.Header), Body: io.NopCloser(strings.NewReader(body)), Request: r}
	for k, v := range header {
		a.Header.Set(k, v)
	}
	return a
}

// flat lists what the store holds, a line a point, in order.
func (s *store) flat() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]string, 0, len(s.points))
	for key, fields := range s.points {
		var f []string
		for _, k := range slices.Sorted(maps.Keys(fields)) {
			f = append(f, k+"="+fields[k])
		}
		out = append(out, key+" "+strings.Join(f, ","))
	}
	slices.Sort(out)
	return out
}

// live lists what holds by the store: the fields of every point that is not
// void, with its measurement and its instant to the microsecond (a point may
// stand some ns beside its result).
func (s *store) live() []string {
	var out []string
	for _, l := range s.flat() {
		if strings.Contains(l, "void=false") {
			p := strings.SplitN(l, " ", 3)
			out = append(out, p[0]+" "+p[1][:len(p[1])-3]+" "+p[2])
		}
	}
	slices.Sort(out)
	return out
}

func openOutbox(t testing.TB) *Outbox {
	t.Helper()
	o, err := OpenOutbox(filepath.Join(t.TempDir(), "outbox.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { o.Close() })
	return o
}

func mustPut(t testing.TB, o *Outbox, events ...ledger.Event) {
	t.Helper()
	if err := o.Put("heron", events); err != nil {
		t.Fatal(err)
	}
}

// drain brings everything that waits into the store, as a forwarder would.
func drain(t testing.TB, o *Outbox, s *store, n int) {
	t.Helper()
	for {
		rows, err := o.waiting(n)
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) == 0 {
			return
		}
		s.take(lines(t, rows))
		if err := o.ack(rows[len(rows)-1].version, nil); err != nil {
			t.Fatal(err)
		}
	}
}

func rewound(at int64) ledger.Event { return ledger.Event{Kind: ledger.Rewound, At: at} }
func told(at int64) ledger.Event    { return ledger.Event{Kind: ledger.Told, At: at} }

func fill(start int64, first uint64, litres float64, yard string) ledger.Event {
	v := quantity.VolumeOf(litres / 1000)
	end := start + 8*second
	return ledger.Event{Kind: ledger.FillDone, At: end, Fill: &ledger.Fill{
		Session: 1, First: first, Last: first + 1000, Start: start, End: end,
		Volume: v, Within: 10 * quantity.Millilitre, Flow: quantity.Flow(v.CubicMetres() / 8), Yard: yard, Reason: ledger.ByPosition,
		Syrup: 11.5, HasSyrup: true}}
}

func loose(start int64, first uint64, litres float64) ledger.Event {
	return ledger.Event{Kind: ledger.LooseDone, At: start + second, Loose: &ledger.Loose{
		Session: 1, First: first, Last: first + 3, Start: start, End: start + second,
		Volume: quantity.VolumeOf(litres / 1000), Within: 2 * quantity.Millilitre, Why: "dribble", Reason: ledger.NoYard}}
}

func gap(start, end int64, why string) ledger.Event {
	return ledger.Event{Kind: ledger.GapSeen, At: end, Gap: &ledger.Gap{
		Start: start, End: end, Known: quantity.Litre, Hidden: 250 * quantity.Millilitre, Why: why}}
}

func sample(at int64, total float64) ledger.Event {
	return ledger.Event{Kind: ledger.Sampled, At: at, Sample: &ledger.Sample{At: at,
		Total: quantity.VolumeOf(total / 1000), Flow: quantity.Flow(1e-4),
		Tote: quantity.VolumeOf(0.9 - total/1000), HasTote: true, Syrup: 11.5, HasSyrup: true, Air: 6.25, HasAir: true}}
}

// tell returns what a ledger would tell of n stretches of 10 s from the k-th
// on, as edit makes it of what it is of itself.
func tell(from, n int, edit int) []ledger.Event {
	var out []ledger.Event
	for k := from; k < from+n; k++ {
		at := dusk - dusk%ledger.SampleEvery + int64(k)*ledger.SampleEvery
		r := rand.New(rand.NewPCG(uint64(k), uint64(edit)))
		yard := [...]string{"orchard", "mill", "larch"}[(k/40+edit)%3]
		switch {
		case edit > 0 && r.IntN(4) == 0: // this edit takes it away
		case k%4 == 0:
			e := fill(at+int64(r.IntN(3))*second, uint64(k)*2000, 3+r.Float64(), yard)
			e.Fill.HasSyrup = r.IntN(3) > 0
			out = append(out, e)
		case k%4 == 1:
			out = append(out, loose(at, uint64(k)*2000, 0.01*r.Float64()))
		case k%16 == 3:
			out = append(out, gap(at, at+3*second, "no readings"), gap(at, at+4*second, "board restarted"))
		}
		out = append(out, sample(at+ledger.SampleEvery, float64(k)+r.Float64()))
	}
	return append(out, told(out[len(out)-1].At))
}

// stretch returns the instant at which the k-th stretch of tell begins.
func stretch(k int) int64 { return dusk - dusk%ledger.SampleEvery + int64(k)*ledger.SampleEvery }
