package main

import (
	"context"
	"fmt"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard"
	"yardtally/ingest/publish"
	"yardtally/ingest/recording"
	"yardtally/ingest/source"
	"yardtally/meter/act"
)

// feed gives the page what the daemon knows.
type feed struct{ d *daemon }

// saidOnPage is taps after which the watch looks at once: whoever has seen an
// alarm finds it so on the page that comes back.
type saidOnPage struct {
	*taps
	w *watching
}

// Say implements dashboard.Said.
func (s *saidOnPage) Say(ctx context.Context, who string, bodies ...act.Body) ([]act.Act, error) {
	said, err := s.taps.Say(ctx, who, bodies...)
	for i := range said {
		_, back := said[i].Body.(act.Undo)
		if err == nil && (back || act.OfAlarms(said[i].Body)) {
			_, err := s.w.Look(ctx)
			return said, err
		}
	}
	return said, err
}

// Watch implements dashboard.Feed.
func (f *feed) Watch(ctx context.Context) <-chan struct{} { return f.d.desk.Watch(ctx) }

// Snapshot implements dashboard.Feed.
func (f *feed) Snapshot() *dashboard.Snapshot {
	d := f.d
	s := d.desk.Snapshot()
	out := &dashboard.Snapshot{View: s.View, Units: d.set.Units, Currency: d.set.Books.Currency, Zone: d.set.Zone, Speed: d.speed, Demo: d.demo,
		Now: d.clock.Now().Mono + s.Offset}
	out.Live = dashboard.Live{Flow: s.Live.Flow, FlowAt: s.Live.FlowAt, Syrup: s.Live.Syrup, SyrupAt: s.Live.SyrupAt,
		Signal: s.Live.Signal, SignalAt: s.Live.SignalAt}
	if d.watching != nil {
		out.Watch = d.watching.page()
	}
	if t := s.View.Tote; t.Known {
		out.Live.Level, out.Live.Tote, out.Live.ToteAt = t.Level, t.Volume, t.At
	}
	for _, src := range d.sources {
		line := sourceLine(src.State(), func(t time.Time) time.Time { return byRig(t, out.Now, d.speed) })
		// A recording that was read to its end is silent, and well; so is a
		// simulated rig once its night is over.
		_, line.Quiet = src.(*recording.Source)
		line.Quiet = line.Quiet || d.demo != ""
		out.Sources = append(out.Sources, line)
	}
	for _, text := range s.Faults {
		out.Notices = append(out.Notices, dashboard.Notice{Text: text})
	}
	for _, text := range d.ear.giver.Faults() {
		out.Notices = append(out.Notices, dashboard.Notice{Text: text})
	}
	for _, dm := range d.journal.Damage() {
		out.Notices = append(out.Notices, dashboard.Notice{Text: "A part of the journal cannot be read: " + dm.String() + "."})
	}
	if d.forward != nil {
		st := d.forward.State()
		out.Store = &dashboard.StoreLine{Name: "InfluxDB", Waiting: st.Backlog, Rejected: int(st.Rejected)}
		if !st.Oldest.IsZero() {
			out.Store.Oldest = st.Oldest.UnixNano()
		}
		if text := forwardNotice(st); text != "" {
			out.Notices = append(out.Notices, dashboard.Notice{Text: text})
		}
	}
	if s.View.PulseVolume == quantity.Volume(0) {
		out.Notices = append(out.Notices, dashboard.Notice{Text: "No proving is known yet, so pulses cannot be turned into volume."})
	}
	return out
}

// byRig turns an instant of this process's clock into one of the rig's, which
// may have been set by satellites, or run faster than life.
func byRig(t time.Time, now int64, speed float64) time.Time {
	if t.IsZero() {
		return t
	}
	return time.Unix(0, now-int64(float64(time.Since(t))*speed))
}

func sourceLine(s source.State, rig func(time.Time) time.Time) dashboard.SourceLine {
	l := dashboard.SourceLine{Name: s.Name, Phase: string(s.Phase), Since: rig(s.Since), LastAt: rig(s.LastAt), Err: s.Err, NextTry: rig(s.NextTry), Why: s.Dropped}
	for _, n := range s.Dropped {
		l.Dropped += n
	}
	return l
}

// forwardNotice says what only a person can mend, and a backlog that grows old.
func forwardNotice(s publish.State) string {
	switch s.Phase {
	case publish.Refused:
		return fmt.Sprintf("The InfluxDB refuses our points (%s); %d wait.", s.Err, s.Backlog)
	case publish.Waiting:
		if s.Failures > 5 {
			return fmt.Sprintf("The InfluxDB cannot be reached (%s); %d points wait and nothing is lost.", s.Err, s.Backlog)
		}
	}
	return ""
}
