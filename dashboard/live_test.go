package dashboard

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"yardtally/calibrate/quantity"
)

// reader is a ResponseWriter like that of net/http, with a reader behind it
// that takes what is written, or nothing at all.
type reader struct {
	mu     sync.Mutex
	got    bytes.Buffer
	status int
	head   http.Header
	stuck  bool
	until  time.Time
	writes int
	at     []time.Time // of each write
}

func newReader(stuck bool) *reader { return &reader{head: http.Header{}, stuck: stuck, status: 200} }

func (r *reader) Header() http.Header                { return r.head }
func (r *reader) WriteHeader(s int)                  { r.status = s }
func (r *reader) Flush()                             {}
func (r *reader) SetWriteDeadline(t time.Time) error { r.until = t; return nil }

func (r *reader) Write(b []byte) (int, error) {
	if r.stuck {
		if r.until.IsZero() {
			select {} // for ever
		}
		time.Sleep(time.Until(r.until))
		return 0, os.ErrDeadlineExceeded
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.writes++
	r.at = append(r.at, time.Now())
	return r.got.Write(b)
}

// take returns the events written since it was last called.
func (r *reader) take(t *testing.T) (parts map[string]string, beats []beat) {
	t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	parts = map[string]string{}
	for _, e := range strings.Split(r.got.String(), "\n\n") {
		name, data, ok := strings.Cut(strings.TrimPrefix(e, "event: "), "\ndata: ")
		if !ok {
			continue
		}
		var p part
		var b beat
		switch name {
		case "part":
			if err := json.Unmarshal([]byte(data), &p); err != nil {
				t.Fatal(err)
			}
			parts[p.ID] = p.HTML
		case "beat":
			if err := json.Unmarshal([]byte(data), &b); err != nil {
				t.Fatal(err)
			}
			beats = append(beats, b)
		default:
			t.Fatalf("event %q", name)
		}
	}
	r.got.Reset()
	return parts, beats
}

// flow returns the sample with another flow, heard later.
func flow(gpm float64, later time.Duration) *Snapshot {
	s := sample()
	s.Now += int64(later)
	s.Live.Flow, s.Live.FlowAt, s.Live.ToteAt, s.Live.SyrupAt = quantity.Flow(gpm)*quantity.USGallonPerMinute, s.Now, s.Now, s.Now
	for i := range s.Sources {
		s.Sources[i].LastAt = time.Unix(0, s.Now)
	}
	return s
}

func listen(ctx context.Context, h http.Handler, r *reader) (done chan struct{}) {
	done = make(chan struct{})
	go func() {
		defer close(done)
		h.ServeHTTP(r, httptest.NewRequest("GET", "/live", nil).WithContext(ctx))
	}()
	return done
}

func TestLiveHistoryFirstThenChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFeed(sample())
		r := newReader(false)
		done := listen(ctx, New(Options{Feed: f, Rig: "heron", Version: "0.1.0"}), r)
		synctest.Wait()
		parts, beats := r.take(t)
		if got := r.head.Get("Content-Type"); got != "text/event-stream" {
			t.Errorf("type %q", got)
		}
		for _, id := range []string{"notices", "empty", "when", "run", "left", "alarms", "here", "fills-head", "fills", "growing", "loose", "yards", "records", "doubt", "sources"} {
			if _, ok := parts[id]; !ok {
				t.Errorf("the history lacks %q", id)
			}
		}
		if len(beats) != 1 || beats[0].Clock != "21:26:36" || beats[0].Version != "0.1.0" || beats[0].Left["flow"] <= 0 {
			t.Errorf("beats %+v", beats)
		}

		f.set(flow(2.5, time.Second))
		time.Sleep(flushEvery + time.Millisecond)
		synctest.Wait()
		parts, _ = r.take(t)
		if len(parts) != 1 || !strings.Contains(parts["run"], ">2.5</b>") {
			t.Errorf("after a change of flow came %v", parts)
		}

		// Nothing changes: only beats, and those at least as often as promised.
		time.Sleep(2*beatEvery + lookEvery)
		synctest.Wait()
		parts, beats = r.take(t)
		if len(parts) != 0 || len(beats) < 2 {
			t.Errorf("in the quiet came %d parts and %d beats", len(parts), len(beats))
		}
		cancel()
		<-done
	})
}

func TestLiveCoalesces(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFeed(sample())
		r := newReader(false)
		done := listen(ctx, New(Options{Feed: f}), r)
		synctest.Wait()
		for i := range 300 { // 100 changes a second
			f.set(flow(1+float64(i)/100, time.Duration(i)*10*time.Millisecond))
			time.Sleep(10 * time.Millisecond)
		}
		time.Sleep(flushEvery + time.Millisecond)
		synctest.Wait()
		for i := 1; i < len(r.at); i++ {
			if d := r.at[i].Sub(r.at[i-1]); d < flushEvery {
				t.Errorf("write %d came %v after the one before", i, d)
			}
		}
		if r.writes < 25 || r.writes > 33 {
			t.Errorf("%d writes for 300 changes in 3 s, want about 30", r.writes)
		}
		if parts, _ := r.take(t); !strings.Contains(parts["run"], ">4.0</b>") {
			t.Errorf("the newest did not come: %s", parts["run"])
		}
		cancel()
		<-done
	})
}

func TestStuckReaderHoldsUpNobodyAndIsLetGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFeed(sample())
		h := New(Options{Feed: f})
		stuck, well := newReader(true), newReader(false)
		gone := listen(ctx, h, stuck)
		synctest.Wait()
		done := listen(ctx, h, well)
		synctest.Wait()
		well.take(t)
		f.set(flow(3.3, time.Second))
		time.Sleep(flushEvery + time.Millisecond)
		synctest.Wait()
		if parts, _ := well.take(t); !strings.Contains(parts["run"], ">3.3</b>") {
			t.Error("a stuck reader held up another one")
		}
		if w := get(t, h, "/"); w.Code != 200 {
			t.Errorf("a stuck reader held up the page: %d", w.Code)
		}
		select { // the deadline lets it go, by the bubble's clock
		case <-gone:
		case <-time.After(time.Minute):
			t.Error("a stuck reader was not let go")
		}
		cancel()
		<-done
	})
}

func TestLiveTellsOfAgeWithoutATick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f := newFeed(sample())
		r := newReader(false)
		done := listen(ctx, New(Options{Feed: f}), r)
		synctest.Wait()
		r.take(t)
		old := sample()
		old.Now += int64(flowAge) + 1e9
		f.mu.Lock()
		f.snap = old // the rig's clock goes on, and nothing ticks
		f.mu.Unlock()
		time.Sleep(lookEvery + flushEvery)
		synctest.Wait()
		if parts, _ := r.take(t); !strings.Contains(parts["run"], "meter not heard for") {
			t.Errorf("a dead meter was not told: %v", parts)
		}
		cancel()
		<-done
	})
}

func TestLiveEndsWithItsFeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		f := closed{newFeed(sample())}
		<-listen(ctx, New(Options{Feed: f}), newReader(false))
	})
}

// closed is a feed that will not change any more.
type closed struct{ *feed }

func (closed) Watch(context.Context) <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

func TestStreamsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		h := New(Options{Feed: newFeed(sample())})
		var all []chan struct{}
		for range maxStreams {
			all = append(all, listen(ctx, h, newReader(false)))
		}
		synctest.Wait()
		over := newReader(false)
		<-listen(ctx, h, over)
		if over.status != http.StatusServiceUnavailable || over.head.Get("Retry-After") == "" {
			t.Errorf("one too many: status %d, headers %v", over.status, over.head)
		}
		cancel()
		for _, d := range all {
			<-d
		}
		ctx, cancel = context.WithCancel(t.Context())
		again := newReader(false)
		done := listen(ctx, h, again)
		synctest.Wait()
		if again.status != 200 || again.writes == 0 {
			t.Error("places were not given back")
		}
		cancel()
		<-done
	})
}

// Over a real connection: the stream arrives, and shutting down the server by
// its base context ends it.
func TestShutdownEndsStreams(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	srv := &http.Server{Handler: handler(sample()), BaseContext: func(net.Listener) context.Context { return ctx }}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	resp, err := http.Get(fmt.Sprintf("http://%s/live", l.Addr()))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	seen := 0
	for lines.Scan() {
		if lines.Text() == "event: beat" {
			break
		}
		seen++
	}
	if seen < 10 {
		t.Errorf("%d lines before the first beat", seen)
	}
	cancel()
	if err := srv.Shutdown(context.Background()); err != nil {
		t.Error(err)
	}
	for lines.Scan() { // to the end
	}
	if err := <-served; err != http.ErrServerClosed {
		t.Error(err)
	}
}
