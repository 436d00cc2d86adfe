package dashboard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
)

// perKg is how many pulses a kilogram of the test's syrup is about to give, by
// the curve in force, and what a kilogram fills; 0: not known.
func (b *bench) perKg(t *proving.Test, rate float64) (pulses float64, perKg quantity.Volume) {
	span := report.MeterPage(b.view, b.options()).Span
	density := quantity.Density(1285) // some 60 Brix, where there is none: as provings by mass take it
	var l proving.Liquid
	if !t.NoBrix {
		if p, err := t.Syrup.At(t.Temp); err == nil {
			density = p.Density
			l = proving.Liquid{Density: p.Density, Viscosity: p.Viscosity, Temp: t.Temp}
		}
	}
	perKg = quantity.VolumeOf(1 / float64(density))
	if span.Curve == nil {
		return 0, perKg
	}
	k := 1 / span.Curve.At(rate, l).Volume
	if !span.Curve.Mass() {
		k /= float64(density)
	}
	return k, perKg
}

// count is what was counted so far, and how much is still to draw.
func (b *bench) count() (c countModel) {
	mark, err := bucket.ParseMark(b.q.Get("since"))
	if err != nil {
		c.Fault = sentence(err)
		return c
	}
	n, err := mark.Since(b.view)
	c.Pulses, c.Took, c.Flowing = fmt.Sprintf("%.0f", n.Pulses), fmt.Sprintf("%.0f s", n.Seconds), n.Open
	if err != nil {
		c.Fault = "The count cannot be used: " + sentence(err) + " Start again."
		return c
	}
	if v := b.fresh("heard", b.view.At, flowAge, "", ""); !v.Has {
		c.Quiet = "The meter was not heard yet."
	} else if v.Old {
		c.Quiet = "The meter was not heard for " + v.Ago + ": what it counted since does not stand here."
	}
	about, err := b.about()
	if err != nil {
		return c
	}
	wish, err := b.wish()
	if err != nil {
		return c
	}
	temp := 15.0
	if b.view.Syrup.Has {
		temp = b.view.Syrup.Value
	}
	about.TempC, about.Pulses, about.NetKg = min(max(temp, -5), 50), 1, 1
	t, err := about.Test("", b.Now)
	if err != nil {
		return c
	}
	rate := 0.0
	if n.Seconds > 0 {
		rate = n.Pulses / n.Seconds
	}
	k, perKg := b.perKg(&t, rate)
	if !(k > 0) {
		c.ToGo = "How much that is, nobody knows before a first proving: draw 15 to 20 L (4 to 5 gal)."
		return c
	}
	kg := n.Pulses / k
	if n.Pulses > 0 {
		c.Drawn = "About " + b.amount(kg, perKg) + " so far."
		t.Pulses, t.Net = max(1, n.Pulses), quantity.Mass(kg)
		if p, err := t.Point(); err == nil {
			c.SoFar = "If you stopped now it would be sure to ± " + report.Percent(p.Budget.Expanded(0.95)) + "."
		}
	}
	net, least, err := t.NetFor(wish, k)
	switch {
	case err != nil:
	case net == 0:
		c.ToGo = fmt.Sprintf("± %s is more than one bucket can give: the least is ± %s. A full bucket, and several runs, come nearest.", report.Percent(wish), report.Percent(least))
	case kg >= float64(net):
		c.ToGo = "That is enough for ± " + report.Percent(wish) + ". Let go when the bucket is full enough."
	case n.Pulses == 0:
		c.ToGo = "For ± " + report.Percent(wish) + " draw " + b.amount(float64(net), perKg) + "."
	default:
		c.ToGo = fmt.Sprintf("For ± %s draw %s in all: %s to go.", report.Percent(wish), b.amount(float64(net), perKg), b.amount(float64(net)-kg, perKg))
	}
	return c
}

// amount is a weight of syrup with its volume.
func (b *bench) amount(kg float64, perKg quantity.Volume) string {
	return b.Units.Volume(quantity.Volume(math.Round(kg*float64(perKg)))) + " (" + b.Units.Mass(quantity.Mass(kg)) + ")"
}

// proveLive is the stream of a count.
func (s *server) proveLive(w http.ResponseWriter, r *http.Request) {
	q := answered(r.URL.Query())
	acts, err := s.actsOf(r)
	if err != nil {
		http.Error(w, "What was said cannot be read just now; try again.", http.StatusServiceUnavailable)
		return
	}
	s.streams.serve(w, r, s.Feed.Watch, func(time.Time) *frame {
		b := bench{model: newModel(s.Feed.Snapshot()), acts: acts, q: q}
		c := b.count()
		f := &frame{clock: b.clock(b.Now), demo: b.Demo, left: map[string]float64{}, age: map[string]float64{}}
		var html strings.Builder
		if err := pages.ExecuteTemplate(&html, "count", c); err != nil {
			s.Log.Error("page", "part", "count", "err", err)
		}
		f.parts = []part{{"count", html.String()}}
		return f
	}, s.Version, s.under)
}

// proving takes a step of a guided proving.
func (s *server) proving(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostBook) {
		return
	}
	q := answered(r.PostForm)
	do := r.PostForm.Get("do")
	var err error
	step := stepOf(q)
	b := bench{model: newModel(s.Feed.Snapshot()), q: q}
	if b.acts, err = s.Said.Acts(r.Context()); err == nil {
		switch do {
		case "start", "hand":
			step = stepReady
			q.Del("counts")
			if err = b.ready(); err == nil {
				q.Set("since", "hand")
				if do == "start" {
					q.Set("since", bucket.MarkOf(b.view).String())
				}
				http.Redirect(w, r, proveAt(q)+"#step", http.StatusSeeOther)
				return
			}
		case "stop":
			step = stepDraw
			if err = s.stopCount(r, q); err == nil {
				http.Redirect(w, r, proveAt(q)+"#step", http.StatusSeeOther)
				return
			}
		case "keep":
			var id string
			var again bool
			if id, again, err = s.keepProving(r, q); err == nil {
				s.toMeter(w, r, id, again)
				return
			}
			var fe *act.FieldError
			if errors.As(err, &fe) {
				step = stepWeigh
			}
		case "away":
			if id := b.deemed(q.Get("counts")); id != "" {
				s.toMeter(w, r, id, false)
				return
			}
			http.Redirect(w, r, meterPath, http.StatusSeeOther)
			return
		default:
			err = &act.FieldError{Field: "do", Rule: "must be start, hand, stop, keep or away", Value: strconv.Quote(clip(do))}
		}
	}
	s.drawProve(w, r, s.statusOf(w, err), q, step, err)
}

// stopCount ends a count: what lies in it went into the bucket, kept or not.
func (s *server) stopCount(r *http.Request, q url.Values) error {
	mark, err := bucket.ParseMark(q.Get("since"))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), s.taps.ending)
	defer cancel()
	ticks := s.Feed.Watch(ctx)
	var c bucket.Counted
	for {
		c, err = mark.Whole(s.Feed.Snapshot().View)
		if !errors.Is(err, bucket.ErrOpen) {
			break
		}
		if _, ok := <-ticks; !ok {
			break
		}
	}
	switch {
	case errors.Is(err, bucket.ErrOpen):
		return &act.FieldError{Field: "count", Rule: "must be over: let go, wait a few seconds and stop again", Value: "still counting"}
	case errors.Is(err, bucket.ErrNothing):
		return &act.FieldError{Field: "count", Rule: "must be above 0: nothing was counted since the start; look at nozzle and meter", Value: 0}
	case err != nil:
		return &act.FieldError{Field: "count", Rule: "must be whole: start again, or type the pulses in", Value: strconv.Quote(err.Error())}
	}
	_, _, err = s.sayOnce(r.Context(), tapOf(r), nameOf(r), func(context.Context, act.Moment) ([]act.Body, error) {
		return []act.Body{act.Deem{Session: c.Session, First: c.First, Last: c.Last, As: act.AsProving}}, nil
	})
	if err != nil {
		return err
	}
	q.Del("since")
	q.Set("counts", c.Counts())
	return nil
}

// deemed is the act that said of a count that it went into the bucket.
func (b *bench) deemed(counts string) (id string) {
	for _, a := range act.Standing(b.acts) {
		if d, ok := a.Body.(act.Deem); ok && d.As == act.AsProving && fmt.Sprint(d.Session, ".", d.First, ".", d.Last) == counts {
			id = a.ID
		}
	}
	return id
}

// keepProving keeps the proving that a form has all of.
func (s *server) keepProving(r *http.Request, q url.Values) (id string, again bool, err error) {
	return s.keepOnce(r.Context(), tapOf(r), func(ctx context.Context, _ act.Moment, _ *tap) ([]act.Act, error) {
		acts, err := s.Said.Acts(ctx)
		if err != nil {
			return nil, err
		}
		b := bench{model: newModel(s.Feed.Snapshot()), acts: acts, q: q}
		p, err := b.test()
		if err != nil {
			return nil, err
		}
		from := b.from(&p)
		a, err := s.Books.Book(ctx, nameOf(r), "", from, p, bucket.Over(act.Standing(acts), from, p))
		if a.ID == "" {
			return nil, err
		}
		return []act.Act{a}, err
	})
}
