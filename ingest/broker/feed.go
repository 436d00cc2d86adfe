package broker

import (
	"bytes"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"yardtally/ingest/wire"
)

// feed is what one client is still to have of the messages that are kept. The
// library would hand them over all at once and drop what its queue does not
// hold; here each goes out as the client takes those before it. What waits is
// names: of filters that were just subscribed to, of the topics of the one under
// way, and of topics whose newest message found the queue full.
type feed struct {
	wake chan struct{} // the client took something, or is gone

	mu      sync.Mutex
	filters []packets.Subscription // one a filter, so maxFilters at most
	missed  map[string]bool        // topics with a message that is kept
	fed     bool                   // a goroutine sees to it
}

// feedAhead is how many kept messages a client has not acknowledged yet: as many
// places again stay free for what is new.
const feedAhead = maxInflight / 2

// feedOf returns what a client is fed with.
func (h *hook) feedOf(cl *mqtt.Client) *feed {
	h.feeding.Lock()
	defer h.feeding.Unlock()
	f := h.feeds[cl]
	if f == nil {
		f = &feed{wake: make(chan struct{}, 1), missed: map[string]bool{}}
		if h.feeds == nil {
			h.feeds = map[*mqtt.Client]*feed{}
		}
		h.feeds[cl] = f
	}
	return f
}

func (f *feed) stir() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// OnSubscribed implements mqtt.Hook. It takes over the handing out of kept
// messages: the library goes by the same list of filters afterwards.
func (h *hook) OnSubscribed(cl *mqtt.Client, pk packets.Packet, codes []byte) {
	for i := range pk.Filters {
		sub := &pk.Filters[i]
		if codes[i] > packets.CodeGrantedQos2.Code || sub.RetainHandling == 2 || mqtt.IsSharedFilter(sub.Filter) {
			continue
		}
		f := h.feedOf(cl)
		f.mu.Lock()
		f.filters = slices.DeleteFunc(f.filters, func(s packets.Subscription) bool {
			_, has := cl.State.Subscriptions.Get(s.Filter)
			return !has || s.Filter == sub.Filter
		})
		f.filters = append(f.filters, *sub)
		f.mu.Unlock()
		sub.RetainHandling = 2
	}
}

// OnPacketProcessed implements mqtt.Hook.
func (h *hook) OnPacketProcessed(cl *mqtt.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type == packets.Subscribe {
		h.start(cl)
	}
}

// OnQosComplete implements mqtt.Hook.
func (h *hook) OnQosComplete(cl *mqtt.Client, _ packets.Packet) {
	h.feeding.Lock()
	f := h.feeds[cl]
	h.feeding.Unlock()
	if f != nil {
		f.stir()
	}
}

// OnPublishDropped implements mqtt.Hook.
func (h *hook) OnPublishDropped(cl *mqtt.Client, pk packets.Packet) { h.miss(cl, pk.TopicName) }

// miss notes a topic whose newest message a client may not have been given, if
// that message is kept, or removed what was.
func (h *hook) miss(cl *mqtt.Client, topic string) {
	if _, kept := h.server.Topics.Retained.Get(topic); !kept && !h.wasRemoved(topic) || cl.Closed() {
		return
	}
	f := h.feedOf(cl)
	f.mu.Lock()
	f.missed[topic] = true
	f.mu.Unlock()
	h.start(cl)
}

// start has a goroutine feed a client, if there is something and none does.
func (h *hook) start(cl *mqtt.Client) {
	h.feeding.Lock()
	f := h.feeds[cl]
	h.feeding.Unlock()
	if f == nil {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.fed && len(f.filters)+len(f.missed) > 0 {
		f.fed = true
		go h.feed(cl, f)
	}
}

// feed gives a client what it is to have, until there is no more or it is gone.
func (h *hook) feed(cl *mqtt.Client, f *feed) {
	for {
		f.mu.Lock()
		var topics []string
		var sub *packets.Subscription // nil: each as it is subscribed to
		if len(f.filters) > 0 {
			one := f.filters[0]
			sub, f.filters = &one, f.filters[1:]
		} else {
			for t := range f.missed {
				topics = append(topics, t)
			}
			clear(f.missed)
		}
		if sub == nil && len(topics) == 0 {
			f.fed = false
			f.mu.Unlock()
			if cl.Closed() {
				h.starve(cl)
			}
			return
		}
		f.mu.Unlock()
		if sub != nil {
			for t := range h.server.Topics.Retained.GetAll() { // Topics.Messages reads what others write
				if wire.TopicMatches(sub.Filter, t) {
					topics = append(topics, t)
				}
			}
			slices.Sort(topics)
		}
		for _, t := range topics {
			if !h.give(cl, f, t, sub) {
				h.starve(cl)
				return
			}
		}
	}
}

// mostRemoved is how many topics are remembered that nothing is kept on any more.
// Judgement.
const mostRemoved = 4096

// removes notes whether a message to a topic removes what is kept there.
func (h *hook) removes(topic string, empty bool) {
	h.feeding.Lock()
	defer h.feeding.Unlock()
	if !empty {
		delete(h.removed, topic)
		return
	}
	if _, kept := h.server.Topics.Retained.Get(topic); !kept || len(h.removed) >= mostRemoved {
		return
	}
	if h.removed == nil {
		h.removed = map[string]bool{}
	}
	h.removed[topic] = true
}

func (h *hook) wasRemoved(topic string) bool {
	h.feeding.Lock()
	defer h.feeding.Unlock()
	return h.removed[topic]
}

// starve forgets what a client that is gone was to have.
func (h *hook) starve(cl *mqtt.Client) {
	h.feeding.Lock()
	defer h.feeding.Unlock()
	if f := h.feeds[cl]; f != nil {
		f.stir()
	}
	delete(h.feeds, cl)
}

// give writes what is kept on a topic to a client. What took its place while it
// was being written went out before it, perhaps, and is written as well: the
// newest is the last that the client hears. It is false for one who is gone.
func (h *hook) give(cl *mqtt.Client, f *feed, topic string, sub *packets.Subscription) bool {
	var given packets.Packet
	for tries := 0; ; tries++ {
		if tries == 2 { // others first
			f.mu.Lock()
			f.missed[topic] = true
			f.mu.Unlock()
			return true
		}
		first := tries == 0
		as := sub
		if as == nil {
			now, ok := h.server.Topics.Subscribers(topic).Subscriptions[cl.ID]
			if !ok {
				return true
			}
			as = &now
		}
		pk, kept := h.server.Topics.Retained.Get(topic)
		qos := min(pk.FixedHeader.Qos, as.Qos)
		if kept && qos > 0 && !h.room(cl, f) {
			return false
		}
		if kept { // the newest by now
			pk, kept = h.server.Topics.Retained.Get(topic)
		}
		switch {
		case !kept && first && (sub != nil || !h.wasRemoved(topic)), kept && !first && pk.Created == given.Created && bytes.Equal(pk.Payload, given.Payload):
			return true
		case !kept:
			pk = packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: as.Qos}, TopicName: topic, Created: time.Now().Unix()}
			qos = as.Qos
			if qos > 0 && !h.room(cl, f) {
				return false
			}
		}
		given = pk
		if cl.Closed() || h.ctx.Err() != nil {
			return false
		}
		if !h.s.mayRead(string(cl.Properties.Username), topic) {
			return true
		}
		out := pk.Copy(false)
		out.FixedHeader.Qos = qos
		out.FixedHeader.Retain = kept && sub != nil
		out.Properties.SubscriptionIdentifier = nil
		if as.Identifier > 0 {
			out.Properties.SubscriptionIdentifier = []int{as.Identifier}
		}
		if qos > 0 {
			id, err := cl.NextPacketID()
			if err != nil {
				return false
			}
			out.PacketID = uint16(id)
			if cl.State.Inflight.Set(out) {
				atomic.AddInt64(&h.server.Info.Inflight, 1)
				cl.State.Inflight.DecreaseSendQuota()
			}
		}
		if err := cl.WritePacket(out); err != nil {
			return false
		}
		if !kept {
			return true
		}
	}
}

// room waits until a client may be given one more message that it is to
// acknowledge; false: it is gone.
func (h *hook) room(cl *mqtt.Client, f *feed) bool {
	most := feedAhead
	if n := int(cl.Properties.Props.ReceiveMaximum); n > 0 {
		most = min(most, n)
	}
	look := time.NewTicker(time.Second)
	defer look.Stop()
	for !cl.Closed() && h.ctx.Err() == nil {
		if cl.State.Inflight.Len() < most {
			return true
		}
		select {
		case <-f.wake:
		case <-look.C:
		case <-h.ctx.Done():
		}
	}
	return false
}

// full reports whether the library would drop a message for a client, or soon.
func full(cl *mqtt.Client) bool { return cl.State.Inflight.Len() >= maxInflight-feedMargin }

// feedMargin is for publishers that are at it at the same time.
const feedMargin = 8

func isFilter(topic string) bool { return strings.ContainsAny(topic, "+#") }
