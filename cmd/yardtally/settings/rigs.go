package settings

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"yardtally/ingest/wire"
)

// mostRigs is how many rigs a house has at most. Judgement, no source.
const mostRigs = 1000

// rigTable mirrors one of [[rigs]].
type rigTable struct {
	Name     string `toml:"name"`
	Settings string `toml:"settings"`
}

// ofRig are the keys that may stand in a rig's own file, beside its name. What
// stands there takes the place of the house's; of yards, those of the same id.
var ofRig = []string{"counter", "tote", "batch", "meter", "line", "yards", "provings", "serial", "recording", "gpio", "gpsd", "modbus"}

// ownSources are those of them that bring readings.
var ownSources = []string{"serial", "recording", "gpio", "gpsd", "modbus"}

// Each returns the settings of each rig: of a house with several each is the
// whole with the rig's own Rig, Serial, Recording, GPIO, GPSD, Modbus and Acts.
func (s *Settings) Each() []*Settings {
	if len(s.Rigs) == 0 {
		return []*Settings{s}
	}
	return s.Rigs
}

// Of returns the settings of a rig, nil if it is not in them.
func (s *Settings) Of(rig string) *Settings {
	for _, one := range s.Each() {
		if one.Rig == rig {
			return one
		}
	}
	return nil
}

// Names are the rigs' names, in the order of the file.
func (s *Settings) Names() []string {
	var out []string
	for _, one := range s.Each() {
		out = append(out, one.Rig)
	}
	return out
}

// House reports whether the settings are of several rigs.
func (s *Settings) House() bool { return len(s.Rigs) > 0 }

// name checks a rig's name.
func (r *reader) name(field, name string) {
	if r.need(field, name != "", `"heron"`) && wire.CheckRig(name) != nil {
		r.fail(field, "must be at most 64 letters, digits and - : . _ beginning with a letter or digit")
	}
}

// rigs reads the rigs of a house. What the house's file says of counter, tote,
// yards and the like holds for each whose own file does not say it.
func (r *reader) rigs(f *file) {
	s := r.s
	if len(f.Rigs) == 0 {
		return
	}
	if f.Rig != "" {
		r.fail("rig", "must not stand beside [[rigs]]")
	}
	if len(f.Rigs) > mostRigs {
		r.bad(r.near("rigs[0]"), "rigs", fmt.Sprintf("must be at most %d", mostRigs), fmt.Sprint(len(f.Rigs)))
		return
	}
	for _, key := range ownSources {
		if _, ok := r.layout.line[key]; ok {
			r.bad(r.near(key), key, "must stand in the settings file of the rig that it is of, as there are several", "")
		}
	}
	seen := map[string]bool{}
	ports := map[string]string{}
	lamp := ""
	if s.Signal != nil && s.Signal.Pin != nil {
		lamp = s.Signal.Pin.claim()
	}
	for i := range f.Rigs {
		x := &f.Rigs[i]
		at := fmt.Sprintf("rigs[%d]", i)
		r.name(at+".name", x.Name)
		if seen[x.Name] && x.Name != "" {
			r.fail(at+".name", "must be the only rig of that name")
		}
		seen[x.Name] = true
		one := *s
		one.Rig, one.Rigs, one.Serial, one.Recording, one.GPIO, one.GPSD, one.Modbus = x.Name, nil, nil, nil, nil, nil, nil
		if x.Settings != "" {
			r.own(at, x, &one)
		}
		for _, p := range one.claims() {
			if p == lamp {
				r.bad(r.near(at), at+".settings", fmt.Sprintf("must not read %s, which [signal] drives", p), "")
			}
			if by, ok := ports[p]; ok {
				r.bad(r.near(at), at+".settings", fmt.Sprintf("must not read %s, which rig %q reads", p, by), "")
			}
			ports[p] = x.Name
		}
		s.Rigs = append(s.Rigs, &one)
	}
}

// own reads a rig's own file into its settings.
func (r *reader) own(at string, x *rigTable, one *Settings) {
	path := r.beside(x.Settings)
	data, err := readSmall(path, mostFile)
	if err != nil {
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		r.fail(at+".settings", fmt.Sprintf("must be a file that can be read (%v)", err))
		return
	}
	l, err := survey(path, data)
	if err != nil {
		r.wrong = append(r.wrong, err)
		return
	}
	own := reader{layout: l, s: one}
	var f file
	if !own.kinds {
		if err := toml.Unmarshal(data, &f); err != nil {
			own.wrong = append(own.wrong, decodeError(path, err))
		} else {
			own.ofRig(&f, x.Name)
		}
	}
	r.wrong = append(r.wrong, own.wrong...)
}

func (r *reader) ofRig(f *file, name string) {
	for field := range r.layout.line {
		key, _, _ := strings.Cut(field, ".")
		key, _, _ = strings.Cut(key, "[")
		if key != "rig" && !slices.Contains(ofRig, key) && field == key {
			r.bad(r.near(field), field, "is the house's: it must stand in the file that names the rigs, and here may stand rig, "+strings.Join(ofRig, ", "), "")
		}
	}
	if f.Rig != "" && f.Rig != name {
		r.fail("rig", fmt.Sprintf("must be %q, as the house calls it, or be left out", name))
	}
	house := r.s.Acts
	r.s.Acts = nil
	if _, ok := r.layout.line["counter"]; ok {
		r.counter(f)
	}
	r.acts(f)
	replaced := map[string]bool{}
	for _, a := range r.s.Acts {
		replaced[about(a.Key)] = true
	}
	house = slices.DeleteFunc(slices.Clone(house), func(a Said) bool { return replaced[about(a.Key)] })
	r.s.Acts = append(house, r.s.Acts...)
	r.ports(f)
}

// about is what of a rig's settings a key is of: provings go together, yards
// one by one.
func about(key string) string {
	if strings.HasPrefix(key, "proving") {
		return "proving"
	}
	return key
}
