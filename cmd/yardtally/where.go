package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/meter/ledger"
)

// defaultSettings is the settings file that is read where none is named.
const defaultSettings = "yardtally.toml"

// where says which rig's data a command is about.
type where struct {
	settings string
	data     string
	rig      string
	house    bool               // it is about all rigs of the settings
	set      *settings.Settings // nil where no settings file is in play
}

func (w *where) flags(fs *flag.FlagSet) {
	fs.StringVar(&w.settings, "settings", "", "settings `FILE` (default "+defaultSettings+", if it is there)")
	fs.StringVar(&w.data, "data", "", "journal's `FOLDER`, instead of the settings' own")
	fs.StringVar(&w.rig, "rig", "", "rig's `NAME`, where the journal has several")
}

// findSettings is find for commands that need a settings file.
func (w *where) findSettings() error {
	err := w.find()
	if w.settings == "" {
		return usageError{errors.New("settings: must be named with -settings, or stand in " + defaultSettings)}
	}
	return err
}

// find settles what was left open on the command line.
func (w *where) find() error {
	if w.settings == "" {
		if _, err := os.Stat(defaultSettings); err == nil {
			w.settings = defaultSettings
		}
	}
	if w.settings != "" {
		s, err := settings.Read(w.settings)
		if err != nil {
			return err
		}
		w.set = s
		if w.data == "" {
			w.data = s.Data
		} else {
			s.Data = w.data
		}
		if !s.House() {
			w.rig = cmp.Or(w.rig, s.Rig)
		} else if !w.house {
			if w.rig == "" {
				return usageError{fmt.Errorf("-rig: must be named, as the settings have several: %s", strings.Join(s.Names(), ", "))}
			}
			if one := s.Of(w.rig); one != nil {
				one.Data, w.set = s.Data, one
			}
		}
	}
	if w.data == "" {
		return usageError{errors.New("settings: name a settings file with -settings or a journal's folder with -data")}
	}
	return nil
}

// checkUnits refuses units that there are not; "" stands for the settings'.
func checkUnits(asked string) error {
	if _, err := quantity.ParseSystem(asked); err != nil && asked != "" {
		return usageError{fmt.Errorf("-units: must be US or SI, is %q", asked)}
	}
	return nil
}

// units returns the units that were asked for, the settings', or US.
func (w *where) units(asked string) quantity.System {
	if u, err := quantity.ParseSystem(asked); err == nil {
		return u
	}
	if w.set != nil {
		return w.set.Units
	}
	return quantity.US
}

// currency returns the sign of prices: the settings', or the usual.
func (w *where) currency() string {
	if w.set != nil {
		return w.set.Books.Currency
	}
	return settings.DefaultCurrency
}

// reach settles where the rig's data is, and opens its journal to be read, or
// finds the daemon that has it.
func (w *where) reach(ctx context.Context) (backend, error) {
	if err := w.find(); err != nil {
		return nil, err
	}
	return openBackend(ctx, w.data, w.rig, false)
}

// read returns what the rig's ledger derives, and the yards' time zone.
func (w *where) read(ctx context.Context) (*ledger.View, *time.Location, error) {
	b, err := openBackend(ctx, w.data, w.rig, false)
	if err != nil {
		return nil, nil, err
	}
	v, err := b.View(ctx)
	if err = errors.Join(err, b.Close()); err != nil {
		return nil, nil, err
	}
	return v, zoneOf(v), nil
}

// zoneOf returns the yards' time zone, UTC where it is not known.
func zoneOf(v *ledger.View) *time.Location {
	zone, err := time.LoadLocation(v.Zone)
	if err != nil {
		return time.UTC
	}
	return zone
}
