package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"barward/client/outbox"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// app is one run of the command: its flags, its streams, and what is opened when it is first needed.
type app struct {
	ctx           context.Context
	g             *globals
	in            io.Reader
	out, complain io.Writer
	home          home
	now           func() time.Time

	key    identity.Key
	conn   *grpc.ClientConn
	ledger pb.LedgerServiceClient
	book   pb.BookServiceClient
	settle pb.SettlementServiceClient
	box    *outbox.Outbox
	trust  trust
	lines  *bufio.Reader
}

func newApp(ctx context.Context, g *globals, in io.Reader, out, complain io.Writer) *app {
	return &app{ctx: ctx, g: g, in: in, out: out, complain: complain, home: home{g.Home}, now: time.Now}
}

func (a *app) close() {
	if a.conn != nil {
		_ = a.conn.Close() // nothing is lost by it: what mattered was answered
	}
}

// person opens the key file, once.
func (a *app) person() (identity.Key, error) {
	if !a.key.IsZero() {
		return a.key, nil
	}
	if a.g.Key == "" {
		return identity.Key{}, refusal.Invalidf("KEY_MISSING", "--key",
			"No key file is named. Give --key FILE or set BARWARD_KEY; `barward person keygen` makes one.")
	}
	passphrase, err := a.passphrase("Passphrase for " + a.g.Key + ": ")
	if err != nil {
		return identity.Key{}, err
	}
	a.key, _, err = identity.LoadKey(a.g.Key, passphrase)
	return a.key, err
}

// passphrase reads it from the file that was named, else from the terminal without showing it.
func (a *app) passphrase(prompt string) (string, error) {
	if a.g.PassphraseFile != "" {
		text, err := readFile(a.g.PassphraseFile, maxPassphraseFile)
		if err != nil {
			return "", err
		}
		line, _, _ := strings.Cut(string(text), "\n")
		return strings.TrimSuffix(line, "\r"), nil
	}
	file, ok := a.terminal()
	if !ok {
		return "", refusal.Invalidf("PASSPHRASE_MISSING", "--passphrase-file",
			"The key file needs its passphrase, and there is no terminal to ask on. Set BARWARD_PASSPHRASE_FILE to a file that holds it.")
	}
	say(a.complain, "%s", prompt)
	typed, err := term.ReadPassword(int(file.Fd()))
	say(a.complain, "\n")
	return string(typed), err
}

// terminal returns standard input if a person sits at it.
func (a *app) terminal() (*os.File, bool) {
	file, ok := a.in.(*os.File)
	return file, ok && term.IsTerminal(int(file.Fd()))
}

// link connects to the service, once, and learns which log it keeps. The call itself waits for nothing: an absent
// service is found by the first answer that does not come.
func (a *app) link() error {
	if a.conn != nil {
		return nil
	}
	key, err := a.person()
	if err != nil {
		return err
	}
	secure, local, err := a.transport()
	if err != nil {
		return err
	}
	if err := a.openBox(); err != nil {
		return err
	}
	if err := a.trust.open(a.home, a.box, a.g.LogKey); err != nil {
		return err
	}
	tokens := &tokens{key: key, trust: &a.trust, now: a.now, local: local}
	conn, err := grpc.NewClient("passthrough:///"+a.g.Server, grpc.WithTransportCredentials(secure),
		grpc.WithPerRPCCredentials(tokens), grpc.WithUserAgent("barward"),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))
	if err != nil {
		return refusal.Invalidf("SERVER_MALFORMED", "--server", "%q is no address of a service; write host:port.",
			a.g.Server).Because(err)
	}
	a.conn = conn
	a.ledger, a.book, a.settle = pb.NewLedgerServiceClient(conn), pb.NewBookServiceClient(conn), pb.NewSettlementServiceClient(conn)
	return nil
}

// openBox opens the outbox, once.
func (a *app) openBox() (err error) {
	if a.box == nil {
		a.box, err = outbox.Open(a.home.path("outbox"))
	}
	return err
}

// transport chooses TLS, except for a service on this very machine, where no wire could be tapped.
func (a *app) transport() (secure credentials.TransportCredentials, local bool, err error) {
	host, _, err := net.SplitHostPort(a.g.Server)
	if err != nil {
		return nil, false, refusal.Invalidf("SERVER_MALFORMED", "--server",
			"%q is no address of a service; write host:port.", a.g.Server)
	}
	if ip := net.ParseIP(host); a.g.CA == "" && (host == "localhost" || ip != nil && ip.IsLoopback()) {
		return insecure.NewCredentials(), true, nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS13}
	if a.g.CA != "" {
		pem, err := readFile(a.g.CA, maxInput)
		if err != nil {
			return nil, false, err
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, false, refusal.Invalidf("CA_MALFORMED", "--ca", "%s holds no certificate in PEM form.", a.g.CA)
		}
	}
	return credentials.NewTLS(config), false, nil
}

// call bounds the wait for one answer.
func (a *app) call() (context.Context, context.CancelFunc) {
	return context.WithTimeout(a.ctx, a.g.Timeout)
}

// tokens puts a fresh self-issued token on each call, once the log that it is for is known.
type tokens struct {
	key   identity.Key
	trust *trust
	now   func() time.Time
	local bool

	mu    sync.Mutex
	token string
	made  time.Time
}

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (t *tokens) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	origin := t.trust.origin()
	if origin == "" {
		return nil, nil // the first question of all is for the checkpoint, which anybody may read
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if now := t.now(); t.token == "" || now.Sub(t.made) > tokenLife/2 || now.Before(t.made) {
		token, err := identity.IssueToken(t.key, origin, now, tokenLife)
		if err != nil {
			return nil, err
		}
		t.token, t.made = token, now
	}
	return map[string]string{"authorization": "Bearer " + t.token}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials.
func (t *tokens) RequireTransportSecurity() bool { return !t.local }

// open makes the first contact: the key of the log must be known before any token can be made for it.
func (a *app) open() error {
	if err := a.link(); err != nil {
		return err
	}
	if a.trust.origin() == "" {
		return a.advance()
	}
	return nil
}

// identify returns the party and the person that the key speaks for. It asks the service once and remembers the answer,
// so that a bench without a link can still write full references.
func (a *app) identify() (party, person string, err error) {
	key, err := a.person()
	if err != nil {
		return "", "", err
	}
	var me struct{ Party, Person string }
	file := "people/" + string(key.ID()) + ".json" // one each, because a gold room may share a workstation
	if found, err := a.home.readJSON(file, &me); err != nil {
		return "", "", err
	} else if found && (a.g.Party == "" || a.g.Party == me.Party) {
		return me.Party, me.Person, nil
	}
	if a.g.Party != "" {
		return a.g.Party, "", nil
	}
	found, err := a.findPerson(key.Public())
	if err != nil {
		return "", "", partyUnknown(err)
	}
	me.Party, me.Person = found.GetParty(), found.GetName()
	return me.Party, me.Person, a.home.writeJSON(file, me)
}

func partyUnknown(err error) error {
	if unreachable(err) {
		return refusal.New(refusal.Unavailable, "PARTY_UNKNOWN", "--party",
			"The service does not answer, so it is not known which party your key acts for. Give --party, or write references as party/number.").Because(err)
	}
	return err
}

// findPerson walks the register of people for a key; a page is one call, and it is done once per home.
func (a *app) findPerson(public []byte) (*pb.Person, error) {
	var person *pb.Person
	err := a.walk(pb.ThingKind_THING_KIND_PERSON, "", func(t *pb.Thing) bool {
		if string(t.GetPerson().GetPublicKey()) == string(public) {
			person = t.GetPerson()
		}
		return person == nil
	})
	if err == nil && person == nil {
		err = refusal.New(refusal.NotFound, "KEY_UNKNOWN", "",
			"The key %s is not registered there. Have the administrator of your party enrol it.",
			identity.KeyIDOf(public).Short())
	}
	return person, err
}

// ref completes a short reference: `OT-0412` means our own party's. An empty one stays empty.
func (a *app) ref(short string) (string, error) {
	if short == "" || strings.Contains(short, "/") {
		return short, nil
	}
	party, _, err := a.identify()
	if err != nil {
		return "", err
	}
	return party + "/" + short, nil
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

// beside completes a short reference with the party of another: the boxes of a consignment are the consignor's.
func beside(neighbour, short string) string {
	if party, _, ok := strings.Cut(neighbour, "/"); ok && short != "" && !strings.Contains(short, "/") {
		return party + "/" + short
	}
	return short
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
