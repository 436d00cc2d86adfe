package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/sys/unix"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/journal"
	"yardtally/ingest/publish"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/ledger"
	"yardtally/meter/sensor"
)

// machine is what check asks of the machine.
type machine struct {
	now    func() time.Time
	synced func() (bool, error) // whether the kernel's clock follows another
}

var thisBoard = machine{now: time.Now, synced: clockSynced}

// clockSynced asks the kernel, adjtimex(2): STA_UNSYNC is set while nobody keeps
// the clock.
func clockSynced() (bool, error) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return false, err
	}
	return t.Status&unix.STA_UNSYNC == 0, nil
}

// beforeUs is a time before which this program was not written.
var beforeUs = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// checkClock holds the clock against what is certain: the program's age, and the
// newest record, Unix ns by the rig's time (0: none).
func (b *machine) checkClock(c *checker, newest int64) {
	now := b.now()
	set := fmt.Sprintf("sudo timedatectl set-time '%s' (with the true time; a battery for the board's clock, or satellites, for good)", time.Unix(0, max(newest, beforeUs.UnixNano())).Local().Format("2006-01-02 15:04:05"))
	say := now.Format("2006-01-02 15:04:05 -07:00")
	switch {
	case now.Before(beforeUs):
		c.say("clock", mend(set, "must be later than this program was written, is %s", say), "")
		return
	case newest != 0 && now.UnixNano() < newest-int64(time.Minute):
		c.say("clock", mend(set, "must be later than the newest record, of %s, is %s", time.Unix(0, newest).Local().Format("2006-01-02 15:04:05 -07:00"), say), "")
		return
	}
	c.say("clock", nil, "%s can be", say)
	switch synced, err := b.synced(); {
	case err != nil:
		c.note("clock", "whether it follows another is not known: %v", err)
	case !synced:
		c.note("clock", "follows no other; where there is a network: sudo timedatectl set-ntp true. Satellites and phones are gone by anyway")
	}
}

// Room that is too little. Judgement: a night writes some megabytes.
const (
	leastRoom = 32 << 20
	scantRoom = 200 << 20
	leastDays = 7.0
	scantDays = 30.0
)

// checkRoom says how long what is left of the disk will do at the rate at which
// the journal has grown; grown is its bytes a day, 0 where that is not known.
func checkRoom(c *checker, dir string, grown float64) {
	var st unix.Statfs_t
	at := dir
	for unix.Statfs(at, &st) != nil {
		if filepath.Dir(at) == at {
			return
		}
		at = filepath.Dir(at)
	}
	left, all := float64(st.Bavail)*float64(st.Bsize), float64(st.Blocks)*float64(st.Bsize)
	if all == 0 {
		return // no disk at all, such as /proc
	}
	text := fmt.Sprintf("%s of %s are free", sayRoom(left), sayRoom(all))
	days := math.Inf(1)
	if grown > 0 {
		days = left / grown
		text += fmt.Sprintf(", which is %s days at %s a day", sayDays(days), sayRoom(grown))
	}
	how := fmt.Sprintf("yardtally backup FILE on another disk, then delete what is not Yardtally's: sudo du -xh --max-depth=2 %s | sort -h | tail", mountOf(at))
	switch {
	case left < leastRoom || days < leastDays:
		c.say("disk", mend(how, "must have room for a week, %s at least: %s", sayRoom(leastRoom), text), "")
	case left < scantRoom || days < scantDays:
		c.note("disk", "nearly full: %s. %s", text, how)
	default:
		c.say("disk", nil, "%s", text)
	}
}

func sayRoom(n float64) string {
	switch {
	case n < 1e6:
		return fmt.Sprintf("%.0f kB", n/1e3)
	case n < 1e9:
		return fmt.Sprintf("%.0f MB", n/1e6)
	}
	return fmt.Sprintf("%.1f GB", n/1e9)
}

func sayDays(d float64) string {
	if d > 3650 {
		return "over 3650"
	}
	return fmt.Sprintf("%.0f", d)
}

// mountOf is the folder that a disk is mounted at.
func mountOf(dir string) string {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "/"
	}
	var st unix.Stat_t
	if unix.Stat(dir, &st) != nil {
		return "/"
	}
	for dir != "/" {
		var up unix.Stat_t
		if unix.Stat(filepath.Dir(dir), &up) != nil || up.Dev != st.Dev {
			break
		}
		dir = filepath.Dir(dir)
	}
	return dir
}

// checkFiles says which files in the data folder this user may not write, and
// which secrets others may read.
func checkFiles(dir string) error {
	for _, name := range []string{journalFile, journalFile + "-wal", outboxFile, outboxFile + "-wal", passphraseFile, sessionsFile} {
		path := filepath.Join(dir, name)
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		case denied(path):
			return mend(fmt.Sprintf("sudo chown -R %s: %s", userName(), dir), "user %s must be able to write %s (was it made by sudo, or by another user?)", userName(), path)
		case (name == passphraseFile || name == sessionsFile) && info.Mode().Perm()&0o007 != 0:
			return mend("chmod 640 "+path, "%s must not be for everybody to read or write, is of mode %04o", path, info.Mode().Perm())
		}
	}
	return nil
}

// grownADay is by how many bytes a day the journal has grown since it began, as
// far as the views tell; 0: not known.
func grownADay(dir string, views []*ledger.View) float64 {
	bytes := 0.0
	for _, name := range []string{journalFile, journalFile + "-wal", outboxFile} {
		if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
			bytes += float64(info.Size())
		}
	}
	first, last := int64(math.MaxInt64), int64(0)
	for _, v := range views {
		if len(v.Outings) > 0 {
			first = min(first, v.Outings[0].From)
			last = max(last, v.At)
		}
	}
	days := float64(last-first) / float64(24*time.Hour)
	if last == 0 || days < 1 { // a day at least, or the first night would seem to be every hour
		return 0
	}
	return bytes / days
}

// Temperatures beyond which syrup or air are not: the sensor is. Judgement.
const (
	coldest = -30.0
	hottest = 70.0
	silence = 10 * time.Minute // a channel that others have outlived by so much
)

// checkSensors says what is the matter with channels, by the newest readings.
func checkSensors(c *checker, v *ledger.View, zone *time.Location, now time.Time) {
	if v.At == 0 {
		c.note("sensors", "nothing has been kept yet")
		return
	}
	at := func(ns int64) string { return time.Unix(0, ns).In(zone).Format("2006-01-02 15:04") }
	bad := false
	say := func(ch fmt.Stringer, how, format string, args ...any) {
		bad = true
		c.say("sensor "+ch.String(), mend(how, format, args...), "")
	}
	wire := "look at its plug and wire"
	ill := map[meter.Channel]bool{}
	for _, h := range v.Health {
		if h.To != 0 || ill[h.Channel] {
			continue
		}
		ill[h.Channel] = true
		value := fmt.Sprintf("%.4g %s", h.Value, h.Channel.Unit())
		switch h.What {
		case sensor.Stuck:
			say(h.Channel, wire+"; a level sensor: wipe its face", "is stuck at %s since %s", value, at(h.From))
		case sensor.Absent:
			say(h.Channel, wire, "is silent since %s, while others speak; it said %s last", at(h.From), value)
		case sensor.Noisy:
			say(h.Channel, wire+", and keep it away from the pump's", "is noisy since %s: it jumps by %s as a rule", at(h.From), value)
		default:
			say(h.Channel, wire+"; check what kind of sensor [tote] says it is", "says what cannot be since %s, as far as %s", at(h.From), value)
		}
	}
	for _, x := range []struct {
		ch   meter.Channel
		last ledger.Last
	}{{meter.Syrup, v.Syrup}, {meter.Air, v.Air}} {
		switch {
		case !x.last.Has || ill[x.ch]:
		case x.last.Value < coldest || x.last.Value > hottest:
			say(x.ch, wire, "must be between %g and %g °C, is %.4g °C at %s", coldest, hottest, x.last.Value, at(x.last.At))
		case v.At-x.last.At > int64(silence):
			say(x.ch, wire, "is silent since %s, while others spoke until %s", at(x.last.At), at(v.At))
		}
	}
	if t := &v.Tote; !ill[meter.Headspace] && !ill[meter.Head] {
		again := "yardtally strap (learns the strapping from the meter); check sensor and strapping of [tote]"
		switch {
		case t.Known && t.Capacity > 0 && float64(t.Volume) > 1.05*float64(t.Capacity):
			bad = true
			c.say("level", mend(again, "must be within the tote's capacity of %.0f L, is %.0f L by strapping (level %.3f m)", t.Capacity.Litres(), t.Volume.Litres(), float64(t.Level)), "")
		case !t.Known && t.Why != "" && t.At != 0:
			bad = true
			c.say("level", mend(again, "must tell what is in the tote, and does not: %s", t.Why), "")
		case t.Known && v.At-t.At > int64(silence):
			bad = true
			c.say("level", mend(wire, "is silent since %s, while others spoke until %s", at(t.At), at(v.At)), "")
		}
	}
	if !bad {
		c.say("sensors", nil, "what they said until %s can be", at(v.At))
	}
	if d := now.Sub(time.Unix(0, v.At)); d > 24*time.Hour {
		c.note("sensors", "that is %.0f days ago", d.Hours()/24)
	}
}

// signInLimit is how long a broker has for each answer.
const signInLimit = 5 * time.Second

// checkSignIn signs in at a broker beside the daemon, and asks for the topics
// that it would.
func checkSignIn(m settings.MQTT, rigs []string) error {
	prefix, rig := m.Prefix, rigs[0]
	topic := prefix + "/" + rig + "/readings"
	if len(rigs) > 1 {
		topic = prefix + "/+/readings"
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(m.URL).SetProtocolVersion(4).SetClientID(m.Client + "-check").
		SetUsername(m.User).SetPassword(m.Password).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(signInLimit))
	k := c.Connect()
	if !k.WaitTimeout(signInLimit) {
		return fmt.Errorf("the broker at %s does not answer within %v: is it one?", m.URL, signInLimit)
	}
	if err := k.Error(); errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) || errors.Is(err, packets.ErrorRefusedNotAuthorised) {
		return mend("set user and password_file under [[mqtt]] to what the broker knows", "the broker refuses user %q or its password", m.User)
	} else if err != nil {
		return fmt.Errorf("%s: %w", m.URL, err)
	}
	defer c.Disconnect(100)
	s := c.Subscribe(topic, 1, nil).(*mqtt.SubscribeToken)
	if !s.WaitTimeout(signInLimit) {
		return fmt.Errorf("the broker does not answer the subscription of %s", topic)
	}
	if s.Error() != nil || s.Result()[topic] > 2 {
		return mend(fmt.Sprintf("let user %q read %s at the broker", m.User, topic), "the broker refuses the subscription of %s", topic)
	}
	return nil
}

// checkProbe asks the InfluxDB whether it would take points.
func checkProbe(ctx context.Context, in *settings.Influx) error {
	err := publish.Probe(ctx, publish.Options{URL: in.URL, Token: in.Token, Org: in.Org, Bucket: in.Bucket})
	var p *publish.Probed
	if !errors.As(err, &p) {
		return err
	}
	switch p.What {
	case "token":
		return mendable{err, "put a token that may write into token_file under [influxdb]: influx auth create --write-buckets (InfluxDB 1.8: \"user:password\")"}
	case "bucket":
		return mendable{err, fmt.Sprintf("influx bucket create -n %s (InfluxDB 1.8: CREATE DATABASE)", in.Bucket)}
	}
	return err
}

// stateDoc is what a running daemon says of what it holds open.
type stateDoc struct {
	Sources []sourceDoc         `json:"sources"`
	Faults  map[string][]string `json:"faults"` // by rig
	Damage  int                 `json:"damage"` // parts of the journal
	Stats   journal.Stats       `json:"stats"`
}

type sourceDoc struct {
	Rig     string  `json:"rig,omitempty"` // "": all rigs share it
	What    string  `json:"what"`
	Name    string  `json:"name"`
	Phase   string  `json:"phase"`
	Err     string  `json:"err,omitempty"`
	AgeS    float64 `json:"age_s"` // since it brought something; below 0: it never did
	Dropped uint64  `json:"dropped"`
	Addr    string  `json:"addr,omitempty"` // that it serves at
}

// state is that of this daemon.
func (d *daemon) state() *stateDoc {
	out := &stateDoc{Faults: map[string][]string{}, Damage: len(d.journal.Damage()), Stats: d.journal.Stats()}
	add := func(s *wired, rig string) {
		st := s.State()
		doc := sourceDoc{Rig: rig, What: s.of.what, Name: s.Name(), Phase: string(st.Phase), Err: st.Err, AgeS: -1}
		if !st.LastAt.IsZero() {
			doc.AgeS = time.Since(st.LastAt).Seconds()
		}
		for _, n := range st.Dropped {
			doc.Dropped += n
		}
		if b, ok := s.Source.(interface{ Addr() string }); ok {
			doc.Addr = b.Addr()
		}
		out.Sources = append(out.Sources, doc)
	}
	for _, s := range d.shared() {
		add(s, "")
	}
	for _, r := range d.rigs {
		for _, s := range r.its() {
			add(s, r.set.Rig)
		}
		if text := r.fault(); text != "" {
			out.Faults[r.set.Rig] = append(out.Faults[r.set.Rig], text)
		}
		out.Faults[r.set.Rig] = append(out.Faults[r.set.Rig], r.desk.Snapshot().Faults...)
	}
	return out
}

// checkHeld says of a source that the running daemon has how it stands.
func checkHeld(c *checker, st *stateDoc, rig, what, name string, listen bool) {
	label := what + " " + name
	if what == "broker" {
		label = what
	}
	for _, s := range st.Sources {
		if s.What != what || s.Name != name || s.Rig != "" && s.Rig != rig {
			continue
		}
		last := "nothing has come yet"
		if s.AgeS >= 0 {
			last = fmt.Sprintf("the newest came %s ago", (time.Duration(s.AgeS*10) * time.Second / 10).String())
		}
		switch {
		case s.Phase != string(source.Open):
			c.say(label, fmt.Errorf("the running daemon has it not open (%s): %s", s.Phase, s.Err), "")
		case listen && (s.AgeS < 0 || s.AgeS > 10):
			c.say(label, mend("look whether the board has power, and at its wire", "is open in the running daemon, but silent: %s", last), "")
		default:
			c.say(label, nil, "is open in the running daemon; %s", last)
		}
		return
	}
	c.note(label, "the running daemon does not have it: yardtally reload")
}
