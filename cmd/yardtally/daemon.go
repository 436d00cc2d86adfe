package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"sync"
	"sync/atomic"
	"time"

	"yardtally/cmd/yardtally/logbook"
	"yardtally/cmd/yardtally/notify"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard"
	"yardtally/dashboard/door"
	"yardtally/ingest/broker"
	"yardtally/ingest/desk"
	"yardtally/ingest/gpio"
	"yardtally/ingest/journal"
	"yardtally/ingest/publish"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
	"yardtally/meter/act"
)

// Names of the files in a data folder.
const (
	journalFile = "journal.db"
	outboxFile  = "outbox.db"
	socketFile  = "control.sock"

	passphraseFile = "passphrase.json"
	sessionsFile   = "sessions.json"
)

// daemon joins the rooms: sources → desk (journal, ledger) → page and outbox.
type daemon struct {
	*oneRig // the only rig; nil where there are several
	rigs    []*oneRig

	set      *settings.Settings
	clock    source.Clock
	log      *slog.Logger
	book     *logbook.Book // that log writes into; nil: elsewhere
	bootID   string
	demo     string         // a line for the page, "" in earnest
	speed    float64        // of the clock against life
	manager  *notify.Socket // of services; nil: none
	watchdog time.Duration  // it wants to be told so often that the daemon lives; 0: it does not
	verbose  bool           // whatever the settings say, the log says all
	commit   time.Duration  // how often readings are synced; 0: one second

	journal *journal.Journal
	house   *desk.House
	outbox  *publish.Outbox
	forward *publish.Forwarder
	broker  *broker.Source
	door    *door.Door
	page    net.Listener
	control *socket
	lamp    *sound.Lamp  // of all rigs' signals; nil: none
	lampPin settings.Pin // that lamp has

	pins   func(gpio.Pins) (gpio.Lines, error)       // nil: the kernel's
	pinOut func(*settings.Pin) (sound.Switch, error) // nil: the kernel's

	now       atomic.Pointer[settings.Settings]  // those of the newest reload; nil: set
	reread    func() (*settings.Settings, error) // nil: there is no file
	reloading sync.Mutex                         // held by a reload
	up        chan struct{}                      // closed once run has brought everything up; reloads wait for it
	working   context.Context                    // that run works until the end of
	wiring    sync.RWMutex                       // held while the lists of sources change
	sources   []*wired                           // that all rigs share; of a single rig, all of its
	gauge     gauge
	committed func(time.Duration, error) // hears of the journal's commits; nil: gauge does
	web       context.Context            // of pages and metrics, while it runs
	metrics   *metricsServer             // nil: they are not served
	bringing  sync.WaitGroup             // all sources' goroutines, and those around the rigs
}

// openDaemon opens everything the settings name, or nothing.
func openDaemon(ctx context.Context, d *daemon) (err error) {
	defer func() {
		if err != nil {
			d.shut()
		}
	}()
	d.up = make(chan struct{})
	if d.committed == nil {
		d.committed = d.gauge.committed
	}
	if err := os.MkdirAll(d.set.Data, 0o770); err != nil {
		return fmt.Errorf("data: %w", err)
	}
	if d.journal, err = journal.Open(filepath.Join(d.set.Data, journalFile), journal.Options{Log: d.log, MaxPending: mostPending(len(d.set.Rigs)), Committed: d.committed}); err != nil {
		return err
	}
	if d.house, err = desk.OpenHouse(d.journal); err != nil {
		return err
	}
	var teller desk.Teller
	if in := d.set.Influx; in != nil {
		if d.outbox, err = publish.OpenOutbox(filepath.Join(d.set.Data, outboxFile)); err != nil {
			return err
		}
		teller = d.outbox
		if d.forward, err = publish.NewForwarder(publish.Options{URL: in.URL, Token: in.Token, Org: in.Org,
			Bucket: in.Bucket, Outbox: d.outbox, Log: d.log}); err != nil {
			return fmt.Errorf("influxdb: %w", err)
		}
	}
	if err := d.openSources(); err != nil {
		return err
	}
	defer spare.sparing(d.readings)()
	for _, set := range d.set.Each() {
		r, err := d.openRig(set, teller)
		if err != nil {
			if d.set.House() {
				err = fmt.Errorf("rig %s: %w", set.Rig, err)
			}
			return err
		}
		d.rigs = append(d.rigs, r)
	}
	if !d.set.House() {
		d.oneRig = d.rigs[0]
	}
	for _, r := range d.rigs {
		r.watching, r.results = newWatching(r), newResults(r)
	}
	if d.page, err = net.Listen("tcp", d.set.Page); err != nil {
		return fmt.Errorf("page: must be a free address of this machine, is %q: %w", d.set.Page, err)
	}
	if err := d.openDoor(); err != nil {
		return fmt.Errorf("door: %w", err)
	}
	if m := d.set.Metrics; m != nil {
		if d.metrics, err = listenMetrics(*m); err != nil {
			return err
		}
	}
	d.control, err = listenControl(d.set.Data)
	return err
}

// readings is how many the journal keeps.
func (d *daemon) readings() int64 { return d.journal.Stats().Readings }

// called is what the door calls what is behind it.
func (d *daemon) called() string {
	if d.set.House() {
		return "the rigs"
	}
	return d.set.Rig
}

// openDoor puts the door before the page: who may read, and over TLS or not.
func (d *daemon) openDoor() error {
	var conf *tls.Config
	if d.set.Door.Certificate != "" {
		var err error
		if conf, err = door.TLS(d.set.Door.Certificate, d.set.Door.Key, d.log); err != nil {
			return err
		}
	}
	d.page = door.Listen(d.page, conf)
	var err error
	d.door, err = door.New(door.Options{
		Passphrase: filepath.Join(d.set.Data, passphraseFile), Sessions: filepath.Join(d.set.Data, sessionsFile),
		ReadingOpen: d.set.Door.Open, Secure: conf != nil, Rig: d.called(), Log: d.log,
	})
	return err
}

// mostPending is how many records may wait for a commit, of so many rigs.
func mostPending(rigs int) int { return max(1<<16, rigs<<10) }

// shut closes what is open, in no order that matters.
func (d *daemon) shut() error {
	var errs []error
	if d.page != nil {
		d.page.Close()
	}
	if d.metrics != nil {
		d.metrics.l.Close()
	}
	if d.control != nil {
		d.control.Close()
	}
	if d.lamp != nil {
		errs = append(errs, d.lamp.Close())
	}
	if d.outbox != nil {
		errs = append(errs, d.outbox.Close())
	}
	if d.journal != nil {
		errs = append(errs, d.journal.Close())
	}
	return errors.Join(errs...)
}

// run works until the context ends, then stops in order: no more readings, what
// is under way kept, pages and publishers last.
func (d *daemon) run(ctx context.Context) error {
	deskCtx, stopDesks := context.WithCancel(context.Background())
	defer stopDesks()
	type end struct {
		r   *oneRig
		err error
	}
	ends := make(chan end, len(d.rigs))
	for _, r := range d.rigs {
		go func() { ends <- end{r, r.keep(deskCtx)} }()
	}
	working := len(d.rigs)
	var failed []error
	ended := func(x end) {
		working--
		if x.err != nil && d.set.House() {
			x.err = fmt.Errorf("rig %s: %w", x.r.set.Rig, x.err)
		}
		failed = append(failed, x.err)
	}
	if err := d.applySettings(ctx); err != nil {
		stopDesks()
		for working > 0 {
			ended(<-ends)
		}
		return errors.Join(err, errors.Join(failed...), d.shut())
	}

	webCtx, stopWeb := context.WithCancel(context.Background())
	defer stopWeb()
	page := d.handler()
	pages := d.serve(door.NewServer(webCtx, d.door.Wrap(page), d.log), d.page)
	ctl := d.serve(&http.Server{
		Handler:           controlHandler(d.locals()...),
		BaseContext:       func(net.Listener) context.Context { return webCtx },
		ReadHeaderTimeout: 10 * time.Second,
		ErrorLog:          slog.NewLogLogger(d.log.Handler(), slog.LevelDebug),
	}, d.control)

	d.working, d.web = ctx, webCtx
	if d.metrics != nil {
		d.metrics.serve(webCtx, d)
	}

	var senders sync.WaitGroup
	for _, s := range d.sources {
		d.bring(ctx, s, d.sink())
	}
	for _, r := range d.rigs {
		for _, s := range r.own {
			d.bring(ctx, s, r)
		}
		d.bringing.Go(func() { r.ear.run(ctx) })
		d.bringing.Go(func() { r.watching.run(ctx) })
		d.bringing.Go(func() { r.results.run(ctx) })
	}
	sendCtx, stopSend := context.WithCancel(context.Background())
	defer stopSend()
	if d.forward != nil {
		senders.Go(func() { _ = d.forward.Run(sendCtx) })
	}

	close(d.up)
	if err := d.manager.Send(notify.Ready, notify.Status(d.status())); err != nil {
		d.log.Warn("the service manager cannot be told", "err", err)
	}
	if h := newHeart(d); h != nil {
		d.bringing.Go(func() { h.run(ctx) })
	}

	for working > 0 && ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case x := <-ends:
			ended(x)
		}
	}
	d.log.Info("stopping")
	_ = d.manager.Send(notify.Stopping)
	d.reloading.Lock() // no reload goes on, or begins
	defer d.reloading.Unlock()
	waitFor(&d.bringing)
	stopDesks()
	for working > 0 {
		ended(<-ends)
	}
	stopSend()
	waitFor(&senders)
	stopWeb()
	stopServing(pages)
	stopServing(ctl)
	if d.metrics != nil {
		stopServing(d.metrics.http)
	}
	return errors.Join(errors.Join(failed...), d.shut())
}

// heard notes a topic of results that a broker keeps.
func (d *daemon) heard(broker, topic string) {
	for _, r := range d.rigs {
		r.results.heard(broker, topic)
	}
}

// handler serves the pages: of a single rig, or of each and of all.
func (d *daemon) handler() http.Handler {
	if d.oneRig != nil {
		return dashboard.New(d.options())
	}
	o := dashboard.HouseOptions{Books: newHousePage(d).options(), Version: version(), Log: d.log, Notices: d.notices}
	for _, r := range d.rigs {
		o.Rigs = append(o.Rigs, r.options())
	}
	return dashboard.NewHouse(o)
}

// locals are the rigs as commands reach them.
func (d *daemon) locals() (out []*local) {
	for _, r := range d.rigs {
		out = append(out, &local{desk: r.desk, journal: d.journal, rig: r.set.Rig, watching: r.watching, daemon: d})
	}
	return out
}

// stopServing lets requests end, but not for long.
func stopServing(s *http.Server) {
	ctx, done := context.WithTimeout(context.Background(), patience)
	defer done()
	if s.Shutdown(ctx) != nil {
		s.Close()
	}
}

func waitFor(wg *sync.WaitGroup) {
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(patience):
	}
}

func (d *daemon) serve(s *http.Server, l net.Listener) *http.Server {
	go func() {
		if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			d.log.Error("no longer serving", "address", l.Addr(), "err", err)
		}
	}()
	return s
}

// bySettings signs acts that a settings file said.
const bySettings = act.BySettings

// applySettings turns what the settings say now, and did not say before, into
// acts.
func (d *daemon) applySettings(ctx context.Context) error {
	defer spare.sparing(d.readings)()
	for _, r := range d.rigs {
		if err := sayAll(ctx, r.desk, r.set, d.clock.Now().Wall); err != nil {
			return err
		}
	}
	return nil
}

// hearsActs is told what settings say.
type hearsActs interface {
	Acts(context.Context) ([]act.Act, error)
	AddActs(context.Context, ...act.Act) (int, error)
}

// sayAll adds acts for whatever in the settings is new since they were last
// said to this journal.
func sayAll(ctx context.Context, to hearsActs, set *settings.Settings, now int64) error {
	_, err := sayNew(ctx, to, set, now)
	return err
}

// sayNew is sayAll, and returns how many there were.
func sayNew(ctx context.Context, to hearsActs, set *settings.Settings, now int64) (int, error) {
	acts, err := to.Acts(ctx)
	if err != nil {
		return 0, err
	}
	type key struct {
		about string
		from  int64
	}
	said := make(map[key]act.Act)
	known := make(map[key][]string) // what stands on a subject, whoever said it
	for _, a := range act.Standing(acts) {
		now = max(now, a.When+1)
		k := key{act.Subject(a.Body), a.From}
		known[k] = append(known[k], a.ID)
		if old, ok := said[k]; a.Who == bySettings && (!ok || a.When >= old.When) {
			said[k] = a
		}
	}
	var fresh []act.Act
	for _, s := range set.Acts {
		k := key{s.Key, s.From}
		if old, ok := said[k]; ok && reflect.DeepEqual(old.Body, s.Body) {
			continue
		}
		fresh = append(fresh, act.Act{ID: newID(), Rig: set.Rig, Who: bySettings, When: now, From: s.From, Body: s.Body, Replaces: known[k]})
	}
	_, err = to.AddActs(ctx, fresh...)
	return len(fresh), err
}

// newID returns an id that no other act anywhere has.
func newID() string {
	var b [12]byte
	rand.Read(b[:])
	return hex.EncodeToString(b[:])
}
