package main

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"yardtally/ingest/rigsim"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// carried puts what a rig says on the wire and reads it back: the records that
// a journal would keep. With serial the counter board and the tote's sensors
// hang on a serial line, which loses and doubles lines but cannot hold them up;
// everything else comes in stamped packs.
func carried(t *testing.T, n *night, serial bool) []meter.Record {
	t.Helper()
	out := make([]meter.Record, 0, 2*len(n.said))
	add := func(at time.Time, source string, m wire.Message, drops []wire.Drop) {
		if len(drops) > 0 {
			t.Fatalf("seed %d: the parser dropped %+v", n.Seed, drops)
		}
		out = append(out, meter.Record{Boot: 1, Mono: 77e9 + at.Sub(n.Start).Nanoseconds(), Wall: at.UnixNano(),
			Sent: m.Sent, Rel: m.Rel, Source: source, Readings: m.Readings})
	}
	split := rigsim.DemoSplit()
	if !serial {
		split = rigsim.Split{MQTT: slices.Concat(split.Serial, split.MQTT)}
	}
	part := func(channels []meter.Channel) func(func(rigsim.Said) bool) {
		return func(yield func(rigsim.Said) bool) {
			for _, s := range n.said {
				some := rigsim.Said{At: s.At}
				for _, x := range s.Readings {
					if slices.Contains(channels, x.Channel) {
						some.Readings = append(some.Readings, x)
					}
				}
				if len(some.Readings) > 0 && !yield(some) {
					return
				}
			}
		}
	}
	line := n.Wire
	line.Late, line.LateBy = 0, 0
	var text []byte
	for at, s := range line.Carry(part(split.Serial)) {
		var err error
		if text, err = rigsim.SerialLines(text[:0], s); err != nil {
			t.Fatal(err)
		}
		for l := range bytes.Lines(text) {
			m, drops := wire.ParseNMEA(l)
			add(at, "serial", m, drops)
		}
	}
	for at, s := range n.Wire.Carry(part(split.MQTT)) {
		var err error
		if text, err = rigsim.Pack(text[:0], n.Rig, s, true); err != nil {
			t.Fatal(err)
		}
		messages, drops := wire.ParsePack(text, n.Rig)
		for _, m := range messages {
			add(at, "mqtt", m, drops)
		}
	}
	slices.SortStableFunc(out, func(a, b meter.Record) int { return int(a.Mono - b.Mono) })
	// Something is heard the next morning: the outing is over.
	morning := time.Unix(0, out[len(out)-1].Wall).Add(6 * time.Hour)
	add(morning, "mqtt", wire.Message{Readings: []meter.Reading{{Channel: meter.Air, Value: 9}}}, nil)
	for i := range out {
		out[i].Seq = uint64(i + 1)
	}
	return out
}

// handsOut hands records out as a journal does.
func handsOut(recs []meter.Record) func(after uint64, fn func(*meter.Record) error) error {
	return func(after uint64, fn func(*meter.Record) error) error {
		for _, r := range recs[min(after, uint64(len(recs))):] {
			if err := fn(&r); err != nil {
				return fmt.Errorf("record %d: %w", r.Seq, err)
			}
		}
		return nil
	}
}
