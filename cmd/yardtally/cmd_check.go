package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/recording"
	"yardtally/ingest/source"
	"yardtally/meter/ledger"
)

// runCheck says of each thing the settings name whether it would work. It
// changes nothing and may run beside the daemon.
func runCheck(ctx context.Context, e *env, args []string) error {
	fs := flags("check")
	w := where{house: true}
	w.flags(fs)
	example := fs.Bool("example", false, "print settings to start from, every key with a comment, and check nothing")
	listen := fs.Bool("listen", false, "listen at each serial port for some seconds: does it speak?")
	asJSON := fs.Bool("json", false, "print as JSON")
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
	if *asJSON {
		c.out = io.Discard
	}
	err := w.check(ctx, &c, &thisBoard, *listen)
	if *asJSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		err = errors.Join(enc.Encode(c.list), err)
	}
	return err
}

// listenFor is for how long check listens at a port. Boards speak five times a
// second.
const listenFor = 3 * time.Second

// check says of each thing whether it would work.
func (w *where) check(ctx context.Context, c *checker, on *machine, listen bool) error {
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
	if how := asService(os.Geteuid(), w.settings, listen, knownUser); how != "" {
		c.note("user", "this checks as root, to whom everything is allowed, and the service runs as user %s. As that user: %s", serviceUser, how)
	}
	daemon, err := dialDaemon(ctx, w.data)
	running := err == nil
	if running {
		defer daemon.Close()
		c.say("daemon", nil, "is running for rig %s", strings.Join(daemon.rigs, ", "))
	} else {
		daemon = nil
	}
	var state *stateDoc
	if running {
		state = new(stateDoc)
		if err := daemon.state(ctx, state); err != nil {
			c.note("daemon", "what it holds open is not known: %v", err)
			state = nil
		} else {
			checkFaults(c, state)
		}
	}
	err = checkFolder(w.data)
	if err == nil {
		err = checkFiles(w.data)
	}
	c.say("data", err, "%s can be written", w.data)
	views := w.views(ctx, c, err == nil)
	newest := int64(0)
	for _, v := range views {
		newest = max(newest, v.At)
	}
	checkRoom(c, w.data, grownADay(w.data, views))
	on.checkClock(c, newest)
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
		sources += len(set.Serial) + len(set.Recording) + checkWays(ctx, c, set, running)
		for _, p := range set.Serial {
			if state != nil {
				checkHeld(c, state, set.Rig, "serial", p.Name, listen)
				continue
			}
			if running {
				c.note("serial "+p.Name, "%s is the running daemon's", p.Port)
				continue
			}
			wait := time.Duration(0)
			if listen {
				wait = listenFor
			}
			heard, err := checkPort(p.Port, p.Baud, wait)
			if heard != "" {
				heard = ", " + heard
			}
			c.say("serial "+p.Name, err, "%s opens at %d baud%s", p.Port, p.Baud, heard)
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
		if err == nil {
			as := "nobody named"
			if m.User != "" {
				as = "user " + m.User
			}
			c.say("mqtt "+m.Name+" sign-in", checkSignIn(m, w.set.Names()), "%s may read the readings", as)
		}
		if state != nil {
			checkHeld(c, state, "", "mqtt", m.Name, false)
		}
	}
	if b := w.set.Broker; b != nil {
		err := wouldOpen(&settings.Settings{Rig: w.set.Rig, Rigs: w.set.Rigs, Broker: b})
		if err == nil && !running {
			err = checkListen(b.Address)
		}
		if err == nil && state != nil {
			checkHeld(c, state, "", "broker", brokerName, false)
		} else {
			c.say("broker", err, "%s would serve", b.Address)
		}
	}
	if in := w.set.Influx; in != nil {
		err := checkDial(ctx, in.URL)
		c.say("influxdb", err, "%s answers", in.URL)
		if err == nil {
			c.say("influxdb bucket", checkProbe(ctx, in), "%s takes points", in.Bucket)
		}
		checkStore(ctx, c, w.data, daemon)
	}
	for _, set := range each {
		of(set)
		checkSignal(c, set, time.Now(), running)
		checkLine(c, set, time.Now())
	}
	for _, v := range views {
		if set := w.set.Of(v.Rig); set != nil {
			of(set)
			checkSensors(c, v, set.Zone, on.now())
		}
	}
	c.of = ""
	if m := w.set.Metrics; m != nil && !running {
		c.say("metrics", checkListen(m.Address), "%s is free", m.Address)
	}
	if sources == 0 && w.set.Broker == nil {
		c.say("sources", errors.New("must be at least one [[serial]], [[recording]], [[gpio]], [[gpsd]], [[modbus]], [[mqtt]] or [broker], is none"), "")
	}
	if c.bad > 0 {
		return fmt.Errorf("%d of %d things would not work", c.bad, c.all)
	}
	return nil
}

// serviceUser and serviceSettings are what the package's unit runs as, and where
// it has its settings.
const serviceUser, serviceSettings = "yardtally", "/etc/yardtally"

func knownUser(name string) bool {
	_, err := user.Lookup(name)
	return err == nil
}

// asService is the command that checks as the service's user, where root checks
// what that one will run by; else "".
func asService(uid int, file string, listen bool, known func(string) bool) string {
	path, err := filepath.Abs(file)
	if uid != 0 || err != nil || filepath.Dir(path) != serviceSettings || !known(serviceUser) {
		return ""
	}
	how := fmt.Sprintf("sudo -u %s yardtally check -settings %s", serviceUser, path)
	if listen {
		how += " -listen"
	}
	return how
}

// wouldOpen reports whether sources can be made of these settings.
func wouldOpen(set *settings.Settings) error {
	return (&daemon{set: set, clock: source.SystemClock{}}).openSources()
}

// views are what the rigs' ledgers derive: of the running daemon, else of the
// journal, where there is one that can be read.
func (w *where) views(ctx context.Context, c *checker, can bool) (out []*ledger.View) {
	if _, err := os.Stat(filepath.Join(w.data, journalFile)); err != nil || !can {
		return nil
	}
	for _, name := range w.set.Names() {
		b, err := openBackend(ctx, w.data, name, false)
		if err != nil {
			c.note("journal", "what it has of rig %s is not known: %v", name, err)
			continue
		}
		v, err := b.View(ctx)
		if err = errors.Join(err, b.Close()); err != nil {
			c.say("journal", err, "")
			continue
		}
		out = append(out, v)
	}
	return out
}

// checkFaults says what the running daemon says is wrong with it.
func checkFaults(c *checker, st *stateDoc) {
	rigs := slices.Sorted(maps.Keys(st.Faults))
	for _, rig := range rigs {
		for _, text := range st.Faults[rig] {
			c.say("daemon", fmt.Errorf("rig %s: %s", rig, text), "")
		}
	}
	if st.Damage > 0 {
		c.say("journal", mend("yardtally backup FILE (what can be read; keep both)", "%d parts of it cannot be read", st.Damage), "")
	}
	if n := st.Stats.Failures; n > 0 {
		c.note("journal", "%d commits have failed since the daemon started; %d records wait", n, st.Stats.Pending)
	}
}

// state asks the daemon what it holds open.
func (b *remote) state(ctx context.Context, st *stateDoc) error {
	one := *b
	if one.rig == "" {
		one.rig = one.rigs[0] // any of them: it is the whole daemon's
	}
	return one.get(ctx, "state", st)
}

// checked is one thing that was looked at.
type checked struct {
	Rig  string `json:"rig,omitempty"`
	What string `json:"what"`
	How  string `json:"state"` // "works", "fails", "note"
	Text string `json:"text"`
	Mend string `json:"mend,omitempty"` // the command, or what to do
}

type checker struct {
	out      io.Writer
	of       string // before what it says is of, where there are several rigs
	all, bad int
	list     []checked
}

func (c *checker) say(what string, err error, good string, args ...any) {
	c.all++
	x := checked{What: what, How: "works", Text: fmt.Sprintf(good, args...)}
	if err != nil {
		c.bad++
		x.How, x.Text = "fails", err.Error()
		var m mendable
		if errors.As(err, &m) {
			x.Mend = m.mend
		}
	}
	c.put(x)
}

func (c *checker) note(what, text string, args ...any) {
	c.put(checked{What: what, How: "note", Text: fmt.Sprintf(text, args...)})
}

func (c *checker) put(x checked) {
	x.Rig = strings.TrimSuffix(strings.TrimPrefix(c.of, "rig "), ", ")
	c.list = append(c.list, x)
	mark := map[string]string{"works": "works", "fails": "FAILS", "note": "-"}[x.How]
	fmt.Fprintf(c.out, "%-6s %s%s: %s\n", mark, c.of, x.What, x.Text)
	if x.Mend != "" {
		fmt.Fprintf(c.out, "       to mend it: %s\n", x.Mend)
	}
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
		err = fmt.Errorf("must be a folder that can be written, is %s: %w", dir, err)
		switch {
		case errors.Is(err, fs.ErrPermission) && at == dir:
			err = mendable{err, fmt.Sprintf("sudo chown -R %s: %s", userName(), dir)}
		case errors.Is(err, fs.ErrPermission):
			err = mendable{err, fmt.Sprintf("sudo install -d -o %s -m 770 %s", userName(), dir)}
		}
		return err
	}
	_, err = f.Write(make([]byte, 4096)) // a full disk makes files, and fills none
	if err = errors.Join(err, f.Close(), os.Remove(f.Name())); err != nil {
		return fmt.Errorf("must be a folder that can be written, is %s: %w", dir, err)
	}
	return nil
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
