package mqttsub

import (
	"context"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// What is published reaches the broker, over the connection that readings come
// by, or fails at once where there is none: nothing is sent later.
func TestPublish(t *testing.T) {
	addr, stop := serve(t, "127.0.0.1:0", &letIn{})
	src, _ := start(t, options(addr), make(collector))
	await(t, src, "open", isOpen)
	got := make(chan mqtt.Message, 8)
	k := publisher(t, addr).Subscribe("yard/heron/signal", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m })
	if !k.WaitTimeout(patience) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	if err := src.Publish(t.Context(), "yard/heron/signal", []byte("full")); err != nil {
		t.Fatal(err)
	}
	select {
	case m := <-got:
		if string(m.Payload()) != "full" || m.Qos() != 1 || m.Retained() {
			t.Errorf("got %q, QoS %d, retained %v", m.Payload(), m.Qos(), m.Retained())
		}
	case <-time.After(patience):
		t.Fatal("nothing arrives")
	}

	// An answer that nobody waits for any longer.
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := src.Publish(ctx, "yard/heron/signal", []byte("full")); err != nil && !strings.Contains(err.Error(), "no answer") {
		t.Errorf("with no time left: %v", err)
	}
	stop()
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		err := src.Publish(t.Context(), "yard/heron/signal", []byte("full"))
		if err != nil && strings.Contains(err.Error(), "not connected") {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("without a broker: %v", err)
		}
	}
}

// silent is a client that takes a message and never tells what became of it, as
// the library's does of one that comes when its connection has just been lost.
type silent struct {
	mqtt.Client
	took chan string
}

func (silent) IsConnectionOpen() bool { return true }
func (c silent) Publish(topic string, _ byte, _ bool, _ any) mqtt.Token {
	c.took <- topic
	return never{}
}

type never struct{ mqtt.Token }

func (never) Done() <-chan struct{} { return nil }

// Who waits for an answer does so no longer than the connection lives.
func TestPublishAsTheConnectionEnds(t *testing.T) {
	s, err := New(options("127.0.0.1:1"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	c := silent{took: make(chan string, 1)}
	s.connected(ctx, c)
	done := make(chan error, 1)
	go func() { done <- s.Publish(t.Context(), "yard/heron/signal", []byte("full")) }()
	<-c.took
	end()
	select {
	case err := <-done:
		if err == nil || !strings.Contains(err.Error(), "connection lost") {
			t.Errorf("got %v", err)
		}
	case <-time.After(patience):
		t.Fatal("waits for ever")
	}
	// That it was open is told late: it has ended.
	s.connected(ctx, nil)
	s.connected(ctx, c)
	if err := s.Publish(t.Context(), "yard/heron/signal", nil); err == nil || !strings.Contains(err.Error(), "not connected") {
		t.Errorf("after its end: %v", err)
	}
}

// What is to be kept comes to those who listen later.
func TestRetain(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{})
	src, _ := start(t, options(addr), make(collector))
	await(t, src, "open", isOpen)
	if err := src.Retain(t.Context(), "yard/heron/alarms", []byte("none")); err != nil {
		t.Fatal(err)
	}
	got := make(chan mqtt.Message, 8)
	k := publisher(t, addr).Subscribe("yard/heron/alarms", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m })
	if !k.WaitTimeout(patience) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	select {
	case m := <-got:
		if string(m.Payload()) != "none" || !m.Retained() {
			t.Errorf("got %q, retained %v", m.Payload(), m.Retained())
		}
	case <-time.After(patience):
		t.Fatal("nothing was kept")
	}
}
