package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/gpsd"
)

// askPorts listens at the serial ports, shows what it hears, and asks which are
// to be read.
func (s *setup) askPorts(ctx context.Context, only string) error {
	paths := findPorts("/dev")
	if only != "" {
		paths = strings.FieldsFunc(only, func(c rune) bool { return c == ',' })
	}
	if only == "-" {
		paths = nil
	}
	fmt.Fprintf(s.out, "\nSerial ports: %d. Listening at each for %v and more ...\n", len(paths), s.how)
	var list []heardPort
	for _, p := range hearPorts(ctx, paths, s.how) {
		plain := strings.HasPrefix(p.path, "/dev/ttyS") && p.err != nil && !errors.Is(p.err, errBusy) && !errors.Is(p.err, errDenied)
		if !plain { // the kernel names more of these than a machine has
			list = append(list, p)
		}
	}
	if ctx.Err() != nil {
		return errSetupEnded
	}
	var usual []string
	for i := range list {
		fmt.Fprintf(s.out, "  %d  %s\n", i+1, list[i].say())
		if list[i].good > 0 {
			usual = append(usual, strconv.Itoa(i+1))
		}
	}
	if len(usual) == 0 {
		usual = []string{"-"}
	}
	return s.put(ctx, question{key: "serial", ask: "Ports to read", usual: strings.Join(usual, " "),
		hint: "Numbers from the list, or ports like /dev/ttyUSB0@9600; - for none.", take: func(a string) error {
			var chosen []heardPort
			for _, w := range strings.Fields(a) {
				if w == "-" {
					continue
				}
				p, err := portNamed(w, list)
				if err != nil {
					return err
				}
				chosen = append(chosen, p)
			}
			err := s.try(func(ts *[]settings.Table) {
				for i, p := range chosen {
					t := settings.Table{Name: "serial"}
					if i > 0 {
						t.Set("name", settings.Quote(fmt.Sprintf("serial%d", i+1)))
					}
					t.Set("port", settings.Quote(p.path))
					t.Set("baud", strconv.Itoa(p.baud))
					*ts = append(*ts, t)
				}
			})
			if err == nil {
				s.ports = chosen
			}
			return err
		}})
}

// portNamed finds a port by its number in the list, or by its path.
func portNamed(w string, list []heardPort) (heardPort, error) {
	if n, err := strconv.Atoi(w); err == nil {
		if n < 1 || n > len(list) {
			return heardPort{}, fmt.Errorf("serial: must be a number of the list, 1 to %d, is %d", len(list), n)
		}
		return list[n-1], nil
	}
	path, speed, given := strings.Cut(w, "@")
	if !strings.HasPrefix(path, "/") {
		return heardPort{}, fmt.Errorf("serial: must be numbers of the list, or ports like /dev/ttyUSB0@9600, is %q", w)
	}
	p := heardPort{path: path, baud: setupBauds[0]}
	for _, one := range list {
		if one.path == path {
			p = one
		}
	}
	if given {
		baud, err := strconv.Atoi(speed)
		if err != nil {
			return p, fmt.Errorf("serial: must have its speed as a number behind @, is %q", w)
		}
		p.baud = baud
	}
	return p, nil
}

// askGPSD asks for a gpsd, where one answers.
func (s *setup) askGPSD(ctx context.Context, address string) error {
	if gpsd.Check(ctx, address) != nil {
		return nil
	}
	fmt.Fprintf(s.out, "\nA gpsd answers at %s. Listening ...\n", address)
	h, err := hearGPSD(ctx, address, s.rig, s.how)
	switch {
	case ctx.Err() != nil:
		return errSetupEnded
	case err != nil:
		fmt.Fprintf(s.out, "  %v\n", err)
	case len(h.last) == 0:
		fmt.Fprint(s.out, "  no fix yet: it may need some minutes under a free sky\n")
	default:
		fmt.Fprintf(s.out, "  %s\n", h.values())
	}
	usual := "y"
	for i := range s.ports {
		if _, _, ok := s.ports[i].fix(); ok {
			usual = "n" // a serial port has it already
		}
	}
	yes, err := s.confirm(ctx, "gpsd", "Take the position from it?", "", usual)
	if err != nil || !yes {
		return err
	}
	s.gpsd = address
	return s.try(set("gpsd", "address", settings.Quote(address)))
}

// askBroker asks for a broker: its own, another's, or none.
func (s *setup) askBroker(ctx context.Context) error {
	const here = "tcp://127.0.0.1:1883"
	usual := "own"
	if checkDial(ctx, here) == nil {
		usual = here
	} else if len(s.ports) > 0 {
		usual = "none"
	}
	for {
		var m settings.MQTT
		own := false
		err := s.put(ctx, question{key: "broker", ask: "MQTT broker", usual: usual,
			hint: "Where the rig speaks MQTT. own: one in the daemon itself; or another's address like " + here + "; none.", take: func(a string) error {
				own = a == "own"
				m = settings.MQTT{}
				if own || a == "none" || a == "-" {
					return nil
				}
				if !strings.Contains(a, "://") {
					a = "tcp://" + a
				}
				draft := s.draft
				err := s.try(set("mqtt", "url", settings.Quote(a)))
				s.draft = draft // it is only asked whether it would do
				m.URL = a
				return err
			}})
		switch {
		case err != nil:
			return err
		case own:
			return s.askOwn(ctx)
		case m.URL == "":
			return nil
		}
		kept, err := s.askOther(ctx, m)
		if err != nil || kept {
			return err
		}
		usual = "none"
	}
}

// askOwn asks who may reach the broker in the daemon.
func (s *setup) askOwn(ctx context.Context) error {
	network := false
	err := s.put(ctx, question{key: "broker-reach", ask: "Who may reach it: network or machine", usual: "network",
		hint: "network: a counter board over Wi-Fi, with a name and a password; machine: programs of this board only.", take: func(a string) error {
			if a != "network" && a != "machine" {
				return fmt.Errorf("broker-reach: must be network or machine, is %q", a)
			}
			network = a == "network"
			return nil
		}})
	if err != nil {
		return err
	}
	if !network {
		return s.try(set("broker", "address", settings.Quote("127.0.0.1:1883")))
	}
	return s.put(ctx, question{key: "broker-password", ask: "Password of its user " + s.rig, usual: readable(),
		hint: "The one in brackets was just made by chance.", take: func(a string) error {
			s.login = fmt.Sprintf("%s with the password %s", s.rig, a)
			return s.try(func(ts *[]settings.Table) {
				set("broker", "address", settings.Quote(":1883"))(ts)
				set("broker.users", "name", settings.Quote(s.rig), "password", settings.Quote(a))(ts)
			})
		}})
}

// askOther asks how to sign in at another's broker and listens there.
func (s *setup) askOther(ctx context.Context, m settings.MQTT) (kept bool, err error) {
	m.Prefix, m.Client = settings.DefaultPrefix, "yardtally-"+s.rig
	err = s.put(ctx, question{key: "broker-user", ask: "User at that broker, or - for none", usual: "-", take: func(a string) error {
		m.User = strings.TrimPrefix(a, "-")
		return nil
	}})
	if err == nil && m.User != "" {
		err = s.put(ctx, question{key: "broker-password", ask: "Password", hide: true, take: func(a string) error {
			if m.Password = a; a == "" {
				return fmt.Errorf(`broker-password: must be given, is ""`)
			}
			return nil
		}})
	}
	if err != nil {
		return false, err
	}
	fmt.Fprintf(s.out, "Listening at %s for %s/+/readings ...\n", m.URL, m.Prefix)
	rigs, err := hearBroker(ctx, m, s.rig, s.how)
	if ctx.Err() != nil {
		return false, errSetupEnded
	}
	if err != nil {
		fmt.Fprintf(s.out, "  %v\n", err)
		yes, err := s.confirm(ctx, "broker-keep", "Keep it anyway?", "", "n")
		if err != nil || !yes {
			return false, err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(rigs)) {
		h := rigs[name]
		fmt.Fprintf(s.out, "  rig %s: %.1f readings' packs a second: %s\n", name, float64(h.good)/h.took.Seconds(), h.values())
		if len(h.bad) > 0 {
			fmt.Fprintf(s.out, "     dropped: %s\n", h.why())
		}
		if name != s.rig {
			fmt.Fprintf(s.out, "     (not this rig's name, %s: it will not be heard)\n", s.rig)
		}
	}
	if err == nil && len(rigs) == 0 {
		fmt.Fprintf(s.out, "  the broker answers; no rig spoke in %v\n", s.how)
	}
	kv := []string{"url", settings.Quote(m.URL)}
	if m.User != "" {
		kv = append(kv, "user", settings.Quote(m.User), "password", settings.Quote(m.Password))
	}
	s.mqtt = &m
	return true, s.try(set("mqtt", kv...))
}

// askMeter asks for the meter and what a pulse is worth.
func (s *setup) askMeter(ctx context.Context) error {
	err := s.put(ctx, question{key: "meter", ask: "Flow meter: oval gear, turbine or paddle wheel", usual: "oval gear", take: func(a string) error {
		return s.try(set("meter", "type", settings.Quote(a)))
	}})
	if err != nil {
		return err
	}
	like := "132.6 pulses/L"
	if s.us {
		like = "501.9 pulses/gal"
	}
	return s.put(ctx, question{key: "k-factor", ask: "Pulses per litre or gallon, as its label says", usual: "-",
		hint: fmt.Sprintf("Like %q; - where it is not known yet: then prove it with a bucket, \"yardtally prove\".\nUntil then pulses are counted, and have no volume.", like), take: func(a string) error {
			if a == "-" {
				return nil
			}
			return s.try(set("provings", "k_factor", settings.Quote(a), "note", settings.Quote("label")))
		}})
}

// askTote asks for the tote and where its level sensors sit.
func (s *setup) askTote(ctx context.Context) error {
	volume, long := "1041 L", "1.2 m"
	if s.us {
		volume, long = "275 gal", "46 in"
	}
	asked := map[string]string{}
	ask := func(key, what, hint string, none bool, check func(string) error) error {
		usual := ""
		if none {
			usual = "-"
		}
		return s.put(ctx, question{key: key, ask: what, hint: hint, usual: usual, take: func(a string) error {
			if a == "-" && none {
				return nil
			}
			if err := check(a); err != nil {
				var pe *quantity.ParseError
				if errors.As(err, &pe) {
					return fmt.Errorf("%s: %s, is %q", key, pe.Rule, a)
				}
				return fmt.Errorf("%s: %w", key, err)
			}
			asked[key] = a
			return nil
		}})
	}
	length := func(a string) error { _, err := quantity.ParseLength(a); return err }
	for {
		clear(asked)
		err := ask("capacity", "Tote's capacity", fmt.Sprintf("Like %q; - where there is no level sensor, or for later.", volume), true,
			func(a string) error { _, err := quantity.ParseVolume(a); return err })
		if err != nil || asked["capacity"] == "" {
			return err
		}
		for _, q := range []struct {
			key, what, hint string
			none            bool
		}{
			{"sensor", "Height of a sensor that looks down", fmt.Sprintf("Its face above the tote's floor, like %q; - for none.", long), true},
			{"head", "Height of a pressure sensor near the bottom", "Above the floor; - for none.", true},
			{"length", "Tote's inner length", "Straight walls will do to begin with; the meter teaches the true shape later (\"yardtally strap\").", false},
			{"width", "Inner width", "", false},
			{"height", "Inner height", "", false},
		} {
			if err := ask(q.key, q.what, q.hint, q.none, length); err != nil {
				return err
			}
		}
		kv := []string{}
		for _, key := range []string{"capacity", "sensor", "head", "length", "width", "height"} {
			if asked[key] != "" {
				kv = append(kv, key, settings.Quote(asked[key]))
			}
		}
		err = s.try(set("tote", kv...))
		if err == nil {
			return nil
		}
		if s.yes || ctx.Err() != nil {
			return fmt.Errorf("tote: %w; nothing was written", err)
		}
		fmt.Fprintf(s.out, "  %v. The tote once more:\n", err)
	}
}

// askSyrup asks what is in the tote.
func (s *setup) askSyrup(ctx context.Context) error {
	kind := ""
	err := s.put(ctx, question{key: "syrup", ask: "Syrup: sucrose, invert, hfcs-42 or hfcs-55", usual: "sucrose", take: func(a string) error {
		if !slices.Contains([]string{"sucrose", "invert", "hfcs-42", "hfcs-55"}, a) {
			return fmt.Errorf("syrup: must be sucrose, invert, hfcs-42 or hfcs-55, is %q; a blend is said in the file", a)
		}
		kind = a
		return nil
	}})
	if err != nil {
		return err
	}
	return s.put(ctx, question{key: "brix", ask: "Its dry solids", usual: "-", hint: `Like "64 Brix"; - where it is not measured yet.`, take: func(a string) error {
		if a == "-" {
			return nil
		}
		return s.try(set("batch", "syrup", settings.Quote(kind), "brix", settings.Quote(a)))
	}})
}

// yardID makes an id of a yard's name: its letters and digits, - between words.
func yardID(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) })
	return strings.Join(words, "-")
}

// askYards asks for yards until there are no more.
func (s *setup) askYards(ctx context.Context) error {
	for i := 0; ; i++ {
		var t settings.Table
		hint := ""
		if i == 0 {
			hint = "Yards, one after another; \"yardtally places\" takes them from a map instead."
		}
		none := false
		dummy := func(t settings.Table) error { // without a place it is no yard yet
			draft := s.draft
			defer func() { s.draft = draft }()
			t.Set("position", "[43.22, -91.88]")
			return s.try(func(ts *[]settings.Table) { *ts = append(*ts, t) })
		}
		err := s.put(ctx, question{key: "yard", ask: "Yard's name, or - when there are no more", usual: "-", hint: hint, take: func(a string) error {
			if none = a == "-"; none {
				return nil
			}
			t = settings.Table{Name: "yards"}
			t.Set("id", settings.Quote(yardID(a)))
			t.Set("name", settings.Quote(a))
			return dummy(t)
		}})
		if err != nil || none {
			return err
		}
		err = s.put(ctx, question{key: "colonies", ask: "Colonies there", usual: "-", hint: "", take: func(a string) error {
			if a == "-" {
				return nil
			}
			n, err := strconv.Atoi(a)
			if err != nil || n < 0 {
				return fmt.Errorf("colonies: must be a whole number, 0 or more, is %q", a)
			}
			next := t
			next.Values = slices.Clone(t.Values)
			next.Set("colonies", strconv.Itoa(n))
			if err := dummy(next); err != nil {
				return err
			}
			t = next
			return nil
		}})
		if err == nil {
			err = s.put(ctx, question{key: "position", ask: "Where it is: here, later, or degrees", usual: "later",
				hint: "here: stand in it now, the receiver says where; later: it stands in the file as a comment; or like 43.2200 -91.8800.",
				take: func(a string) error { return s.place(ctx, t, a) }})
		}
		if err != nil {
			return err
		}
	}
}

// place puts a yard into the draft, where it is said to be.
func (s *setup) place(ctx context.Context, t settings.Table, a string) error {
	t.Values = slices.Clone(t.Values)
	switch a {
	case "later":
		t.Aside = true
		t.Set("position", "[0.0, 0.0]")
		return s.try(func(ts *[]settings.Table) { *ts = append(*ts, t) })
	case "here":
		lat, lon, from, err := s.fixNow(ctx)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "  %.6f, %.6f, by %s\n", lat, lon, from)
		t.Set("position", fmt.Sprintf("[%.6f, %.6f]", lat, lon))
	default:
		words := strings.FieldsFunc(a, func(c rune) bool { return c == ' ' || c == ',' })
		if len(words) != 2 {
			return fmt.Errorf("position: must be here, later, or two numbers, degrees north and degrees east, is %q", a)
		}
		var at [2]float64
		for i, w := range words {
			v, err := strconv.ParseFloat(w, 64)
			if err != nil || v != v || v > 360 || v < -360 {
				return fmt.Errorf("position: must be two numbers, degrees north and degrees east, is %q", a)
			}
			at[i] = v
		}
		t.Set("position", fmt.Sprintf("[%.7f, %.7f]", at[0], at[1]))
	}
	return s.try(func(ts *[]settings.Table) { *ts = append(*ts, t) })
}

// fixNow listens for where the receiver is now.
func (s *setup) fixNow(ctx context.Context) (lat, lon float64, from string, err error) {
	for i := range s.ports {
		p, err := openChecked(s.ports[i].path, s.ports[i].baud)
		if err != nil {
			continue
		}
		var h heardLines
		err = errors.Join(h.listen(ctx, p, s.how, 0), p.Close())
		if lat, lon, ok := h.fix(); ok && err == nil {
			return lat, lon, s.ports[i].path, nil
		}
	}
	if s.gpsd != "" {
		if h, err := hearGPSD(ctx, s.gpsd, s.rig, s.how); err == nil {
			if lat, lon, ok := h.fix(); ok {
				return lat, lon, "the gpsd at " + s.gpsd, nil
			}
		}
	}
	if s.mqtt != nil {
		if rigs, err := hearBroker(ctx, *s.mqtt, s.rig, s.how); err == nil && rigs[s.rig] != nil {
			if lat, lon, ok := rigs[s.rig].fix(); ok {
				return lat, lon, s.mqtt.URL, nil
			}
		}
	}
	return 0, 0, "", fmt.Errorf("position: must come from a receiver that has a fix, and none came in %v; wait for one, or say later", s.how)
}
