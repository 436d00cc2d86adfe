package main

import (
	"io"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// scrape asks for the metrics as a Prometheus server does, and parses them with
// its own parser.
func (x *reloading) scrape(token string) map[string]*dto.MetricFamily {
	x.t.Helper()
	req, err := http.NewRequest(http.MethodGet, "http://"+x.metrics.l.Addr().String()+"/metrics", nil)
	if err != nil {
		x.t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		x.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		x.t.Fatalf("%s: %s %v", resp.Status, body, err)
	}
	if f := expfmt.ResponseFormat(resp.Header); f.FormatType() != expfmt.TypeTextPlain {
		x.t.Errorf("content type %q", resp.Header.Get("Content-Type"))
	}
	p := expfmt.NewTextParser(model.LegacyValidation)
	out, err := p.TextToMetricFamilies(strings.NewReader(string(body)))
	if err != nil {
		x.t.Fatalf("%v:\n%s", err, body)
	}
	return out
}

// valueOf is a sample's value, by its labels; -1 where there is none.
func valueOf(f *dto.MetricFamily, labels ...string) float64 {
	for _, m := range f.GetMetric() {
		ok := len(m.Label) == len(labels)/2
		for _, l := range m.Label {
			i := slices.Index(labels, l.GetName())
			ok = ok && i >= 0 && labels[i+1] == l.GetValue()
		}
		if ok {
			return m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
	}
	return -1
}

func TestMetrics(t *testing.T) {
	wire := newLine(t)
	x := startFrom(t, plainRig+"[broker]\naddress = \"127.0.0.1:0\"\n[[serial]]\nport = \""+wire.path+"\"\n[metrics]\naddress = \"127.0.0.1:0\"\ntoken = \"hush\"\n")
	for _, s := range x.sources {
		await(t, "source "+s.Name(), func() bool { return s.State().Phase == source.Open })
	}
	client := publisher(t, x.broker.Addr())
	for i := range 7 {
		pack, err := rigsim.Pack(nil, "heron", rigsim.Said{At: time.Now(), Readings: []meter.Reading{{Channel: meter.Pulses, Value: float64(i)}, {Channel: meter.Uptime, Value: float64(i)}}}, false)
		if err != nil {
			t.Fatal(err)
		}
		sendPack(t, client, "heron", pack)
	}
	sendPack(t, client, "heron", []byte("not a pack"))
	lines, err := rigsim.SerialLines(nil, rigsim.Said{At: time.Now(), Readings: []meter.Reading{{Channel: meter.Syrup, Value: 11}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := wire.near.Write(lines); err != nil {
		t.Fatal(err)
	}
	await(t, "all to come", func() bool { return x.desk.Snapshot().Records == 8 })
	got := x.scrape("hush")
	for _, c := range []struct {
		name   string
		labels []string
		want   float64
	}{
		{"readings_total", []string{"rig", "heron", "source", "broker", "channel", "pulses"}, 7},
		{"readings_total", []string{"rig", "heron", "source", "broker", "channel", "uptime"}, 7},
		{"readings_total", []string{"rig", "heron", "source", "serial", "channel", "syrup"}, 1},
		{"records_total", []string{"rig", "heron", "source", "broker"}, 7},
		{"messages_total", []string{"source", "broker"}, 7},
		{"dropped_total", []string{"source", "broker", "reason", "not a SenML pack"}, 1},
		{"source_open", []string{"source", "serial"}, 1},
		{"source_failures_total", []string{"source", "serial"}, 0},
		{"broker_clients", nil, 1},
		{"journal_readings", nil, 15},
		{"journal_waiting_records", nil, 0},
		{"journal_commit_failures_total", nil, 0},
		{"alarms", []string{"rig", "heron", "state", "unacknowledged"}, 0},
		{"clock_evidence", []string{"rig", "heron", "by", "own clock"}, 1},
		{"clock_evidence", []string{"rig", "heron", "by", "satellites"}, 0},
		{"faults", []string{"rig", "heron"}, 0},
		{"account_stopped", []string{"rig", "heron"}, 0},
	} {
		if v := valueOf(got["yardtally_"+c.name], c.labels...); v != c.want {
			t.Errorf("%s %v is %v, want %v", c.name, c.labels, v, c.want)
		}
	}
	if h := got["yardtally_journal_commit_seconds"].GetMetric()[0].GetHistogram(); h.GetSampleCount() != uint64(x.journal.Stats().Commits) || h.GetSampleCount() == 0 || h.GetSampleSum() <= 0 {
		t.Errorf("%v of %d commits", h, x.journal.Stats().Commits)
	}
	for _, name := range []string{"resident_bytes", "heap_bytes", "goroutines", "open_descriptors", "disk_free_bytes", "journal_bytes", "uptime_seconds"} {
		if v := valueOf(got["yardtally_"+name]); v <= 0 {
			t.Errorf("%s is %v", name, v)
		}
	}
	if v := valueOf(got["yardtally_newest_reading_age_seconds"], "rig", "heron", "source", "serial"); v < 0 || v > 120 {
		t.Errorf("the newest is of %v s ago", v)
	}
	if v := valueOf(got["yardtally_clock_offset_seconds"], "rig", "heron"); v < -1 || v > 1 {
		t.Errorf("offset %v s", v)
	}

	// Every metric has its line in DEVELOPERS.md, and every line its metric;
	// names are as Prometheus's "Metric and label naming" asks.
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(yardtally_[a-z_]+)`").FindAllStringSubmatch(string(text), -1) {
		listed[m[1]] = true
	}
	sometimes := regexp.MustCompile("^yardtally_(store_|tote_litres)")
	for name, f := range got {
		if !listed[name] {
			t.Errorf("%s is not in DEVELOPERS.md", name)
		}
		if total := strings.HasSuffix(name, "_total"); total != (f.GetType() == dto.MetricType_COUNTER) {
			t.Errorf("%s is a %v", name, f.GetType())
		}
		if f.GetHelp() == "" {
			t.Errorf("%s has no help", name)
		}
	}
	for name := range listed {
		if got[name] == nil && !sometimes.MatchString(name) {
			t.Errorf("%s of DEVELOPERS.md is not served", name)
		}
	}

	for _, token := range []string{"", "hus", "hush "} {
		req, err := http.NewRequest(http.MethodGet, "http://"+x.metrics.l.Addr().String()+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token+"x")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusUnauthorized {
			t.Errorf("token %q: %s", token, resp.Status)
		}
	}
}

// TestMetricsBounded: whatever comes, the number of samples does not grow with it.
func TestMetricsBounded(t *testing.T) {
	x := startFrom(t, plainRig+"[broker]\naddress = \"127.0.0.1:0\"\n[metrics]\naddress = \"127.0.0.1:0\"\n")
	await(t, "the broker", func() bool { return x.broker.State().Phase == source.Open })
	for i := range 3 * mostReasons {
		x.broker.Drop(strings.Repeat("x", i+1), "")
	}
	f := x.scrape("")["yardtally_dropped_total"]
	if n := len(f.GetMetric()); n != mostReasons+1 {
		t.Errorf("%d samples of reasons", n)
	}
	if v := valueOf(f, "source", "broker", "reason", "others"); v != 2*mostReasons {
		t.Errorf("others: %v", v)
	}
}
