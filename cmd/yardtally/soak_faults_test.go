package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
)

// soakFault is one that goes on from an instant to another.
type soakFault struct {
	kind     string
	from, to time.Time
}

// next deals a kind of fault: each comes before any comes again.
func (s *soak) next() string {
	if len(s.deck) == 0 {
		kinds := soakDeaths
		if s.living() {
			kinds = soakLife
		}
		s.deck = slices.Clone(kinds)
		s.rng.Shuffle(len(s.deck), func(i, k int) { s.deck[i], s.deck[k] = s.deck[k], s.deck[i] })
	}
	k := s.deck[0]
	s.deck = s.deck[1:]
	if k == soakFull && !s.disk {
		return s.next()
	}
	return k
}

// faults deals those of a night, one after the other.
func (s *soak) faults(from, to time.Time) (out []soakFault) {
	slot := to.Sub(from) / time.Duration(s.form.each)
	part := func(d time.Duration) time.Duration { return time.Duration(s.rng.Float64() * float64(d)) }
	for i := range s.form.each {
		at := from.Add(time.Duration(i)*slot + part(slot/2))
		out = append(out, soakFault{s.next(), at, at.Add(5*time.Second + part(slot*4/10))})
	}
	return out
}

// night is a night of feeding, and what befalls the daemon in it.
func (s *soak) night(i int, n *rigsim.Scenario) (rigsim.Truth, error) {
	s.idle(n.Start)
	s.nights = i
	switch i {
	case s.form.killed + 1:
		s.deck = nil
		s.count[soakExchange]++
		s.change(s.board.Boots - 20)
	case s.form.killed + 2:
		s.count[soakRestart]++
		s.change(s.board.Boots + 1)
	}
	n.Meter = s.board
	n.Meter.Uptime += n.Start.Sub(s.boardAt)
	rig, err := rigsim.New(*n)
	if err != nil {
		return rigsim.Truth{}, err
	}
	said := thinned(rig)
	faults := s.faults(said[0].At, said[len(said)-1].At)
	on, levelled := false, said[0].At
	for _, m := range said {
		for len(faults) > 0 {
			f := &faults[0]
			if !on && !m.At.Before(f.from) {
				on = true
				s.count[f.kind]++
				s.begins(f)
			}
			if !on || m.At.Before(f.to) {
				break
			}
			s.ends(f)
			on, faults = false, faults[1:]
		}
		s.say(m)
		if m.At.Sub(levelled) >= s.form.ahead { // what is read later is stamped later
			s.level()
			levelled = m.At
		}
		for k := range m.Readings {
			if m.Readings[k].Channel == meter.Lat {
				s.last.Readings = soakOnly(m, []meter.Channel{meter.Lat, meter.Lon}).Readings
			}
		}
	}
	if on {
		s.ends(&faults[0])
	}
	s.step(0) // by morning its clock is right
	s.level()
	t := rig.Truth()
	s.board.Count = t.Count
	s.board.Uptime, s.boardAt = n.Meter.Uptime, n.Start
	s.fills = append(s.fills, t.Fills...)
	s.tote = t.Tote
	return t, nil
}

// thinned is what a rig says, the counter once a second while nothing flows.
func thinned(rig *rigsim.Rig) (out []rigsim.Said) {
	var at time.Time
	count := -1.0
	for m := range rig.All() {
		for _, x := range m.Readings {
			if x.Channel != meter.Pulses || len(m.Readings) > 2 {
				continue
			}
			if x.Value == count && m.At.Sub(at) < time.Second {
				m.Readings = nil
				break
			}
			count, at = x.Value, m.At
		}
		if len(m.Readings) > 0 {
			out = append(out, m)
		}
	}
	return out
}

func (s *soak) begins(f *soakFault) {
	t := s.t
	wire := func(serial bool) { s.silences = append(s.silences, soakSilence{f.from, f.to, serial}) }
	switch f.kind {
	case soakUnplug:
		wire(true)
		s.level()
		s.unplug()
		s.await("the line to be missed", func() bool { return s.slate.Open.Load()&1 == 0 })
	case soakBroker:
		wire(false)
		s.level()
		s.broker.rig.Disconnect(100)
		s.broker.up = false
		s.broker.stop()
		s.await("the broker to be missed", func() bool { return s.slate.Open.Load()&2 == 0 })
	case soakStoreOut:
		s.store.down()
	case soakStep:
		steps := []time.Duration{37 * 24 * time.Hour, -37 * 24 * time.Hour, 3 * time.Hour, -3 * time.Hour, 2 * time.Minute, -2 * time.Minute}
		s.step(steps[s.rng.IntN(len(steps))])
	case soakFull:
		s.level()
		s.fill()
	case soakKill, soakReboot:
		wire(true)
		s.v.signal(t, syscall.SIGKILL)
	case soakTerm:
		wire(true)
		if err := s.v.signal(t, syscall.SIGTERM); err != nil {
			t.Errorf("restarted, it did not end well: %v", err)
		}
	case soakReader:
		s.hang()
	case soakReload:
		s.level()
		was := [2]int64{s.slate.Fresh[0].Load(), s.slate.Fresh[1].Load()}
		s.writeSettings()
		if err := s.v.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		s.await("the settings to be read again", func() bool { return s.slate.Fresh[0].Load() > was[0] && s.slate.Fresh[1].Load() > was[1] })
		s.listens()
	}
}

func (s *soak) ends(f *soakFault) {
	switch f.kind {
	case soakUnplug:
		s.plug()
		s.listens()
	case soakBroker:
		s.broker.serve()
		s.connect()
		s.broker.up = true
		s.listens()
	case soakStoreOut:
		s.store.up()
	case soakStep:
		s.step(0)
	case soakFull:
		if err := os.Remove(s.ballast()); err != nil {
			s.t.Fatal(err)
		}
		s.await("all to be kept again", func() bool { return s.slate.Faults.Load() == 0 })
	case soakKill, soakTerm:
		s.wake()
	case soakReboot:
		s.boot()
		s.slate.Off.Store(0)
		s.wake()
	}
}

// plug puts a new serial line in the place of the one before.
func (s *soak) plug() {
	var err error
	if s.near, s.far, err = pty.Open(); err == nil {
		err = os.Symlink(s.far.Name(), s.port)
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *soak) unplug() {
	if s.near == nil {
		return
	}
	if err := errors.Join(os.Remove(s.port), s.far.Close(), s.near.Close()); err != nil {
		s.t.Error(err)
	}
	s.near = nil
}

func (s *soak) ballast() string { return filepath.Join(s.data, "ballast") }

// fill fills the disk to its last byte.
func (s *soak) fill() {
	f, err := os.Create(s.ballast())
	if err != nil {
		s.t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 64<<10); len(block) > 0; {
		if _, err = f.Write(block); err != nil {
			block = block[:len(block)/2]
		}
	}
	if !errors.Is(err, syscall.ENOSPC) {
		s.t.Fatal(err)
	}
}

// hang opens pages' event streams and reads nothing of them.
func (s *soak) hang() {
	for range 4 {
		c, err := net.Dial("tcp", s.page)
		if err == nil {
			_, err = fmt.Fprintf(c, "GET /live HTTP/1.1\r\nHost: %s\r\n\r\n", s.page)
		}
		if err != nil {
			s.t.Fatal(err)
		}
		s.readers = append(s.readers, c)
	}
}

func (s *soak) closeReaders() {
	if len(s.readers) == 0 {
		return
	}
	for _, c := range s.readers {
		c.Close()
	}
	s.readers = nil
	time.Sleep(100 * time.Millisecond) // for the daemon to be told
}

// doubtful is how much flowed into a yard while a wire was silent, or so near to
// that that its yard may be missed; "" is what may have missed any.
func (s *soak) doubtful(yard string) (sum quantity.Volume) {
	for i := range s.fills {
		f := &s.fills[i]
		if yard != "" && f.Yard != yard {
			continue
		}
		for _, x := range s.silences {
			before, after := 15*time.Second, 15*time.Second
			if !x.serial { // a position holds for a while, and an arrival may be missed
				before, after = 30*time.Second, 5*time.Minute
			}
			if f.Start.Before(x.to.Add(after)) && f.End.Add(10*time.Second).After(x.from.Add(-before)) {
				sum += quantity.Volume(f.Settled-f.First) * s.pulse
				break
			}
		}
	}
	return sum
}

// otherBrokerAt is an in-process broker that is stopped and started at an address.
func otherBrokerAt(t testing.TB, addr string) (serve, stop func()) {
	var s *broker.Server
	return func() {
			s = broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
			err := s.AddHook(new(auth.AllowHook), nil)
			if err == nil {
				var l net.Listener
				if l, err = net.Listen("tcp", addr); err == nil {
					if err = s.AddListener(listeners.NewNet("rigs", l)); err == nil {
						err = s.Serve()
					}
				}
			}
			if err != nil {
				t.Fatal(err)
			}
		}, func() {
			if s != nil {
				s.Close()
				s = nil
			}
		}
}
