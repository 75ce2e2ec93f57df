package station

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"

	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Ledger is the linked client of the log: entries, proofs, recording.
func (s *Station) Ledger(ctx context.Context) (pb.LedgerServiceClient, error) {
	conn, err := s.ready(ctx)
	return pb.NewLedgerServiceClient(conn), err
}

// Book is the linked client of the book: things, traces, figures over time.
func (s *Station) Book(ctx context.Context) (pb.BookServiceClient, error) {
	conn, err := s.ready(ctx)
	return pb.NewBookServiceClient(conn), err
}

// Settlement is the linked client that computes on what is on record.
func (s *Station) Settlement(ctx context.Context) (pb.SettlementServiceClient, error) {
	conn, err := s.ready(ctx)
	return pb.NewSettlementServiceClient(conn), err
}

// ready makes the first contact: the key of the log must be known before any token can be made for it.
func (s *Station) ready(ctx context.Context) (*grpc.ClientConn, error) {
	if _, err := s.Unlocked(); err != nil {
		return nil, err
	}
	conn, err := s.Link()
	if err != nil || s.origin() != "" {
		return conn, err
	}
	return conn, s.Advance(ctx)
}

// Link makes the connection to the service, once. It waits for nothing: an absent service is found by the first answer
// that does not come. Reasons: SERVER_MALFORMED, CA_MALFORMED, CERTIFICATE_MALFORMED, FILE_NOT_READ, LOG_KEY_DIFFERS,
// LOG_KEY_MALFORMED.
func (s *Station) Link() (*grpc.ClientConn, error) {
	if err := s.pinned(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		return s.conn, nil
	}
	secure, local, err := s.config.transport()
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient("passthrough:///"+s.config.Server,
		grpc.WithTransportCredentials(numbering{secure, &s.dialled}),
		grpc.WithPerRPCCredentials(tokens{s, local}), grpc.WithUserAgent("barward"),
		grpc.WithConnectParams(grpc.ConnectParams{MinConnectTimeout: longestGreeting,
			Backoff: backoff.Config{BaseDelay: firstBackoff, Multiplier: 1.6, Jitter: 0.2, MaxDelay: longestBackoff}}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: quiet, Timeout: answerToPing}),
		grpc.WithUnaryInterceptor(s.askChecked), grpc.WithStreamInterceptor(s.openChecked),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))
	if err != nil {
		return nil, refusal.Invalidf("SERVER_MALFORMED", "--server", "%q is no address of a service; write host:port.",
			s.config.Server).Because(err)
	}
	s.conn = conn
	return conn, nil
}

// transport chooses TLS 1.3, except for a service on this very machine, where no wire could be tapped.
func (c Config) transport() (secure credentials.TransportCredentials, local bool, err error) {
	host, _, err := net.SplitHostPort(c.Server)
	if err != nil {
		return nil, false, refusal.Invalidf("SERVER_MALFORMED", "--server",
			"%q is no address of a service; write host:port.", c.Server)
	}
	ip := net.ParseIP(host)
	here := host == "localhost" || ip != nil && ip.IsLoopback()
	if here && c.CA == "" && c.Certificate == "" && c.CertificateKey == "" {
		return insecure.NewCredentials(), true, nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS13}
	if c.CA != "" {
		pem, err := ReadFile(c.CA, MaxInput)
		if err != nil {
			return nil, false, err
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, false, refusal.Invalidf("CA_MALFORMED", "--ca", "%s holds no certificate in PEM form.", c.CA)
		}
	}
	if c.Certificate != "" || c.CertificateKey != "" {
		if _, err := c.certificate(); err != nil { // now, so that a wrong file is not taken for a link that is down
			return nil, false, err
		}
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return c.certificate() }
	}
	return credentials.NewTLS(config), false, nil
}

// certificate reads what this workstation shows to the service.
func (c Config) certificate() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(c.Certificate, c.CertificateKey)
	if err != nil {
		return nil, refusal.Invalidf("CERTIFICATE_MALFORMED", "--certificate",
			"The certificate of this workstation cannot be read: %v. Give --certificate and --certificate-key, both PEM files.",
			err).Because(err)
	}
	return &pair, nil
}

// counter numbers the connections of a station, from 1.
type counter struct{ atomic.Uint64 }

// numbering gives each connection its number when it is made, which is how an answer tells over which one it came.
type numbering struct {
	credentials.TransportCredentials
	made *counter
}

// ClientHandshake implements credentials.TransportCredentials.
func (n numbering) ClientHandshake(ctx context.Context, authority string, raw net.Conn) (net.Conn,
	credentials.AuthInfo, error) {
	conn, info, err := n.TransportCredentials.ClientHandshake(ctx, authority, raw)
	if err != nil {
		return nil, nil, err
	}
	return numbered{conn, address{conn.LocalAddr(), n.made.Add(1)}}, info, nil
}

// Clone implements credentials.TransportCredentials.
func (n numbering) Clone() credentials.TransportCredentials {
	return numbering{n.TransportCredentials.Clone(), n.made}
}

// numbered is a connection whose local address carries its number.
type numbered struct {
	net.Conn
	local address
}

// LocalAddr implements net.Conn.
func (n numbered) LocalAddr() net.Addr { return n.local }

type address struct {
	net.Addr
	number uint64
}

// connection returns the number of the connection that an answer came over; 0 if none came.
func connection(p *peer.Peer) uint64 {
	if p == nil {
		return 0
	}
	a, _ := p.LocalAddr.(address)
	return a.number
}

// aboutTheLog are the questions by which a connection is checked; their own answers are held against each other.
func aboutTheLog(method string) bool {
	return method == pb.LedgerService_GetCheckpoint_FullMethodName ||
		method == pb.LedgerService_ProveConsistency_FullMethodName
}

// askChecked makes each answer count only once the connection that it came over has shown a log that continues what was
// seen before. After an alarm nothing more is asked.
func (s *Station) askChecked(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn,
	invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if err := s.alarmed(); err != nil {
		return err
	}
	if aboutTheLog(method) {
		return invoke(ctx, method, request, reply, conn, options...)
	}
	var from peer.Peer
	err := invoke(ctx, method, request, reply, conn, append(options, grpc.Peer(&from))...)
	n := connection(&from)
	if n == 0 {
		return err // no answer came
	}
	if s.holds(n) {
		return err
	}
	if doubt := s.Advance(ctx); doubt != nil {
		var alarm *Untrusted
		if err == nil || errors.As(doubt, &alarm) {
			return doubt
		}
	}
	return err
}

// openChecked opens a stream over a connection that has shown such a log, before anything is sent.
func (s *Station) openChecked(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string,
	open grpc.Streamer, options ...grpc.CallOption) (grpc.ClientStream, error) {
	if err := s.alarmed(); err != nil {
		return nil, err
	}
	for range openings {
		trial, cancel := context.WithCancel(ctx)
		stream, err := open(trial, desc, conn, method, options...)
		if err != nil {
			cancel()
			return nil, err
		}
		from, _ := peer.FromContext(stream.Context())
		n := connection(from)
		if !s.holds(n) {
			err = s.Advance(ctx)
		}
		if err == nil && s.holds(n) {
			context.AfterFunc(stream.Context(), cancel) // when the stream ends, so does what it hangs on
			return stream, nil
		}
		cancel()
		if err != nil {
			return nil, err
		}
	}
	return nil, refusal.New(refusal.Unavailable, "LINK_UNSTEADY", "",
		"The link breaks before the log can be checked. Try again when it holds.")
}

// tokens puts a fresh self-issued token on each call, once the log that it is for is known.
type tokens struct {
	station *Station
	local   bool
}

type token struct {
	text string
	made time.Time
}

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (t tokens) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	s := t.station
	origin := s.origin()
	s.mu.Lock()
	defer s.mu.Unlock()
	if origin == "" || s.key.IsZero() {
		return nil, nil // the first question of all is for the checkpoint, which anybody may read
	}
	if now := s.config.Now(); s.token.text == "" || now.Sub(s.token.made) > tokenLife/2 || now.Before(s.token.made) {
		text, err := identity.IssueToken(s.key, origin, now, tokenLife)
		if err != nil {
			return nil, err
		}
		s.token = token{text, now}
	}
	return map[string]string{"authorization": "Bearer " + s.token.text}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials.
func (t tokens) RequireTransportSecurity() bool { return !t.local }
