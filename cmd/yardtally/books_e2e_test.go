package main

import (
	"bytes"
	"context"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/source"
	"yardtally/meter/entry"
)

// keeperAtPage keeps the books of a season on the page of a running daemon.
type keeperAtPage struct {
	t      *testing.T
	page   string
	set    string
	client *http.Client
	*seasonPlay
}

func newKeeperAtPage(t *testing.T, nights int) *keeperAtPage {
	t.Helper()
	dir := t.TempDir()
	k := &keeperAtPage{t: t, set: filepath.Join(dir, "heron.toml")}
	k.seasonPlay = newSeason(1, nights, dir, k.do)
	text, err := k.settingsText("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(k.set, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	set, err := settings.Parse(k.set, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	set.Data = filepath.Join(dir, "data")
	if err := os.MkdirAll(set.Data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	d := &daemon{set: set, clock: &source.Steady{Clock: source.SystemClock{}}, bootID: "kitchen", speed: 1, log: slog.New(slog.DiscardHandler)}
	if err := openDaemon(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	k.page = strings.TrimSuffix(pageURL(d.page.Addr(), false), "/")
	k.client = &http.Client{Jar: jar, Timeout: time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	k.post("/enter", url.Values{"passphrase": {tapsPassphrase}})
	k.post("/who", url.Values{"name": {"wren"}})
	return k
}

func (k *keeperAtPage) post(path string, form url.Values) (status int, to, body string) {
	k.t.Helper()
	res, err := k.client.PostForm(k.page+path, form)
	if err != nil {
		k.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		k.t.Fatal(err)
	}
	return res.StatusCode, res.Header.Get("Location"), string(b)
}

// get returns a page, which must be small and whole.
func (k *keeperAtPage) get(path string) string {
	k.t.Helper()
	res, err := k.client.Get(k.page + path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		k.t.Fatal(err)
	}
	if res.StatusCode != http.StatusOK || len(b) > 100_000 {
		k.t.Fatalf("%s: %s, %d bytes: %.300s", path, res.Status, len(b), b)
	}
	return string(b)
}

// says runs a command.
func (k *keeperAtPage) says(args ...string) string {
	k.t.Helper()
	out, err := k.command(args...)
	if err != nil {
		k.t.Fatal(err)
	}
	return out
}

func (k *keeperAtPage) command(args ...string) (string, error) {
	var out, bad bytes.Buffer
	if code := Main(append(args, "-settings", k.set), &env{strings.NewReader(""), &out, &bad}); code != 0 {
		return "", fmt.Errorf("%s: exit code %d: %s", shellWords(args), code, &bad)
	}
	return out.String(), nil
}

// do books on the page what the season would book by a command.
func (k *keeperAtPage) do(args ...string) (string, error) {
	if args[0] != "book" {
		return k.command(args...)
	}
	form := url.Values{}
	rest := args[2:]
	path := "/books/write?way=" + args[1]
	if args[1] == "fix" {
		path, rest = "/books/write?fix="+args[2], args[3:]
	}
	page := k.get(path)
	for _, m := range regexp.MustCompile(`<input[^>]*>`).FindAllString(page, -1) {
		if v := attribute(m, "value"); !strings.Contains(m, `type="checkbox"`) {
			form.Set(attribute(m, "name"), v)
		}
	}
	if len(rest) > 0 && !strings.HasPrefix(rest[0], "-") {
		form.Set(entry.What, rest[0])
		rest = rest[1:]
	}
	for len(rest) > 0 {
		name, value := strings.TrimPrefix(rest[0], "-"), "true"
		rest = rest[1:]
		if len(rest) > 0 && !strings.HasPrefix(rest[0], "-") {
			value, rest = rest[0], rest[1:]
		}
		switch name {
		case "who": // the page knows who
		case "at":
			day, clock, _ := strings.Cut(value, " ")
			form.Set("on", day)
			form.Set("at", clock)
		default:
			form.Set(name, value)
		}
	}
	status, to, body := k.post("/books/write", form)
	if status != http.StatusSeeOther {
		return "", fmt.Errorf("%v: status %d: %s", form, status, flatPage(body))
	}
	id := regexp.MustCompile(`said=(\w+)`).FindStringSubmatch(to)
	if id == nil {
		return "", fmt.Errorf("%v: it leads to %q", form, to)
	}
	return "Kept as act " + id[1] + ",", nil
}

func attribute(tag, name string) string {
	m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(tag)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// flatPage is a page's text in one line.
func flatPage(page string) string {
	page = regexp.MustCompile(`<span class="unseen">[^<]*</span>|<[^>]*>`).ReplaceAllString(page, " ")
	return flat(strings.ReplaceAll(html.UnescapeString(page), "\u00a0", " "))
}

// sameAs holds the tables of a sheet's page against the command's text, row by row.
func (k *keeperAtPage) sameAs(page, text string) {
	k.t.Helper()
	text = flat(text)
	rows := regexp.MustCompile(`(?s)<tr.*?</tr>`).FindAllString(regexp.MustCompile(`(?s)<article.*</article>`).FindString(page), -1)
	if len(rows) < 20 {
		k.t.Errorf("%d rows on the page", len(rows))
	}
	for _, r := range rows {
		if row := flatPage(r); !strings.Contains(text, row) {
			k.t.Errorf("the page says %q, and the command does not:\n%s", row, text)
		}
	}
}

// A whole invented season on the page of a running daemon: the statement says
// what the command says, to the digit, and closes; an entry in the middle is
// corrected, and the statement restates itself and still closes.
func TestSeasonBooksOnThePage(t *testing.T) {
	t.Parallel()
	nights := 6
	if full() {
		nights = 12
	}
	k := newKeeperAtPage(t, nights)
	if err := k.play(); err != nil {
		t.Fatal(err)
	}
	books := flatPage(k.get("/books"))
	for _, want := range []string{"Mix mix 5, 3 bags of 25 kg of sugar", "Fed 2.0 gal from the tote on the rig past the meter in yard Larch Bank", "Purchase 20 bags of 25 kg of sugar, price $530.00, lot B-17", ", wren"} {
		if !strings.Contains(books, want) {
			t.Errorf("the books do not say %q: %s", want, books)
		}
	}
	statement := k.get("/books/statement")
	said := k.says("statement")
	k.sameAs(statement, said)
	closes(t, said, "sugar lb")
	closes(t, said, "cost $")
	if !strings.Contains(statement, "±<span class=\"unseen\"> of gal</span>") {
		t.Error("a screen reader is not told what ± is of")
	}
	if got := k.get("/books/statement.csv"); got != k.says("statement", "-format", "csv") {
		t.Error("the page's CSV is not the command's")
	}
	if !strings.Contains(flatPage(k.get("/books/balance")), "about one bag more of sugar was used than was booked in the mix of 18 September") {
		t.Errorf("the balance does not name the mix: %s", flatPage(k.get("/books/balance")))
	}

	form := url.Values{"title": {"season"}}
	for _, name := range []string{"token", "from", "to"} {
		form.Set(name, regexp.MustCompile(`(?s)action="/books/issue".*?name="` + name + `" value="([^"]*)"`).FindStringSubmatch(statement)[1])
	}
	status, to, body := k.post("/books/issue", form)
	if status != http.StatusSeeOther || !strings.HasPrefix(to, "/books/statement?number=1&said=") {
		t.Fatalf("status %d to %q: %s", status, to, flatPage(body))
	}
	issued := k.get("/books/statement?number=1")
	k.sameAs(issued, said)

	if err := k.correct(); err != nil {
		t.Fatal(err)
	}
	if books := flatPage(k.get("/books")); !strings.Contains(books, "Mix mix 5, 4 bags of 25 kg of sugar") || !strings.Contains(books, "Before: mix 5, 3 bags of 25 kg of sugar") {
		t.Errorf("the books do not say what was corrected: %s", books)
	}
	now := k.says("statement")
	k.sameAs(k.get("/books/statement"), now)
	closes(t, now, "sugar lb")
	closes(t, now, "cost $")
	if now == said {
		t.Error("the correction changes nothing")
	}
	if again := k.get("/books/statement?number=1"); flatPage(regexp.MustCompile(`(?s)<article.*</article>`).FindString(again)) != flatPage(regexp.MustCompile(`(?s)<article.*</article>`).FindString(issued)) {
		t.Error("the correction changes what was issued")
	}
	changes := flatPage(k.get("/books/statement?changes=1"))
	for _, want := range []string{"What changed since statement No 1", "unaccounted for", "Said since", "mix 5, 4 bags of 25 kg"} {
		if !strings.Contains(changes, want) {
			t.Errorf("what changed does not say %q: %s", want, changes)
		}
	}
	if strings.Contains(flatPage(k.get("/books/balance")), "one bag more") {
		t.Error("the bag that was booked since is still told of")
	}
}
