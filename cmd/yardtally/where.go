package main

import (
	"errors"
	"flag"
	"os"

	"yardtally/cmd/yardtally/settings"
)

// defaultSettings is the settings file that is read where none is named.
const defaultSettings = "yardtally.toml"

// where says which rig's data a command is about.
type where struct {
	settings string
	data     string
	rig      string
	set      *settings.Settings // nil where no settings file is in play
}

func (w *where) flags(fs *flag.FlagSet) {
	fs.StringVar(&w.settings, "settings", "", "settings `FILE` (default "+defaultSettings+", if it is there)")
	fs.StringVar(&w.data, "data", "", "`FOLDER` of the journal, instead of the settings' own")
	fs.StringVar(&w.rig, "rig", "", "`NAME` of the rig, where the journal has several")
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
		if w.rig == "" {
			w.rig = s.Rig
		}
	}
	if w.data == "" {
		return usageError{errors.New("settings: name a settings file with -settings or a journal's folder with -data")}
	}
	return nil
}
