package dashboard

import (
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/tote"
)

func words(lines []line) (out []string) {
	for _, l := range lines {
		out = append(out, l.Word+"|"+l.Text)
	}
	return out
}

func TestLeftIsLoudOnlyWhenShort(t *testing.T) {
	s := sample()
	const gal = quantity.USGallon
	for _, c := range []struct {
		usable quantity.Volume
		want   []string
	}{
		{180 * gal, []string{"|Left: 180.0 gal ±2.9 gal. Mill Bottom still needs 5.0 gal: enough, 175.0 gal over. Larch Bank next needs 20.0 gal: enough, 155.0 gal over."}},
		{26 * gal, []string{"|Left: 26.0 gal ±2.9 gal. Mill Bottom still needs 5.0 gal: enough, 21.0 gal over.",
			"Close|Larch Bank next needs 20.0 gal: close, between 2.0 gal short and 4.0 gal over; it surely does for 18 colonies."}},
		{10 * gal, []string{"|Left: 10.0 gal ±2.9 gal. Mill Bottom still needs 5.0 gal: enough, 5.0 gal over.",
			"Not enough|Larch Bank next needs 20.0 gal: not enough, 15.0 gal short; it does for 2 colonies."}},
	} {
		s.View.Left = leftOf(c.usable, 5, 20)
		if got := words(newModel(s).leftLines()); !slices.Equal(got, c.want) {
			t.Errorf("%v:\ngot  %q\nwant %q", c.usable, got, c.want)
		}
	}
	// Of several yards ahead the first that is not reached, and all together.
	l := &s.View.Left
	*l = leftOf(40*gal, 5, 20)
	far := l.Yards[0]
	far.Yard, far.Outlook = "orchard", tote.Left(tote.Holding{Usable: 15 * gal, U: gal}, tote.Need{Colonies: 24, Each: gal})
	l.Yards = append(l.Yards, far, far)
	l.Tonight = tote.Left(tote.Holding{Usable: 40 * gal, U: gal}, tote.Need{Colonies: 73, Each: gal})
	got := words(newModel(s).leftLines())
	if len(got) != 3 || !strings.HasPrefix(got[1], "Not enough|Orchard End, if it is next, needs 24.0 gal") || !strings.HasPrefix(got[2], "Not enough|All together need 73.0 gal") {
		t.Errorf("%q", got)
	}
	// Nobody is out when the outing is over: then it is said quietly.
	s.Now += outing.Pause + 3600e9
	if got := newModel(s).leftLines(); len(got) != 1 || got[0].Loud || !strings.HasPrefix(got[0].Text, "As of 21:26. Left: 40.0 gal") {
		t.Errorf("%q", words(got))
	}
	s.View.Left = ledger.Left{}
	s.View.Tote.Known = false
	if got := newModel(s).leftLines(); len(got) != 0 {
		t.Errorf("said twice that the tote is not known: %q", words(got))
	}
}

func TestRecordsOfTheTote(t *testing.T) {
	s := sample()
	v := s.View
	const gal = quantity.USGallon
	v.Changes = []tote.Change{
		{Kind: tote.Refill, Sure: true, From: s.Now - 300e9, To: s.Now - 200e9, Volume: 32 * gal, Within: gal},
		{Kind: tote.Leak, From: s.Now - 200e9, To: s.Now - 100e9, Volume: -gal, Within: gal / 2},
		{Kind: tote.Meter, From: s.Now - 100e9, To: s.Now},
		{Kind: tote.Loss, From: s.Now - 3e14, To: s.Now - 2e14, Volume: -gal},
	}
	v.Doubts = []tote.Doubt{
		{Why: tote.NoFall, Sure: true, From: s.Now - 90e9, To: s.Now - 60e9, Metered: gal, Excess: gal},
		{Why: tote.LessFall, From: s.Now - 95e9, To: s.Now - 92e9, Metered: gal, Fall: gal / 2, Excess: gal / 2},
	}
	v.Loose = append(v.Loose, ledger.Loose{Start: s.Now - 80e9, End: s.Now - 70e9, Volume: gal, Why: outing.Suspect},
		ledger.Loose{Start: s.Now - 20e9, End: s.Now - 10e9, Volume: gal, Why: outing.Suspect, Note: "faster than the line can flow"},
		ledger.Loose{Start: s.Now - 9e9, End: s.Now - 8e9, Volume: gal, Why: outing.Suspect, By: "act-1"})
	loud, quiet := newModel(s).records()
	var got []string
	for _, l := range loud {
		got = append(got, l.Word)
	}
	if want := []string{"Hardly syrup", "Hardly syrup", "Leak?"}; !slices.Equal(got, want) {
		t.Errorf("loud %q, want %q", words(loud), want)
	}
	if !strings.Contains(loud[0].Text, "faster than the line can flow") || !strings.Contains(loud[1].Text, "the tote did not fall") {
		t.Errorf("the newest is not first, or a doubt is told twice: %q", words(loud))
	}
	if len(quiet) != 2 || !strings.Contains(quiet[0].Text, "cannot be told") || !strings.Contains(quiet[1].Text, "refill: 32.0 gal") {
		t.Errorf("quiet %q", words(quiet))
	}
	page := get(t, handler(s), "/").Body.String()
	if n, marks := strings.Count(page, `class="loud"`), strings.Count(page, `<svg class="mark"`); n != 3 || marks != 3 {
		t.Errorf("%d loud lines with %d marks, want 3", n, marks)
	}
	for range 50 {
		v.Changes = append(v.Changes, v.Changes[1])
	}
	if loud, quiet = newModel(s).records(); len(loud) != mostLoud || len(quiet) != mostDoubts+1 {
		t.Errorf("%d loud and %d quiet lines", len(loud), len(quiet))
	}
}

// What the keeper is told stands on the page for some seconds, as a word with a mark.
func TestSignalOnThePage(t *testing.T) {
	for _, c := range []struct{ told, word, mark string }{
		{"full", "Full", `<svg class="mark full"`}, {"failing", "Flow fails", `<svg class="mark"`}, {"silent", "No readings", `<svg class="mark"`},
	} {
		s := sample()
		s.Live.Signal, s.Live.SignalAt = c.told, s.Now-2e9
		page := get(t, handler(s), "/").Body.String()
		if !strings.Contains(page, "<b>"+c.word+"</b>") || !strings.Contains(page, c.mark) || strings.Contains(page, "signal bad") == (c.told == "full") {
			t.Errorf("%s is not told right", c.told)
		}
		if left := newModel(s); left.run().Signal != c.word || left.left["signal"] != 6 {
			t.Errorf("%s may stand for %g s more, want 6", c.told, left.left["signal"])
		}
		s.Now += 7e9
		if w, _ := newModel(s).signal(); w != "" {
			t.Errorf("%s still stands after 9 s", w)
		}
		if s.Speed = 20; newModel(s).run().Signal != c.word {
			t.Errorf("with a faster clock %s is gone too early", c.told)
		}
	}
	s := sample()
	s.Live.Signal, s.Live.SignalAt = "something new", s.Now
	if w, _ := newModel(s).signal(); w != "" {
		t.Errorf("%q is no word for a keeper", w)
	}
}
