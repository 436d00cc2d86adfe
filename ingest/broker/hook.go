package broker

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// account is a user as the broker knows it.
type account struct {
	password [sha256.Size]byte // hashed only so that comparing takes the same time for any length
	topic    string            // it may publish there; "": nowhere
	reads    string            // what it may read begins with this
}

func (s *Source) accounts(users []User) (map[string]account, error) {
	all := make(map[string]account, len(users))
	for i, u := range users {
		field := func(name string) string { return fmt.Sprintf("users[%d].%s", i, name) }
		switch _, twice := all[u.Name]; {
		case u.Name == "":
			return nil, fmt.Errorf(`%s: must not be empty, is ""`, field("name"))
		case twice:
			return nil, fmt.Errorf("%s: must be there once, is %q again", field("name"), u.Name)
		case u.Password == "":
			return nil, fmt.Errorf("%s: must not be empty, is empty for user %q", field("password"), u.Name)
		}
		a := account{password: sha256.Sum256([]byte(u.Password)), reads: s.o.Prefix + "/"}
		if u.Rig != "" {
			a.reads += u.Rig + "/"
			a.topic = s.o.Prefix + "/" + u.Rig + "/readings"
			if s.topics[a.topic] == "" {
				return nil, fmt.Errorf("%s: must be one of the rigs %q, is %q", field("rig"), s.o.Rigs, u.Rig)
			}
			if u.ReadOnly {
				a.topic = ""
			}
		}
		all[u.Name] = a
	}
	return all, nil
}

// signIn reports whether a user of that name and password may come in.
func (s *Source) signIn(name, password string) bool {
	users := s.allowed()
	if len(users) == 0 {
		return true // on loopback
	}
	a, known := users[name] // an unknown user's account is compared just the same
	given := sha256.Sum256([]byte(password))
	same := subtle.ConstantTimeCompare(a.password[:], given[:]) == 1
	return known && same
}

// mayPublish reports whether the user may publish to that topic.
func (s *Source) mayPublish(name, topic string) bool {
	users := s.allowed()
	if len(users) == 0 {
		return !strings.HasPrefix(topic, "$") && !tooLong(topic)
	}
	return topic != "" && users[name].topic == topic
}

// mayRead reports whether the user may subscribe to that filter, or be sent
// what is published to that topic.
func (s *Source) mayRead(name, filter string) bool {
	users := s.allowed()
	if len(users) == 0 {
		return true
	}
	a, known := users[name]
	return known && strings.HasPrefix(filter, a.reads)
}

// hook is what the broker asks and tells. Its methods run on the goroutine
// that reads the client's connection, in order of arrival.
type hook struct {
	mqtt.HookBase
	s      *Source
	ctx    context.Context // the session's
	sink   source.Sink
	server *mqtt.Server

	mu sync.Mutex // held while sessions and subscriptions are counted

	keeping sync.Mutex
	own     map[string]bool // topics that the daemon itself has messages kept on

	feeding sync.Mutex
	feeds   map[*mqtt.Client]*feed
	removed map[string]bool // topics that had a message kept and have none
}

// ID implements mqtt.Hook.
func (h *hook) ID() string { return "readings" }

// Provides implements mqtt.Hook.
func (h *hook) Provides(b byte) bool {
	return bytes.IndexByte([]byte{mqtt.OnConnectAuthenticate, mqtt.OnSessionEstablished, mqtt.OnACLCheck, mqtt.OnSubscribe, mqtt.OnSubscribed,
		mqtt.OnPacketProcessed, mqtt.OnQosComplete, mqtt.OnPublishDropped, mqtt.OnPublish, mqtt.OnWill, mqtt.OnDisconnect, mqtt.OnClientExpired}, b) >= 0
}

// OnConnectAuthenticate implements mqtt.Hook. The broker publishes a client's
// will without asking again, so it is judged here.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	name := string(pk.Connect.Username)
	ok, tooSoon := h.s.tries.try(address(cl.Net.Remote), time.Now(), func() bool {
		return h.s.signIn(name, string(pk.Connect.Password))
	})
	switch {
	case tooSoon:
		h.s.Drop("too many sign-ins", fmt.Sprintf("user %q from %s", name, cl.Net.Remote))
	case !ok:
		h.s.Drop("sign-in refused", fmt.Sprintf("user %q from %s", name, cl.Net.Remote))
	}
	return ok && h.admit(cl, pk)
}

// OnACLCheck implements mqtt.Hook.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	name := string(cl.Properties.Username)
	if !write {
		may := h.s.mayRead(name, topic)
		if may && !isFilter(topic) && full(cl) { // to the library's own quota nothing is told
			h.miss(cl, topic)
		}
		return may
	}
	if !h.s.mayPublish(name, topic) {
		h.s.Drop("not allowed", fmt.Sprintf("user %q: to publish to %q", name, topic))
		return false
	}
	return true
}

// OnPublish implements mqtt.Hook. It runs before the broker acknowledges.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	// What the daemon itself has kept takes nobody's place.
	if cl.Net.Inline && pk.FixedHeader.Retain {
		h.keeps(pk.TopicName, pk.Payload)
	} else {
		pk.FixedHeader.Retain = pk.FixedHeader.Retain && h.mayRetain(pk.TopicName, pk.Payload)
	}
	if pk.FixedHeader.Retain {
		h.removes(pk.TopicName, len(pk.Payload) == 0)
	}
	rig := h.s.topics[pk.TopicName]
	if rig == "" {
		if strings.HasPrefix(pk.TopicName, h.s.o.Prefix+"/") && strings.HasSuffix(pk.TopicName, "/readings") {
			h.s.Drop(string(wire.OtherRig), fmt.Sprintf("topic %q: must be of one of the rigs %q", pk.TopicName, h.s.o.Rigs))
		}
		return pk, nil
	}
	if err := h.s.take(h.ctx, h.sink, rig, pk.Payload); err != nil {
		cl.Stop(err)                       // it comes back and sends again
		return pk, packets.ErrRejectPacket // no acknowledgement, no subscriber
	}
	return pk, nil
}

// OnDisconnect implements mqtt.Hook.
func (h *hook) OnDisconnect(cl *mqtt.Client, err error, expire bool) {
	h.starve(cl)
	if !expire {
		h.forgetGone()
	}
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.s.Drop(string(wire.TooBig), fmt.Sprintf("client %q: a packet of more than %d bytes", cl.ID, maxPacket))
	}
}

// quiet hands the broker library's own log on, at the level of debugging, and
// without the packets it shows: those of a sign-in hold a password.
type quiet struct{ to slog.Handler }

// Enabled implements slog.Handler.
func (q quiet) Enabled(ctx context.Context, _ slog.Level) bool {
	return q.to.Enabled(ctx, slog.LevelDebug)
}

// Handle implements slog.Handler.
func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	out := slog.NewRecord(r.Time, slog.LevelDebug, "broker: "+r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		if harmless(a) {
			out.AddAttrs(a)
		}
		return true
	})
	return q.to.Handle(ctx, out)
}

// WithAttrs implements slog.Handler.
func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler {
	var kept []slog.Attr
	for _, a := range attrs {
		if harmless(a) {
			kept = append(kept, a)
		}
	}
	return quiet{q.to.WithAttrs(kept)}
}

// WithGroup implements slog.Handler.
func (q quiet) WithGroup(name string) slog.Handler { return quiet{q.to.WithGroup(name)} }

// harmless reports whether an attribute is a plain value, not a structure of
// the library's that may hold anything.
func harmless(a slog.Attr) bool {
	if a.Value.Kind() != slog.KindAny {
		return true
	}
	_, isErr := a.Value.Any().(error)
	return isErr
}
