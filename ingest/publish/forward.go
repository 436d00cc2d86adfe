package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	influxdb "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// Options say where a Forwarder sends to.
type Options struct {
	URL    string // of the server, e.g. "http://store.example:8086"
	Token  string // for an InfluxDB 1.8 "user:password"; "" where none is asked for
	Org    string // "" for an InfluxDB 1.8
	Bucket string // for an InfluxDB 1.8 "database/retention policy"
	Outbox *Outbox
	Log    *slog.Logger // nil: none

	Batch   int           // points in one request at most; 0: 5000
	Gzip    bool          // compress requests: worth it on a slow or paid line
	Timeout time.Duration // for one request; 0: 30 s

	// After a failure the next try waits MinWait (0: 1 s), then twice as long
	// each time up to MaxWait (0: 1 min), give or take a tenth, or as long as
	// the server asks for, up to an hour. After a refusal that only a person
	// can mend (wrong token, no such bucket) it waits SlowWait (0: 1 min).
	MinWait, MaxWait, SlowWait time.Duration

	Transport http.RoundTripper // nil: a pool of its own
}

// Phase is what a forwarder is doing.
type Phase string

// Phases of a forwarder.
const (
	Idle    Phase = "idle"    // the server has everything
	Sending Phase = "sending" // a request is under way
	Waiting Phase = "waiting" // after a failure, until NextTry
	Refused Phase = "refused" // token, bucket or address must be mended by a person; tries again at NextTry
	Stopped Phase = "stopped"
)

// State is what a forwarder says of itself. It is a value.
type State struct {
	Phase    Phase
	Since    time.Time // since when it is in this phase
	Err      string    // the newest failure, "" if none since the last success
	NextTry  time.Time // in Waiting and Refused
	Failures uint64
	Backlog  int64     // points still to be sent
	Oldest   time.Time // instant of the point that is next; zero for none
	Sent     uint64    // points the server took since the start
	Rejected uint64    // points the server will not take, since the start; see Outbox.Rejected
	LastAck  time.Time // when the server last took something; zero for never
}

// Forwarder sends what waits in an outbox to an InfluxDB.
type Forwarder struct {
	opt    Options
	client *http.Client
	api    api.WriteAPIBlocking
	log    *slog.Logger

	mu    sync.Mutex
	state State
}

// NewForwarder checks the options; an error names the option, the rule and the
// value, but never the token.
func NewForwarder(opt Options) (*Forwarder, error) {
	u, err := url.Parse(opt.URL)
	switch {
	case err != nil:
		// The error of url.Parse repeats the address, which may hold a password.
		return nil, errors.New("influx url: cannot be read as an address")
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return nil, fmt.Errorf("influx url: must be http://host:port or https://host:port, is %q", u.Redacted())
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return nil, errors.New("influx url: must not hold a user, password or parameters; they belong into the token and bucket")
	case opt.Bucket == "":
		return nil, errors.New("influx bucket: must not be empty")
	case strings.ContainsFunc(opt.Token, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return nil, errors.New("influx token: must not hold control characters (is there a line end in it?)")
	case opt.Outbox == nil:
		return nil, errors.New("forwarder: needs an outbox")
	case opt.Batch < 0 || opt.Timeout < 0 || opt.MinWait < 0 || opt.MaxWait < 0 || opt.SlowWait < 0:
		return nil, errors.New("forwarder: batch and times must not be negative")
	}
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&opt.Timeout, 30*time.Second)
	def(&opt.MinWait, time.Second)
	def(&opt.MaxWait, time.Minute)
	def(&opt.SlowWait, time.Minute)
	if opt.Batch == 0 {
		opt.Batch = 5000
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Transport == nil {
		t := http.DefaultTransport.(*http.Transport).Clone()
		t.MaxIdleConnsPerHost = 1
		opt.Transport = t
	}
	f := &Forwarder{opt: opt, log: opt.Log.With("to", u.Host)}
	f.client = &http.Client{
		Transport:     guard{opt.Transport},
		Timeout:       opt.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	o := influxdb.DefaultOptions().SetHTTPClient(f.client).SetUseGZip(opt.Gzip).
		SetPrecision(time.Nanosecond).SetApplicationName("yardtally")
	f.api = influxdb.NewClientWithOptions(u.String(), opt.Token, o).WriteAPIBlocking(opt.Org, opt.Bucket)
	f.state = State{Phase: Stopped, Since: time.Now()}
	return f, nil
}

// State returns what the forwarder is doing now.
func (f *Forwarder) State() State {
	rows, oldest := f.opt.Outbox.Backlog()
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.state
	if s.Backlog = rows; rows > 0 {
		s.Oldest = time.Unix(0, oldest).UTC()
	}
	return s
}

func (f *Forwarder) set(change func(*State)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	was := f.state.Phase
	change(&f.state)
	if f.state.Phase != was {
		f.state.Since = time.Now()
	}
}

// Run sends until the context ends, and returns nil then. What it had under way
// is sent again by the next Run, which does no harm. Only one Run at a time.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.set(func(s *State) { s.Phase, s.NextTry = Stopped, time.Time{} })
	defer f.client.CloseIdleConnections()
	batch, wait := f.opt.Batch, time.Duration(0)
	for ctx.Err() == nil {
		changed := f.opt.Outbox.Changed()
		rows, err := f.opt.Outbox.waiting(batch)
		if err == nil && len(rows) == 0 {
			f.set(func(s *State) { s.Phase = Idle })
			select {
			case <-changed:
			case <-ctx.Done():
			}
			continue
		}
		var d delivery
		if err == nil {
			f.set(func(s *State) { s.Phase, s.NextTry = Sending, time.Time{} })
			d, err = f.deliver(ctx, rows)
		}
		if d.settled > 0 {
			if e := f.opt.Outbox.ack(d.settled, d.bad); e != nil {
				err = errors.Join(e, err)
			} else {
				f.settled(&d, rows)
				wait = 0
			}
		}
		if err == nil {
			batch = min(2*batch, f.opt.Batch)
			continue
		}
		if ctx.Err() != nil {
			break
		}
		if fail := (*failure)(nil); errors.As(err, &fail) && fail.heavy {
			batch = max(1, batch/2)
		}
		wait = min(max(2*wait, f.opt.MinWait), f.opt.MaxWait)
		f.pause(ctx, err, wait)
	}
	return nil
}

// settled accounts for what was acknowledged.
func (f *Forwarder) settled(d *delivery, rows []row) {
	f.mu.Lock()
	again := f.state.Err != ""
	f.state.Sent += uint64(d.taken)
	f.state.Rejected += uint64(len(d.bad))
	if d.taken > 0 {
		f.state.LastAck = time.Now()
	}
	f.state.Err = ""
	f.mu.Unlock()
	if again && d.taken > 0 {
		f.log.Info("the store takes points again")
	}
	if len(d.bad) > 0 {
		name := ""
		for i := range rows {
			if rows[i].version == d.bad[0].version {
				name = rows[i].String()
			}
		}
		f.log.Warn("the store rejected points; they are kept aside", "points", len(d.bad), "first", name, "because", d.bad[0].words)
	}
}

// pause waits before the next try and shows it.
func (f *Forwarder) pause(ctx context.Context, err error, wait time.Duration) {
	wait += time.Duration((rand.Float64()*0.2 - 0.1) * float64(wait))
	phase := Waiting
	var fail *failure
	if errors.As(err, &fail) {
		if fail.verdict == refusal {
			phase, wait = Refused, f.opt.SlowWait
		}
		wait = max(wait, min(fail.after, time.Hour))
	}
	words := f.redact(err.Error())
	next := time.Now().Add(wait)
	f.mu.Lock()
	news := f.state.Err != words
	f.mu.Unlock()
	f.set(func(s *State) {
		s.Phase, s.Err, s.NextTry = phase, words, next
		s.Failures++
	})
	if news {
		f.log.Warn("the store takes no points", "because", words, "next try in", wait.Round(time.Millisecond))
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// redact takes the token out of words that came from elsewhere.
func (f *Forwarder) redact(s string) string {
	if f.opt.Token == "" {
		return s
	}
	s = strings.ReplaceAll(s, f.opt.Token, "***")
	if _, pw, ok := strings.Cut(f.opt.Token, ":"); ok && pw != "" {
		s = strings.ReplaceAll(s, pw, "***")
	}
	return s
}

// delivery is how far a batch got.
type delivery struct {
	all     []*write.Point
	settled int64 // every row through this version was taken or is in bad
	taken   int
	bad     []rejection
	strange int  // of bad: refused in words that do not blame a line
	proven  bool // a line was taken alone, so the request as such is right
}

// maxStrange is how many lines may be refused one by one, none taken, in words
// that do not blame a line, before lines from all over the batch are tried: if
// none of them is taken either, the request itself is held to be wrong.
const maxStrange = 8

// deliver sends rows. Where the server refuses some, it halves the batch until
// each bad line stands alone; what it took twice on the way does no harm. It
// returns how far it got even where it failed.
func (f *Forwarder) deliver(ctx context.Context, rows []row) (delivery, error) {
	points := make([]*write.Point, len(rows))
	for i := range rows {
		// A row that cannot be read is left nil: it is bad by itself.
		points[i], _ = rows[i].influx()
	}
	d := delivery{all: points}
	err := f.halve(ctx, rows, points, &d)
	if d.taken == 0 && d.strange > 0 && !d.proven {
		// Nothing shows that it is the lines' fault; lose none for it.
		if err == nil {
			err = &failure{verdict: refusal, words: d.bad[0].words}
		}
		return delivery{}, err
	}
	for i := range d.bad {
		d.bad[i].words = f.redact(d.bad[i].words)
	}
	return d, err
}

func (f *Forwarder) halve(ctx context.Context, rows []row, points []*write.Point, d *delivery) error {
	n := len(rows)
	err := f.write(ctx, points)
	if err == nil {
		d.taken += n
		d.settled = rows[n-1].version
		return nil
	}
	if err.verdict != badLine {
		return err
	}
	if n == 1 || err.dropped == n {
		for i := range rows {
			d.bad = append(d.bad, rejection{rows[i].version, err.words})
		}
		if !err.blames {
			d.strange++
		}
		d.settled = rows[n-1].version
		if d.taken == 0 && d.strange == maxStrange && !d.proven {
			return f.prove(ctx, d, err)
		}
		return nil
	}
	if e := f.halve(ctx, rows[:n/2], points[:n/2], d); e != nil {
		return e
	}
	return f.halve(ctx, rows[n/2:], points[n/2:], d)
}

// prove tries single lines from all over the batch, to tell bad lines from a
// request that is wrong altogether.
func (f *Forwarder) prove(ctx context.Context, d *delivery, why *failure) error {
	for i := range maxStrange {
		p := d.all[len(d.all)-1-i*len(d.all)/maxStrange]
		err := f.write(ctx, []*write.Point{p})
		if err == nil {
			d.proven = true
			return nil
		}
		if err.verdict != badLine {
			return err
		}
	}
	return &failure{verdict: refusal, words: why.words}
}

// write sends points in one request.
func (f *Forwarder) write(ctx context.Context, points []*write.Point) *failure {
	for _, p := range points {
		if p == nil {
			return &failure{verdict: badLine, blames: true, words: errRow.Error()}
		}
	}
	return failureOf(f.api.WritePoint(ctx, points...))
}
