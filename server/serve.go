package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"sync"
	"syscall"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/refusal"
	"barward/internal/service"
)

type serveCommand struct {
	where
	Listen         string        `default:"127.0.0.1:7411" placeholder:"ADDRESS" env:"BARWARD_LISTEN" help:"Address and port to listen on; port 0 takes a free one. Default: ${default}."`
	TLSCert        string        `name:"tls-cert" placeholder:"FILE" env:"BARWARD_TLS_CERT" help:"Certificate chain in PEM. Needed, with its key, on any address but loopback. A renewed file counts without a restart."`
	TLSKey         string        `name:"tls-key" placeholder:"FILE" env:"BARWARD_TLS_KEY" help:"Private key of the certificate in PEM."`
	TLSClientCA    string        `name:"tls-client-ca" placeholder:"FILE" env:"BARWARD_TLS_CLIENT_CA" help:"Authorities in PEM, one of which must have signed a client's certificate. Without it a client needs none."`
	Monitor        string        `placeholder:"ADDRESS" env:"BARWARD_MONITOR" help:"Address and port for metrics and health over HTTP, such as 127.0.0.1:7412; with TLS if the calls have it. Default: none."`
	Pprof          bool          `help:"Serve Go's profiles on the monitor's address, which must be loopback."`
	OperatorSocket string        `placeholder:"FILE" env:"BARWARD_OPERATOR_SOCKET" help:"Unix socket for the other commands; none for none. Default: the ledger file's name with .sock behind it."`
	CallerRate     float64       `placeholder:"N" env:"BARWARD_CALLER_RATE" help:"Calls a second from one key, over a long time. Default: 1000."`
	AddressRate    float64       `placeholder:"N" env:"BARWARD_ADDRESS_RATE" help:"Calls a second from one network address. Default: 4000."`
	Connections    int           `placeholder:"N" env:"BARWARD_CONNECTIONS" help:"Connections that may be open at once. Default: 2000."`
	ReadyFile      string        `placeholder:"FILE" help:"File to write once calls are taken, with the JSON that also goes to standard output."`
	Drain          time.Duration `default:"10s" help:"How long calls under way may take to finish when the server is asked to stop. Default: ${default}."`
	Verbose        bool          `help:"Log reads that were answered, health checks and reflection too."`
}

// Run serves until the context of the world ends.
func (c *serveCommand) Run(w *world) error {
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	again := make(chan os.Signal, 1)
	signal.Notify(again, syscall.SIGHUP)
	defer signal.Stop(again)
	log := w.logger(level)
	socket := c.OperatorSocket
	switch {
	case socket == "none":
		socket = ""
	case socket == "" && len(c.Ledger+".sock") > maxSocketPath:
		log.Warn("no operator's socket: the ledger's path is too long for one; name another with --operator-socket")
	case socket == "":
		socket = c.Ledger + ".sock"
	}
	if w.getenv("GOGC") == "" {
		debug.SetGCPercent(service.GarbagePercent)
	}
	return Run(w.ctx, Config{
		Ledger: c.Ledger, LogKey: c.logKey(), Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey, ClientCA: c.TLSClientCA,
		Reload: again, Monitor: c.Monitor, Profiles: c.Pprof, OperatorSocket: socket,
		Limits:    service.Limits{CallerRate: c.CallerRate, AddressRate: c.AddressRate, Connections: c.Connections},
		ReadyFile: c.ReadyFile, Drain: c.Drain, Out: w.stdout, Log: log, Getenv: w.getenv,
	})
}

// Config is what Run needs. Ledger, LogKey, Listen, Out and Log are required.
type Config struct {
	Ledger string // path of the ledger file
	LogKey string // path of the log's private key
	Listen string // address and port; port 0 takes a free one

	// TLSCert and TLSKey are paths of PEM files, both or neither. Neither serves in plain text, on loopback only: a
	// token that crosses a network in plain text is good for reads by whoever sees it. ClientCA, if not "", has the
	// authorities that must have signed a client's certificate. The files are looked at every CertEvery (0: five
	// seconds), and when Reload says so.
	TLSCert, TLSKey, ClientCA string
	CertEvery                 time.Duration
	Reload                    <-chan os.Signal

	Monitor        string         // address and port for metrics and health, "" for none
	Profiles       bool           // Go's profiles there, on loopback only
	OperatorSocket string         // path of the operator's socket, "" for none
	Limits         service.Limits // bounds that differ from service.Standard

	ReadyFile string                   // path to write Ready to, "" for none
	Drain     time.Duration            // how long calls under way may take when ctx ends; 0 ends them at once
	Out       io.Writer                // gets Ready as one line
	Log       *slog.Logger             //
	Getenv    func(name string) string // for the environment of traces; nil: no traces
}

// Ready says where a server listens, once it does.
type Ready struct {
	Listening      string `json:"listening"`                 // address and port
	TLS            bool   `json:"tls"`                       //
	Mutual         bool   `json:"mutual_tls"`                // whether clients need a certificate
	Monitor        string `json:"monitor,omitempty"`         // address and port of metrics and health
	OperatorSocket string `json:"operator_socket,omitempty"` //
	Origin         string `json:"origin"`                    // name of the log
	LogPublicKey   string `json:"log_public_key"`            // with which its checkpoints are checked
	Entries        uint64 `json:"entries"`                   //
	PID            int    `json:"pid"`
}

// Run opens a ledger and serves it until ctx ends; then it takes no more calls, lets those under way finish within
// Drain, and closes the ledger. It returns nil after an orderly end.
func Run(ctx context.Context, c Config) (err error) {
	certificates, err := c.certificates()
	if err != nil {
		return err
	}
	if err := (where{Ledger: c.Ledger}).missing(); err != nil {
		return err
	}
	key, err := readLogKey(c.LogKey)
	if err != nil {
		return err
	}
	// The ledger comes first: a server that cannot have it must not hold the port either.
	batches := service.NewBatches()
	config := key.config(writing)
	config.Observe = batches.Observe
	l, err := ledger.Open(c.Ledger, config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if err := c.refold(ctx, l); err != nil {
		return err
	}
	listener, err := c.listen(c.Listen)
	if err != nil {
		return err
	}
	defer listener.Close()
	if c.Getenv == nil {
		c.Getenv = func(string) string { return "" }
	}
	options, stopTraces, err := tracing(ctx, c.Getenv)
	if err != nil {
		return err
	}
	defer func() { endWithin(c.Drain, stopTraces) }()

	s := service.New(service.Config{Ledger: l, Origin: key.origin(), LogKey: key.public, Log: c.Log, Limits: c.Limits})
	defer s.Stop()
	beside := &beside{log: c.Log}
	defer beside.stop() // after the calls, so that health tells of the stop, and before the ledger is closed
	ready := Ready{Listening: listener.Addr().String(), TLS: certificates != nil, Mutual: c.ClientCA != "",
		OperatorSocket: c.OperatorSocket, Origin: key.origin(), LogPublicKey: key.public, Entries: l.Size(), PID: os.Getpid()}
	if certificates != nil {
		certificates.degrade = s.Degrade
		beside.do(func(ctx context.Context) { certificates.watch(ctx, c.CertEvery, c.Reload) })
		options = append(options, grpc.Creds(credentials.NewTLS(certificates.config("h2"))))
	}
	if ready.Monitor, err = c.startMonitor(beside, s, batches, certificates); err != nil {
		return err
	}
	keeper := &operator{ledger: l, key: key, service: s, since: time.Now(), log: c.Log}
	if err := c.startOperator(beside, keeper); err != nil {
		return err
	}
	server := s.Server(options...)
	served := make(chan error, 1)
	go func() { served <- server.Serve(s.Listener(listener)) }()
	c.Log.Info("listening", "address", ready.Listening, "tls", ready.TLS, "mutual", ready.Mutual, "monitor", ready.Monitor,
		"origin", ready.Origin, "entries", ready.Entries)
	err = c.announce(ready)
	if err == nil {
		select {
		case <-ctx.Done():
		case err = <-served:
			err = fmt.Errorf("the listener failed: %w", err)
		}
	}
	c.Log.Info("stopping", "drain", c.Drain.String())
	s.Stop()
	stopWithin(server, c.Drain)
	if c.ReadyFile != "" {
		_ = os.Remove(c.ReadyFile) // it would tell a script of a server that is gone
	}
	c.Log.Info("stopped", "entries", l.Size())
	return err
}

// beside is what runs beside the calls and ends with them.
type beside struct {
	log    *slog.Logger
	cancel []func()
	work   sync.WaitGroup
}

// do runs f until stop, which cancels its context and waits for it.
func (b *beside) do(f func(ctx context.Context)) {
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel = append(b.cancel, cancel)
	b.work.Go(func() { f(ctx) })
}

// serve serves pages on a listener until stop.
func (b *beside) serve(what string, pages *http.Server, listener net.Listener, cancel func()) {
	b.cancel = append(b.cancel, func() {
		cancel()
		_ = pages.Close()
	})
	b.work.Go(func() {
		if err := serveQuietly(pages, listener); err != nil {
			b.log.Error("a listener failed", "what", what, "cause", err.Error())
		}
	})
}

func (b *beside) stop() {
	for _, cancel := range b.cancel {
		cancel()
	}
	b.work.Wait()
}

// startMonitor serves metrics and health, if they are wanted, and returns where.
func (c Config) startMonitor(
	beside *beside, s *service.Service, batches *service.Batches, certificates *certificates,
) (string, error) {
	if c.Monitor == "" {
		if c.Profiles {
			return "", refusal.Invalidf("PPROF_WITHOUT_MONITOR", "pprof",
				"Profiles are served on the monitor's address. Give --monitor, such as 127.0.0.1:7412.")
		}
		return "", nil
	}
	listener, err := c.listen(c.Monitor)
	if err != nil {
		return "", err
	}
	at := listener.Addr()
	if err := c.checkMonitor(at); err != nil {
		return "", errors.Join(err, listener.Close())
	}
	if certificates != nil {
		listener = tls.NewListener(listener, certificates.config("http/1.1"))
	}
	pages, err := monitor(s, batches, c.Profiles, c.Log)
	if err != nil {
		return "", errors.Join(err, listener.Close())
	}
	beside.serve("monitor", pages, listener, func() {})
	return at.String(), nil
}

// startOperator serves the operator's socket, if it is wanted.
func (c Config) startOperator(beside *beside, o *operator) error {
	if c.OperatorSocket == "" {
		return nil
	}
	listener, err := listenOperator(c.OperatorSocket)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	beside.serve("operator", o.server(ctx), listener, func() {
		cancel()
		o.wait()
	})
	return nil
}

// listen takes an address, and refuses one that others can reach where there is no certificate.
func (c Config) listen(address string) (net.Listener, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, refusal.New(refusal.Unavailable, "LISTEN_FAILED", "listen",
			"The server cannot listen on %s. See that the address is this machine's and that nothing else uses the port.",
			address).With("listen", address).Because(err)
	}
	if err := c.checkListener(listener.Addr()); err != nil {
		return nil, errors.Join(err, listener.Close())
	}
	return listener, nil
}

// endWithin gives f some time to finish, as stopWithin gives the calls.
func endWithin(drain time.Duration, f func(context.Context) error) {
	ctx, cancel := context.WithTimeout(context.Background(), drain)
	defer cancel()
	_ = f(ctx) // what could not be sent is lost; nothing rests on it
}

// refold folds the book again where another release laid it out otherwise: it says the same, but lists would miss things.
// Broken off, it begins anew at the next start.
func (c Config) refold(ctx context.Context, l *ledger.Ledger) error {
	stale := false
	if err := l.View(func(b *ledger.Book, _ uint64) error { stale = book.Stale(b); return nil }); err != nil || !stale {
		return err
	}
	c.Log.Warn("the book lies as another release laid it; it is folded again before calls are taken", "entries", l.Size())
	begin := time.Now()
	if err := l.Rebuild(ctx, nil); err != nil {
		return err
	}
	c.Log.Info("the book is folded again", "entries", l.Size(), "took", time.Since(begin).Round(time.Millisecond))
	return nil
}

// stopWithin takes no more calls and waits for those under way, then ends them.
func stopWithin(server *grpc.Server, drain time.Duration) {
	hurry := time.AfterFunc(drain, server.Stop)
	defer hurry.Stop()
	server.GracefulStop()
}

// certificates reads the files for TLS; nil for plain text.
func (c *Config) certificates() (*certificates, error) {
	if c.CertEvery == 0 {
		c.CertEvery = certificatesEvery
	}
	switch {
	case c.TLSCert == "" && c.TLSKey == "" && c.ClientCA == "":
		return nil, nil
	case c.TLSCert == "" || c.TLSKey == "":
		return nil, refusal.Invalidf("TLS_HALF_GIVEN", "tls_cert",
			"TLS takes a certificate and its private key; only one of the two was given, or a client's authority without them. "+
				"Give both, or none on loopback.")
	}
	return loadCertificates(c.TLSCert, c.TLSKey, c.ClientCA, c.Log)
}

// certificatesEvery is how often the files of a certificate are looked at.
const certificatesEvery = 5 * time.Second

// checkListener refuses plain text on anything but loopback. It looks at the address that was taken, not at the name
// that was asked for, because a name means what the machine's resolver says.
func (c Config) checkListener(addr net.Addr) error {
	if c.TLSCert != "" || isLoopback(addr) {
		return nil
	}
	return refusal.New(refusal.Precondition, "LISTENER_WITHOUT_TLS", "listen",
		"%s can be reached from other machines, and there is no certificate. Give --tls-cert and --tls-key, or listen on "+
			"127.0.0.1.", addr).About(addr.String()).With("listen", addr.String())
}

func isLoopback(addr net.Addr) bool {
	tcp, ok := addr.(*net.TCPAddr)
	return ok && tcp.IP.IsLoopback()
}

// announce says that calls are taken. The ready file appears whole or not at all.
func (c Config) announce(ready Ready) error {
	line, err := json.Marshal(ready)
	if err != nil {
		return err
	}
	line = append(line, '\n')
	if c.ReadyFile != "" {
		passing := filepath.Join(filepath.Dir(c.ReadyFile), "."+filepath.Base(c.ReadyFile)+".new")
		if err := os.WriteFile(passing, line, 0o644); err != nil {
			return fmt.Errorf("the ready file cannot be written: %w", err)
		}
		if err := os.Rename(passing, c.ReadyFile); err != nil {
			return fmt.Errorf("the ready file cannot be written: %w", err)
		}
	}
	_, err = c.Out.Write(line)
	return err
}
