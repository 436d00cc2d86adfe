package main

import (
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
	"yardtally/meter/act"
)

// checkSignal says what is signalled, where and how.
func checkSignal(c *checker, set *settings.Settings, now time.Time, running bool) {
	s := set.Signal
	if s == nil {
		c.note("signal", "none is given: there is no [signal]")
		return
	}
	if text := fullAt(set, now.UnixNano()); text == "" {
		c.say("signal full", errors.New("must have a fill of a yard or of [counter] to be full at, is none"), "")
	} else {
		if s.Early > 0 {
			text += "; " + finely(set.Units, s.Early) + " early, half of the fill at most"
		}
		c.note("signal full", "%s", text)
	}
	if s.Failing > 0 {
		c.note("signal failing", "below %.0f %% of the pull's own flow", 100*s.Failing)
	} else {
		c.note("signal failing", "never")
	}
	if s.MQTT {
		d := &daemon{set: set, clock: source.SystemClock{}}
		if d.openSources() == nil { // what is wrong with them is said elsewhere
			for _, p := range d.publishers(set.Rig) {
				c.note("signal", "to %s at %s", p.Topic, p.To)
			}
		}
	}
	if len(s.Command) > 0 {
		cmd, err := sound.NewCommand(s.Command, slog.New(slog.DiscardHandler))
		if err == nil {
			err = cmd.Check()
		}
		c.say("signal command", err, "%s can be run", s.Command[0])
	}
	if s.Pin != nil {
		checkPin(c, s.Pin, running, pinOut)
	}
	c.note("signal", "it signals only and drives no valve; do not rely on it, watch the feeder")
}

// fullAt says at what fill a signal comes, and where; "" for nowhere.
func fullAt(set *settings.Settings, now int64) string {
	type newest struct {
		from int64
		yard act.Yard
	}
	yards := map[string]newest{}
	var rig act.Rig
	var rigFrom int64
	for _, a := range set.Acts {
		if a.From > now {
			continue
		}
		switch b := a.Body.(type) {
		case act.Yard:
			if old, ok := yards[b.ID]; !ok || a.From >= old.from {
				yards[b.ID] = newest{a.From, b}
			}
		case act.Rig:
			if a.From >= rigFrom {
				rig, rigFrom = b, a.From
			}
		}
	}
	at := map[string][]string{}
	for id, y := range yards {
		if y.yard.FillL > 0 && !y.yard.Closed {
			v := finely(set.Units, quantity.VolumeOf(y.yard.FillL/1000))
			at[v] = append(at[v], id)
		}
	}
	var parts []string
	for v, ids := range at {
		slices.Sort(ids)
		parts = append(parts, v+" in "+strings.Join(ids, ", "))
	}
	slices.Sort(parts)
	if rig.FillL > 0 {
		parts = append(parts, finely(set.Units, quantity.VolumeOf(rig.FillL/1000))+" elsewhere")
	} else if len(parts) > 0 {
		parts = append(parts, "never elsewhere")
	}
	return strings.Join(parts, "; ")
}

// finely prints what one colony gets to a hundredth: pages round to less.
func finely(u quantity.System, v quantity.Volume) string {
	if u == quantity.US {
		return fmt.Sprintf("%.2f gal", v.USGallons())
	}
	return fmt.Sprintf("%.2f L", v.Litres())
}
