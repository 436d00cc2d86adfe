package broker

import (
	"fmt"
	"strings"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// What the library lets pile up without end, or nearly, and what may here.
// Judgement, no source. Together with the bounds on packets and connections
// they hold the worst that clients can make the broker keep to some 100 MB.
const (
	maxGone     = 128  // sessions kept of clients that are away; the one longest away goes
	maxReaders  = 16   // clients with subscriptions, away or not
	maxFilters  = 32   // subscriptions a client
	maxTopic    = 256  // bytes of a topic, a filter or a client's name
	maxLevels   = 16   // of a topic or a filter: each costs the library half a kilobyte
	maxRetained = 64   // topics with a kept message, besides the rigs' and the daemon's own
	maxWill     = 4096 // bytes
)

func tooLong(topic string) bool {
	return len(topic) > maxTopic || strings.Count(topic, "/") >= maxLevels
}

// admit checks what a client brings when it signs in, beyond its password. A
// session belongs to its user: nobody takes over another's, nor what waits in
// it. A will's delay is not kept, since delayed wills pile up.
func (h *hook) admit(cl *mqtt.Client, pk packets.Packet) bool {
	refuse := func(format string, args ...any) bool {
		h.s.Drop("not allowed", fmt.Sprintf("user %q: ", pk.Connect.Username)+fmt.Sprintf(format, args...))
		return false
	}
	if len(cl.ID) > maxTopic {
		return refuse("a client's name of %d bytes, may be %d", len(cl.ID), maxTopic)
	}
	if old, ok := h.server.Clients.Get(cl.ID); ok && string(old.Properties.Username) != string(pk.Connect.Username) {
		return refuse("client %q is another user's", cl.ID)
	}
	if pk.Connect.WillFlag {
		switch {
		case len(pk.Connect.WillPayload) > maxWill:
			return refuse("a will of %d bytes, may be %d", len(pk.Connect.WillPayload), maxWill)
		case !h.s.mayPublish(string(pk.Connect.Username), pk.Connect.WillTopic):
			return refuse("a will to %q", pk.Connect.WillTopic)
		}
		cl.Properties.Will.WillDelayInterval = 0
	}
	return true
}

// OnSessionEstablished implements mqtt.Hook.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	if g, ok := cl.Net.Conn.(*guest); ok {
		g.door.signedIn(g)
	}
}

// OnSubscribe implements mqtt.Hook. A filter that is one too many is made
// empty, which the library refuses by itself.
func (h *hook) OnSubscribe(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	h.mu.Lock()
	defer h.mu.Unlock()
	have := cl.State.Subscriptions.Len()
	room := maxFilters - have
	if have == 0 && h.readers(cl) >= maxReaders {
		room = 0
	}
	for i := range pk.Filters {
		f := &pk.Filters[i].Filter
		_, again := cl.State.Subscriptions.Get(*f)
		if h := &pk.Filters[i].RetainHandling; *h == 1 { // what is kept comes to a new subscription only
			if *h = 0; again {
				*h = 2
			}
		}
		if again {
			continue
		}
		if room <= 0 || tooLong(*f) {
			h.s.Drop("too many subscriptions", fmt.Sprintf("client %q", cl.ID))
			*f = ""
			continue
		}
		room--
	}
	return pk
}

func (h *hook) readers(but *mqtt.Client) (n int) {
	for _, cl := range h.server.Clients.GetAll() {
		if cl != but && cl.State.Subscriptions.Len() > 0 {
			n++
		}
	}
	return n
}

// OnWill implements mqtt.Hook.
func (h *hook) OnWill(_ *mqtt.Client, w mqtt.Will) (mqtt.Will, error) {
	w.Retain = w.Retain && h.mayRetain(w.TopicName, w.Payload)
	return w, nil
}

// mayRetain reports whether a message may be kept for later subscribers.
func (h *hook) mayRetain(topic string, payload []byte) bool {
	if h.s.topics[topic] != "" || len(payload) == 0 {
		return true
	}
	if _, kept := h.server.Topics.Retained.Get(topic); kept {
		return true
	}
	n := 0
	h.keeping.Lock()
	defer h.keeping.Unlock()
	for t := range h.server.Topics.Retained.GetAll() {
		if !strings.HasPrefix(t, mqtt.SysPrefix) && h.s.topics[t] == "" && !h.own[t] {
			n++
		}
	}
	if n >= maxRetained {
		h.s.Drop("too many retained", fmt.Sprintf("topic %q", topic))
		return false
	}
	return true
}

// keeps notes what the daemon itself has kept, and no longer.
func (h *hook) keeps(topic string, payload []byte) {
	h.keeping.Lock()
	defer h.keeping.Unlock()
	if len(payload) == 0 {
		delete(h.own, topic)
		return
	}
	if h.own == nil {
		h.own = make(map[string]bool)
	}
	h.own[topic] = true
}

// forgetGone drops the sessions of clients that are longest away.
func (h *hook) forgetGone() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for {
		n := 0
		var oldest *mqtt.Client
		for _, cl := range h.server.Clients.GetAll() {
			if !cl.Closed() {
				continue
			}
			n++
			if oldest == nil || cl.StopTime() < oldest.StopTime() {
				oldest = cl
			}
		}
		if n <= maxGone {
			return
		}
		oldest.ClearInflights()
		h.server.UnsubscribeClient(oldest)
		if now, ok := h.server.Clients.Get(oldest.ID); ok && now == oldest {
			h.server.Clients.Delete(oldest.ID)
		}
	}
}

// OnClientExpired implements mqtt.Hook: the library forgets the client and
// leaves what it subscribed to.
func (h *hook) OnClientExpired(cl *mqtt.Client) {
	cl.ClearInflights()
	h.server.UnsubscribeClient(cl)
}
