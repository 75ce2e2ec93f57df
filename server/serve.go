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
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"barward/internal/ledger"
	"barward/internal/refusal"
	"barward/internal/service"
)

type serveCommand struct {
	where
	Listen    string        `default:"127.0.0.1:7411" placeholder:"ADDRESS" env:"BARWARD_LISTEN" help:"Address and port to listen on; port 0 takes a free one. Default: ${default}."`
	TLSCert   string        `name:"tls-cert" placeholder:"FILE" env:"BARWARD_TLS_CERT" help:"Certificate chain in PEM. Needed, with its key, on any address but loopback."`
	TLSKey    string        `name:"tls-key" placeholder:"FILE" env:"BARWARD_TLS_KEY" help:"Private key of the certificate in PEM."`
	ReadyFile string        `placeholder:"FILE" help:"File to write once calls are taken, with the JSON that also goes to standard output."`
	Drain     time.Duration `default:"10s" help:"How long calls under way may take to finish when the server is asked to stop. Default: ${default}."`
	Verbose   bool          `help:"Log health checks and reflection too."`
}

// Run serves until the context of the world ends.
func (c *serveCommand) Run(w *world) error {
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	return Run(w.ctx, Config{
		Ledger: c.Ledger, LogKey: c.logKey(), Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey,
		ReadyFile: c.ReadyFile, Drain: c.Drain, Out: w.stdout, Log: w.logger(level),
	})
}

// Config is what Run needs. Ledger, LogKey, Listen, Out and Log are required.
type Config struct {
	Ledger string // path of the ledger file
	LogKey string // path of the log's private key
	Listen string // address and port; port 0 takes a free one

	// TLSCert and TLSKey are paths of PEM files, both or neither. Neither serves in plain text, on loopback only: a token
	// that crosses a network in plain text is good for reads by whoever sees it.
	TLSCert, TLSKey string

	ReadyFile string        // path to write Ready to, "" for none
	Drain     time.Duration // how long calls under way may take when ctx ends; 0 ends them at once
	Out       io.Writer     // gets Ready as one line
	Log       *slog.Logger
}

// Ready says where a server listens, once it does.
type Ready struct {
	Listening    string `json:"listening"`      // address and port
	TLS          bool   `json:"tls"`            //
	Origin       string `json:"origin"`         // name of the log
	LogPublicKey string `json:"log_public_key"` // with which its checkpoints are checked
	Entries      uint64 `json:"entries"`        //
	PID          int    `json:"pid"`
}

// Run opens a ledger and serves it until ctx ends; then it takes no more calls, lets those under way finish within Drain,
// and closes the ledger. It returns nil after an orderly end.
func Run(ctx context.Context, c Config) (err error) {
	options, err := c.credentials()
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
	l, err := ledger.Open(c.Ledger, key.config(writing))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return refusal.New(refusal.Unavailable, "LISTEN_FAILED", "listen",
			"The server cannot listen on %s. See that the address is this machine's and that nothing else uses the port.",
			c.Listen).With("listen", c.Listen).Because(err)
	}
	defer listener.Close()
	if err := c.checkListener(listener.Addr()); err != nil {
		return err
	}

	s := service.New(service.Config{Ledger: l, Origin: key.origin(), LogKey: key.public, Log: c.Log})
	server := s.Server(options...)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	c.Log.Info("listening", "address", listener.Addr().String(), "tls", c.TLSCert != "", "origin", key.origin(),
		"entries", l.Size())
	err = c.announce(Ready{Listening: listener.Addr().String(), TLS: c.TLSCert != "", Origin: key.origin(),
		LogPublicKey: key.public, Entries: l.Size(), PID: os.Getpid()})
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

// stopWithin takes no more calls and waits for those under way, then ends them.
func stopWithin(server *grpc.Server, drain time.Duration) {
	hurry := time.AfterFunc(drain, server.Stop)
	defer hurry.Stop()
	server.GracefulStop()
}

// credentials returns the options for TLS, none for plain text.
func (c Config) credentials() ([]grpc.ServerOption, error) {
	switch {
	case c.TLSCert == "" && c.TLSKey == "":
		return nil, nil
	case c.TLSCert == "" || c.TLSKey == "":
		return nil, refusal.Invalidf("TLS_HALF_GIVEN", "tls_cert",
			"TLS takes a certificate and its private key; only one of the two was given. Give both, or neither on loopback.")
	}
	pair, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey)
	if err != nil {
		return nil, refusal.Invalidf("TLS_UNREADABLE", "tls_cert",
			"The certificate %s and the key %s cannot be read as a PEM pair. See that both are there and belong together.",
			c.TLSCert, c.TLSKey).Because(err)
	}
	return []grpc.ServerOption{grpc.Creds(credentials.NewTLS(&tls.Config{
		Certificates: []tls.Certificate{pair},
		MinVersion:   tls.VersionTLS12,
	}))}, nil
}

// checkListener refuses plain text on anything but loopback. It looks at the address that was taken, not at the name that
// was asked for, because a name means what the machine's resolver says.
func (c Config) checkListener(addr net.Addr) error {
	tcp, ok := addr.(*net.TCPAddr)
	if c.TLSCert != "" || ok && tcp.IP.IsLoopback() {
		return nil
	}
	return refusal.New(refusal.Precondition, "LISTENER_WITHOUT_TLS", "listen",
		"%s can be reached from other machines, and there is no certificate. Give --tls-cert and --tls-key, or listen on "+
			"127.0.0.1.", addr).About(addr.String()).With("listen", addr.String())
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
