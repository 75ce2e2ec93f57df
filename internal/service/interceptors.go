package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"runtime/debug"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionalphapb "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"

	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// requestIDHeader carries the id of a call back to its caller; the log has it too.
const requestIDHeader = "x-request-id"

// exempt are the methods that need no token, each with its reason. A method that is not in this list needs one.
var exempt = map[string]string{
	pb.LedgerService_GetCheckpoint_FullMethodName: "a checkpoint is made to be shown around, and a token needs the log's " +
		"name, which a new client learns here",
	healthpb.Health_Check_FullMethodName: "a load balancer has no key; the answer is one word",
	healthpb.Health_Watch_FullMethodName: "the same",
	healthpb.Health_List_FullMethodName:  "the same",
	reflectionpb.ServerReflection_ServerReflectionInfo_FullMethodName: "the protos are public; a stranger's tool asks " +
		"what is spoken here before it can know how to sign",
	reflectionalphapb.ServerReflection_ServerReflectionInfo_FullMethodName: "the same, for older tools",
}

// streaming are the methods that may last: they end with their token, or with the service, and not after a time.
var streaming = map[string]bool{
	pb.LedgerService_RecordStream_FullMethodName:                           true,
	pb.LedgerService_WatchEntries_FullMethodName:                           true,
	healthpb.Health_Watch_FullMethodName:                                   true,
	reflectionpb.ServerReflection_ServerReflectionInfo_FullMethodName:      true,
	reflectionalphapb.ServerReflection_ServerReflectionInfo_FullMethodName: true,
}

// call is what is known about one call, carried in its context from its first byte on.
type call struct {
	id     string
	begin  time.Time
	end    context.CancelFunc // lets go of the deadline; nil for a stream
	caller identity.Caller
	known  bool      // whether caller was proven
	until  time.Time // when the caller's token ends
	early  bool      // refused before anything was done for it
	cause  error     // what the handler returned, for the log; the wire sees statusOf it

	entry   uint64       // the entry that a Record made or found
	made    bool         // whether it did
	taken   atomic.Int64 // events of a stream that were recorded
	refused atomic.Int64 // and that were not
}

type callKey struct{}

func callOf(ctx context.Context) *call {
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		return c
	}
	return &call{}
}

// caller returns who calls. A method without authentication has no caller; that is our bug and is refused as such.
func caller(ctx context.Context) (identity.Caller, error) {
	c := callOf(ctx)
	if !c.known {
		return identity.Caller{}, errors.New("service: the method asked for its caller without authentication")
	}
	return c.caller, nil
}

// guard is the one chain through which every call goes, unary or stream. In order: deadline and request id at the
// first byte, address meter, proven caller, key's meter, the handler; then panic to refusal, refusal to status, log
// line, count.
type guard struct {
	log          *slog.Logger
	stop         context.Context // done when the service stops
	authenticate func(ctx context.Context, authorization string) (identity.Caller, time.Time, error)
	addresses    *meters[netip.Addr]
	keys         *meters[identity.KeyID]
	metrics      *metrics
}

func (g *guard) options() []grpc.ServerOption {
	return []grpc.ServerOption{grpc.InTapHandle(g.first), grpc.StreamInterceptor(g.stream)}
}

// guarded registers services on a server so that every unary method stands behind the guard. An interceptor would be
// asked when the request has been read: here a stranger is sent away before, and holds no memory with what they send.
type guarded struct {
	*grpc.Server
	guard *guard
}

// RegisterService implements grpc.ServiceRegistrar.
func (r guarded) RegisterService(desc *grpc.ServiceDesc, impl any) {
	ours := *desc
	ours.Methods = slices.Clone(desc.Methods)
	for i, m := range ours.Methods {
		ours.Methods[i].Handler = r.guard.unary("/"+desc.ServiceName+"/"+m.MethodName, m.Handler)
	}
	r.Server.RegisterService(&ours, impl)
}

// first gives every call an id, and every unary call an end: its own, or ours if it brought none or one too far off. It
// runs when the headers are there and the request is not, so that a request which trickles in meets its end too.
func (g *guard) first(ctx context.Context, info *tap.Info) (context.Context, error) {
	c := &call{id: newRequestID(), begin: time.Now()}
	if !streaming[info.FullMethodName] {
		allowed := defaultDeadline
		if _, brought := ctx.Deadline(); brought {
			allowed = maxDeadline
		}
		ctx, c.end = context.WithTimeout(ctx, allowed)
	}
	return context.WithValue(ctx, callKey{}, c), nil
}

func newRequestID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return "unknown" // the operating system has no random numbers; the call itself can go on
	}
	return id.String()
}

// unary puts the handler of a unary method behind the guard.
func (g *guard) unary(method string, next grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, read func(any) error, _ grpc.UnaryServerInterceptor) (any, error) {
		c := callOf(ctx)
		if c.end != nil {
			defer c.end()
		}
		_ = grpc.SetHeader(ctx, metadata.MD{requestIDHeader: {c.id}})
		resp, err := g.answer(ctx, c, method, srv, read, next)
		if err = g.finish(ctx, c, method, err); err != nil {
			return nil, err
		}
		return resp, nil
	}
}

// answer has the request read and answered, if the caller may be answered, and turns a panic into an error.
func (g *guard) answer(
	ctx context.Context, c *call, method string, srv any, read func(any) error, next grpc.MethodHandler,
) (_ any, err error) {
	defer recovered(&err)
	leave, err := g.admit(ctx, c, method, false)
	if err != nil {
		return nil, err
	}
	defer leave()
	return next(srv, ctx, func(request any) error { return readable(read(request)) }, nil)
}

// readable blames bytes that are no message on who sent them, in the log and the counts: gRPC has then answered
// already, with INTERNAL and words of its own, and an INTERNAL of ours calls for help.
func readable(err error) error {
	if status.Code(err) != codes.Internal {
		return err
	}
	return refusal.Invalidf("MESSAGE_MALFORMED", "",
		"The request cannot be read as the message of this method. Build it with the published protos.").Because(err)
}

// withContext is a stream whose context is another.
type withContext struct {
	grpc.ServerStream
	ctx context.Context
}

func (s *withContext) Context() context.Context { return s.ctx }

func (g *guard) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	ctx := stream.Context()
	c := callOf(ctx)
	_ = stream.SetHeader(metadata.MD{requestIDHeader: {c.id}})
	return g.finish(ctx, c, info.FullMethod, g.serve(ctx, c, srv, stream, info, next))
}

// serve lets the handler of a stream run until the token that opened it ends. Our own streams end by themselves when
// the service stops; a watch of health would hold it up.
func (g *guard) serve(
	ctx context.Context, c *call, srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler,
) (err error) {
	defer recovered(&err)
	leave, err := g.admit(ctx, c, info.FullMethod, true)
	if err != nil {
		return err
	}
	defer leave()
	ended := tokenEnded()
	var cancel context.CancelFunc
	if c.known && !c.until.IsZero() {
		ctx, cancel = context.WithDeadlineCause(ctx, c.until, ended)
	} else {
		ctx, cancel = context.WithCancel(ctx)
		defer context.AfterFunc(g.stop, cancel)()
	}
	defer cancel()
	err = next(srv, &withContext{stream, ctx})
	if errors.Is(err, context.DeadlineExceeded) && context.Cause(ctx) == error(ended) {
		return ended
	}
	return err
}

// admit meters a call and finds out who calls, unless the method is exempt. leave gives back what the call took up.
func (g *guard) admit(ctx context.Context, c *call, method string, stream bool) (leave func(), err error) {
	now := c.begin
	if g.addresses != nil {
		from := peerAddress(ctx)
		taken, err := g.addresses.enter(from, now, stream)
		if err != nil {
			c.early = true
			return nil, err
		}
		g.addresses.leave(taken, stream) // its rate counts; how much is open is bounded by connection
	}
	if exempt[method] != "" {
		return func() {}, nil
	}
	md, _ := metadata.FromIncomingContext(ctx)
	values := md["authorization"]
	if len(values) > 1 {
		return nil, refusal.New(refusal.Unauthenticated, "TOKEN_MALFORMED", "",
			"The call carries %d authorization headers; send one.", len(values))
	}
	who, until, err := g.authenticate(ctx, strings.Join(values, ""))
	if err != nil {
		return nil, err
	}
	c.caller, c.until, c.known = who, until, true
	if g.keys == nil {
		return func() {}, nil
	}
	taken, err := g.keys.enter(who.KeyID, now, stream)
	if err != nil {
		c.early = true
		return nil, err
	}
	return func() { g.keys.leave(taken, stream) }, nil
}

// finish writes what happened and returns what the wire shows of it. A refusal is told by its reason alone: its
// message may quote a weight, an assay or an amount, and a log is read by people who may not see those. The cause of a
// failure that is ours is told in full. What was recorded and what was refused is a line each; a read that was
// answered is one at the level of debugging, and counted in the metrics.
func (g *guard) finish(ctx context.Context, c *call, method string, err error) error {
	c.cause = err
	shown := statusOf(err, c.id)
	code := status.Code(shown)
	took := time.Since(c.begin)
	g.metrics.count(method, code, took, c)
	if c.early {
		return shown // summed up by reportShed
	}
	level := slog.LevelInfo
	switch {
	case code == codes.Internal || code == codes.DataLoss || code == codes.Unavailable:
		level = slog.LevelError
	case exempt[method] != "", code == codes.OK && !c.made && !streaming[method]:
		level = slog.LevelDebug
	}
	if !g.log.Enabled(ctx, level) {
		return shown
	}
	var room [12]slog.Attr
	attrs := append(room[:0],
		slog.String("request_id", c.id),
		slog.String("method", method),
		slog.String("code", code.String()),
		slog.Duration("took", took))
	if p, ok := peer.FromContext(ctx); ok {
		attrs = append(attrs, slog.String("peer", p.Addr.String()))
	}
	if c.known {
		attrs = append(attrs, slog.String("caller", c.caller.PartyID+"/"+c.caller.PersonID))
	}
	if c.made {
		attrs = append(attrs, slog.Uint64("entry", c.entry))
	}
	if method == pb.LedgerService_RecordStream_FullMethodName {
		attrs = append(attrs, slog.Int64("recorded", c.taken.Load()), slog.Int64("refused", c.refused.Load()))
	}
	if r := refusal.As(err); r != nil {
		attrs = append(attrs, slog.String("reason", r.Reason))
	}
	if level == slog.LevelError {
		attrs = append(attrs, slog.String("cause", causeText(err)))
	}
	g.log.LogAttrs(ctx, level, "call", attrs...)
	return shown
}

// logRefused writes a failure of ours that was answered inside a stream, where no line of the call will tell it.
func (s *Service) logRefused(err error, requestID string) {
	r, code := shown(err, requestID)
	switch code {
	case codes.Internal, codes.DataLoss, codes.Unavailable:
		s.log.Error("event in a stream", "request_id", requestID, "code", code.String(), "reason", r.Reason,
			"cause", causeText(err))
	}
}

// causeText returns an error with everything under it.
func causeText(err error) string {
	if err == nil {
		return ""
	}
	text := err.Error()
	if r := refusal.As(err); r != nil && r.Cause != nil {
		text += ": " + causeText(r.Cause)
	}
	var p *panicked
	if errors.As(err, &p) {
		text += "\n" + string(p.stack)
	}
	return text
}

// panicked is a panic turned into an error, so that one broken call does not end all others.
type panicked struct {
	what  any
	stack []byte
}

func (p *panicked) Error() string { return fmt.Sprintf("panic: %v", p.what) }

func recovered(err *error) {
	if what := recover(); what != nil {
		*err = &panicked{what, debug.Stack()}
	}
}
