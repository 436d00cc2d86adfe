package broker

import (
	"fmt"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// What the daemon publishes comes at QoS 1 to those who may read it, and is
// kept for nobody.
func TestPublish(t *testing.T) {
	o := named()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Publish(t.Context(), "yard/heron/signal", nil); err == nil {
		t.Error("published while not bound")
	}
	s = start(t, o, make(collector))
	listen := func(user, password, filter string) <-chan mqtt.Message {
		got := make(chan mqtt.Message, 8)
		c := connect(t, clientOptions(s, user, user, password))
		k := c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { got <- m })
		if !k.WaitTimeout(patience) || k.Error() != nil {
			t.Fatal(k.Error())
		}
		return got
	}
	if err := s.Publish(t.Context(), "yard/heron/signal", []byte("before anybody listens")); err != nil {
		t.Fatal(err)
	}
	heron, linnet := listen("ann", "ann-secret", "yard/heron/#"), listen("ben", "ben-secret", "yard/linnet/#")
	for _, rig := range []string{"heron", "linnet"} {
		if err := s.Publish(t.Context(), "yard/"+rig+"/signal", []byte("full")); err != nil {
			t.Fatal(err)
		}
	}
	for rig, got := range map[string]<-chan mqtt.Message{"heron": heron, "linnet": linnet} {
		select {
		case m := <-got:
			if m.Topic() != "yard/"+rig+"/signal" || string(m.Payload()) != "full" || m.Qos() != 1 || m.Retained() {
				t.Errorf("%s: got %s %q, QoS %d, retained %v", rig, m.Topic(), m.Payload(), m.Qos(), m.Retained())
			}
		case <-time.After(patience):
			t.Errorf("%s hears nothing", rig)
		}
	}
}

// However many results the daemon itself has kept, clients keep their places,
// and an empty message removes what was kept.
func TestRetainTakesNobodysPlace(t *testing.T) {
	s := start(t, options(), make(collector))
	for i := range 2 * maxRetained {
		if err := s.Retain(t.Context(), fmt.Sprintf("yard/heron/results/yards/%d", i), []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	c := connect(t, clientOptions(s, "retainer", "", ""))
	for i := range maxRetained {
		publish(t, c, fmt.Sprintf("else/%d", i), 1, true, "x")
	}
	if n := s.State().Dropped["too many retained"]; n != 0 {
		t.Errorf("%d refused, want none", n)
	}
	// A place that the daemon gave up is anyone's, and counts again.
	if err := s.Retain(t.Context(), "yard/heron/results/yards/0", nil); err != nil {
		t.Fatal(err)
	}
	publish(t, c, "yard/heron/results/yards/0", 1, true, "x")
	if n := s.State().Dropped["too many retained"]; n != 1 {
		t.Errorf("%d refused, want 1", n)
	}
	if err := s.Retain(t.Context(), "yard/heron/results/yards/1", nil); err != nil {
		t.Fatal(err)
	}
	kept := make(chan string, 4)
	lamp := connect(t, clientOptions(s, "lamp", "", ""))
	for _, n := range []string{"1", "2"} { // in this order
		lamp.Subscribe("yard/heron/results/yards/"+n, 1, func(_ mqtt.Client, m mqtt.Message) { kept <- m.Topic() }).Wait()
	}
	select {
	case topic := <-kept:
		if topic != "yard/heron/results/yards/2" {
			t.Errorf("%s was removed and is kept", topic)
		}
	case <-time.After(patience):
		t.Fatal("what was kept does not come")
	}
}

// What the daemon has kept comes to those who listen later, the newest of it
// only, and clients that fill the broker with kept messages leave it its place.
func TestRetain(t *testing.T) {
	s, err := New(options())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Retain(t.Context(), "yard/heron/alarms", nil); err == nil {
		t.Error("kept while not bound")
	}
	s = start(t, options(), make(collector))
	c := connect(t, clientOptions(s, "retainer", "", ""))
	for i := range maxRetained + 1 {
		publish(t, c, fmt.Sprintf("else/%d", i), 1, true, "x")
	}
	if n := s.State().Dropped["too many retained"]; n != 1 {
		t.Fatalf("%d retained messages refused, want 1: there is room left", n)
	}
	for _, text := range []string{"one", "two"} {
		if err := s.Retain(t.Context(), "yard/heron/alarms", []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	got := make(chan mqtt.Message, 8)
	k := connect(t, clientOptions(s, "lamp", "", "")).Subscribe("yard/heron/alarms", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m })
	if !k.WaitTimeout(patience) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	select {
	case m := <-got:
		if string(m.Payload()) != "two" || !m.Retained() {
			t.Errorf("got %q, retained %v", m.Payload(), m.Retained())
		}
	case <-time.After(patience):
		t.Error("nothing was kept")
	}
}
