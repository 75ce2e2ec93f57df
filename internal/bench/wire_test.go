package bench

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"io"
	"log/slog"
	"math/big"
	"net"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/service"
	pb "barward/proto/barward/v1"
)

// echo answers Record with a receipt of the usual size and does nothing else.
type echo struct {
	pb.UnimplementedLedgerServiceServer
}

func (echo) Record(_ context.Context, req *pb.RecordRequest) (*pb.RecordResponse, error) {
	return &pb.RecordResponse{Receipt: &pb.Receipt{Sequence: 1_000_000, LeafHash: req.GetSignedEvent().GetSignature()[:32],
		RecordedAt: "2027-02-01T08:00:00.000001Z", TreeSize: 1_000_001}}, nil
}

// secured makes TLS credentials of both ends with a certificate for loopback.
func secured(tb testing.TB) (server, client credentials.TransportCredentials) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		tb.Fatal(err)
	}
	certificate, err := x509.ParseCertificate(der)
	if err != nil {
		tb.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(certificate)
	return credentials.NewServerTLSFromCert(&tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}),
		credentials.NewClientTLSFromCert(pool, "127.0.0.1")
}

func serve(tb testing.TB, s *grpc.Server, client credentials.TransportCredentials) pb.LedgerServiceClient {
	tb.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	go func() { _ = s.Serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(client))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = conn.Close(); s.Stop() })
	return pb.NewLedgerServiceClient(conn)
}

// office is a world that is served over TLS, and its caller.
type office struct {
	*world
	client pb.LedgerServiceClient
	echo   pb.LedgerServiceClient
	ctx    context.Context
}

func newOffice(b *testing.B) *office {
	w := newWorld(b, scratch(b))
	server, client := secured(b)
	s := service.New(service.Config{Ledger: w.l, Origin: origin, LogKey: w.public, Limits: service.Unlimited,
		Log: slog.New(slog.NewJSONHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelInfo}))})
	b.Cleanup(func() { s.Stop(); _ = w.l.Close() })
	token, err := identity.IssueToken(w.officer, origin, time.Now(), identity.MaxTokenLife)
	if err != nil {
		b.Fatal(err)
	}
	plain := grpc.NewServer(grpc.Creds(server))
	pb.RegisterLedgerServiceServer(plain, echo{})
	return &office{world: w, client: serve(b, s.Server(grpc.Creds(server)), client), echo: serve(b, plain, client),
		ctx: metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)}
}

func requests(subs []ledger.Submission) []*pb.RecordRequest {
	list := make([]*pb.RecordRequest, len(subs))
	for i, s := range subs {
		list[i] = &pb.RecordRequest{SignedEvent: &pb.SignedEvent{Event: s.Signed.Event, Signature: s.Signed.Signature}}
	}
	return list
}

// cpu is what this process has used, both ends of a call together.
func cpu() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func call(b *testing.B, ctx context.Context, client pb.LedgerServiceClient, list []*pb.RecordRequest, callers int) (wall time.Duration) {
	begin := time.Now()
	var next atomic.Int64
	var all sync.WaitGroup
	for range callers {
		all.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(list)); i = next.Add(1) - 1 {
				if _, err := client.Record(ctx, list[i]); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	return time.Since(begin)
}

// BenchmarkRecord: 64 callers over gRPC with TLS, one check of the signature an event, against a unary echo of the same
// bytes and one verification. To reach: CPU of both ends at most 1.6 times that sum.
func BenchmarkRecord(b *testing.B) {
	const each = 4096
	o := newOffice(b)
	var ours, echoed, checked, wall time.Duration
	events := 0
	for b.Loop() {
		subs := o.weighings(b, each)
		list := requests(subs)
		before := cpu()
		wall += call(b, o.ctx, o.client, list, 64)
		ours += cpu() - before
		before = cpu()
		call(b, o.ctx, o.echo, list, 64)
		echoed += cpu() - before
		before = cpu()
		var cores sync.WaitGroup
		for first := range runtime.GOMAXPROCS(0) { // on all cores, as the calls are
			cores.Go(func() {
				for i := first; i < len(subs); i += runtime.GOMAXPROCS(0) {
					if _, err := proof.Open(subs[i].Signed); err != nil {
						b.Error(err)
					}
				}
			})
		}
		cores.Wait()
		checked += cpu() - before
		events += each
	}
	n := time.Duration(events)
	b.ReportMetric(float64((ours/n).Nanoseconds())/1e3, "cpu-us/event")
	b.ReportMetric(float64((echoed/n).Nanoseconds())/1e3, "echo-cpu-us")
	b.ReportMetric(float64((checked/n).Nanoseconds())/1e3, "verify-cpu-us")
	b.ReportMetric(float64(ours)/float64(echoed+checked), "cpu-of-echo+verify")
	b.ReportMetric(float64(events)/wall.Seconds(), "events/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkRecordPaced: 2 000 events a second, each sent when it is due whatever became of those before. To reach: p99
// under 10 ms.
func BenchmarkRecordPaced(b *testing.B) {
	const rate, each = 2000, 4000
	o := newOffice(b)
	var took []time.Duration
	var mu sync.Mutex
	for b.Loop() {
		list := requests(o.weighings(b, each))
		begin := time.Now()
		var all sync.WaitGroup
		for i, req := range list {
			due := begin.Add(time.Duration(i) * time.Second / rate)
			time.Sleep(time.Until(due))
			all.Go(func() {
				_, err := o.client.Record(o.ctx, req)
				d := time.Since(due)
				if err != nil {
					b.Error(err)
				}
				mu.Lock()
				took = append(took, d)
				mu.Unlock()
			})
		}
		all.Wait()
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1e3, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1e3, "p99-ms")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkRecordStream: 8 streams against Record from 64 callers, in turns. To reach: at least twice.
func BenchmarkRecordStream(b *testing.B) {
	const streams, each = 8, 4096
	o := newOffice(b)
	var unary, streamed time.Duration
	events := 0
	for b.Loop() {
		unary += call(b, o.ctx, o.client, requests(o.weighings(b, each)), 64)
		list := requests(o.weighings(b, each))
		begin := time.Now()
		var all sync.WaitGroup
		for first := range streams {
			all.Go(func() {
				stream, err := o.client.RecordStream(o.ctx)
				if err != nil {
					b.Error(err)
					return
				}
				go func() {
					for i := first; i < len(list); i += streams {
						if stream.Send(&pb.RecordStreamRequest{SignedEvent: list[i].SignedEvent}) != nil {
							return
						}
					}
					_ = stream.CloseSend()
				}()
				for i := first; i < len(list); i += streams {
					if got, err := stream.Recv(); err != nil || got.GetReceipt() == nil {
						b.Error(got, err)
						return
					}
				}
			})
		}
		all.Wait()
		streamed += time.Since(begin)
		events += each
	}
	b.ReportMetric(float64(events)/streamed.Seconds(), "events/s")
	b.ReportMetric(float64(events)/unary.Seconds(), "record/s")
	b.ReportMetric(unary.Seconds()/streamed.Seconds(), "of-record")
	b.ReportMetric(0, "ns/op")
}
