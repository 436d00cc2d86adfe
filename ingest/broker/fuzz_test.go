package broker

import (
	"strings"
	"testing"

	"yardtally/ingest/source"
)

// fits reports whether a topic is of a filter: MQTT 5, section 4.7.
func fits(filter, topic string) bool {
	if rest, ok := strings.CutPrefix(filter, "$share/"); ok { // 4.8.2
		_, filter, ok = strings.Cut(rest, "/")
		if !ok {
			return false
		}
	}
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	if strings.HasPrefix(topic, "$") && (f[0] == "+" || f[0] == "#") {
		return false
	}
	for i, level := range f {
		switch {
		case level == "#":
			return true
		case i >= len(t) || level != "+" && level != t[i]:
			return false
		}
	}
	return len(f) == len(t)
}

// Whatever a user of heron asks for, no filter that is let pass reaches another
// rig's topics or the broker's own, and nothing is published but to heron's readings.
func FuzzRights(f *testing.F) {
	for _, s := range []string{"yardtally/heron/#", "yardtally/+/readings", "#", "+/+/+", "$share/x/yardtally/egret/readings", "$SYS/#", "yardtally/heron/../egret",
		"yardtally/heron/readings", "yardtally//readings", "yardtally/heron", "yardtally/heronry/#", "yardtally/heron+/#", "\x00", "yardtally/heron/+/#"} {
		f.Add(s, "yardtally/egret/readings")
		f.Add(s, "yardtally/heronry/results/night")
		f.Add(s, "$SYS/broker/clients")
	}
	s, err := New(Options{Name: "broker", Addr: "127.0.0.1:0", Prefix: "yardtally", Rigs: []string{"heron", "egret"}, Clock: source.SystemClock{}, Users: []User{
		{Name: "h", Password: "x", Rig: "heron"}, {Name: "r", Password: "y", Rig: "heron", ReadOnly: true}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, filter, topic string) {
		own := strings.HasPrefix(topic, "yardtally/heron/")
		for _, user := range []string{"h", "r", "", "nobody"} {
			if known := user == "h" || user == "r"; s.mayRead(user, filter) && (!known || !own && fits(filter, topic)) {
				t.Errorf("%q may read %q, which reaches %q", user, filter, topic)
			}
			if s.mayPublish(user, topic) && (user != "h" || topic != "yardtally/heron/readings") {
				t.Errorf("%q may publish to %q", user, topic)
			}
		}
		if s.signIn(filter, topic) {
			t.Errorf("%q with %q is let in", filter, topic)
		}
	})
}
