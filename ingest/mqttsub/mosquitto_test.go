package mqttsub

import (
	"testing"
	"time"

	"yardtally/ingest/mqttsub/mosquittotest"
	"yardtally/ingest/source"
)

// A broker that is not of our making: what it keeps while we are away, it hands
// over when we are back.
func TestMosquitto(t *testing.T) {
	broker := mosquittotest.Start(t, mosquittotest.Persistent(t)...)
	sink := make(collector, 16)
	s, stop := start(t, options(broker.Addr), sink)
	await(t, s, "open", isOpen)
	board := publisher(t, broker.Addr)
	publish(t, board, topic, false, pack(1))
	sink.want(t, 1)

	// Away for a while: what was said meanwhile comes afterwards.
	stop()
	publish(t, board, topic, false, pack(2))
	s, _ = start(t, options(broker.Addr), sink)
	sink.wantAfter(t, 2)

	// The broker itself starts again: we come back by ourselves.
	await(t, s, "open", isOpen)
	broker.Stop()
	await(t, s, "cut off", func(st source.State) bool { return st.Phase != source.Open })
	broker.Serve()
	await(t, s, "open again", isOpen)
	publish(t, board, topic, false, pack(3))
	sink.wantAfter(t, 3)
}

// What the broker keeps from earlier times is told after each connecting, and
// what is published under those topics since is no reading and no fault.
func TestKept(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{})
	testKept(t, addr)
}

func TestKeptByMosquitto(t *testing.T) { testKept(t, mosquittotest.Start(t).Addr) }

func testKept(t *testing.T, addr string) {
	other := publisher(t, addr)
	publish(t, other, "yard/heron/results/yards/old", true, "x")
	publish(t, other, "yard/linnet/results/yards/old", true, "x")
	kept := make(chan string, 8)
	o := options(addr)
	o.Ask, o.Kept = []string{"yard/heron/results/#"}, func(topic string) { kept <- topic }
	for range 2 { // a session that was there before, too
		sink := make(collector, 16)
		s, stop := start(t, o, sink)
		await(t, s, "open", isOpen)
		select {
		case got := <-kept:
			if got != "yard/heron/results/yards/old" {
				t.Errorf("told of %s", got)
			}
		case <-time.After(patience):
			t.Fatal("nothing is told")
		}
		if err := s.Retain(t.Context(), "yard/heron/results/left", []byte("new")); err != nil {
			t.Fatal(err)
		}
		if err := s.Retain(t.Context(), "yard/heron/results/left", nil); err != nil {
			t.Fatal(err)
		}
		publish(t, other, topic, false, pack(1))
		sink.want(t, 1)
		if st := s.State(); len(st.Dropped) > 0 || len(kept) > 0 {
			t.Errorf("dropped %v, %d told", st.Dropped, len(kept))
		}
		stop()
	}
}
