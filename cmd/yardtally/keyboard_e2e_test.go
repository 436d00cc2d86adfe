package main

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"yardtally/meter/act"
)

// stop is where a press of Tab has led to.
type stop struct {
	End, Same bool   // past the last; still in the same, as in a date's parts
	What      string // the element
	Wrong     string // what is the matter with it
}

// theStop looks at what has the focus: it must be seen to have it, be on the
// screen with nothing over it, and come after the stop before.
const theStop = `(() => {
	const e = document.activeElement, was = window.walked;
	if (!e || e === document.body || e === window.firstStop && e !== was) return {End: true};
	window.walked = e;
	if (e === was) return {Same: true, What: e.outerHTML.slice(0, 100)};
	window.firstStop = window.firstStop || e;
	const c = getComputedStyle(e), r = e.getBoundingClientRect(), wrong = [];
	if (c.outlineStyle === 'none' || parseFloat(c.outlineWidth) < 2) wrong.push('is not seen to have the focus');
	if (r.bottom <= 0 || r.top >= innerHeight || r.right <= 0 || r.left >= innerWidth) wrong.push('is off the screen');
	else {
		const x = document.elementFromPoint(Math.min(Math.max(r.left + r.width / 2, 1), innerWidth - 1), Math.min(Math.max(r.top + r.height / 2, 1), innerHeight - 1));
		if (x && !e.contains(x) && !x.contains(e)) wrong.push('is under ' + x.outerHTML.slice(0, 60));
	}
	if (was && !(was.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING)) wrong.push('comes after ' + was.outerHTML.slice(0, 60));
	return {What: e.outerHTML.slice(0, 100), Wrong: wrong.join('; ')};
})()`

func (b *tab) key(t *testing.T, keys string) {
	t.Helper()
	b.do(t, chromedp.KeyEvent(keys))
}

// walk goes through a whole page by Tab, with its folds open: all that can be
// pressed or filled in is a stop, and after the last there is an end.
func (b *tab) walk(t *testing.T) {
	b.at(t, 360, "dark")
	want := eval[int](t, b.ctx, `(() => {
	document.querySelectorAll('details').forEach(d => { d.open = true });
	window.walked = window.firstStop = undefined;
	document.body.tabIndex = -1; document.body.focus(); document.body.removeAttribute('tabindex'); scrollTo(0, 0);
	return [...document.querySelectorAll('a[href], button, summary, select, textarea, input:not([type=hidden]), [tabindex]')]
		.filter(e => e.tabIndex >= 0 && !e.disabled && (e.checkVisibility() || e.matches('.skip'))).length;
})()`)
	got := 0
	for presses := 0; ; presses++ {
		if presses > 8*want+20 {
			t.Fatalf("a trap: %d presses of Tab, and no end", presses)
		}
		b.key(t, "\t")
		x := eval[stop](t, b.ctx, theStop)
		if x.End {
			break
		}
		if x.Same {
			continue
		}
		got++
		if x.Wrong != "" {
			t.Errorf("stop %d: %s %s", got, x.What, x.Wrong)
		}
	}
	if got != want {
		t.Errorf("%d stops, and %d things to press or fill in", got, want)
	}
}

// tabTo presses Tab until what a selector means has the focus, and returns how
// often.
func (b *tab) tabTo(t *testing.T, selector string) int {
	t.Helper()
	for presses := 1; presses < 250; presses++ {
		b.key(t, "\t")
		at := eval[string](t, b.ctx, `(() => { const e = document.activeElement, c = getComputedStyle(e);
			return !e.matches('`+selector+`') ? '' : c.outlineStyle !== 'none' && parseFloat(c.outlineWidth) >= 2 ? 'seen' : 'unseen' })()`)
		switch at {
		case "seen":
			return presses
		case "unseen":
			t.Errorf("%s is not seen to have the focus", selector)
			return presses
		}
	}
	t.Fatalf("Tab never comes to %s", selector)
	return 0
}

// arrives waits until a page is there.
func (b *tab) arrives(t *testing.T, path string) {
	t.Helper()
	await(t, "the page "+path, func() bool {
		at, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`document.readyState === 'complete' ? location.pathname : ''`))
		return err == nil && at == path
	})
}

// byKeyboard does a night's and a desk's work from the address on, with Tab,
// Enter and what is written: nothing is clicked.
func (s *site) byKeyboard(t *testing.T) {
	b := s.newTab(t, "night", false)
	b.at(t, 360, "dark")
	b.do(t, chromedp.Navigate(b.home+"/"))
	b.tabTo(t, `a[href^="/enter"]`)
	b.key(t, "\r")
	b.arrives(t, "/enter")
	b.key(t, tapsPassphrase+"\r") // the field has the focus
	b.arrives(t, "/")
	shows(t, b.ctx, "Tell the rig")

	// Nothing needs the fifty stops before it.
	b.tabTo(t, `a[href="#tell"]`)
	b.key(t, "\r")
	if n := b.tabTo(t, `button[value="skipped"]`); n > 1 {
		t.Errorf("from the link to what can be told, the first button is %d stops on", n)
	}
	b.key(t, "\r")
	shows(t, b.ctx, "Skipped one.")
	await(t, "the focus at what was told", func() bool {
		return eval[bool](t, b.ctx, `document.readyState === 'complete' && document.activeElement.id === 'said'`)
	})
	if n := b.tabTo(t, `#said button`); n > 1 {
		t.Errorf("from what was told, taking it back is %d stops on", n)
	}
	b.key(t, "\r")
	shows(t, b.ctx, "Taken back: Skipped one.")
	b.tabTo(t, `.hand .more > summary`)
	b.key(t, "\r")
	b.tabTo(t, `form[action^="/say/arrive"] button[value="larch"]`)
	b.key(t, "\r")
	shows(t, b.ctx, "Arrived at Larch Bank.")
	b.tabTo(t, `.yard summary`)
	for _, want := range []bool{true, false} {
		b.key(t, "\r")
		await(t, "the fold", func() bool { return eval[bool](t, b.ctx, `document.querySelector('.yard details').open`) == want })
	}

	b.tabTo(t, `a[href="/books"]`)
	b.key(t, "\r")
	b.arrives(t, "/books")
	b.tabTo(t, `a[href$="way=purchase"]`)
	b.key(t, "\r")
	b.arrives(t, "/books/write")
	b.tabTo(t, `#f-what`)
	b.key(t, "20 bags of 50 lb sugar")
	b.tabTo(t, `#f-price`)
	b.key(t, "$38.50 a bag")
	b.tabTo(t, `button.main`)
	b.key(t, "\r")
	b.arrives(t, "/books")
	shows(t, b.ctx, "Kept: Purchase")

	acts, err := s.rig("night").desk.Acts(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, a := range acts {
		switch a.Body.(type) {
		case act.Colony, act.Undo, act.Arrive, act.Purchase:
			said = append(said, string(act.Subject(a.Body)))
		}
	}
	if n := len(said); n != 4 {
		t.Errorf("%d acts were said, want 4: %s", n, strings.Join(said, ", "))
	}
	// The night goes on for others' tests where it was.
	b.do(t, chromedp.Navigate(b.home+"/"))
	b.tabTo(t, `.last button`)
	b.key(t, "\r")
	shows(t, b.ctx, "Taken back: Arrived at Larch Bank.")
}
