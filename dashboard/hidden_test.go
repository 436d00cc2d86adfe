package dashboard

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A page that was hidden for an hour asks again, and has all of it as it is now
// with the first that comes; what was between is not sent after it.
func TestHiddenForAnHourCatchesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(sample())
		h := New(Options{Feed: f, Rig: "heron", Version: "0.1.0"})
		ctx, cancel := context.WithCancel(t.Context())
		first := newReader(false)
		done := listen(ctx, h, first)
		synctest.Wait()
		cancel() // the phone sleeps
		<-done
		synctest.Wait()
		if n := f.watched(); n != 0 {
			t.Errorf("%d still watched for", n)
		}
		for i := range 3600 { // the rig goes on, and nobody looks
			f.set(flow(1+float64(i)/1000, time.Duration(i)*time.Second))
			time.Sleep(time.Second)
		}
		ctx, cancel = context.WithCancel(t.Context())
		again := newReader(false)
		done = listen(ctx, h, again)
		synctest.Wait()
		parts, beats := again.take(t)
		if len(parts) < 15 || !strings.Contains(parts["run"], ">4.6</b>") || len(beats) != 1 || beats[0].Clock != "22:26:35" || beats[0].Left["flow"] <= 0 {
			t.Errorf("%d parts, beats %+v, run %s", len(parts), beats, parts["run"])
		}
		if again.writes != 1 {
			t.Errorf("it came in %d pieces", again.writes)
		}
		cancel()
		<-done
	})
}
