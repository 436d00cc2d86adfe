package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/gpsd"
	"yardtally/ingest/serialport"
	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// heardLines is what was heard at a serial port.
type heardLines struct {
	bytes int
	good  int            // sentences with readings
	took  time.Duration  // listened for
	bad   map[string]int // what was dropped, by reason
	last  map[meter.Channel]float64
}

// listen listens for so long, or until it has heard enough (0: never enough).
func (h *heardLines) listen(ctx context.Context, p *serialport.Port, how time.Duration, enough int) error {
	h.bad, h.last = map[string]int{}, map[meter.Channel]float64{}
	var text []byte
	buf := make([]byte, 4096)
	begin := time.Now()
	for first := true; time.Since(begin) < how && ctx.Err() == nil && (enough == 0 || h.good < enough); {
		n, err := p.Read(buf)
		if err != nil {
			return err
		}
		h.bytes += n
		text = append(text, buf[:n]...)
		for {
			i := bytes.IndexByte(text, '\n')
			if i < 0 {
				break
			}
			line := bytes.TrimRight(text[:i], "\r\n")
			text = text[i+1:]
			if first && (len(line) == 0 || line[0] != '$') {
				first = false // the port was opened in the midst of it
				continue
			}
			first = false
			msg, drops := wire.ParseNMEA(line)
			h.take(msg, drops)
		}
		if len(text) > serialport.MaxLine {
			text = text[:0]
		}
	}
	h.took = time.Since(begin)
	return ctx.Err()
}

func (h *heardLines) take(msg wire.Message, drops []wire.Drop) {
	if len(msg.Readings) > 0 {
		h.good++
	}
	for _, r := range msg.Readings {
		h.last[r.Channel] = r.Value
	}
	for _, d := range drops {
		h.bad[string(d.Reason)]++
	}
}

// why says what was dropped, and for what.
func (h *heardLines) why() string {
	if len(h.bad) == 0 {
		return "no line ended"
	}
	var parts []string
	for r, n := range h.bad {
		parts = append(parts, fmt.Sprintf("%d %s", n, r))
	}
	slices.Sort(parts)
	return strings.Join(parts, ", ")
}

// values says the newest of each channel.
func (h *heardLines) values() string {
	var parts []string
	for _, c := range slices.Sorted(maps.Keys(h.last)) {
		parts = append(parts, strings.TrimSuffix(fmt.Sprintf("%s %.10g %s", c, h.last[c], c.Unit()), " /"))
	}
	return strings.Join(parts, ", ")
}

// fix is the newest position, where one was heard.
func (h *heardLines) fix() (lat, lon float64, ok bool) {
	lat, okLat := h.last[meter.Lat]
	lon, okLon := h.last[meter.Lon]
	return lat, lon, okLat && okLon
}

// setupBauds are the speeds that setup listens at, the likeliest first: of
// counter boards and USB receivers, of NMEA 0183 itself and its fast form
// (38400). Common practice but for the last two, which are NMEA's own.
var setupBauds = []int{115200, 9600, 4800, 38400}

// heardPort is a serial port that setup found.
type heardPort struct {
	path string
	baud int // at which it was heard best
	heardLines
	err error // it cannot be opened or read
}

// findPorts are the serial ports there may be: by the names that stay the same
// first, none twice.
func findPorts(dev string) (out []string) {
	seen := map[string]bool{}
	for _, like := range []string{"serial/by-id/*", "ttyUSB*", "ttyACM*", "ttyAMA*", "ttyS*"} {
		paths, _ := filepath.Glob(filepath.Join(dev, like))
		slices.Sort(paths)
		for _, path := range paths {
			real, err := filepath.EvalSymlinks(path)
			if err == nil && !seen[real] {
				seen[real] = true
				out = append(out, path)
			}
		}
	}
	return out
}

// hearPorts listens at all of them at once.
func hearPorts(ctx context.Context, paths []string, how time.Duration) []heardPort {
	out := make([]heardPort, len(paths))
	var all sync.WaitGroup
	for i, path := range paths {
		all.Go(func() { out[i] = hearPort(ctx, path, how) })
	}
	all.Wait()
	return out
}

// hearPort listens at one speed after another, until it can read what comes.
func hearPort(ctx context.Context, path string, how time.Duration) heardPort {
	best := heardPort{path: path, baud: setupBauds[0]}
	for i, baud := range setupBauds {
		p, err := openChecked(path, baud)
		if err != nil {
			best.err = err
			return best
		}
		h := heardPort{path: path, baud: baud}
		err = errors.Join(h.listen(ctx, p, how, 0), p.Close())
		if err != nil {
			best.err = err
			return best
		}
		if i == 0 || h.good > best.good || h.good == 0 && best.good == 0 && h.bytes > best.bytes {
			best = h
		}
		if h.good > 0 {
			return best
		}
		if i == 0 && h.bytes == 0 {
			how /= 3 // a line at another speed would have shown as garbage
		}
	}
	return best
}

// say is what setup shows of a port.
func (p *heardPort) say() string {
	switch {
	case errors.Is(p.err, errBusy):
		return p.mended("busy")
	case errors.Is(p.err, errDenied):
		return p.mended("no permission")
	case p.err != nil:
		return p.mended("cannot be read")
	case p.bytes == 0:
		return fmt.Sprintf("%s: silent: nothing came at %s baud\n     to mend it: look whether the board has power, and whether its TX goes to this port's RX", p.path, sayBauds())
	case p.good == 0:
		return fmt.Sprintf("%s: garbled: %d bytes at %d baud, and no sentence with a reading at %s: %s", p.path, p.bytes, p.baud, sayBauds(), p.why())
	}
	text := fmt.Sprintf("%s: speaks at %d baud, %.1f sentences a second with readings\n     %s", p.path, p.baud, float64(p.good)/p.took.Seconds(), p.values())
	if len(p.bad) > 0 {
		text += "\n     dropped: " + p.why()
	}
	return text
}

func (p *heardPort) mended(what string) string {
	text := what + ": " + p.err.Error()
	var m mendable
	if errors.As(p.err, &m) {
		text += "\n     to mend it: " + m.mend
	}
	return text
}

func sayBauds() string {
	var parts []string
	for _, b := range setupBauds {
		parts = append(parts, fmt.Sprint(b))
	}
	n := len(parts) - 1
	return strings.Join(parts[:n], ", ") + " and " + parts[n]
}

// hearBroker listens at a broker for whatever rigs speak there.
func hearBroker(ctx context.Context, m settings.MQTT, rig string, how time.Duration) (map[string]*heardLines, error) {
	topic := m.Prefix + "/+/readings"
	if err := checkSignIn(m, []string{rig, rig}); err != nil {
		var refused mendable
		if !errors.As(err, &refused) || checkSignIn(m, []string{rig}) != nil {
			return nil, err
		}
		topic = m.Prefix + "/" + rig + "/readings" // it may hear its own only
	}
	var mu sync.Mutex
	rigs := map[string]*heardLines{}
	take := func(_ mqtt.Client, msg mqtt.Message) {
		if msg.Retained() {
			return // no news
		}
		name := strings.TrimSuffix(strings.TrimPrefix(msg.Topic(), m.Prefix+"/"), "/readings")
		msgs, drops := wire.ParsePack(msg.Payload(), name)
		mu.Lock()
		defer mu.Unlock()
		h := rigs[name]
		if h == nil {
			h = &heardLines{bad: map[string]int{}, last: map[meter.Channel]float64{}, took: how}
			rigs[name] = h
		}
		for _, one := range msgs {
			h.take(one, nil)
		}
		h.take(wire.Message{}, drops)
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(m.URL).SetProtocolVersion(4).SetClientID(m.Client + "-setup").
		SetUsername(m.User).SetPassword(m.Password).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(signInLimit))
	if k := c.Connect(); !k.WaitTimeout(signInLimit) || k.Error() != nil {
		return nil, fmt.Errorf("%s: %w", m.URL, cmp.Or(k.Error(), errors.New("no answer")))
	}
	defer c.Disconnect(100)
	if k := c.Subscribe(topic, 0, take); !k.WaitTimeout(signInLimit) || k.Error() != nil {
		return nil, fmt.Errorf("the subscription of %s: %w", topic, cmp.Or(k.Error(), errors.New("no answer")))
	}
	select {
	case <-time.After(how):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	mu.Lock()
	defer mu.Unlock()
	out := map[string]*heardLines{}
	for name, h := range rigs { // messages may come still, until we are gone
		out[name] = &heardLines{good: h.good, took: h.took, bad: maps.Clone(h.bad), last: maps.Clone(h.last)}
	}
	return out, nil
}

// gathering is a sink that gathers what comes.
type gathering struct {
	mu sync.Mutex
	heardLines
}

// Put implements source.Sink.
func (g *gathering) Put(_ context.Context, a source.Arrival) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, r := range a.Records {
		g.take(wire.Message{Readings: r.Readings}, nil)
	}
	return nil
}

// hearGPSD listens to a gpsd.
func hearGPSD(ctx context.Context, address, rig string, how time.Duration) (*heardLines, error) {
	s, err := gpsd.New(gpsd.Options{Name: "gpsd", Address: address, Rig: rig, Clock: source.SystemClock{}})
	if err != nil {
		return nil, err
	}
	g := &gathering{heardLines: heardLines{bad: map[string]int{}, last: map[meter.Channel]float64{}, took: how}}
	whole := ctx
	ctx, stop := context.WithTimeout(ctx, how)
	defer stop()
	if err := s.Run(ctx, g); err != nil && ctx.Err() == nil {
		return nil, err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return &g.heardLines, whole.Err()
}
