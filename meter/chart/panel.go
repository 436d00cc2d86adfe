package chart

import (
	"errors"
	"fmt"
)

// waiting is how many values may wait for the sums to come back to nothing.
const waiting = 32

// Which are the charts that signal: any of them, as bits.
type Which uint8

// The charts of a Panel.
const (
	BySum   Which = 1 << iota // Cusum: a lasting shift
	ByMean                    // Ewma: a slow drift
	ByPoint                   // Points: a kink
)

// Panel is a baseline with all charts on it and the latch of their alarm. A
// value becomes part of the baseline only when both sums have been nothing
// after it, and none does during an alarm: what turns out to have been the
// beginning of a clog is not learnt.
type Panel struct {
	Scale   Scale
	Cusum   Cusum
	Ewma    Ewma
	Points  Points
	Latch   Latch
	Clip    float64 // see Limits
	Waits   int
	Waiting [waiting]float64 // oldest first
}

// Told is what a Panel says of one value.
type Told struct {
	Taken  bool    // finite
	Scored bool    // the baseline was ready; else the value went into it and is not judged
	Z      float64 // the score
	By     Which   // charts beyond their limits at this value
	Alarm  Side    // on which side there is an alarm, after this value
	Begun  bool    // it was raised by this value
	Over   bool    // it ended with this value
	Since  int     // Begun: how many values, with this one, it goes back to, at least 1
	Size   float64 // Begun: how large about, in spreads, signed
}

// NewPanel returns a panel at its start.
func NewPanel(scale Scale, l Limits) (Panel, error) {
	p := Panel{Scale: scale, Clip: l.Clip}
	var err1, err2, err3, err4 error
	p.Cusum, err1 = NewCusum(l.Slack, l.Sum, 0)
	p.Ewma, err2 = NewEwma(l.Share, l.Width)
	p.Points, err3 = NewPoints(l.Point, l.Warn)
	p.Latch, err4 = NewLatch(l.Slack, l.Back)
	return p, errors.Join(scale.Check(), err1, err2, err3, err4, checkClip(l.Clip))
}

func checkClip(clip float64) error {
	if clip == 0 {
		return nil
	}
	return between("panel's clip", clip, 0, far)
}

// Step takes a residual.
func (p *Panel) Step(x float64) Told {
	z, scored := p.Scale.Score(x)
	if !scored {
		return Told{Taken: !p.Scale.Ready() && p.Scale.Add(x)}
	}
	t := Told{Taken: true, Scored: true, Z: z}
	if p.Clip > 0 {
		z = max(-p.Clip, min(p.Clip, z))
	}
	was := p.Latch.Raised
	signal := Within
	if was == Within {
		u := p.Scale.Unsure()
		signal = p.judge(z-max(-u, min(u, z)), &t.By)
	}
	t.Alarm, _ = p.Latch.Step(z, signal)
	switch {
	case was == Within && t.Alarm != Within:
		t.Begun = true
		if t.Since, t.Size = p.Cusum.Change(t.Alarm); t.Since == 0 {
			t.Since, t.Size = 1, t.Z
		}
		p.Waits = 0
	case was != Within && t.Alarm == Within:
		t.Over = true
		p.Cusum.Restart()
		p.Ewma.Restart()
		p.Points.Restart()
	case t.Alarm == Within:
		p.learn(x)
	}
	return t
}

// judge shows a score to all charts and returns the signal: of the one that has
// the most to say about how long and how much, where there are several.
func (p *Panel) judge(z float64, by *Which) Side {
	signal := Within
	sum, _ := p.Cusum.Step(z)
	mean, _ := p.Ewma.Step(z)
	point, _ := p.Points.Step(z)
	for _, c := range [...]struct {
		by   Which
		side Side
	}{{BySum, sum}, {ByMean, mean}, {ByPoint, point}} {
		if c.side != Within {
			*by |= c.by
			if signal == Within {
				signal = c.side
			}
		}
	}
	return signal
}

// learn lets a residual wait, and takes into the baseline those that are from
// before the sums were last nothing.
func (p *Panel) learn(x float64) {
	if p.Waits == waiting { // the oldest is given up
		copy(p.Waiting[:], p.Waiting[1:])
		p.Waits--
	}
	p.Waiting[p.Waits] = x
	p.Waits++
	free := p.Waits - max(p.Cusum.High.Steps, p.Cusum.Low.Steps)
	if free <= 0 {
		return
	}
	for _, v := range p.Waiting[:free] {
		p.Scale.Add(v)
	}
	copy(p.Waiting[:], p.Waiting[free:p.Waits])
	p.Waits -= free
}

// Check errs unless what was read back can be gone on with.
func (p *Panel) Check() error {
	if p.Waits < 0 || p.Waits > waiting {
		return fmt.Errorf("panel's waiting values must be 0 to %d, and are %d", waiting, p.Waits)
	}
	return errors.Join(p.Scale.Check(), checkClip(p.Clip), checkCusum(p.Cusum.Slack, p.Cusum.Limit, p.Cusum.Head), between("ewma share", p.Ewma.Share, 0, 1),
		between("ewma width", p.Ewma.Width, 0, far), checkPoints(p.Points.Limit, p.Points.Warn), checkCusum(p.Latch.Slack, p.Latch.Limit, 0))
}
