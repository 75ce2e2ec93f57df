package main

import (
	"log/slog"
	"time"

	"barward/client/desk"
)

type deskCmd struct {
	Listen    string        `help:"Address and port of its pages; other than this machine only with TLS." default:"127.0.0.1:7412" env:"BARWARD_DESK_LISTEN"`
	TLSCert   string        `name:"tls-cert" help:"Certificate chain of the pages, PEM." type:"path"`
	TLSKey    string        `name:"tls-key" help:"Private key of that certificate, PEM." type:"path"`
	Name      []string      `help:"Further host name under which the desk is opened, with TLS; repeat for more." placeholder:"HOST"`
	Keys      []string      `help:"Further key file, or folder of key files, that may be opened here; repeat for more." type:"path" placeholder:"PATH"`
	Idle      time.Duration `help:"Left alone for this long, the desk locks itself." default:"10m"`
	GS1Prefix string        `name:"gs1-prefix" help:"Your GS1 company prefix, for the SSCC on box labels." placeholder:"DIGITS"`
	ReadyFile string        `help:"File to write once pages are served, with their address as JSON." type:"path" placeholder:"FILE"`
	Verbose   bool          `help:"Say what it does, on standard error."`
}

// Run serves the desk until it is interrupted.
func (c *deskCmd) Run(a *app) error {
	log := slog.New(slog.DiscardHandler)
	if c.Verbose {
		log = slog.New(slog.NewTextHandler(a.complain, nil))
	}
	keys := c.Keys
	if a.g.Key != "" {
		keys = append(keys, a.g.Key)
	}
	return desk.Run(a.ctx, desk.Config{Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey, Names: c.Name, Home: a.g.Home,
		Keys: keys, Server: a.g.Server, CA: a.g.CA, Certificate: a.g.Certificate, CertificateKey: a.g.CertificateKey,
		LogKey: a.g.LogKey, Party: a.g.Party, Place: a.g.Place, GS1Prefix: c.GS1Prefix, Timeout: a.g.Timeout, Idle: c.Idle,
		Now: a.now, ReadyFile: c.ReadyFile, Out: a.out, Log: log})
}
