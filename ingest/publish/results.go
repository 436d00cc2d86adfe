package publish

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/wire"
	"yardtally/meter/ledger"
)

// Message is a result as a broker keeps it for whoever asks, at the topic
// <prefix>/<rig>/results/<Topic>.
type Message struct {
	Topic   string
	At      int64 // of what instant, Unix ns by the rig's clock
	Records []wire.Result
}

// ResultsTopic is what the topics of a rig's results begin with.
func ResultsTopic(prefix, rig string) string { return prefix + "/" + rig + "/results/" }

// FixedTopics are those that any rig may have, besides its yards'.
var FixedTopics = []string{"fill", "night", "left", "no-yard", "store"}

// YardTopic is the topic of a yard. Ids of letters, digits and - _ stand as they
// are, other characters as . and two hexadecimal digits a byte, and what would be
// too long by its digest, so that no two yards share one.
func YardTopic(id string) string {
	var b strings.Builder
	for i := range len(id) {
		switch c := id[i]; {
		case 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '-' || c == '_':
			b.WriteByte(c)
		default:
			b.WriteString("." + hex.EncodeToString([]byte{c}))
		}
	}
	if b.Len() > 40 {
		sum := sha256.Sum256([]byte(id))
		return "yards/.." + hex.EncodeToString(sum[:12])
	}
	return "yards/" + b.String()
}

// ResultsOf returns what a view comes to: the newest fill, the newest night and
// its yards, and what is left. What is not known is left out; so is what is of a
// time before 1978, by a clock that was never set. Instants in records are Unix
// seconds.
//
//	fill      volume, within (m3), duration, start (s), solids (kg), brix (/), syrup (Cel), colony (count), yard, reason, or
//	night     volume, within, loose, total, total_within (m3), fills, top_ups, yards (count), solids (kg), start, end (s)
//	yards/ID  the same of one yard, less total; also short, colonies (count), id, name
//	no-yard   the same of what has no yard
//	left      volume, within, usable, capacity (m3), mass (kg), margin, margin_within (m3), chance (/), tote
//
// brix is the share of solids by mass, so 0.64 is 64 Brix; within is half the
// 95 % interval; volume is that of fills and loose is flow outside them; fills are
// pulls for a colony as far as is known, no count of colonies, and colonies is
// how many stand there, not how many were fed; margin is what is left once the
// yards of tonight are fed, below 0 where it lacks, and chance that it does not.
func ResultsOf(v *ledger.View, zone *time.Location) []Message {
	var out []Message
	if v == nil {
		return nil
	}
	proved := v.PulseVolume > 0
	for i := len(v.Fills) - 1; i >= 0; i-- {
		if f := &v.Fills[i]; !f.Open {
			out = add(out, "fill", f.End, fillRecords(f, proved))
			break
		}
	}
	if n := len(v.Outings); n > 0 {
		from, to := v.NightAt(v.Outings[n-1].From, zone)
		t := ledger.Tally(v, from, to)
		out = append(out, nightMessages(&t, proved)...)
	}
	if t := &v.Tote; t.Known {
		r := records{}
		r.volume("volume", t.Volume, true)
		r.volume("within", t.Within, t.Within > 0)
		r.volume("usable", t.Usable, true)
		r.volume("capacity", t.Capacity, t.Capacity > 0)
		r.mass("mass", t.Mass)
		if l := &v.Left; l.Known {
			r.volume("margin", l.Tonight.Margin, true)
			r.volume("margin_within", l.Tonight.MarginWithin, true)
			r.number("chance", "/", math.Round(l.Tonight.Chance*1000)/1000, true)
		}
		r.text("tote", t.Name)
		out = add(out, "left", t.At, r)
	}
	return out
}

// records are those of one message, under way.
type records []wire.Result

func (r *records) number(name, unit string, v float64, has bool) {
	if has {
		*r = append(*r, wire.Result{Name: name, Unit: unit, Value: v})
	}
}

func (r *records) volume(name string, v quantity.Volume, has bool) {
	r.number(name, "m3", v.CubicMetres(), has)
}

// mass is to the milligram: a sum of floats says no more.
func (r *records) mass(name string, m quantity.Mass) {
	r.number(name, "kg", math.Round(float64(m)*1e6)/1e6, m > 0)
}

func (r *records) count(name string, n int, has bool) { r.number(name, "count", float64(n), has) }

// instant adds an instant or a length of time, given in ns, to the millisecond.
func (r *records) instant(name string, ns int64) {
	r.number(name, "s", float64(ns/int64(time.Millisecond))/1000, true)
}

func (r *records) text(name, s string) {
	if s != "" {
		*r = append(*r, wire.Result{Name: name, Text: s})
	}
}

// settable is the least Unix time, ns, that a pack can bear as it is (RFC 8428
// section 4.5.3); before it no clock of a rig was ever set right.
const settable = 1 << 28 * int64(time.Second)

func add(to []Message, topic string, at int64, r records) []Message {
	if at < settable {
		return to
	}
	return append(to, Message{topic, at, r})
}

func fillRecords(f *ledger.Fill, proved bool) records {
	r := records{}
	r.volume("volume", f.Volume, proved)
	r.volume("within", f.Within, proved && f.Within > 0)
	r.instant("duration", f.End-f.Start)
	r.instant("start", f.Start)
	r.mass("solids", f.Solids)
	r.number("brix", "/", f.Brix/100, f.Solids > 0)
	r.number("syrup", "Cel", float64(f.Syrup), f.HasSyrup)
	r.count("colony", f.Colony, f.Colony > 0)
	r.text("yard", f.Yard)
	r.text("reason", string(f.Reason))
	r.text("or", f.Or)
	return r
}

func nightMessages(n *ledger.Night, proved bool) (out []Message) {
	var solids quantity.Mass
	var first, last int64
	named := 0
	for i := range n.Yards {
		y := &n.Yards[i]
		solids += y.Solids
		if first == 0 || y.First < first {
			first = y.First
		}
		last = max(last, y.Last)
		if y.Yard != "" {
			named++
		}
	}
	r := records{}
	totals(&r, proved, n.Volume, n.Within, n.Loose, n.Fills, n.TopUps, solids, first, last)
	r.volume("total", n.Total, proved)
	r.volume("total_within", n.TotalWithin, proved && n.TotalWithin > 0)
	r.count("yards", named, true)
	out = add(out, "night", last, r)
	for i := range n.Yards {
		y := &n.Yards[i]
		r, topic := records{}, "no-yard"
		totals(&r, proved, y.Volume, y.Within, y.Loose, y.Fills, y.TopUps, y.Solids, y.First, y.Last)
		if y.Yard != "" {
			topic = YardTopic(y.Yard)
			r.count("short", y.Short, true)
			r.count("colonies", y.Colonies, y.Colonies > 0)
			r.text("id", y.Yard)
			r.text("name", y.Name)
		}
		out = add(out, topic, y.Last, r)
	}
	return out
}

func totals(r *records, proved bool, volume, within, loose quantity.Volume, fills, topUps int, solids quantity.Mass, first, last int64) {
	r.volume("volume", volume, proved)
	r.volume("within", within, proved && within > 0)
	r.volume("loose", loose, proved)
	r.count("fills", fills, true)
	r.count("top_ups", topUps, true)
	r.mass("solids", solids)
	r.instant("start", first)
	r.instant("end", last)
}

// Message returns what the store still lacks, as of the instant now of the rig's
// clock:
//
//	store     waiting, rejected (count), lag (s), phase, why
//
// lag is how old the point is that is sent next, in whole 10 s; why is the newest
// failure.
func (s *State) Message(now int64) Message {
	r := records{}
	r.number("waiting", "count", float64(s.Backlog), true)
	r.number("rejected", "count", float64(s.Rejected), true)
	r.number("lag", "s", float64(s.Lag(now)/(10*time.Second)*10), true)
	r.text("phase", string(s.Phase))
	r.text("why", strings.ToValidUTF8(s.Err, "?"))
	return Message{"store", now, r}
}

// Lag returns how old, by the rig's clock, the point is that is to be sent next;
// 0 where the server has everything.
func (s *State) Lag(now int64) time.Duration {
	if s.Oldest.IsZero() {
		return 0
	}
	return time.Duration(max(0, now-s.Oldest.UnixNano()))
}

// Pack returns the message as a SenML pack of a rig.
func (m *Message) Pack(rig string) ([]byte, error) {
	return wire.AppendResults(nil, rig, m.Topic, m.At, m.Records)
}
