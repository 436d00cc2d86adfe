package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter/ledger"
)

// envDebian may name a root that debootstrap has made already, to be copied.
const envDebian = "YARDTALLY_DEBIAN"

// debian is a fresh root of Debian's, without an init.
type debian struct {
	t    *testing.T
	root string
}

// canInstall says why this machine cannot make such a root; "" if it can.
func canInstall() string {
	if os.Getuid() != 0 {
		return "installing needs root"
	}
	for _, name := range []string{"debootstrap", "dpkg-deb", "chroot", "mount"} {
		if _, err := exec.LookPath(name); err != nil {
			return name + " is not installed"
		}
	}
	if _, ok := debianArch[runtime.GOARCH]; !ok {
		return "there is no package for " + runtime.GOARCH
	}
	return ""
}

var debianArch = map[string]string{"amd64": "amd64", "arm64": "arm64", "arm": "armhf", "riscv64": "riscv64"}

// newDebian makes a root out of the mirror and the release that this machine has
// its own packages from.
func newDebian(t *testing.T) *debian {
	t.Helper()
	d := &debian{t, t.TempDir()}
	if err := os.Chmod(d.root, 0o755); err != nil {
		t.Fatal(err)
	}
	if made := os.Getenv(envDebian); made != "" {
		host(t, "cp", "-a", made+"/.", d.root)
	} else {
		mirror, suite := aptMirror(t)
		host(t, "debootstrap", "--variant=minbase", "--include=adduser", suite, d.root, mirror)
	}
	for _, x := range []string{"proc", "dev/pts"} {
		at := filepath.Join(d.root, x)
		if err := os.MkdirAll(at, 0o755); err != nil {
			t.Fatal(err)
		}
		host(t, "mount", "--bind", "/"+x, at)
		t.Cleanup(func() {
			if err := syscall.Unmount(at, syscall.MNT_DETACH); err != nil {
				t.Error(err)
			}
		})
	}
	return d
}

// aptMirror is where apt takes this machine's own Debian from, asked at run time.
func aptMirror(t *testing.T) (mirror, suite string) {
	t.Helper()
	out, err := exec.Command("apt-get", "indextargets", "--format", "$(CREATED_BY) $(SITE) $(COMPONENT) $(SUITE) $(RELEASE) $(ORIGIN) $(LABEL)").Output()
	if err != nil {
		t.Fatalf("apt does not say where it takes packages from: %v", err)
	}
	release, _ := os.ReadFile("/etc/os-release")
	code := regexp.MustCompile(`(?m)^VERSION_CODENAME="?(\w+)"?$`).FindSubmatch(release)
	if code == nil {
		t.Fatal("/etc/os-release names no release of Debian")
	}
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		if len(f) > 4 && f[0] == "Packages" && f[2] == "main" && slices.Contains(f[3:], string(code[1])) && strings.Contains(line, "Debian") {
			return f[1], string(code[1])
		}
	}
	t.Fatalf("apt has no source of main of %s", code[1])
	return
}

// host runs a program of this machine.
func host(t *testing.T, args ...string) string {
	t.Helper()
	c := exec.Command(args[0], args[1:]...)
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, out)
	}
	return string(out)
}

// try runs a program in the root, as its root.
func (d *debian) try(args ...string) (string, error) {
	c := exec.Command("chroot", append([]string{d.root}, args...)...)
	c.Env = []string{"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND=noninteractive", "LC_ALL=C", "HOME=/root"}
	out, err := c.CombinedOutput()
	return string(out), err
}

func (d *debian) run(args ...string) string {
	d.t.Helper()
	out, err := d.try(args...)
	if err != nil {
		d.t.Fatalf("%v: %v\n%s", args, err, out)
	}
	return out
}

// unit is what the test needs of the installed unit.
type unit map[string]string

func (d *debian) unit() unit {
	d.t.Helper()
	text, err := os.ReadFile(filepath.Join(d.root, "usr/lib/systemd/system/yardtally.service"))
	if err != nil {
		d.t.Fatal(err)
	}
	u := unit{}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(key, "#") {
			u[key] = value
		}
	}
	return u
}

// service is the unit's program, begun as systemd would: under its user, with
// its groups, mask and environment, and a socket on which it says that it is ready.
type service struct {
	cmd   *exec.Cmd
	ready chan struct{}
	ended chan error
}

func (d *debian) start(log io.Writer) *service {
	d.t.Helper()
	u := d.unit()
	if u["Type"] != "notify" || u["User"] == "" || u["ExecStart"] == "" {
		d.t.Fatalf("the unit: %v", u)
	}
	name := filepath.Join(d.root, "run", "notify")
	os.Remove(name)
	heard, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		d.t.Fatal(err)
	}
	if err := os.Chmod(name, 0o777); err != nil {
		d.t.Fatal(err)
	}
	s := &service{ready: make(chan struct{}), ended: make(chan error, 1)}
	s.cmd = exec.Command("sh", "-c", "umask "+u["UMask"]+`; exec chroot "$@"`, "sh", "--userspec="+u["User"]+":"+u["Group"],
		"--groups="+strings.ReplaceAll(u["SupplementaryGroups"], " ", ","), d.root)
	s.cmd.Args = append(s.cmd.Args, strings.Fields(u["ExecStart"])...)
	s.cmd.Env = []string{"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG=C", "USER=" + u["User"], "LOGNAME=" + u["User"],
		"NOTIFY_SOCKET=/run/notify", "WATCHDOG_USEC=60000000", "STATE_DIRECTORY=/var/lib/" + u["StateDirectory"]}
	s.cmd.Stdout, s.cmd.Stderr = log, log
	if err := s.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	go func() {
		var said [4096]byte
		told := sync.OnceFunc(func() { close(s.ready) })
		for {
			n, err := heard.Read(said[:])
			if err != nil {
				return
			}
			if slices.Contains(strings.Split(string(said[:n]), "\n"), "READY=1") {
				told()
			}
		}
	}()
	go func() {
		err := s.cmd.Wait()
		heard.Close()
		s.ended <- err
	}()
	d.t.Cleanup(func() { s.cmd.Process.Kill() })
	select {
	case <-s.ready:
	case err := <-s.ended:
		d.t.Fatalf("the service ended: %v", err)
	case <-time.After(2 * time.Minute):
		d.t.Fatal("the service is not ready after two minutes")
	}
	return s
}

func (s *service) signal(t *testing.T, sig os.Signal) error {
	t.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		t.Fatal(err)
	}
	return <-s.ended
}

// debs builds packages of two versions for this machine, as a keeper does, but
// compressed for speed.
func debs(t *testing.T, versions ...string) (paths []string) {
	t.Helper()
	out := t.TempDir()
	for _, v := range versions {
		c := exec.Command("go", "run", ".", "-o", out, "-arch", debianArch[runtime.GOARCH], "-version", v, "-fast")
		c.Dir = filepath.Join("..", "..", "testdata", "deb")
		if said, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, said)
		}
		paths = append(paths, filepath.Join(out, "yardtally_"+v+"_"+debianArch[runtime.GOARCH]+".deb"))
	}
	return paths
}

// install puts a package in, as dpkg does where nothing else is wanted.
func (d *debian) install(deb string) {
	d.t.Helper()
	text, err := os.ReadFile(deb)
	if err != nil {
		d.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(d.root, "root", "yardtally.deb"), text, 0o600); err != nil {
		d.t.Fatal(err)
	}
	d.run("dpkg", "-i", "/root/yardtally.deb")
}

// shortNight is one that is played at life's own pace: a yard, some small pulls.
func shortNight() rigsim.Scenario {
	s := rigsim.SmallNight(uint64(time.Now().UnixNano() % 1000))
	s.Start = time.Now().UTC()
	s.Yards = s.Yards[:1]
	s.Yards[0].Colonies, s.Yards[0].Fill = 4, 600*quantity.Millilitre
	s.Hand.Walk, s.Hand.Setup, s.Hand.Cruise, s.Tail = 8*time.Second, 3*time.Second, 25, 12*time.Second
	s.Hand.Short, s.Hand.Throttled, s.Hand.Topped = 0, 0, 0
	return s
}

// A fresh Debian gets the package, the service runs under its own user, takes a
// night over a serial line and MQTT, is killed, gets a
// newer package and goes on with it. In the end its books are the truth of the
// simulation, to the pulse. Then the package is removed, and purged.
func TestInstall(t *testing.T) {
	if why := canInstall(); why != "" {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatal(why + ", and must be here")
		}
		t.Skip(why)
	}
	if testing.Short() {
		t.Skip("makes a root of Debian's")
	}
	t.Parallel()
	var made sync.WaitGroup
	var packages []string
	made.Go(func() { packages = debs(t, "0.1.0", "0.1.1") })
	d := newDebian(t)
	made.Wait()
	if t.Failed() {
		return
	}
	d.install(packages[0])
	d.checkInstalled("0.1.0")

	// A keeper sets the rig up.
	n := &night{Scenario: shortNight()}
	near, far, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	defer far.Close()
	l, addr := &cable{near, far.Name()}, freeAddress(t)
	// A port forgets with its last user that it was one program's alone; a
	// pseudo-terminal does not as long as its other end is open.
	forgets := func() {
		if err := unix.IoctlSetInt(int(far.Fd()), unix.TIOCNXCL, 0); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(l.path, 0o660); err != nil {
		t.Fatal(err)
	}
	d.run("chown", "root:dialout", l.path) // as udev leaves a port
	conf := filepath.Join(d.root, "etc/yardtally/yardtally.toml")
	text, err := os.ReadFile(n.settingsFile(t, t.TempDir(), l.path, addr))
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`data = "data"`), []byte(`data = "/var/lib/yardtally"`), 1)
	// The hand is quick: a pull soon after another is of the next colony.
	text = bytes.Replace(text, []byte("[counter]\n"), []byte("[counter]\ntop_up = \"2.6 s\"\n"), 1)
	if err := os.WriteFile(conf, text, 0o640); err != nil {
		t.Fatal(err)
	}
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	defer func() {
		if t.Failed() {
			text, _ := os.ReadFile(log.Name())
			t.Logf("%s", text[max(0, len(text)-8000):])
		}
	}()
	s := d.start(log)
	if status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid)); err != nil || regexp.MustCompile(`(?m)^Uid:\s+0\s`).Match(status) {
		t.Errorf("the service is root's: %v\n%s", err, status)
	}

	n.Start = time.Now().UTC()
	rig, err := rigsim.New(n.Scenario)
	if err != nil {
		t.Fatal(err)
	}
	ctx, quit := context.WithCancel(context.Background())
	var feeding sync.WaitGroup
	var deaf atomic.Bool
	clock := sharedClock{source.SystemClock{}.Now().Mono, n.Start.UnixNano(), 1}
	feeding.Go(func() { talk(ctx, t, rig, l, addr, clock, &deaf) })
	defer feeding.Wait()
	defer quit()
	fed := make(chan struct{})
	go func() { feeding.Wait(); close(fed) }()

	data := filepath.Join(d.root, "var/lib/yardtally")
	over := func(pulls int) func() bool { // so many pulls at least, and none goes on
		return func() bool {
			v, err := look(data)
			return err == nil && len(v.Fills) >= pulls && !slices.ContainsFunc(v.Fills, func(f ledger.Fill) bool { return f.Open })
		}
	}
	await(t, "the first pull", over(1))
	deaf.Store(true)
	s.signal(t, syscall.SIGKILL)
	forgets()
	s = d.start(log)
	deaf.Store(false)

	await(t, "the second pull", over(2))
	kept, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	d.install(packages[1])
	await(t, "the end of a pull", over(2)) // TestKill has the daemon killed at any moment
	deaf.Store(true)
	if err := s.signal(t, syscall.SIGTERM); err != nil {
		t.Errorf("the service did not end well: %v", err)
	}
	forgets()
	s = d.start(log)
	deaf.Store(false)
	if now, err := os.ReadFile(conf); err != nil || !bytes.Equal(now, kept) || !bytes.Equal(now, text) {
		t.Errorf("the settings did not outlive the upgrade: %v\n%s", err, now)
	}
	if got := d.run("yardtally", "version"); got != "yardtally 0.1.1\n" {
		t.Errorf("the new version says it is %q", got)
	}
	<-fed
	n.truth = rig.Truth()
	want := quantity.Volume(n.truth.Count-n.Meter.Count) * n.pulse
	await(t, "the last reading", func() bool { v, err := look(data); return err == nil && v.Total >= want })
	d.checkBooks(n, want)
	last, err := look(data)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.signal(t, syscall.SIGTERM); err != nil {
		t.Errorf("the service did not end well: %v", err)
	}
	if last.Total != want {
		t.Errorf("total %v, truly %v", last.Total, want)
	}
	after := replayed(t, data)
	if after.Total != want {
		t.Errorf("replayed: total %v, truly %v", after.Total, want)
	}
	n.checkSum(t, "installed", after)
	if len(after.Fills) != len(n.truth.Fills) {
		t.Errorf("replayed: %d fills, truly %d", len(after.Fills), len(n.truth.Fills))
	}
	n.checkKept(t, data, after, 2)
	d.checkGone()
}

// checkInstalled looks at what the package set up.
func (d *debian) checkInstalled(version string) {
	t := d.t
	t.Helper()
	if got := d.run("dpkg-query", "-W", "-f", "${db:Status-Abbrev} ${Version}", "yardtally"); got != "ii  "+version {
		t.Errorf("dpkg says %q", got)
	}
	groups := strings.Fields(d.run("id", "-Gn", "yardtally"))
	if slices.Sort(groups); !slices.Equal(groups, []string{"dialout", "gpio", "yardtally"}) {
		t.Errorf("the user's groups are %v", groups)
	}
	for path, want := range map[string]string{
		"/var/lib/yardtally":            "yardtally:yardtally 750",
		"/etc/yardtally/yardtally.toml": "root:yardtally 640",
		"/usr/bin/yardtally":            "root:root 755",
	} {
		if got := strings.TrimSpace(d.run("stat", "-c", "%U:%G %a", path)); got != want {
			t.Errorf("%s is %s, want %s", path, got, want)
		}
	}
	if got := d.run("readlink", "/etc/systemd/system/multi-user.target.wants/yardtally.service"); !strings.HasSuffix(got, "systemd/system/yardtally.service\n") {
		t.Errorf("the service is enabled as %q", got)
	}
	if out := d.run("dpkg", "--verify", "yardtally"); out != "" {
		t.Errorf("files are not as packed: %s", out)
	}
	// The settings of a fresh package are good, but they know of no sensor yet.
	out, err := d.try("yardtally", "check", "-settings", "/etc/yardtally/yardtally.toml")
	if fails := regexp.MustCompile(`(?m)^FAILS +(\w+):`).FindAllString(out, -1); err == nil || len(fails) != 2 || !strings.HasSuffix(fails[0], "provings:") || !strings.HasSuffix(fails[1], "sources:") {
		t.Errorf("check says, %v: %s", err, out)
	}
}

// checkBooks asks the installed commands, as the service's user, for the night.
func (d *debian) checkBooks(n *night, want quantity.Volume) {
	t := d.t
	t.Helper()
	as := func(args ...string) string {
		return d.run(append([]string{"setpriv", "--reuid=yardtally", "--regid=yardtally", "--init-groups", "yardtally"}, append(args, "-settings", "/etc/yardtally/yardtally.toml")...)...)
	}
	var fills struct {
		Fills []struct {
			First   uint64  `json:"first_count"`
			Last    uint64  `json:"last_count"`
			VolumeL float64 `json:"volume_l"`
			Yard    string
		}
	}
	out := as("fills", "-all", "--json")
	if err := json.Unmarshal([]byte(out), &fills); err != nil || len(fills.Fills) != len(n.truth.Fills) {
		t.Fatalf("fills lists %d, truly %d (%v): %s", len(fills.Fills), len(n.truth.Fills), err, out)
	}
	given := 0.0
	for i, f := range fills.Fills {
		given += f.VolumeL
		w := &n.truth.Fills[i]
		if f.First < w.First || f.First > w.First+1 || f.Last < w.Last || f.Last > w.Settled || f.Yard != w.Yard {
			t.Errorf("fill %d is of counts %d to %d in %q, truly %d to %d or %d in %q", i, f.First, f.Last, f.Yard, w.First, w.Last, w.Settled, w.Yard)
		}
	}
	var st struct {
		Lines []struct {
			Part, Yard string
			VolumeL    float64 `json:"volume_l"`
			Fills      *int
		}
		Metered struct {
			VolumeL float64 `json:"volume_l"`
		}
	}
	out = as("statement", "-format", "json")
	if err := json.Unmarshal([]byte(out), &st); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	const litre = 1e-6 // what JSON's figures are rounded to, and more
	if math.Abs(st.Metered.VolumeL-want.Litres()) > litre {
		t.Errorf("the statement has %g L through the meter, truly %g", st.Metered.VolumeL, want.Litres())
	}
	yards, sum := 0, 0.0
	for _, x := range st.Lines {
		if sum += x.VolumeL; x.Part == "yards" {
			if yards++; x.Yard != "orchard" || x.Fills == nil || *x.Fills != len(n.truth.Fills) || math.Abs(x.VolumeL-given) > litre {
				t.Errorf("the statement has a yard %+v, truly orchard with %d fills, and %g L", x, len(n.truth.Fills), given)
			}
		}
	}
	if yards != 1 || math.Abs(sum-want.Litres()) > litre {
		t.Errorf("the statement's lines have %d yards and %g L, truly 1 and %g: %s", yards, sum, want.Litres(), out)
	}
}

// checkGone removes the package and purges it: the one keeps what is the
// keeper's, the other leaves nothing of the package's.
func (d *debian) checkGone() {
	t := d.t
	t.Helper()
	there := func(path string) bool {
		_, err := os.Lstat(filepath.Join(d.root, path))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Error(err)
		}
		return err == nil
	}
	// As where systemd runs: what the scripts ask of it is noted.
	if err := os.MkdirAll(filepath.Join(d.root, "run/systemd/system"), 0o755); err != nil {
		t.Fatal(err)
	}
	note := filepath.Join(d.root, "usr/local/bin/systemctl")
	if err := os.WriteFile(note, []byte("#!/bin/sh\necho \"$@\" >>/run/asked\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	d.run("dpkg", "-r", "yardtally")
	if there("usr/bin/yardtally") || there("usr/lib/systemd/system/yardtally.service") || !there("etc/yardtally/yardtally.toml") || !there("var/lib/yardtally/journal.db") {
		t.Error("removing took the settings or the journal, or left the program")
	}
	d.run("dpkg", "-i", "/root/yardtally.deb")
	d.run("dpkg", "-P", "yardtally")
	asked, err := os.Open(filepath.Join(d.root, "run/asked"))
	if err != nil {
		t.Fatal(err)
	}
	defer asked.Close()
	var lines []string
	for in := bufio.NewScanner(asked); in.Scan(); {
		lines = append(lines, in.Text())
	}
	all := strings.Join(lines, "\n")
	for _, want := range []string{"stop .*yardtally.service", "daemon-reload", "(re)?start .*yardtally.service"} {
		if !regexp.MustCompile(want).MatchString(all) {
			t.Errorf("systemd was not asked to %s, but to:\n%s", want, all)
		}
	}
	left := d.run("find", "/", "-xdev", "-name", "*yardtally*", "-not", "-path", "/root/*")
	if left != "" {
		t.Errorf("purging left:\n%s", left)
	}
	if out := d.run("dpkg", "-l"); strings.Contains(out, "yardtally") {
		t.Error("dpkg still knows the package")
	}
}
