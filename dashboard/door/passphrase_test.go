package door

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// RFC 7914, section 12, the third test vector (recalled, and it comes out).
func TestScryptAsPublished(t *testing.T) {
	want, err := hex.DecodeString("7023bdcb3afd7348461c06cd81fd38eb" + "fda8fbba904f8e3ea9b543f6545da1f2" +
		"d5432955613f0fcf62d49705242a9af9" + "e61e85dc0d651e40dfcf017b45575887")
	if err != nil {
		t.Fatal(err)
	}
	p := &Passphrase{kept{N: 16384, R: 8, P: 1, Salt: []byte("SodiumChloride"), Hash: want}}
	if !p.Is("pleaseletmein") || p.Is("pleaseletmeiN") {
		t.Error("scrypt differs from RFC 7914")
	}
}

func TestSetAndLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passphrase")
	if _, err := Load(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	var files []string
	for range 2 {
		if err := Set(path, right); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(path)
		if err != nil || strings.Count(string(data), "\n") != 1 || strings.Contains(string(data), right) {
			t.Errorf("file %q, %v", data, err)
		}
		files = append(files, string(data))
	}
	if files[0] == files[1] {
		t.Error("the same salt twice")
	}
	if info, err := os.Stat(path); err != nil || info.Mode() != 0o640 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	p, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{right: true, other: false, "": false, right + " ": false, strings.ToUpper(right): false} {
		if p.Is(text) != want {
			t.Errorf("%q: %v", text, !want)
		}
	}
	if err := Set(path, "short"); err == nil {
		t.Error("a bad passphrase is set")
	}
	if err := Set(filepath.Join(path, "not a folder"), right); err == nil {
		t.Error("set where no file can be")
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if data, _ := os.ReadFile(path); err != nil || len(left) != 1 || string(data) != files[1] {
		t.Errorf("a failure leaves %v, %v", left, err)
	}
}

func TestRuleForPassphrases(t *testing.T) {
	for _, ok := range []string{right, "åäö in the orchard", "123456789abc", strings.Repeat("abcdefgh", 32)} {
		if err := CheckPassphrase(ok); err != nil {
			t.Errorf("%q: %v", ok, err)
		}
	}
	for bad, want := range map[string]string{
		"":                              "at least 12 characters, is 0",
		"secret words":                  "",
		"secretwords":                   "at least 12 characters, is 11",
		"aaaaabbbbbccccc":               "at least 5 different characters, has 3",
		"secret\nwords and more":        "control",
		"secret words\x00":              "control",
		"secret words \xff\xfe":         "UTF-8",
		strings.Repeat("secretly", 33):  "at most 256 bytes, is 264",
		strings.Repeat("secret", 1<<20): "at most 256 bytes",
	} {
		err := CheckPassphrase(bad)
		if (err == nil) != (want == "") || err != nil && (!strings.HasPrefix(err.Error(), "passphrase: must") ||
			!strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "secret")) {
			t.Errorf("%.30q: %v, want %q", bad, err, want)
		}
	}
}

func TestDamagedFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passphrase")
	if err := Set(path, right); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	with := func(field string, v any) string {
		m := map[string]any{}
		if err := json.Unmarshal(good, &m); err != nil {
			t.Fatal(err)
		}
		m[field] = v
		data, _ := json.Marshal(m)
		return string(data)
	}
	for text, want := range map[string]string{
		"":                        "JSON",
		string(good[:50]):         "JSON",
		with("algorithm", "md5"):  "algorithm:",
		with("n", 1000):           "n: must be a power of two",
		with("n", 1<<30):          "n: must be a power of two", // would take 32 GiB
		with("n", -8):             "n:",
		with("r", 1<<20):          "r:",
		with("p", 0):              "p:",
		with("salt", ""):          "salt:",
		with("hash", "AAAA"):      "hash:",
		with("other", 1):          "JSON",
		strings.Repeat("x", 5000): "at most 4096 bytes",
	} {
		if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Load(path); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%.60q: %v, want %s", text, err, want)
		}
		if _, err := New(Options{Passphrase: path}); err == nil {
			t.Errorf("%.60q: a door opens with it", text)
		}
	}
	// Damaged while the door stands: nobody is let in, and it goes on.
	r := newRig(t, nil)
	r.set(t, right)
	c := r.signIn(t, right)
	if err := os.WriteFile(r.o.Passphrase, []byte("{"), 0o640); err != nil {
		t.Fatal(err)
	}
	if res := r.do(get("/"), c); res.StatusCode != 401 {
		t.Errorf("status %d", res.StatusCode)
	}
	if res := r.enterFrom("192.0.2.1:1", right); res.StatusCode != 500 {
		t.Errorf("status %d", res.StatusCode)
	}
	r.set(t, right)
	r.signIn(t, right)
}

func BenchmarkTry(b *testing.B) {
	path := filepath.Join(b.TempDir(), "passphrase")
	if err := Set(path, right); err != nil {
		b.Fatal(err)
	}
	p, err := Load(path)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		p.Is(other)
	}
}
