package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"yardtally/meter/act"
)

// runMove gives fills to another yard, or to none.
func runMove(ctx context.Context, e *env, args []string) error {
	return runCorrect(ctx, e, "move", args, func(p *pick, args []string) (correction, error) {
		left, right, err := sides(args, "to", "move 3-7 to mill")
		if err != nil {
			return nil, err
		}
		if len(right) == 0 {
			return nil, errors.New("YARD: must be given, like \"move 3-7 to mill\", or none")
		}
		p.words = left
		name := strings.Join(right, " ")
		return func(s *spoken) (string, func(stretch) act.Body, error) {
			yard, what := "", "no yard"
			if name != "none" {
				y, err := s.yard("YARD", name)
				if err != nil {
					return "", nil, err
				}
				yard, what = y.ID, fmt.Sprintf("yard %s (%s)", y.ID, y.Name)
			}
			return "moved to " + what, func(x stretch) act.Body {
				return act.Assign{Session: x.session, First: x.first, Last: x.last, Yard: yard}
			}, nil
		}, nil
	})
}

// flowKinds are what flow can be counted as.
var flowKinds = []string{act.AsFill, act.AsTopUp, act.AsPriming, act.AsFlush, act.AsProving, act.AsSpill, act.AsSuspect}

const countUsage = `
KIND is one of:
  fill       a colony's
  top-up     of the colony that the fill before fed
  priming    until syrup came, onto the ground
  flush      to clean the hose, onto the ground
  proving    into a bucket that was weighed
  spill      lost
  suspect    no syrup at all
`

// runCount says what fills were. In which yard that was stays as it is.
func runCount(ctx context.Context, e *env, args []string) error {
	return runCorrect(ctx, e, "count", args, func(p *pick, args []string) (correction, error) {
		left, right, err := sides(args, "as", "count 3 as priming")
		if err != nil {
			return nil, err
		}
		p.words = left
		kind := strings.Join(right, " ")
		if !slices.Contains(flowKinds, kind) {
			return nil, fmt.Errorf("KIND: must be one of %s, is %q", strings.Join(flowKinds, ", "), kind)
		}
		return func(*spoken) (string, func(stretch) act.Body, error) {
			return "counted as " + kind, func(x stretch) act.Body {
				return act.Deem{Session: x.session, First: x.first, Last: x.last, As: kind}
			}, nil
		}, nil
	})
}

// correction returns, once the yards are known, what is done with fills, in
// words, and what is said of each stretch of their counts.
type correction func(s *spoken) (did string, of func(stretch) act.Body, err error)

// runCorrect is a command that says the same of every fill that is picked.
func runCorrect(ctx context.Context, e *env, name string, args []string, read func(p *pick, args []string) (correction, error)) (err error) {
	fs := flags(name)
	var s spoken
	s.flags(fs)
	var p pick
	p.flags(fs)
	if name == "count" {
		also(fs, countUsage)
	}
	if err := s.parse(e, fs, args, -1); err != nil {
		return err
	}
	correct, err := read(&p, fs.Args())
	if err == nil {
		err = p.check()
	}
	if err != nil {
		return usageError{err}
	}
	if err := s.open(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.backend.Close()) }()
	did, of, err := correct(&s)
	if err != nil {
		return err
	}
	stretches, what, note, err := p.stretches(&s)
	if err != nil {
		return err
	}
	all := make([]said, len(stretches))
	for i, x := range stretches {
		all[i].body = of(x)
	}
	return s.keep(ctx, what+", "+did+"."+note, all...)
}
