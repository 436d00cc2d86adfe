package sound

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Bounds on a command. Judgement, no source.
const (
	commandLimit = 10 * time.Second // then it is killed, with all that it started
	commandText  = 2 << 10          // bytes of what it writes that are logged
	pipeWait     = time.Second      // for what it leaves behind to let go of its output
)

// placeholder stands for the signal's name in a command's arguments.
const placeholder = "{signal}"

// Command runs a command for each signal, without a shell, one at a time. The
// placeholder {signal} in its arguments is the signal's name; its environment
// has YARDTALLY_SIGNAL too, and YARDTALLY_FILL_L, what the fill has so far, L.
type Command struct {
	argv  []string
	limit time.Duration
	log   *slog.Logger
}

// NewCommand returns the command as an outlet. A nil log is nowhere. The error
// names the field, the rule and the value.
func NewCommand(argv []string, log *slog.Logger) (*Command, error) {
	if len(argv) == 0 || argv[0] == "" {
		return nil, fmt.Errorf("command: must begin with a program, is %q", argv)
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Command{argv: argv, limit: commandLimit, log: log}, nil
}

// Name implements Outlet.
func (c *Command) Name() string { return "the signal's command" }

// Check reports whether the program is there to be run.
func (c *Command) Check() error {
	_, err := exec.LookPath(c.argv[0])
	return err
}

// Give implements Outlet: it runs the command to its end.
func (c *Command) Give(ctx context.Context, s Signal) error {
	ctx, done := context.WithTimeoutCause(ctx, c.limit, fmt.Errorf("it was stopped after %v", c.limit))
	defer done()
	args := make([]string, len(c.argv)-1)
	for i, a := range c.argv[1:] {
		args[i] = strings.ReplaceAll(a, placeholder, s.Kind.String())
	}
	cmd := exec.CommandContext(ctx, c.argv[0], args...)
	cmd.Env = append(os.Environ(), "YARDTALLY_SIGNAL="+s.Kind.String(),
		"YARDTALLY_FILL_L="+strconv.FormatFloat(s.Fill.Litres(), 'f', 3, 64))
	var said head
	cmd.Stdout, cmd.Stderr = &said, &said
	// A group of its own: what it starts is killed with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = pipeWait
	err := cmd.Run()
	if cmd.Process != nil {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // what it left behind; as a rule nothing
	}
	if why := context.Cause(ctx); err != nil && why != nil {
		err = why
	}
	if len(said.text) > 0 {
		c.log.Info("the signal's command says", "signal", s.Kind.String(), "text", string(said.text), "more", said.more)
	}
	if errors.Is(err, exec.ErrWaitDelay) {
		err = nil // it is done; something that it started held its output
	}
	return err
}

// head keeps the beginning of what is written to it.
type head struct {
	text []byte
	more int // bytes beyond
}

// Write implements io.Writer.
func (h *head) Write(p []byte) (int, error) {
	n := min(len(p), commandText-len(h.text))
	h.text = append(h.text, p[:n]...)
	h.more += len(p) - n
	return len(p), nil
}
