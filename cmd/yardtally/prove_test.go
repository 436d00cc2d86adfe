package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
)

// proveSettings writes the small rig's settings, and returns their path.
func proveSettings(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "heron.toml"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "heron.toml")
	if err := os.WriteFile(path, text, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// counting is a backend whose count moves on with each look at it.
type counting struct {
	backend
	views []*ledger.View
	added []act.Act
}

func (c *counting) View(ctx context.Context) (*ledger.View, error) {
	if len(c.views) == 0 {
		return c.backend.View(ctx)
	}
	v := c.views[0]
	c.views = c.views[1:]
	return v, nil
}

func (c *counting) AddActs(ctx context.Context, acts ...act.Act) (int, error) {
	c.added = append(c.added, acts...)
	return c.backend.AddActs(ctx, acts...)
}

// guided runs the guide with answers, one a line; it returns what was asked,
// what came out, and the acts added.
func guided(t *testing.T, said proveFlags, views []*ledger.View, answers ...string) (asked, out string, added []act.Act, err error) {
	t.Helper()
	b, err := openLocal(t.TempDir(), "heron", true)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := b.AddActs(t.Context(), act.Act{ID: "batch", Rig: "heron", Who: "wren", When: 1, Body: act.Batch{Syrup: "sucrose", Brix: 64}}); err != nil {
		t.Fatal(err)
	}
	c := &counting{backend: b, views: views}
	var askedBuf, outBuf bytes.Buffer
	tt := &test{backend: c, said: said, zone: time.UTC, units: quantity.SI, out: &outBuf}
	if tt.acts, err = c.Acts(t.Context()); err != nil {
		t.Fatal(err)
	}
	tt.before = &ledger.View{}
	g := &guide{test: tt, out: &askedBuf, lines: linesOf(strings.NewReader(strings.Join(answers, "\n") + "\n")), live: views != nil}
	err = g.run(t.Context())
	return askedBuf.String(), outBuf.String(), c.added, err
}

// Three runs, typed in. Bad answers are asked again, with the rule.
func TestProveGuided(t *testing.T) {
	asked, out, added, err := guided(t, proveFlags{who: "wren"}, nil,
		"maple", "", // the syrup: no such; as the batch is
		"78 Brix", "66", "66.7 Brix",
		"1.2", "1.2 kg", "many", "543", "150", "150 s", "1 kg", "21.2 kg", "68", "90 C", "68 F", // run 1
		"maybe", "y",
		"", "544", "", "21.2 kg", "", // run 2: not timed, as warm as before
		"y",
		"1.21 kg", "542", "149 s", "21.2 kg", "20 C", // run 3
		"n", "y")
	if err != nil {
		t.Fatalf("%v\n%s", err, asked)
	}
	for _, want := range []string{
		`must be "sucrose", "invert", "hfcs-42", "hfcs-55" or "blend", is "maple". Once more:`,
		`must be above 0 and at most 77 Brix, is "78 Brix". Once more:`,
		`must name its unit, one of Brix, is "66". Once more:`,
		`must name its unit, one of kg, g, t, lb, oz, is "1.2". Once more:`,
		`must be a count between 1 and 1000000000, is "many". Once more:`,
		`is "150". Once more:`,
		`must be between 0.05 and 5000 kg more than the empty bucket's 1.2 kg, is "1 kg". Once more:`,
		`must name its unit, one of °C, °F, is "68". Once more:`,
		`must be between -5 °C and 50 °C, is "90 C". Once more:`,
		`must be y or n, is "maybe". Once more:`,
		"repeatability: 0.32 %", "What it is uncertain by", "Keep these 3 provings?",
	} {
		if !strings.Contains(asked, want) {
			t.Errorf("not asked or said: %s", want)
		}
	}
	// Cautions stand before the first question.
	for _, c := range bucket.Cautions {
		if i := strings.Index(asked, c); i < 0 || i > strings.Index(asked, "Which syrup?") {
			t.Errorf("caution not before the first question: %s", c)
		}
	}
	if len(added) != 3 {
		t.Fatalf("%d acts, want 3", len(added))
	}
	want := []act.Proving{
		{Pulses: 543, NetKg: 20, Syrup: "sucrose", Brix: 66.7, TempC: 20, Seconds: 150},
		{Pulses: 544, NetKg: 20, Syrup: "sucrose", Brix: 66.7, TempC: 20},
		{Pulses: 542, NetKg: 19.99, Syrup: "sucrose", Brix: 66.7, TempC: 20, Seconds: 149},
	}
	last := int64(0)
	for i, a := range added {
		b := a.Body.(act.Proving)
		if b.DoneNS <= last || a.From != b.DoneNS || a.Who != "wren" {
			t.Errorf("run %d: done %d after %d, from %d, who %s", i+1, b.DoneNS, last, a.From, a.Who)
		}
		last = b.DoneNS
		if math.Abs(b.NetKg-want[i].NetKg) > 1e-9 || math.Abs(b.TempC-want[i].TempC) > 1e-9 {
			t.Errorf("run %d: net %v kg at %v °C", i+1, b.NetKg, b.TempC)
		}
		b.DoneNS, b.NetKg, b.TempC = 0, want[i].NetKg, want[i].TempC
		if b.Pulses != want[i].Pulses || b.Seconds != want[i].Seconds || b.Brix != want[i].Brix || b.Syrup != want[i].Syrup {
			t.Errorf("run %d: %+v, want %+v", i+1, b, want[i])
		}
	}
	if !strings.Contains(out, "Kept, 3 provings.") || !strings.Contains(out, "What changes") {
		t.Errorf("said at the end:\n%s", out)
	}
}

// Nothing is kept before the person says so: when told no, when told to keep
// nothing, when the answers end, and when the command is stopped.
func TestProveKeepsNothingUnasked(t *testing.T) {
	run := []string{"", "none", "1.2 kg", "543", "", "21.2 kg", "68 F"}
	for name, c := range map[string]struct {
		said    proveFlags
		answers []string
		broken  bool
	}{
		"no":      {answers: append(append([]string{}, run...), "n", "n")},
		"dry run": {said: proveFlags{dry: true}, answers: append(append([]string{}, run...), "n")},
		"the end": {answers: run, broken: true},
	} {
		asked, out, added, err := guided(t, c.said, nil, c.answers...)
		if c.broken != errors.Is(err, errBrokenOff) || !c.broken && err != nil {
			t.Errorf("%s: %v\n%s", name, err, asked)
		}
		if len(added) > 0 {
			t.Errorf("%s: kept %+v", name, added)
		}
		if !c.broken && !strings.Contains(out, "Nothing was kept.") {
			t.Errorf("%s: said %q", name, out)
		}
	}
	// Stopped while it waits for an answer.
	ctx, stop := context.WithCancel(t.Context())
	r, w := io.Pipe()
	defer w.Close()
	g := &guide{out: &stopper{stop: stop}, lines: linesOf(r)}
	if err := g.ask(ctx, "?", func(string) error { return nil }); !errors.Is(err, errBrokenOff) {
		t.Errorf("stopped: %v", err)
	}
}

// stopper stops when something is asked.
type stopper struct{ stop func() }

func (s *stopper) Write(p []byte) (int, error) { s.stop(); return len(p), nil }

// The daemon's count is read before and after the pull.
func TestProveGuidedLive(t *testing.T) {
	const sec = int64(1e9)
	at := func(s int64, fills []ledger.Fill, loose ...ledger.Loose) *ledger.View {
		return &ledger.View{Rig: "heron", At: s * sec, Total: 20 * quantity.Litre, Fills: fills, Loose: loose, Syrup: ledger.Last{Value: 19.5, At: s * sec, Has: true}}
	}
	old := ledger.Fill{Session: 7, First: 1000, Last: 1400, Start: 10 * sec, End: 20 * sec}
	pull := ledger.Fill{Session: 7, First: 1400, Last: 1940, Start: 100 * sec, End: 249 * sec}
	open := pull
	open.Last, open.End, open.Open = 1700, 170*sec, true
	drip := ledger.Loose{Session: 7, First: 1940, Last: 1943, Start: 253 * sec, End: 254 * sec, Why: "dribble"}
	views := []*ledger.View{
		at(90, []ledger.Fill{old}),
		at(95, []ledger.Fill{old}),              // nothing yet
		at(170, []ledger.Fill{old, open}),       // still flowing
		at(260, []ledger.Fill{old, pull}, drip), // done
		at(261, []ledger.Fill{old, pull}, drip), // before it asks to keep
		at(262, []ledger.Fill{old, pull}, drip)} // after it was kept
	asked, _, added, err := guided(t, proveFlags{}, views,
		"", "66.7 Brix", "1 kg", "", "", "", "", "21 kg", "", "n", "today", "ever", "y")
	if err != nil {
		t.Fatalf("%v\n%s", err, asked)
	}
	for _, want := range []string{"the meter counted nothing since", "the meter is not quiet yet", "The meter counted 543 pulses in 150 s.", "Enter for 19.5 C"} {
		if !strings.Contains(asked, want) {
			t.Errorf("not said: %s\n%s", want, asked)
		}
	}
	if len(added) != 1 {
		t.Fatalf("%d acts", len(added))
	}
	if added[0].From != 0 {
		t.Errorf("holds from %d, want since ever", added[0].From)
	}
	if b := added[0].Body.(act.Proving); b.Pulses != 543 || b.Seconds != 150 || b.TempC != 19.5 || b.NetKg != 20 || b.Session != 7 || b.First != 1400 || b.Last != 1943 {
		t.Errorf("%+v", b)
	}
}

// On a terminal "prove" without flags asks, and what is answered is kept.
func TestProveOnTerminal(t *testing.T) {
	set := proveSettings(t)
	near, far, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	defer far.Close()
	var out bytes.Buffer
	code := make(chan int, 1)
	go func() { code <- Main([]string{"prove", "-settings", set}, &env{far, &out, far}) }()

	seen := newScreen(near)
	for _, step := range []struct{ prompt, answer string }{
		{"Which syrup?", "sucrose"},
		{"Its Brix", "66.7 Brix"},
		{"Empty bucket weighs", "1.2 kg"},
		{"Pulses the meter counted", "1543"},
		{"How long the trigger was open", "150 s"},
		{"Full bucket weighs", "21.2 kg"},
		{"temperature at the meter", "68 F"},
		{"Another run", "n"},
		{"Keep this proving?", "y"},
	} {
		seen.until(t, step.prompt)
		if _, err := near.WriteString(step.answer + "\n"); err != nil {
			t.Fatal(err)
		}
	}
	// The rest goes to out, but the terminal must be drained meanwhile.
	if got := <-code; got != 0 {
		t.Fatalf("exit code %d:\n%s", got, out.String())
	}
	if !strings.Contains(out.String(), "Kept as act ") {
		t.Errorf("said:\n%s", out.String())
	}
	b, err := openLocal(filepath.Join(filepath.Dir(set), "data"), "", false)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	acts, err := b.Acts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, a := range act.Standing(acts) {
		if p, ok := a.Body.(act.Proving); ok && p.Pulses == 1543 && p.Seconds == 150 {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d such provings are kept, want 1", n)
	}
}

// screen is what a terminal has shown.
type screen struct {
	parts chan string
	text  string
	from  int
}

func newScreen(near *os.File) *screen {
	s := &screen{parts: make(chan string, 1000)}
	go func() {
		defer close(s.parts)
		buf := make([]byte, 4096)
		for {
			n, err := near.Read(buf)
			if n > 0 {
				s.parts <- string(buf[:n])
			}
			if err != nil {
				return
			}
		}
	}()
	return s
}

// until waits until something is shown that was not shown before.
func (s *screen) until(t *testing.T, want string) {
	t.Helper()
	for {
		if i := strings.Index(s.text[s.from:], want); i >= 0 {
			s.from += i + len(want)
			return
		}
		part, ok := <-s.parts
		if !ok {
			t.Fatalf("the terminal ended before %q:\n%s", want, s.text)
		}
		s.text += part
	}
}

// What "prove" says of a proving is what the ledger makes of it.
func TestProveMeansAsLedger(t *testing.T) {
	b := act.Proving{Pulses: 543, NetKg: 20, Brix: 66.7, TempC: 20, Seconds: 150, ScaleStepKg: 0.05, BrixWithin: 0.5, TempWithin: 2}
	p, err := bucket.Point("one", b)
	if err != nil {
		t.Fatal(err)
	}
	var v ledger.View
	v.Restore([]act.Act{{ID: "one", Rig: "heron", When: 1, From: 1, Body: b}})
	if len(v.Curves) != 2 {
		t.Fatalf("%d curves", len(v.Curves))
	}
	if q := v.Curves[1].Curve.Report().Points[0]; q.K != p.K || q.RelU != p.RelU {
		t.Errorf("K %v ± %v, the ledger has %v ± %v", p.K, p.RelU, q.K, q.RelU)
	}
}

// Beside a running daemon a proving goes through its socket, restates what it
// shows, and is there after it has ended.
func TestProveBesideDaemon(t *testing.T) {
	s := newScene(t)
	p := s.daemon()
	s.good("import", s.path("sim.rec"))
	before := s.good("yards", "-csv", "-all")
	bucket := []string{"-pulses", "1543", "-net", "20 kg", "-brix", "66.7 Brix", "-temp", "68 F", "-time", "150 s", "-done", "2026-10-01 17:30", "-from", "ever"}
	dry := s.good("prove", append(bucket, "-dry-run")...)
	if got := s.good("yards", "-csv", "-all"); got != before || !strings.Contains(dry, "Nothing was kept.") {
		t.Errorf("a dry run changed the yards, or said\n%s", dry)
	}
	said := s.good("prove", bucket...)
	if !strings.Contains(said, "metered in all") || !strings.Contains(said, "Kept as act ") {
		t.Errorf("said:\n%s", said)
	}
	yards, meter, curve := s.good("yards", "-csv", "-all"), s.good("meter", "-csv"), s.good("meter", "-json", "-on", "2026-10-20")
	if yards == before {
		t.Error("the proving restated nothing")
	}
	s.stop(p)
	for what, pair := range map[string][2]string{
		"yards": {yards, s.good("yards", "-csv", "-all")},
		"meter": {meter, s.good("meter", "-csv")},
		"curve": {curve, s.good("meter", "-json", "-on", "2026-10-20")},
	} {
		if pair[0] != pair[1] {
			t.Errorf("%s differs beside the daemon and without it:\n%s\n%s", what, pair[0], pair[1])
		}
	}
}
