package dashboard

import (
	"html"
	"net/url"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/tote"
	"yardtally/meter/watch"
)

// pair is what flow alone cannot tell apart.
func pair() watch.Verdict { return of(watch.Kink, watch.ThrottleDown) }

// over is a verdict that was over an hour ago.
func over() watch.Verdict {
	v := still(840, watch.Deadhead)
	v.From, v.Told, v.Until = v.From-60*60e9, v.Told-58*60e9, v.Told-40*60e9
	return v
}

// name is the key that an alarm of a verdict has.
func name(v watch.Verdict) string { return alarm.KeyOf(&v) }

// section is the words of a page between two pieces of its markup.
func section(t *testing.T, page, from, to string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page, from)
	if !ok {
		t.Fatalf("the page has no %s", from)
	}
	body, _, _ := strings.Cut(rest, to)
	body = regexp.MustCompile(`<[^>]*>`).ReplaceAllString(body, " ")
	return strings.Join(strings.Fields(html.UnescapeString(body)), " ")
}

func TestEveryKindHasItsName(t *testing.T) {
	for k := watch.Kind(1); k.String() != ""; k++ {
		x, ok := matters[k]
		if !ok || x.name == "" || x.part == draw.None && k != watch.Sensor {
			t.Errorf("%s: %+v", k, x)
		}
	}
}

// An alarm in each state of its life, as one who may answer it sees it.
func TestAlarmsByState(t *testing.T) {
	key := name(pair())
	for _, c := range []struct {
		name       string
		acts       []act.Act
		verdict    watch.Verdict
		top, aside []string
		not        []string // on the page nowhere
	}{
		{"unacknowledged", nil, pair(),
			[]string{"At the next stop: kink, or throttle lowered", "Mill Bottom, since 21:23 (3 fills): flow is half of what is expected. A kink, or the throttle lowered: on flow alone they look alike. Look along the hose, then look at the throttle. Sure: 99 %.",
				"The last fill: 1.5 gal/min expected, 1.3 to 1.7 in 19 of 20; 0.75 measured.", "Seen : kink, or throttle lowered", "Quiet for 2 hours : kink, or throttle lowered"},
			nil, []string{"Nothing is wrong", "Take off the shelf"}},
		{"acknowledged", []act.Act{seen(key)}, pair(), []string{"Seen by wren at 21:25; it goes on.", "Quiet for 2 hours"}, nil, []string{`name="key"`}},
		{"returned", nil, over(), []string{"Nothing is wrong that the rig can see."},
			[]string{"1 over and not seen", "Now: pump against a shut trigger", "20:19 to 20:43: the pump turning", "Over since 20:45, and nobody has seen it.", "Seen : pump"}, []string{"Quiet for"}},
		{"shelved", shelved(watch.Kink, watch.ThrottleDown), pair(), []string{"Nothing is wrong that the rig can see, but for what is on the shelf."},
			[]string{"1 on the shelf", "Quiet until 23:25.", "Take off the shelf : kink"}, []string{`name="key"`, "The last fill:"}},
		{"half shelved", shelved(watch.Kink), pair(), []string{"At the next stop: kink"}, []string{"1 on the shelf", "Kink: quiet until 23:25, said by wren."}, nil},
		{"gone", []act.Act{seen(name(over()))}, over(), []string{"Nothing is wrong that the rig can see."}, nil, []string{"trigger, for", "on the shelf"}},
		{"a note", nil, still(0, watch.Old), []string{"To know: old syrup", "never feed spoiled syrup", "Quiet for"}, nil, []string{`name="key"`}},
	} {
		s := ailing(c.acts, c.verdict)
		page := strings.ReplaceAll(newStand(t, s).page("/"), "\u00a0", " ")
		top, aside := section(t, page, `<div id="watch-tap">`, "</form>"), section(t, page, `<details class="aside">`, "</details>")
		for _, want := range c.top {
			if !strings.Contains(top, want) {
				t.Errorf("%s: no %q at the top: %s", c.name, want, top)
			}
		}
		for _, want := range c.aside {
			if !strings.Contains(aside, want) {
				t.Errorf("%s: no %q in the fold: %s", c.name, want, aside)
			}
		}
		if len(c.aside) == 0 && strings.Contains(aside, "shelf") {
			t.Errorf("%s: in the fold is %q", c.name, aside)
		}
		for _, bad := range c.not {
			if strings.Contains(page, bad) {
				t.Errorf("%s: the page has %q", c.name, bad)
			}
		}
	}
}

// Who only reads sees the same without a button.
func TestAlarmsForReaders(t *testing.T) {
	page := text(t, ailing(shelved(watch.Drift), pair(), still(-0.04, watch.Drift), still(0.01, watch.Leak)))
	for _, want := range []string{`<li class="alarm now">`, `<li class="alarm soon">`, "<b>Now:</b> leak", "<b>At the next stop:</b> kink, or throttle lowered", "1 on the shelf",
		"Since 21:19: a leak, 2.6 gal so far. Stop the pump", `<p id="news" class="unseen" role="alert">Now: leak. At the next stop: kink, or throttle lowered.</p>`,
		`<svg class="mark now"`, `<svg class="mark soon"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, "formaction") || strings.Contains(page, `name="key"`) {
		t.Error("who only reads has buttons")
	}
	if strings.Index(page, "<b>Now:</b>") > strings.Index(page, "<b>At the next stop:</b>") {
		t.Error("what is urgent does not come first")
	}
}

// Without a watch, or with nothing to look at, nothing is said of it.
func TestNobodyWatches(t *testing.T) {
	for _, s := range []*Snapshot{sample(), {Now: 1, Watch: &Watch{}}} {
		if page := text(t, s); strings.Contains(page, "Nothing is wrong") {
			t.Error("it is said that nothing is wrong")
		}
	}
	s := ailing(nil)
	s.Watch.Log.Learning = true
	if page := text(t, s); !strings.Contains(page, "Nothing is wrong that the rig can see.") || !strings.Contains(page, "is not learnt yet: until") {
		t.Error("it is not said that the rig is not learnt")
	}
}

func TestMarksOnTheRun(t *testing.T) {
	clog := of(watch.Clog)
	clog.Where = watch.Upstream
	deaf := still(0, watch.Sensor)
	deaf.Channel = "headspace"
	for _, c := range []struct {
		v    watch.Verdict
		acts []act.Act
		want []draw.Part
	}{
		{pair(), nil, []draw.Part{draw.Hose, draw.Pump}},
		{of(watch.Clog), nil, []draw.Part{draw.Nozzle}},
		{clog, nil, []draw.Part{draw.Suction}},
		{deaf, nil, []draw.Part{draw.Tote}},
		{pair(), shelved(watch.Kink, watch.ThrottleDown), nil},
		{still(0, watch.Old), nil, nil},
	} {
		if got := newModel(ailing(c.acts, c.v)).marks(); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v: marked %v, want %v", c.v.Kinds, got, c.want)
		}
	}
}

// One tap answers, one takes it back, also what is several acts.
func TestTapsOnAlarms(t *testing.T) {
	s := ailing(nil, pair())
	until := act.Moment{NS: s.Now + int64(quietFor), Boot: "boot 1", MonoNS: bookMono + int64(quietFor)}
	kinds := url.Values{"kinds": {"kink or throttle down"}}.Encode()
	for _, c := range []struct {
		path, form string
		acts       []act.Act // said before
		want       []act.Body
		words      string
	}{
		{"ack", url.Values{"key": {name(pair())}}.Encode(), nil, []act.Body{act.Ack{Key: name(pair())}}, "Seen: kink, or throttle lowered."},
		{"shelve", kinds, nil, []act.Body{act.Shelve{What: "kink", Until: until}, act.Shelve{What: "throttle down", Until: until}}, "Quiet until 23:26: kink, throttle lowered."},
		{"unshelve", kinds, shelved(watch.Kink, watch.ThrottleDown), []act.Body{act.Shelve{What: "kink"}, act.Shelve{What: "throttle down"}}, "Off the shelf: kink, throttle lowered."},
		{"unshelve", kinds, shelved(watch.Kink), []act.Body{act.Shelve{What: "kink"}}, "Off the shelf: kink."},
	} {
		st := newStand(t, ailing(c.acts, pair()))
		w := st.post("/say/"+c.path, c.form+"&token=a")
		var got []act.Body
		var ids []string
		for _, a := range st.said() {
			got, ids = append(got, a.Body), append(ids, a.ID)
		}
		back := strings.Join(ids, " ")
		if to := w.Header().Get("Location"); w.Code != 303 || !reflect.DeepEqual(got, c.want) || !strings.HasSuffix(to, "#heard") {
			t.Errorf("%s %s: status %d to %s, said %+v", c.path, c.form, w.Code, to, got)
			continue
		}
		page := st.page(w.Header().Get("Location"))
		if heard := section(t, page, `<div id="heard"`, "</form>"); !strings.Contains(heard, c.words) || !strings.Contains(page, `name="act" value="`+back+`"`) {
			t.Errorf("%s: beside the alarms stands %q", c.path, heard)
		}
		if said := section(t, page, `<div id="said"`, "</div>"); strings.Contains(said, c.words) {
			t.Errorf("%s: said in two places", c.path)
		}
		if n := strings.Count(page, `<li><p>`+strings.TrimSuffix(c.words, ".")); n != 1 {
			t.Errorf("%s: it is %d times among what was said tonight", c.path, n)
		}
		// The same tap again says nothing more.
		if st.post("/say/"+c.path, c.form+"&token=a"); len(st.said()) != len(c.want) {
			t.Errorf("%s: twice makes %d acts", c.path, len(st.said()))
		}
		w = st.post("/say/back", url.Values{"act": {back}, "at": {byWatch}, "token": {"b"}}.Encode())
		var undone []act.Body
		for _, a := range st.said()[len(c.want):] {
			undone = append(undone, a.Body)
		}
		if len(undone) != len(c.want) || undone[0] != (act.Undo{Act: ids[0]}) || undone[len(undone)-1] != (act.Undo{Act: ids[len(ids)-1]}) {
			t.Errorf("%s: taken back by %+v", c.path, undone)
		}
		page = st.page(w.Header().Get("Location"))
		if heard := section(t, page, `<div id="heard"`, "<form"); !strings.Contains(heard, "Taken back: "+c.words) || strings.Contains(page, `name="act"`) {
			t.Errorf("%s: after taking back stands %q", c.path, heard)
		}
		// What was taken back can be said again.
		if st.post("/say/"+c.path, c.form+"&token=a"); len(st.said()) != 3*len(c.want) {
			t.Errorf("%s: after taking back %d acts", c.path, len(st.said()))
		}
	}
}

func TestTapsOnAlarmsAreRefused(t *testing.T) {
	st := newStand(t, ailing([]act.Act{seen(name(still(0.01, watch.Leak)))}, pair(), still(0.01, watch.Leak), still(0, watch.Old)))
	for _, c := range []struct{ path, field, value, words string }{
		{"ack", "key", "moon", `key: must be of an alarm that nobody has seen yet, is "moon"`},
		{"ack", "key", "", `key: must be of an alarm that nobody has seen yet, is ""`},
		{"ack", "key", name(still(0.01, watch.Leak)), "key: must be of an alarm that nobody has seen yet"},
		{"ack", "key", name(still(0, watch.Old)), "key: must be of an alarm that nobody has seen yet"},
		{"shelve", "kinds", "knot", `kinds: must be kinds of alarm, with "or" between, is "knot"`},
		{"shelve", "kinds", "kink or knot", `is "kink or knot"`},
		{"shelve", "kinds", "", `is ""`},
		{"unshelve", "kinds", "kink", `kinds: must be on the shelf, is "kink"`},
		{"back", "act", "", `act: must be one that was said by a tap, is ""`},
	} {
		w := st.post("/say/"+c.path, url.Values{c.field: {c.value}, "at": {byWatch}}.Encode())
		body := html.UnescapeString(w.Body.String())
		if w.Code != 422 || !strings.Contains(section(t, body, `<div id="heard" class="became" role="alert"`, "</div>"), "Nothing was said: ") || !strings.Contains(body, c.words) {
			t.Errorf("%s %q: status %d, want 422 with %q", c.path, c.value, w.Code, c.words)
		}
	}
	if len(st.said()) > 0 {
		t.Errorf("said %+v", st.said())
	}
	// Nobody signed in, nothing said.
	st.cookie = nil
	if w := st.post("/say/ack", url.Values{"key": {name(pair())}}.Encode()); w.Code != 401 || len(st.said()) > 0 {
		t.Errorf("signed out: status %d", w.Code)
	}
}

func TestIsItCold(t *testing.T) {
	cold := func(change func(o *watch.Outlook), v ...watch.Verdict) *Snapshot {
		s := ailing(nil, v...)
		change(s.Watch.Log.Outlook)
		return s
	}
	explained := func(o *watch.Outlook) { o.SinceStart, o.Explained = 0.72, true }
	for _, c := range []struct {
		name string
		s    *Snapshot
		want []string
	}{
		{"usual", ailing(nil), []string{"Syrup at 46 °F: expect 80 s a gallon now, 92 s a gallon an hour from now, as the air goes from 41 °F to 38 °F."}},
		{"explained", cold(explained), []string{"Slow because it is cold, syrup at 46 °F: expect 80 s a gallon now, 92 s a gallon an hour from now, as the air goes from 41 °F to 38 °F.",
			"Cold has taken 28 % of the flow since the first fill; no other cause shows."}},
		{"and a kink", cold(explained, pair()), []string{"Syrup at 46 °F: expect 80 s a gallon now, 92 s a gallon an hour from now, as the air goes from 41 °F to 38 °F.",
			"Cold has taken 28 % of the flow since the first fill. What is told above comes on top of it."}},
		{"a kink, and no colder", cold(func(o *watch.Outlook) { o.SinceStart, o.AirHour = 1, o.Air }, pair()),
			[]string{"Syrup at 46 °F: expect 80 s a gallon now, 92 s a gallon an hour from now.", "It has hardly got colder since the first fill: cold does not explain what is told above."}},
		{"the same", cold(func(o *watch.Outlook) { o.Hour, o.AirHour = o.Now, o.Air }), []string{"Syrup at 46 °F: expect 80 s a gallon now, and the same an hour from now."}},
		{"no flow", cold(func(o *watch.Outlook) { o.Now.Flow = 0 }), []string{"Syrup at 46 °F: no flow is to be expected."}},
		{"none in an hour", cold(func(o *watch.Outlook) { o.Hour.Flow, o.AirHour = 0, o.Air }), []string{"Syrup at 46 °F: expect 80 s a gallon now, and nothing an hour from now."}},
		{"not measured", cold(func(o *watch.Outlook) { o.Temperature = false }), []string{"Syrup at 46 °F: expect 80 s a gallon now, 92 s a gallon an hour from now.",
			"No temperature of syrup is measured, so this is reckoned from the air’s."}},
		{"nobody watches", sample(), nil},
	} {
		got := newModel(c.s).cold()
		for i := range got {
			got[i] = strings.ReplaceAll(got[i], "\u00a0", " ")
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %q\nwant %q", c.name, got, c.want)
		}
	}
	s := ailing(nil)
	s.Units = quantity.SI
	// 80 s a gallon of 3.785 L is 21.1 s a litre.
	if got := newModel(s).cold()[0]; !strings.HasPrefix(strings.ReplaceAll(got, "\u00a0", " "), "Syrup at 8 °C: expect 21 s a litre now, 24 s a litre an hour") {
		t.Errorf("in SI units: %q", got)
	}
	s.Now += 24 * 3600e9
	if got := newModel(s).cold(); got != nil {
		t.Errorf("once the outing is over: %q", got)
	}
}

// What an alarm tells is not told a second time, and loudly.
func TestRecordsThatAnAlarmTells(t *testing.T) {
	leak := still(0.01, watch.Leak)
	change := tote.Change{From: leak.From + 60e9, To: leak.Told, Kind: tote.Leak, Sure: true, Volume: -10 * quantity.Litre}
	with := func(v ...watch.Verdict) (loud, quiet []string) {
		s := ailing(nil, v...)
		s.View.Changes = []tote.Change{change}
		l, q := newModel(s).records()
		return words(l), words(q)
	}
	if loud, _ := with(); len(loud) != 1 || !strings.HasPrefix(loud[0], "Leak") {
		t.Errorf("without an alarm: %q", loud)
	}
	loud, quiet := with(leak)
	if len(loud) > 0 || len(quiet) != 1 || !strings.Contains(quiet[0], "Leak: ") {
		t.Errorf("with one: %q, %q", loud, quiet)
	}
	if loud, _ = with(still(0.01, watch.Air)); len(loud) != 1 {
		t.Errorf("with one of something else: %q", loud)
	}
}

// A person's text stays text, wherever it stands.
func TestNamesInAlarms(t *testing.T) {
	const evil = `<img src=x onerror="alert(1)">`
	v := pair()
	v.Evidence, v.Channel = []string{evil}, evil
	sensor := still(0, watch.Sensor)
	sensor.Channel = evil
	acts := []act.Act{{ID: "a", Who: evil, When: v.Told + 1, Body: act.Ack{Key: alarm.KeyOf(&v)}}}
	acts = append(acts, act.Act{ID: "b", Who: evil, When: v.Told + 2, Body: act.Shelve{What: evil, Until: act.Moment{NS: v.Told + int64(quietFor)}}})
	s := ailing(acts, v, sensor)
	for i := range s.View.Yards {
		s.View.Yards[i].Name = evil
	}
	s.Watch.Log.Notes, s.Watch.Log.Blind = []watch.Note{{Text: evil}}, []string{evil}
	st := newStand(t, s)
	st.book.acts = acts
	for _, p := range []string{"/", "/?said=a+b"} {
		page := get(t, st.h, p, st.cookie).Body.String()
		if strings.Contains(page, "<img") {
			t.Errorf("%s: a name comes as markup", p)
		}
		if n := strings.Count(page, "&lt;img src=x"); n < 10 {
			t.Errorf("%s: the name stands there %d times", p, n)
		}
	}
}

// With alarms in all states everything on the page has its label, its own id,
// and headings in order.
func TestThePageWithAlarms(t *testing.T) {
	st := newStand(t, ailing(shelved(watch.Drift), pair(), still(0.01, watch.Leak), over(), still(-0.04, watch.Drift), still(0, watch.Old)))
	page := st.page("/")
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("id %q stands twice", m[1])
		}
		ids[m[1]] = true
	}
	level := 0
	for _, m := range regexp.MustCompile(`<h([1-6])`).FindAllStringSubmatch(page, -1) {
		n := int(m[1][0] - '0')
		if n > level+1 {
			t.Errorf("a heading of level %d comes after one of %d", n, level)
		}
		level = n
	}
	for _, bad := range []string{"style=", "onclick", "javascript:"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
	// A form in a form is none; and each button says of what it is.
	if regexp.MustCompile(`<form(?:[^<]|<[^/f]|<f[^o]|</[^f])*<form`).MatchString(page) {
		t.Error("a form stands in another")
	}
	for _, b := range regexp.MustCompile(`<button (?:formaction="[^"]*" )?name="(?:key|kinds)".*?</button>`).FindAllString(page, -1) {
		if !strings.Contains(b, `<span class="unseen">: `) {
			t.Errorf("of what: %s", b)
		}
	}
}
