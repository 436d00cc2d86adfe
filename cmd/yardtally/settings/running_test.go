package settings

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestRunning(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "scrape.secret"), []byte("hush\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	parse := func(text string) (*Settings, error) {
		return Parse(filepath.Join(dir, "heron.toml"), []byte("rig = \"heron\"\n"+text))
	}
	s, err := parse("")
	if err != nil {
		t.Fatal(err)
	}
	if s.Log != (Log{Level: slog.LevelInfo}) || s.Metrics != nil {
		t.Errorf("by default %+v, %+v", s.Log, s.Metrics)
	}
	s, err = parse("[log]\nlevel = \"warn\"\nformat = \"json\"\n[metrics]\naddress = \"0.0.0.0:9317\"\ntoken_file = \"scrape.secret\"")
	if err != nil {
		t.Fatal(err)
	}
	if s.Log != (Log{slog.LevelWarn, true}) || *s.Metrics != (Metrics{"0.0.0.0:9317", "hush"}) {
		t.Errorf("%+v, %+v", s.Log, s.Metrics)
	}
	if s, err = parse("[metrics]\n"); err != nil || *s.Metrics != (Metrics{Address: DefaultMetrics}) {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err = parse("[door]\nreading = \"open\"\n[metrics]\naddress = \":9317\""); err != nil {
		t.Errorf("where reading is open: %v", err)
	}
	for text, want := range map[string]string{
		"[log]\nlevel = \"loud\"":                 `heron.toml:3: log.level: must be "debug", "info", "warn" or "error", is "loud"`,
		"[log]\nformat = \"xml\"":                 `heron.toml:3: log.format: must be "text" or "json", is "xml"`,
		"[metrics]\naddress = \"9317\"":           `heron.toml:3: metrics.address: must be host:port, like "127.0.0.1:8317", is "9317"`,
		"[metrics]\naddress = \"10.0.0.7:9317\"":  `heron.toml:3: metrics.token: must be given, or token_file, where others can reach the address and reading needs the passphrase`,
		"[metrics]\naddress = \"127.0.0.1:8317\"": `heron.toml:3: metrics.address: must not be the page's or the broker's address, is "127.0.0.1:8317"`,
		"[metrics]\ntoken_file = \"none\"":        `heron.toml:3: metrics.token_file: must be a file that can be read`,
	} {
		if _, err := parse(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q:\n got %v\nwant %s", text, err, want)
		}
	}
}
