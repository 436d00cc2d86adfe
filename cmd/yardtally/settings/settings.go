// Package settings reads a rig's settings file. A value that cannot be so is
// an error that names the field, the rule and the value; a key that is not
// known is one too, with its line.
package settings

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/wire"
	"yardtally/meter/act"
)

// Settings are a settings file, read and checked.
type Settings struct {
	Path  string // of the file
	Rig   string
	Units quantity.System
	Zone  *time.Location
	Data  string // folder of the journal
	Page  string // address the pages are served at, host:port

	Serial []Serial
	MQTT   []MQTT
	Broker *Broker
	Influx *Influx

	// Acts are what the file says of the rig, its yards and provings: bodies
	// and from when they hold (0: since ever).
	Acts []Said
}

// Said is one thing the file says, for the journal.
type Said struct {
	Key  string // what it is about: two with the same key and From replace each other
	From int64
	Body act.Body
}

// Serial is a serial port to read.
type Serial struct {
	Name, Port string
	Baud       int
}

// MQTT is a broker to subscribe at.
type MQTT struct {
	Name, URL, Client, User, Password, Prefix string
}

// Broker is the broker in the daemon itself.
type Broker struct {
	Address, Prefix string
	Users           []User
}

// User may publish to the embedded broker.
type User struct{ Name, Password string }

// Influx is where results are forwarded to.
type Influx struct{ URL, Token, Org, Bucket string }

// Error is what is wrong with one field of a settings file.
type Error struct {
	Path  string
	Line  int    // 0: not known
	Field string // as in the file, e.g. "yards[2].enter"
	Rule  string
	Value string
}

func (e *Error) Error() string {
	at := e.Path
	if e.Line > 0 {
		at = fmt.Sprintf("%s:%d", e.Path, e.Line)
	}
	s := fmt.Sprintf("%s: %s: %s", at, e.Field, e.Rule)
	if e.Value != "" {
		s += ", is " + e.Value
	}
	return s
}

// file mirrors the settings file. Every quantity is text with its unit.
type file struct {
	Rig   string `toml:"rig"`
	Units string `toml:"units"`
	Zone  string `toml:"zone"`
	Data  string `toml:"data"`
	Page  string `toml:"page"`

	Counter struct {
		WrapBits int    `toml:"wrap_bits"`
		Quiet    string `toml:"quiet"`
		Least    string `toml:"least"`
		Most     string `toml:"most"`
		From     string `toml:"from"`
	} `toml:"counter"`

	Tote *struct {
		Name      string     `toml:"name"`
		Capacity  string     `toml:"capacity"`
		Sensor    string     `toml:"sensor"`
		Head      string     `toml:"head"`
		Unusable  string     `toml:"unusable"`
		Strapping [][]string `toml:"strapping"`
		From      string     `toml:"from"`
	} `toml:"tote"`

	Batch *struct {
		Syrup string `toml:"syrup"`
		Brix  string `toml:"brix"`
		From  string `toml:"from"`
	} `toml:"batch"`

	Yards []struct {
		ID       string    `toml:"id"`
		Name     string    `toml:"name"`
		Position []float64 `toml:"position"`
		Enter    string    `toml:"enter"`
		Leave    string    `toml:"leave"`
		Colonies int       `toml:"colonies"`
		Fill     string    `toml:"fill"`
		Closed   bool      `toml:"closed"`
		From     string    `toml:"from"`
	} `toml:"yards"`

	Provings []struct {
		KFactor     string  `toml:"k_factor"`
		Pulses      float64 `toml:"pulses"`
		Net         string  `toml:"net"`
		Brix        string  `toml:"brix"`
		Temperature string  `toml:"temperature"`
		Note        string  `toml:"note"`
		From        string  `toml:"from"`
	} `toml:"provings"`

	Serial []struct {
		Name string `toml:"name"`
		Port string `toml:"port"`
		Baud int    `toml:"baud"`
	} `toml:"serial"`

	MQTT []struct {
		Name         string `toml:"name"`
		URL          string `toml:"url"`
		Client       string `toml:"client"`
		User         string `toml:"user"`
		Password     string `toml:"password"`
		PasswordFile string `toml:"password_file"`
		Prefix       string `toml:"prefix"`
	} `toml:"mqtt"`

	Broker *struct {
		Address string `toml:"address"`
		Prefix  string `toml:"prefix"`
		Users   []struct {
			Name         string `toml:"name"`
			Password     string `toml:"password"`
			PasswordFile string `toml:"password_file"`
		} `toml:"users"`
	} `toml:"broker"`

	InfluxDB *struct {
		URL       string `toml:"url"`
		Token     string `toml:"token"`
		TokenFile string `toml:"token_file"`
		Org       string `toml:"org"`
		Bucket    string `toml:"bucket"`
	} `toml:"influxdb"`
}

// DefaultPage is where the pages are served if the file does not say.
const DefaultPage = "127.0.0.1:8317"

// DefaultPrefix begins the rigs' topics if the file does not say otherwise.
const DefaultPrefix = "yardtally"

// Read reads and checks a settings file. All that is wrong with it is in the
// error, one *Error after another, joined.
func Read(path string) (*Settings, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("settings file: %w", err)
	}
	return Parse(path, data)
}

// Parse is Read for text that is already in hand. Paths in it are relative to
// the folder of path.
func Parse(path string, data []byte) (*Settings, error) {
	var f file
	dec := toml.NewDecoder(strings.NewReader(string(data)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return nil, decodeError(path, err)
	}
	r := reader{path: path, s: &Settings{Path: path}}
	r.read(&f)
	if len(r.errs) > 0 {
		return nil, errors.Join(r.errs...)
	}
	return r.s, nil
}

func decodeError(path string, err error) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) {
		var errs []error
		for i := range missing.Errors {
			e := &missing.Errors[i]
			row, _ := e.Position()
			errs = append(errs, &Error{Path: path, Line: row, Field: strings.Join(e.Key(), "."), Rule: "is not a setting; known here: " + known(e.Key())})
		}
		return errors.Join(errs...)
	}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		row, _ := de.Position()
		field := strings.Join(de.Key(), ".")
		if field == "" {
			field = "line"
		}
		return &Error{Path: path, Line: row, Field: field, Rule: de.Error()}
	}
	return fmt.Errorf("%s: %w", path, err)
}

// known lists the settings that may stand where the unknown key stands.
func known(key []string) string {
	t := reflect.TypeFor[file]()
	for _, k := range key[:max(0, len(key)-1)] {
		for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return "nothing"
		}
		found := false
		for i := range t.NumField() {
			if t.Field(i).Tag.Get("toml") == k {
				t, found = t.Field(i).Type, true
				break
			}
		}
		if !found {
			break
		}
	}
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	var names []string
	if t.Kind() == reflect.Struct {
		for i := range t.NumField() {
			names = append(names, t.Field(i).Tag.Get("toml"))
		}
	}
	return strings.Join(names, ", ")
}

type reader struct {
	path string
	s    *Settings
	errs []error
}

func (r *reader) bad(field, rule, value string) {
	r.errs = append(r.errs, &Error{Path: r.path, Field: field, Rule: rule, Value: value})
}

// take reads a quantity in its unit; an empty text is the fallback.
func take[Q any](r *reader, field, text string, parse func(string) (Q, error), fallback Q) Q {
	if text == "" {
		return fallback
	}
	q, err := parse(text)
	if err == nil {
		return q
	}
	var pe *quantity.ParseError
	if errors.As(err, &pe) {
		r.bad(field, pe.Rule, fmt.Sprintf("%q", text))
	} else {
		r.bad(field, err.Error(), "")
	}
	return fallback
}

func (r *reader) read(f *file) {
	s := r.s
	s.Rig = f.Rig
	if err := wire.CheckRig(f.Rig); err != nil {
		r.bad("rig", err.Error(), "")
	}
	s.Units = quantity.US
	if f.Units != "" {
		var err error
		if s.Units, err = quantity.ParseSystem(f.Units); err != nil {
			r.bad("units", `must be "US" or "SI"`, fmt.Sprintf("%q", f.Units))
		}
	}
	s.Zone = time.UTC
	if f.Zone != "" {
		z, err := time.LoadLocation(f.Zone)
		if err != nil || f.Zone == "Local" {
			r.bad("zone", `must be an IANA time zone like "America/Chicago"`, fmt.Sprintf("%q", f.Zone))
		} else {
			s.Zone = z
		}
	}
	s.Data = f.Data
	if s.Data == "" {
		s.Data = "yardtally-data"
	}
	s.Data = r.beside(s.Data)
	s.Page = f.Page
	if s.Page == "" {
		s.Page = DefaultPage
	}
	r.acts(f)
	r.sources(f)
}

// beside makes a path relative to the settings file's folder.
func (r *reader) beside(p string) string {
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(filepath.Dir(r.path), p)
}

// instant reads a "from": an instant in the rig's zone; 0 is since ever.
func (r *reader) instant(field, text string) int64 {
	if text == "" {
		return 0
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02", "2006-01-02 15:04:05"} {
		if t, err := time.ParseInLocation(layout, text, r.s.Zone); err == nil {
			return t.UnixNano()
		}
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.UnixNano()
	}
	r.bad(field, `must be a time like "2026-10-09 18:00"`, fmt.Sprintf("%q", text))
	return 0
}

func (r *reader) say(field, key, from string, body act.Body) {
	at := r.instant(field+".from", from)
	if err := body.Check(); err != nil {
		var fe *act.FieldError
		if errors.As(err, &fe) {
			r.bad(field, "comes out as "+fe.Error(), "")
		} else {
			r.bad(field, err.Error(), "")
		}
		return
	}
	r.s.Acts = append(r.s.Acts, Said{Key: key, From: at, Body: body})
}

// secret reads a secret given in the file or in a file of its own.
func (r *reader) secret(field, text, path string) string {
	if path == "" {
		return text
	}
	if text != "" {
		r.bad(field, "must not stand beside "+field+"_file", "")
		return ""
	}
	data, err := os.ReadFile(r.beside(path))
	if err != nil {
		r.bad(field+"_file", err.Error(), "")
		return ""
	}
	return strings.TrimRight(string(data), "\r\n")
}
