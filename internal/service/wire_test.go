package service

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// fakeLedger answers ProveConsistency as a test says, behind the real interceptors and over a real connection.
type fakeLedger struct {
	pb.UnimplementedLedgerServiceServer
	do func(ctx context.Context) error
}

func (f *fakeLedger) ProveConsistency(ctx context.Context, _ *pb.ProveConsistencyRequest) (*pb.ProveConsistencyResponse, error) {
	return new(pb.ProveConsistencyResponse), f.do(ctx)
}

func (f *fakeLedger) WatchEntries(_ *pb.WatchEntriesRequest, s grpc.ServerStreamingServer[pb.WatchEntriesResponse]) error {
	return f.do(s.Context())
}

// behindGuard serves do with the chain of interceptors alone; everybody is let in.
func behindGuard(t *testing.T, log *syncBuffer, do func(ctx context.Context) error) pb.LedgerServiceClient {
	t.Helper()
	g := &guard{log: slog.New(slog.NewTextHandler(log, nil)), stop: context.Background(),
		authenticate: func(context.Context, string) (identity.Caller, time.Time, error) {
			return identity.Caller{PartyID: "keeper", PersonID: "wardle"}, time.Time{}, nil
		}}
	server := grpc.NewServer(g.options()...)
	pb.RegisterLedgerServiceServer(guarded{server, g}, &fakeLedger{do: do})
	return pb.NewLedgerServiceClient(dial(t, server))
}

// callBoth makes the unary and the streaming call and gives both errors.
func callBoth(t *testing.T, client pb.LedgerServiceClient) map[string]error {
	t.Helper()
	_, unary := client.ProveConsistency(context.Background(), new(pb.ProveConsistencyRequest))
	stream, err := client.WatchEntries(context.Background(), new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	_, streaming := stream.Recv()
	return map[string]error{"unary": unary, "stream": streaming}
}

// Expected codes and details are the table of refusals in the contributors' guide, on top of the meanings that
// google.rpc.Code and error_details.proto give them.
func TestEveryRefusalIsAStatus(t *testing.T) {
	rows := map[refusal.Kind]struct {
		code   codes.Code
		detail any // beside ErrorInfo
	}{
		refusal.Internal:        {codes.Internal, nil},
		refusal.Invalid:         {codes.InvalidArgument, (*errdetails.BadRequest)(nil)},
		refusal.Precondition:    {codes.FailedPrecondition, (*errdetails.PreconditionFailure)(nil)},
		refusal.Aborted:         {codes.Aborted, nil},
		refusal.Exists:          {codes.AlreadyExists, nil},
		refusal.NotFound:        {codes.NotFound, nil},
		refusal.OutOfRange:      {codes.OutOfRange, nil},
		refusal.Unauthenticated: {codes.Unauthenticated, nil},
		refusal.Forbidden:       {codes.PermissionDenied, nil},
		refusal.Exhausted:       {codes.ResourceExhausted, nil},
		refusal.Unavailable:     {codes.Unavailable, (*errdetails.RetryInfo)(nil)},
		refusal.DataLoss:        {codes.DataLoss, nil},
	}
	if want := slices.Sorted(maps.Keys(codeOf)); !slices.Equal(want, slices.Sorted(maps.Keys(rows))) {
		t.Fatalf("the service knows the kinds %v, this test others", want)
	}
	if _, code := shown(refusal.New(refusal.DataLoss+1, "R", "", "text"), "id"); code != codes.Internal {
		t.Errorf("a kind that nobody mapped must be INTERNAL, not OK")
	}
	var now *refusal.Error
	client := behindGuard(t, new(syncBuffer), func(context.Context) error { return now })
	for kind, row := range rows {
		now = refusal.New(kind, "SOME_REASON", "bars[2].mark", "The mark is %s. Choose another.", "taken").
			About("bar ottermere/OT-0412").With("sequence", "41").Because(errors.New("secret cause"))
		for how, err := range callBoth(t, client) {
			s := status.Convert(err)
			info := infoOf(err)
			if s.Code() != row.code || info.GetDomain() != "barward" {
				t.Errorf("%s, kind %d: got %v with %v, want %s", how, kind, s, info, row.code)
				continue
			}
			if strings.Contains(s.String(), "secret") {
				t.Errorf("%s, kind %d: the cause crossed the wire: %v", how, kind, s)
			}
			if kind == refusal.Internal {
				if info.GetReason() != "INTERNAL" || strings.Contains(s.Message(), "mark") || info.Metadata["request_id"] == "" {
					t.Errorf("%s: something internal crossed the wire: %v %v", how, s, info)
				}
				continue
			}
			if info.GetReason() != "SOME_REASON" || info.Metadata["sequence"] != "41" ||
				s.Message() != "bars[2].mark: The mark is taken. Choose another." {
				t.Errorf("%s, kind %d: got %v with %v", how, kind, s, info)
			}
			beside := 0
			for _, d := range s.Details() {
				switch d := d.(type) {
				case *errdetails.ErrorInfo:
					continue
				case *errdetails.BadRequest:
					v := d.FieldViolations[0]
					if row.detail != (*errdetails.BadRequest)(nil) || v.Field != "bars[2].mark" || v.Reason != "SOME_REASON" {
						t.Errorf("%s, kind %d: got %v", how, kind, d)
					}
				case *errdetails.PreconditionFailure:
					v := d.Violations[0]
					if row.detail != (*errdetails.PreconditionFailure)(nil) || v.Type != "SOME_REASON" ||
						v.Subject != "bar ottermere/OT-0412" {
						t.Errorf("%s, kind %d: got %v", how, kind, d)
					}
				case *errdetails.RetryInfo:
					if row.detail != (*errdetails.RetryInfo)(nil) || d.RetryDelay.AsDuration() <= 0 {
						t.Errorf("%s, kind %d: got %v", how, kind, d)
					}
				default:
					t.Errorf("%s, kind %d: unexpected detail %T", how, kind, d)
				}
				beside++
			}
			if want := map[bool]int{true: 0, false: 1}[row.detail == nil]; beside != want {
				t.Errorf("%s, kind %d: %d details beside ErrorInfo, want %d", how, kind, beside, want)
			}
		}
	}
}

// A refusal quotes what a caller sent. Bytes that are no UTF-8 cannot be sent as a protobuf string, and a long quotation
// does not fit into headers; both must still arrive as the refusal they are.
func TestRefusalWithUnfitTextArrives(t *testing.T) {
	var now *refusal.Error
	client := behindGuard(t, new(syncBuffer), func(context.Context) error { return now })
	for name, text := range map[string]string{
		"no UTF-8": "\xff\xfe\x00 mark", "a megabyte": strings.Repeat("é", 1<<19),
	} {
		now = refusal.Invalidf("TEXT_UNFIT", text, "%s", text).With("found", text).With(text, "v")
		for how, err := range callBoth(t, client) {
			wantRefusal(t, err, codes.InvalidArgument, "TEXT_UNFIT")
			if m := status.Convert(err).Message(); !utf8.ValidString(m) || len(m) > maxShown {
				t.Errorf("%s, %s: the message is %d bytes, valid %v", name, how, len(m), utf8.ValidString(m))
			}
		}
		if r := refusalProto(now, "id"); !utf8.ValidString(r.Message) || len(r.Message) > maxShown ||
			!utf8.ValidString(r.Field) || len(r.Values["found"]) > maxValue {
			t.Errorf("%s: in a stream: %d bytes", name, len(r.Message))
		}
	}
}

func TestBoundedCutsBetweenCharacters(t *testing.T) {
	for _, tt := range []struct {
		text string
		most int
		want string
	}{
		{"doré", 5, "doré"}, // 5 bytes: fits
		{"dorée", 5, "do…"}, // by hand: 5 less 3 for the dots
		{"ééé", 5, "é…"},
		{"\xffab", 10, "\uFFFDab"},
	} {
		if got := bounded(tt.text, tt.most); got != tt.want {
			t.Errorf("bounded(%q, %d) = %q, want %q", tt.text, tt.most, got, tt.want)
		}
	}
}

func TestPanicAndPlainErrorsShowNothing(t *testing.T) {
	for name, do := range map[string]func(context.Context) error{
		"panic":       func(context.Context) error { panic("seed phrase of the safe") },
		"plain error": func(context.Context) error { return errors.New("seed phrase of the safe") },
	} {
		log := new(syncBuffer)
		client := behindGuard(t, log, do)
		for how, err := range callBoth(t, client) {
			wantRefusal(t, err, codes.Internal, "INTERNAL")
			s := status.Convert(err)
			if strings.Contains(s.Proto().String(), "seed phrase") {
				t.Errorf("%s, %s: the wire says %v", name, how, s)
			}
			id := infoOf(err).GetMetadata()["request_id"]
			eventually(t, "the log tells the cause under the request id", func() bool {
				return slices.ContainsFunc(strings.Split(log.String(), "\n"), func(line string) bool {
					return strings.Contains(line, id) && strings.Contains(line, "seed phrase of the safe")
				})
			})
		}
	}
}

// The log of daily use is read by people who may not see weights, assays or amounts: it has reasons, no sentences.
func TestLogHoldsNoFigures(t *testing.T) {
	log := new(syncBuffer)
	client := behindGuard(t, log, func(context.Context) error {
		return refusal.Invalidf("FINENESS_ABOVE_1000", "fineness", "The fineness is 1812.44 ppt.").With("found", "1812.44")
	})
	callBoth(t, client)
	eventually(t, "two lines", func() bool { return strings.Count(log.String(), "FINENESS_ABOVE_1000") == 2 })
	if text := log.String(); strings.Contains(text, "1812") || !strings.Contains(text, "keeper/wardle") {
		t.Errorf("the log says %s", text)
	}
}

func TestRequestIDIsReturned(t *testing.T) {
	client := behindGuard(t, new(syncBuffer), func(ctx context.Context) error { return errors.New("broken") })
	var header metadata.MD
	_, err := client.ProveConsistency(context.Background(), new(pb.ProveConsistencyRequest), grpc.Header(&header))
	if id := infoOf(err).GetMetadata()["request_id"]; len(header.Get("x-request-id")) != 1 || header.Get("x-request-id")[0] != id {
		t.Errorf("the header has %v, the status %q", header, id)
	}
}

func TestDeadlines(t *testing.T) {
	var left time.Duration
	client := behindGuard(t, new(syncBuffer), func(ctx context.Context) error {
		end, ok := ctx.Deadline()
		if !ok {
			return errors.New("no deadline")
		}
		left = time.Until(end)
		return nil
	})
	for _, tt := range []struct {
		brought, most time.Duration
	}{
		{0, defaultDeadline},
		{10 * time.Second, 10 * time.Second},
		{10 * time.Hour, maxDeadline},
	} {
		ctx, cancel := context.Background(), func() {}
		if tt.brought > 0 {
			ctx, cancel = context.WithTimeout(ctx, tt.brought)
		}
		if _, err := client.ProveConsistency(ctx, new(pb.ProveConsistencyRequest)); err != nil {
			t.Fatal(err)
		}
		cancel()
		if left > tt.most {
			t.Errorf("brought %s: the handler had %s, more than %s", tt.brought, left, tt.most)
		}
	}
}

// The service's own answer to a call that ran out of time, which a client behind a slow line may still see.
func TestDeadlineExceededSaysThatTheOutcomeIsUnknown(t *testing.T) {
	for cause, want := range map[error]codes.Code{
		context.DeadlineExceeded: codes.DeadlineExceeded, context.Canceled: codes.Canceled,
	} {
		err := statusOf(errors.Join(errors.New("reading"), cause), "id")
		if status.Code(err) != want || !strings.Contains(err.Error(), "counts once") || strings.Contains(err.Error(), "reading") {
			t.Errorf("%v became %v", cause, err)
		}
	}
}

// Every method that the server offers, found as a stranger finds them, asks for a token; the exempt ones do not.
func TestAuthenticationHoldsForAllButTheExempt(t *testing.T) {
	h := open(t, nil)
	server := h.service.Server()
	free := map[string]bool{}
	methods := 0
	for name, info := range server.GetServiceInfo() {
		for _, m := range info.Methods {
			methods++
			full := "/" + name + "/" + m.Name
			err := callMethod(h, full, m)
			if exempt[full] == "" {
				wantRefusal(t, err, codes.Unauthenticated, "TOKEN_MISSING")
				continue
			}
			free[full] = true
			if status.Code(err) == codes.Unauthenticated {
				t.Errorf("%s is exempt and asked for a token", full)
			}
		}
	}
	want := []string{
		"/barward.v1.LedgerService/GetCheckpoint",
		"/grpc.health.v1.Health/Check", "/grpc.health.v1.Health/List", "/grpc.health.v1.Health/Watch",
		"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
	}
	if got := slices.Sorted(maps.Keys(free)); !slices.Equal(got, want) || len(exempt) != len(want) {
		t.Errorf("free of tokens are %v, want %v", got, want)
	}
	if methods < 13+len(want) { // 8 of the ledger, 3 of the book, 2 of settlement
		t.Errorf("only %d methods were tried", methods)
	}
}

// callMethod calls a method with an empty message, whatever its kind, and returns the first error.
func callMethod(h *house, full string, m grpc.MethodInfo) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	if !m.IsClientStream && !m.IsServerStream {
		return h.conn.Invoke(ctx, full, new(emptypb.Empty), new(emptypb.Empty))
	}
	stream, err := h.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, full)
	if err != nil {
		return err
	}
	if err := stream.SendMsg(new(emptypb.Empty)); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	return stream.RecvMsg(new(emptypb.Empty))
}

func TestTokensThatAreRefused(t *testing.T) {
	h := open(t, nil)
	stranger := newPerson(t)
	revoked := h.mine("ottermere")
	h.append(h.admin.event(t, &pb.Event{Body: &pb.Event_KeyRevoked{KeyRevoked: &pb.KeyRevoked{
		PublicKey: revoked.key.Public(), Reason: "an invented loss"}}}))
	background := context.Background()
	twice := withToken(t, h.as(h.admin), h.admin, testOrigin, time.Now())
	for name, tt := range map[string]struct {
		ctx    context.Context
		reason string
	}{
		"none":           {background, "TOKEN_MISSING"},
		"no bearer":      {metadata.AppendToOutgoingContext(background, "authorization", "Basic d2FyZGxl"), "TOKEN_MALFORMED"},
		"two":            {twice, "TOKEN_MALFORMED"},
		"expired":        {withToken(t, background, h.admin, testOrigin, time.Now().Add(-time.Hour)), "TOKEN_EXPIRED"},
		"from tomorrow":  {withToken(t, background, h.admin, testOrigin, time.Now().Add(24*time.Hour)), "TOKEN_EXPIRED"},
		"of another log": {withToken(t, background, h.admin, "other.example", time.Now()), "TOKEN_AUDIENCE"},
		"unknown key":    {h.as(stranger), "KEY_UNKNOWN"},
		"revoked key":    {h.as(revoked), "KEY_REVOKED"},
	} {
		_, err := h.ledgerClient().ProveConsistency(tt.ctx, new(pb.ProveConsistencyRequest))
		if status.Code(err) != codes.Unauthenticated || infoOf(err).GetReason() != tt.reason {
			t.Errorf("%s: got %v with %v, want %s", name, err, infoOf(err), tt.reason)
		}
	}
	if _, err := h.ledgerClient().ProveConsistency(h.as(h.admin), new(pb.ProveConsistencyRequest)); err != nil {
		t.Errorf("a good token: %v", err)
	}
}

func TestOversizeMessageIsRefused(t *testing.T) {
	h := open(t, nil)
	book := pb.NewSettlementServiceClient(h.conn)
	ask := func(size int) error {
		_, err := book.PreviewStatement(h.as(h.admin), &pb.PreviewStatementRequest{
			From: &pb.PreviewStatementRequest_FiguresJson{FiguresJson: strings.Repeat(" ", size)}}, grpc.MaxCallSendMsgSize(1<<30))
		return err
	}
	if err := ask(maxRequest + 1); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("a message beyond the bound: %v", err)
	}
	// Within the bound of a message, beyond that of the field.
	wantRefusal(t, ask(maxFigures+1), codes.InvalidArgument, "FIELD_TOO_LONG")
}

func TestHealthFollowsTheLedger(t *testing.T) {
	fault := make(chan error, 1)
	h := open(t, hook(func(point string) error {
		if point == "after-commit" {
			select {
			case err := <-fault:
				return err
			default:
			}
		}
		return nil
	}))
	client := healthpb.NewHealthClient(h.conn)
	var watches []grpc.ServerStreamingClient[healthpb.HealthCheckResponse]
	for _, name := range served {
		eventually(t, "SERVING", func() bool {
			resp, err := client.Check(context.Background(), &healthpb.HealthCheckRequest{Service: name})
			return err == nil && resp.Status == healthpb.HealthCheckResponse_SERVING
		})
		watch, err := client.Watch(context.Background(), &healthpb.HealthCheckRequest{Service: name})
		if err != nil {
			t.Fatal(err)
		}
		watches = append(watches, watch)
	}
	// After this commit it is not known whether the entry is on disk.
	fault <- errors.New("an invented fault of the disk")
	_, err := h.ledgerClient().Record(h.as(h.admin), &pb.RecordRequest{
		SignedEvent: h.admin.event(t, registers("ottermere", pb.PartyKind_PARTY_KIND_MINE))})
	wantRefusal(t, err, codes.Unavailable, "LEDGER_OUTCOME_UNKNOWN")
	for i, watch := range watches {
		for {
			resp, err := watch.Recv()
			if err != nil {
				t.Fatalf("%q: %v", served[i], err)
			}
			if resp.Status == healthpb.HealthCheckResponse_NOT_SERVING {
				break
			}
		}
	}
}
