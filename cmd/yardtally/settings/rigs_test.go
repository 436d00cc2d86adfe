package settings

import (
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"yardtally/meter/act"
)

// houseText is a house of three rigs: two have a file of their own.
const houseText = `units = "SI"
zone = "America/Chicago"
[counter]
fill = "4 L"
[tote]
capacity = "1000 L"
strapping = [["0 cm", "0 L"], ["100 cm", "1000 L"]]
[[yards]]
id = "orchard"
position = [43.22, -91.88]
[[yards]]
id = "mill"
position = [43.23, -91.92]
[[provings]]
k_factor = "132 pulses/L"
[[rigs]]
name = "heron"
settings = "rigs/heron.toml"
[[rigs]]
name = "plover"
settings = "rigs/plover.toml"
[[rigs]]
name = "dunlin"
[[mqtt]]
url = "tcp://127.0.0.1:1884"
[broker]
[[broker.users]]
name = "a"
password = "x"
rig = "plover"
`

func houseAt(t *testing.T, text string, own map[string]string) (*Settings, error) {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "rigs"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, text := range own {
		if err := os.WriteFile(filepath.Join(dir, "rigs", name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Parse(filepath.Join(dir, "house.toml"), []byte(text))
	if err != nil {
		err = &stripped{err, dir + string(filepath.Separator)}
	}
	return s, err
}

type stripped struct {
	error
	dir string
}

func (s *stripped) Error() string { return strings.ReplaceAll(s.error.Error(), s.dir, "") }

func TestHouse(t *testing.T) {
	s, err := houseAt(t, houseText, map[string]string{
		"heron.toml": "rig = \"heron\"\n[tote]\nname = \"own\"\ncapacity = \"500 L\"\nstrapping = [[\"0 cm\", \"0 L\"], [\"100 cm\", \"500 L\"]]\n" +
			"[[yards]]\nid = \"mill\"\nposition = [43.5, -91.5]\n[[yards]]\nid = \"larch\"\nposition = [43.1, -91.8]\n" +
			"[[provings]]\nk_factor = \"200 pulses/L\"\n[[serial]]\nport = \"/dev/ttyUSB0\"\n[[recording]]\npath = \"card.senml\"\n",
		"plover.toml": "[counter]\nfill = \"6 L\"\n",
	})
	if err != nil {
		t.Fatal(err)
	}
	if !s.House() || !reflect.DeepEqual(s.Names(), []string{"heron", "plover", "dunlin"}) || s.Rig != "" || s.Of("stranger") != nil {
		t.Errorf("names %v", s.Names())
	}
	if s.MQTT[0].Client != "yardtally-house" || s.Broker.Users[0].Rig != "plover" {
		t.Errorf("%+v, %+v", s.MQTT, s.Broker)
	}
	type told struct {
		fill, tote, k float64
		yards         string
	}
	for rig, want := range map[string]told{
		"heron":  {4, 500, 200, "orchard 43.22, mill 43.5, larch 43.1, "},
		"plover": {6, 1000, 132, "orchard 43.22, mill 43.23, "},
		"dunlin": {4, 1000, 132, "orchard 43.22, mill 43.23, "},
	} {
		one := s.Of(rig)
		var got told
		for _, a := range one.Acts {
			switch b := a.Body.(type) {
			case act.Rig:
				got.fill = b.FillL
				if b.Zone != "America/Chicago" {
					t.Errorf("%s: zone %q", rig, b.Zone)
				}
			case act.Tote:
				got.tote = b.CapacityL
			case act.Proving:
				got.k = b.PulsesPerL
			case act.Yard:
				got.yards += b.ID + " " + strconv.FormatFloat(b.Lat, 'g', -1, 64) + ", "
			}
		}
		if got != want {
			t.Errorf("%s: got %+v, want %+v", rig, got, want)
		}
		if one.Units != s.Units || one.Page != s.Page || one.Data != s.Data || one.Broker != s.Broker || one.House() || len(one.Each()) != 1 {
			t.Errorf("%s does not share the house's", rig)
		}
	}
	heron := s.Of("heron")
	if len(heron.Serial) != 1 || len(heron.Recording) != 1 || filepath.Base(filepath.Dir(heron.Recording[0].Path)) != "rigs" || len(s.Of("dunlin").Serial) != 0 {
		t.Errorf("sources %+v, %+v", heron.Serial, heron.Recording)
	}
}

func TestBadHouse(t *testing.T) {
	const two = "[[rigs]]\nname = \"heron\"\nsettings = \"rigs/heron.toml\"\n[[rigs]]\nname = \"plover\"\n"
	for name, c := range map[string]struct {
		text, own string
		want      string
	}{
		"a rig and rigs":     {"rig = \"heron\"\n" + two, "", `house.toml:1: rig: must not stand beside [[rigs]], is "heron"`},
		"twice":              {two + "[[rigs]]\nname = \"plover\"\n", "", `house.toml:7: rigs[2].name: must be the only rig of that name, is "plover"`},
		"no name":            {two + "[[rigs]]\n", "", `house.toml:6: rigs[2].name: must be given, like "heron"`},
		"a bad name":         {two + "[[rigs]]\nname = \"a/b\"\n", "", `house.toml:7: rigs[2].name: must be at most 64 letters, digits and - : . _ beginning with a letter or digit, is "a/b"`},
		"a port of nobody":   {two + "[[serial]]\nport = \"/dev/ttyUSB0\"\n", "", `house.toml:6: serial: must stand in the settings file of the rig that it is of, as there are several`},
		"not there":          {two + "[[rigs]]\nname = \"dunlin\"\nsettings = \"none.toml\"\n", "", `house.toml:8: rigs[2].settings: must be a file that can be read (no such file or directory), is "none.toml"`},
		"the house's":        {two, "units = \"SI\"\n", `rigs/heron.toml:1: units: is the house's: it must stand in the file that names the rigs, and here may stand rig, counter, tote, batch, meter, line, yards, provings, serial, recording, gpio, gpsd, modbus`},
		"another's name":     {two, "rig = \"plover\"\n", `rigs/heron.toml:1: rig: must be "heron", as the house calls it, or be left out, is "plover"`},
		"bad in its own":     {two, "[counter]\nfill = \"4\"\n", `rigs/heron.toml:2: counter.fill: must name its unit, one of gal, qt, pt, L, mL, m3, is "4"`},
		"not TOML":           {two, "[counter\n", `rigs/heron.toml:1: is not TOML: `},
		"a user of nobody":   {two + "[broker]\n[[broker.users]]\nname = \"a\"\npassword = \"x\"\n", "", `house.toml:7: broker.users[0].rig: must be given, like "heron", as there are several`},
		"a user of another":  {two + "[broker]\n[[broker.users]]\nname = \"a\"\npassword = \"x\"\nrig = \"dunlin\"\n", "", `house.toml:10: broker.users[0].rig: must be one of the [[rigs]], is "dunlin"`},
		"one rig's user":     {"rig = \"heron\"\n[broker]\n[[broker.users]]\nname = \"a\"\npassword = \"x\"\nrig = \"plover\"\n", "", `house.toml:6: broker.users[0].rig: must be the rig, or be left out, as there is one only, is "plover"`},
		"a rig among others": {"[[rigs]]\nname = \"heron\"\nfill = \"4 L\"\n", "", `house.toml:3: rigs[0].fill: is not a setting; here may stand name, settings`},
	} {
		_, err := houseAt(t, c.text, map[string]string{"heron.toml": c.own})
		if err == nil || !strings.HasPrefix(err.Error(), c.want) || name != "not TOML" && err.Error() != c.want {
			t.Errorf("%s:\ngot  %v\nwant %s", name, err, c.want)
		}
	}
	_, err := houseAt(t, two+"[[rigs]]\nname = \"dunlin\"\nsettings = \"rigs/dunlin.toml\"\n", map[string]string{
		"heron.toml": "[[serial]]\nport = \"/dev/ttyUSB0\"\n", "dunlin.toml": "[[serial]]\nport = \"/dev/ttyUSB0\"\n"})
	if want := `house.toml:6: rigs[2].settings: must not read the port /dev/ttyUSB0, which rig "heron" reads`; err == nil || err.Error() != want {
		t.Errorf("one port twice:\ngot  %v\nwant %s", err, want)
	}
}
