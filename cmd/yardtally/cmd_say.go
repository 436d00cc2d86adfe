package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

const sayUsage = `
WHAT is one of:
  arrived YARD            the rig came to a yard
  left                    it left the yard it was in
  skipped [N]             a colony, or N of them, gets none tonight
  dead [N]                a colony, or N of them, is no more
  two-feeders [N]         a colony, or N of them, got two fills
  shared N                N colonies share the fill before
  all-told                every colony of a yard was fed in order, but for what was said
  drained                 the hose was emptied: what flows next fills it first
  break                   a break: what is switched off for it raises no alarm
  break-over              it is over; the next pull says so by itself
  colonies YARD N         N colonies stand in a yard, this night and from then on
  target YARD AMOUNT      what each colony of a yard is meant to get in a season, syrup
                          like "6 gal" or sugar like "40 lb"; "none" for nothing; YARD
                          all is every yard that has no target of its own
  route YARD YARD ...     the order of the yards on the outing that goes on or comes
                          next; "route none" for no order
A YARD is its id or its name. What is said now is of the place where the rig is.
`

// sayFlags are what stands beside WHAT.
type sayFlags struct {
	at, yard, fill string
	number         int
}

// saying is WHAT, as it was written.
type saying struct {
	what  string
	n     int
	yards []string
	body  act.Target // of target, but for its yard
}

// colonyWords are the words for what can be said of a colony.
var colonyWords = map[string]string{"skipped": act.Skipped, "dead": act.Dead, "two-feeders": act.TwoFeeders, "shared": act.Shared, "all-told": act.AllTold}

// runSay keeps what a person says of the hand and of colonies.
func runSay(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("say")
	also(fs, sayUsage)
	var s spoken
	s.flags(fs)
	var f sayFlags
	fs.StringVar(&f.at, "at", "", "`WHEN`: a time of the night like \"21:40\" or \"9:40pm\", or \"2026-10-09 21:40\" (default: now); colonies and target take \"ever\", too")
	fs.StringVar(&f.yard, "yard", "", "`YARD` of the colonies (default: the one that the rig was in)")
	fs.IntVar(&f.number, "number", 0, "the colony's `NUMBER`, where colonies have one")
	fs.StringVar(&f.fill, "fill", "", "with colonies: what each is meant to get, a `VOLUME` like \"1 gal\"")
	if err := s.parse(e, fs, args, -1); err != nil {
		return err
	}
	what, err := parseSaying(fs.Args())
	if err == nil {
		err = f.beside(what, given(fs))
	}
	if err != nil {
		return usageError{err}
	}
	var fill quantity.Volume
	if f.fill != "" {
		if fill, err = flagValue("-fill", f.fill, quantity.ParseVolume); err != nil {
			return usageError{err}
		}
		if fill <= 0 || fill > 100*quantity.Litre {
			return usageError{fmt.Errorf("-fill: must be above 0 and at most 100 L, is %q", f.fill)}
		}
	}
	if err := s.open(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.backend.Close()) }()
	said, err := what.said(&s, &f, fill)
	if err != nil {
		return err
	}
	return s.keep(ctx, "Said: "+s.sayAct(said.body)+".", said)
}

// parseSaying reads WHAT.
func parseSaying(args []string) (x saying, err error) {
	if len(args) == 0 {
		return x, errors.New("WHAT: must be given, like arrived, left or skipped; -h lists them")
	}
	x.what, args = args[0], args[1:]
	least, most, count := 0, 0, false
	switch x.what {
	case "arrived":
		if len(args) == 0 {
			return x, errors.New("YARD: must be given, like \"arrived mill\"")
		}
		x.yards = []string{strings.Join(args, " ")}
		return x, nil
	case "left", "drained", "all-told", "break", "break-over":
	case "skipped", "dead", "two-feeders":
		most, count = 1, true
	case "shared":
		least, most, count = 1, 1, true
	case "route":
		if len(args) == 0 {
			return x, errors.New("YARD: must be given at least once, or none for no order")
		}
		x.yards = args
		return x, nil
	case "target":
		if len(args) < 2 {
			return x, errors.New("YARD AMOUNT: must both be given, like \"target mill 6 gal\"")
		}
		return x, x.target(args)
	case "colonies":
		if len(args) < 2 {
			return x, errors.New("YARD N: must both be given, like \"colonies mill 24\"")
		}
		least, most, count = 1, 1, true
		x.yards, args = []string{strings.Join(args[:len(args)-1], " ")}, args[len(args)-1:]
	default:
		return x, fmt.Errorf("WHAT: must be arrived, left, skipped, dead, two-feeders, shared, all-told, drained, break, break-over, colonies, target or route, is %q", x.what)
	}
	if len(args) > most {
		return x, fmt.Errorf("argument %q: must not be there after %s", args[most], x.what)
	}
	if len(args) < least {
		return x, fmt.Errorf("argument N: must be given, like \"%s 2\"", x.what)
	}
	if count && len(args) == 1 {
		lo, hi := 1, 1000
		switch x.what {
		case "shared":
			lo = 2
		case "colonies":
			lo, hi = 0, 100000
		}
		if x.n, err = strconv.Atoi(args[0]); err != nil || x.n < lo || x.n > hi {
			return x, fmt.Errorf("argument N: must be a whole number between %d and %d, is %q", lo, hi, args[0])
		}
	}
	return x, nil
}

// target reads a yard and what its colonies are meant to get.
func (x *saying) target(args []string) (err error) {
	yard, amount := args[:len(args)-1], args[len(args)-1]
	if n := len(args); n > 2 && amount != "none" && strings.ContainsAny(args[n-2][:1], "0123456789.") { // "6 gal" as two words
		yard, amount = args[:n-2], args[n-2]+" "+amount
	}
	x.yards = []string{strings.Join(yard, " ")}
	if amount == "none" {
		return nil
	}
	x.body, err = act.ParseTarget("", amount)
	var fe *act.FieldError
	if errors.As(err, &fe) {
		err = fmt.Errorf("AMOUNT: %s, is %v", fe.Rule, fe.Value)
	}
	return err
}

// beside refuses flags that say nothing of WHAT.
func (f *sayFlags) beside(x saying, has func(string) bool) error {
	_, colony := colonyWords[x.what]
	switch {
	case has("number") && (!colony || x.what == "all-told"):
		return fmt.Errorf("-number: must stand only with skipped, dead, two-feeders or shared, stands with %q", x.what)
	case has("yard") && !colony:
		return fmt.Errorf("-yard: must stand only with skipped, dead, two-feeders, shared or all-told, stands with %q", x.what)
	case has("fill") && x.what != "colonies":
		return fmt.Errorf("-fill: must stand only with colonies, stands with %q", x.what)
	case f.at == "ever" && x.what != "colonies" && x.what != "target":
		return fmt.Errorf("-at: must be ever only with colonies or target, stands with %q", x.what)
	case has("number") && (f.number < 1 || f.number > 100000):
		return fmt.Errorf("-number: must be between 1 and 100000, is %d", f.number)
	case has("number") && x.n > 1 && x.what != "shared":
		return fmt.Errorf("-number: must be of one colony, and %d are %s", x.n, x.what)
	}
	return nil
}

// said returns what is to be kept.
func (x *saying) said(s *spoken, f *sayFlags, fill quantity.Volume) (said, error) {
	switch x.what {
	case "route":
		return x.route(s, f)
	case "colonies", "target":
		// Who counts them after feeding means the night, not what comes after it.
		from := s.from
		if f.at == "ever" {
			from = 0
		} else if f.at != "" {
			t, err := s.moment(f.at)
			if err != nil {
				return said{}, err
			}
			from = t.UnixNano()
		}
		if x.what == "target" && x.yards[0] == "all" {
			return said{from: from, body: x.body}, nil
		}
		y, err := s.yard("YARD", x.yards[0])
		if x.what == "target" {
			x.body.Yard = y.ID
			return said{from: from, body: x.body}, err
		}
		return said{from: from, body: act.Colonies{Yard: y.ID, Count: x.n, FillL: fill.Litres()}}, err
	}
	t, err := s.moment(f.at)
	if err != nil {
		return said{}, err
	}
	at := act.Moment{NS: t.UnixNano()}
	switch x.what {
	case "arrived":
		y, err := s.yard("YARD", x.yards[0])
		return said{body: act.Arrive{At: at, Yard: y.ID}}, err
	case "left":
		return said{body: act.Arrive{At: at}}, nil
	case "drained":
		return said{body: act.Drained{At: at}}, nil
	case "break", "break-over":
		return said{body: act.Break{At: at, Over: x.what == "break-over"}}, nil
	}
	c := act.Colony{At: at, What: colonyWords[x.what], N: x.n, Number: f.number}
	if f.yard != "" {
		y, err := s.yard("-yard", f.yard)
		if err != nil {
			return said{}, err
		}
		c.Yard = y.ID
	}
	return said{body: c}, nil
}

func (x *saying) route(s *spoken, f *sayFlags) (said, error) {
	t := s.now // also when no outing goes on: it is for the next
	if f.at != "" {
		var err error
		if t, err = s.moment(f.at); err != nil {
			return said{}, err
		}
	}
	r := act.Route{Yards: []string{}}
	if len(x.yards) > 1 || x.yards[0] != "none" {
		for _, name := range x.yards {
			y, err := s.yard("YARD", name)
			if err != nil {
				return said{}, err
			}
			r.Yards = append(r.Yards, y.ID)
		}
	}
	return said{from: t.UnixNano(), body: r}, nil
}
