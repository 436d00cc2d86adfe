package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/ledger"
	"yardtally/meter/watch"
)

const watchUsage = `
Without more it lists what is the matter, and what to do about it. Else it is:
  ack [KEY | all]             you know of an alarm; without KEY, of the only one
  shelve KIND -for DURATION   keep alarms of a kind quiet for a while; they stay listed
  unshelve KIND               take the kind off the shelf
A KEY or a KIND is as the list has it. Several KINDs are joined by "or": shelve
kink or throttle down -for 2h. The KINDs are:
`

// How long a kind can be shelved. Judgement: a night, and a walk.
const (
	mostShelved  = time.Duration(alarm.ShelfMost)
	leastShelved = time.Minute
)

// watchAsk is the command, as it was written.
type watchAsk struct {
	where
	who, unitsAsked string
	asJSON, all     bool
	how             time.Duration
}

func runWatch(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("watch")
	also(fs, watchUsage+report.Wrapped("  ", strings.Join(kindNames(), ", ")))
	var w watchAsk
	w.flags(fs)
	if err := parse(e, fs, args, -1); err != nil {
		return err
	}
	if err := w.check(fs); err != nil {
		return usageError{err}
	}
	b, err := w.reach(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if _, running := b.(*remote); w.set != nil && w.set.Rig == b.Rig() && !running {
		if err := sayAll(ctx, b, w.set, time.Now().UnixNano()); err != nil {
			return err
		}
	}
	v, err := b.View(ctx)
	if err != nil {
		return err
	}
	at, err := b.Watch(ctx)
	if err != nil {
		return err
	}
	if fs.NArg() == 0 {
		if w.asJSON {
			return writeWatched(e, v, at, w.units(w.unitsAsked))
		}
		listWatched(e, v, at, w.units(w.unitsAsked), w.all)
		return nil
	}
	bodies, text, err := w.say(fs.Args(), v, at)
	if err != nil {
		return err
	}
	return w.keep(ctx, e, b, at, bodies, text)
}

func (w *watchAsk) flags(fs *flag.FlagSet) {
	w.where.flags(fs)
	fs.StringVar(&w.who, "who", byCommand, "`NAME` of who says it")
	fs.StringVar(&w.unitsAsked, "units", "", "`UNITS` of what is told, US or SI (default: the settings')")
	fs.BoolVar(&w.asJSON, "json", false, "as JSON, SI units")
	fs.BoolVar(&w.all, "all", false, "also what is over and acknowledged")
	fs.DurationVar(&w.how, "for", 0, "with shelve: for how long, a `DURATION` like 2h or 45m")
}

// check refuses what cannot be so, before anything is opened.
func (w *watchAsk) check(fs *flag.FlagSet) error {
	if err := checkUnits(w.unitsAsked); err != nil {
		return err
	}
	if strings.TrimSpace(w.who) == "" {
		return fmt.Errorf("-who: must not be empty, is %q", w.who)
	}
	what, has := fs.Arg(0), given(fs)
	switch {
	case fs.NArg() == 0, what == "ack", what == "shelve", what == "unshelve":
	default:
		return fmt.Errorf("argument %q: must be ack, shelve or unshelve, or nothing", what)
	}
	switch {
	case has("for") && what != "shelve":
		return fmt.Errorf("-for: must stand only with shelve, stands with %q", what)
	case what == "shelve" && !has("for"):
		return errors.New("-for: must be given with shelve, like -for 2h")
	case what == "shelve" && (w.how < leastShelved || w.how > mostShelved):
		return fmt.Errorf("-for: must be between %s and %s, is %s", sayLong(leastShelved), sayLong(mostShelved), w.how)
	case (w.asJSON || w.all) && what != "":
		return fmt.Errorf("-json, -all: must stand only with the list, stand with %q", what)
	}
	if what == "shelve" || what == "unshelve" {
		_, err := parseKinds(fs.Args()[1:])
		return err
	}
	return nil
}

func sayLong(d time.Duration) string {
	if d >= time.Hour {
		return fmt.Sprintf("%gh", d.Hours())
	}
	return fmt.Sprintf("%gm", d.Minutes())
}

// kindNames are the names of all kinds.
func kindNames() (out []string) {
	for k := watch.Kind(1); k.String() != ""; k++ {
		out = append(out, k.String())
	}
	return out
}

// parseKinds reads "kink or throttle down".
func parseKinds(words []string) ([]watch.Kind, error) {
	if len(words) == 0 {
		return nil, errors.New("KIND: must be given, like \"kink\"")
	}
	var out []watch.Kind
	for _, name := range strings.Split(strings.Join(words, " "), " or ") {
		k, ok := watch.ParseKind(strings.ToLower(strings.TrimSpace(name)))
		if !ok {
			return nil, fmt.Errorf("KIND: must be one of %s, is %q", strings.Join(kindNames(), ", "), name)
		}
		out = append(out, k)
	}
	return out, nil
}

// say turns the command into what is to be kept, and a line that says so.
func (w *watchAsk) say(args []string, v *ledger.View, at *findings) ([]act.Body, string, error) {
	if args[0] == "ack" {
		return w.ack(strings.Join(args[1:], " "), at)
	}
	kinds, err := parseKinds(args[1:])
	if err != nil {
		return nil, "", err
	}
	var bodies []act.Body
	var names []string
	until := act.Moment{NS: at.At + int64(w.how)}
	for _, k := range kinds {
		names = append(names, k.String())
		if args[0] == "shelve" {
			bodies = append(bodies, act.Shelve{What: k.String(), Until: until})
			continue
		}
		on := false
		for _, s := range at.Shelf {
			on = on || s.Kind == k.String()
		}
		if !on {
			return nil, "", fmt.Errorf("KIND: must be on the shelf, is %q", k)
		}
		bodies = append(bodies, act.Shelve{What: k.String()})
	}
	if args[0] == "unshelve" {
		return bodies, "Off the shelf: " + strings.Join(names, ", ") + ".", nil
	}
	return bodies, fmt.Sprintf("On the shelf until %s: %s.", dayClock(zoneOf(v), at.At)(until.NS), strings.Join(names, ", ")), nil
}

// ack finds the alarms of a key, of "all", or the only one that waits for it.
func (w *watchAsk) ack(key string, at *findings) ([]act.Body, string, error) {
	var waiting, found []*alarm.Alarm
	for i := range at.Alarms {
		a := &at.Alarms[i]
		if a.Acked != 0 || a.Priority == alarm.Note || a.State == alarm.Gone {
			if a.Key == key && key != "" {
				return nil, "", fmt.Errorf("KEY: must be of an alarm that waits for it, and %q is %s", key, a.State)
			}
			continue
		}
		waiting = append(waiting, a)
		if key == "all" || a.Key == key {
			found = append(found, a)
		}
	}
	if key == "" && len(waiting) == 1 {
		found = waiting
	}
	var keys []string
	for _, a := range waiting {
		keys = append(keys, fmt.Sprintf("%q", a.Key))
	}
	switch {
	case len(waiting) == 0 && (key == "" || key == "all"):
		return nil, "", errors.New("KEY: must be of an alarm that waits for it, and there is none")
	case key == "" && len(found) == 0:
		return nil, "", fmt.Errorf("KEY: must be given, or all, as %d alarms wait for it: %s", len(waiting), strings.Join(keys, ", "))
	case len(found) == 0 && len(waiting) == 0:
		return nil, "", fmt.Errorf("KEY: must be of an alarm that waits for it, and there is none, is %q", key)
	case len(found) == 0:
		return nil, "", fmt.Errorf("KEY: must be all or one of %s, is %q", strings.Join(keys, ", "), key)
	}
	var bodies []act.Body
	var said []string
	for _, a := range found {
		bodies = append(bodies, act.Ack{Key: a.Key})
		said = append(said, alarm.Matter(&a.Verdict))
	}
	return bodies, "Acknowledged: " + strings.Join(said, ", ") + ".", nil
}

// keep adds what was said, and tells how to take it back.
func (w *watchAsk) keep(ctx context.Context, e *env, b backend, at *findings, bodies []act.Body, text string) error {
	all, err := b.Acts(ctx)
	if err != nil {
		return err
	}
	when := at.At
	for i := range all {
		when = max(when, all[i].When+1)
	}
	var acts []act.Act
	var ids []string
	for i, body := range bodies {
		a := act.Act{ID: newID(), Rig: b.Rig(), Who: w.who, When: when + int64(i), Body: body}
		acts, ids = append(acts, a), append(ids, short(a.ID))
	}
	if _, err := b.AddActs(ctx, acts...); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "%s\nKept as act %s, said by %s.\n\nTo take it back: yardtally undo %s\n", text, strings.Join(ids, " "), w.who, strings.Join(ids, " "))
	return nil
}

// listWatched tells what is the matter, a paragraph each.
func listWatched(e *env, v *ledger.View, at *findings, u quantity.System, all bool) {
	clock := dayClock(zoneOf(v), at.At)
	n := 0
	for _, p := range []alarm.Priority{alarm.Now, alarm.Soon, alarm.Note} {
		first := true
		for i := range at.Alarms {
			a := &at.Alarms[i]
			if a.Priority != p || a.State == alarm.Gone && !all {
				continue
			}
			if first {
				fmt.Fprintf(e.out, "%s\n", map[alarm.Priority]string{alarm.Now: "Now:", alarm.Soon: "At the next stop:", alarm.Note: "To know:"}[p])
				first = false
			}
			n++
			fmt.Fprint(e.out, report.Wrapped("  ", sayAlarm(a, v, u, clock)))
			if state := report.SayState(a, clock); state != "" {
				fmt.Fprint(e.out, report.Wrapped("      ", state))
			}
			for _, why := range a.Evidence {
				fmt.Fprint(e.out, report.Wrapped("      ", why))
			}
			fmt.Fprintf(e.out, "      KEY %s\n", a.Key)
		}
	}
	if n == 0 {
		fmt.Fprintln(e.out, "Nothing is the matter.")
	}
	for _, s := range at.Shelf {
		fmt.Fprintf(e.out, "On the shelf until %s, by %s: %s.\n", clock(s.To), s.By, s.Kind)
	}
	for _, x := range at.Notes {
		fmt.Fprint(e.out, report.Wrapped("", x.Text))
	}
	if at.Learning {
		fmt.Fprint(e.out, report.Wrapped("", "The rig is not learnt yet: only what is far off is told."))
	}
	for _, x := range at.Blind {
		fmt.Fprint(e.out, report.Wrapped("", x))
	}
	fmt.Fprintln(e.out, report.NotLegal)
}

// alarmDoc is an alarm as JSON tells it; SI units, instants as RFC 3339.
type alarmDoc struct {
	Key          string   `json:"key"`
	Kinds        []string `json:"kinds"` // the likelier first
	Priority     string   `json:"priority"`
	State        string   `json:"state"`
	Yard         string   `json:"yard"`
	Session      uint64   `json:"session"` // with first: the pull it began with; 0: of no pull
	First        uint64   `json:"first"`
	Pulls        int      `json:"pulls"`
	Since        *string  `json:"since"`
	Raised       *string  `json:"raised"`
	Over         *string  `json:"over"` // null: it lasts
	Returned     *string  `json:"returned"`
	Acked        *string  `json:"acked"`
	AckedBy      string   `json:"acked_by"`
	ShelvedUntil *string  `json:"shelved_until"`
	Size         float64  `json:"size"` // ln of measured over expected flow; of others m³, K, s or a share
	Chance       float64  `json:"chance"`
	Side         string   `json:"side"`
	Channel      string   `json:"channel"`
	Text         string   `json:"text"`
	Evidence     []string `json:"evidence"`
}

type shelfDoc struct {
	Kind  string  `json:"kind"`
	Since *string `json:"since"`
	Until *string `json:"until"`
	By    string  `json:"by"`
}

type watchDoc struct {
	Report        string     `json:"report"` // "watch"
	Rig           string     `json:"rig"`
	At            *string    `json:"at"`
	Learning      bool       `json:"learning"` // the rig is not learnt: only what is far off is told
	Alarms        []alarmDoc `json:"alarms"`
	Shelf         []shelfDoc `json:"shelf"`
	Notes         []string   `json:"notes"`
	LegalForTrade bool       `json:"legal_for_trade"`
}

func writeWatched(e *env, v *ledger.View, at *findings, u quantity.System) error {
	when := func(ns int64) *string {
		if ns == 0 {
			return nil
		}
		s := time.Unix(0, ns).UTC().Format(time.RFC3339Nano)
		return &s
	}
	d := watchDoc{Report: "watch", Rig: v.Rig, At: when(at.At), Learning: at.Learning, Alarms: []alarmDoc{}, Shelf: []shelfDoc{}, Notes: []string{}}
	clock := dayClock(zoneOf(v), at.At)
	for i := range at.Alarms {
		a := &at.Alarms[i]
		x := alarmDoc{Key: a.Key, Kinds: []string{}, Priority: a.Priority.String(), State: a.State.String(), Yard: a.Yard, Session: a.Session,
			First: a.First, Pulls: a.Pulls, Since: when(a.From), Raised: when(a.Raised), Over: when(a.Until), Returned: when(a.Back),
			Acked: when(a.Acked), AckedBy: a.AckedBy, ShelvedUntil: when(a.ShelvedUntil), Size: a.Size, Chance: a.Chance,
			Side: a.Where.String(), Channel: a.Channel, Text: sayAlarm(a, v, u, clock), Evidence: append([]string{}, a.Evidence...)}
		for _, k := range a.Kinds {
			x.Kinds = append(x.Kinds, k.String())
		}
		d.Alarms = append(d.Alarms, x)
	}
	for _, s := range at.Shelf {
		d.Shelf = append(d.Shelf, shelfDoc{s.Kind, when(s.From), when(s.To), s.By})
	}
	for _, n := range at.Notes {
		d.Notes = append(d.Notes, n.Text)
	}
	enc := json.NewEncoder(e.out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(d)
}
