package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
)

// Where the package has its settings and its data.
const (
	packageSettings = "/etc/yardtally/yardtally.toml"
	packageData     = "/var/lib/yardtally"
)

// setupHelp follows the flags of setup.
const setupHelp = `
Setup asks; an empty answer takes what stands in brackets, and - is "none" or
"not known yet". It writes nothing until it has shown all and was told to; the
end of the input and Ctrl-C leave everything as it was. Answers can come by a
pipe, in the order of the questions, or be given by name; yard, and after it
its colonies and position, may be repeated:

  file rig units zone serial gpsd broker broker-reach broker-user
  broker-password broker-keep meter k-factor capacity sensor head length width
  height syrup brix yard colonies position page passphrase write overwrite wifi
  wifi-device wifi-name wifi-phrase wifi-run
`

// setup is one run of the command.
type setup struct {
	*asker
	how   time.Duration // it listens for so long, at each speed
	path  string        // of the settings
	rig   string
	us    bool
	draft []settings.Table // what was answered; always whole enough to be parsed
	ports []heardPort      // that were chosen
	gpsd  string           // address, where it was chosen
	mqtt  *settings.MQTT   // where it was chosen
	login string           // what the counter board signs in with at the own broker
	page  string           // passphrase to set
}

func runSetup(ctx context.Context, e *env, args []string) error {
	fs := flags("setup")
	also(fs, setupHelp)
	s := setup{asker: newAsker(e)}
	file := fs.String("settings", "", "settings `FILE` to write")
	fs.BoolVar(&s.yes, "yes", false, "ask nothing: what is not answered by a flag takes its default")
	fs.Func("answer", "`QUESTION=ANSWER`, given beforehand; may be repeated", s.give)
	fs.Func("answers", "a `FILE` of them, one a line", func(name string) error {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		return s.giveAll(f)
	})
	only := fs.String("ports", "", "listen at these serial `PORTS`, parted by commas, instead of those that are found; none: \"-\"")
	fs.DurationVar(&s.how, "listen", 3*time.Second, "listen for so `long` at each speed, and at a broker and a gpsd")
	gpsdAt := fs.String("gpsd", settings.DefaultGPSD, "`ADDRESS` at which a gpsd may be")
	run := fs.Bool("wifi", false, "also make the board's own Wi-Fi, after a yes, with NetworkManager")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if s.how < 100*time.Millisecond || s.how > time.Minute {
		return usageError{fmt.Errorf("-listen: must be between 100ms and 1m, is %v", s.how)}
	}
	fmt.Fprint(s.out, "Yardtally: settings for one rig. Readings are not legal for trade.\n")
	for _, step := range []func() error{
		func() error { return s.askFile(ctx, *file) },
		func() error { return s.askRig(ctx) },
		func() error { return s.askPorts(ctx, *only) },
		func() error { return s.askGPSD(ctx, *gpsdAt) },
		func() error { return s.askBroker(ctx) },
		func() error { return s.askMeter(ctx) },
		func() error { return s.askTote(ctx) },
		func() error { return s.askSyrup(ctx) },
		func() error { return s.askYards(ctx) },
		func() error { return s.askPage(ctx) },
		func() error {
			return s.left("write", "overwrite", "wifi", "wifi-device", "wifi-name", "wifi-phrase", "wifi-run")
		},
		func() error { return s.write(ctx) },
		func() error { return s.askWifi(ctx, *run) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	s.next()
	return nil
}

// try takes a change of the draft over where the parser takes it.
func (s *setup) try(change func(*[]settings.Table)) error {
	next := slices.Clone(s.draft)
	for i := range next {
		next[i].Values = slices.Clone(next[i].Values)
	}
	change(&next)
	text, err := settings.Fill(next)
	if err != nil {
		return err
	}
	if _, err := settings.Parse(cmp.Or(s.path, defaultSettings), []byte(text)); err != nil {
		return firstWrong(err)
	}
	s.draft = next
	return nil
}

// firstWrong is the first thing that is wrong, without the line of a file that is not
// there yet.
func firstWrong(err error) error {
	var e *settings.Error
	if !errors.As(err, &e) {
		return err
	}
	short := *e
	short.Path, short.Line = "", 0
	return errors.New(strings.TrimPrefix(short.Error(), ": "))
}

// set puts values into a table that is there once.
func set(name string, kv ...string) func(*[]settings.Table) {
	return func(ts *[]settings.Table) {
		i := slices.IndexFunc(*ts, func(t settings.Table) bool { return t.Name == name })
		if i < 0 {
			*ts = append(*ts, settings.Table{Name: name})
			i = len(*ts) - 1
		}
		for k := 0; k < len(kv); k += 2 {
			(*ts)[i].Set(kv[k], kv[k+1])
		}
	}
}

// askFile asks where settings go, and takes the defaults from those that are there.
func (s *setup) askFile(ctx context.Context, given string) error {
	usual := defaultSettings
	if info, err := os.Stat(filepath.Dir(packageSettings)); err == nil && info.IsDir() && (os.Geteuid() == 0 || userName() == "yardtally") {
		usual = packageSettings
	}
	take := func(a string) error {
		info, err := os.Stat(a)
		if err == nil && info.IsDir() {
			return fmt.Errorf("file: must be a file, is the folder %q", a)
		}
		if err := checkFolder(filepath.Dir(a)); err != nil {
			return fmt.Errorf("file: %w", err)
		}
		if _, err := os.Stat(filepath.Dir(a)); err != nil {
			return fmt.Errorf("file: must be in a folder that is there, is %q", a)
		}
		s.path = a
		return nil
	}
	if given != "" {
		return take(given)
	}
	return s.put(ctx, question{key: "file", ask: "Settings file", usual: usual, take: take})
}

func (s *setup) askRig(ctx context.Context) error {
	rig, units, zone := "", "US", localZone()
	if old, err := settings.Read(s.path); err == nil {
		if old.House() {
			return fmt.Errorf("%s: has several rigs; setup writes the settings of one, so name another file", s.path)
		}
		fmt.Fprintf(s.out, "%s is there already. Its rig, units and zone are offered; what is not asked here is not carried over.\n", s.path)
		rig, units, zone = old.Rig, old.Units.String(), old.Zone.String()
	} else if !errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintf(s.out, "%s is there already, and cannot be used as it is: %v\n", s.path, firstWrong(err))
	}
	if rig == "" {
		rig, _ = os.Hostname()
		rig, _, _ = strings.Cut(rig, ".")
	}
	if s.try(set("", "rig", settings.Quote(rig))) != nil {
		rig = "rig"
	}
	err := s.put(ctx, question{key: "rig", ask: "Rig's name", usual: rig, hint: "Letters and digits; it stands in MQTT topics, and stays.", take: func(a string) error {
		s.rig = a
		return s.try(set("", "rig", settings.Quote(a)))
	}})
	if err == nil {
		err = s.put(ctx, question{key: "units", ask: "Units of the page, US or SI", usual: units, take: func(a string) error {
			a = strings.ToUpper(a)
			s.us = a == "US"
			return s.try(set("", "units", settings.Quote(a)))
		}})
	}
	if err == nil {
		err = s.put(ctx, question{key: "zone", ask: "Time zone of the yards", usual: zone, hint: `An IANA name like "America/Chicago".`, take: func(a string) error {
			return s.try(set("", "zone", settings.Quote(a)))
		}})
	}
	if filepath.Dir(s.path) == filepath.Dir(packageSettings) && err == nil {
		err = s.try(set("", "data", settings.Quote(packageData)))
	}
	return err
}

// localZone is the machine's own, as IANA has it: $TZ, /etc/timezone (Debian) or
// the link /etc/localtime.
func localZone() string {
	names := []string{strings.TrimPrefix(os.Getenv("TZ"), ":")}
	if b, err := os.ReadFile("/etc/timezone"); err == nil {
		names = append(names, strings.TrimSpace(string(b)))
	}
	if to, err := filepath.EvalSymlinks("/etc/localtime"); err == nil {
		_, name, _ := strings.Cut(to, "zoneinfo/")
		names = append(names, name)
	}
	for _, n := range names {
		if _, err := time.LoadLocation(n); err == nil && n != "" && n != "Local" {
			return strings.TrimPrefix(n, "Etc/")
		}
	}
	return "UTC"
}

// write shows what will be written, asks, and writes.
func (s *setup) write(ctx context.Context) error {
	text, err := settings.Fill(s.draft)
	if err != nil {
		return err
	}
	was, err := os.ReadFile(s.path)
	there := err == nil
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	key, ask, usual := "write", "Write "+s.path+"?", "y"
	if there {
		fmt.Fprintf(s.out, "\nWhat changes in %s (comments aside):\n", s.path)
		changes := quietAround(changesOf(settings.Live(string(was)), settings.Live(text)))
		for _, c := range changes {
			fmt.Fprintf(s.out, "  %s %s\n", c.mark, c.line)
		}
		if len(changes) == 0 {
			fmt.Fprint(s.out, "  nothing\n")
		}
		key, ask, usual = "overwrite", "Put it in the place of what is there, which is kept beside it as .old?", "n"
	} else {
		fmt.Fprintf(s.out, "\n%s will say, among comments:\n", s.path)
		for _, line := range settings.Live(text) {
			fmt.Fprintf(s.out, "  %s\n", line)
		}
	}
	for _, t := range s.draft {
		if t.Aside {
			fmt.Fprintf(s.out, "As a comment, for it has no place yet: the yard %s.\n", t.Values[1].Value)
		}
	}
	yes, err := s.confirm(ctx, key, ask, "", usual)
	if err != nil {
		return err
	}
	if !yes {
		return fmt.Errorf("%s was left as it was: nothing was written", s.path)
	}
	private := slices.ContainsFunc(s.draft, func(t settings.Table) bool {
		return slices.ContainsFunc(t.Values, func(v settings.KeyValue) bool { return v.Key == "password" })
	})
	old, err := writeSettings(s.path, text, private)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s is written, and was read back.\n", s.path)
	if old != "" {
		fmt.Fprintf(s.out, "What was there is %s.\n", old)
	}
	if s.login != "" {
		fmt.Fprintf(s.out, "At the broker the counter board signs in as %s; both stand in the file.\n", s.login)
	}
	if s.page == "" {
		return nil
	}
	set, err := settings.Read(s.path)
	if err != nil {
		return err
	}
	if err := setPassphrase(set.Data, s.page); err != nil {
		return err
	}
	fmt.Fprintln(s.out, "The passphrase of the page is set.")
	return nil
}

// next tells what to do now.
func (s *setup) next() {
	at := ""
	if s.path != defaultSettings {
		at = " -settings " + shellLine([]string{s.path})
	}
	fmt.Fprintf(s.out, "\nNext:\n  yardtally check%s\n", at)
	if s.page == "" {
		fmt.Fprintf(s.out, "  yardtally passphrase%s\n", at)
	} else {
		fmt.Fprintf(s.out, "  yardtally prove%s\n", at)
	}
	if s.path == packageSettings {
		fmt.Fprint(s.out, "  sudo systemctl restart yardtally\n")
	} else {
		fmt.Fprintf(s.out, "  yardtally run%s\n", at)
	}
}

// askPage asks who may open the page.
func (s *setup) askPage(ctx context.Context) error {
	open := false
	err := s.put(ctx, question{key: "page", ask: "Who may open the page: passphrase, open or board", usual: "passphrase",
		hint: "passphrase: phones in the network that know it; open: whoever is in the network may read;\nboard: only this board itself. Changing anything always needs the passphrase.", take: func(a string) error {
			page, reading := "", ""
			switch a {
			case "passphrase":
				page, reading = ":8317", "passphrase"
			case "open":
				page, reading = ":8317", "open"
			case "board":
				page, reading = settings.DefaultPage, "passphrase"
			default:
				return fmt.Errorf("page: must be passphrase, open or board, is %q", a)
			}
			open = a == "open"
			return s.try(func(ts *[]settings.Table) {
				set("", "page", settings.Quote(page))(ts)
				set("door", "reading", settings.Quote(reading))(ts)
			})
		}})
	if err != nil {
		return err
	}
	hint := "Without one the page shows no readings."
	if open {
		hint = "Without one nothing can be changed on the page."
	}
	return s.put(ctx, question{key: "passphrase", ask: "Passphrase of the page, or - for later", usual: "-", hint: hint, hide: true, take: func(a string) error {
		if a == "-" {
			s.page = ""
			return nil
		}
		s.page = a
		return door.CheckPassphrase(a)
	}})
}
