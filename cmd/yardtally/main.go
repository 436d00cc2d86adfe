// Command yardtally keeps account of sugar syrup fed to honey-bee colonies: it
// reads a rig's flow meter and tote level, finds each fill and each yard's
// total, and shows them on a page of its own. See README.md.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	_ "time/tzdata" // a board in a yard may have no zone files
)

// env is what a command has of the outside.
type env struct {
	in       io.Reader
	out, err io.Writer
}

type command struct {
	name, args, what string
	run              func(ctx context.Context, e *env, args []string) error
}

func commands() []command {
	return []command{
		{"demo", "[-speed N] [-page ADDRESS]", "play a simulated night through everything, page open", runDemo},
		{"run", "[-settings FILE]", "read the rig, keep, show: the daemon", runRun},
		{"check", "[-settings FILE]", "say whether the settings and what they name would work", runCheck},
		{"import", "[-settings FILE] RECORDING...", "take in recordings or exports", runImport},
		{"export", "[-settings FILE] [-o FILE]", "write out everything that is kept", runExport},
		{"fills", "[-night DATE | -all] [--json | --csv]", "list the fills", runFills},
		{"yards", "[-night DATE | -all] [--json | --csv]", "add up the yards", runYards},
		{"tote", "[--json | --csv]", "say what is in the tote", runTote},
	}
}

func main() {
	os.Exit(Main(os.Args[1:], &env{os.Stdin, os.Stdout, os.Stderr}))
}

// usageError is a mistake in how a command was called.
type usageError struct{ error }

// Main runs a command and returns the exit code: 0, 1 after a failure, 2 after
// a mistake in the command line.
func Main(args []string, e *env) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// The first signal stops in good order; the second does not wait.
	context.AfterFunc(ctx, stop)
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(e.out)
		if len(args) == 0 {
			return 2
		}
		return 0
	}
	if args[0] == "version" {
		fmt.Fprintln(e.out, "yardtally", version())
		return 0
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, e, args[1:])
		var ue usageError
		switch {
		case err == nil || errors.Is(err, flag.ErrHelp):
			return 0
		case errors.As(err, &ue):
			fmt.Fprintf(e.err, "yardtally %s: %v\nusage: yardtally %s %s\n", c.name, err, c.name, c.args)
			return 2
		}
		fmt.Fprintf(e.err, "yardtally %s: %v\n", c.name, err)
		return 1
	}
	fmt.Fprintf(e.err, "yardtally: command: must be one of those below, is %q\n\n", args[0])
	usage(e.err)
	return 2
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "Yardtally tells how much syrup each yard took.")
	fmt.Fprintln(w)
	for _, c := range commands() {
		fmt.Fprintf(w, "  yardtally %-7s %-38s %s\n", c.name, c.args, c.what)
	}
	fmt.Fprintf(w, "  yardtally %-7s %-38s %s\n", "version", "", "say which version this is")
	fmt.Fprintln(w, "\nEvery command says more with -h. Readings are not legal for trade.")
}

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(unversioned)"
	}
	return info.Main.Version
}

// flags returns a flag set that prints to the command's own output.
func flags(e *env, name string) *flag.FlagSet {
	fs := flag.NewFlagSet("yardtally "+name, flag.ContinueOnError)
	fs.SetOutput(e.err)
	return fs
}

// parse reads a command line; what is wrong with it is a usageError.
func parse(fs *flag.FlagSet, args []string, mostArgs int) error {
	fs.SetOutput(io.Discard)
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			fs.SetOutput(os.Stdout)
			fs.Usage()
			return err
		}
		return usageError{err}
	}
	if mostArgs >= 0 && fs.NArg() > mostArgs {
		return usageError{fmt.Errorf("argument %q: must not be there", fs.Arg(mostArgs))}
	}
	return nil
}
