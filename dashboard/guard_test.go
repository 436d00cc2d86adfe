package dashboard

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"yardtally/dashboard/door"
)

// Over plain HTTP browsers send no Sec-Fetch-Site, and with a referrer policy
// of no-referrer they send "Origin: null" with our own forms (Fetch standard,
// "append a request Origin header"; seen in Chromium): those would be refused.
func TestOwnFormsPassOverPlainHTTP(t *testing.T) {
	h := handler(sample())
	if p := get(t, h, "/").Header().Get("Referrer-Policy"); p != "same-origin" {
		t.Errorf("referrer policy %q", p)
	}
	for origin, want := range map[string]int{"http://example.com": 303, "null": 403, "http://elsewhere.example": 403, "": 303} {
		r := httptest.NewRequest("POST", "/look", strings.NewReader("look=night"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", origin)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("origin %q: status %d, want %d", origin, w.Code, want)
		}
	}
}

func TestHeadOfLiveEnds(t *testing.T) {
	w := httptest.NewRecorder()
	handler(sample()).ServeHTTP(w, httptest.NewRequest("HEAD", "/live", nil))
	if w.Code != 200 || w.Header().Get("Content-Type") != "text/event-stream" || w.Body.Len() != 0 {
		t.Errorf("status %d, %v, %d bytes", w.Code, w.Header(), w.Body.Len())
	}
}

func TestOnePhoneCannotTakeAllStreams(t *testing.T) {
	h := handler(sample())
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.RemoteAddr = r.Header.Get("X-From")
		h.ServeHTTP(w, r)
	}))
	defer srv.Close()
	defer srv.CloseClientConnections()
	client := &http.Client{Timeout: time.Minute}
	open := func(from string) *http.Response {
		t.Helper()
		r, err := http.NewRequest("GET", srv.URL+"/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("X-From", from)
		res, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	var held []*http.Response
	for i := range maxStreamsEach + 3 {
		res := open(fmt.Sprintf("192.0.2.1:%d", i+1))
		if want := i < maxStreamsEach; (res.StatusCode == 200) != want || !want && res.Header.Get("Retry-After") == "" {
			t.Errorf("stream %d: %s", i+1, res.Status)
		}
		held = append(held, res)
	}
	taken := maxStreamsEach
	for i := 2; taken < maxStreams; i++ {
		for n := 0; n < maxStreamsEach && taken < maxStreams; n++ {
			if res := open(fmt.Sprintf("192.0.2.%d:1", i)); res.StatusCode != 200 {
				t.Fatalf("phone %d: %s after %d", i, res.Status, taken)
			}
			taken++
		}
	}
	if res := open("192.0.2.99:1"); res.StatusCode != 503 {
		t.Errorf("one more than may be: %s", res.Status)
	}
	for _, res := range held {
		res.Body.Close()
	}
	for end := time.Now().Add(time.Minute); open("192.0.2.99:1").StatusCode != 200; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no stream is free again")
		}
	}
}

// The page offers what its door has: to sign out, to sign in, or neither.
func TestPageKnowsItsDoor(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passphrase")
	if err := door.Set(path, "four cold wet gloves"); err != nil {
		t.Fatal(err)
	}
	d, err := door.New(door.Options{Passphrase: path, ReadingOpen: true, Rig: "heron"})
	if err != nil {
		t.Fatal(err)
	}
	h := d.Wrap(handler(sample()))
	r := httptest.NewRequest("POST", "/enter", strings.NewReader("passphrase=four+cold+wet+gloves"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if len(w.Result().Cookies()) != 1 {
		t.Fatalf("not signed in: %d", w.Code)
	}
	for _, c := range []struct {
		name    string
		h       http.Handler
		cookies []*http.Cookie
		out, in bool
	}{
		{"no door", handler(sample()), nil, false, false},
		{"signed out", h, nil, false, true},
		{"signed in", h, w.Result().Cookies(), true, false},
	} {
		w := get(t, c.h, "/", c.cookies...)
		page := w.Body.String()
		if strings.Contains(page, `action="/leave"`) != c.out || strings.Contains(page, `href="/enter"`) != c.in {
			t.Errorf("%s: sign out %v, sign in %v", c.name, !c.out, !c.in)
		}
		if w.Header().Get("Cache-Control") != "no-store" {
			t.Errorf("%s: may be cached: %v", c.name, w.Header())
		}
	}
}
