package publish

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	influxdb "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"yardtally/calibrate/quantity"
)

// FleetYard is what a rig gave a yard in a stretch of time, as the store has it.
type FleetYard struct {
	Yard   string // id; "": of no yard
	Pulls  int    // fills and top-ups
	Volume quantity.Volume
	Solids quantity.Mass // of those of which it is known
	First  time.Time     // start of the first of them, and of the last
	Last   time.Time
}

// FleetRig is a rig as the store has it.
type FleetRig struct {
	Rig     string
	Yards   []FleetYard // in order of First
	Sampled time.Time   // the newest sample in the stretch; zero: none
}

// Fleet asks a store for what all rigs gave from an instant on and before
// another, by rig and by yard, rigs in order of their names. The store adds up;
// what is void is left out. Of the options URL, Token, Org, Bucket, Timeout and
// Transport count. It speaks Flux over the v2 query API, which an InfluxDB 1.8
// has where flux-enabled is set.
func Fleet(ctx context.Context, opt Options, from, to time.Time) ([]FleetRig, error) {
	if !from.Before(to) {
		return nil, fmt.Errorf("fleet: from must be before to, is %s and %s", from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	opt.Outbox = &Outbox{} // to pass the check; nothing is sent
	f, err := NewForwarder(opt)
	if err != nil {
		return nil, err
	}
	// Not the forwarder's client: that lets no answer through but a write's.
	client := &http.Client{Transport: f.opt.Transport, Timeout: f.opt.Timeout, CheckRedirect: f.client.CheckRedirect}
	defer client.CloseIdleConnections()
	api := influxdb.NewClientWithOptions(opt.URL, opt.Token, influxdb.DefaultOptions().SetHTTPClient(client)).QueryAPI(opt.Org)
	rigs := map[string]*FleetRig{}
	res, err := api.Query(ctx, fleetQuery(opt.Bucket, from, to))
	if err != nil {
		return nil, fmt.Errorf("the store does not answer: %s", f.redact(err.Error()))
	}
	defer res.Close()
	for res.Next() {
		if res.Record() == nil { // the library goes on over lines that belong to no table
			return nil, errors.New("the store's answer: must be a table in annotated CSV, is none")
		}
		if err := fleetRow(rigs, res.Record()); err != nil {
			return nil, err
		}
	}
	if err := res.Err(); err != nil {
		return nil, fmt.Errorf("the store's answer breaks off: %s", f.redact(err.Error()))
	}
	out := make([]FleetRig, 0, len(rigs))
	for _, r := range rigs {
		slices.SortFunc(r.Yards, func(a, b FleetYard) int {
			if c := a.First.Compare(b.First); c != 0 {
				return c
			}
			return strings.Compare(a.Yard, b.Yard)
		})
		out = append(out, *r)
	}
	slices.SortFunc(out, func(a, b FleetRig) int { return strings.Compare(a.Rig, b.Rig) })
	return out, nil
}

// fleetQuery is one question with a named answer for each column. Yards are
// fields, not tags, since a restatement may change them: so they are pivoted in.
// An InfluxDB 1.8 takes the stop in (seen with 1.8.10), whatever Flux says of it:
// hence the nanosecond.
func fleetQuery(bucket string, from, to time.Time) string {
	at := func(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
	return fmt.Sprintf(`all = from(bucket: %s) |> range(start: %s, stop: %s)
fills = all
  |> filter(fn: (r) => r._measurement == "fill" and (r._field == "volume_l" or r._field == "solids_kg" or r._field == "yard" or r._field == "void"))
  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")
  |> filter(fn: (r) => not r.void)
  |> group(columns: ["rig", "yard"])
fills |> sum(column: "volume_l") |> yield(name: "volume")
fills |> count(column: "volume_l") |> yield(name: "pulls")
fills |> filter(fn: (r) => exists r.solids_kg) |> sum(column: "solids_kg") |> yield(name: "solids")
fills |> sort(columns: ["_time"]) |> first(column: "volume_l") |> keep(columns: ["rig", "yard", "_time"]) |> yield(name: "first")
fills |> sort(columns: ["_time"]) |> last(column: "volume_l") |> keep(columns: ["rig", "yard", "_time"]) |> yield(name: "last")
all
  |> filter(fn: (r) => r._measurement == "sample" and r._field == "total_l")
  |> last() |> keep(columns: ["rig", "_time"]) |> yield(name: "sampled")
`, strconv.Quote(bucket), at(from), at(to.Add(-1)))
}

// mostOfYard is more litres, kilograms and pulls than a yard can have had, and
// fits 32 bits.
const mostOfYard = 1e9

func fleetRow(rigs map[string]*FleetRig, r *query.FluxRecord) error {
	rig, _ := r.ValueByKey("rig").(string)
	if rig == "" {
		return errors.New("the store's answer: must name a rig, names none")
	}
	x := rigs[rig]
	if x == nil {
		x = &FleetRig{Rig: rig}
		rigs[rig] = x
	}
	at, _ := r.ValueByKey("_time").(time.Time)
	if r.Result() == "sampled" {
		x.Sampled = at
		return nil
	}
	yard, _ := r.ValueByKey("yard").(string)
	i := slices.IndexFunc(x.Yards, func(y FleetYard) bool { return y.Yard == yard })
	if i < 0 {
		i = len(x.Yards)
		x.Yards = append(x.Yards, FleetYard{Yard: yard})
	}
	y := &x.Yards[i]
	switch r.Result() {
	case "volume":
		l, _ := r.ValueByKey("volume_l").(float64)
		if !(l >= 0 && l <= mostOfYard) {
			return fmt.Errorf("the store's answer: volume_l of %q must be between 0 and %g, is %v", rig, mostOfYard, l)
		}
		y.Volume = quantity.VolumeOf(l / 1000)
	case "pulls":
		n, _ := r.ValueByKey("volume_l").(int64)
		if n < 0 || n > mostOfYard {
			return fmt.Errorf("the store's answer: pulls of %q must be between 0 and %g, is %d", rig, mostOfYard, n)
		}
		y.Pulls = int(n)
	case "solids":
		kg, _ := r.ValueByKey("solids_kg").(float64)
		if !(kg >= 0 && kg <= mostOfYard) {
			return fmt.Errorf("the store's answer: solids_kg of %q must be between 0 and %g, is %v", rig, mostOfYard, kg)
		}
		y.Solids = quantity.Mass(kg)
	case "first":
		y.First = at
	case "last":
		y.Last = at
	}
	return nil
}
