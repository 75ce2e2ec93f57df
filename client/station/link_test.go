package station

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"barward/client/outbox"
	"barward/client/station/stationtest"
	pb "barward/proto/barward/v1"
)

// Plain text goes to this machine only.
func TestTransport(t *testing.T) {
	noCertificate := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(noCertificate, []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		server, ca, certificate string
		local                   bool
		reason                  string
	}{
		{"127.0.0.1:7411", "", "", true, ""},
		{"[::1]:7411", "", "", true, ""},
		{"localhost:7411", "", "", true, ""},
		{"192.0.2.7:7411", "", "", false, ""},
		{"ledger.example:7411", "", "", false, ""},
		{"127.0.0.1.example:7411", "", "", false, ""},
		{"127.0.0.1", "", "", false, "SERVER_MALFORMED"},
		{"127.0.0.1:7411", noCertificate, "", false, "CA_MALFORMED"},
		{"127.0.0.1:7411", "/nowhere/ca.pem", "", false, "FILE_NOT_READ"},
		{"127.0.0.1:7411", "", noCertificate, false, "CERTIFICATE_MALFORMED"},
		{"192.0.2.7:7411", "", "/nowhere/desk.pem", false, "CERTIFICATE_MALFORMED"},
	} {
		secure, local, err := Config{Server: tt.server, CA: tt.ca, Certificate: tt.certificate, CertificateKey: tt.certificate}.transport()
		if tt.reason != "" {
			wantReason(t, err, tt.reason)
			continue
		}
		if err != nil || local != tt.local || (secure.Info().SecurityProtocol == "tls") == tt.local {
			t.Errorf("%s: local %v, %s, %v", tt.server, local, secure.Info().SecurityProtocol, err)
		}
		if tokens := (tokens{local: local}); tokens.RequireTransportSecurity() == tt.local {
			t.Errorf("%s: a token would need TLS: %v", tt.server, tokens.RequireTransportSecurity())
		}
	}
}

// authority issues certificates; everything about it is invented.
type authority struct {
	t      *testing.T
	folder string
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
	serial int64
}

func newAuthority(t *testing.T) *authority {
	a := &authority{t: t, folder: t.TempDir()}
	a.cert, a.key = a.issue("authority", nil)
	return a
}

// issue makes NAME.pem and NAME.key in the folder, in place of what was there.
func (a *authority) issue(name string, parent *authority) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.serial++
	template := &x509.Certificate{SerialNumber: big.NewInt(a.serial), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), BasicConstraintsValid: true,
		IsCA: parent == nil, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	signer, by := template, key
	if parent != nil {
		signer, by = parent.cert, parent.key
	}
	raw, err := x509.CreateCertificate(rand.Reader, template, signer, &key.PublicKey, by)
	if err != nil {
		a.t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{".pem": {Type: "CERTIFICATE", Bytes: raw}, ".key": {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(a.path(name+file), pem.EncodeToMemory(block), 0o600); err != nil {
			a.t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(raw)
	if err != nil {
		a.t.Fatal(err)
	}
	return cert, key
}

func (a *authority) path(name string) string { return filepath.Join(a.folder, name) }

// listening is how the service of these tests speaks TLS, and whom it saw.
func (a *authority) listening(change func(*tls.Config)) (grpc.ServerOption, func() []int64) {
	a.t.Helper()
	a.issue("server", a)
	pair, err := tls.LoadX509KeyPair(a.path("server.pem"), a.path("server.key"))
	if err != nil {
		a.t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	var mu sync.Mutex
	var saw []int64
	config := &tls.Config{Certificates: []tls.Certificate{pair}, ClientCAs: pool, MinVersion: tls.VersionTLS12,
		VerifyConnection: func(state tls.ConnectionState) error {
			mu.Lock()
			defer mu.Unlock()
			if state.Version != tls.VersionTLS13 {
				saw = append(saw, -1)
			}
			for _, c := range state.PeerCertificates {
				saw = append(saw, c.SerialNumber.Int64())
			}
			return nil
		}}
	change(config)
	return grpc.Creds(credentials.NewTLS(config)), func() []int64 {
		mu.Lock()
		defer mu.Unlock()
		return append([]int64(nil), saw...)
	}
}

// TLS 1.3 (RFC 8446) and nothing older, with the authority that was named and no other.
func TestTLS(t *testing.T) {
	ours, others := newAuthority(t), newAuthority(t)
	for _, tt := range []struct {
		name   string
		by     *authority
		change func(*tls.Config)
		good   bool
	}{
		{"as it should be", ours, func(*tls.Config) {}, true},
		{"signed by another authority", others, func(*tls.Config) {}, false},
		{"only an older TLS", ours, func(c *tls.Config) { c.MaxVersion = tls.VersionTLS12 }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := stationtest.New(t)
			option, saw := tt.by.listening(tt.change)
			server, _ := f.Serve(t, "127.0.0.1:0", option)
			s := bench(t, f, server, func(c *Config) { c.CA = ours.path("authority.pem") })
			err := s.Advance(t.Context())
			if tt.good != (err == nil) || !tt.good && !Unreachable(err) {
				t.Errorf("%v", err)
			}
			for _, version := range saw() {
				if version == -1 {
					t.Error("a handshake of an older TLS was completed")
				}
			}
		})
	}
}

// A service that asks for a certificate gets the one in the files, and after a renewal the new one without a restart.
func TestClientCertificate(t *testing.T) {
	a := newAuthority(t)
	f := stationtest.New(t)
	option, saw := a.listening(func(c *tls.Config) { c.ClientAuth = tls.RequireAndVerifyClientCert })
	server, stop := f.Serve(t, "127.0.0.1:0", option)
	without := bench(t, f, server, func(c *Config) { c.CA = a.path("authority.pem") })
	if err := without.Advance(t.Context()); !Unreachable(err) {
		t.Errorf("without a certificate: %v", err)
	}
	first, _ := a.issue("desk", a)
	s := bench(t, f, server, func(c *Config) {
		c.CA, c.Certificate, c.CertificateKey = a.path("authority.pem"), a.path("desk.pem"), a.path("desk.key")
	})
	record(t, s, incident)
	second, _ := a.issue("desk", a)
	stop()
	f.Serve(t, server, option)
	until(t, "the link is up again", func() bool { return s.Advance(t.Context()) == nil })
	shown := map[int64]bool{}
	for _, serial := range saw() {
		shown[serial] = true
	}
	if !shown[first.SerialNumber.Int64()] || !shown[second.SerialNumber.Int64()] {
		t.Errorf("the service saw certificates %v, want %d and then %d", saw(), first.SerialNumber, second.SerialNumber)
	}
}

// A link that breaks, at whatever moment, is tried again, and what waited goes over the new one.
func TestAfterAnOutage(t *testing.T) {
	f := stationtest.New(t)
	server, stop := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	stop()
	put(t, s, incident)
	for range 3 {
		if err := s.Flush(t.Context(), nil); !Unreachable(err) {
			t.Errorf("without a service: %v", err)
		}
	}
	if waiting, err := s.Outbox().Waiting(outbox.MaxPage); err != nil || len(waiting) != 1 {
		t.Errorf("%d wait (%v)", len(waiting), err)
	}
	f.Serve(t, server)
	until(t, "what waits is sent", func() bool { return s.Flush(t.Context(), nil) == nil })
	if f.Size() != 2 {
		t.Errorf("%d entries, want 2", f.Size())
	}
	if _, err := s.Get(t.Context(), pb.ThingKind_THING_KIND_PERSON, "ottermere/ana"); err != nil {
		t.Error(err)
	}
}
