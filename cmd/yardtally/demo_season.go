package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// A simulated season: nights of a simulated rig, and a keeper who keeps the
// books with the commands that anybody would use. What truly happened is known.

// The keeper's sugar. True bags are off from their label by one and the same
// error, as a mill's scale is; a mark of a bucket and a hand refractometer are
// off each time. Judgement, no source; within what act takes for usual.
const (
	seasonBag      = 25.0    // kg by the label
	seasonPerMix   = 4       // bags
	seasonWater    = 15.0    // gal to a mix
	seasonBagOff   = 0.002   // standard deviation, relative
	seasonMarkOff  = 0.006   // the same of the water
	seasonBrixOff  = 0.07    // the same of a reading, Brix
	seasonFill     = 0.85    // gal for each colony
	seasonByHand   = 2.0     // gal fed by hand
	seasonSpill    = 15.0    // L that nobody booked
	seasonCoolC    = 20.0    // of what was mixed, °C
	seasonPrice1   = "26.50" // a bag
	seasonPrice2   = "27.25"
	seasonForgot   = 5 // the mix of which a bag was not booked
	seasonForgotBy = 1 // bag
)

// seasonMixBefore says before which nights, from 1, is mixed; in the whole season nine times.
var seasonMixBefore = map[int]bool{1: true, 2: true, 3: true, 5: true, 6: true, 8: true, 9: true, 10: true, 12: true}

// seasonRounds are which of the night's yards are fed on the nights of a round.
var seasonRounds = [][]int{{0}, {1, 3}, {2}}

// seasonTruth is what truly happened, in kg of sugar.
type seasonTruth struct {
	Bought              float64            // opening stock and purchases
	Metered             float64            // through the meter
	Colonies            map[string]float64 // of it into feeders, by yard
	ByHand              float64
	Torn                float64 // lost from the store, and booked
	InTote              float64 // at the end
	InStore             float64
	Spilled             float64                    // booked by nobody
	Litres              map[string]quantity.Volume // into feeders, by yard
	Nights, Mixes, Bags int
}

// Unaccounted is what came in less all that anybody could know of.
func (t *seasonTruth) Unaccounted() float64 {
	return t.Bought - t.Metered - t.ByHand - t.Torn - t.InTote - t.InStore
}

// seasonPlay plays a season.
type seasonPlay struct {
	nights int
	rng    *rand.Rand
	folder string
	run    func(args ...string) (string, error)                  // a command with its settings; returns what it says
	played func(i int, n *rigsim.Scenario) (rigsim.Truth, error) // plays a night and has it taken in

	truth     seasonTruth
	base      rigsim.Scenario
	bag       float64 // kg, truly
	store     int     // bags
	tote      quantity.Volume
	brix      float64 // in the tote
	kept      string  // the newest entry's act
	forgotten string  // that of the mix of which a bag was forgotten
	mixes     int
	began     time.Time
}

// newSeason prepares a season of so many nights in a folder, 12 for the whole;
// run runs a command.
func newSeason(seed uint64, nights int, folder string, run func(args ...string) (string, error)) *seasonPlay {
	p := &seasonPlay{nights: nights, folder: folder, run: run, rng: rand.New(rand.NewPCG(seed, 12))}
	n := rigsim.DemoNight()
	n.Seed, n.Sensors = seed, seed
	n.Yards[0].Colonies, n.Yards[1].Colonies, n.Yards[2].Colonies, n.Yards[3].Colonies = 24, 18, 16, 12
	for i := range n.Yards {
		n.Yards[i].Fill = quantity.VolumeOf(seasonFill * quantity.USGallon.CubicMetres())
		n.Yards[i].Via, n.Yards[i].Past = nil, false
	}
	n.Hand.Prime = 900 * quantity.Millilitre
	n.Hand.Walk = 40 * time.Second
	n.Hand.Topped, n.Hand.Throttled = 0.2, 0.02
	n.Home = rigsim.Place{}
	n.Coarse = true
	n.Tail = 4 * time.Minute
	n.Start = time.Date(2025, 9, 4, 0, 40, 0, 0, time.UTC) // 19:40 daylight-saving time
	p.base, p.began = n, n.Start
	p.truth.Colonies, p.truth.Litres = make(map[string]float64), make(map[string]quantity.Volume)
	p.bag = seasonBag * (1 + seasonBagOff*p.rng.NormFloat64())
	p.played = p.record
	return p
}

// settingsText is the settings file of the season's rig, as its keeper writes it.
func (p *seasonPlay) settingsText(page string) (string, error) {
	n := &p.base
	zone, err := time.LoadLocation(n.Zone)
	if err != nil {
		return "", err
	}
	var s strings.Builder
	fmt.Fprintf(&s, "rig = %q\nunits = \"US\"\nzone = %q\ndata = \"data\"\npage = %q\n\n[door]\nreading = \"open\"\n\n[counter]\nhose = \"%.4f L\"\n", n.Rig, n.Zone, page, n.Plumbing.HoseVolume().Litres())
	fmt.Fprintf(&s, "\n[tote]\nname = \"tote one\"\ncapacity = \"%.3f L\"\nsensor = \"%g m\"\nhead = \"%g m\"\nunusable = \"%g L\"\nstrapping = [\n",
		n.Tote.Capacity().Litres(), float64(n.Tote.Sensor), float64(n.Tote.Head), n.Tote.Unusable.Litres())
	for _, x := range n.Tote.Straps(17) {
		fmt.Fprintf(&s, "    [\"%.5f m\", \"%.4f L\"],\n", float64(x.Level), x.Volume.Litres())
	}
	s.WriteString("]\n\n[books]\ncurrency = \"$\"\n\n[meter]\ntype = \"oval gear\"\n")
	for _, y := range n.Yards {
		fmt.Fprintf(&s, "\n[[yards]]\nid = %q\nname = %q\nposition = [%.5f, %.5f]\nenter = \"90 m\"\ncolonies = %d\nfill = \"%g gal\"\n", y.ID, y.Name, y.Place.Lat, y.Place.Lon, y.Colonies, seasonFill)
	}
	proved, err := (&demo{night: p.base}).prove()
	if err != nil {
		return "", err
	}
	for _, b := range proved {
		fmt.Fprintf(&s, "\n[[provings]]\npulses = %.0f\nnet = \"%.4f kg\"\nbrix = \"%g Brix\"\ntemperature = \"%g C\"\ntime = \"%g s\"\nnote = %q\ndone = %q\nfrom = \"2025-08-01\"\n",
			b.Pulses, b.NetKg, b.Brix, b.TempC, b.Seconds, b.Note, time.Unix(0, b.DoneNS).In(zone).Format("2006-01-02 15:04"))
	}
	return s.String(), nil
}

// solids is the sugar in a volume of syrup, kg.
func solids(v quantity.Volume, brix float64, t quantity.Temperature) (float64, error) {
	d, err := syrup.Density(quantity.FromBrix(brix), t)
	return v.CubicMetres() * float64(d) * brix / 100, err
}

// book keeps an entry of a local time of day.
func (p *seasonPlay) book(day time.Time, clock, way, what string, flags ...string) error {
	args := []string{"book", way}
	if what != "" {
		args = append(args, what)
	}
	zone, err := time.LoadLocation(p.base.Zone)
	if err != nil {
		return err
	}
	args = append(args, "-at", day.In(zone).Format(time.DateOnly)+" "+clock, "-who", "wren")
	said, err := p.run(append(args, flags...)...)
	_, rest, _ := strings.Cut(said, "Kept as act ")
	p.kept, _, _ = strings.Cut(rest, ",")
	return err
}

// play plays the whole season: nights are taken in, entries are kept.
func (p *seasonPlay) play() error {
	zone, err := time.LoadLocation(p.base.Zone)
	if err != nil {
		return err
	}
	first := p.began.In(zone)
	bags := func(n int) string { return fmt.Sprintf("%d bags of 25 kg sugar", n) }
	for _, x := range []struct {
		days      int
		way, what string
		bags      int
		flags     []string
	}{
		{-3, "count", bags(6), 6, []string{"-price", "$150"}},
		{-2, "purchase", bags(20), 20, []string{"-price", "$" + seasonPrice1 + " a bag", "-lot", "B-17"}},
	} {
		if err := p.book(first.AddDate(0, 0, x.days), "10:00", x.way, x.what, x.flags...); err != nil {
			return err
		}
		p.bring(x.bags)
	}
	day := first
	for i := 1; i <= p.nights; i++ {
		if i > 1 {
			day = day.AddDate(0, 0, 3)
		}
		if i == 6 {
			if err := p.book(day, "09:00", "purchase", bags(14), "-price", "$"+seasonPrice2+" a bag", "-lot", "C-02"); err != nil {
				return err
			}
			p.bring(14)
		}
		if seasonMixBefore[i] {
			if err := p.mix(day); err != nil {
				return err
			}
		}
		switch i {
		case min(10, p.nights-2): // overnight, and nobody saw it
			spilled := quantity.VolumeOf(seasonSpill / 1000)
			p.tote -= spilled
			kg, err := solids(spilled, p.brix, seasonCoolC)
			if err != nil {
				return err
			}
			p.truth.Spilled += kg
		case 4:
			if err := p.book(day, "08:00", "loss", "1 bag sugar", "-why", "spoiled"); err != nil {
				return err
			}
			p.store--
			p.truth.Torn += p.bag
		}
		if err := p.night(i, day); err != nil {
			return err
		}
		if i == min(7, p.nights-1) {
			if err := p.byHand(day.AddDate(0, 0, 1)); err != nil {
				return err
			}
		}
	}
	p.truth.InTote, err = solids(p.tote, p.brix, seasonCoolC)
	p.truth.InStore, p.truth.Nights, p.truth.Mixes = float64(p.store)*p.bag, p.nights, p.mixes
	return errors.Join(err, p.book(day.AddDate(0, 0, 2), "10:00", "count", bags(p.store)))
}

// bring puts bags into the store.
func (p *seasonPlay) bring(bags int) {
	p.store += bags
	p.truth.Bags += bags
	p.truth.Bought += float64(bags) * p.bag
}

// mix mixes four bags in the tote on the rig, and books it; of one mix a bag is
// forgotten.
func (p *seasonPlay) mix(day time.Time) error {
	p.mixes++
	p.store -= seasonPerMix
	water := seasonWater * quantity.USGallon.CubicMetres() * 998.2 * (1 + seasonMarkOff*p.rng.NormFloat64()) // kg, at 20 °C
	sugar := seasonPerMix * p.bag
	made := 100 * sugar / (sugar + water)
	d, err := syrup.Density(quantity.FromBrix(made), seasonCoolC)
	if err != nil {
		return err
	}
	// The solids of both, and the mass of both, go together.
	was, err := syrup.Density(quantity.FromBrix(p.brix), seasonCoolC)
	if err != nil {
		return err
	}
	had := p.tote.CubicMetres() * float64(was)
	all := had + sugar + water
	p.brix = (had*p.brix + (sugar+water)*made) / all
	p.tote += quantity.VolumeOf((sugar + water) / float64(d))
	bags := seasonPerMix
	if p.mixes == seasonForgot {
		bags -= seasonForgotBy
	}
	read := math.Round(5*(made+seasonBrixOff*p.rng.NormFloat64())) / 5
	flags := []string{"-brix", strconv.FormatFloat(read, 'f', 1, 64) + " Brix", "-name", fmt.Sprint("mix ", p.mixes)}
	if p.mixes == 1 {
		flags = append(flags, "-empty")
	}
	err = p.book(day, "15:00", "mix", seasonParts(bags), flags...)
	if p.mixes == seasonForgot {
		p.forgotten = p.kept
	}
	return err
}

// seasonParts are the parts of a mix, as they are booked.
func seasonParts(bags int) string {
	return fmt.Sprintf("%d bags sugar + %g gal water", bags, seasonWater)
}

// correct books the mix of which a bag was forgotten as it truly was.
func (p *seasonPlay) correct() error {
	_, err := p.run("book", "fix", p.forgotten, seasonParts(seasonPerMix), "-who", "wren")
	return err
}

// byHand feeds two gallons by hand.
func (p *seasonPlay) byHand(day time.Time) error {
	v := quantity.VolumeOf(seasonByHand * quantity.USGallon.CubicMetres() * (1 + 0.008*p.rng.NormFloat64()))
	kg, err := solids(v, p.brix, seasonCoolC)
	if err != nil {
		return err
	}
	p.tote -= v
	p.truth.ByHand += kg
	return p.book(day, "16:00", "fed", fmt.Sprintf("%g gal", seasonByHand), "-yard", "larch", "-colonies", "2", "-note", "late swarms")
}

// night plays a night and takes it in.
func (p *seasonPlay) night(i int, day time.Time) error {
	n := p.base
	n.Seed += uint64(1000 * i)
	n.Start = day.UTC()
	n.Yards = nil
	for _, k := range seasonRounds[(i-1)%len(seasonRounds)] {
		n.Yards = append(n.Yards, p.base.Yards[k])
	}
	n.Load, n.Brix = p.tote, p.brix
	n.Warm = seasonCoolC
	n.Meter.Uptime, n.Meter.Boots = time.Minute, uint64(i)
	n.Meter.Count = 0
	t, err := p.played(i, &n)
	if err != nil {
		return err
	}
	// All that left the tote passed the meter, as thick as the tote is.
	gone, err := solids(n.Load-t.Tote, n.Brix, seasonCoolC)
	if err != nil {
		return err
	}
	p.truth.Metered += gone
	for k := range t.Fills {
		if f := &t.Fills[k]; f.Kind == rigsim.Feeding {
			// What dribbles after a pull still runs into the feeder.
			kg, err := solids(f.Dribble, n.Brix, seasonCoolC)
			if err != nil {
				return err
			}
			p.truth.Colonies[f.Yard] += float64(f.Solids) + kg
			p.truth.Litres[f.Yard] += f.Reached + f.Dribble
		}
	}
	p.tote, p.brix = t.Tote, t.Brix
	return nil
}

// record plays a night into a recording, and imports that.
func (p *seasonPlay) record(i int, n *rigsim.Scenario) (rigsim.Truth, error) {
	rig, err := rigsim.New(*n)
	if err != nil {
		return rigsim.Truth{}, err
	}
	var text bytes.Buffer
	var line []byte
	for s := range rig.All() {
		if line, err = rigsim.Pack(line[:0], n.Rig, s, true); err != nil {
			return rigsim.Truth{}, err
		}
		text.Write(append(line, '\n'))
	}
	path := filepath.Join(p.folder, fmt.Sprintf("night-%02d.senml", i))
	if err := os.WriteFile(path, text.Bytes(), 0o640); err != nil {
		return rigsim.Truth{}, err
	}
	_, err = p.run("import", "-q", path)
	return rig.Truth(), err
}

// runDemoSeason plays a season of twelve nights through the commands that its
// keeper would use, and lets the books say what is amiss; then the keeper
// corrects it. With page the page stays open after that.
func runDemoSeason(ctx context.Context, e *env, folder string, seed uint64, page string, exit bool) error {
	set := filepath.Join(folder, defaultSettings)
	show := false
	p := newSeason(seed, 12, folder, func(args ...string) (string, error) {
		fmt.Fprintf(e.out, "$ yardtally %s\n", strings.ReplaceAll(shellWords(args), folder+string(filepath.Separator), ""))
		var out bytes.Buffer
		err := runCommand(ctx, &env{e.in, &out, e.err}, append(args, "-settings", set))
		if show {
			text := out.String()
			if args[0] == "balance" { // what it finds; its tables are long
				text, _, _ = strings.Cut(text, "\nWhere sugar")
			}
			fmt.Fprintf(e.out, "\n%s\n", text)
		}
		return out.String(), err
	})
	text, err := p.settingsText(page)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(set, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err == nil {
		_, err = f.WriteString(text)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		return fmt.Errorf("-data: must be a folder without settings: %w", err)
	}
	fmt.Fprintf(e.out, "A simulated season of 12 nights, in %s:\n\n", folder)
	if err := p.play(); err != nil {
		return err
	}
	show = true
	for _, args := range [][]string{{"statement", "-issue", "-who", "wren"}, {"balance"}} {
		if _, err := p.run(args...); err != nil {
			return err
		}
	}
	fmt.Fprintf(e.out, "Of mix %d a bag was not booked. The keeper corrects that:\n\n", seasonForgot)
	if err := p.correct(); err != nil {
		return err
	}
	for _, args := range [][]string{{"statement", "-changes", "1"}, {"balance"}} {
		if _, err := p.run(args...); err != nil {
			return err
		}
	}
	truly := quantity.US.Mass(quantity.Mass(p.truth.Unaccounted()))
	fmt.Fprintf(e.out, "Truly %s of sugar are unaccounted for, in %g L of syrup that ran out one night and nobody booked.\n", truly, seasonSpill)
	if exit {
		return nil
	}
	return runRun(ctx, e, []string{"-settings", set})
}

// runCommand runs a command as Main does.
func runCommand(ctx context.Context, e *env, args []string) error {
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, e, args[1:])
		}
	}
	return &act.FieldError{Field: "command", Rule: "must be one that there is", Value: args[0]}
}

// shellWords joins arguments so that a shell parts them again.
func shellWords(args []string) string {
	out := make([]string, len(args))
	for i, a := range args {
		out[i] = a
		if a == "" || strings.ContainsAny(a, " \t$\"'|&;<>()*?#~") {
			out[i] = "'" + strings.ReplaceAll(a, "'", `'\''`) + "'"
		}
	}
	return strings.Join(out, " ")
}
