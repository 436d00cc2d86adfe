package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/ledger"
	"yardtally/meter/sensor"
)

// checks runs the check of a settings file and returns what it found.
func checks(t testing.TB, text string, on *machine, listen bool) (c *checker, err error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "rig.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	w := where{settings: path, house: true}
	if err := w.findSettings(); err != nil {
		t.Fatal(err)
	}
	c = &checker{out: io.Discard}
	if on == nil {
		on = &thisBoard
	}
	err = w.check(t.Context(), c, on, listen)
	return c, err
}

// want checks that something fails, with these words in what is said and in
// what mends it; with no words, that it works.
func (c *checker) want(t testing.TB, what string, words ...string) {
	t.Helper()
	for _, x := range c.list {
		if x.What != what || x.How == "note" {
			continue
		}
		if len(words) == 0 && x.How == "works" {
			return
		}
		if len(words) > 0 && x.How == "fails" && strings.Contains(x.Text, words[0]) && (len(words) < 2 || strings.Contains(x.Mend, words[1])) {
			return
		}
	}
	t.Errorf("%s: want %q, found %+v", what, words, c.list)
}

// withSerial are good settings but for a serial port.
func withSerial(path string, baud int) string {
	return fmt.Sprintf("%s[[serial]]\nport = %q\nbaud = %d\n", plainRig, path, baud)
}

// say writes to a line over and over until the test ends.
func (c *cable) say(t testing.TB, text string) {
	stop := make(chan struct{})
	t.Cleanup(func() { close(stop) })
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(20 * time.Millisecond):
				c.near.WriteString(text)
			}
		}
	}()
}

func TestCheckPorts(t *testing.T) {
	talks, mute, garbled := newLine(t), newLine(t), newLine(t)
	talks.say(t, "$YXXDR,C,11.6,C,SYRUP*0A\r\n")
	garbled.say(t, "\x8f\xa2\xff\x80\x9c\n\xfe")

	c, err := checks(t, withSerial(talks.path, 115200), nil, true)
	if err != nil {
		t.Errorf("a good one: %v: %+v", err, c.list)
	}
	c.want(t, "serial serial")
	c, err = checks(t, withSerial(mute.path, 115200), nil, true)
	if err == nil {
		t.Error("a mute one is well")
	}
	c.want(t, "serial serial", "nothing came in 3s", "power")
	c, _ = checks(t, withSerial(mute.path, 115200), nil, false)
	c.want(t, "serial serial")
	c, _ = checks(t, withSerial(garbled.path, 9600), nil, true)
	c.want(t, "serial serial", "no sentence with a reading", "set baud")
	c, _ = checks(t, withSerial("/dev/yardtally-not-there", 9600), nil, false)
	c.want(t, "serial serial", "there is no such port", "/dev/serial/by-id")
	c, _ = checks(t, withSerial(os.Args[0], 9600), nil, false)
	c.want(t, "serial serial", "must be a serial port, is a file")

	// Somebody else has it: a real other process.
	far, err := os.OpenFile(mute.path, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	cat := exec.Command("cat")
	cat.Stdin = far
	if err := cat.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cat.Process.Kill(); cat.Wait() }()
	await(t, "cat to be what it is", func() bool {
		name, _ := os.ReadFile(fmt.Sprintf("/proc/%d/comm", cat.Process.Pid))
		return strings.TrimSpace(string(name)) == "cat"
	})
	c, _ = checks(t, withSerial(mute.path, 115200), nil, false)
	c.want(t, "serial serial", fmt.Sprintf("another program has it open: cat (process %d)", cat.Process.Pid), fmt.Sprintf("kill %d", cat.Process.Pid))
}

// TestCheckAsNobody: what a user without the group, or without the folder, is
// told. It needs root, to become another user.
func TestCheckAsNobody(t *testing.T) {
	if os.Getuid() != 0 {
		if os.Getenv("YARDTALLY_CI") == "1" {
			t.Fatal("only root can become another user")
		}
		t.Skip("only root can become another user")
	}
	const nobody = 65534
	dir, err := os.MkdirTemp("", "yardtally-check")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(dir, "yardtally")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if os.Link(self, bin) != nil {
		data, err := os.ReadFile(self)
		if err == nil {
			err = os.WriteFile(bin, data, 0o755)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(bin, 0o755); err != nil {
		t.Fatal(err)
	}
	line := newLine(t)
	// As udev leaves a port to its group: dialout is 20 on Debian.
	if err := errors.Join(os.Chown(line.path, 0, 20), os.Chmod(line.path, 0o660)); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "data")
	file := filepath.Join(dir, "rig.toml")
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	asNobody := func(groups ...uint32) string {
		cmd := exec.Command(bin, "check", "-settings", file)
		cmd.Args[0] = "yardtally"
		cmd.Dir = dir
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody, Groups: groups}}
		out, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) {
			t.Fatal(err)
		}
		return string(out)
	}
	if err := errors.Join(os.Mkdir(data, 0o777), os.Chmod(data, 0o777)); err != nil {
		t.Fatal(err)
	}
	write(strings.Replace(withSerial(line.path, 9600), "\"data\"", "\""+data+"\"", 1))
	out := asNobody()
	if !strings.Contains(out, "FAILS  serial serial: "+line.path+": user nobody may not open it: it is not of the group dialout\n       to mend it: sudo usermod -aG dialout nobody ") {
		t.Errorf("without the group:\n%s", out)
	}
	if out := asNobody(20); !strings.Contains(out, "works  serial serial: "+line.path+" opens") {
		t.Errorf("with the group:\n%s", out)
	}
	if err := os.Chmod(line.path, 0o600); err != nil {
		t.Fatal(err)
	}
	if out := asNobody(20); !strings.Contains(out, "nor may its group dialout (mode 0600)\n       to mend it: sudo chmod g+rw "+line.path) {
		t.Errorf("where the group may not:\n%s", out)
	}
	// A journal that root made, as after a sudo.
	if err := os.WriteFile(filepath.Join(data, journalFile), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if out := asNobody(20); !strings.Contains(out, "FAILS  data: user nobody must be able to write "+data+"/journal.db") || !strings.Contains(out, "to mend it: sudo chown -R nobody: "+data+"\n") {
		t.Errorf("with root's journal:\n%s", out)
	}
	if err := os.Chmod(data, 0o755); err != nil {
		t.Fatal(err)
	}
	if out := asNobody(20); !strings.Contains(out, "FAILS  data: must be a folder that can be written, is "+data+": permission denied\n       to mend it: sudo chown -R nobody: "+data+"\n") {
		t.Errorf("with root's folder:\n%s", out)
	}
	write(strings.Replace(withSerial(line.path, 9600), "\"data\"", "\""+data+"/deep\"", 1))
	if out := asNobody(20); !strings.Contains(out, "to mend it: sudo install -d -o nobody -m 770 "+data+"/deep\n") {
		t.Errorf("with a folder that is to be made:\n%s", out)
	}
}

// TestCheckFull: a disk that is really full, and one that is nearly so.
func TestCheckFull(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=300m"); err != nil {
		if os.Getenv("YARDTALLY_CI") == "1" {
			t.Fatalf("a small disk cannot be mounted: %v", err)
		}
		t.Skipf("a small disk cannot be mounted, which needs root: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, 0) })
	text := strings.Replace(plainRig, "\"data\"", "\""+dir+"\"", 1) + "[broker]\naddress = \"127.0.0.1:0\"\n"
	c, err := checks(t, text, nil, false)
	if err != nil {
		t.Errorf("an empty disk: %v", err)
	}
	c.want(t, "disk")
	fill := func(n int) {
		f, err := os.OpenFile(filepath.Join(dir, "fat"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for range n {
			if _, err := f.Write(make([]byte, 1<<20)); err != nil {
				return
			}
		}
	}
	fill(280)
	c, _ = checks(t, text, nil, false)
	c.want(t, "disk", "must have room for a week, 34 MB at least: 21 MB of 315 MB are free", "du -xh --max-depth=2 "+dir)
	fill(30)
	c, _ = checks(t, text, nil, false)
	c.want(t, "data", "no space left on device")
	c.want(t, "disk", "0 kB of 315 MB are free")
}

// TestCheckRate: days left at the rate of writing.
func TestCheckRate(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, journalFile), make([]byte, 30<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	day := int64(24 * time.Hour)
	views := []*ledger.View{{At: 40 * day, Outings: []ledger.Outing{{From: 10 * day, To: 11 * day}}}}
	if got := grownADay(dir, views); got != 1<<20 {
		t.Errorf("30 MiB in 30 days are %g bytes a day", got)
	}
	if got := grownADay(dir, []*ledger.View{{At: 10*day + day/4, Outings: views[0].Outings}}); got != 0 {
		t.Errorf("a quarter of a day tells %g", got)
	}
	c := &checker{out: io.Discard}
	checkRoom(c, dir, 1e15)
	c.want(t, "disk", "which is 0 days at 1000000.0 GB a day")
}

func TestCheckClock(t *testing.T) {
	now := time.Date(2026, 10, 9, 20, 0, 0, 0, time.UTC)
	on := &machine{now: func() time.Time { return now }, synced: func() (bool, error) { return true, nil }}
	look := func(newest int64) *checker {
		c := &checker{out: io.Discard}
		on.checkClock(c, newest)
		return c
	}
	look(0).want(t, "clock")
	look(now.Add(-time.Hour).UnixNano()).want(t, "clock")
	look(now.Add(30*time.Second).UnixNano()).want(t, "clock") // records of the newest seconds
	look(now.Add(time.Hour).UnixNano()).want(t, "clock", "must be later than the newest record, of 2026-10-09 21:00:00", "sudo timedatectl set-time '2026-10-09 21:00:00'")
	now = time.Unix(17, 0)
	look(0).want(t, "clock", "must be later than this program was written, is 1970-01-01", "set-time '2026-01-01")
	now = time.Date(2026, 10, 9, 20, 0, 0, 0, time.UTC)
	on.synced = func() (bool, error) { return false, nil }
	c := look(0)
	c.want(t, "clock")
	if n := c.list[len(c.list)-1]; n.How != "note" || !strings.Contains(n.Text, "timedatectl set-ntp true") {
		t.Errorf("%+v", n)
	}
	if _, err := clockSynced(); err != nil {
		t.Errorf("adjtimex: %v", err)
	}
}

// TestCheckBroker: one that refuses the sign-in, one that refuses the topic, and
// a port at which no broker is.
func TestCheckBroker(t *testing.T) {
	x := startFrom(t, plainRig+"[broker]\naddress = \"127.0.0.1:0\"\n[[broker.users]]\nname = \"heron\"\npassword = \"a\"\n")
	await(t, "the broker", func() bool { return x.broker.Addr() != "" })
	at := func(addr, user, password, prefix string) string {
		return fmt.Sprintf("%s[[mqtt]]\nurl = \"tcp://%s\"\nuser = %q\npassword = %q\nprefix = %q\n", plainRig, addr, user, password, prefix)
	}
	c, err := checks(t, at(x.broker.Addr(), "heron", "a", "yardtally"), nil, false)
	if err != nil {
		t.Errorf("a good one: %v", err)
	}
	c.want(t, "mqtt mqtt sign-in")
	c, _ = checks(t, at(x.broker.Addr(), "heron", "b", "yardtally"), nil, false)
	c.want(t, "mqtt mqtt sign-in", "the broker refuses user \"heron\" or its password", "password_file")
	c, _ = checks(t, at(x.broker.Addr(), "heron", "a", "other"), nil, false)
	c.want(t, "mqtt mqtt sign-in", "the broker refuses the subscription of other/heron/readings", "let user \"heron\" read")
	c, _ = checks(t, at("127.0.0.1:1", "heron", "a", "yardtally"), nil, false)
	c.want(t, "mqtt mqtt", "nobody answers at tcp://127.0.0.1:1")
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	c, _ = checks(t, at(mute.Addr().String(), "heron", "a", "yardtally"), nil, false)
	c.want(t, "mqtt mqtt sign-in", "is it one?")
}

// TestCheckStore: what a wrong token is told. The real InfluxDB is asked in
// ingest/publish (TestInfluxDB/probe); here one that answers as it does.
func TestCheckStore(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.Header.Get("Authorization") != "Token right":
			http.Error(w, `{"error":"authorization failed"}`, http.StatusUnauthorized)
		case r.URL.Query().Get("bucket") != "yards":
			w.Header().Set("X-Influxdb-Version", "1.8.10")
			http.Error(w, `{"error":"database not found"}`, http.StatusNotFound)
		default:
			w.WriteHeader(http.StatusNoContent)
		}
	})}
	go srv.Serve(l)
	defer srv.Close()
	with := func(token, bucket string) string {
		return fmt.Sprintf("%s[broker]\naddress = \"127.0.0.1:0\"\n[influxdb]\nurl = \"http://%s\"\ntoken = %q\nbucket = %q\n", plainRig, l.Addr(), token, bucket)
	}
	c, err := checks(t, with("right", "yards"), nil, false)
	if err != nil {
		t.Error(err)
	}
	c.want(t, "influxdb bucket")
	c, _ = checks(t, with("wrong", "yards"), nil, false)
	c.want(t, "influxdb bucket", "the InfluxDB refuses the token: authorization failed", "token_file")
	c, _ = checks(t, with("right", "yard"), nil, false)
	c.want(t, "influxdb bucket", "the InfluxDB has no bucket \"yard\"", "bucket create -n yard")
}

func TestCheckSensors(t *testing.T) {
	at := time.Date(2026, 10, 9, 20, 0, 0, 0, time.UTC).UnixNano()
	look := func(change func(*ledger.View)) *checker {
		v := &ledger.View{At: at, Syrup: ledger.Last{Value: 12, At: at, Has: true}, Air: ledger.Last{Value: 6, At: at, Has: true},
			Tote: ledger.ToteNow{Known: true, At: at, Capacity: quantity.VolumeOf(1), Volume: quantity.VolumeOf(0.4)}}
		change(v)
		c := &checker{out: io.Discard}
		checkSensors(c, v, time.UTC, time.Unix(0, at))
		return c
	}
	look(func(*ledger.View) {}).want(t, "sensors")
	ill := func(ch meter.Channel, what string, to int64) func(*ledger.View) {
		return func(v *ledger.View) {
			v.Health = []sensor.Health{{Channel: ch, What: what, From: at - int64(time.Hour), To: to, Value: 0.41}}
		}
	}
	look(ill(meter.Headspace, sensor.Stuck, 0)).want(t, "sensor headspace", "is stuck at 0.41 m since 2026-10-09 19:00", "wipe its face")
	look(ill(meter.Headspace, sensor.Stuck, at)).want(t, "sensors") // it is over
	look(ill(meter.Head, sensor.Absent, 0)).want(t, "sensor head", "is silent since 2026-10-09 19:00", "plug and wire")
	look(ill(meter.Line, sensor.Noisy, 0)).want(t, "sensor line", "is noisy")
	look(ill(meter.Pump, sensor.Impossible, 0)).want(t, "sensor pump", "says what cannot be")
	look(func(v *ledger.View) { v.Syrup.Value = 85 }).want(t, "sensor syrup", "must be between -30 and 70 °C, is 85 °C", "plug and wire")
	look(func(v *ledger.View) { v.Air.At -= int64(time.Hour) }).want(t, "sensor air", "is silent since 2026-10-09 19:00, while others spoke until 2026-10-09 20:00")
	look(func(v *ledger.View) { v.Tote.Volume = quantity.VolumeOf(1.3) }).want(t, "level", "must be within the tote's capacity of 1000 L, is 1300 L by strapping", "yardtally strap")
	look(func(v *ledger.View) { v.Tote.At -= int64(time.Hour) }).want(t, "level", "is silent since 2026-10-09 19:00")
	look(func(v *ledger.View) { v.Tote.Known, v.Tote.Why = false, "the level is above the strapping" }).want(t, "level", "the level is above the strapping", "strap")
}

// TestCheckBeside: beside a running daemon the check asks it for what it holds
// open, and disturbs nothing.
func TestCheckBeside(t *testing.T) {
	line := newLine(t)
	text := withSerial(line.path, 115200) + "[broker]\naddress = \"127.0.0.1:0\"\n"
	x := startFrom(t, text)
	for _, s := range x.sources {
		await(t, s.Name(), func() bool { return s.State().Phase == source.Open })
	}
	run := func(args ...string) (list []checked, code int) {
		t.Helper()
		var out, errs bytes.Buffer
		code = Main(append([]string{"check", "-settings", x.path, "--json"}, args...), &env{nil, &out, &errs})
		if err := json.Unmarshal(out.Bytes(), &list); err != nil {
			t.Fatalf("%v: %s %s", err, out.Bytes(), errs.Bytes())
		}
		return list, code
	}
	has := func(list []checked, what, how, words string) {
		t.Helper()
		for _, c := range list {
			if c.What == what && c.How == how && strings.Contains(c.Text, words) {
				return
			}
		}
		t.Errorf("no %s %s %q in %+v", how, what, words, list)
	}
	list, code := run()
	if code != 0 {
		t.Errorf("code %d: %+v", code, list)
	}
	has(list, "serial serial", "works", "is open in the running daemon; nothing has come yet")
	has(list, "broker", "works", "is open in the running daemon")
	list, code = run("-listen")
	if code != 1 {
		t.Errorf("a silent port: code %d", code)
	}
	has(list, "serial serial", "fails", "is open in the running daemon, but silent: nothing has come yet")
	if _, err := line.near.WriteString("$YXXDR,C,11.6,C,SYRUP*0A\r\n"); err != nil {
		t.Fatal(err)
	}
	await(t, "a reading", func() bool { return x.desk.Snapshot().Records == 1 })
	list, _ = run("-listen")
	has(list, "serial serial", "works", "the newest came ")
	for _, s := range x.sources {
		if st := s.State(); st.Failures > 0 || st.Phase != source.Open {
			t.Errorf("%s was disturbed: %+v", s.Name(), st)
		}
	}
	// A source of the file that the daemon does not have yet.
	x.write(text + "[[serial]]\nname = \"spare\"\nport = \"/dev/null\"\n")
	list, _ = run()
	has(list, "serial spare", "note", "yardtally reload")
	set, err := settings.Read(x.path)
	if err != nil || len(set.Serial) != 2 {
		t.Fatal(err)
	}
}

// lampSwitch is a pin that notes what is done with it.
type lampSwitch struct{ done *[]string }

func (l lampSwitch) Set(on bool) error { *l.done = append(*l.done, fmt.Sprint("set ", on)); return nil }
func (l lampSwitch) Close() error      { *l.done = append(*l.done, "closed"); return nil }

// TestCheckPin: the lamp's pin is asked for and let go, never lit; what is wrong
// is said with what mends it; beside a daemon it is left alone.
func TestCheckPin(t *testing.T) {
	look := func(running bool, fails error) (c *checker, done []string) {
		c = &checker{out: io.Discard}
		checkPin(c, &settings.Pin{Chip: "gpiochip0", Line: 23}, running, func(p *settings.Pin) (sound.Switch, error) {
			done = append(done, fmt.Sprintf("%s %d", p.Chip, p.Line))
			return lampSwitch{&done}, fails
		})
		return c, done
	}
	c, done := look(false, nil)
	c.want(t, "signal pin")
	if got := strings.Join(done, ", "); got != "gpiochip0 23, closed" {
		t.Errorf("done: %s", got)
	}
	if c, done = look(true, nil); len(done) > 0 || len(c.list) != 1 || c.list[0].How != "note" || !strings.Contains(c.list[0].Text, "the running daemon's") {
		t.Errorf("beside the daemon: %v, %+v", done, c.list)
	}
	for err, mends := range map[error]string{
		fmt.Errorf("no chip: %w", syscall.ENOENT):   "ls /dev/gpiochip*",
		fmt.Errorf("in use: %w", syscall.EBUSY):     "sudo lsof /dev/gpiochip0",
		errors.New("line must be between 0 and 53"): "gpioinfo gpiochip0",
	} {
		c, _ := look(false, err)
		c.want(t, "signal pin", err.Error(), mends)
	}
	// A file that is there, and that its group may open only: as a port of that kind.
	dir := t.TempDir()
	path := filepath.Join(dir, "chip")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	rel, err := filepath.Rel("/dev", path)
	if err != nil {
		t.Fatal(err)
	}
	if err := mendPin(rel, fmt.Errorf("no: %w", syscall.EACCES)); !strings.Contains(err.Error(), "may not open it") || !errors.As(err, new(mendable)) {
		t.Errorf("%v", err)
	}
	// The settings lead there, and the kernel is asked: no board has so many chips.
	c, err = checks(t, plainRig+"[signal]\npin = 23\npin_chip = \"gpiochip9999\"\n", nil, false)
	if err == nil {
		t.Error("a pin of no chip is well")
	}
	c.want(t, "signal pin", "there is no such GPIO chip", "ls /dev/gpiochip*")
}

// TestCheckAsService: who checks as root the service's settings is told how to
// check as its user.
func TestCheckAsService(t *testing.T) {
	there, none := func(name string) bool { return name == "yardtally" }, func(string) bool { return false }
	const file = "/etc/yardtally/yardtally.toml"
	for _, c := range []struct {
		uid    int
		file   string
		listen bool
		known  func(string) bool
		want   string
	}{
		{0, file, false, there, "sudo -u yardtally yardtally check -settings " + file},
		{0, "/etc/yardtally/../yardtally/rig.toml", true, there, "sudo -u yardtally yardtally check -settings /etc/yardtally/rig.toml -listen"},
		{0, file, false, none, ""},
		{1000, file, false, there, ""},
		{0, "/home/wren/yardtally.toml", false, there, ""},
	} {
		if got := asService(c.uid, c.file, c.listen, c.known); got != c.want {
			t.Errorf("user %d, %s: %q, want %q", c.uid, c.file, got, c.want)
		}
	}
	if !knownUser("root") || knownUser("nobody of that name") {
		t.Error("users are not known as they are")
	}
}
