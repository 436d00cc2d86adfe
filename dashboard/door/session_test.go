package door

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// A page can tell one device that signed in from another, and learns nothing
// of their tokens.
func TestSessionHasAName(t *testing.T) {
	r := newRig(t, func(o *Options) { o.ReadingOpen = true })
	r.set(t, right)
	var name string
	h := r.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) { name = Session(q.Context()) }))
	of := func(c ...*http.Cookie) string {
		name = "not asked"
		q := httptest.NewRequest("GET", "/", nil)
		for _, c := range c {
			q.AddCookie(c)
		}
		h.ServeHTTP(httptest.NewRecorder(), q)
		return name
	}
	in := func() *http.Cookie {
		t.Helper()
		q := httptest.NewRequest("POST", enterPath, strings.NewReader(url.Values{"passphrase": {right}}.Encode()))
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		c := r.do(q).Cookies()
		if len(c) != 1 {
			t.Fatalf("not signed in: %v", c)
		}
		return c[0]
	}
	a, b := in(), in()
	if x, y := of(a), of(b); x == "" || y == "" || x == y || x != of(a) || strings.Contains(x, a.Value) {
		t.Errorf("sessions %q and %q", x, y)
	}
	if x := of(); x != "" {
		t.Errorf("signed out: session %q", x)
	}
	if x := of(&http.Cookie{Name: a.Name, Value: "made up"}); x != "" {
		t.Errorf("a made up token: session %q", x)
	}
}
