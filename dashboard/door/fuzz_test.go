package door

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A damaged passphrase file lets nobody in and says which field is wrong; a file
// of sessions that nobody was given lets nobody in either.
func FuzzFiles(f *testing.F) {
	dir := f.TempDir()
	path := filepath.Join(dir, "passphrase")
	if err := Set(path, "four cold wet gloves"); err != nil {
		f.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	for _, s := range []string{"", "{}", "null", "[]", "[null]", `{"algorithm":"scrypt","n":8192,"r":8,"p":1,"salt":"AAAAAAAAAAA=","hash":"AA=="}`,
		`{"algorithm":"scrypt","n":-1}`, `{"algorithm":"scrypt","n":1e99}`, `[{"token":"x","mark":"","seen":"2026-10-09T21:40:00Z"}]`, `[{"seen":"9999-12-31T23:59:59Z"}]`} {
		f.Add([]byte(s))
	}
	quiet := slog.New(slog.DiscardHandler)
	f.Fuzz(func(t *testing.T, data []byte) {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		p, err := Load(path)
		switch {
		case err != nil && !strings.Contains(err.Error(), "must be"):
			t.Errorf("%q: no rule: %v", data, err)
		case err == nil && (p.kept.N > mostN || p.kept.R != costR || len(p.kept.Hash) != hashLen):
			t.Errorf("%q: taken as %+v", data, p.kept)
		case err == nil && strings.Contains(p.String()+p.GoString(), string(p.kept.Hash)):
			t.Error("the hash is shown")
		}
		s := loadSessions(path, quiet)
		if len(s.all) > mostSession {
			t.Errorf("%d sessions", len(s.all))
		}
		for token, x := range s.all {
			// Kept are digests: who shows one of them has no token.
			if in, _ := s.use(token, x.For, time.Now(), false); in && !bytes.Contains(data, []byte(digest(token))) {
				t.Errorf("%q: %q is let in", data, token)
			}
		}
	})
}
