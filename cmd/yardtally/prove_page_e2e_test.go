package main

import (
	"context"
	"html"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/door"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
)

// phone is a browser without JavaScript: it follows links and sends forms.
type phone struct {
	t      *testing.T
	client *http.Client
	base   string
	at     string // the page's own address
	page   string
}

func (p *phone) took(res *http.Response, err error) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	p.at, p.page = res.Request.URL.String(), string(b)
	if res.StatusCode != 200 {
		p.t.Fatalf("%s: status %d: %s", p.at, res.StatusCode, p.text())
	}
}

func (p *phone) open(path string) { p.t.Helper(); p.took(p.client.Get(p.base + path)) }
func (p *phone) reload()          { p.t.Helper(); p.took(p.client.Get(p.at)) }

func (p *phone) text() string {
	return strings.Join(strings.Fields(strings.ReplaceAll(html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(p.page, " ")), "\u00a0", " ")), " ")
}

// send fills in the form with a button of that words and sends it.
func (p *phone) send(button string, answers map[string]string) {
	p.t.Helper()
	for _, f := range regexp.MustCompile(`(?s)<form.*?</form>`).FindAllString(p.page, -1) {
		i := strings.Index(f, ">"+button+"<")
		if i < 0 {
			continue
		}
		q := url.Values{}
		attr := func(tag, name string) (string, bool) {
			m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(tag)
			if m == nil {
				return "", false
			}
			return html.UnescapeString(m[1]), true
		}
		for _, tag := range regexp.MustCompile(`<input[^>]*>`).FindAllString(f, -1) {
			name, _ := attr(tag, "name")
			if kind, _ := attr(tag, "type"); kind != "checkbox" || strings.Contains(tag, " checked") {
				v, _ := attr(tag, "value")
				q.Set(name, v)
			}
		}
		for _, m := range regexp.MustCompile(`(?s)<select[^>]* name="(\w+)".*?</select>`).FindAllStringSubmatch(f, -1) {
			if c := regexp.MustCompile(`<option value="([^"]*)" selected`).FindStringSubmatch(m[0]); c != nil {
				q.Set(m[1], c[1])
			}
		}
		tag := f[strings.LastIndex(f[:i], "<button"):i]
		if name, ok := attr(tag, "name"); ok {
			v, _ := attr(tag, "value")
			q.Set(name, v)
		}
		for k, v := range answers {
			q.Set(k, v)
		}
		to, _ := attr(f, "action")
		if method, _ := attr(f, "method"); method == "get" {
			p.took(p.client.Get(p.base + to + "?" + q.Encode()))
		} else {
			p.took(p.client.PostForm(p.base+to, q))
		}
		return
	}
	p.t.Fatalf("no button %q: %s", button, p.text())
}

// A bucket is drawn on a simulated rig, once: the page, without JavaScript, and
// the command are guided through it side by side and make the same proving of
// it. What the page keeps is near the truth of the meter, and in no fill.
func TestProvingByPageAndByCommand(t *testing.T) {
	s := rigsim.SmallNight(5)
	s.Provings = []rigsim.Proof{{Yard: 0, Buckets: 1, Volume: 16 * quantity.Litre}}
	n := playNight(t, s)
	var truly rigsim.Fill
	for _, f := range n.truth.Fills {
		if f.Kind == rigsim.Proving {
			truly = f
		}
	}
	if truly.Volume == 0 {
		t.Fatal("no bucket was drawn")
	}
	set := n.settings(t, t.TempDir())
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	clock := newStepClock(n.Start)
	w := work(t, set, clock)
	said := n.said
	until := func(at time.Time) {
		t.Helper()
		for len(said) > 0 && !said[0].At.After(at) {
			clock.set(said[0].At)
			now := clock.Now()
			if err := w.desk.Put(t.Context(), source.Arrival{Rig: n.Rig, Records: []meter.Record{{Mono: now.Mono, Wall: now.Wall, Source: "serial", Readings: said[0].Readings}}}); err != nil {
				t.Fatal(err)
			}
			said = said[1:]
		}
		w.view()
	}

	until(truly.Start.Add(-5 * time.Second))
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	p := &phone{t: t, client: &http.Client{Jar: jar, Timeout: time.Minute}, base: strings.TrimSuffix(pageURL(w.page.Addr(), false), "/")}
	p.took(p.client.PostForm(p.base+"/enter", url.Values{"passphrase": {tapsPassphrase}}))
	p.open("/meter")
	if !strings.Contains(p.text(), "No bucket test yet") {
		t.Errorf("before: %s", p.text())
	}
	p.open("/meter/prove")
	p.send("Ready: start to count", map[string]string{"syrup": "sucrose", "brix": "64 Brix", "empty": "1.20 kg", "wish": "0.3 %"})

	// The command beside it.
	b := &local{desk: w.desk, journal: w.journal, rig: n.Rig, watching: w.watching, daemon: w.daemon}
	tt := &test{backend: b, zone: time.UTC, units: quantity.SI, out: io.Discard}
	if err := tt.look(t.Context()); err != nil {
		t.Fatal(err)
	}
	typed, asked := make(chan string), &safeBuffer{}
	g := &guide{test: tt, out: asked, lines: typed, live: true}
	ended := make(chan error, 1)
	go func() { ended <- g.run(context.Background()) }()
	answer := func(question, text string) {
		t.Helper()
		await(t, question, func() bool { return strings.HasSuffix(strings.TrimRight(asked.String(), " "), question) })
		typed <- text
	}
	answer("Enter for sucrose:", "sucrose")
	answer("proves by mass:", "64 Brix")
	answer(`like "1.2 kg":`, "1.20 kg")
	answer("before you pull.", "")
	await(t, "the command's mark", func() bool { return strings.Contains(asked.String(), "or type the pulses yourself:") })

	until(truly.Start.Add(truly.End.Sub(truly.Start) / 2))
	p.reload()
	m := regexp.MustCompile(`(\d+) pulses in (\d+) s, flowing`).FindStringSubmatch(p.text())
	if m == nil || m[1] == "0" || !strings.Contains(p.text(), "so far. For ± 0.3 % draw") && !strings.Contains(p.text(), "That is enough") {
		t.Errorf("half way: %s", p.text())
	}
	until(truly.End.Add(25 * time.Second))
	p.send("I let go: stop counting", nil)
	typed <- ""

	weighed := rigsim.Weigh(truly.Volume+truly.Dribble, 64, quantity.Temperature(w.view().Syrup.Value))
	full := quantity.SI.Mass(weighed + 1.2)
	temp := "14.8 C"
	p.send("See what it found", map[string]string{"full": full, "temp": temp})
	if !strings.Contains(p.text(), "What it is uncertain by") || !strings.Contains(p.text(), "To do better") {
		t.Errorf("found: %s", p.text())
	}
	answer(`like "22.1 kg":`, full)
	await(t, "the temperature", func() bool { return strings.Contains(asked.String(), "temperature at the meter") })
	typed <- temp
	await(t, "another run", func() bool { return strings.Contains(asked.String(), "Another run") })
	command := g.runs[0].Body.(act.Proving)
	typed <- "n"
	await(t, "since when", func() bool { return strings.Contains(asked.String(), "restates everything:") })
	typed <- ""
	await(t, "the last question", func() bool { return strings.Contains(asked.String(), "Keep this proving?") })
	typed <- "n"
	if err := <-ended; err != nil {
		t.Fatalf("the command: %v\n%s", err, asked)
	}

	p.send("Keep this proving", nil)
	if !strings.Contains(p.text(), "Kept: proving of ") {
		t.Errorf("kept: %s", p.text())
	}
	acts, err := w.desk.Acts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var page act.Proving
	var from int64
	for _, a := range acts {
		if b, ok := a.Body.(act.Proving); ok && b.Pulses > 0 {
			page, from = b, a.From
		}
	}
	if page.DoneNS == 0 || from != page.DoneNS || time.Unix(0, page.DoneNS).Sub(truly.End).Abs() > 10*time.Second {
		t.Errorf("done %v and from %v, truly %v", time.Unix(0, page.DoneNS), time.Unix(0, from), truly.End)
	}
	command.DoneNS = page.DoneNS // the one is the rig's time, the other this machine's
	if page.Pulses != command.Pulses || page.Session != command.Session || page.First != command.First || page.Last != command.Last ||
		math.Abs(page.Seconds-command.Seconds) > 1e-6 || math.Abs(page.NetKg-command.NetKg) > 1e-9 || page.Brix != command.Brix || page.TempC != command.TempC || page.Syrup != command.Syrup {
		t.Errorf("the page made %+v, the command %+v", page, command)
	}
	one, err := bucket.Point("", page)
	if err != nil {
		t.Fatal(err)
	}
	two, err := bucket.Point("", command)
	if err != nil || math.Abs(one.K/two.K-1) > 1e-9 || math.Abs(one.RelU/two.RelU-1) > 1e-9 {
		t.Errorf("K %v ± %v, by the command %v ± %v (%v)", one.K, one.RelU, two.K, two.RelU, err)
	}
	// The bucket holds what truly passed; what it is off by is in its budget.
	if k := float64(truly.Settled-truly.First) / (truly.Volume + truly.Dribble).CubicMetres(); math.Abs(one.K/k-1) > one.Budget.Expanded(0.999) {
		t.Errorf("K %v, truly %v: more than its budget says", one.K, k)
	}
	v := w.view()
	for _, f := range v.Fills {
		if f.Session == page.Session && f.First < page.Last && f.Last > page.First {
			t.Errorf("a fill has the bucket's pulses: %d to %d", f.First, f.Last)
		}
	}
	until(n.said[len(n.said)-1].At)
	w.view()
	// Taken back, the curve is the label's again.
	p.open("/meter")
	p.send("Take back", nil)
	if !strings.Contains(p.text(), "Taken back: proving of") || !strings.Contains(p.text(), "No bucket test yet") {
		t.Errorf("taken back: %s", p.text())
	}
}
