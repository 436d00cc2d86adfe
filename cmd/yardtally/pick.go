package main

import (
	"errors"
	"flag"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

// fillsUsage says how fills are named.
const fillsUsage = `
FILLS are numbers as "yardtally fills" lists them for the night, in order of
start: 3, or 3-7, or 3,5-7, or last. -counts names flow that is in no fill, too.
`

// pick is which flow a correction is about.
type pick struct {
	words  []string // numbers and ranges of the night's fills
	counts string   // or counts of a session
	visit  string   // or a visit of the night: its yard, or a time in it
}

func (p *pick) flags(fs *flag.FlagSet) {
	also(fs, fillsUsage)
	fs.StringVar(&p.counts, "counts", "", "instead of FILLS, pulses after FIRST up to and with LAST of a counter's session, `SESSION:FIRST-LAST`, as \"fills -json\" has them")
	fs.StringVar(&p.visit, "visit", "", "instead of FILLS, everything of one `VISIT` of the night: its yard, or a time in it like 21:40")
}

// another names what stands in the place of fills; "" for nothing.
func (p *pick) another() (string, error) {
	switch {
	case p.counts != "" && p.visit != "":
		return "", errors.New("-visit: must not stand beside -counts")
	case p.counts != "":
		return "-counts", nil
	case p.visit != "":
		return "-visit", nil
	}
	return "", nil
}

// stretch is a stretch of a session's counts.
type stretch struct{ session, first, last uint64 }

// span is a range of numbers of fills, both ends with it; 0 is the last fill.
type span struct{ first, last int }

// numbered is a fill of the night and its number.
type numbered struct {
	no int
	*ledger.Fill
}

// sides divides arguments at a word, as in "3-7 to mill".
func sides(args []string, word, like string) (left, right []string, err error) {
	i := slices.Index(args, word)
	if i < 0 {
		return nil, nil, fmt.Errorf("%s: must stand between two arguments, like %q", word, like)
	}
	return args[:i], args[i+1:], nil
}

// check refuses what names no fills, before anything is opened.
func (p *pick) check() error {
	instead, err := p.another()
	switch {
	case err != nil:
	case instead != "" && len(p.words) > 0:
		err = fmt.Errorf("%s: must not stand beside FILLS, which are %q", instead, strings.Join(p.words, " "))
	case p.counts != "":
		_, err = p.exact()
	case p.visit == "":
		_, err = p.spans()
	}
	return err
}

func (p *pick) exact() (stretch, error) {
	var x stretch
	session, counts, ok := strings.Cut(p.counts, ":")
	first, last, dash := strings.Cut(counts, "-")
	var errs [3]error
	x.session, errs[0] = strconv.ParseUint(session, 10, 64)
	x.first, errs[1] = strconv.ParseUint(first, 10, 64)
	x.last, errs[2] = strconv.ParseUint(last, 10, 64)
	if !ok || !dash || errors.Join(errs[:]...) != nil || x.last <= x.first {
		return x, fmt.Errorf("-counts: must be like 7:1000-1400, the last more than the first, is %q", p.counts)
	}
	return x, nil
}

func (p *pick) spans() (out []span, err error) {
	bad := func(part string) error {
		return fmt.Errorf("FILLS: must be numbers as \"yardtally fills\" lists them, like 3 or 3-7, or last, is %q", part)
	}
	for _, part := range strings.FieldsFunc(strings.Join(p.words, ","), func(r rune) bool { return r == ',' || r == ' ' }) {
		if part == "last" {
			out = append(out, span{})
			continue
		}
		a, b, two := strings.Cut(part, "-")
		x := span{}
		if x.first, err = strconv.Atoi(a); err != nil || x.first < 1 {
			return nil, bad(part)
		}
		x.last = x.first
		if two {
			if x.last, err = strconv.Atoi(b); err != nil || x.last < 1 {
				return nil, bad(part)
			}
			if x.last < x.first {
				return nil, fmt.Errorf("FILLS: a range must go up, like %d-%d, is %q", x.last, x.first, part)
			}
		}
		out = append(out, x)
	}
	if len(out) == 0 {
		return nil, errors.New("FILLS: must be given, like 3 or 3-7, as \"yardtally fills\" lists them")
	}
	return out, nil
}

// fills returns the fills that were picked, in order, none twice.
func (p *pick) fills(s *spoken) ([]numbered, error) {
	spans, err := p.spans()
	if err != nil {
		return nil, err
	}
	var night []numbered
	newest := int64(0)
	from, to := nightIn(s.before, s.zone, s.night)
	if to == 0 {
		from, to = s.from, s.to // nothing was heard yet
	}
	for i := range s.before.Fills {
		f := &s.before.Fills[i]
		if f.Start >= from && f.Start < to {
			night = append(night, numbered{len(night) + 1, f})
		}
		newest = max(newest, f.Start)
	}
	if len(night) == 0 {
		err := fmt.Errorf("FILLS: the night of %s has none", evening(from, s.zone))
		if newest != 0 {
			err = fmt.Errorf("%w; the newest are of -night %s", err, s.before.Evening(newest, s.zone).Format(time.DateOnly))
		}
		return nil, err
	}
	picked := make([]bool, len(night))
	for _, x := range spans {
		if x.first == 0 {
			x = span{len(night), len(night)}
		}
		for _, no := range []int{x.first, x.last} {
			if no > len(night) {
				return nil, fmt.Errorf("FILLS: must be between 1 and %d, the fills of the night of %s, is %d", len(night), evening(from, s.zone), no)
			}
		}
		for no := x.first; no <= x.last; no++ {
			picked[no-1] = true
		}
	}
	var out []numbered
	for i, f := range night {
		if picked[i] {
			out = append(out, f)
		}
	}
	return out, nil
}

// stretches returns the counts of what was picked, what that is in words, and
// what should be known of it. Fills between which nothing flowed make one stretch.
func (p *pick) stretches(s *spoken) (all []stretch, what, note string, err error) {
	if p.counts != "" {
		x, err := p.exact()
		if err != nil {
			return nil, "", "", err
		}
		return []stretch{x}, fmt.Sprintf("Pulses %d to %d of session %d", x.first, x.last, x.session), "", flowOf(s.before, x)
	}
	if p.visit != "" {
		all, what, err = p.ofVisit(s)
		return all, what, "", err
	}
	fills, err := p.fills(s)
	if err != nil {
		return nil, "", "", err
	}
	return countsOf(fills), sayFills(fills, s.sys), stillOpen(fills), nil
}

// flowOf refuses counts that no flow has.
func flowOf(v *ledger.View, x stretch) error {
	touches := func(session, first, last uint64) bool {
		return session == x.session && first < x.last && x.first < last
	}
	for i := range v.Fills {
		if f := &v.Fills[i]; touches(f.Session, f.First, f.Last) {
			return nil
		}
	}
	for i := range v.Loose {
		if l := &v.Loose[i]; touches(l.Session, l.First, l.Last) {
			return nil
		}
	}
	return fmt.Errorf("-counts: must be counts that flow has, is \"%d:%d-%d\"", x.session, x.first, x.last)
}

func countsOf(fills []numbered) (out []stretch) {
	for _, f := range fills {
		if n := len(out); n > 0 && out[n-1].session == f.Session && out[n-1].last == f.First {
			out[n-1].last = f.Last
			continue
		}
		out = append(out, stretch{f.Session, f.First, f.Last})
	}
	return out
}

// sayFills says which fills they are and what they come to.
func sayFills(fills []numbered, u quantity.System) string {
	var sum quantity.Volume
	var parts []string
	for i := 0; i < len(fills); {
		k := i
		for k+1 < len(fills) && fills[k+1].no == fills[k].no+1 {
			k++
		}
		part := strconv.Itoa(fills[i].no)
		if k > i {
			part += "-" + strconv.Itoa(fills[k].no)
		}
		parts = append(parts, part)
		i = k + 1
	}
	for _, f := range fills {
		sum += f.Volume
	}
	word := "Fill"
	if len(fills) > 1 {
		word = "Fills"
	}
	return fmt.Sprintf("%s %s, %s", word, strings.Join(parts, ", "), report.Hundredths(u, sum))
}

// stillOpen says what a correction of a fill that goes on leaves out.
func stillOpen(fills []numbered) string {
	if n := len(fills); n > 0 && fills[n-1].Open {
		return fmt.Sprintf("\nFill %d is still open: it holds for what flowed until now.", fills[n-1].no)
	}
	return ""
}
