package settings

import (
	"log/slog"
	"net/netip"
)

// DefaultMetrics is where metrics are served if [metrics] does not say.
const DefaultMetrics = "127.0.0.1:9317"

// running reads what is said of the daemon as it runs: its log and its metrics.
func (r *reader) running(f *file) {
	s := r.s
	levels := map[string]slog.Level{"": slog.LevelInfo, "debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}
	var ok bool
	if s.Log.Level, ok = levels[f.Log.Level]; !ok {
		r.fail("log.level", `must be "debug", "info", "warn" or "error"`)
	}
	switch f.Log.Format {
	case "", "text":
	case "json":
		s.Log.JSON = true
	default:
		r.fail("log.format", `must be "text" or "json"`)
	}
	m := f.Metrics
	if m == nil {
		return
	}
	s.Metrics = &Metrics{Address: orElse(m.Address, DefaultMetrics), Token: r.secret("metrics.token", m.Token, m.TokenFile)}
	host, port := r.address("metrics.address", s.Metrics.Address)
	if port != "0" && (s.Metrics.Address == s.Page || s.Broker != nil && s.Metrics.Address == s.Broker.Address) {
		r.fail("metrics.address", "must not be the page's or the broker's address")
	}
	if s.Metrics.Token == "" && !s.Door.Open && !loopback(host) {
		r.bad(r.near("metrics.address"), "metrics.token", "must be given, or token_file, where others can reach the address and reading needs the passphrase", "")
	}
}

// loopback reports whether only this machine can reach a host.
func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}
