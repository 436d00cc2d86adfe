package mqttsub

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// came is a message as the library hands it on; take asks no more of it.
type came struct {
	mqtt.Message
	topic    string
	retained bool
	payload  string
}

func (m came) Topic() string   { return m.topic }
func (m came) Retained() bool  { return m.retained }
func (m came) Payload() []byte { return []byte(m.payload) }

// arrivals is a sink that keeps what it is given.
type arrivals []source.Arrival

func (a *arrivals) Put(_ context.Context, x source.Arrival) error {
	*a = append(*a, x)
	return nil
}

// fits reports whether a topic is of a filter: MQTT 3.1.1, section 4.7.
func fits(filter, topic string) bool {
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	if strings.HasPrefix(topic, "$") && (f[0] == "+" || f[0] == "#") { // 4.7.2
		return false
	}
	for i, level := range f {
		switch {
		case level == "#": // 4.7.1.2: and the level above it
			return true
		case i >= len(t) || level != "+" && level != t[i]: // 4.7.1.3
			return false
		}
	}
	return len(f) == len(t)
}

// valid reports whether a filter is one: 4.7.1, 4.7.3, 1.5.3.
func valid(filter string) bool {
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		if strings.ContainsAny(l, "+#") && (len(l) > 1 || l == "#" && i < len(levels)-1) {
			return false
		}
	}
	return filter != "" && len(filter) < 1<<16 && utf8.ValidString(filter) && !strings.Contains(filter, "\x00")
}

// brokerFits asks a broker's index of subscriptions, which others wrote.
func brokerFits(filter, topic string) bool {
	x := broker.NewTopicsIndex()
	x.Subscribe("rig", packets.Subscription{Filter: filter})
	return len(x.Subscribers(topic).Subscriptions) > 0
}

// Whatever is set as prefix and rig, and whatever topic comes: what is subscribed
// to is a filter, and takes in the topics of these rigs and, of one rig, no
// other; readings reach the sink from those topics only, under the topic's rig.
// What was asked for is known again as a broker knows it.
func FuzzTopics(f *testing.F) {
	for _, topic := range []string{"yard/heron/readings", "yard/egret/readings", "yard/wren/readings", "yard/heron/readings/", "/yard/heron/readings", "yard//readings", "yard/+/readings",
		"yard/heron", "yard/heron/results", "yard/heron/results/", "yard/heron/results/night/x", "yard/heron/resultsx", "$SYS/heron/readings", "Yard/heron/readings", "yard/heron/readings\x00", "#", ""} {
		f.Add("yard", "heron", topic, "yard/heron/results/#", false, false)
		f.Add("yard", "heron", topic, "yard/+/results/#", true, false)
	}
	for _, prefix := range []string{"a/b", "a//b", "", "/", "$share/x", "+", "yard/#", "\xff", "\x00", "ÿ", "yard ", strings.Repeat("y", 129)} {
		f.Add(prefix, "heron", prefix+"/heron/readings", "#", true, true)
		f.Add("yard", prefix, "yard/"+prefix+"/readings", "+/+/#", false, false)
	}
	f.Fuzz(func(t *testing.T, prefix, rig, topic, ask string, several, retained bool) {
		o := Options{Name: "mqtt", URL: "tcp://127.0.0.1:1883", ClientID: "desk", Prefix: prefix, Clock: source.SystemClock{}}
		rigs := []string{rig}
		if several {
			rigs = append(rigs, "egret")
			o.Rigs = rigs
		} else {
			o.Rig = rig
		}
		if ask = strings.TrimSuffix(ask, "/#") + "/#"; valid(ask) {
			o.Ask = []string{ask}
		}
		s, err := New(o)
		if err != nil {
			if !strings.Contains(err.Error(), "must") || !strings.HasPrefix(err.Error(), "prefix: ") && !strings.HasPrefix(err.Error(), "rig: ") {
				t.Errorf("prefix %q, rig %q: %v", prefix, rig, err)
			}
			return
		}
		if !valid(s.topic) || strings.ContainsAny(prefix+rig, "+#") { // wildcards are for us to set
			t.Fatalf("prefix %q, rig %q: subscribes to %q", prefix, rig, s.topic)
		}
		// Of an empty topic no message can be: 4.7.3.
		ours := false
		for _, r := range rigs {
			ours = ours || topic == prefix+"/"+r+"/readings"
			if own := prefix + "/" + r + "/readings"; !fits(s.topic, own) || !brokerFits(s.topic, own) {
				t.Errorf("%q takes in no %q", s.topic, own)
			}
		}
		if ours && !fits(s.topic, topic) || !several && fits(s.topic, topic) != ours {
			t.Errorf("%q takes in %q: %v; it is of the rigs: %v", s.topic, topic, fits(s.topic, topic), ours)
		}
		if len(o.Ask) > 0 && valid(topic) && !strings.ContainsAny(topic, "+#") {
			if got := s.asked(topic); got != fits(ask, topic) {
				t.Errorf("%q is of %q: %v; by the standard %v", topic, ask, got, fits(ask, topic))
			} else if got != brokerFits(ask, topic) && !strings.HasSuffix(ask, "+/#") { // that broker leaves out the level above it
				t.Errorf("%q is of %q: %v; by a broker it is not so", topic, ask, got)
			}
		}
		// Every rig's pack, so that what is in it does not say whose it is.
		var sink arrivals
		for _, of := range append(slices.Clone(rigs), "wren") {
			pack := fmt.Sprintf(`[{"bn":"%s/","bt":1790000000.2,"n":"pulses","u":"count","v":7}]`, of)
			if err := s.take(t.Context(), &sink, came{topic: topic, retained: retained, payload: pack}); err != nil {
				t.Fatal(err)
			}
		}
		for _, a := range sink {
			if topic != prefix+"/"+a.Rig+"/readings" || !slices.Contains(rigs, a.Rig) || retained {
				t.Errorf("topic %q, retained %v, reaches the sink as of rig %q", topic, retained, a.Rig)
			}
		}
		if ours && !retained && !s.asked(topic) && len(sink) == 0 {
			t.Errorf("topic %q does not reach the sink", topic)
		}
	})
}

// Examples of the standard, MQTT 3.1.1, sections 4.7.1.2, 4.7.1.3 and 4.7.2.
func TestTopicMatches(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/tennis/player1/#", "sport/tennis/player10", false},
		{"sport/#", "sport", true},
		{"#", "sport/tennis", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/monitor", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
	} {
		if got := wire.TopicMatches(c.filter, c.topic); got != c.want || got != fits(c.filter, c.topic) || got != brokerFits(c.filter, c.topic) {
			t.Errorf("%q within %q: %v, want %v; the fuzz target's own rule says %v, a broker %v",
				c.topic, c.filter, got, c.want, fits(c.filter, c.topic), brokerFits(c.filter, c.topic))
		}
	}
}
