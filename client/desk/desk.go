package desk

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"barward/client/station"
	"barward/internal/refusal"
)

// Config is what a desk needs. Home and Server are required; the rest has a use for its zero value.
type Config struct {
	// Listen is the address and port of the pages; port 0 takes a free one. Empty: 127.0.0.1:7412.
	Listen string
	// TLSCert and TLSKey are PEM files, both or neither. Without them the desk listens on loopback only.
	TLSCert, TLSKey string
	// Names are further host names under which the desk is reached, for use with TLS. Another one in a request is refused.
	Names []string

	// Home is the folder of the outbox, the last checkpoint, the drafts and what was last seen.
	Home string
	// Keys are further key files, or folders that hold some, beside those in Home and Home/keys.
	Keys []string
	// Server is the service, host:port; the others say how to reach and to know it, as for the command line.
	Server, CA, Certificate, CertificateKey, LogKey, Party string
	// Place is the site where this workstation stands, as `party/site`; empty where events get the site of the balance.
	Place string
	// GS1Prefix is the party's GS1 company prefix, for the SSCC on box labels; empty where it has none.
	GS1Prefix string
	// Timeout is the longest wait for one answer of the service. Zero: 30 s.
	Timeout time.Duration
	// Patience is the longest that a page keeps a person waiting for the service: then it shows what was seen before, or
	// says that what was signed is kept. Zero: 8 s.
	Patience time.Duration
	// Idle is how long a desk stays open without use before it locks itself. Zero: 10 minutes.
	Idle time.Duration

	Now       func() time.Time // nil: time.Now
	ReadyFile string           // file to write Ready to, "" for none
	Out       io.Writer        // gets Ready in words; nil: nobody
	Log       *slog.Logger     // nil: silent
}

// Ready says where a desk listens, once it does.
type Ready struct {
	Address string `json:"address"` // of the start page, such as http://127.0.0.1:7412/
	PID     int    `json:"pid"`
}

// Desk is one workstation's pages. It is an http.Handler, safe for concurrent use.
type Desk struct {
	c       Config
	log     *slog.Logger
	station *station.Station
	secret  [32]byte // of this run, for the tokens of forms
	mux     *http.ServeMux
	looks   looks
	kept    station.Home // what the desk itself keeps: drafts, signed forms, what was last seen
	sender  *sender
	names   map[string]bool // host names under which requests are taken

	opening  sync.Mutex // one key file is opened at a time
	bay      shifts
	drafting sync.Mutex // one draft is written at a time
	used     usedNames

	mu      sync.Mutex
	seat    *seat     // who sits here, a value that is replaced and never changed; nil while locked
	touched time.Time // when the desk was used last
	flashes []flash   // what to tell on the next page
	warmed  time.Time // when what the rooms need without a link was last looked at
	met     bool      // the service has said in this sitting who it is
}

// New opens the workstation's folder. No link is needed. Refusals: those of the folder and of the outbox.
func New(c Config) (*Desk, error) {
	if c.Home == "" || c.Server == "" {
		return nil, refusal.Invalidf("DESK_INCOMPLETE", "home",
			"A desk needs its home folder and the address of its service.")
	}
	if c.Listen == "" {
		c.Listen = usualListen
	}
	if c.Timeout == 0 {
		c.Timeout = usualTimeout
	}
	if c.Patience == 0 {
		c.Patience = usualPatience
	}
	if c.Idle == 0 {
		c.Idle = usualIdle
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	d := &Desk{c: c, log: c.Log, kept: station.Home{Folder: filepath.Join(c.Home, "desk")},
		names: map[string]bool{"localhost": true, "127.0.0.1": true, "::1": true}}
	for _, name := range c.Names {
		d.names[strings.ToLower(name)] = true
	}
	if _, err := rand.Read(d.secret[:]); err != nil {
		return nil, err
	}
	var err error
	if d.looks, err = readLooks(); err != nil {
		return nil, err
	}
	d.station, err = station.Open(station.Config{Home: c.Home, Server: c.Server, CA: c.CA, Certificate: c.Certificate,
		CertificateKey: c.CertificateKey, LogKey: c.LogKey, Party: c.Party, Timeout: c.Timeout, Now: c.Now, Say: d.notice})
	if err != nil {
		return nil, err
	}
	d.forgetOld()
	d.sender = newSender(d)
	d.mux = d.routes()
	return d, nil
}

// Close locks the desk and closes the folder.
func (d *Desk) Close() error {
	d.lock("the desk was closed")
	d.sender.stop()
	d.closeShifts()
	return d.station.Close()
}

// Run opens a desk and serves it until ctx ends. It returns nil after an orderly end.
func Run(ctx context.Context, c Config) (err error) {
	d, err := New(c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	listener, err := net.Listen("tcp", d.c.Listen)
	if err != nil {
		return refusal.New(refusal.Unavailable, "LISTEN_FAILED", "listen",
			"The desk cannot listen on %s. See that no other desk runs there, or give another --listen.", d.c.Listen).Because(err)
	}
	defer listener.Close()
	scheme, secure, err := d.transport(listener.Addr())
	if err != nil {
		return err
	}
	server := &http.Server{Handler: d, TLSConfig: secure, ReadHeaderTimeout: headerPatience, ReadTimeout: bodyPatience,
		MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelDebug)}
	served := make(chan error, 1)
	go func() {
		if secure != nil {
			served <- server.ServeTLS(listener, "", "")
		} else {
			served <- server.Serve(listener)
		}
	}()
	if err := d.announce(Ready{Address: scheme + "://" + listener.Addr().String() + "/", PID: os.Getpid()}); err != nil {
		return errors.Join(err, server.Close())
	}
	select {
	case <-ctx.Done():
	case err = <-served:
		return fmt.Errorf("the listener failed: %w", err)
	}
	rest, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopPatience)
	defer cancel()
	if server.Shutdown(rest) != nil {
		_ = server.Close() // what was typed is on the disk; what is under way is sent again
	}
	return nil
}

// transport refuses plain text on anything but loopback. It looks at the address that was taken, not at the name that
// was asked for, because a name means what the machine's resolver says.
func (d *Desk) transport(at net.Addr) (scheme string, secure *tls.Config, err error) {
	tcp, ok := at.(*net.TCPAddr)
	if d.c.TLSCert == "" && d.c.TLSKey == "" {
		if !ok || !tcp.IP.IsLoopback() {
			return "", nil, refusal.New(refusal.Precondition, "LISTENER_WITHOUT_TLS", "listen",
				"%s can be reached from other machines, and there is no certificate: passphrases would cross the network in plain text. Give --tls-cert and --tls-key, or listen on 127.0.0.1.", at)
		}
		return "http", nil, nil
	}
	pair, err := tls.LoadX509KeyPair(d.c.TLSCert, d.c.TLSKey)
	if err != nil {
		return "", nil, refusal.Invalidf("TLS_UNREADABLE", "tls_cert",
			"The certificate %s and the key %s cannot be read as a PEM pair. Give both, and see that they belong together.",
			d.c.TLSCert, d.c.TLSKey).Because(err)
	}
	if ok && !tcp.IP.IsUnspecified() {
		d.names[tcp.IP.String()] = true
	}
	return "https", &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}}, nil
}

// announce says that pages are served. The ready file appears whole or not at all.
func (d *Desk) announce(ready Ready) error {
	if d.c.ReadyFile != "" {
		line, err := json.Marshal(ready)
		if err != nil {
			return err
		}
		passing := filepath.Join(filepath.Dir(d.c.ReadyFile), "."+filepath.Base(d.c.ReadyFile)+".new")
		if err := os.WriteFile(passing, append(line, '\n'), 0o600); err != nil {
			return fmt.Errorf("the ready file cannot be written: %w", err)
		}
		if err := os.Rename(passing, d.c.ReadyFile); err != nil {
			return fmt.Errorf("the ready file cannot be written: %w", err)
		}
	}
	if d.c.Out == nil {
		return nil
	}
	_, err := fmt.Fprintf(d.c.Out, "The desk is open at %s (stop it with Ctrl-C).\n", ready.Address)
	return err
}

func (d *Desk) now() time.Time { return d.c.Now() }

// notice keeps what the workstation has to say, such as the first use of a log, for the next page.
func (d *Desk) notice(format string, args ...any) {
	text := strings.Join(strings.Fields(fmt.Sprintf(format, args...)), " ")
	d.log.Info(text)
	d.tell(flash{Kind: "notice", Text: text})
}
