package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"strings"
)

// wifi is the board's own network, for a yard without any.
type wifi struct {
	device, name, phrase string
}

// wifiAddress is the board's own in its network: NetworkManager's usual one of
// ipv4.method "shared" (nm-settings-nmcli(5), from memory), said so that it is
// sure.
const wifiAddress = "10.42.0.1"

// wifiProfile is what NetworkManager calls it.
const wifiProfile = "yardtally-yard"

// commands are those that make the network with NetworkManager and begin it.
// The settings' names are of nm-settings-nmcli(5), from memory: 802-11-wireless
// (also "wifi") and 802-11-wireless-security (also "wifi-sec"). WPA2 alone:
// proto rsn, ccmp.
func (w *wifi) commands() [][]string {
	return [][]string{
		{"nmcli", "connection", "add", "type", "wifi", "ifname", w.device, "con-name", wifiProfile, "autoconnect", "yes", "ssid", w.name,
			"802-11-wireless.mode", "ap", "802-11-wireless.band", "bg",
			"ipv4.method", "shared", "ipv4.addresses", wifiAddress + "/24",
			"wifi-sec.key-mgmt", "wpa-psk", "wifi-sec.proto", "rsn", "wifi-sec.pairwise", "ccmp", "wifi-sec.group", "ccmp", "wifi-sec.psk", w.phrase},
		{"nmcli", "connection", "up", wifiProfile},
	}
}

// askWifi asks for the network, and prints how to make it, or with run and a yes
// makes it.
func (s *setup) askWifi(ctx context.Context, run bool) error {
	yes, err := s.confirm(ctx, "wifi", "Should this board make a Wi-Fi of its own in the yard?",
		"Without a network in the yard the phone can reach the board over a Wi-Fi of the board's own.", map[bool]string{true: "y", false: "n"}[run])
	if err != nil || !yes {
		return err
	}
	w := wifi{device: wifiDevice("/sys/class/net")}
	err = s.put(ctx, question{key: "wifi-device", ask: "Its device", usual: w.device, take: func(a string) error {
		if a == "" || len(a) > 15 || strings.HasPrefix(a, "-") || strings.ContainsAny(a, " /\t") { // IFNAMSIZ 16, with its end; from memory
			return fmt.Errorf("wifi-device: must be a network device like wlan0, of at most 15 letters, is %q", a)
		}
		w.device = a
		return nil
	}})
	if err == nil {
		err = s.put(ctx, question{key: "wifi-name", ask: "Its name", usual: s.rig, take: func(a string) error {
			if a == "" || len(a) > 32 || strings.HasPrefix(a, "-") { // IEEE 802.11: an SSID has 32 bytes at most; from memory
				return fmt.Errorf("wifi-name: must have 1 to 32 bytes and not begin with -, is %q", a)
			}
			w.name = a
			return nil
		}})
	}
	made := readable()
	if err == nil {
		err = s.put(ctx, question{key: "wifi-phrase", ask: "Its pass phrase", usual: made, hint: "8 to 63 plain characters; the one in brackets was just made by chance.", take: func(a string) error {
			if err := checkWifiPhrase(a); err != nil {
				return err
			}
			w.phrase = a
			return nil
		}})
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\nNote it: Wi-Fi %s, pass phrase %s, then http://%s:8317/ on the phone.\n", w.name, w.phrase, wifiAddress)
	fmt.Fprintf(s.out, "While it is up, %s has left the Wi-Fi it was in: a board that hangs on that alone is gone from the\nhome network, and an ssh session over it ends. `nmcli connection down %s` brings it home.\n", w.device, wifiProfile)
	fmt.Fprint(s.out, "Radio is under the rules of the place where you are: set the board's country first (iw reg set XX,\nor the board's own tool), so that it sends on channels and with power that are allowed there.\n")
	if _, err := exec.LookPath("nmcli"); err != nil {
		fmt.Fprintf(s.out, `
This board has no NetworkManager (no nmcli on PATH), so by hand, as root:
  1. an access point (hostapd, or what the board's system has): device %[1]s, name %[2]s, band 2.4 GHz, WPA2 with that pass phrase
  2. the address %[3]s/24 on %[1]s
  3. a DHCP server on %[1]s that gives out addresses of %[3]s/24 (dnsmasq, or systemd-networkd's DHCPServer=yes)
`, w.device, w.name, wifiAddress)
		return nil
	}
	fmt.Fprint(s.out, "\nThe commands, as root or as one who may change the network:\n")
	for _, c := range w.commands() {
		fmt.Fprintf(s.out, "  %s\n", shellLine(c))
	}
	if !run {
		fmt.Fprint(s.out, "\"yardtally setup -wifi\" also runs them.\n")
		return nil
	}
	yes, err = s.confirm(ctx, "wifi-run", "Run them now?", "", "n")
	if err != nil || !yes {
		return err
	}
	for _, c := range w.commands() {
		cmd := exec.CommandContext(ctx, c[0], c[1:]...)
		cmd.Stdout, cmd.Stderr = s.out, s.out
		if err := cmd.Run(); err != nil {
			return fmt.Errorf("%s: %w; the settings are written, the Wi-Fi is not up", strings.Join(c[:3], " "), err)
		}
	}
	fmt.Fprintf(s.out, "The Wi-Fi %s is up.\n", w.name)
	return nil
}

// checkWifiPhrase holds a pass phrase to IEEE 802.11's bounds, from memory: 8 to
// 63 printable ASCII characters.
func checkWifiPhrase(p string) error {
	if len(p) < 8 || len(p) > 63 || strings.ContainsFunc(p, func(c rune) bool { return c < ' ' || c > '~' }) {
		return fmt.Errorf("wifi-phrase: must have 8 to 63 plain characters, has %d", len([]rune(p)))
	}
	return nil
}

// wifiDevice is the first wireless device of this machine, else what most
// boards call it.
func wifiDevice(net string) string {
	found, _ := filepath.Glob(filepath.Join(net, "*", "wireless"))
	if len(found) == 0 {
		return "wlan0"
	}
	return filepath.Base(filepath.Dir(found[0]))
}

// readable makes a phrase by chance that can be read out: five words of two
// syllables each, of 16 consonants and 4 vowels, so 60 bits.
func readable() string {
	const consonants, vowels = "bdfghjklmnprstvz", "aeou"
	var raw [10]byte
	if _, err := io.ReadFull(rand.Reader, raw[:]); err != nil {
		panic(errors.Join(errors.New("no chance left in this machine"), err)) // crypto/rand: never fails
	}
	var b strings.Builder
	for i, r := range raw {
		if i > 0 && i%2 == 0 {
			b.WriteByte('-')
		}
		b.WriteByte(consonants[r>>2&15])
		b.WriteByte(vowels[r&3])
	}
	return b.String()
}

// shellLine writes a command so that a shell reads it back.
func shellLine(args []string) string {
	out := make([]string, len(args))
	for i, a := range args {
		out[i] = a
		if a == "" || strings.ContainsFunc(a, func(c rune) bool {
			return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("-_./:@,+", c))
		}) {
			out[i] = "'" + strings.ReplaceAll(a, "'", `'\''`) + "'"
		}
	}
	return strings.Join(out, " ")
}
