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
type feed struct{ r *oneRig }

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
func (f *feed) Watch(ctx context.Context) <-chan struct{} { return f.r.desk.Watch(ctx) }

// Snapshot implements dashboard.Feed.
func (f *feed) Snapshot() *dashboard.Snapshot {
	r, d := f.r, f.r.d
	s, set := r.desk.Snapshot(), r.settings()
	out := &dashboard.Snapshot{View: s.View, Units: set.Units, Currency: set.Books.Currency, Zone: set.Zone, Speed: d.speed, Demo: d.demo,
		Now: d.clock.Now().Mono + s.Offset}
	out.Live = dashboard.Live{Flow: s.Live.Flow, FlowAt: s.Live.FlowAt, Syrup: s.Live.Syrup, SyrupAt: s.Live.SyrupAt,
		Signal: s.Live.Signal, SignalAt: s.Live.SignalAt}
	if r.watching != nil {
		out.Watch = r.watching.page()
	}
	if t := s.View.Tote; t.Known {
		out.Live.Level, out.Live.Tote, out.Live.ToteAt = t.Level, t.Volume, t.At
	}
	say := func(text string) { out.Notices = append(out.Notices, dashboard.Notice{Text: text}) }
	for _, src := range r.sources() {
		line := sourceLine(src.State(), func(t time.Time) time.Time { return byRig(t, out.Now, d.speed) })
		// A recording that was read to its end is silent, and well; so is a
		// simulated rig once its night is over.
		_, line.Quiet = src.Source.(*recording.Source)
		line.Quiet = line.Quiet || d.demo != ""
		if at := r.newestOf(src.Name()); at != nil && d.set.House() { // others speak over it too
			line.LastAt, line.Dropped, line.Why = time.Time{}, 0, nil
			if ns := at.Load(); ns != 0 {
				line.LastAt = byRig(time.Unix(0, ns), out.Now, d.speed)
			}
		}
		out.Sources = append(out.Sources, line)
	}
	if text := r.fault(); text != "" {
		say(text)
	}
	for _, text := range s.Faults {
		say(text)
	}
	for _, text := range r.ear.gives().Faults() {
		say(text)
	}
	if !d.set.House() { // else the page of all rigs says it
		out.Notices = append(out.Notices, d.notices()...)
	}
	if s.View.PulseVolume == quantity.Volume(0) {
		say("No proving is known yet, so pulses cannot be turned into volume.")
	}
	if d.forward != nil {
		st := d.forward.State()
		out.Store = &dashboard.StoreLine{Name: "InfluxDB", Waiting: st.Backlog, Rejected: int(st.Rejected)}
		if !st.Oldest.IsZero() {
			out.Store.Oldest = st.Oldest.UnixNano()
		}
	}
	return out
}

// notices are what is wrong with what all rigs share.
func (d *daemon) notices() (out []dashboard.Notice) {
	for _, dm := range d.journal.Damage() {
		out = append(out, dashboard.Notice{Text: "A part of the journal cannot be read: " + dm.String() + "."})
	}
	if d.forward != nil {
		if text := forwardNotice(d.forward.State()); text != "" {
			out = append(out, dashboard.Notice{Text: text})
		}
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
