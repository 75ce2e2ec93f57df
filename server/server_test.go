package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

const (
	testOrigin     = "log.example/server-test" // invented
	testPassphrase = "an invented passphrase"
)

// asServer makes this test binary act as barward-server, so that a test can send it signals.
const asServer = "BARWARD_TEST_AS_SERVER"

func TestMain(m *testing.M) {
	if os.Getenv(asServer) != "" {
		main()
		return
	}
	os.Exit(m.Run())
}

// place is a folder with the files of one ledger.
type place struct {
	t      testing.TB
	folder string
	admin  identity.Key
}

func (p place) path(name string) string { return filepath.Join(p.folder, name) }

// run obeys a command line in this process.
func (p place) run(args ...string) (code int, stdout, stderr string) {
	p.t.Helper()
	var out, errs bytes.Buffer
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute) // a server that should not start ends some time
	defer cancel()
	w := &world{ctx: ctx, stdout: &out, stderr: &errs, now: time.Now,
		getenv: func(name string) string { return map[string]string{"BARWARD_PASSPHRASE": testPassphrase}[name] }}
	code = w.run(args)
	return code, out.String(), errs.String()
}

// newPlace makes a folder with the administrator's key file in it.
func newPlace(t testing.TB) place {
	t.Helper()
	p := place{t: t, folder: t.TempDir(), admin: newKey(t)}
	const fast = 10 // scrypt work factor
	if err := identity.SaveKey(p.path("wardle.key"), p.admin, "wardle", testPassphrase, fast); err != nil {
		t.Fatal(err)
	}
	return p
}

func newKey(t testing.TB) identity.Key {
	t.Helper()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (p place) initArgs() []string {
	return []string{"init", "--ledger", p.path("ledger"), "--origin", testOrigin, "--operator", "keeper",
		"--operator-name", "The invented keeper", "--admin", "wardle", "--admin-name", "Invented Wardle",
		"--admin-key", p.path("wardle.key")}
}

// newLedger makes a place with a ledger.
func newLedger(t testing.TB) place {
	t.Helper()
	p := newPlace(t)
	if code, _, stderr := p.run(p.initArgs()...); code != 0 {
		t.Fatalf("init: %s", stderr)
	}
	return p
}

// want fails unless a command ended with code and its errors name reason.
func want(t *testing.T, what string, code, wantCode int, stderr, reason string) {
	t.Helper()
	if code != wantCode || !strings.Contains(stderr, reason) {
		t.Errorf("%s: ended with %d and %q, want %d and %s", what, code, stderr, wantCode, reason)
	}
}

// serve runs a server until the test ends, and returns where it listens. stop ends it and returns what Run did.
func (p place) serve(change func(*Config)) (ready Ready, stop func() error) {
	p.t.Helper()
	pr, pw, err := os.Pipe()
	if err != nil {
		p.t.Fatal(err)
	}
	c := Config{Ledger: p.path("ledger"), LogKey: p.path("ledger.key"), Listen: "127.0.0.1:0", Drain: 5 * time.Second,
		Out: pw, Log: slog.New(slog.DiscardHandler)}
	if change != nil {
		change(&c)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- Run(ctx, c)
		pw.Close()
	}()
	stop = sync.OnceValue(func() error {
		cancel()
		return <-ended
	})
	p.t.Cleanup(func() { _ = stop() })
	if err := json.NewDecoder(pr).Decode(&ready); err != nil {
		p.t.Fatalf("the server did not say where it listens: %v, %v", err, stop())
	}
	pr.Close()
	return ready, stop
}

func (p place) dial(ready Ready, creds credentials.TransportCredentials) *grpc.ClientConn {
	p.t.Helper()
	conn, err := grpc.NewClient(ready.Listening, grpc.WithTransportCredentials(creds))
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { conn.Close() })
	return conn
}

// as is a context with a token of key.
func as(t testing.TB, key identity.Key) context.Context {
	t.Helper()
	token, err := identity.IssueToken(key, testOrigin, time.Now(), identity.MaxTokenLife)
	if err != nil {
		t.Fatal(err)
	}
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+token)
}

func TestInitMakesALedgerThatVerifies(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	code, stdout, stderr := p.run(p.initArgs()...)
	if code != 0 {
		t.Fatalf("init: %s", stderr)
	}
	var made created
	if err := json.Unmarshal([]byte(stdout), &made); err != nil {
		t.Fatal(err)
	}
	if made.Origin != testOrigin || made.Entries != 2 || made.Admin != "keeper/wardle" || made.AdminKeyID != string(p.admin.ID()) {
		t.Errorf("init told %+v", made)
	}
	if runtime.GOOS != "windows" {
		for _, name := range []string{"ledger", "ledger.key"} {
			info, err := os.Stat(p.path(name))
			if err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("%s: mode %v, %v; only its owner may read it", name, info.Mode(), err)
			}
		}
	}
	code, stdout, stderr = p.run("verify", "--ledger", p.path("ledger"), "--scratch", p.folder)
	want(t, "verify", code, 0, stderr, "")
	var checked found
	if err := json.Unmarshal([]byte(stdout), &checked); err != nil {
		t.Fatal(err)
	}
	verifier, err := proof.NewVerifier(made.LogPublicKey)
	if err != nil {
		t.Fatal(err)
	}
	at, err := proof.OpenCheckpoint([]byte(checked.Checkpoint), testOrigin, verifier)
	if err != nil || !checked.Verified || at.Size != 2 || checked.Entries != 2 || checked.Root != at.Root.String() {
		t.Errorf("verify told %+v, checkpoint %+v, %v", checked, at, err)
	}
	code, _, stderr = p.run("rebuild", "--ledger", p.path("ledger"))
	want(t, "rebuild", code, 0, stderr, "")
	code, stdout, stderr = p.run("status", "--ledger", p.path("ledger"))
	want(t, "status", code, 0, stderr, "")
	var told status
	if err := json.Unmarshal([]byte(stdout), &told); err != nil || told.Root != checked.Root || told.Entries != 2 ||
		told.LastRecorded == nil || told.LogPublicKey != made.LogPublicKey {
		t.Errorf("status told %s, %v", stdout, err)
	}
}

func TestInitTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	before, err := os.ReadFile(p.path("ledger.key"))
	if err != nil {
		t.Fatal(err)
	}
	code, _, stderr := p.run(p.initArgs()...)
	want(t, "same paths", code, 1, stderr, "LOG_KEY_EXISTS")
	// Another key file, the same ledger: the key that this run made is taken back, the ledger stays.
	code, _, stderr = p.run(append(p.initArgs(), "--log-key", p.path("other.key"))...)
	want(t, "same ledger", code, 1, stderr, "LEDGER_EXISTS")
	if _, err := os.Stat(p.path("other.key")); !os.IsNotExist(err) {
		t.Error("the key of the ledger that was not made is still there")
	}
	after, err := os.ReadFile(p.path("ledger.key"))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the log key changed, %v", err)
	}
	code, _, stderr = p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 0, stderr, "")
}

// What the book refuses leaves no half-made ledger behind.
func TestInitRefusedLeavesNothing(t *testing.T) {
	t.Parallel()
	for what, change := range map[string]struct{ from, to, reason string }{
		"operator":    {"keeper", "Keeper & Co", "ID_MALFORMED"},
		"admin":       {"wardle", "W", "ID_MALFORMED"},
		"origin":      {testOrigin, "with a space", "ORIGIN_MALFORMED"},
		"key file":    {"", "", "KEY_FILE_NOT_FOUND"},
		"no such dir": {"", "", "LOG_KEY_NOT_WRITTEN"},
	} {
		p := newPlace(t)
		args := p.initArgs()
		for i := range args {
			if change.from != "" && args[i] == change.from {
				args[i] = change.to
			}
		}
		switch what {
		case "key file":
			args = append(args, "--admin-key", p.path("nobody.key"))
		case "no such dir":
			args = append(args, "--log-key", p.path("nowhere/log.key"))
		}
		code, _, stderr := p.run(args...)
		want(t, what, code, 1, stderr, change.reason)
		left, err := os.ReadDir(p.folder)
		if err != nil || len(left) != 1 {
			t.Errorf("%s: left behind %v, %v", what, left, err)
		}
	}
}

func TestPassphrases(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	if err := os.WriteFile(p.path("wrong"), []byte("another passphrase\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p.path("right"), []byte(testPassphrase+"\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, _, stderr := p.run(append(p.initArgs(), "--passphrase-file", p.path("wrong"))...)
	want(t, "wrong", code, 1, stderr, "KEY_PASSPHRASE_WRONG")
	code, _, stderr = p.run(append(p.initArgs(), "--passphrase-file", p.path("none"))...)
	want(t, "no file", code, 1, stderr, "PASSPHRASE_UNREADABLE")
	w := &world{getenv: func(string) string { return "" }}
	if _, err := w.passphrase("", ""); !refusal.Is(err, "PASSPHRASE_MISSING") {
		t.Errorf("nothing given and no terminal: %v", err)
	}
	code, _, stderr = p.run(append(p.initArgs(), "--passphrase-file", p.path("right"))...)
	want(t, "right", code, 0, stderr, "")
}

func TestCommandLines(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	for what, args := range map[string][]string{
		"nothing": {}, "unknown command": {"mint"}, "unknown flag": {"verify", "--ledger", "x", "--gold"},
		"no ledger": {"serve"}, "passphrase in a flag": append(p.initArgs(), "--passphrase", "x"),
	} {
		if code, _, stderr := p.run(args...); code != exitUsage || stderr == "" {
			t.Errorf("%s: ended with %d and %q", what, code, stderr)
		}
	}
	if code, stdout, _ := p.run("--help"); code != 0 || !strings.Contains(stdout, "verify") {
		t.Errorf("help: %d %q", code, stdout)
	}
	if code, stdout, _ := p.run("--version"); code != 0 || !strings.Contains(stdout, "barward-server") {
		t.Errorf("version: %d %q", code, stdout)
	}
}

// A client connects, reads, and the server stops in good order; meanwhile nobody else gets the file.
func TestServe(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.ReadyFile = p.path("ready.json") })
	var said Ready
	text, err := os.ReadFile(p.path("ready.json"))
	if err != nil || json.Unmarshal(text, &said) != nil || said != ready {
		t.Errorf("the ready file says %s, %v", text, err)
	}
	conn := p.dial(ready, insecure.NewCredentials())
	if _, err := healthpb.NewHealthClient(conn).Check(context.Background(), new(healthpb.HealthCheckRequest)); err != nil {
		t.Error(err)
	}
	got, err := pb.NewBookServiceClient(conn).Get(as(t, p.admin), &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_PARTY, Name: "keeper"})
	if err != nil || got.Thing.GetParty().GetName() != "keeper" || got.TreeSize != 2 {
		t.Errorf("got %v, %v", got, err)
	}
	// The file is one server's; every command that needs it says so.
	for _, command := range []string{"serve", "verify", "rebuild", "status"} {
		args := []string{command, "--ledger", p.path("ledger")}
		if command == "serve" {
			args = append(args, "--listen", "127.0.0.1:0")
		}
		code, _, stderr := p.run(args...)
		want(t, command+" beside a server", code, 1, stderr, "LEDGER_IN_USE")
	}
	if err := stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	if _, err := os.Stat(p.path("ready.json")); !os.IsNotExist(err) {
		t.Error("the ready file tells of a server that is gone")
	}
	if _, err := healthpb.NewHealthClient(conn).Check(context.Background(), new(healthpb.HealthCheckRequest)); grpcstatus.Code(err) != codes.Unavailable {
		t.Errorf("after the stop: %v", err)
	}
	code, _, stderr := p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify after the stop", code, 0, stderr, "")
}

// Stopping waits for a call under way and does not wait for ever for a watcher of health.
func TestStopWithWatchers(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Drain = time.Hour }) // what waits for it would hang the test
	conn := p.dial(ready, insecure.NewCredentials())
	health, err := healthpb.NewHealthClient(conn).Watch(context.Background(), new(healthpb.HealthCheckRequest))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := health.Recv(); err != nil {
		t.Fatal(err)
	}
	entries, err := pb.NewLedgerServiceClient(conn).WatchEntries(as(t, p.admin), new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := entries.Recv(); err != nil {
		t.Fatal(err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

func TestFilesThatAreRefused(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	if err := os.WriteFile(p.path("text"), []byte(strings.Repeat("not a ledger\n", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p.path("bad.key"), []byte("PRIVATE+KEY+nothing\n\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	other := newLedger(t)
	key := p.path("ledger.key")
	for what, tt := range map[string]struct{ ledger, key, reason string }{
		"no ledger":     {p.path("none"), key, "LEDGER_MISSING"},
		"no key":        {p.path("ledger"), p.path("none"), "LOG_KEY_MISSING"},
		"another file":  {p.path("text"), key, "LEDGER_UNREADABLE"},
		"a bad key":     {p.path("ledger"), p.path("bad.key"), "LOG_KEY_UNREADABLE"},
		"another's key": {p.path("ledger"), other.path("ledger.key"), "LEDGER_KEY"},
		"a folder":      {p.folder, key, "LEDGER_UNREADABLE"},
	} {
		for _, command := range []string{"serve", "verify", "rebuild", "status"} {
			args := []string{command, "--ledger", tt.ledger, "--log-key", tt.key}
			if command == "serve" {
				args = append(args, "--listen", "127.0.0.1:0")
			}
			code, stdout, stderr := p.run(args...)
			want(t, command+" with "+what, code, 1, stderr, tt.reason)
			if stdout != "" {
				t.Errorf("%s with %s: told %q", command, what, stdout)
			}
		}
	}
	if runtime.GOOS != "windows" {
		if err := os.Chmod(key, 0o640); err != nil {
			t.Fatal(err)
		}
		code, _, stderr := p.run("status", "--ledger", p.path("ledger"))
		want(t, "a key that others may read", code, 1, stderr, "LOG_KEY_OPEN_TO_OTHERS")
	}
}

// The version stands in the file as text; a file that says another one is refused, not guessed at.
func TestLedgerOfAnotherVersion(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	file, err := os.ReadFile(p.path("ledger"))
	if err != nil {
		t.Fatal(err)
	}
	was, is := []byte("barward ledger 1"), []byte("barward ledger 9")
	if !bytes.Contains(file, was) {
		t.Fatal("the file does not say its version")
	}
	if err := os.WriteFile(p.path("ledger"), bytes.ReplaceAll(file, was, is), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"serve", "verify", "rebuild", "status"} {
		code, _, stderr := p.run(command, "--ledger", p.path("ledger"))
		want(t, command, code, 1, stderr, "LEDGER_VERSION")
	}
}

// One byte of an entry changed on the disk: verify finds it and ends with 1.
func TestVerifyFindsAChangedByte(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	file, err := os.ReadFile(p.path("ledger"))
	if err != nil {
		t.Fatal(err)
	}
	// The name stands in the signed event and in the book; both are changed to a keeper that nobody signed.
	if err := os.WriteFile(p.path("ledger"), bytes.ReplaceAll(file, []byte("The invented keeper"), []byte("The invented keepex")), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 1, stderr, "LEDGER_")
	if stdout != "" {
		t.Errorf("verify told %q", stdout)
	}
}

func TestVerifyCanBeCancelled(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errs bytes.Buffer
	w := &world{ctx: ctx, stdout: &out, stderr: &errs, now: time.Now}
	code := w.run([]string{"verify", "--ledger", p.path("ledger")})
	want(t, "verify", code, 1, errs.String(), "LEDGER_CANCELLED")
}

func TestProgressTellsRateAndTimeLeft(t *testing.T) {
	t.Parallel()
	var errs bytes.Buffer
	now := time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)
	w := &world{stderr: &errs, now: func() time.Time { return now }}
	tell := w.progress("verify", "entries")
	tell(1, 1000)
	now = now.Add(2 * time.Second)
	tell(500, 1000)
	tell(501, 1000) // too soon after
	// By hand: 500 entries in 2 s are 250/s, and the other 500 take 2 s more.
	if errs.String() != "verify: 500 of 1000 entries, 50 %, 250 entries/s, 2s left\n" {
		t.Errorf("got %q", errs.String())
	}
}

func TestPlainTextOnLoopbackOnly(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	for _, listen := range []string{"0.0.0.0:0", "[::]:0", ":0"} {
		code, _, stderr := p.run("serve", "--ledger", p.path("ledger"), "--listen", listen)
		want(t, listen, code, 1, stderr, "LISTENER_WITHOUT_TLS")
	}
	code, _, stderr := p.run("serve", "--ledger", p.path("ledger"), "--listen", "127.0.0.1:0", "--tls-cert", p.path("x"))
	want(t, "half of TLS", code, 1, stderr, "TLS_HALF_GIVEN")
	code, _, stderr = p.run("serve", "--ledger", p.path("ledger"), "--listen", "127.0.0.1:0", "--tls-cert", p.path("x"),
		"--tls-key", p.path("y"))
	want(t, "no such certificate", code, 1, stderr, "TLS_UNREADABLE")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	code, _, stderr = p.run("serve", "--ledger", p.path("ledger"), "--listen", taken.Addr().String())
	want(t, "a port in use", code, 1, stderr, "LISTEN_FAILED")
}

// writeCertificate makes a certificate for 127.0.0.1 that signs itself.
func writeCertificate(t *testing.T, p place) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "invented"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	cert := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	for name, text := range map[string][]byte{
		"tls.crt": cert, "tls.key": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
	} {
		if err := os.WriteFile(p.path(name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(cert)
	return pool
}

func TestTLS(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	pool := writeCertificate(t, p)
	ready, _ := p.serve(func(c *Config) {
		c.Listen, c.TLSCert, c.TLSKey = "0.0.0.0:0", p.path("tls.crt"), p.path("tls.key")
	})
	_, port, err := net.SplitHostPort(ready.Listening)
	if err != nil || !ready.TLS {
		t.Fatal(ready, err)
	}
	ready.Listening = net.JoinHostPort("127.0.0.1", port)
	ask := func(creds credentials.TransportCredentials) error {
		_, err := pb.NewLedgerServiceClient(p.dial(ready, creds)).GetCheckpoint(as(t, p.admin), new(pb.GetCheckpointRequest))
		return err
	}
	if err := ask(credentials.NewTLS(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12})); err != nil {
		t.Error(err)
	}
	if err := ask(insecure.NewCredentials()); grpcstatus.Code(err) != codes.Unavailable {
		t.Errorf("in plain text: %v", err)
	}
	if err := ask(credentials.NewTLS(&tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10})); err == nil {
		t.Error("TLS 1.1 was taken")
	}
}

// The real program: it says where it listens, answers, and ends with 0 on SIGTERM.
func TestProgramObeysSIGTERM(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("there is no SIGTERM on Windows")
	}
	p := newLedger(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "serve", "--listen", "127.0.0.1:0")
	cmd.Env = append(os.Environ(), asServer+"=1", "BARWARD_LEDGER="+p.path("ledger"))
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill() }()
	var ready Ready
	if err := json.NewDecoder(out).Decode(&ready); err != nil || ready.PID != cmd.Process.Pid || ready.Entries != 2 {
		t.Fatalf("it said %+v, %v, %s", ready, err, errs.String())
	}
	if _, err := pb.NewLedgerServiceClient(p.dial(ready, insecure.NewCredentials())).
		GetCheckpoint(as(t, p.admin), new(pb.GetCheckpointRequest)); err != nil {
		t.Error(err)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("%v: %s", err, errs.String())
	}
	for _, line := range strings.Split(strings.TrimSpace(errs.String()), "\n") {
		if !json.Valid([]byte(line)) {
			t.Errorf("a log line is not JSON: %q", line)
		}
	}
	code, _, stderr := p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 0, stderr, "")
}
