package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/outing"
)

const cutUsage = `
FILL is a number as "yardtally fills" lists it. VOLUME is what the first of the
two gets, like "0.9 gal". A time like 21:40:12 in its place is taken as if the
fill had flowed evenly.
`

// runCut makes two fills of one.
func runCut(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("cut")
	also(fs, cutUsage)
	var s spoken
	s.flags(fs)
	if err := s.parse(e, fs, args, -1); err != nil {
		return err
	}
	c, err := parseCut(fs.Args())
	if err != nil {
		return usageError{err}
	}
	if err := s.open(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.backend.Close()) }()
	text, body, err := c.said(&s)
	if err != nil {
		return err
	}
	return s.keep(ctx, text, said{body: body})
}

// cutting is where a person has a fill cut, as it was written.
type cutting struct {
	pick
	where  string
	timed  bool            // it is a time
	volume quantity.Volume // of the first of the two, where it is none
}

// parseCut reads what stands after cut, before anything is opened.
func parseCut(args []string) (c cutting, err error) {
	left, right, err := sides(args, "at", "cut 4 at 0.9 gal")
	if err != nil {
		return c, err
	}
	c.words = left
	if err := c.check(); err != nil {
		return c, err
	}
	c.where = strings.Join(right, " ")
	if c.timed = strings.Contains(c.where, ":"); !c.timed {
		c.volume, err = flagValue("at", c.where, quantity.ParseVolume)
	}
	return c, err
}

// said is what is to be said, and in words.
func (c *cutting) said(s *spoken) (text string, body act.Cut, err error) {
	fills, err := c.fills(s)
	if err != nil {
		return "", body, err
	}
	if len(fills) != 1 {
		return "", body, fmt.Errorf("FILL: must be one fill, are %d", len(fills))
	}
	f := fills[0]
	part := float64(c.volume) / float64(f.Volume)
	if c.timed {
		s.from, s.to = s.before.NightAt(f.Start, s.zone)
		t, err := s.instant("at", c.where)
		if err != nil {
			return "", body, err
		}
		part = float64(t.UnixNano()-f.Start) / float64(f.End-f.Start)
	}
	count, ok := outing.CutAt(f.First, f.Last, part)
	if !ok {
		if c.timed {
			return "", body, fmt.Errorf("at: must be inside fill %d, between %s and %s, is %q", f.no, clockTime(f.Start, s.zone), clockTime(f.End, s.zone), c.where)
		}
		return "", body, fmt.Errorf("at: must be inside fill %d, between nothing and its %s, is %q", f.no, report.Hundredths(s.sys, f.Volume), c.where)
	}
	first := f.Volume / quantity.Volume(f.Last-f.First) * quantity.Volume(count-f.First)
	cells, sum := report.Closing(s.sys, 100, []quantity.Volume{first, f.Volume - first})
	_, unit := s.sys.VolumeParts(0)
	return fmt.Sprintf("Fill %d, %s %s, cut into %s and %s %s.", f.no, report.Fixed(sum, 100), unit,
		report.Fixed(cells[0], 100), report.Fixed(cells[1], 100), unit), act.Cut{Session: f.Session, At: count}, nil
}

func clockTime(ns int64, zone *time.Location) string {
	return time.Unix(0, ns).In(zone).Format(time.TimeOnly)
}

const joinUsage = `
FILLS are numbers as "yardtally fills" lists them, like 3-4, that follow one
another in one yard. What follows the first is counted as its top-up.
"count 4 as fill" parts them again.
`

// runJoin makes one colony's fill of several: all but the first are top-ups.
func runJoin(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("join")
	also(fs, joinUsage)
	var s spoken
	s.flags(fs)
	if err := s.parse(e, fs, args, -1); err != nil {
		return err
	}
	p := pick{words: fs.Args()}
	if err := p.check(); err != nil {
		return usageError{err}
	}
	if err := s.open(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.backend.Close()) }()
	fills, err := p.fills(&s)
	if err != nil {
		return err
	}
	if len(fills) < 2 {
		return fmt.Errorf("FILLS: must be two at least, like 3-4, is %q", strings.Join(p.words, " "))
	}
	for i := range fills[1:] {
		a, b := fills[i], fills[i+1]
		if b.no != a.no+1 {
			return fmt.Errorf("FILLS: must follow one another, and %d comes after %d", b.no, a.no)
		}
		if a.Yard != b.Yard {
			return fmt.Errorf("FILLS: must be of one yard, and fill %d is of %s, fill %d of %s", a.no, yardOr(a.Yard), b.no, yardOr(b.Yard))
		}
	}
	var all []said
	for _, x := range countsOf(fills[1:]) {
		all = append(all, said{body: act.Deem{Session: x.session, First: x.first, Last: x.last, As: act.AsTopUp}})
	}
	return s.keep(ctx, sayFills(fills, s.sys)+", joined."+stillOpen(fills), all...)
}

func yardOr(id string) string {
	if id == "" {
		return report.NoYard
	}
	return id
}

const visitUsage = `
visit begins    a visit of the yard where the rig was then begins at that time
visit goes-on   what seems to begin there goes on with the visit before
`

// runVisit says where a visit of a yard begins, or that one goes on.
func runVisit(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("visit")
	also(fs, visitUsage)
	var s spoken
	s.flags(fs)
	at := fs.String("at", "", "`WHEN`: a time of the night like \"21:40\" or \"9:40pm\", or \"2026-10-09 21:40\", or now")
	if err := s.parse(e, fs, args, 1); err != nil {
		return err
	}
	what := fs.Arg(0)
	if what != "begins" && what != "goes-on" {
		return usageError{fmt.Errorf("argument: must be begins or goes-on, is %q", what)}
	}
	if *at == "" {
		return usageError{fmt.Errorf("-at: must be given, like \"visit %s -at 21:40\"", what)}
	}
	if err := s.open(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.backend.Close()) }()
	t, err := s.moment(*at)
	if err != nil {
		return err
	}
	body := act.Visit{At: act.Moment{NS: t.UnixNano()}, Goes: what == "goes-on"}
	return s.keep(ctx, "Said: "+s.sayAct(body)+".", said{body: body})
}
