package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/recording"
	"yardtally/ingest/serialport"
	"yardtally/ingest/source"
)

// runCheck says of each thing the settings name whether it would work. It
// changes nothing and may run beside the daemon.
func runCheck(ctx context.Context, e *env, args []string) error {
	fs := flags("check")
	w := where{house: true}
	w.flags(fs)
	example := fs.Bool("example", false, "print settings to start from, every key with a comment, and check nothing")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if *example {
		_, err := io.WriteString(e.out, settings.Example)
		return err
	}
	if err := w.findSettings(); err != nil {
		return err
	}
	c := checker{out: e.out}
	each := w.set.Each()
	// of has what is said be of one rig, where there are several.
	of := func(set *settings.Settings) {
		if w.set.House() {
			c.of = "rig " + set.Rig + ", "
		}
	}
	for _, set := range each {
		of(set)
		c.say("settings", nil, "%s: rig %s; yards: %d; provings: %d", w.settings, set.Rig, count(set, "yard "), count(set, "proving"))
		if count(set, "proving") == 0 {
			c.say("provings", errors.New("must be at least one, or pulses cannot be turned into volume"), "")
		}
	}
	c.of = ""
	daemon, err := dialDaemon(ctx, w.data)
	running := err == nil
	if running {
		defer daemon.Close()
		c.say("daemon", nil, "is running for rig %s", strings.Join(daemon.rigs, ", "))
	} else {
		daemon = nil
	}
	c.say("data", checkFolder(w.data), "%s can be written", w.data)
	if running {
		c.note("page", "%s is the running daemon's", w.set.Page)
	} else {
		c.say("page", checkListen(w.set.Page), "%s is free", w.set.Page)
	}
	if dr := w.set.Door; dr.Certificate != "" {
		_, err := door.TLS(dr.Certificate, dr.Key, slog.New(slog.DiscardHandler))
		c.say("door", err, "%s and its key fit", dr.Certificate)
	}
	if _, err := os.Stat(filepath.Join(w.data, passphraseFile)); err != nil && !w.set.Door.Open {
		c.note("passphrase", "none is set, so the page will show no readings: yardtally passphrase")
	}
	sources := len(w.set.MQTT)
	for _, set := range each {
		of(set)
		sources += len(set.Serial) + len(set.Recording) + checkWays(ctx, &c, set, running)
		for _, p := range set.Serial {
			if running {
				c.note("serial "+p.Name, "%s is the running daemon's", p.Port)
				continue
			}
			c.say("serial "+p.Name, checkPort(p.Port, p.Baud), "%s opens at %d baud", p.Port, p.Baud)
		}
		for _, r := range set.Recording {
			f, _, err := recording.Open(r.Path)
			if err == nil {
				err = f.Close()
			}
			c.say("recording "+r.Name, err, "%s can be read", r.Path)
		}
	}
	c.of = ""
	for _, m := range w.set.MQTT {
		err := wouldOpen(&settings.Settings{Rig: w.set.Rig, Rigs: w.set.Rigs, MQTT: []settings.MQTT{m}})
		if err == nil {
			err = checkDial(ctx, m.URL)
		}
		c.say("mqtt "+m.Name, err, "%s answers", m.URL)
	}
	if b := w.set.Broker; b != nil {
		err := wouldOpen(&settings.Settings{Rig: w.set.Rig, Rigs: w.set.Rigs, Broker: b})
		if err == nil && !running {
			err = checkListen(b.Address)
		}
		c.say("broker", err, "%s would serve", b.Address)
	}
	if in := w.set.Influx; in != nil {
		c.say("influxdb", checkDial(ctx, in.URL), "%s answers", in.URL)
		checkStore(ctx, &c, w.data, daemon)
	}
	for _, set := range each {
		of(set)
		checkSignal(&c, set, time.Now())
		checkLine(&c, set, time.Now())
	}
	c.of = ""
	if sources == 0 && w.set.Broker == nil {
		c.say("sources", errors.New("must be at least one [[serial]], [[recording]], [[gpio]], [[gpsd]], [[modbus]], [[mqtt]] or [broker], is none"), "")
	}
	if c.bad > 0 {
		return fmt.Errorf("%d of %d things would not work", c.bad, c.all)
	}
	return nil
}

// wouldOpen reports whether sources can be made of these settings.
func wouldOpen(set *settings.Settings) error {
	return (&daemon{set: set, clock: source.SystemClock{}}).openSources()
}

type checker struct {
	out      io.Writer
	of       string // before what it says is of, where there are several rigs
	all, bad int
}

func (c *checker) say(what string, err error, good string, args ...any) {
	c.all++
	if err != nil {
		c.bad++
		fmt.Fprintf(c.out, "FAILS  %s%s: %v\n", c.of, what, err)
		return
	}
	fmt.Fprintf(c.out, "works  %s%s: %s\n", c.of, what, fmt.Sprintf(good, args...))
}

func (c *checker) note(what, text string, args ...any) {
	fmt.Fprintf(c.out, "-      %s%s: %s\n", c.of, what, fmt.Sprintf(text, args...))
}

func count(s *settings.Settings, key string) int {
	n := 0
	for _, a := range s.Acts {
		if len(a.Key) >= len(key) && a.Key[:len(key)] == key {
			n++
		}
	}
	return n
}

// checkFolder reports whether files can be made in a folder, or in the nearest
// one above it that exists.
func checkFolder(dir string) error {
	at := dir
	for {
		info, err := os.Stat(at)
		if err == nil && !info.IsDir() {
			return fmt.Errorf("must be a folder, is a file: %s", at)
		}
		if err == nil {
			break
		}
		if !errors.Is(err, fs.ErrNotExist) || filepath.Dir(at) == at {
			return err
		}
		at = filepath.Dir(at)
	}
	f, err := os.CreateTemp(at, ".yardtally-check-*")
	if err != nil {
		var pe *fs.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return fmt.Errorf("must be a folder that can be written, is %s: %w", dir, err)
	}
	f.Close()
	return os.Remove(f.Name())
}

func checkListen(addr string) error {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("must be a free address of this machine, is %q: %w", addr, err)
	}
	return l.Close()
}

// checkDial reports whether something answers at a URL's host and port.
func checkDial(ctx context.Context, raw string) error {
	u, err := url.Parse(raw)
	if err != nil || u.Host == "" {
		return fmt.Errorf("url: must be like tcp://host:1883 or http://host:8086, is %q", raw)
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"tcp": "1883", "mqtt": "1883", "ssl": "8883", "mqtts": "8883", "http": "80", "https": "443", "ws": "80", "wss": "443"}[u.Scheme]
	}
	d := net.Dialer{Timeout: 3 * time.Second}
	c, err := d.DialContext(ctx, "tcp", net.JoinHostPort(u.Hostname(), port))
	if err != nil {
		return fmt.Errorf("nobody answers at %s: %w", raw, err)
	}
	return c.Close()
}

// checkPort opens a serial port and closes it again.
func checkPort(path string, baud int) error {
	p, err := serialport.OpenPort(path, baud)
	if err != nil {
		return err
	}
	return p.Close()
}
