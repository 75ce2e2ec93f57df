package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	grpcstatus "google.golang.org/grpc/status"

	"barward/internal/service"
	pb "barward/proto/barward/v1"
)

// authority is an invented certificate authority.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	last int64
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "invented authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &authority{t: t, cert: cert, key: key, last: 1}
}

// issue makes a certificate for 127.0.0.1 that ends at a time, and its key, both in PEM, and returns its serial number.
func (a *authority) issue(usage x509.ExtKeyUsage, until time.Time) (cert, key []byte, serial int64) {
	a.t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.last++
	template := &x509.Certificate{SerialNumber: big.NewInt(a.last), Subject: pkix.Name{CommonName: "invented"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: until, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{usage}, KeyUsage: x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, private.Public(), a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	encoded, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		a.t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: encoded}), a.last
}

func (a *authority) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

func (a *authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return pool
}

func (p place) write(name string, text []byte) string {
	p.t.Helper()
	// Whole or not at all, as a tool that renews certificates should do it.
	if err := os.WriteFile(p.path(name+".new"), text, 0o600); err != nil {
		p.t.Fatal(err)
	}
	if err := os.Rename(p.path(name+".new"), p.path(name)); err != nil {
		p.t.Fatal(err)
	}
	return p.path(name)
}

// pair writes a certificate of a server and its key.
func (p place) pair(a *authority) (serial int64) {
	p.t.Helper()
	cert, key, serial := a.issue(x509.ExtKeyUsageServerAuth, time.Now().Add(time.Hour))
	p.write("tls.key", key)
	p.write("tls.crt", cert)
	return serial
}

func (p place) tls(c *Config) { c.TLSCert, c.TLSKey = p.path("tls.crt"), p.path("tls.key") }

// ask makes one call by a connection of its own.
func (p place) ask(ready Ready, config *tls.Config) error {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	conn := p.dial(ready, credentials.NewTLS(config))
	_, err := pb.NewLedgerServiceClient(conn).GetCheckpoint(ctx, new(pb.GetCheckpointRequest))
	return err
}

// shown returns the serial number of the certificate that a server shows now.
func shown(t *testing.T, address string, a *authority) int64 {
	t.Helper()
	conn, err := tls.Dial("tcp", address, &tls.Config{RootCAs: a.pool(), MinVersion: tls.VersionTLS13})
	if err != nil {
		return -1
	}
	defer conn.Close()
	return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
}

// What is older than TLS 1.3 (RFC 8446) is not spoken, by neither listener.
func TestOnlyTLS13(t *testing.T) {
	t.Parallel()
	p, a := newLedger(t), newAuthority(t)
	p.pair(a)
	ready, _ := p.serve(func(c *Config) {
		p.tls(c)
		c.Monitor = "127.0.0.1:0"
	})
	for _, address := range []string{ready.Listening, ready.Monitor} {
		for version, taken := range map[uint16]bool{tls.VersionTLS12: false, tls.VersionTLS13: true} {
			conn, err := tls.Dial("tcp", address, &tls.Config{RootCAs: a.pool(), MinVersion: tls.VersionTLS10, MaxVersion: version})
			if (err == nil) != taken {
				t.Errorf("%s with %s: %v", address, tls.VersionName(version), err)
			}
			if err == nil {
				conn.Close()
			}
		}
	}
	if err := p.ask(ready, &tls.Config{RootCAs: a.pool()}); err != nil {
		t.Error(err)
	}
}

// A client without a certificate, or with one of another authority, gets no call through.
func TestAttackMutualTLSWithoutACertificate(t *testing.T) {
	t.Parallel()
	p, a, other := newLedger(t), newAuthority(t), newAuthority(t)
	p.pair(a)
	p.write("clients.crt", a.pem())
	ready, _ := p.serve(func(c *Config) {
		p.tls(c)
		c.ClientCA = p.path("clients.crt")
	})
	if !ready.Mutual {
		t.Error("the server does not say that it wants certificates")
	}
	with := func(a *authority, until time.Time) *tls.Config {
		cert, key, _ := a.issue(x509.ExtKeyUsageClientAuth, until)
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			t.Fatal(err)
		}
		return &tls.Config{Certificates: []tls.Certificate{pair}}
	}
	hour := time.Now().Add(time.Hour)
	for what, tt := range map[string]struct {
		config *tls.Config
		taken  bool
	}{
		"none": {new(tls.Config), false}, "of another authority": {with(other, hour), false},
		"that has ended": {with(a, time.Now().Add(-time.Minute)), false}, "a good one": {with(a, hour), true},
	} {
		tt.config.RootCAs = a.pool()
		if err := p.ask(ready, tt.config); (err == nil) != tt.taken {
			t.Errorf("with a certificate %s: %v", what, err)
		}
	}
	if conn := p.dial(ready, insecure.NewCredentials()); true {
		_, err := pb.NewLedgerServiceClient(conn).GetCheckpoint(context.Background(), new(pb.GetCheckpointRequest))
		if grpcstatus.Code(err) != codes.Unavailable {
			t.Errorf("in plain text: %v", err)
		}
	}
}

// A renewed certificate counts without a restart, and a broken one does not; then health and log say so.
func TestCertificateIsRenewedWithoutRestart(t *testing.T) {
	t.Parallel()
	p, a, log := newLedger(t), newAuthority(t), new(syncBuffer)
	first := p.pair(a)
	ready, _ := p.serve(func(c *Config) {
		p.tls(c)
		c.CertEvery, c.Monitor = 20*time.Millisecond, "127.0.0.1:0"
		c.Log = slog.New(slog.NewJSONHandler(log, nil))
	})
	if got := shown(t, ready.Listening, a); got != first {
		t.Fatalf("shows certificate %d, want %d", got, first)
	}
	standing := p.dial(ready, credentials.NewTLS(&tls.Config{RootCAs: a.pool()}))
	ask := func() error {
		_, err := pb.NewLedgerServiceClient(standing).GetCheckpoint(context.Background(), new(pb.GetCheckpointRequest))
		return err
	}
	if err := ask(); err != nil {
		t.Fatal(err)
	}
	second := p.pair(a)
	patient(t, "the new certificate is shown", func() bool { return shown(t, ready.Listening, a) == second })
	if got := shown(t, ready.Monitor, a); got != second {
		t.Errorf("the monitor shows certificate %d, want %d", got, second)
	}

	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: a.pool()}}}
	defer client.CloseIdleConnections()
	health := func() (h service.Health) {
		resp, err := client.Get("https://" + ready.Monitor + "/health")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if err := json.NewDecoder(resp.Body).Decode(&h); err != nil {
			t.Fatal(err)
		}
		return h
	}
	for what, spoil := range map[string]func(){
		"no certificate at all": func() { p.write("tls.crt", []byte("not a certificate\n")) },
		"another pair's key": func() {
			_, key, _ := a.issue(x509.ExtKeyUsageServerAuth, time.Now().Add(time.Hour))
			p.write("tls.key", key)
		},
		"one that has ended": func() {
			cert, key, _ := a.issue(x509.ExtKeyUsageServerAuth, time.Now().Add(-time.Minute))
			p.write("tls.crt", cert)
			p.write("tls.key", key)
		},
		"none": func() { os.Remove(p.path("tls.crt")) },
	} {
		good := p.pair(a)
		patient(t, what+": sound before", func() bool {
			return health().Degraded["certificate"] == "" && shown(t, ready.Listening, a) == good
		})
		spoil()
		patient(t, what+": health says so", func() bool { return strings.Contains(health().Degraded["certificate"], "tls.crt") })
		if !health().Ready {
			t.Errorf("%s: the server calls itself not ready", what)
		}
		if got := shown(t, ready.Listening, a); got != good {
			t.Errorf("%s: shows certificate %d, want the old one, %d", what, got, good)
		}
	}
	if text := log.String(); !strings.Contains(text, `"part":"certificate"`) || !strings.Contains(text, "TLS_UNREADABLE") &&
		!strings.Contains(text, "cannot be used") {
		t.Error("the log does not say that the certificate cannot be used")
	}
	last := p.pair(a)
	patient(t, "it is sound again", func() bool {
		return shown(t, ready.Listening, a) == last && health().Degraded["certificate"] == ""
	})
	if err := ask(); err != nil {
		t.Errorf("a connection that stood all along: %v", err)
	}
}

// SIGHUP reads the files at once.
func TestCertificateIsReadWhenAsked(t *testing.T) {
	t.Parallel()
	p, a := newLedger(t), newAuthority(t)
	p.pair(a)
	again := make(chan os.Signal, 1)
	ready, _ := p.serve(func(c *Config) {
		p.tls(c)
		c.CertEvery, c.Reload = time.Hour, again
	})
	second := p.pair(a)
	again <- syscall.SIGHUP
	patient(t, "the new certificate is shown", func() bool { return shown(t, ready.Listening, a) == second })
}

// A certificate with less than a tenth of its life before it is told by health before it ends.
func TestCertificateNearItsEnd(t *testing.T) {
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	c := &certificates{life: [2]time.Time{from, from.AddDate(0, 0, 100)}}
	for days, well := range map[int]bool{0: true, 50: true, 90: true, 91: false, 101: false} { // by hand: a tenth is 10 days
		if err := c.ending(from.AddDate(0, 0, days)); (err == nil) != well {
			t.Errorf("after %d of 100 days: %v", days, err)
		}
	}
}

// Nothing that others can reach starts without TLS, and profiles are served to nobody but this machine.
func TestListenersThatAreRefused(t *testing.T) {
	t.Parallel()
	p, a := newLedger(t), newAuthority(t)
	p.pair(a)
	p.write("empty", nil)
	tlsFlags := []string{"--tls-cert", p.path("tls.crt"), "--tls-key", p.path("tls.key")}
	for what, tt := range map[string]struct {
		flags  []string
		reason string
	}{
		"a monitor off loopback":         {[]string{"--monitor", "0.0.0.0:0"}, "LISTENER_WITHOUT_TLS"},
		"profiles off loopback":          {append([]string{"--monitor", "0.0.0.0:0", "--pprof"}, tlsFlags...), "PPROF_OFF_LOOPBACK"},
		"profiles without a monitor":     {[]string{"--pprof"}, "PPROF_WITHOUT_MONITOR"},
		"an authority without a pair":    {[]string{"--tls-client-ca", p.path("tls.crt")}, "TLS_HALF_GIVEN"},
		"an authority that is none":      {append([]string{"--tls-client-ca", p.path("empty")}, tlsFlags...), "CLIENT_CA_UNREADABLE"},
		"a socket where another file is": {[]string{"--operator-socket", p.path("tls.crt")}, "OPERATOR_SOCKET_FAILED"},
		"a socket with a long path":      {[]string{"--operator-socket", p.path(strings.Repeat("x", 120))}, "OPERATOR_SOCKET_FAILED"},
	} {
		args := append([]string{"serve", "--ledger", p.path("ledger"), "--listen", "127.0.0.1:0"}, tt.flags...)
		code, _, stderr := p.run(args...)
		want(t, what, code, 1, stderr, tt.reason)
	}
	code, _, stderr := p.run("verify", "--ledger", p.path("ledger")) // each let go of the ledger
	want(t, "verify", code, 0, stderr, "")
}

// page reads a page of the monitor.
func page(t *testing.T, address, path string) (code int, text string) {
	t.Helper()
	resp, err := http.Get("http://" + address + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}
