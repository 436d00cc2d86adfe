package main

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// scripts lets pages run theirs, or not.
func (b *tab) scripts(t *testing.T, run bool) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !run})
		return err
	}))
}

// readsPlain holds a page without its script against the same with it: where the
// rig's clock stands still, they say the same.
func (b *tab) readsPlain(t *testing.T, p *listed) {
	const text = `document.querySelector('main').innerText + document.querySelector('h1').innerText`
	plain := listed{of: p.of, path: p.path, link: p.link}
	b.to(t, p)
	live := eval[string](t, b.ctx, text)
	b.scripts(t, false)
	defer b.scripts(t, true)
	b.to(t, &plain)
	eval[bool](t, b.ctx, `document.querySelectorAll('main noscript').forEach(e => { e.hidden = true }), true`) // ways round the script
	read := eval[string](t, b.ctx, text)
	switch {
	case len(strings.TrimSpace(read)) < 60:
		t.Errorf("there is nothing to read: %q", read)
	case p.of != "season" && read != live:
		t.Errorf("without its script it says another thing:\n%s\nand with it:\n%s", read, live)
	}
	if head := eval[string](t, b.ctx, `document.querySelector('header')?.innerText || ''`); p.live && !strings.Contains(head, "As it stood at ") {
		t.Errorf("it does not say that it stands still: %s", head)
	}
}

// enters presses a button by Enter and waits for the page that comes of it.
func (b *tab) enters(t *testing.T, button string) {
	t.Helper()
	b.sends(t, func() {
		if !eval[bool](t, b.ctx, `(() => { const e = document.querySelector('`+button+`'); e?.focus(); return !!e && document.activeElement === e })()`) {
			t.Fatalf("there is no %s", button)
		}
		b.key(t, "\r")
	})
}

// plainForms fills in and sends each form without any script.
func (s *site) plainForms(t *testing.T) {
	b := s.newTab(t, "night", true)
	b.scripts(t, false)
	goTo := func(path string) {
		t.Helper()
		b.do(t, chromedp.Navigate(b.home+path))
	}
	does := func(button, says string) {
		t.Helper()
		eval[bool](t, b.ctx, `document.querySelectorAll('details').forEach(d => { d.open = true }), true`)
		b.enters(t, button)
		shows(t, b.ctx, says)
	}
	fill := func(field, text string) {
		t.Helper()
		eval[bool](t, b.ctx, `document.querySelector('`+field+`').value = '`+text+`', true`)
	}
	goTo("/")
	does(`form[action^="/say/arrive"] button[value="ferry"]`, "Arrived at Ferry Lane.")
	does(`#said button`, "Taken back: Arrived at Ferry Lane.")
	does(`button[value="skipped"]`, "Skipped one.")
	does(`.saids button`, "Taken back: Skipped one.")
	does(`.several button[value="3"]`, "One fill for 3 colonies.")
	does(`#said button`, "Taken back: One fill for 3 colonies.")
	does(`form:has(#which) button[value="priming"]`, "Priming: ")
	does(`#said button`, "Taken back: Priming: ")
	does(`form[action^="/say/drained"] button`, "The hose was drained")
	does(`#said button`, "Taken back: The hose was drained")
	does(`.whole button`, "All told at ")
	does(`#said button`, "Taken back: All told at ")
	does(`#watch-tap button[name="key"]`, "Seen: ")
	does(`#heard button`, "Taken back: Seen: ")
	does(`#watch-tap button[formaction^="/say/shelve"]`, "but for what is on the shelf.")
	does(`#aside-tap button`, "Off the shelf: ")
	eval[bool](t, b.ctx, `document.querySelectorAll('details').forEach(d => { d.open = true }), true`)
	fill(`#name`, "wren")
	b.enters(t, `form[action^="/who"] button`)
	if got := eval[string](t, b.ctx, `document.getElementById('name').value`); got != "wren" {
		t.Errorf("the name that is kept is %q", got)
	}
	for _, x := range []struct{ look, want string }{{"night", "night"}, {"day", "day"}, {"device", ""}} {
		b.enters(t, `button[name="look"][value="`+x.look+`"]`)
		await(t, "the look", func() bool {
			got, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`document.readyState === 'complete' ? document.documentElement.dataset.look || '' : 'loading'`))
			return err == nil && got == x.want
		})
	}

	goTo("/forecast")
	fill(`#syrup`, "sucrose")
	fill(`#brix`, "66")
	fill(`#temp`, "41")
	does(`.entry button`, "What thinning buys")
	goTo("/mix")
	does(`.entry button`, "That makes")

	goTo("/books/write?way=loss")
	fill(`#f-what`, "2")
	does(`button.main`, "Not kept")
	fill(`#f-what`, "2 bags of 50 lb sugar")
	fill(`#f-why`, "spoiled")
	does(`button.main`, "Lost")
	does(`.rows a[href*="fix="]`, "What you change here takes its place")
	fill(`#f-what`, "3 bags of 50 lb sugar")
	does(`button.main`, "Corrected. Now: ")
	does(`.rows button[name="act"]`, "Taken back")
	goTo("/books/statement")
	fill(`#title`, "autumn feeding")
	does(`.issue button`, "No 1")
	does(`.issued button[name="act"]`, "Taken back")
	goTo("/")
	does(`form[action="/leave"] button`, "Sign in")
}
