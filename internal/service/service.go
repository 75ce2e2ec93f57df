// Package service is what barward-server speaks: gRPC handlers that authenticate, call the ledger or the book, and turn
// refusals into status. No rule of the trade lives here; an `if` about metal in this package is a fault.
//
// Every call goes through one chain (interceptors.go): a request id and a deadline, its caller metered (admission.go)
// and proven (tokens.go), panics to refusals, refusals to status (status.go), a log line and a count (metrics.go).
// Health and reflection need no token; the list of exemptions is `exempt`, with a reason for each.
//
// Invariants:
//
//  1. No handler answers a caller who was not proven, and what a caller may not see is answered as if it were not there.
//  2. Nothing of a failure that is ours crosses the wire but the request id under which the log has it.
//  3. No log line at the level of daily use holds a weight, an assay or an amount.
//  4. Answers of a stream come in the order in which the events were sent.
//  5. A stream ends with the token that opened it.
//  6. Who asks too much is refused early, with when to try again, and costs the others little (admission.go).
//
// Every bound stands in limits.go.
package service

import (
	"context"
	"crypto/sha256"
	"log/slog"
	"net/netip"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Config is what a Service needs. All fields but Limits are required.
type Config struct {
	Ledger *ledger.Ledger
	// Origin is the name of the log, and the audience that every token must name.
	Origin string
	// LogKey is the log's public key, which a new client takes on first use.
	LogKey string
	Log    *slog.Logger
	// Limits are bounds that differ from Standard.
	Limits Limits
}

// Service answers calls. Make one with New; Stop it before the ledger is closed.
type Service struct {
	ledger *ledger.Ledger
	origin string
	logKey string
	log    *slog.Logger
	now    func() time.Time

	limits    Limits
	addresses *meters[netip.Addr]
	keys      *meters[identity.KeyID]
	tokens    tokens
	registry  atomic.Uint64 // how often an event changed who is who, since the start
	metrics   *metrics
	census    census

	health  *health.Server
	checks  chan *slot          // events of streams whose signatures are to be checked
	streams *semaphore.Weighted // RecordStreams
	watches *semaphore.Weighted // WatchEntries
	places  *semaphore.Weighted // events of streams with the ledger
	waiting atomic.Int64        // events with the ledger, not answered

	partsMu             sync.Mutex
	parts               map[string]string // what Degrade was told
	reportedConnections atomic.Uint64

	stop context.Context // done once Stop was called: streams end then
	halt context.CancelFunc
	work sync.WaitGroup
}

// New returns a Service over an open ledger.
func New(c Config) *Service {
	limits := c.Limits.filled()
	s := &Service{
		ledger:    c.Ledger,
		origin:    c.Origin,
		logKey:    c.LogKey,
		log:       c.Log,
		now:       time.Now,
		limits:    limits,
		addresses: newMeters[netip.Addr](limits.AddressRate, limits.AddressBurst, -1, -1),
		keys:      newMeters[identity.KeyID](limits.CallerRate, limits.CallerBurst, limits.CallerCalls, limits.CallerStreams),
		tokens:    tokens{known: map[[sha256.Size]byte]proven{}},
		metrics:   newMetrics(),
		health:    health.NewServer(),
		checks:    make(chan *slot),
		streams:   semaphore.NewWeighted(maxRecording),
		watches:   semaphore.NewWeighted(maxWatches),
		places:    semaphore.NewWeighted(maxStreamed),
		parts:     map[string]string{},
	}
	s.stop, s.halt = context.WithCancel(context.Background())
	s.work.Go(s.watchHealth)
	for range runtime.GOMAXPROCS(0) {
		s.work.Go(s.checkSlots)
	}
	return s
}

// Server returns a gRPC server with every service of ours, health and reflection on it. extra are options of the
// listener, such as its credentials. Serve it on a Listener of this Service, which bounds connections.
func (s *Service) Server(extra ...grpc.ServerOption) *grpc.Server {
	g := &guard{log: s.log, stop: s.stop, authenticate: s.authenticate, addresses: s.addresses, keys: s.keys,
		metrics: s.metrics}
	options := append(g.options(),
		grpc.MaxRecvMsgSize(maxRequest),
		grpc.MaxSendMsgSize(maxResponse),
		grpc.MaxHeaderListSize(maxMetadata),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.ConnectionTimeout(s.limits.Handshake),
		grpc.NumStreamWorkers(128),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			Time: keepaliveIdle, Timeout: keepaliveWait, MaxConnectionIdle: connectionIdle,
			MaxConnectionAge: connectionAge, MaxConnectionAgeGrace: connectionGrace,
		}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: keepaliveLeast, PermitWithoutStream: true}),
	)
	server := grpc.NewServer(append(options, extra...)...)
	behind := guarded{server, g}
	pb.RegisterLedgerServiceServer(behind, &ledgerService{Service: s})
	pb.RegisterBookServiceServer(behind, &bookService{Service: s})
	pb.RegisterSettlementServiceServer(behind, &settlementService{Service: s})
	pb.RegisterMeasurementServiceServer(behind, &measurementService{Service: s})
	healthpb.RegisterHealthServer(behind, s.health)
	reflection.Register(server)
	return server
}

// Stop says NOT_SERVING and ends the streams that would otherwise go on; calls under way finish. The caller then stops
// the gRPC server gracefully, and closes the ledger last.
func (s *Service) Stop() {
	s.health.Shutdown() // first, so that a watcher hears of it before its stream ends
	s.halt()
	s.work.Wait()
}

// stopping is what a stream is told when the service stops under it.
func stopping() error {
	return refusal.New(refusal.Unavailable, "SHUTTING_DOWN", "",
		"The service is shutting down. Connect again in a moment and send the same again; it counts once.")
}

// tooMany is what a caller is told when all streams of a sort are taken.
func tooMany(sort string, most int) error {
	return refusal.New(refusal.Exhausted, "TOO_MANY_STREAMS", "",
		"All %d %s streams that the service keeps are taken. Close one, or try again later.", most, sort).
		With("most", strconv.Itoa(most)).With(retryAfter, retryDelay.String())
}

// callerOf returns the person whose key this is, with what others let them read, as the book stands now.
func (s *Service) callerOf(key []byte) (who identity.Caller, err error) {
	err = s.ledger.View(func(b *ledger.Book, _ uint64) error {
		who, err = book.CallerAt(b, key, s.now())
		return err
	})
	return who, err
}
