package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"sync"

	"yardtally/cmd/yardtally/logbook"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/source"
)

func runRun(ctx context.Context, e *env, args []string) error {
	fs := flags("run")
	w := where{house: true}
	w.flags(fs)
	verbose := fs.Bool("v", false, "log more")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	inFolder := w.data != ""
	if err := w.findSettings(); err != nil {
		return err
	}
	if w.set.House() && w.rig != "" {
		return usageError{fmt.Errorf("-rig: must be left out, as all rigs of the settings run, is %q", w.rig)}
	}
	if w.rig != w.set.Rig {
		return usageError{fmt.Errorf("-rig: must be the settings' rig %q, is %q", w.set.Rig, w.rig)}
	}
	thrift()
	f, _ := e.err.(*os.File)
	book := logbook.New(e.err, f == nil || !logbook.ToJournal(f, os.Getenv("JOURNAL_STREAM")))
	d := &daemon{set: w.set, clock: &source.Steady{Clock: source.SystemClock{}}, bootID: source.BootID(), speed: 1,
		log: book.Logger(), book: book, verbose: *verbose}
	d.setLog(w.set)
	d.reread = func() (*settings.Settings, error) {
		set, err := settings.Read(w.settings)
		if err == nil && inFolder {
			set.Data = w.data
			for _, one := range set.Rigs {
				one.Data = w.data
			}
		}
		return set, err
	}
	booked, unbook := context.WithCancel(context.Background())
	var booking sync.WaitGroup
	booking.Go(func() { book.Run(booked) })
	defer booking.Wait()
	defer unbook()
	if err := d.beManaged(); err != nil {
		return err
	}
	defer d.manager.Close()
	opened := d.opening()
	err := openDaemon(ctx, d)
	opened()
	if err != nil {
		return err
	}
	debug.FreeOSMemory() // what deriving a season from its readings left over
	what := "Rig " + w.set.Rig
	if n := len(w.set.Rigs); n > 0 {
		what = fmt.Sprintf("%d rigs", n)
	}
	fmt.Fprintf(e.out, "%s, kept in %s.\nThe page is at %s\n", what, w.set.Data, pageURL(d.page.Addr(), w.set.Door.Certificate != ""))
	if advice := d.door.Advice(); advice != "" {
		fmt.Fprintln(e.out, advice)
	}
	sources := len(d.sources)
	for _, r := range d.rigs {
		sources += len(r.own)
	}
	if sources == 0 {
		fmt.Fprintln(e.out, "No source of readings is set: add [[serial]], [[recording]], [[mqtt]] or [broker] to the settings.")
	}
	hangups, ignore := context.WithCancel(ctx)
	defer ignore()
	var hearing sync.WaitGroup
	hearing.Go(func() { d.hearHangups(hangups) })
	defer hearing.Wait()
	defer ignore()
	return d.run(ctx)
}

// setLog has the log be as the settings say; -v is louder.
func (d *daemon) setLog(set *settings.Settings) {
	level := set.Log.Level
	if d.verbose {
		level = slog.LevelDebug
	}
	if d.book != nil {
		d.book.Set(level, set.Log.JSON)
	}
}

// pageURL is the address to type into a browser on this machine.
func pageURL(a net.Addr, secure bool) string {
	scheme := "http://"
	if secure {
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(a.String())
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return scheme + net.JoinHostPort(host, port) + "/"
}
