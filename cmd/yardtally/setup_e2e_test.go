package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
	"yardtally/meter/act"
)

// setupSentences are sentences of a counter board and a receiver, one second's, with a
// line whose checksum is wrong.
func setupSentences(t testing.TB) string {
	t.Helper()
	text, err := wire.AppendXDR(nil, "YX", []meter.Reading{{Channel: meter.Pulses, Value: 184223}, {Channel: meter.Uptime, Value: 93812.4},
		{Channel: meter.Headspace, Value: 0.412}, {Channel: meter.Syrup, Value: 11.6}})
	if err == nil {
		text, err = wire.AppendRMC(text, "GP", []meter.Reading{{Channel: meter.Lat, Value: 43.22}, {Channel: meter.Lon, Value: -91.88}})
	}
	if err != nil {
		t.Fatal(err)
	}
	return string(text) + "$YXXDR,C,11.6,C,SYRUP*0B\r\n"
}

// onTerminal is a setup that a person runs on a terminal of its own.
type onTerminal struct {
	t     testing.TB
	tty   *os.File
	out   syncBuffer
	seen  int // of out, what was waited for already
	ended chan error
}

func setupOn(t testing.TB, dir string, args ...string) *onTerminal {
	t.Helper()
	cmd := exec.Command("yardtally", append([]string{"setup"}, args...)...)
	cmd.Dir = dir
	tty, err := pty.Start(cmd)
	if err != nil {
		t.Fatal(err)
	}
	x := &onTerminal{t: t, tty: tty, ended: make(chan error, 1)}
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := tty.Read(buf)
			x.out.Write(buf[:n])
			if err != nil { // EIO: the other end is closed
				x.ended <- cmd.Wait()
				return
			}
		}
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		tty.Close()
		if t.Failed() {
			t.Logf("the terminal:\n%s", x.out.String())
		}
	})
	return x
}

// answer waits for a question and types the answer.
func (x *onTerminal) answer(question, answer string) {
	x.t.Helper()
	x.see(question)
	x.see("]: ")
	if _, err := x.tty.WriteString(answer + "\n"); err != nil {
		x.t.Fatal(err)
	}
}

func (x *onTerminal) see(text string) {
	x.t.Helper()
	await(x.t, fmt.Sprintf("%q on the terminal", text), func() bool {
		all := x.out.String()
		i := strings.Index(all[x.seen:], text)
		if i < 0 {
			return false
		}
		x.seen += i + len(text)
		return true
	})
}

// TestSetup is a keeper at a terminal, with a rig that speaks on a serial line and
// to a broker: what is heard is shown, what is wrong is asked again, and with the
// settings a daemon runs that hears the rig.
func TestSetup(t *testing.T) {
	near, far, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	line := &cable{near, far.Name()}
	far.Close() // or this process would be one that has the port open
	line.say(t, setupSentences(t))
	other := startFrom(t, strings.Replace(plainRig, "heron", "plover", 1)+"[broker]\naddress = \"127.0.0.1:0\"\n")
	await(t, "the broker", func() bool { return other.broker.Addr() != "" })
	client := publisher(t, other.broker.Addr())
	stop := make(chan struct{})
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(20 * time.Millisecond):
				client.Publish("yardtally/wren/readings", 1, false, `[{"bn":"wren/","n":"air","u":"Cel","v":6.2},{"n":"nonsense","u":"m","v":1}]`)
				client.Publish("yardtally/egret/readings", 1, false, `[{"bn":"egret/","n":"air","u":"Cel","v":7}]`)
			}
		}
	}()
	defer close(stop)

	dir := t.TempDir()
	x := setupOn(t, dir, "-ports", line.path, "-listen", "400ms", "-gpsd", "127.0.0.1:1")
	x.answer("Settings file", "wren.toml")
	x.answer("Rig's name", "wr en")
	x.see("  rig: must ")
	x.see(`is "wr en". Once more:`)
	x.answer("Rig's name", "wren")
	x.answer("Units", "furlongs")
	x.see(`units: must be "US" or "SI", is "FURLONGS". Once more:`)
	x.answer("Units", "us")
	x.answer("Time zone", "Nowhere/Else")
	x.see(`zone: must be an IANA time zone like "America/Chicago", is "Nowhere/Else". Once more:`)
	x.answer("Time zone", "America/Chicago")
	x.see("  1  " + line.path + ": speaks at 115200 baud, ")
	x.see("sentences a second")
	x.see("pulses 184223 count, uptime 93812.4 s, headspace 0.412 m, syrup 11.6 Cel")
	x.see("wrong checksum")
	x.answer("Ports to read", "7")
	x.see("serial: must be a number of the list, 1 to 1, is 7. Once more:")
	x.answer("Ports to read [1", "")
	x.answer("MQTT broker", "ftp://shed")
	x.see("mqtt[0].url: must")
	x.answer("MQTT broker", "127.0.0.1:1")
	x.answer("User at that broker", "")
	x.see("refused")
	x.answer("Keep it anyway?", "n")
	x.answer("MQTT broker", "tcp://"+other.broker.Addr())
	x.answer("User at that broker", "-")
	x.see("rig egret: ")
	x.see("it will not be heard")
	x.see("rig wren: ")
	x.see("air 6.2 Cel")
	x.see("dropped: ")
	x.answer("Flow meter", "ultrasonic")
	x.see("meter.type: must be")
	x.answer("Flow meter", "turbine")
	x.answer("Pulses per litre or gallon", "501.9")
	x.see("provings[0].k_factor: must")
	x.answer("Pulses per litre or gallon", "501.9 pulses/gal")
	x.answer("capacity", "275")
	x.see("capacity: must")
	x.answer("capacity", "275 gal")
	x.answer("looks down", "46 in")
	x.answer("pressure sensor", "")
	x.answer("inner length", "45 in")
	x.answer("Inner width", "37 in")
	x.answer("Inner height", "38 in")
	x.answer("Syrup", "honey")
	x.see(`syrup: must be sucrose, invert, hfcs-42 or hfcs-55, is "honey"`)
	x.answer("Syrup", "")
	x.answer("dry solids", "164 Brix")
	x.see("batch.brix: must")
	x.answer("dry solids", "64 Brix")
	x.answer("Yard's name", "Orchard End")
	x.answer("Colonies", "many")
	x.see(`colonies: must be a whole number, 0 or more, is "many"`)
	x.answer("Colonies", "14")
	x.answer("Where it is", "here")
	x.see("43.220000, -91.880000, by " + line.path)
	x.answer("Yard's name", "Orchard End")
	x.see("yards")
	x.answer("Yard's name", "Mill Bottom")
	x.answer("Colonies", "11")
	x.answer("Where it is", "95 -91.9")
	x.see("Once more:")
	x.answer("Where it is", "43.2350 -91.9250")
	x.answer("Yard's name", "Ferry Lane")
	x.answer("Colonies", "")
	x.answer("Where it is", "later")
	x.answer("Yard's name", "-")
	x.answer("Who may open the page", "board")
	x.answer("Passphrase of the page", "short")
	x.see("Once more:")
	x.answer("Passphrase of the page", "one two three four")
	x.see("the yard \"Ferry Lane\"")
	if files, err := os.ReadDir(dir); err != nil || len(files) > 0 {
		t.Errorf("before it was told to, it wrote %v, %v", files, err)
	}
	x.answer("Write wren.toml?", "maybe")
	x.see(`write: must be y or n, is "maybe"`)
	x.answer("Write wren.toml?", "y")
	x.see("is written, and was read back")
	x.answer("Wi-Fi of its own", "n")
	x.see("Next:\r\n  yardtally check -settings wren.toml\r\n  yardtally prove -settings wren.toml\r\n  yardtally run -settings wren.toml")
	if err := <-x.ended; err != nil {
		t.Fatalf("%v\n%s", err, x.out.String())
	}
	if out := x.out.String(); strings.Contains(out, "one two three four") {
		t.Error("the passphrase is on the screen")
	}

	path := filepath.Join(dir, "wren.toml")
	written, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	c, err := checks(t, strings.Replace(string(written), `page = "127.0.0.1:8317"`, `page = "127.0.0.1:0"`, 1), nil, true)
	if err != nil {
		t.Errorf("check: %v: %+v", err, c.list)
	}
	set, err := settings.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(set.Data, passphraseFile)); err != nil {
		t.Errorf("the passphrase: %v", err)
	}
	var yards []string
	for _, a := range set.Acts {
		if y, ok := a.Body.(act.Yard); ok {
			yards = append(yards, fmt.Sprint(y.ID, " ", y.Colonies, " ", y.Lat, " ", y.Lon))
		}
	}
	if want := []string{"orchard-end 14 43.22 -91.88", "mill-bottom 11 43.235 -91.925"}; !slices.Equal(yards, want) {
		t.Errorf("yards %q, want %q", yards, want)
	}
	set.Page = "127.0.0.1:0"
	d := workBy(t, set, &source.Steady{Clock: source.SystemClock{}})
	for _, s := range d.sources {
		await(t, s.Name()+" to hear the rig", func() bool { return s.State().Readings > 0 })
	}
	if len(d.sources) != 2 {
		t.Errorf("%d sources, want the line and the broker", len(d.sources))
	}
}

// setupWith runs setup on what is piped in.
func setupWith(t testing.TB, input string, args ...string) (out string, err string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = Main(append([]string{"setup", "-ports", "-", "-listen", "100ms", "-gpsd", "127.0.0.1:1"}, args...), &env{strings.NewReader(input), &o, &e})
	return o.String(), e.String(), code
}

// TestSetupEnds: the end of the input, Ctrl-C and a no leave nothing behind.
func TestSetupEnds(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.toml")
	empty := func(how string) {
		t.Helper()
		if files, err := os.ReadDir(dir); err != nil || len(files) > 0 {
			t.Errorf("%s: there are %v, %v", how, files, err)
		}
	}
	// All answers until the one that writes; every shorter input must write nothing.
	lines := []string{"wren", "SI", "UTC", "-", "none", "", "", "-", "", "", "-", "board", "-", "y"}
	for n := range lines {
		_, errs, code := setupWith(t, strings.Join(append(lines[:n:n], ""), "\n"), "-settings", path)
		if code != 1 || !strings.Contains(errs, "nothing was written") {
			t.Errorf("after %d answers: code %d, %q", n, code, errs)
		}
		empty(fmt.Sprintf("after %d answers", n))
	}
	if _, errs, code := setupWith(t, strings.Join(append(lines[:len(lines)-1:len(lines)-1], "n", ""), "\n"), "-settings", path); code != 1 || !strings.Contains(errs, "nothing was written") {
		t.Errorf("a no: code %d, %q", code, errs)
	}
	empty("a no")
	x := setupOn(t, dir, "-ports", "-", "-settings", path)
	x.answer("Rig's name", "wren")
	x.see("Units")
	if _, err := x.tty.WriteString("\x03"); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := <-x.ended; !errors.As(err, &exit) || exit.ExitCode() != 1 || !strings.Contains(x.out.String(), "broken off: nothing was written") {
		t.Errorf("Ctrl-C: %v: %s", err, x.out.String())
	}
	empty("Ctrl-C")
	out, errs, code := setupWith(t, strings.Join(lines, "\n")+"\nn\n", "-settings", path)
	if code != 0 {
		t.Fatalf("all answers: %s %s", out, errs)
	}
	if _, err := settings.Read(path); err != nil {
		t.Error(err)
	}
}

// TestSetupGiven: answers by flags and by a file; those of no question, and bad
// ones, write nothing.
func TestSetupGiven(t *testing.T) {
	dir := t.TempDir()
	path, answers := filepath.Join(dir, "x.toml"), filepath.Join(dir, "answers")
	if err := os.WriteFile(answers, []byte("# of the shed\nyard = Orchard End\n\nyard = Larch Bank\ncolonies = 9\nposition = 43.1950, -91.88\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	with := func(args ...string) (string, string, int) {
		return setupWith(t, "", append([]string{"-yes", "-settings", path, "-answers", answers, "-answer", "rig=wren", "-answer", "broker=own"}, args...)...)
	}
	for args, want := range map[string]string{
		"units=stone": `answer units: units: must be "US" or "SI", is "STONE"; nothing was written`,
		"yrad=Mill":   `answer: must be of a question that is asked, is of "yrad"; nothing was written`,
		"serial=x":    `answer serial: serial: must be numbers of the list`,
		"k-factor=2":  "answer k-factor: provings[0].k_factor: must",
	} {
		if _, errs, code := with("-answer", args); code != 1 || !strings.Contains(errs, want) {
			t.Errorf("%s: code %d, %q, want %q", args, code, errs, want)
		}
	}
	if _, errs, code := with("-answer", "rig"); code != 2 || !strings.Contains(errs, `answer: must be QUESTION=ANSWER, is "rig"`) {
		t.Errorf("code %d, %q", code, errs)
	}
	if _, err := os.Stat(path); err == nil {
		t.Fatal("something was written")
	}
	out, errs, code := with()
	if code != 0 {
		t.Fatalf("%s %s", out, errs)
	}
	set, err := settings.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	if set.Broker == nil || set.Broker.Address != ":1883" || len(set.Broker.Users) != 1 || !strings.Contains(out, set.Broker.Users[0].Password) {
		t.Errorf("broker %+v", set.Broker)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("a file with a password: %v, %v", info.Mode(), err)
	}
	text, _ := os.ReadFile(path)
	if !strings.Contains(string(text), "# name = \"Orchard End\"") || !strings.Contains(string(text), "\nid = \"larch-bank\"\nname = \"Larch Bank\"\ncolonies = 9\n") {
		t.Errorf("yards in %s", text)
	}

	// Again, over what is there: not without a yes, and the old one stays.
	if _, errs, code := with(); code != 1 || !strings.Contains(errs, "was left as it was") {
		t.Errorf("over a file, without a yes: code %d, %q", code, errs)
	}
	if now, _ := os.ReadFile(path); !bytes.Equal(now, text) {
		t.Error("it was changed")
	}
	out, errs, code = with("-answer", "overwrite=y", "-answer", "zone=Europe/Berlin", "-answer", "meter=turbine")
	if code != 0 {
		t.Fatalf("%s %s", out, errs)
	}
	for _, want := range []string{"  - type = \"oval gear\"\n", "  + type = \"turbine\"\n", "+ zone = \"Europe/Berlin\"\n", "What was there is " + path + ".old.\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in %s", want, out)
		}
	}
	if strings.Contains(out, "- password") || strings.Contains(out, "rig = ") {
		t.Errorf("what does not change is shown, or a password: %s", out)
	}
	if old, _ := os.ReadFile(path + ".old"); !bytes.Equal(old, text) {
		t.Error("the old file is not what it was")
	}
	if _, _, code := with("-answer", "overwrite=y"); code != 0 {
		t.Error("a third time")
	}
	if old, _ := os.ReadFile(path + ".old"); !bytes.Equal(old, text) {
		t.Error("the oldest file was lost")
	}
	if set, err := settings.Read(path); err != nil || set.Zone.String() != "Europe/Berlin" {
		t.Errorf("the zone of the file before is not offered: %v", err)
	}
}

// TestSetupPorts: what is said of ports that are silent, garbled, busy, not
// there, or another user's.
func TestSetupPorts(t *testing.T) {
	talks, mute, garbled, busy := newLine(t), newLine(t), newLine(t), newLine(t)
	talks.say(t, setupSentences(t))
	garbled.say(t, "\x8f\xa2\xff\x80\x9c\n\xfe")
	far, err := os.OpenFile(busy.path, os.O_RDWR|syscall.O_NOCTTY, 0)
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
	heard := hearPorts(t.Context(), []string{talks.path, mute.path, garbled.path, busy.path, "/dev/yardtally-not-there"}, 300*time.Millisecond)
	for i, want := range []string{
		"speaks at 115200 baud", "silent: nothing came at 115200, 9600, 4800 and 38400 baud", "garbled: ",
		fmt.Sprintf("busy: %s: another program has it open: cat (process %d)", busy.path, cat.Process.Pid), "cannot be read: /dev/yardtally-not-there: there is no such port",
	} {
		if got := heard[i].say(); !strings.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if lat, lon, ok := heard[0].fix(); !ok || lat != 43.22 || lon != -91.88 {
		t.Errorf("fix %v %v %v", lat, lon, ok)
	}
	denied := heardPort{path: "/dev/ttyUSB7", err: kind{mend("sudo usermod -aG dialout wren", "/dev/ttyUSB7: user wren may not open it"), errDenied}}
	if got := denied.say(); got != "no permission: /dev/ttyUSB7: user wren may not open it\n     to mend it: sudo usermod -aG dialout wren" {
		t.Errorf("%q", got)
	}
	// By the names that udev gives first, and none twice.
	dev := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dev, "serial/by-id"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"ttyUSB0", "ttyACM0", "ttyS0", "null"} {
		if err := os.WriteFile(filepath.Join(dev, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("../../ttyUSB0", filepath.Join(dev, "serial/by-id/usb-board")); err != nil {
		t.Fatal(err)
	}
	if got := findPorts(dev); !slices.Equal(got, []string{dev + "/serial/by-id/usb-board", dev + "/ttyACM0", dev + "/ttyS0"}) {
		t.Errorf("found %q", got)
	}
}

// TestSetupWifi runs a nmcli that notes what it is told. The names of its settings
// are those of nm-settings-nmcli(5), from memory.
func TestSetupWifi(t *testing.T) {
	dir := t.TempDir()
	path, noted := filepath.Join(dir, "x.toml"), filepath.Join(dir, "noted")
	base := []string{"-yes", "-settings", path, "-answer", "rig=wren", "-answer", "wifi=y", "-answer", "wifi-device=wlan0", "-answer", "overwrite=y"}
	phrase := func(p string) []string { return []string{"-answer", "wifi-phrase=" + p} }

	t.Setenv("PATH", dir)
	out, errs, code := setupWith(t, "", append(slices.Clone(base[:len(base)-2]), phrase("it's a night")...)...)
	if code != 0 || !strings.Contains(out, "has no NetworkManager") || !strings.Contains(out, "WPA2") {
		t.Fatalf("without NetworkManager: %s %s", out, errs)
	}
	script := "#!/bin/sh\nfor a in \"$@\"; do printf '%s\\n' \"$a\"; done >>" + noted + "\necho >>" + noted + "\n[ ! -e " + dir + "/fails ]\n"
	if err := os.WriteFile(filepath.Join(dir, "nmcli"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	out, errs, code = setupWith(t, "", append(slices.Clone(base), phrase("it's a night")...)...)
	if code != 0 || !strings.Contains(out, `wifi-sec.psk 'it'\''s a night'`) || !strings.Contains(out, "is gone from the\nhome network") || !strings.Contains(out, "rules of the place") {
		t.Errorf("printed only: %s %s", out, errs)
	}
	if _, err := os.Stat(noted); err == nil {
		t.Error("without -wifi it was run")
	}
	for _, bad := range []string{"seven77", strings.Repeat("x", 64), "ünlesbar"} {
		if _, errs, code := setupWith(t, "", append(slices.Clone(base), phrase(bad)...)...); code != 1 || !strings.Contains(errs, "wifi-phrase: must have 8 to 63 plain characters") {
			t.Errorf("%q: %d %q", bad, code, errs)
		}
	}
	run := append(append(slices.Clone(base), phrase("it's a night")...), "-wifi", "-answer", "wifi-run=y")
	if out, errs, code := setupWith(t, "", run...); code != 0 || !strings.Contains(out, "The Wi-Fi wren is up.") {
		t.Fatalf("run: %s %s", out, errs)
	}
	got, err := os.ReadFile(noted)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Join(append(strings.Fields(`connection add type wifi ifname wlan0 con-name yardtally-yard autoconnect yes ssid wren
		802-11-wireless.mode ap 802-11-wireless.band bg ipv4.method shared ipv4.addresses 10.42.0.1/24
		wifi-sec.key-mgmt wpa-psk wifi-sec.proto rsn wifi-sec.pairwise ccmp wifi-sec.group ccmp wifi-sec.psk`),
		"it's a night", "", "connection", "up", "yardtally-yard", "", ""), "\n")
	if string(got) != want {
		t.Errorf("nmcli was told\n%s\nwant\n%s", got, want)
	}
	if err := os.WriteFile(filepath.Join(dir, "fails"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := setupWith(t, "", run...); code != 1 || !strings.Contains(errs, "the settings are written, the Wi-Fi is not up") {
		t.Errorf("a nmcli that fails: %d %q", code, errs)
	}
	seen := map[string]bool{}
	for range 100 {
		p := readable()
		if checkWifiPhrase(p) != nil || seen[p] {
			t.Errorf("made %q", p)
		}
		seen[p] = true
	}
}

// TestChanges: of any two texts, what is not "+" is the one and what is not "-"
// the other, and nothing is called changed that is not.
func TestChanges(t *testing.T) {
	for _, c := range [][3]string{{"", "", ""}, {"a b c", "a b c", " a b c"}, {"a b c", "a x c", " a-b+x c"}, {"", "a b", "+a+b"}, {"a b", "", "-a-b"}, {"a b c d", "b c d e", "-a b c d+e"}} {
		text := ""
		for _, l := range changesOf(strings.Fields(c[0]), strings.Fields(c[1])) {
			text += l.mark + l.line
		}
		if text = strings.TrimSpace(text); text != strings.TrimSpace(c[2]) {
			t.Errorf("%q to %q: %q, want %q", c[0], c[1], text, c[2])
		}
	}
}
