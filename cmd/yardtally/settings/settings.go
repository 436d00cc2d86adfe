// Package settings reads a rig's settings file. A value that cannot be so is
// an error that names line, field, rule and value; a key that is not known is
// one too. Example is such a file, with every key.
package settings

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	_ "embed"

	"github.com/pelletier/go-toml/v2"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// Example is a settings file that sets every key, with comments.
//
//go:embed example.toml
var Example string

// Settings are a settings file, read and checked.
type Settings struct {
	Path  string // of the file
	Rig   string // "" where there are several
	Units quantity.System
	Zone  *time.Location
	Data  string // folder of the journal
	Page  string // address the pages are served at, host:port
	Door  Door

	Serial []Serial
	// Recording are files that are followed as they grow.
	Recording []Recording
	GPIO      []GPIO
	GPSD      []GPSD
	Modbus    []Modbus
	MQTT      []MQTT
	Broker    *Broker
	Influx    *Influx
	Signal    *Signal // nil: none is given
	Books     Books
	Log       Log
	Metrics   *Metrics // nil: they are not served

	// Acts are what the file says of the rig, its yards and provings: bodies
	// and from when they hold (0: since ever). No two have the same Key and From.
	Acts []Said

	// Rigs are the settings of each rig where the file names several; see Each.
	Rigs []*Settings
}

// Said is one thing the file says, for the journal.
type Said struct {
	Key  string // what it is about: two with the same key and From replace each other
	From int64  // Unix ns
	Body act.Body
}

// Door says who may read the pages and how they are served.
type Door struct {
	Open             bool   // reading needs no passphrase
	Certificate, Key string // PEM files for TLS; "" for none
}

// Serial is a serial port to read.
type Serial struct {
	Name, Port string
	Baud       int
}

// Recording is a recording to follow.
type Recording struct{ Name, Path string }

// GPSD is a gpsd to ask for the position.
type GPSD struct {
	Name, Address string
	Device        string // the receiver, as gpsd calls it; "": any that it has
}

// MQTT is a broker to subscribe at.
type MQTT struct {
	Name, URL, Client, User, Password, Prefix string
}

// Broker is the broker in the daemon itself.
type Broker struct {
	Address, Prefix string
	Users           []User
	ConnectionsEach int // from one address; 0: as usual
}

// User may publish to the embedded broker, unless he only reads.
type User struct {
	Name, Password string
	ReadOnly       bool
	Rig            string // that he publishes for; "": he reads all of them
}

// Signal says how the keeper is told, while a pull goes on, that a fill is
// full, that flow fails or that the counter is silent.
type Signal struct {
	MQTT    bool            // published wherever readings come over MQTT
	Command []string        // program and arguments; empty: none
	Early   quantity.Volume // "full" comes so much before the set fill
	Failing float64         // share of a pull's own flow below which it fails; 0: never said
	Pin     *Pin            // that a lamp or a buzzer hangs on; nil: none
}

// Books says how the season's books are kept.
type Books struct {
	Currency string // that prices are in, as it is written before them: "$"
}

// Log says what the daemon logs, and how.
type Log struct {
	Level slog.Level
	JSON  bool
}

// Metrics says where the daemon's metrics are served.
type Metrics struct {
	Address string
	Token   string // whoever reads them must give it; "": anybody may
}

// Influx is where results are forwarded to.
type Influx struct{ URL, Token, Org, Bucket string }

// measure is a number with its unit, as a person writes it.
type measure string

// file mirrors the settings file.
type file struct {
	Rig   string     `toml:"rig"`
	Rigs  []rigTable `toml:"rigs"`
	Units string     `toml:"units"`
	Zone  string     `toml:"zone"`
	Data  string     `toml:"data"`
	Page  string     `toml:"page"`

	Counter struct {
		WrapBits int     `toml:"wrap_bits"`
		Quiet    measure `toml:"quiet"`
		Least    measure `toml:"least"`
		Most     measure `toml:"most"`
		Fill     measure `toml:"fill"`
		Season   measure `toml:"season"`
		TopUp    measure `toml:"top_up"`
		Hose     measure `toml:"hose"`
		Deadhead measure `toml:"deadhead"`
		From     string  `toml:"from"`
	} `toml:"counter"`

	Tote *struct {
		Name      string      `toml:"name"`
		Capacity  measure     `toml:"capacity"`
		Sensor    measure     `toml:"sensor"`
		Head      measure     `toml:"head"`
		Unusable  measure     `toml:"unusable"`
		Strapping [][]measure `toml:"strapping"`
		Length    measure     `toml:"length"`
		Width     measure     `toml:"width"`
		Height    measure     `toml:"height"`

		SensorKind        string  `toml:"sensor_kind"`
		SensorCompensated bool    `toml:"sensor_compensated"`
		SensorMade        measure `toml:"sensor_made"`
		SensorForward     measure `toml:"sensor_forward"`
		SensorRight       measure `toml:"sensor_right"`
		HeadForward       measure `toml:"head_forward"`
		HeadRight         measure `toml:"head_right"`

		Empty   measure `toml:"empty"`
		Gross   measure `toml:"gross"`
		Trailer *struct {
			Empty  measure `toml:"empty"`
			Other  measure `toml:"other"`
			Gross  measure `toml:"gross"`
			Axles  measure `toml:"axles"`
			Tongue measure `toml:"tongue"`
		} `toml:"trailer"`

		From string `toml:"from"`
	} `toml:"tote"`

	Batch *struct {
		Syrup              string  `toml:"syrup"`
		Shares             measure `toml:"shares"`
		Brix               measure `toml:"brix"`
		Reading            measure `toml:"reading"`
		ReadingTemperature measure `toml:"reading_temperature"`
		Compensated        bool    `toml:"compensated"`
		BrixWithin         measure `toml:"brix_within"`
		Made               string  `toml:"made"`
		From               string  `toml:"from"`
	} `toml:"batch"`

	Meter *struct {
		Type   string  `toml:"type"`
		Body   string  `toml:"body"`
		Repeat measure `toml:"repeat"`
		Due    measure `toml:"due"`
		From   string  `toml:"from"`
	} `toml:"meter"`

	Line *lineTable `toml:"line"`

	Yards []yardTable `toml:"yards"`

	Provings []struct {
		KFactor           measure `toml:"k_factor"`
		Pulses            float64 `toml:"pulses"`
		Net               measure `toml:"net"`
		Syrup             string  `toml:"syrup"`
		Shares            measure `toml:"shares"`
		Brix              measure `toml:"brix"`
		ByMass            bool    `toml:"by_mass"`
		Temperature       measure `toml:"temperature"`
		Time              measure `toml:"time"`
		Note              string  `toml:"note"`
		Done              string  `toml:"done"`
		Fresh             bool    `toml:"fresh"`
		ScaleStep         measure `toml:"scale_step"`
		BrixWithin        measure `toml:"brix_within"`
		TemperatureWithin measure `toml:"temperature_within"`
		From              string  `toml:"from"`
	} `toml:"provings"`

	Serial []struct {
		Name string `toml:"name"`
		Port string `toml:"port"`
		Baud int    `toml:"baud"`
	} `toml:"serial"`

	Recording []struct {
		Name string `toml:"name"`
		Path string `toml:"path"`
	} `toml:"recording"`

	GPIO []gpioTable `toml:"gpio"`

	GPSD []struct {
		Name    string `toml:"name"`
		Address string `toml:"address"`
		Device  string `toml:"device"`
	} `toml:"gpsd"`

	Modbus []modbusTable `toml:"modbus"`

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
		Address         string `toml:"address"`
		Prefix          string `toml:"prefix"`
		ConnectionsEach *int   `toml:"connections_each"`
		Users           []struct {
			Name         string `toml:"name"`
			Password     string `toml:"password"`
			PasswordFile string `toml:"password_file"`
			ReadOnly     bool   `toml:"read_only"`
			Rig          string `toml:"rig"`
		} `toml:"users"`
	} `toml:"broker"`

	Door struct {
		Reading     string `toml:"reading"`
		Certificate string `toml:"certificate"`
		Key         string `toml:"key"`
	} `toml:"door"`

	Signal *struct {
		MQTT    *bool    `toml:"mqtt"`
		Command []string `toml:"command"`
		Early   measure  `toml:"early"`
		Failing measure  `toml:"failing"`

		Pin       *int   `toml:"pin"`
		PinChip   string `toml:"pin_chip"`
		PinActive string `toml:"pin_active"`
	} `toml:"signal"`

	Books struct {
		Currency *string `toml:"currency"`
	} `toml:"books"`

	Log struct {
		Level  string `toml:"level"`
		Format string `toml:"format"`
	} `toml:"log"`

	Metrics *struct {
		Address   string `toml:"address"`
		Token     string `toml:"token"`
		TokenFile string `toml:"token_file"`
	} `toml:"metrics"`

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

// Bounds on files that are read whole. Judgement, no source.
const (
	mostFile   = 256 << 10
	mostSecret = 8 << 10
)

// Read reads and checks a settings file. All that is wrong with it is in the
// error, one *Error after another in order of their lines, joined.
func Read(path string) (*Settings, error) {
	data, err := readSmall(path, mostFile)
	if err != nil {
		return nil, fmt.Errorf("settings file: %w", err)
	}
	return Parse(path, data)
}

func readSmall(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s: must be at most %d bytes", path, most)
	}
	return data, err
}

// Parse is Read for text that is already in hand. Paths in it are relative to
// the folder of path.
func Parse(path string, data []byte) (*Settings, error) {
	l, err := survey(path, data)
	if err != nil {
		return nil, err
	}
	r := reader{layout: l, s: &Settings{Path: path}}
	var f file
	if !r.kinds {
		if err := toml.Unmarshal(data, &f); err != nil {
			r.wrong = append(r.wrong, decodeError(path, err))
		} else {
			r.read(&f)
		}
	}
	if len(r.wrong) > 0 {
		slices.SortStableFunc(r.wrong, func(a, b error) int {
			return cmp.Or(cmp.Compare(fileIn(a, path), fileIn(b, path)), cmp.Compare(lineIn(a), lineIn(b)))
		})
		return nil, errors.Join(r.wrong...)
	}
	return r.s, nil
}

// fileIn orders files: the one that was asked for is first.
func fileIn(err error, asked string) string {
	var e *Error
	if errors.As(err, &e) && e.Path != asked {
		return e.Path
	}
	return ""
}

func lineIn(err error) int {
	var e *Error
	if errors.As(err, &e) {
		return e.Line
	}
	return 0
}

// reader turns a file into settings.
type reader struct {
	*layout
	s    *Settings
	said map[string]string // fields that said something, by what it was about and from when
}

// fail says what is wrong with a field; its value is as it stands in the file.
func (r *reader) fail(field, rule string) {
	value := r.text(field)
	if secret(field) {
		value = ""
	}
	r.bad(r.near(field), field, rule, value)
}

// need says that a field must be given, with an example of it, where it is not.
func (r *reader) need(field string, given bool, like string) bool {
	if !given {
		r.bad(r.near(field), field, "must be given, like "+like, r.text(field))
	}
	return given
}

// take reads a quantity in its unit; an empty text is the fallback.
func take[Q any](r *reader, field string, text measure, parse func(string) (Q, error), fallback Q) Q {
	if text == "" {
		return fallback
	}
	q, err := parse(string(text))
	if err == nil {
		return q
	}
	var pe *quantity.ParseError
	if errors.As(err, &pe) {
		r.fail(field, pe.Rule)
	} else {
		r.fail(field, err.Error())
	}
	return fallback
}

func (r *reader) read(f *file) {
	s := r.s
	s.Rig = f.Rig
	if len(f.Rigs) == 0 {
		r.name("rig", f.Rig)
	}
	s.Units = quantity.US
	if f.Units != "" {
		var err error
		if s.Units, err = quantity.ParseSystem(f.Units); err != nil {
			r.fail("units", `must be "US" or "SI"`)
		}
	}
	s.Zone = time.UTC
	if f.Zone != "" {
		z, err := time.LoadLocation(f.Zone)
		if err != nil || f.Zone == "Local" {
			r.fail("zone", `must be an IANA time zone like "America/Chicago"`)
		} else {
			s.Zone = z
		}
	}
	s.Data = r.beside(orElse(f.Data, "yardtally-data"))
	s.Page = orElse(f.Page, DefaultPage)
	r.address("page", s.Page)
	r.door(f)
	r.counter(f)
	r.acts(f)
	r.sources(f)
	r.signal(f)
	r.books(f)
	r.running(f)
	r.rigs(f)
}

// DefaultCurrency is that of prices if the file does not say.
const DefaultCurrency = "$"

// mostCurrency is how many letters a currency's sign has at most.
const mostCurrency = 6

func (r *reader) books(f *file) {
	r.s.Books.Currency = DefaultCurrency
	if c := f.Books.Currency; c != nil {
		if *c == "" || utf8.RuneCountInString(*c) > mostCurrency || strings.ContainsFunc(*c, func(x rune) bool { return !unicode.IsLetter(x) && !unicode.Is(unicode.Sc, x) }) {
			r.fail("books.currency", fmt.Sprintf("must be a currency's sign or letters, %d at most, like \"$\" or \"EUR\"", mostCurrency))
		}
		r.s.Books.Currency = *c
	}
}

func (r *reader) door(f *file) {
	switch f.Door.Reading {
	case "", "passphrase":
	case "open":
		r.s.Door.Open = true
	default:
		r.fail("door.reading", `must be "passphrase" or "open"`)
	}
	if (f.Door.Certificate == "") != (f.Door.Key == "") {
		r.bad(r.near("door.certificate"), "door.certificate", "must stand together with door.key", "")
		return
	}
	if f.Door.Certificate != "" {
		r.s.Door.Certificate, r.s.Door.Key = r.beside(f.Door.Certificate), r.beside(f.Door.Key)
	}
}

// beside makes a path relative to the settings file's folder.
func (r *reader) beside(p string) string {
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(filepath.Dir(r.path), p)
}

func orElse(s, fallback string) string {
	if s == "" {
		return fallback
	}
	return s
}

// secret reads a secret given in the file or in a file of its own.
func (r *reader) secret(field, text, path string) string {
	if path == "" {
		return text
	}
	if text != "" {
		r.fail(field, "must not stand beside "+field[strings.LastIndexByte(field, '.')+1:]+"_file")
		return ""
	}
	data, err := readSmall(r.beside(path), mostSecret)
	got := strings.TrimRight(string(data), "\r\n")
	switch {
	case err != nil:
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		r.fail(field+"_file", fmt.Sprintf("must be a file that can be read (%v)", err))
	case got == "":
		r.fail(field+"_file", "must hold the secret, and holds nothing")
	}
	return got
}
