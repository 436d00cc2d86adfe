package dashboard

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
)

// A guided proving keeps nothing on the board: what was answered, where the count
// began and where it ended stand in the page's own address. So a phone may
// sleep, reload or be another one, and the daemon may start anew.

// proveFields are all that a guided proving knows; since is where the count
// began, counts where it lies, see bucket.
var proveFields = []string{"syrup", "brix", "mass", "wish", "empty", "scale-step", "brix-within", "temp-within", "note", "fresh",
	"since", "counts", "full", "temp", "pulses", "time", "from"}

// Of the form.
const (
	usualWish = "0.25 %"
	mostWish  = 0.10
	freshTemp = 10 * time.Minute // a temperature that is no older is offered
)

// proveLabels are the fields' names on the page, with what is said beside.
var proveLabels = map[string]struct{ label, us, si string }{
	"syrup":       {"Syrup", "", ""},
	"brix":        {"Brix", "measured now if you can; empty: as the batch", "measured now if you can; empty: as the batch"},
	"mass":        {"No Brix at hand: prove by weight alone", "", ""},
	"wish":        {"How sure it is to be, ±", "a full bucket gives some 0.25 %", "a full bucket gives some 0.25 %"},
	"empty":       {"The empty bucket weighs", "2.6 lb", "1.2 kg"},
	"scale-step":  {"The scale’s smallest step", "empty: 10 g", "empty: 10 g"},
	"brix-within": {"Brix right to, at most", "empty: 0.2 Brix", "empty: 0.2 Brix"},
	"temp-within": {"Temperature right to, at most", "empty: 1.8 F", "empty: 1 C"},
	"note":        {"Note", "", ""},
	"fresh":       {"The meter was changed, cleaned or opened: what was proved before no longer counts", "", ""},
	"full":        {"The full bucket weighs", "48.5 lb", "22.1 kg"},
	"temp":        {"Syrup’s temperature at the meter", "68 F", "20 C"},
	"pulses":      {"Pulses that were counted", "543", "543"},
	"time":        {"How long the trigger was open", "150 s; empty: not timed", "150 s; empty: not timed"},
	"from":        {"It holds", "", ""},
}

// The steps of a guided proving.
const (
	stepReady = iota + 1
	stepDraw
	stepWeigh
	stepLook
)

var stepWords = [...]string{stepReady: "Make ready", stepDraw: "Draw", stepWeigh: "Weigh", stepLook: "Keep"}

// proveModel is the page of a guided proving.
type proveModel struct {
	shell
	Token    string
	Step     int
	Steps    []proveStep
	Cautions []string
	Fields   []fieldModel
	Seldom   []fieldModel
	Open     bool
	Carried  []carried // fields of other steps, hidden
	Here     string    // the page's own address, to look again
	Back     string    // address of the step before
	Stream   string
	Top      string // why not
	Bad      string
	BadLabel string
	Count    countModel
	Drawn    string // what was counted, once it is over
	ByHand   bool   // pulses are typed in
	Found    *report.Found
	Change   *report.Figures
	Changes  []string
	Ever     *fieldModel
	Said     bool
}

type proveStep struct {
	No        int
	Word      string
	Now, Done bool
}

type carried struct{ Name, Value string }

// countModel is the count so far, and what is still to draw.
type countModel struct {
	Pulses  string
	Took    string
	Drawn   string // about how much that is
	ToGo    string
	SoFar   string // how sure it would be
	Flowing bool
	Fault   string // why the count is no good
	Quiet   string // the meter is not heard
}

// answered are the fields of a guided proving, those that are not empty.
func answered(q url.Values) url.Values {
	out := url.Values{}
	for _, name := range proveFields {
		if v := strings.TrimSpace(q.Get(name)); v != "" {
			out.Set(name, v)
		}
	}
	return out
}

func proveAt(q url.Values) string {
	if len(q) == 0 {
		return provePath
	}
	return provePath + "?" + q.Encode()
}

// stepOf is where a guided proving stands.
func stepOf(q url.Values) int {
	counted := q.Has("counts") || q.Has("pulses")
	switch {
	case counted && q.Has("full"):
		return stepLook
	case counted || q.Get("since") == "hand":
		return stepWeigh
	case q.Has("since"):
		return stepDraw
	}
	return stepReady
}

// prove shows the step that the address stands at.
func (s *server) prove(w http.ResponseWriter, r *http.Request) {
	q := answered(r.URL.Query())
	s.drawProve(w, r, http.StatusOK, q, stepOf(q), nil)
}

// drawProve answers with a step of a guided proving, and why it is not the next.
func (s *server) drawProve(w http.ResponseWriter, r *http.Request, status int, q url.Values, step int, wrong error) {
	m := newModel(s.Feed.Snapshot())
	acts, unread := s.actsOf(r)
	if unread != nil && wrong == nil {
		wrong, status = errors.New("what was said cannot be read just now; load the page again"), http.StatusServiceUnavailable
	}
	b := bench{model: m, acts: acts, q: q}
	var test act.Proving
	if step == stepLook && wrong == nil {
		if test, wrong = b.test(); wrong != nil {
			step, status = stepWeigh, s.statusOf(w, wrong)
		}
	}
	p := proveModel{shell: s.shell(r), Step: step, Cautions: bucket.Cautions, Here: proveAt(q), ByHand: q.Get("since") == "hand"}
	p.Home, p.Demo, p.Clock = meterPath, m.Demo, m.clock(m.Now)
	if p.mayWrite(s) {
		p.Token = token()
	}
	for i := stepReady; i <= stepLook; i++ {
		p.Steps = append(p.Steps, proveStep{i, stepWords[i], i == step, i < step})
	}
	b.lay(&p, wrong)
	switch step {
	case stepDraw:
		p.Count = b.count()
		p.Stream = strings.TrimPrefix(provePath, "/") + "/live?" + q.Encode()
	case stepWeigh:
		if c, err := bucket.Between(m.view, q.Get("counts")); err == nil {
			p.Drawn = fmt.Sprintf("The meter counted %.0f pulses in %.0f s.", c.Pulses, c.Seconds)
		}
	case stepLook:
		b.found(&p, test)
	}
	s.answer(w, r, status, "prove.html", p)
}

// bench is a guided proving as it stands.
type bench struct {
	*model
	acts []act.Act
	q    url.Values
}

// lay puts the step's fields on the page, filled in, and carries the others on.
func (b *bench) lay(p *proveModel, wrong error) {
	var names, seldom []string
	switch p.Step {
	case stepReady:
		names, seldom = []string{"syrup", "brix", "mass", "wish", "empty"}, []string{"scale-step", "brix-within", "temp-within", "note", "fresh"}
	case stepWeigh:
		names = []string{"empty", "full", "temp", "brix"}
		if p.ByHand {
			names = append([]string{"pulses", "time"}, names...)
		}
	case stepLook:
		names = []string{"from"}
	}
	var fe *act.FieldError
	if wrong != nil {
		p.Top = sentence(wrong)
	}
	for i, name := range append(names[:len(names):len(names)], seldom...) {
		x := b.field(name)
		if errors.As(wrong, &fe) && fe.Field == name {
			x.Wrong = sentence(&act.FieldError{Field: x.Label, Rule: fe.Rule, Value: fe.Value})
			p.Top, p.Bad, p.BadLabel = "", name, x.Label
		}
		if i < len(names) {
			p.Fields = append(p.Fields, x)
			continue
		}
		p.Seldom = append(p.Seldom, x)
		p.Open = p.Open || x.Wrong != "" || x.Value != ""
	}
	for _, name := range proveFields {
		if v := b.q.Get(name); v != "" && !slices.Contains(names, name) && !slices.Contains(seldom, name) {
			p.Carried = append(p.Carried, carried{name, v})
		}
	}
	back := url.Values{}
	for name, v := range b.q {
		back[name] = v
	}
	switch p.Step {
	case stepDraw, stepWeigh:
		for _, name := range []string{"since", "counts", "full", "pulses", "time", "temp"} {
			back.Del(name)
		}
	case stepLook:
		back.Del("full")
	}
	p.Back = proveAt(back)
}

// field is one field as it was filled in, or as it is offered.
func (b *bench) field(name string) fieldModel {
	l := proveLabels[name]
	x := fieldModel{Name: name, Label: l.label, Hint: l.us, Value: b.q.Get(name), Type: "text"}
	if b.Units == quantity.SI {
		x.Hint = l.si
	}
	choose := func(value, text string) {
		x.Choices = append(x.Choices, choice{value, text, value == x.Value})
	}
	switch name {
	case "syrup":
		x.Type = "select"
		if batch, ok := b.batch(); ok {
			if x.Value == "" {
				x.Value = inTote
			}
			choose(inTote, "What is in the tote: "+bucket.SayMakeup(batch))
		} else if x.Value == "" {
			x.Value = syrup.Sucrose.String()
		}
		for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
			choose(k.String(), capital(kindWords[k]))
		}
	case "brix":
		if batch, ok := b.batch(); ok && b.ofTote() && bucket.BatchBrix(batch) > 0 {
			x.Hint = fmt.Sprintf("measured now if you can; empty: %g, as the batch", bucket.BatchBrix(batch))
		} else {
			x.Hint = "66.7"
		}
	case "mass", "fresh":
		x.Type = "tick"
	case "temp":
		if x.Value == "" && !b.q.Has("full") && b.view.Syrup.Has && b.Now-b.view.Syrup.At < int64(freshTemp) {
			t, unit := b.Units.TemperatureParts(quantity.Temperature(b.view.Syrup.Value))
			x.Value = t + " " + strings.TrimPrefix(unit, "°")
		}
	case "wish":
		if x.Value == "" {
			x.Value = usualWish
		}
	case "from":
		x.Type = "select"
		if x.Value == "" {
			x.Value = "now"
		}
		choose("now", "from this proving on")
		choose("ever", "for what was metered before, too")
	}
	return x
}

// batch returns what is in the tote, as the rig's account has it: in a house it may
// come of the house's book.
func (b *bench) batch() (act.Batch, bool) {
	if x := b.view.Batch; x != nil {
		return *x, true
	}
	return bucket.Batch(b.view.Rig, b.acts)
}

// ofTote reports whether the syrup is taken to be what is in the tote.
func (b *bench) ofTote() bool {
	_, batch := b.batch()
	s := b.q.Get("syrup")
	return s == inTote || s == "" && batch
}

// readField reads a field that was answered, whose unit may be left out.
func readField[T any](b *bench, field, unit, rule string, parse func(string) (T, error)) (T, error) {
	return typed(field, b.q.Get(field), unit, rule, parse)
}

// about is what is known of the test before anything is drawn.
func (b *bench) about() (p act.Proving, err error) {
	p.Note, p.Fresh, p.Mass = b.q.Get("note"), b.q.Get("fresh") == "true", b.q.Get("mass") == "true"
	if len(p.Note) > longestAsk*10 {
		return p, &act.FieldError{Field: "note", Rule: fmt.Sprintf("must have %d letters at most", longestAsk*10), Value: len(p.Note)}
	}
	batch, has := b.batch()
	switch name := b.q.Get("syrup"); {
	case b.ofTote() && has:
		p.Syrup, p.Shares = batch.Syrup, batch.Shares
		p.Brix = bucket.BatchBrix(batch)
	case b.ofTote():
		return p, &act.FieldError{Field: "syrup", Rule: "must be a kind, as nobody said what is in the tote", Value: strconv.Quote(name)}
	default:
		if p.Syrup = name; name == "" {
			p.Syrup = syrup.Sucrose.String()
		}
		if _, err := syrup.ParseKind(p.Syrup); err != nil {
			return p, &act.FieldError{Field: "syrup", Rule: "must be sucrose, invert, hfcs-42 or hfcs-55", Value: strconv.Quote(clip(name))}
		}
	}
	switch brix := b.q.Get("brix"); {
	case p.Mass && brix != "":
		return p, &act.FieldError{Field: "brix", Rule: "must be empty where it is proved by weight alone", Value: strconv.Quote(clip(brix))}
	case p.Mass:
		p.Brix = 0
	case brix != "":
		x, err := readField(b, "brix", "Brix", "must be a number of Brix, like 64", quantity.ParseBrix)
		if err == nil {
			err = bucket.Brix(x)
		}
		if err != nil {
			return p, err
		}
		p.Brix = bucket.BrixOf(x)
	case p.Brix == 0:
		return p, &act.FieldError{Field: "brix", Rule: "must be given, like 66.7, or ticked that there is none", Value: `""`}
	}
	for _, f := range []struct {
		name, unit, rule string
		into             *float64
		parse            func(string) (float64, error)
	}{
		{"scale-step", "g", "must be a weight with its unit, like 10 g", &p.ScaleStepKg, func(t string) (float64, error) { m, err := quantity.ParseMass(t); return float64(m), err }},
		{"brix-within", "Brix", "must be a number of Brix, like 0.2", &p.BrixWithin, func(t string) (float64, error) { x, err := quantity.ParseBrix(t); return bucket.BrixOf(x), err }},
		{"temp-within", b.degrees(), "must be a difference of temperatures, like 1 C or 2 F", &p.TempWithin, kelvins},
	} {
		if b.q.Get(f.name) == "" {
			continue
		}
		if *f.into, err = readField(b, f.name, f.unit, f.rule, f.parse); err == nil && !(*f.into > 0) {
			err = &act.FieldError{Field: f.name, Rule: "must be above 0", Value: strconv.Quote(b.q.Get(f.name))}
		}
		if err != nil {
			return p, err
		}
	}
	return p, nil
}

func (b *bench) degrees() string {
	_, unit := b.Units.TemperatureParts(0)
	return unit
}

// kelvins reads a difference of temperatures.
func kelvins(text string) (float64, error) {
	t, err := quantity.ParseTemperature(text)
	if err != nil {
		return 0, err
	}
	zero, err := quantity.ParseTemperature("0 " + strings.TrimLeft(text, "+-0123456789.eE "))
	return float64(t - zero), err
}

// wish is how sure the proving is to be, relative, 95 %.
func (b *bench) wish() (float64, error) {
	text := b.q.Get("wish")
	if text == "" {
		text = usualWish
	}
	x, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), "%")), 64)
	if err != nil || !(x > 0 && x <= 100*mostWish) {
		return 0, &act.FieldError{Field: "wish", Rule: "must be a share above 0 and at most 10 %, like 0.3 %", Value: strconv.Quote(clip(text))}
	}
	return x / 100, nil
}

func (b *bench) massUnit() string {
	_, unit := b.Units.MassParts(0)
	return unit
}

// ready checks what is answered before the count begins.
func (b *bench) ready() error {
	if _, err := b.about(); err != nil {
		return err
	}
	if _, err := b.wish(); err != nil {
		return err
	}
	if b.q.Get("empty") == "" {
		return nil
	}
	m, err := readField(b, "empty", b.massUnit(), "must be a weight, like 1.2 kg or 2.6 lb", quantity.ParseMass)
	if err == nil {
		err = bucket.Empty(m, b.Units)
	}
	return err
}

// test is the whole test, to be kept.
func (b *bench) test() (p act.Proving, err error) {
	if p, err = b.about(); err != nil {
		return p, err
	}
	p.DoneNS = b.Now
	if counts := b.q.Get("counts"); counts != "" {
		c, err := bucket.Between(b.view, counts)
		if err != nil {
			return p, err
		}
		c.Put(&p)
		p.DoneNS = c.End
	} else {
		p.Pulses, err = strconv.ParseFloat(b.q.Get("pulses"), 64)
		if err != nil || !(p.Pulses >= 1 && p.Pulses <= 1e9) {
			return p, &act.FieldError{Field: "pulses", Rule: "must be a count between 1 and 1000000000", Value: strconv.Quote(clip(b.q.Get("pulses")))}
		}
		if text := b.q.Get("time"); text != "" {
			x, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(text, "s")), 64)
			if err != nil || !(x >= 0.1 && x <= 86400) {
				return p, &act.FieldError{Field: "time", Rule: "must be between 0.1 and 86400 s", Value: strconv.Quote(clip(text))}
			}
			p.Seconds = x
		}
	}
	const like = "must be a weight, like 1.2 kg or 2.6 lb"
	empty, err := readField(b, "empty", b.massUnit(), like, quantity.ParseMass)
	if err != nil {
		return p, err
	}
	full, err := readField(b, "full", b.massUnit(), like, quantity.ParseMass)
	if err != nil {
		return p, err
	}
	net, err := bucket.Net(empty, full, b.Units)
	if err != nil {
		return p, err
	}
	p.NetKg = float64(net)
	t, err := readField(b, "temp", b.degrees(), "must be a temperature, like 68 F or 20 C", quantity.ParseTemperature)
	if err == nil {
		err = bucket.Temp(t, b.Units)
	}
	if err != nil {
		return p, err
	}
	p.TempC = float64(t)
	if err := p.Check(); err != nil {
		return p, b.named(err)
	}
	if _, err := bucket.Point("", p); err != nil {
		return p, b.named(err)
	}
	return p, nil
}

// named gives an error of a test the name of the page's field.
func (b *bench) named(err error) error {
	var fe *act.FieldError
	if errors.As(err, &fe) {
		name := map[string]string{"net_kg": "full", "temp_c": "temp", "seconds": "time", "scale_step_kg": "scale-step", "brix_within": "brix-within", "temp_within_c": "temp-within"}[fe.Field]
		if name != "" {
			return &act.FieldError{Field: name, Rule: fe.Rule, Value: fe.Value}
		}
		return err
	}
	var pe *proving.Error
	if errors.As(err, &pe) { // pulses a litre that no meter gives: the weight is likelier wrong than the count
		return &act.FieldError{Field: "full", Rule: pe.Field + " " + pe.Rule, Value: pe.Value}
	}
	return b.fieldOf(err)
}

// found puts what the test found, and what it would change, on the page.
func (b *bench) found(p *proveModel, test act.Proving) {
	const id = "this proving"
	point, err := bucket.Point(id, test)
	if err != nil {
		p.Top = sentence(err)
		return
	}
	f := report.SayProving(point, b.Units)
	tidy(f.Budget)
	p.Found = &f
	a := act.Act{ID: id, Rig: b.view.Rig, When: math.MaxInt64, From: b.from(&test), Body: test}
	var after ledger.View
	after.Restore(append(slices.Clone(b.acts), a))
	e := report.ProvingEffect{Point: point, At: test.DoneNS, Before: b.view.Curves, After: after.Curves}
	p.Change, p.Changes = e.Say(b.Units)
	if batch, ok := b.batch(); ok && !test.Mass && !b.ofTote() && batch.Syrup != test.Syrup {
		p.Changes = append(p.Changes, fmt.Sprintf("It is taken as %s, while the batch in the tote is said to be %s.", test.Syrup, bucket.SayMakeup(batch)))
	}
}

// from is since when a test holds: 0 for ever.
func (b *bench) from(p *act.Proving) int64 {
	if b.q.Get("from") == "ever" {
		return 0
	}
	return p.DoneNS
}
