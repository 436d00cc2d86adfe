package main

import (
	"cmp"
	"context"
	"fmt"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/broker"
	"yardtally/ingest/mqttsub"
	"yardtally/ingest/recording"
	"yardtally/ingest/serialport"
	"yardtally/ingest/source"
)

// planned is a source as the settings want it. Two with the same name and an
// equal conf are the same: a reload leaves the one that runs alone.
type planned struct {
	what string // before its name in errors, and in what a reload says
	name string
	conf any // all of the settings that it is made of
	make func() (source.Source, error)
}

// called is how a person knows it.
func (p *planned) called() string {
	if p.what == p.name {
		return p.what
	}
	return p.what + " " + p.name
}

// wired is a source that is made, and what it was made from.
type wired struct {
	source.Source
	of planned

	stop  context.CancelFunc // nil: it does not run yet
	ended chan struct{}
}

// wireUp makes sources; it opens nothing.
func wireUp(plans []planned) (all []*wired, err error) {
	for _, p := range plans {
		s, err := p.make()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.called(), err)
		}
		all = append(all, &wired{Source: s, of: p})
	}
	return all, nil
}

// planOwn is what brings one rig's readings only.
func (d *daemon) planOwn(set *settings.Settings) (all []planned) {
	for _, p := range set.Serial {
		all = append(all, planned{"serial", p.Name, p, func() (source.Source, error) {
			return serialport.New(serialport.Options{Name: p.Name, Path: p.Port, Baud: p.Baud, Rig: set.Rig, Clock: d.clock, Log: d.log})
		}})
	}
	for _, c := range set.Recording {
		all = append(all, planned{"recording", c.Name, c, func() (source.Source, error) {
			return recording.New(recording.SourceOptions{Name: c.Name, Path: c.Path, Rig: set.Rig, Log: d.log})
		}})
	}
	return append(all, d.planWays(set)...)
}

// planShared is what all rigs share, and of a single rig its own before.
func (d *daemon) planShared(set *settings.Settings) (all []planned) {
	all = d.planOwn(set)
	rigs := set.Names()
	for _, m := range set.MQTT {
		all = append(all, planned{"mqtt", m.Name, m, func() (source.Source, error) {
			return mqttsub.New(mqttsub.Options{Name: m.Name, URL: m.URL, ClientID: m.Client, Username: m.User,
				Password: m.Password, Prefix: m.Prefix, Rigs: rigs, Clock: d.clock, Log: d.log,
				Ask: asked(m.Prefix, rigs), Kept: func(topic string) { d.heard(m.Name, topic) }})
		}})
	}
	if b := set.Broker; b != nil {
		conf := *b
		conf.Users = nil // they change while it serves
		all = append(all, planned{"broker", brokerName, conf, func() (source.Source, error) {
			return broker.New(broker.Options{Name: brokerName, Addr: b.Address, Prefix: b.Prefix, Rigs: rigs, Each: b.ConnectionsEach,
				Users: usersOf(set), Clock: d.clock, Log: d.log})
		}})
	}
	return all
}

// brokerName is the name of the embedded broker among the sources.
const brokerName = "broker"

// usersOf are the embedded broker's users.
func usersOf(set *settings.Settings) (users []broker.User) {
	for _, u := range set.Broker.Users {
		users = append(users, broker.User{Name: u.Name, Password: u.Password, Rig: cmp.Or(u.Rig, set.Rig), ReadOnly: u.ReadOnly})
	}
	return users
}

// openSources makes what all rigs share.
func (d *daemon) openSources() (err error) {
	if d.sources, err = wireUp(d.planShared(d.set)); err != nil {
		return err
	}
	d.broker = brokerOf(d.sources)
	return nil
}

// brokerOf finds the embedded broker; nil: there is none.
func brokerOf(all []*wired) *broker.Source {
	for _, s := range all {
		if b, ok := s.Source.(*broker.Source); ok {
			return b
		}
	}
	return nil
}

// shared are the sources that all rigs share, as a value.
func (d *daemon) shared() []*wired {
	d.wiring.RLock()
	defer d.wiring.RUnlock()
	return d.sources
}

// its are the sources of the rig alone, as a value.
func (r *oneRig) its() []*wired {
	r.d.wiring.RLock()
	defer r.d.wiring.RUnlock()
	return r.own
}

// bring runs a source until the context ends, or until it is stopped alone.
func (d *daemon) bring(ctx context.Context, s *wired, to source.Sink) {
	ctx, s.stop = context.WithCancel(ctx)
	s.ended = make(chan struct{})
	d.bringing.Go(func() {
		defer close(s.ended)
		if err := s.Run(ctx, &countingSink{to, &d.gauge}); err != nil && ctx.Err() == nil {
			d.log.Error("a source has stopped for good", "source", s.Name(), "err", err)
		}
	})
}
