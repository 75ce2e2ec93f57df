// Command barward-server keeps the ledger and serves it.
//
// It is flags, environment and signals around Run: init makes a ledger with its log key and first administrator, serve
// answers clients, and the other commands look after the file, by the operator's socket of the server that holds it
// or, if none does, by themselves. What it says for programs goes to standard output as JSON; logs, progress and
// refusals go to standard error. It ends with 0 when it did what was asked, 1 when it refused or found a fault, 2 when
// the command line could not be understood. OPERATING.md is for whoever keeps it running.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"barward/internal/refusal"
)

const (
	exitRefused = 1
	exitUsage   = 2
)

// commandLine is every flag there is. A passphrase is none of them: flags are seen by everybody on the machine.
type commandLine struct {
	Init        initCommand        `cmd:"" help:"Make a new ledger with its log key, its operator and its first administrator."`
	Serve       serveCommand       `cmd:"" help:"Serve a ledger until SIGINT or SIGTERM; SIGHUP reads the certificates again."`
	Status      statusCommand      `cmd:"" help:"Say what a ledger holds and how its server is."`
	Verify      verifyCommand      `cmd:"" help:"Check every entry, hash, signature and the book."`
	Rebuild     rebuildCommand     `cmd:"" help:"Drop the book and fold it again from the entries."`
	Backup      backupCommand      `cmd:"" help:"Write a checked copy of the ledger file, beside a running server or without."`
	CheckBackup checkBackupCommand `cmd:"" help:"Check a copy, and that it holds all that a later checkpoint covers."`
	Restore     restoreCommand     `cmd:"" help:"Make a ledger file of a copy."`
	Export      exportCommand      `cmd:"" help:"Write the whole log in a form that anyone can verify without a database."`
	Import      importCommand      `cmd:"" help:"Make a ledger file of an export."`

	Version kong.VersionFlag `help:"Print the version and end."`
}

// where names the files of a ledger.
type where struct {
	Ledger string `required:"" placeholder:"FILE" env:"BARWARD_LEDGER" help:"The ledger file."`
	LogKey string `placeholder:"FILE" env:"BARWARD_LOG_KEY_FILE" help:"File of the log's private key. Default: the ledger file's name with .key behind it."`
}

func (w where) logKey() string {
	if w.LogKey != "" {
		return w.LogKey
	}
	return w.Ledger + ".key"
}

// world is what a command uses of its surroundings, so that a test can give others.
type world struct {
	ctx            context.Context
	stdin          *os.File // asked for a passphrase if it is a terminal
	stdout, stderr io.Writer
	getenv         func(string) string
	now            func() time.Time
}

func main() {
	// The first signal asks for an orderly end. Then signals mean what they usually mean, so that a second one ends a
	// server that hangs; the ledger survives it.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	w := &world{ctx: ctx, stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, getenv: os.Getenv, now: time.Now}
	os.Exit(w.run(os.Args[1:]))
}

// ended is how kong's help and version flags leave run.
type ended int

// run obeys a command line and returns the exit code.
func (w *world) run(args []string) (code int) {
	defer func() {
		switch p := recover().(type) {
		case nil:
		case ended:
			code = int(p)
		default:
			panic(p)
		}
	}()
	parser, err := kong.New(&commandLine{},
		kong.Name("barward-server"),
		kong.Description("Keeps the ledger on which a mine and a refinery follow doré from pour to payment, and serves it."),
		kong.Vars{"version": version()},
		kong.Writers(w.stdout, w.stderr),
		kong.Exit(func(code int) { panic(ended(code)) }),
	)
	if err != nil {
		fmt.Fprintln(w.stderr, "barward-server:", err)
		return exitUsage
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(w.stderr, "barward-server: %v\nRun `barward-server --help` to see what there is.\n", err)
		return exitUsage
	}
	if err := parsed.Run(w); err != nil {
		w.explain(err)
		return exitRefused
	}
	return 0
}

// explain tells the operator why, with the causes under it: whoever runs the server may see what callers may not.
func (w *world) explain(err error) {
	r := refusal.As(err)
	if r == nil {
		fmt.Fprintln(w.stderr, "barward-server:", err)
		return
	}
	fmt.Fprintf(w.stderr, "barward-server: %s: %s\n", r.Reason, r.Error())
	for cause := r.Cause; cause != nil; cause = errors.Unwrap(cause) {
		fmt.Fprintf(w.stderr, "  because: %v\n", cause)
	}
}

// logger writes to standard error, one JSON object a line.
func (w *world) logger(level slog.Level) *slog.Logger {
	return slog.New(slog.NewJSONHandler(w.stderr, &slog.HandlerOptions{Level: level}))
}

// version is what the build knows of itself.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "barward-server, version unknown"
	}
	revision := ""
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			revision = " " + s.Value
		}
	}
	return "barward-server " + info.Main.Version + revision + " " + info.GoVersion
}
