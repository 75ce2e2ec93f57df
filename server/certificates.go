package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"barward/internal/refusal"
)

// maxCertificate bounds the files of a certificate, its key and its authorities, in bytes.
const maxCertificate = 1 << 20

// certificates hold what a listener shows, and follow the files: a certificate that is renewed in place counts for the
// next connection, without a restart. A new pair that cannot be used changes nothing but what health says.
type certificates struct {
	cert, key, clientCA string // paths; clientCA may be ""
	log                 *slog.Logger
	degrade             func(part string, err error)

	read [3][]byte // what the files held when they were last tried, good or bad
	now  atomic.Pointer[tls.Config]
	life [2]time.Time // of the certificate that counts: from when, until when
}

// loadCertificates reads the files for the first time. Then they must be good.
func loadCertificates(cert, key, clientCA string, log *slog.Logger) (*certificates, error) {
	c := &certificates{cert: cert, key: key, clientCA: clientCA, log: log, degrade: func(string, error) {}}
	_, err := c.reload()
	if err != nil {
		return nil, err
	}
	return c, nil
}

// reload reads the files and takes them if they are good and other than before.
func (c *certificates) reload() (changed bool, err error) {
	var read [3][]byte
	for i, path := range []string{c.cert, c.key, c.clientCA} {
		if path == "" {
			continue
		}
		if read[i], err = readSmall(path); err != nil {
			return false, unreadable(c.cert, c.key, err)
		}
	}
	same := c.read[0] != nil
	for i := range read {
		same = same && bytes.Equal(read[i], c.read[i])
	}
	if same {
		return false, errUnchanged
	}
	c.read = read
	pair, err := tls.X509KeyPair(read[0], read[1])
	if err != nil {
		return false, unreadable(c.cert, c.key, err)
	}
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		return false, unreadable(c.cert, c.key, err)
	}
	if now := time.Now(); now.After(leaf.NotAfter) {
		return false, unreadable(c.cert, c.key,
			fmt.Errorf("the certificate ended on %s", leaf.NotAfter.UTC().Format(time.RFC3339)))
	}
	config := &tls.Config{
		Certificates: []tls.Certificate{pair},
		MinVersion:   tls.VersionTLS13,
		NextProtos:   []string{"h2"},
		// Whoever comes back is looked at again: a resumed session would carry a client's certificate past its end.
		SessionTicketsDisabled: true,
	}
	if c.clientCA != "" {
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(read[2]) {
			return false, refusal.Invalidf("CLIENT_CA_UNREADABLE", "tls_client_ca",
				"%s holds no certificate in PEM. Give the certificates of the authorities that sign your clients'.", c.clientCA)
		}
		config.ClientCAs, config.ClientAuth = pool, tls.RequireAndVerifyClientCert
	}
	c.now.Store(config)
	c.life = [2]time.Time{leaf.NotBefore, leaf.NotAfter}
	c.log.Info("certificate", "serial", leaf.SerialNumber.String(), "not_after", leaf.NotAfter.UTC().Format(time.RFC3339),
		"mutual", c.clientCA != "")
	return true, nil
}

// errUnchanged says that the files are as they were when they were last tried.
var errUnchanged = errors.New("unchanged")

// watch looks at the files every so often, and at once when somebody asks, until ctx ends.
func (c *certificates) watch(ctx context.Context, every time.Duration, ask <-chan os.Signal) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ask:
		case <-ctx.Done():
			return
		}
		if _, err := c.reload(); !errors.Is(err, errUnchanged) {
			c.degrade("certificate", err)
		}
		c.degrade("certificate_end", c.ending(time.Now()))
	}
}

// ending says that the certificate has less than a tenth of its life before it, or none.
func (c *certificates) ending(now time.Time) error {
	from, until := c.life[0], c.life[1]
	if left := until.Sub(now); left >= until.Sub(from)/10 {
		return nil
	}
	return refusal.New(refusal.Precondition, "CERTIFICATE_ENDS", "tls_cert",
		"The certificate %s ends on %s. Put a new one in its place; no restart is needed.", c.cert,
		until.UTC().Format(time.RFC3339))
}

// config is for a listener: it asks with each connection what counts now. protocols are what is spoken behind it.
func (c *certificates) config(protocols ...string) *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, NextProtos: protocols,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			now := c.now.Load().Clone()
			now.NextProtos = protocols
			return now, nil
		}}
}

func unreadable(cert, key string, err error) *refusal.Error {
	return refusal.Invalidf("TLS_UNREADABLE", "tls_cert",
		"The certificate %s and the key %s cannot be used as a PEM pair. See that both are there, belong together and have "+
			"not ended.", cert, key).Because(err)
}

func readSmall(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > maxCertificate {
		return nil, fmt.Errorf("%s is no file of at most %d bytes", path, maxCertificate)
	}
	return os.ReadFile(path)
}
