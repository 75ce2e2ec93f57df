// Command barward is the command line of Barward: it shows, signs, queues and verifies.
//
// The work is done by client/station, which the desk uses too: this package reads flags, asks and prints. Every
// event takes one path (record.go), and what is shown goes through one table, JSON or CSV (show.go). Each noun has
// its own small file; none holds a rule of the trade. A file of many rows is read whole and checked whole before
// the first event is made of it.
//
// Exit codes: 0 done, 1 refused or failed, 2 the command cannot be read, 3 kept in the outbox and not yet
// recorded, 4 the log contradicts itself.
package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit codes.
const (
	exitDone      = 0
	exitRefused   = 1
	exitUsage     = 2
	exitKept      = 3
	exitUntrusted = 4
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// helped is how a printed help leaves the parser, which would otherwise end the process.
type helped struct{ code int }

// run is the whole command; main and the tests call it.
func run(ctx context.Context, args []string, in io.Reader, out, complain io.Writer) (code int) {
	defer func() {
		switch left := recover().(type) {
		case nil:
		case helped:
			code = left.code
		default:
			panic(left)
		}
	}()
	var c cli
	parser, err := newParser(&c, out, complain)
	if err != nil {
		say(complain, "barward: %v\n", err)
		return exitUsage
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	chosen, err := parser.Parse(args)
	if err != nil {
		say(complain, "barward: %v\n", err)
		var wrong *kong.ParseError
		if errors.As(err, &wrong) && wrong.Context != nil && wrong.Context.Selected() != nil {
			say(complain, "  usage: barward %s\n", wrong.Context.Selected().Summary())
		}
		say(complain, "  `barward --help` lists the commands; each has its own --help with an example.\n")
		return exitUsage
	}
	a := newApp(ctx, &c.Globals, in, out, complain)
	defer a.close()
	err = chosen.Run(a, chosen)
	path := commandOf(chosen.Selected())
	if err == nil && (strings.HasPrefix(path, "exchange ") || path == "ledger send") {
		err = a.revealDue()
	}
	return a.report(a.lookBack(err))
}

// commandOf is a command in words, such as "ledger send".
func commandOf(node *kong.Node) string {
	if node.Parent == nil {
		return ""
	}
	return strings.TrimSpace(commandOf(node.Parent) + " " + node.Name)
}

func newParser(c *cli, out, complain io.Writer) (*kong.Kong, error) {
	return kong.New(c,
		kong.Name("barward"),
		kong.Description("Follow doré from pour to payment, with a signed record that both sides can check."),
		kong.Writers(out, complain),
		kong.Exit(func(code int) { panic(helped{code}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}),
		kong.Help(helpWithExample),
	)
}

// helpWithExample is the usual help, then the example that every command carries in its tag.
func helpWithExample(options kong.HelpOptions, ctx *kong.Context) error {
	if err := kong.DefaultHelpPrinter(options, ctx); err != nil {
		return err
	}
	node := ctx.Selected()
	if node != nil && node.Tag != nil {
		if f, ok := formulas[node.Tag.Get("offline")+node.Tag.Get("computes")]; ok {
			f.tell(ctx.Stdout)
		}
	}
	if node != nil && node.Tag != nil && node.Tag.Get("example") != "" {
		say(ctx.Stdout, "\nExample:\n  %s\n", node.Tag.Get("example"))
	}
	return nil
}
