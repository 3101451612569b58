// Command gapward measures the air gap of hoist brakes in every cycle, and
// says when which brake has to be adjusted.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit codes, as promised to scripts.
const (
	exitDone   = 0
	exitFailed = 1 // while running
	exitUsage  = 2 // wrong usage, site file or recording
	exitAct    = 3 // done, and it found something a person must act on
)

// commands are the commands of the program, one file each.
type commands struct {
	Demo       demoCommand       `cmd:"" help:"Show the whole job on simulated hoists, with nothing to install."`
	Run        runCommand        `cmd:"" help:"Run the daemon: measure, judge, store, alarm, export and serve the page."`
	Check      checkCommand      `cmd:"" help:"Check a site file and show how its devices will be read."`
	Simulate   simulateCommand   `cmd:"" help:"Stand in for every device of a site file."`
	Commission commissionCommand `cmd:"" help:"Prove a site file on the live system and write a record of it."`
	Replay     replayCommand     `cmd:"" help:"Run a recording through the pipeline and print what it finds."`
	Enter      enterCommand      `cmd:"" help:"Write a hand measurement, an adjustment or a new lining into the ledger."`
	Report     reportCommand     `cmd:"" help:"Write the inspection record."`
	Backup     backupCommand     `cmd:"" help:"Copy the database, also while the daemon runs."`
	Account    accountCommand    `cmd:"" help:"Make and remove the accounts and tokens of the page."`
	Version    versionCommand    `cmd:"" help:"Print version, commit and Go version."`
}

// streams is where a command reads and writes.
type streams struct {
	in       io.Reader // nil where there is nobody to ask
	out, err io.Writer
}

// coded is an error with the exit code that it ends the program with.
type coded struct {
	code int
	err  error // nil: everything has been said already
}

func (e *coded) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit %d", e.code)
	}
	return e.err.Error()
}

func (e *coded) Unwrap() error { return e.err }

// usage makes an error one of wrong usage.
func usage(err error) error { return &coded{code: exitUsage, err: err} }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], streams{in: os.Stdin, out: os.Stdout, err: os.Stderr}))
}

// run is main with everything passed in; it returns the exit code.
func run(ctx context.Context, args []string, io streams) int {
	code := -1
	var cli commands
	parser, err := kong.New(&cli,
		kong.Name("gapward"),
		kong.Description("Measures the air gap and the times of spring-applied hoist brakes in every cycle, and says when they need adjusting.\n\ngapward is not a safety function: it reads, and never writes to a device."),
		kong.Writers(io.out, io.err),
		kong.Exit(func(c int) { code = c; panic(exited{}) }),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(io),
	)
	if err != nil {
		fmt.Fprintln(io.err, "gapward:", err)
		return exitFailed
	}
	chosen, err := parse(parser, args)
	if code >= 0 { // --help
		return code
	}
	if err != nil {
		fmt.Fprintf(io.err, "gapward: %v\nSee gapward --help, or gapward COMMAND --help.\n", err)
		return exitUsage
	}
	if err := chosen.Run(); err != nil {
		if ctx.Err() != nil && errors.Is(err, context.Canceled) {
			fmt.Fprintln(io.err, "gapward: interrupted before the end")
			return exitFailed
		}
		var c *coded
		if !errors.As(err, &c) {
			c = &coded{code: exitFailed, err: err}
		}
		if c.err != nil {
			fmt.Fprintln(io.err, "gapward:", c.err)
		}
		return c.code
	}
	return exitDone
}

// exited stops kong once it has printed the help, which it expects its exit
// function to do.
type exited struct{}

func parse(p *kong.Kong, args []string) (chosen *kong.Context, err error) {
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(exited); !ok {
				panic(r)
			}
		}
	}()
	if len(args) == 0 {
		args = []string{"--help"}
	}
	return p.Parse(args)
}
