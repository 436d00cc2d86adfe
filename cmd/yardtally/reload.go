package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/signal"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"time"

	"yardtally/cmd/yardtally/notify"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/broker"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
)

// reloaded is what a reload did, in words.
type reloaded struct {
	Done    []string `json:"done"`    // what holds now
	Restart []string `json:"restart"` // what changed and will hold after a restart
}

// settings are those that hold now.
func (d *daemon) settings() *settings.Settings {
	if set := d.now.Load(); set != nil {
		return set
	}
	return d.set
}

// settings are those of the rig that hold now.
func (r *oneRig) settings() *settings.Settings {
	if set := r.now.Load(); set != nil {
		return set
	}
	return r.set
}

// errNoFile says that a daemon was not started from a settings file.
var errNoFile = errors.New("settings: there is no file to read again")

// errStops says that a daemon is about to end.
var errStops = errors.New("the daemon stops")

// reload reads the settings again and has hold what can while the daemon runs.
// Sources whose settings are as they were are not touched. Settings that cannot
// be are refused as a whole: all goes on as before.
func (d *daemon) reload(ctx context.Context) (*reloaded, error) {
	select {
	case <-d.up:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	d.reloading.Lock()
	defer d.reloading.Unlock()
	switch {
	case d.reread == nil:
		return nil, errNoFile
	case d.working.Err() != nil:
		return nil, errStops
	}
	_ = d.manager.Send(notify.Reloading())
	out, err := d.renew(ctx)
	if err != nil {
		d.log.Error("the settings are not read again: all goes on with the old", "err", err)
	} else {
		d.log.Info("the settings are read again", "changed", cmp.Or(strings.Join(out.Done, "; "), "nothing"))
		if len(out.Restart) > 0 {
			d.log.Warn("what changed in the settings and needs a restart", "what", strings.Join(out.Restart, "; "))
		}
	}
	_ = d.manager.Send(notify.Ready, notify.Status(d.status()))
	return out, err
}

// scope is sources that end in one sink.
type scope struct {
	r    *oneRig // nil: all rigs share them
	to   source.Sink
	was  []*wired
	will []*wired // nil: to be kept as it was
	stop []*wired
	said []string
}

// plan settles which sources stay and which come and go; it touches none.
func (s *scope) plan(plans []planned) error {
	left := slices.Clone(s.was)
	var fresh []int
	for _, p := range plans {
		i := slices.IndexFunc(left, func(w *wired) bool {
			return w.of.what == p.what && w.of.name == p.name && reflect.DeepEqual(w.of.conf, p.conf)
		})
		if i >= 0 {
			s.will = append(s.will, left[i])
			left = slices.Delete(left, i, i+1)
			continue
		}
		made, err := wireUp([]planned{p})
		if err != nil {
			return err
		}
		fresh = append(fresh, len(s.will))
		s.will = append(s.will, made[0])
	}
	s.stop = left
	of := ""
	if s.r != nil {
		of = " of rig " + s.r.set.Rig
	}
	gone := map[string]bool{}
	for _, w := range s.stop {
		gone[w.of.called()] = true
	}
	for _, i := range fresh {
		name := s.will[i].of.called()
		if gone[name] {
			s.said = append(s.said, "source "+name+of+" changed")
			delete(gone, name)
		} else {
			s.said = append(s.said, "source "+name+of+" added")
		}
	}
	for _, w := range s.stop {
		if gone[w.of.called()] {
			s.said = append(s.said, "source "+w.of.called()+of+" removed")
		}
	}
	return nil
}

// renew is reload.
func (d *daemon) renew(ctx context.Context) (*reloaded, error) {
	set, err := d.reread()
	if err != nil {
		return nil, err
	}
	was := d.settings()
	if !slices.Equal(set.Names(), d.set.Names()) || set.House() != d.set.House() {
		return nil, fmt.Errorf("rigs: must be %s until a restart, are %s: nothing was changed", strings.Join(d.set.Names(), ", "), strings.Join(set.Names(), ", "))
	}
	out := &reloaded{Done: []string{}, Restart: []string{}}

	// First all that may be refused.
	scopes := []*scope{{to: d.sink(), was: d.shared()}}
	if err := scopes[0].plan(d.planShared(set)); err != nil {
		return nil, err
	}
	if d.set.House() {
		for _, r := range d.rigs {
			s := &scope{r: r, to: r, was: r.its()}
			if err := s.plan(d.planOwn(set.Of(r.set.Rig))); err != nil {
				return nil, fmt.Errorf("rig %s: %w", r.set.Rig, err)
			}
			scopes = append(scopes, s)
		}
	}
	if set.Signal != nil && len(set.Signal.Command) > 0 {
		if _, err := sound.NewCommand(set.Signal.Command, d.log); err != nil {
			return nil, fmt.Errorf("signal: %w", err)
		}
	}
	b := brokerOf(scopes[0].will)
	var users []broker.User
	if b != nil {
		users = usersOf(set)
		if err := b.CheckUsers(users); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
	}
	metrics, err := d.renewMetrics(set.Metrics)
	if err != nil {
		return nil, err
	}

	// Then what is kept.
	for _, r := range d.rigs {
		n, err := sayNew(ctx, r.desk, set.Of(r.set.Rig), d.clock.Now().Wall)
		if err != nil {
			metrics.dropped()
			return nil, fmt.Errorf("rig %s: what the settings say of it could not be kept: %w", r.set.Rig, err)
		}
		if n > 0 {
			text := fmt.Sprintf("%d entries of rig %s are said", n, r.set.Rig)
			if n == 1 {
				text = "1 entry of rig " + r.set.Rig + " is said"
			}
			out.Done = append(out.Done, text)
		}
	}

	// And then what cannot fail.
	d.now.Store(set)
	for _, r := range d.rigs {
		r.now.Store(set.Of(r.set.Rig))
	}
	wires := false
	for _, s := range scopes {
		wires = wires || len(s.said) > 0
		out.Done = append(out.Done, s.said...)
		d.rewire(s)
	}
	d.broker = b
	if b != nil && was.Broker != nil && !reflect.DeepEqual(was.Broker.Users, set.Broker.Users) {
		if err := b.SetUsers(users); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
		out.Done = append(out.Done, "broker's users changed")
	}
	if wires {
		d.rebox()
	}
	if wires || !reflect.DeepEqual(was.Signal, set.Signal) {
		for _, r := range d.rigs {
			if err := r.retune(); err != nil {
				return nil, err
			}
		}
		if !reflect.DeepEqual(was.Signal, set.Signal) {
			out.Done = append(out.Done, "signal changed")
		}
	}
	if was.Log != set.Log {
		d.setLog(set)
		out.Done = append(out.Done, "log changed")
	}
	out.Done = append(out.Done, metrics.apply(d)...)
	for _, x := range []struct {
		name     string
		old, new any
	}{{"units", was.Units, set.Units}, {"zone", was.Zone.String(), set.Zone.String()}, {"books", was.Books, set.Books}} {
		if !reflect.DeepEqual(x.old, x.new) {
			out.Done = append(out.Done, x.name+" changed")
		}
	}

	// What a running daemon cannot change is held against what it was started with.
	for _, x := range []struct {
		name     string
		old, new any
		secret   bool
	}{
		{"data", d.set.Data, set.Data, false}, {"page", d.set.Page, set.Page, false}, {"door", d.set.Door, set.Door, true},
		{"influxdb", d.set.Influx, set.Influx, true},
	} {
		switch {
		case reflect.DeepEqual(x.old, x.new):
		case x.secret:
			out.Restart = append(out.Restart, x.name)
		default:
			out.Restart = append(out.Restart, fmt.Sprintf("%s: is %q, will be %q", x.name, x.old, x.new))
		}
	}
	if set.Signal != nil && set.Signal.Pin != nil && d.lamp != nil && d.lampPin != *set.Signal.Pin {
		out.Restart = append(out.Restart, "signal.pin")
	}
	return out, nil
}

// rewire stops what goes, then starts what comes: the one may have the port
// that the other wants. A source that does not end in time is left to end.
func (d *daemon) rewire(s *scope) {
	for _, w := range s.stop {
		if w.stop != nil {
			w.stop()
		}
	}
	for _, w := range s.stop {
		if w.ended == nil {
			continue
		}
		select {
		case <-w.ended:
		case <-time.After(patience):
			d.log.Warn("a source does not end; it is left to itself", "source", w.Name())
		}
	}
	d.wiring.Lock()
	if s.r == nil {
		for _, r := range d.rigs {
			r.hears(s.will)
		}
	}
	if s.r != nil {
		s.r.own = s.will
	} else {
		d.sources = s.will
	}
	d.wiring.Unlock()
	for _, w := range s.will {
		if w.stop == nil {
			d.bring(d.working, w, s.to)
		}
	}
}

// rebox has alarms and results go to the brokers that there are now.
func (d *daemon) rebox() {
	for _, r := range d.rigs {
		r.watching.setBoxes(d.postboxes())
		r.results.setBoxes(d.postboxes())
	}
}

// metricsChange is how the serving of metrics is to change.
type metricsChange struct {
	set   *settings.Metrics // nil: they are not to be served
	fresh *metricsServer    // that has its address already
	keep  bool
}

// renewMetrics takes the new address, if it is another.
func (d *daemon) renewMetrics(set *settings.Metrics) (c metricsChange, err error) {
	c.set = set
	old := d.metrics
	switch {
	case old == nil && set == nil, old != nil && set != nil && old.set == *set:
		c.keep = true
	case set != nil && (old == nil || old.set.Address != set.Address):
		c.fresh, err = listenMetrics(*set)
	}
	return c, err
}

func (c *metricsChange) dropped() {
	if c.fresh != nil {
		c.fresh.l.Close()
	}
}

func (c *metricsChange) apply(d *daemon) []string {
	if c.keep {
		return nil
	}
	if d.metrics != nil {
		stopServing(d.metrics.http)
		d.metrics = nil
	}
	if c.set == nil {
		return []string{"metrics are served no more"}
	}
	if c.fresh == nil { // the same address, another token
		var err error
		if c.fresh, err = listenMetrics(*c.set); err != nil {
			d.log.Error("metrics are not served", "err", err)
			return []string{"metrics are not served: " + err.Error()}
		}
	}
	d.metrics = c.fresh
	d.metrics.serve(d.web, d)
	return []string{"metrics changed"}
}

// hearHangups reloads at each SIGHUP until the context ends.
func (d *daemon) hearHangups(ctx context.Context) {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	defer signal.Stop(c)
	for {
		select {
		case <-ctx.Done():
			return
		case <-c:
			_, _ = d.reload(ctx) // the log has it
		}
	}
}

// runReload has the running daemon read its settings again.
func runReload(ctx context.Context, e *env, args []string) error {
	fs := flags("reload")
	var w where
	w.house = true
	w.flags(fs)
	asJSON := fs.Bool("json", false, "answer as JSON")
	also(fs, "\nYards, provings, tote and the like, sources, the broker's users, signal, log and metrics\nhold at once; sources whose settings are as they were are not touched. Folder, page,\ndoor and InfluxDB need a restart, and the answer says so. Settings that cannot be are\nrefused as a whole. SIGHUP does the same.\n")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := w.find(); err != nil {
		return err
	}
	r, err := dialDaemon(ctx, w.data)
	if err != nil {
		return fmt.Errorf("data: must be the folder of a running daemon, is %s (where the settings name another than it was started with, name that with -data): %w", w.data, err)
	}
	defer r.Close()
	var out reloaded
	resp, err := r.call(ctx, http.MethodPost, "reload", nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&out); err != nil {
		return fmt.Errorf("the running daemon broke off: %w", err)
	}
	if *asJSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(out)
	}
	if len(out.Done)+len(out.Restart) == 0 {
		fmt.Fprintln(e.out, "Nothing in the settings has changed.")
	}
	for _, text := range out.Done {
		fmt.Fprintln(e.out, "now     "+text)
	}
	for _, text := range out.Restart {
		fmt.Fprintln(e.out, "restart "+text)
	}
	return nil
}
