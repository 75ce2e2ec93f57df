// Package service is what barward-server speaks: gRPC handlers that authenticate, call the ledger or the book, and turn
// refusals into status. No rule of the trade lives here; an `if` about metal in this package is a fault.
//
// Every call goes through one chain (interceptors.go): a request id and one log line, refusals to status (status.go),
// panics to refusals, a deadline, a proven caller. Health and reflection need no token; the list of exemptions is
// `exempt`, with a reason for each.
//
// Invariants:
//
//  1. No handler answers a caller who was not proven, and what a caller may not see is answered as if it were not there.
//  2. Nothing of a failure that is ours crosses the wire but the request id under which the log has it.
//  3. No log line at the level of daily use holds a weight, an assay or an amount.
//  4. Answers of a stream come in the order in which the events were sent.
//
// Every bound stands in limits.go. Left out: rates per caller.
package service

import (
	"context"
	"encoding/hex"
	"log/slog"
	"runtime"
	"strconv"
	"sync"
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

// Config is what a Service needs. All fields are required.
type Config struct {
	Ledger *ledger.Ledger
	// Origin is the name of the log, and the audience that every token must name.
	Origin string
	// LogKey is the log's public key, which a new client takes on first use.
	LogKey string
	Log    *slog.Logger
}

// Service answers calls. Make one with New; Stop it before the ledger is closed.
type Service struct {
	ledger *ledger.Ledger
	origin string
	logKey string
	log    *slog.Logger
	now    func() time.Time

	health  *health.Server
	checks  *semaphore.Weighted // how many signatures of streams are checked at once
	streams *semaphore.Weighted // RecordStreams
	watches *semaphore.Weighted // WatchEntries
	stop    context.Context     // done once Stop was called: streams end then
	halt    context.CancelFunc
	work    sync.WaitGroup
}

// New returns a Service over an open ledger.
func New(c Config) *Service {
	s := &Service{
		ledger:  c.Ledger,
		origin:  c.Origin,
		logKey:  c.LogKey,
		log:     c.Log,
		now:     time.Now,
		health:  health.NewServer(),
		checks:  semaphore.NewWeighted(int64(runtime.GOMAXPROCS(0))),
		streams: semaphore.NewWeighted(maxRecording),
		watches: semaphore.NewWeighted(maxWatches),
	}
	s.stop, s.halt = context.WithCancel(context.Background())
	s.work.Add(1)
	go s.watchHealth()
	return s
}

// Server returns a gRPC server with every service of ours, health and reflection on it. extra are options of the
// listener, such as its credentials.
func (s *Service) Server(extra ...grpc.ServerOption) *grpc.Server {
	g := &guard{log: s.log, stop: s.stop, authenticate: s.authenticate}
	options := append(g.options(),
		grpc.MaxRecvMsgSize(maxRequest),
		grpc.MaxSendMsgSize(maxResponse),
		grpc.MaxHeaderListSize(maxMetadata),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: keepaliveIdle, Timeout: keepaliveWait}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: keepaliveLeast, PermitWithoutStream: true}),
	)
	server := grpc.NewServer(append(options, extra...)...)
	pb.RegisterLedgerServiceServer(server, &ledgerService{Service: s})
	pb.RegisterBookServiceServer(server, &bookService{Service: s})
	pb.RegisterSettlementServiceServer(server, &settlementService{Service: s})
	pb.RegisterMeasurementServiceServer(server, &measurementService{Service: s})
	healthpb.RegisterHealthServer(server, s.health)
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
		With("most", strconv.Itoa(most))
}

// served are the names under which health is asked; the empty one stands for all.
var served = []string{"", pb.LedgerService_ServiceDesc.ServiceName, pb.BookService_ServiceDesc.ServiceName,
	pb.SettlementService_ServiceDesc.ServiceName, pb.MeasurementService_ServiceDesc.ServiceName}

// watchHealth lets the health service follow the ledger: one that takes nothing more, because the outcome of a commit is
// unknown, needs a restart, and whoever watches health restarts it.
func (s *Service) watchHealth() {
	defer s.work.Done()
	tick := time.NewTicker(healthEvery)
	defer tick.Stop()
	sound := true
	for {
		state := healthpb.HealthCheckResponse_SERVING
		err := s.ledger.Err()
		if err != nil {
			state = healthpb.HealthCheckResponse_NOT_SERVING
		}
		if sound != (err == nil) {
			sound = err == nil
			s.log.Error("health", "serving", sound, "cause", causeText(err))
		}
		for _, name := range served {
			s.health.SetServingStatus(name, state)
		}
		select {
		case <-tick.C:
		case <-s.stop.Done():
			return
		}
	}
}

// authenticate returns the registered person whose key signed the token of a call.
func (s *Service) authenticate(ctx context.Context, authorization string) (identity.Caller, error) {
	if err := ctx.Err(); err != nil {
		return identity.Caller{}, err
	}
	token, err := identity.BearerToken(authorization)
	if err != nil {
		return identity.Caller{}, err
	}
	return identity.CheckToken(token, s.origin, s.now(), func(id identity.KeyID) (identity.Registered, bool, error) {
		key, err := hex.DecodeString(string(id))
		if err != nil {
			return identity.Registered{}, false, err
		}
		who, err := s.callerOf(key)
		return identity.Registered{Caller: who}, err == nil, err
	})
}

// callerOf returns the person whose key this is, as the book stands now.
func (s *Service) callerOf(key []byte) (who identity.Caller, err error) {
	err = s.ledger.View(func(b *book.Bucket, _ uint64) error {
		who, err = book.CallerOf(b, key)
		return err
	})
	return who, err
}
