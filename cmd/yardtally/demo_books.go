package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard/report"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
)

// The demo's keeper mixes what the simulated rig is loaded with: in the tote on
// the rig, and for what is filled up on the way in a tank that stays at home.
const (
	demoBag   = "50 lb"
	demoPrice = "$38.50 a bag"
	demoTank  = "mixing tank"
	demoSpare = 1.05 // so much more is mixed in the tank than goes on the rig
)

// demoEntry is an entry that the keeper makes.
type demoEntry struct {
	ago  time.Duration // before the night begins
	way  string
	with entry.Fields
}

// demoMix is sugar and water for a volume of syrup, as a keeper with a scale
// and a water meter puts it, and the sugar in it in lb.
func demoMix(v quantity.Volume, brix float64) (parts string, lb float64, err error) {
	d, err := syrup.Density(quantity.FromBrix(brix), 20)
	if err != nil {
		return "", 0, err
	}
	kg := v.CubicMetres() * float64(d)
	lb = math.Round(kg * brix / 100 / float64(quantity.Pound))
	water := math.Round((kg - lb*float64(quantity.Pound)) / float64(quantity.Pound))
	return fmt.Sprintf("%.0f lb sugar + %.0f lb water", lb, water), lb, nil
}

// entries are what the keeper books before the night.
func (m *demo) entries() ([]demoEntry, error) {
	n := &m.night
	brix := fmt.Sprintf("%g Brix", n.Brix)
	parts, lb, err := demoMix(n.Load, n.Brix)
	if err != nil {
		return nil, err
	}
	out := []demoEntry{{3 * time.Hour, "mix", entry.Fields{entry.What: parts, "brix": brix, "empty": "true", "name": "for the night"}}}
	var later quantity.Volume
	for _, r := range n.Refills {
		later += r.Volume
	}
	if later > 0 {
		parts, more, err := demoMix(quantity.VolumeOf(demoSpare*later.CubicMetres()), n.Brix)
		if err != nil {
			return nil, err
		}
		lb += more
		out = append(out, demoEntry{2 * time.Hour, "mix", entry.Fields{entry.What: parts, "tote": demoTank, "brix": brix, "name": "to fill up with"}})
	}
	const before = 10 // bags
	buy := math.Ceil(lb/50) - before + 4
	return append([]demoEntry{
		{50 * time.Hour, "count", entry.Fields{entry.What: fmt.Sprintf("%d bags of %s sugar", before, demoBag), "price": "$380"}},
		{26 * time.Hour, "purchase", entry.Fields{entry.What: fmt.Sprintf("%.0f bags of %s sugar", buy, demoBag), "price": demoPrice, "lot": "B-17"}},
	}, out...), nil
}

// book keeps an entry as of an instant.
func (m *demo) book(ctx context.Context, d *daemon, at time.Time, way string, f entry.Fields) error {
	all, err := d.desk.Acts(ctx)
	if err != nil {
		return err
	}
	f["at"] = at.Format(time.RFC3339)
	k := &entry.Known{Now: at.UnixNano(), Zone: d.set.Zone, View: d.desk.Snapshot().View, Standing: entry.Standing(all), Units: m.units, Currency: d.set.Books.Currency}
	x, err := entry.Compose(way, f, k)
	if err != nil {
		return fmt.Errorf("the demo's books: %s: %w", way, err)
	}
	_, err = d.taps.Book(ctx, "wren", "", x.From, x.Body, nil)
	return err
}

// bookAll books what was done before the night, unless its folder has books.
func (m *demo) bookAll(ctx context.Context, d *daemon) error {
	acts, err := d.desk.Acts(ctx)
	if err != nil || slices.ContainsFunc(acts, func(a act.Act) bool { return act.OfBooks(a.Body) }) {
		return err
	}
	m.books = true
	all, err := m.entries()
	for _, x := range all {
		if err == nil {
			err = m.book(ctx, d, m.night.Start.Add(-x.ago), x.way, x.with)
		}
	}
	return err
}

// bookLoads books what came into the tote on the way.
func (m *demo) bookLoads(ctx context.Context, d *daemon, truth *rigsim.Truth) error {
	for _, h := range truth.Handlings {
		if !m.books || h.Kind != "refill" || h.In == 0 {
			continue
		}
		// The marks of the tank are good to half a litre.
		l := math.Round(2*h.In.Litres()) / 2
		if err := m.book(ctx, d, h.From.Truncate(time.Second), "load", entry.Fields{entry.What: fmt.Sprintf("%g L", l), "from": demoTank}); err != nil {
			return err
		}
	}
	return nil
}

// state prints the statement of the night's books.
func (m *demo) state(ctx context.Context, d *daemon) error {
	acts, err := d.desk.Acts(ctx)
	if err != nil {
		return err
	}
	v := d.desk.Snapshot().View
	s, err := bookedSeason([]*ledger.View{v}, acts, false, m.units, func(book *sugar.Book, zone *time.Location) (int64, int64, error) {
		from, to := books.Period(v, book, zone)
		return from, to, nil
	})
	if err != nil {
		return err
	}
	st, _, err := s.statement()
	if err != nil {
		return err
	}
	fmt.Fprintln(m.e.out)
	return report.Statement(m.e.out, st, report.Options{Units: m.units, Zone: s.zone, Currency: d.set.Books.Currency})
}
