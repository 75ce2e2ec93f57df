package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
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

// call is what is known about one call, carried in its context.
type call struct {
	id     string
	caller identity.Caller
	known  bool  // whether caller was proven
	cause  error // what the handler returned, for the log; the wire sees statusOf it
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

// guard is the one chain through which every call goes, unary or stream. From the outside in: request id and log line,
// refusal to status, panic to refusal, deadline, authentication.
type guard struct {
	log          *slog.Logger
	stop         context.Context // done when the service stops
	authenticate func(ctx context.Context, authorization string) (identity.Caller, error)
}

func (g *guard) options() []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.ChainUnaryInterceptor(g.logUnary, statusUnary, recoverUnary, deadlineUnary, g.authUnary),
		grpc.ChainStreamInterceptor(g.logStream, statusStream, recoverStream, g.authStream),
	}
}

// withContext is a stream whose context is another.
type withContext struct {
	grpc.ServerStream
	ctx context.Context
}

func (s *withContext) Context() context.Context { return s.ctx }

func (g *guard) logUnary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	c, begin := begin()
	_ = grpc.SetHeader(ctx, metadata.Pairs(requestIDHeader, c.id))
	ctx = context.WithValue(ctx, callKey{}, c)
	resp, err := next(ctx, req)
	g.line(ctx, c, info.FullMethod, begin, err)
	return resp, err
}

func (g *guard) logStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	c, begin := begin()
	_ = stream.SetHeader(metadata.Pairs(requestIDHeader, c.id))
	ctx := context.WithValue(stream.Context(), callKey{}, c)
	if exempt[info.FullMethod] != "" {
		// Our own streams end by themselves when the service stops; a watch of health would hold it up.
		var cancel context.CancelFunc
		ctx, cancel = context.WithCancel(ctx)
		defer cancel()
		defer context.AfterFunc(g.stop, cancel)()
	}
	err := next(srv, &withContext{stream, ctx})
	g.line(ctx, c, info.FullMethod, begin, err)
	return err
}

func begin() (*call, time.Time) {
	return &call{id: newRequestID()}, time.Now()
}

func newRequestID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return "unknown" // the operating system has no random numbers; the call itself can go on
	}
	return id.String()
}

// line writes what happened. A refusal is told by its reason alone: its message may quote a weight, an assay or an amount,
// and a log is read by people who may not see those. The cause of a failure that is ours is told in full.
func (g *guard) line(ctx context.Context, c *call, method string, begin time.Time, err error) {
	level := slog.LevelInfo
	if exempt[method] != "" {
		level = slog.LevelDebug // a load balancer asks every few seconds
	}
	attrs := []slog.Attr{
		slog.String("request_id", c.id),
		slog.String("method", method),
		slog.String("code", status.Code(err).String()),
		slog.Duration("took", time.Since(begin)),
	}
	if p, ok := peer.FromContext(ctx); ok {
		attrs = append(attrs, slog.String("peer", p.Addr.String()))
	}
	if c.known {
		attrs = append(attrs, slog.String("caller", c.caller.PartyID+"/"+c.caller.PersonID))
	}
	if r := refusal.As(c.cause); r != nil {
		attrs = append(attrs, slog.String("reason", r.Reason))
	}
	switch status.Code(err) {
	case codes.Internal, codes.DataLoss, codes.Unavailable:
		level = slog.LevelError
		attrs = append(attrs, slog.String("cause", causeText(c.cause)))
	}
	g.log.LogAttrs(ctx, level, "call", attrs...)
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

func statusUnary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	resp, err := next(ctx, req)
	if err == nil {
		return resp, nil
	}
	c := callOf(ctx)
	c.cause = err
	return nil, statusOf(err, c.id)
}

func statusStream(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	err := next(srv, stream)
	if err == nil {
		return nil
	}
	c := callOf(stream.Context())
	c.cause = err
	return statusOf(err, c.id)
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

func recoverUnary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (_ any, err error) {
	defer recovered(&err)
	return next(ctx, req)
}

func recoverStream(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
	defer recovered(&err)
	return next(srv, stream)
}

// deadlineUnary gives every unary call an end: its own, or ours if it brought none or one too far off.
func deadlineUnary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	allowed := defaultDeadline
	if end, brought := ctx.Deadline(); brought {
		allowed = min(time.Until(end), maxDeadline)
	}
	ctx, cancel := context.WithTimeout(ctx, allowed)
	defer cancel()
	return next(ctx, req)
}

func (g *guard) authUnary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if err := g.prove(ctx, info.FullMethod); err != nil {
		return nil, err
	}
	return next(ctx, req)
}

func (g *guard) authStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	if err := g.prove(stream.Context(), info.FullMethod); err != nil {
		return err
	}
	return next(srv, stream)
}

// prove finds out who calls, unless the method is exempt.
func (g *guard) prove(ctx context.Context, method string) error {
	if exempt[method] != "" {
		return nil
	}
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get("authorization")
	if len(values) > 1 {
		return refusal.New(refusal.Unauthenticated, "TOKEN_MALFORMED", "",
			"The call carries %d authorization headers; send one.", len(values))
	}
	who, err := g.authenticate(ctx, strings.Join(values, ""))
	if err != nil {
		return err
	}
	c := callOf(ctx)
	c.caller, c.known = who, true
	return nil
}
