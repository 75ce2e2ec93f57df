package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"
	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// app is one run of the command: its flags, its streams, and the station that does the work, opened when it is first
// needed.
type app struct {
	ctx           context.Context
	g             *globals
	in            io.Reader
	out, complain io.Writer
	now           func() time.Time
	key           identity.Key // opened already; tests save the passphrase's work by it
	label         string       // of the key file, once it is open

	station *station.Station
	box     *outbox.Outbox // the station's
	ledger  pb.LedgerServiceClient
	book    pb.BookServiceClient
	settle  pb.SettlementServiceClient
	lines   *bufio.Reader
}

func newApp(ctx context.Context, g *globals, in io.Reader, out, complain io.Writer) *app {
	return &app{ctx: ctx, g: g, in: in, out: out, complain: complain, now: time.Now}
}

func (a *app) close() {
	if a.station != nil {
		_ = a.station.Close() // nothing is lost by it: what mattered was answered
	}
}

// openBox opens the station and its outbox, once. It needs neither key nor link.
func (a *app) openBox() error {
	if a.station != nil {
		return nil
	}
	s, err := station.Open(station.Config{Home: a.g.Home, Server: a.g.Server, CA: a.g.CA, Certificate: a.g.Certificate,
		CertificateKey: a.g.CertificateKey, LogKey: a.g.LogKey, Party: a.g.Party, Timeout: a.g.Timeout, Now: a.now,
		Say: func(format string, args ...any) { say(a.complain, format, args...) }, Unlock: a.unlock})
	if err != nil {
		return err
	}
	a.station, a.box = s, s.Outbox()
	return nil
}

// person opens the key file, once.
func (a *app) person() (identity.Key, error) {
	if err := a.openBox(); err != nil {
		return identity.Key{}, err
	}
	return a.station.Unlocked()
}

// unlock asks for the passphrase of the key file.
func (a *app) unlock() (identity.Key, error) {
	if !a.key.IsZero() {
		return a.key, nil
	}
	if a.g.Key == "" {
		return identity.Key{}, refusal.Invalidf("KEY_MISSING", "--key",
			"No key file is named. Give --key FILE or set BARWARD_KEY; `barward person keygen` makes one.")
	}
	passphrase, err := a.passphrase(a.g.PassphraseFile, "Passphrase for "+a.g.Key+": ")
	if err != nil {
		return identity.Key{}, err
	}
	key, label, err := identity.LoadKey(a.g.Key, passphrase)
	a.label = label
	return key, err
}

// passphrase reads it from the file that was named, else from the terminal without showing it.
func (a *app) passphrase(file, prompt string) (string, error) {
	if file != "" {
		text, err := station.ReadFile(file, maxPassphraseFile)
		if err != nil {
			return "", err
		}
		line, _, _ := strings.Cut(string(text), "\n")
		return strings.TrimSuffix(line, "\r"), nil
	}
	terminal, ok := a.terminal()
	if !ok {
		return "", refusal.Invalidf("PASSPHRASE_MISSING", "--passphrase-file",
			"The key file needs its passphrase, and there is no terminal to ask on. Set BARWARD_PASSPHRASE_FILE to a file that holds it.")
	}
	say(a.complain, "%s", prompt)
	typed, err := term.ReadPassword(int(terminal.Fd()))
	say(a.complain, "\n")
	return string(typed), err
}

// newPassphrase reads the passphrase of a key file that is to be made; it is asked for twice.
func (a *app) newPassphrase(file string) (string, error) {
	passphrase, err := a.passphrase(file, "New passphrase: ")
	if err != nil || file != "" {
		return passphrase, err
	}
	again, err := a.passphrase("", "Again: ")
	if err == nil && again != passphrase {
		err = refusal.Invalidf("PASSPHRASE_DIFFERS", "", "The two passphrases are not the same; no key was made.")
	}
	return passphrase, err
}

// terminal returns standard input if a person sits at it.
func (a *app) terminal() (*os.File, bool) {
	file, ok := a.in.(*os.File)
	return file, ok && term.IsTerminal(int(file.Fd()))
}

// link makes the connection, once, and waits for nothing.
func (a *app) link() error {
	if _, err := a.person(); err != nil {
		return err
	}
	_, err := a.station.Link()
	return err
}

// open makes the first contact, after which the clients of the services are there.
func (a *app) open() (err error) {
	if err := a.openBox(); err != nil {
		return err
	}
	if a.ledger, err = a.station.Ledger(a.ctx); err != nil {
		return err
	}
	if a.book, err = a.station.Book(a.ctx); err != nil {
		return err
	}
	a.settle, err = a.station.Settlement(a.ctx)
	return err
}

// call bounds the wait for one answer.
func (a *app) call() (context.Context, context.CancelFunc) {
	return context.WithTimeout(a.ctx, a.g.Timeout)
}

// lookBack ends every run that spoke to the service by looking at the checkpoint.
func (a *app) lookBack(err error) error {
	if a.station == nil {
		return err
	}
	return a.station.LookBack(a.ctx, err)
}

// included demands the proof that an entry is in the tree of the last checkpoint.
func (a *app) included(e *pb.Entry) (proof.Checkpoint, error) {
	err := a.station.Included(a.ctx, e.GetSequence(), e.GetLeaf())
	at, _ := a.station.Seen()
	return at, err
}

// entry fetches an entry by number or event id, and checks that its author signed it.
func (a *app) entry(which string) (*pb.Entry, error) {
	if err := a.openBox(); err != nil {
		return nil, err
	}
	return a.station.FindEntry(a.ctx, which)
}

// ref completes a short reference: `OT-0412` means our own party's. An empty one stays empty.
func (a *app) ref(short string) (string, error) {
	if err := a.openBox(); err != nil {
		return "", err
	}
	return a.station.Ref(a.ctx, short)
}

// refs completes several.
func (a *app) refs(short []string) ([]string, error) {
	full := make([]string, len(short))
	for i, s := range short {
		var err error
		if full[i], err = a.ref(s); err != nil {
			return nil, err
		}
	}
	return full, nil
}

// get asks for one thing by its short or full name.
func (a *app) get(kind pb.ThingKind, name string) (*pb.Thing, error) {
	if err := a.openBox(); err != nil {
		return nil, err
	}
	return a.station.Get(a.ctx, kind, name)
}

// balance returns a balance, as it was seen last where there is no link.
func (a *app) balance(name string) (*weighing.Balance, error) {
	if err := a.openBox(); err != nil {
		return nil, err
	}
	return a.station.Balance(a.ctx, name)
}

// walk goes through all pages until more says that it has enough.
func (a *app) walk(kind pb.ThingKind, filter string, more func(*pb.Thing) bool) error {
	if err := a.openBox(); err != nil {
		return err
	}
	return a.station.Walk(a.ctx, kind, filter, more)
}

// envelope makes an event of a body, when and where the flags say.
func (a *app) envelope(body proto.Message) (*pb.Event, error) {
	key, err := a.person()
	if err != nil {
		return nil, err
	}
	return a.station.Envelope(a.ctx, key, body, a.g.At, a.g.Place)
}

// put signs an event and puts it in the outbox.
func (a *app) put(event *pb.Event) (outbox.Item, error) {
	key, err := a.person()
	if err != nil {
		return outbox.Item{}, err
	}
	return a.station.Put(key, event)
}

// input reads a file that a person named; `-` is standard input.
func (a *app) input(path string) ([]byte, error) {
	if path == "-" {
		return station.ReadAll(a.in, "standard input", station.MaxInput)
	}
	return station.ReadFile(path, station.MaxInput)
}

// line reads one line of standard input without its ending, or returns when the command is interrupted: what somebody
// broke off must not go on to be signed.
func (a *app) line() (string, error) {
	type typed struct {
		text string
		err  error
	}
	came := make(chan typed, 1) // an interrupted read ends with the process
	go func() {
		text, err := a.readLine()
		came <- typed{text, err}
	}()
	select {
	case t := <-came:
		return t.text, t.err
	case <-a.ctx.Done():
		return "", a.ctx.Err()
	}
}

// readLine is line for those who watch for the interruption themselves.
func (a *app) readLine() (string, error) {
	if a.lines == nil {
		a.lines = bufio.NewReaderSize(a.in, maxLine)
	}
	text, err := a.lines.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		return "", refusal.Invalidf("LINE_TOO_LONG", "",
			"A line of more than %d characters is no scan and no answer.", maxLine)
	}
	if len(text) > 0 && errors.Is(err, io.EOF) {
		err = nil
	}
	return strings.TrimRight(string(text), "\r\n"), err
}

// say writes to a person; a failing terminal has nobody to be told.
func say(w io.Writer, format string, args ...any) { _, _ = fmt.Fprintf(w, format, args...) }
