package source

import (
	"context"

	"yardtally/ingest/wire"
	"yardtally/meter"
)

// Deliver hands what one line or pack brought to the sink, as one arrival at
// that instant, and counts it and what was dropped of it. Messages count once
// they are taken; the error is the sink's.
func (s *Supervisor) Deliver(ctx context.Context, sink Sink, rig string, at Stamp, msgs []wire.Message, drops []wire.Drop) error {
	for _, d := range drops {
		s.Drop(string(d.Reason), d.Detail)
	}
	var records []meter.Record
	readings := 0
	for _, m := range msgs {
		if len(m.Readings) == 0 {
			continue
		}
		readings += len(m.Readings)
		records = append(records, meter.Record{
			Mono: at.Mono, Wall: at.Wall, Rel: m.Rel, Sent: m.Sent,
			Source: s.name, Readings: m.Readings,
		})
	}
	if len(records) == 0 {
		return nil
	}
	if err := sink.Put(ctx, Arrival{Rig: rig, Records: records}); err != nil {
		return err
	}
	s.Took(readings)
	return nil
}
