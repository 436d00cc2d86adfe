package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"yardtally/dashboard/door"
)

const (
	flushEvery = 100 * time.Millisecond // changes are sent at most this often: the first of them at once
	lookEvery  = time.Second            // values grow old without a tick
	beatEvery  = 3 * time.Second        // something is sent at least this often
	writeLimit = 10 * time.Second       // a reader that takes nothing for so long is let go
)

// part is a piece of the page, by the id of the element it stands in.
type part struct {
	ID   string `json:"id"`
	HTML string `json:"html"`
}

// frame is the page's parts at one instant.
type frame struct {
	made  time.Time // when the snapshot in it was asked for
	clock string
	demo  string
	parts []part
	ask   bool // as in beat
	left  map[string]float64
	age   map[string]float64
}

// frames draws the parts once for all who look, when somebody looks.
type frames struct {
	server *server
	mu     sync.Mutex
	last   *frame
	kept   kept
	draw   func() *frame // instead of server's page
}

// get returns a frame whose snapshot was asked for after the given instant.
func (f *frames) get(notBefore time.Time) *frame {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.last == nil || !f.last.made.After(notBefore) {
		made := time.Now()
		if f.draw != nil {
			f.last = f.draw()
		} else {
			f.last = f.server.render(f.server.Feed.Snapshot(), &f.kept)
		}
		f.last.made = made
	}
	return f.last
}

// fresh returns a frame for a page that is asked for: whoever has just said
// something sees what came of it.
func (f *frames) fresh(r *http.Request) *frame {
	since := time.Now()
	if !r.URL.Query().Has("said") {
		since = since.Add(-flushEvery)
	}
	return f.get(since)
}

// beat tells the page that the rig is there, the rig's time, how long its
// values may still be shown as current and how old they are, in s of real time.
// It asks for a phone's time where the rig knows none better.
type beat struct {
	Clock   string             `json:"clock"`
	Version string             `json:"version"`
	Ask     bool               `json:"ask,omitempty"`
	Left    map[string]float64 `json:"left"`
	Age     map[string]float64 `json:"age"`
}

// live streams the page's parts: all of them first, then those that change.
// Each reader has its own goroutine, which takes the newest frame whenever it
// is ready to write: a slow one skips frames and holds up nobody.
//
// A comment would keep the line open but no script can see one, so the
// heartbeat is an event: without it the page says that it is cut off.
func (s *server) live(w http.ResponseWriter, r *http.Request) {
	s.streams.serve(w, r, s.Feed.Watch, s.frames.get, s.Version, s.under)
}

// serve is one reader's stream. A nil watch has no ticks: whatever changes is
// seen when it is looked at next. Parts are sent with their paths as under has
// them.
func (s *streams) serve(w http.ResponseWriter, r *http.Request, watch func(context.Context) <-chan struct{}, frame func(time.Time) *frame, version string, under func(string) string) {
	from := door.Address(r.RemoteAddr)
	if !s.open(from) {
		w.Header().Set("Retry-After", "10")
		http.Error(w, "Too many pages are already live here; close one.", http.StatusServiceUnavailable)
		return
	}
	defer s.close(from)
	ctx := r.Context()
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no")
	if r.Method == http.MethodHead {
		return
	}
	var ticks <-chan struct{}
	if watch != nil {
		ticks = watch(ctx)
	}
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	sent := map[string]string{}
	var flushed time.Time
	asked := time.Now()
	for {
		f := frame(asked)
		var b bytes.Buffer
		if flushed.IsZero() {
			b.WriteString("retry: 2000\n\n")
		}
		for _, p := range f.parts {
			if old, ok := sent[p.ID]; ok && old == p.HTML {
				continue
			}
			sent[p.ID] = p.HTML
			event(&b, "part", part{p.ID, under(p.HTML)})
		}
		if b.Len() > 0 || time.Since(flushed) >= beatEvery {
			event(&b, "beat", beat{f.clock, version, f.ask, f.left, f.age})
			// Not every writer has a deadline; those of net/http do.
			_ = out.SetWriteDeadline(time.Now().Add(writeLimit))
			if _, err := w.Write(b.Bytes()); err != nil {
				return
			}
			if err := out.Flush(); err != nil {
				return
			}
			flushed = time.Now()
		}
		select {
		case <-ctx.Done():
			return
		case _, ok := <-ticks:
			if !ok {
				return
			}
		case <-look.C:
		}
		asked = time.Now() // a frame made after this has what the tick told of
		if wait := flushEvery - time.Since(flushed); wait > 0 {
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
		}
	}
}

// streams counts those that are open.
type streams struct {
	mu  sync.Mutex
	all int
	by  map[netip.Addr]int
}

func newStreams() *streams { return &streams{by: map[netip.Addr]int{}} }

func (s *streams) open(from netip.Addr) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all >= maxStreams || s.by[from] >= maxStreamsEach {
		return false
	}
	s.all++
	s.by[from]++
	return true
}

func (s *streams) close(from netip.Addr) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all--
	if s.by[from]--; s.by[from] == 0 {
		delete(s.by, from)
	}
}

// event writes one server-sent event. JSON has no line breaks, so one data
// line holds it.
func event(b *bytes.Buffer, name string, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		panic(err) // strings and finite numbers only
	}
	fmt.Fprintf(b, "event: %s\ndata: %s\n\n", name, data)
}
