package report

import (
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	ltote "yardtally/meter/tote"
)

func TestSayVisit(t *testing.T) {
	type visit = ledger.Visit
	for _, tc := range []struct {
		x    visit
		want string
	}{
		{visit{Yard: "o", Over: true, Fills: 23, Colonies: 24, Missing: 1}, "23 fills, 24 colonies; one unaccounted for, not known which."},
		{visit{Yard: "o", Over: true, Fills: 21, TopUps: 1, Colonies: 24, Missing: 3}, "21 fills and 1 top-up, 24 colonies; 3 unaccounted for, not known which."},
		{visit{Yard: "o", Over: true, Fills: 22, Colonies: 24, Skipped: 1, Dead: 1, Told: true}, "24 colonies: 22 fed, 1 skipped, 1 dead."},
		{visit{Yard: "o", Over: true, Fills: 22, Colonies: 24, Skipped: 1, Dead: 1}, "22 fills, 24 colonies: 1 skipped, 1 dead; that adds up."},
		{visit{Yard: "o", Over: true, Fills: 22, Colonies: 24, Skipped: 1, Missing: 1}, "22 fills, 24 colonies: 1 skipped; one more unaccounted for, not known which."},
		{visit{Yard: "o", Over: true, Fills: 20, Colonies: 24, Dead: 1, Missing: 3}, "20 fills, 24 colonies: 1 dead; 3 more unaccounted for, not known which."},
		{visit{Yard: "o", Over: true, Fills: 24, TopUps: 2, Colonies: 24, Told: true}, "24 colonies, all fed."},
		{visit{Yard: "o", Over: true, Fills: 1, Colonies: 1, Told: true}, "1 colony, fed."},
		// Of what nobody told, no colony is said to be fed.
		{visit{Yard: "o", Over: true, Fills: 24, Colonies: 24}, "24 fills, as many as colonies."},
		{visit{Yard: "o", Over: true, Fills: 24, TopUps: 2, Colonies: 24}, "24 fills, as many as colonies, and 2 top-ups."},
		{visit{Yard: "o", Over: true, Fills: 1, Colonies: 1}, "1 fill, as many as colonies."},
		{visit{Yard: "o", Over: true, Fills: 23, Colonies: 24, Missing: 1, Told: true}, "23 fills, 24 colonies; one unaccounted for, not known which."},
		// What adds up only with pulls that may be something else is not said to be so.
		{visit{Yard: "o", Over: true, Fills: 24, Colonies: 24, Unsure: 1, Told: true}, "24 fills, as many as colonies."},
		{visit{Yard: "o", Over: true, Fills: 23, Colonies: 24, Skipped: 1, Perhaps: 1, Told: true}, "23 fills, 24 colonies: 1 skipped; that adds up."},
		{visit{Yard: "o", Over: true, Fills: 23, Colonies: 24, Missing: 1, Unsure: 1}, "23 fills, 24 colonies; one unaccounted for, not known which."},
		{visit{Yard: "o", Over: true, Fills: 25, Colonies: 24, Missing: -1}, "25 fills, 24 colonies: 1 fill more than colonies."},
		{visit{Yard: "o", Over: true, Fills: 2, Colonies: 1, Missing: -1}, "2 fills, 1 colony: 1 fill more than colonies."},
		{visit{Yard: "o", Over: true, Fills: 25, Colonies: 24, Skipped: 1, Missing: -2}, "25 fills, 24 colonies: 1 skipped; 2 fills more than that makes."},
		{visit{Yard: "o", Fills: 12, Colonies: 24, Missing: 12}, "12 fills so far, 24 colonies; 12 still to go."},
		{visit{Yard: "o", Fills: 0, Colonies: 24, Missing: 24}, "no fill so far, 24 colonies; 24 still to go."},
		{visit{Yard: "o", Over: true, Colonies: 24, Missing: 24}, "no fill, 24 colonies."},
		{visit{Yard: "o", Over: true, Colonies: 2, Skipped: 2, Told: true}, "2 colonies: 0 fed, 2 skipped."},
		{visit{Yard: "o", Over: true, Fills: 4, Colonies: 4, Twice: 1, Sharing: 1, Told: true}, "4 colonies: 4 fed, 1 fed twice, 1 fed from another's fill."},
		{visit{Yard: "o", Over: true, Fills: 1}, "1 fill; how many colonies stand there was not said."},
		{visit{Yard: "o", Over: true, Fills: 3, Skipped: 1}, "3 fills: 1 skipped; how many colonies stand there was not said."},
		{visit{Fills: 3, TopUps: 2}, "3 fills and 2 top-ups."},
		{visit{}, "no fill."},
	} {
		if got := SayVisit(&tc.x); got != tc.want {
			t.Errorf("%+v:\n got %q\nwant %q", tc.x, got, tc.want)
		}
	}
}

func TestSayLoose(t *testing.T) {
	for _, why := range []string{outing.Dribble, outing.Unseen, outing.Suspect, outing.Priming, outing.Flush, outing.Ground, outing.Proving, outing.Hose, outing.Air, outing.Spill} {
		if s := SayLoose(&ledger.Loose{Why: why}); !strings.HasPrefix(s, why+": ") || strings.Contains(s, "(") {
			t.Errorf("%s: %q", why, s)
		}
	}
	for _, tc := range []struct {
		l    ledger.Loose
		want string
	}{
		{ledger.Loose{Why: outing.Priming, Note: "a small first pull"}, "priming: until syrup came, onto the ground (a small first pull)"},
		{ledger.Loose{Why: outing.Spill, By: "a1"}, "spill: lost (by hand)"},
		{ledger.Loose{Why: outing.Spill, By: "a1", Reason: ledger.ByHand}, "spill: lost (by hand)"},
		// Moved by hand, but nobody said that it was a proving.
		{ledger.Loose{Why: outing.Proving, By: "a1", Reason: ledger.ByHand}, "proving: into a bucket that was weighed"},
		{ledger.Loose{Why: "something new"}, "something new"},
		{ledger.Loose{Why: outing.Priming, Note: "a small first pull", Or: outing.AFill}, "priming: until syrup came, onto the ground (a small first pull); may be a colony's fill"},
		{ledger.Loose{Why: outing.Flush, Or: outing.ATopUp}, "flush: to clean or empty the hose, onto the ground; may be a top-up"},
	} {
		if got := SayLoose(&tc.l); got != tc.want {
			t.Errorf("got %q, want %q", got, tc.want)
		}
	}
}

func TestNoteFill(t *testing.T) {
	for _, tc := range []struct {
		f    ledger.Fill
		want string
	}{
		{ledger.Fill{}, ""},
		{ledger.Fill{TopUp: true, By: "a1", Reason: ledger.ByPosition}, "top-up, by hand"},
		{ledger.Fill{Short: true, By: "a1", Reason: ledger.ByHand}, "short"},
		{ledger.Fill{Colony: 3, To: 4, Open: true}, "shared, still open"},
		{ledger.Fill{Short: true, Or: outing.Priming}, "short, may be priming"},
		{ledger.Fill{TopUp: true, Or: outing.AFill}, "top-up, may be a colony's fill"},
		{ledger.Fill{Or: outing.Ground}, "may be onto the ground"},
		{ledger.Fill{Or: outing.Suspect}, "may be no syrup"},
	} {
		if got := NoteFill(&tc.f); got != tc.want {
			t.Errorf("%+v: got %q, want %q", tc.f, got, tc.want)
		}
	}
}

func TestSayUnsure(t *testing.T) {
	fill := func(or string) ledger.Fill { return ledger.Fill{Or: or} }
	top := func(or string) ledger.Fill { return ledger.Fill{TopUp: true, Or: or} }
	sure := fill("")
	for _, tc := range []struct {
		fills           []ledger.Fill
		loose           []ledger.Loose
		unsure, perhaps int
		page, table     string
	}{
		{fills: []ledger.Fill{sure, top("")}, loose: []ledger.Loose{{Why: outing.Priming}}},
		{[]ledger.Fill{fill(outing.Priming), sure, sure}, nil, 1, 0,
			"1 of the pulls may be priming, so 2 or 3 fills.", "Fill 1 may be priming (the first pull), so 2 or 3 fills."},
		{[]ledger.Fill{sure, fill(outing.ATopUp), sure, fill(outing.ATopUp), fill(outing.Flush)}, nil, 3, 0,
			"2 of the pulls may be top-ups, 1 of the pulls may be a flush, so 2 to 5 fills.",
			"Fills 2,4 may be top-ups (soon after the one before, and little), fill 5 may be a flush (the last pull), so 2 to 5 fills."},
		{[]ledger.Fill{sure, top(outing.AFill)}, []ledger.Loose{{Why: outing.Priming, Or: outing.AFill}}, 0, 2,
			"1 of the top-ups may be a colony's fill, the priming may be a colony's fill, so 1 to 3 fills.",
			"Top-up 2 may be a colony's fill (both together are not one feed, or what a feed is was not said), the priming may be a colony's fill, so 1 to 3 fills."},
		{[]ledger.Fill{sure}, []ledger.Loose{{Why: outing.Proving, Or: outing.AFill}, {Why: outing.Proving, Or: outing.AFill}}, 0, 2,
			"2 times proving may be colonies' fills, so 1 to 3 fills.", "2 times proving may be colonies' fills, so 1 to 3 fills."},
		// The number of fills stays.
		{[]ledger.Fill{sure, top(outing.Flush)}, []ledger.Loose{{Why: outing.Flush, Or: outing.ATopUp}}, 0, 0,
			"1 of the top-ups may be a flush, the flush may be a top-up.", "Top-up 2 may be a flush (the last pull), the flush may be a top-up."},
	} {
		if u, p := UnsureOf(tc.fills, tc.loose); u != tc.unsure || p != tc.perhaps {
			t.Errorf("%+v: %d unsure and %d perhaps, want %d and %d", tc.fills, u, p, tc.unsure, tc.perhaps)
		}
		if got := SayUnsure(tc.fills, tc.loose, nil); got != tc.page {
			t.Errorf("got  %q\nwant %q", got, tc.page)
		}
		if got := SayUnsure(tc.fills, tc.loose, func(i int) int { return i + 1 }); got != tc.table {
			t.Errorf("got  %q\nwant %q", got, tc.table)
		}
	}
	if got := Range(23, 1, 0) + " " + Range(23, 0, 0) + " " + Range(1, 1, 2); got != "22–23 23 0–3" {
		t.Errorf("got %s", got)
	}
}

func clockUTC(at int64) string { return time.Unix(0, at).UTC().Format("15:04") }

func TestSayChange(t *testing.T) {
	const min = int64(time.Minute)
	c := ltote.Change{Kind: ltote.Refill, Sure: true, From: 0, To: 20 * min, Begin: 4 * min, End: 14 * min,
		Volume: 100 * quantity.Litre, Within: 2 * quantity.Litre, Rate: 10 * quantity.LitrePerMinute}
	unsure := c
	unsure.Kind, unsure.Sure, unsure.Volume, unsure.Note = ltote.Leak, false, -c.Volume, "pulls that the meter did not count would look the same"
	off := c
	off.Kind = ltote.Unheard
	swap := ltote.Change{Kind: ltote.Swap, Sure: true, To: 5 * min, Before: 20 * quantity.Litre, After: 900 * quantity.Litre}
	for want, c := range map[string]*ltote.Change{
		"00:04 to 00:14, refill: 100.0 L ±2.0 L went in, at 10.0 L/min.":                                                                 &c,
		"00:04 to 00:14, perhaps leak: 100.0 L ±2.0 L went out, at 10.0 L/min (pulls that the meter did not count would look the same).": &unsure,
		"00:00 to 00:20, changed while not heard: 100.0 L ±2.0 L went in.":                                                               &off,
		"00:00 to 00:05, swap of totes: it held 20.0 L before and 900.0 L after.":                                                        &swap,
		"": {Kind: ltote.Meter},
	} {
		if got := SayChange(c, quantity.SI, clockUTC); got != want {
			t.Errorf("got  %q\nwant %q", got, want)
		}
	}
}

func TestSayDoubt(t *testing.T) {
	const min, l = int64(time.Minute), quantity.Litre
	for _, tc := range []struct {
		d    ltote.Doubt
		want string
	}{
		{ltote.Doubt{Why: ltote.NoFall, Sure: true}, "did not fall. 9.0 L ±2.0 L did not come out of it: pulses, but hardly syrup; they are in no fill."},
		{ltote.Doubt{Why: ltote.LessFall, Fall: 3 * l}, "fell by 3.0 L. 9.0 L ±2.0 L did not come out of it; which of the flow that is cannot be told, so it stays where it is."},
		{ltote.Doubt{Why: ltote.Filled, Fall: -3 * l}, "rose by 3.0 L. 9.0 L ±2.0 L did not come out of it, or as much went in meanwhile."},
		{ltote.Doubt{Why: ltote.Empty, Sure: true, Since: 5 * min}, "did not fall. 9.0 L ±2.0 L did not come out of it: it was empty from 00:05 on, and the meter counted air."},
		{ltote.Doubt{Why: ltote.Empty}, "did not fall. 9.0 L ±2.0 L did not come out of it: it may have been empty, so that the meter counted air."},
	} {
		tc.d.To, tc.d.Metered, tc.d.Excess, tc.d.Within = 15*min, 12*l, 9*l, 2*l
		if got, want := SayDoubt(&tc.d, quantity.SI, clockUTC), "00:00 to 00:15: the meter counted 12.0 L, and the tote "+tc.want; got != want {
			t.Errorf("got  %q\nwant %q", got, want)
		}
	}
}

func TestSayLeft(t *testing.T) {
	const l = quantity.Litre
	name := func(id string) string { return strings.ToUpper(id) }
	yes := ltote.Outlook{Volume: 500 * l, Within: 6 * l, Solids: 400, SolidsWithin: 9, Margin: 420 * l, Enough: ltote.Yes}
	close := ltote.Outlook{Volume: 500 * l, Margin: -5 * l, MarginWithin: 9 * l, ColoniesSure: 1}
	no := ltote.Outlook{Volume: 500 * l, Margin: -100 * l, ColoniesSure: 40, Enough: ltote.No}
	nothing := ltote.Outlook{Volume: 500 * l, Within: 6 * l, Margin: 500 * l, Enough: ltote.Yes}
	for _, tc := range []struct {
		left ledger.Left
		want string
	}{
		{ledger.Left{Why: "no proving yet"}, "What is left is not known: no proving yet."},
		{ledger.Left{}, "What is left is not known: no level was heard."},
		{ledger.Left{Known: true, There: nothing}, "Left: 500.0 L ±6.0 L."},
		{ledger.Left{Known: true, There: yes, Yard: "o"}, "Left: 500.0 L ±6.0 L, with 400 kg of sugar ±9.0 kg.\nO still needs 80.0 L: enough, 420.0 L over."},
		{ledger.Left{Known: true, There: nothing, Yards: []ledger.YardLeft{{Yard: "m", Outlook: no}}, Tonight: no},
			"Left: 500.0 L ±6.0 L.\nM next needs 600.0 L: not enough, 100.0 L short; it does for 40 colonies."},
		{ledger.Left{Known: true, There: yes, Yard: "o", Yards: []ledger.YardLeft{{Yard: "m", Outlook: close}}, Tonight: no},
			"Left: 500.0 L ±6.0 L, with 400 kg of sugar ±9.0 kg.\nO still needs 80.0 L: enough, 420.0 L over.\n" +
				"M next needs 505.0 L: close, between 14.0 L short and 4.0 L over; it surely does for 1 colony.\n" +
				"All together need 600.0 L: not enough, 100.0 L short; it does for 40 colonies."},
		{ledger.Left{Known: true, There: ltote.Outlook{Margin: -9 * l, Enough: ltote.No}, Yard: "o"}, "Left: 0.0 L ±0.0 L.\nO still needs more than is left."},
		{ledger.Left{Known: true, There: nothing, Unsaid: []string{"a"}}, "Left: 500.0 L ±6.0 L.\nWhat A needs is not known: how many colonies, or how much for each, was not said."},
		{ledger.Left{Known: true, There: nothing, Unsaid: []string{"a", "b", "c"}}, "Left: 500.0 L ±6.0 L.\nWhat A, B and C need is not known: how many colonies, or how much for each, was not said."},
	} {
		if got := strings.Join(SayLeft(&tc.left, quantity.SI, name), "\n"); got != tc.want {
			t.Errorf("got  %q\nwant %q", got, tc.want)
		}
	}
}
