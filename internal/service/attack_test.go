package service

import (
	"context"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"

	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// Attacks on a service by somebody who has captured calls, has a token but not the key, or wants the others to wait.

// ask makes the cheapest call that needs a token.
func (h *house) ask(ctx context.Context) error {
	_, err := h.ledgerClient().ProveConsistency(ctx, new(pb.ProveConsistencyRequest))
	return err
}

// retryOf is when a refusal says to try again; 0 if it does not.
func retryOf(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if retry, ok := d.(*errdetails.RetryInfo); ok {
			return retry.RetryDelay.AsDuration()
		}
	}
	return 0
}

// A token that proved a caller to one log proves nothing to another, even where the key is registered and the first
// log's service has remembered the proof.
func TestAttackReplayATokenForAnotherAudience(t *testing.T) {
	h := open(t, nil)
	captured := withToken(t, context.Background(), h.admin, "log.example/the-other", time.Now())
	for range 2 {
		wantRefusal(t, h.ask(captured), codes.Unauthenticated, "TOKEN_AUDIENCE")
	}
	if err := h.ask(h.as(h.admin)); err != nil {
		t.Fatal(err)
	}
	wantRefusal(t, h.ask(captured), codes.Unauthenticated, "TOKEN_AUDIENCE")
}

// What was proven once is remembered, and forgotten when the token ends: a remembered proof must not outlive it.
func TestAttackReplayATokenAfterItsEnd(t *testing.T) {
	h := open(t, nil)
	var ahead atomic.Int64
	h.service.now = func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) } // before the first call
	captured := h.as(h.admin)
	if err := h.ask(captured); err != nil {
		t.Fatal(err)
	}
	ahead.Store(int64(identity.MaxTokenLife + identity.MaxClockSkew + time.Second))
	wantRefusal(t, h.ask(captured), codes.Unauthenticated, "TOKEN_EXPIRED")
}

// A proof that is remembered does not outlive the key: the receipt of a revocation is its end.
func TestAttackUseATokenAfterItsKeyWasRevoked(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	frozen := time.Now()
	h.service.now = func() time.Time { return frozen } // so that no memory ends by the clock
	ctx, admin := h.as(head), h.as(h.admin)
	for range 20 {
		if err := h.ask(ctx); err != nil {
			t.Fatal(err)
		}
	}
	revocation := h.admin.event(t, &pb.Event{Body: &pb.Event_KeyRevoked{KeyRevoked: &pb.KeyRevoked{
		PublicKey: head.key.Public(), Reason: "an invented loss"}}})
	if _, err := h.ledgerClient().Record(admin, &pb.RecordRequest{SignedEvent: revocation}); err != nil {
		t.Fatal(err)
	}
	wantRefusal(t, h.ask(ctx), codes.Unauthenticated, "KEY_REVOKED")
}

// The same by way of a stream.
func TestAttackUseATokenAfterItsKeyWasRevokedInAStream(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	frozen := time.Now()
	h.service.now = func() time.Time { return frozen }
	ctx := h.as(head)
	if err := h.ask(ctx); err != nil {
		t.Fatal(err)
	}
	stream, err := h.ledgerClient().RecordStream(h.as(h.admin))
	if err != nil {
		t.Fatal(err)
	}
	err = stream.Send(&pb.RecordStreamRequest{SignedEvent: h.admin.event(t, &pb.Event{Body: &pb.Event_KeyRevoked{
		KeyRevoked: &pb.KeyRevoked{PublicKey: head.key.Public(), Reason: "an invented loss"}}})})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := stream.Recv(); err != nil || got.GetReceipt() == nil {
		t.Fatal(got, err)
	}
	wantRefusal(t, h.ask(ctx), codes.Unauthenticated, "KEY_REVOKED")
}

// A thief of a token, without the key, can record nothing by it: neither what he signs himself nor what another party
// signed, and what the victim signed counts once however often it is handed in.
func TestAttackRecordByAStolenToken(t *testing.T) {
	h := open(t, nil)
	head, other := h.mine("ottermere"), h.mine("vendleby")
	stolen := h.as(head)
	size := h.ledger.Size()
	record := func(signed *pb.SignedEvent) (*pb.RecordResponse, error) {
		return h.ledgerClient().Record(stolen, &pb.RecordRequest{SignedEvent: signed})
	}
	_, err := record(newPerson(t).event(t, enrols("ottermere", "thief", newPerson(t), pb.Role_ROLE_ADMINISTRATOR)))
	wantRefusal(t, err, codes.Unauthenticated, "KEY_UNKNOWN")
	_, err = record(other.event(t, enrols("vendleby", "tansy", newPerson(t), pb.Role_ROLE_WITNESS)))
	wantRefusal(t, err, codes.PermissionDenied, "AUTHOR_OF_OTHER_PARTY")
	h.wantSize(size)
	captured := head.event(t, enrols("ottermere", "tansy", newPerson(t), pb.Role_ROLE_WITNESS))
	first, err := record(captured)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		again, err := record(captured)
		if err != nil || !again.Receipt.Resent || again.Receipt.Sequence != first.Receipt.Sequence {
			t.Errorf("a captured call, sent again: %v %v", again, err)
		}
	}
	h.wantSize(size + 1)
}

// A stream lasts no longer than the token that opened it, though nothing is sent on it. The service's clock stands a
// minute back, so that a token of one second ends in about a second and not in a minute: until its end a skew is
// allowed.
func TestAttackKeepAStreamOpenAfterItsToken(t *testing.T) {
	h := open(t, nil)
	h.service.now = func() time.Time { return time.Now().Add(-identity.MaxClockSkew) }
	token, err := identity.IssueToken(h.admin.key, testOrigin, h.service.now(), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second) // a stream that goes on fails the test
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
	recording, err := h.ledgerClient().RecordStream(ctx)
	if err != nil {
		t.Fatal(err)
	}
	watching, err := h.ledgerClient().WatchEntries(ctx, new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	_, err = recording.Recv()
	wantRefusal(t, err, codes.Unauthenticated, "TOKEN_EXPIRED")
	for err = nil; err == nil; {
		_, err = watching.Recv() // entries that were there already
	}
	wantRefusal(t, err, codes.Unauthenticated, "TOKEN_EXPIRED")
}

// A flood from one key is refused early with when to try again, and another key does not notice.
func TestAttackFloodFromOneKey(t *testing.T) {
	const burst = 5
	h := open(t, nil, Limits{CallerRate: 1e-6, CallerBurst: burst}) // one more in eleven days
	head := h.mine("ottermere")
	ctx := h.as(h.admin)
	answered, refused := 0, 0
	for range 4 * burst {
		err := h.ask(ctx)
		if err == nil {
			answered++
			continue
		}
		refused++
		wantRefusal(t, err, codes.ResourceExhausted, "RATE_EXCEEDED")
		if retryOf(err) <= 0 {
			t.Error("no RetryInfo")
		}
	}
	if answered != burst || refused != 3*burst {
		t.Errorf("%d answered and %d refused, want %d and %d", answered, refused, burst, 3*burst)
	}
	if err := h.ask(h.as(head)); err != nil {
		t.Errorf("another key: %v", err)
	}
}

// A flood without tokens, or with false ones, is refused by where it comes from before a signature is checked.
func TestAttackFloodFromOneAddress(t *testing.T) {
	const burst = 6
	h := open(t, nil, Limits{AddressRate: 1e-6, AddressBurst: burst})
	for i := range burst {
		if i%2 == 0 {
			wantRefusal(t, h.ask(context.Background()), codes.Unauthenticated, "TOKEN_MISSING")
		} else if _, err := h.ledgerClient().GetCheckpoint(context.Background(), new(pb.GetCheckpointRequest)); err != nil {
			t.Fatal(err)
		}
	}
	wantRefusal(t, h.ask(context.Background()), codes.ResourceExhausted, "RATE_EXCEEDED")
	_, err := h.ledgerClient().GetCheckpoint(context.Background(), new(pb.GetCheckpointRequest))
	wantRefusal(t, err, codes.ResourceExhausted, "RATE_EXCEEDED")
	h.service.reportShed()
	eventually(t, "the log sums up what was refused", func() bool { return h.log.contains(`"refused early"`) })
	if h.log.contains("RATE_EXCEEDED") {
		t.Error("a flood fills the log, a line a call")
	}
}

// One key cannot hold all streams, nor all calls.
func TestAttackHoldManyStreamsAndCalls(t *testing.T) {
	hold := make(chan struct{})
	var holding atomic.Bool
	h := open(t, hook(func(point string) error {
		if point == "batch-taken" && holding.Load() {
			<-hold
		}
		return nil
	}), Limits{CallerStreams: 2, CallerCalls: 1})
	defer close(hold)
	ctx := h.as(h.admin)
	for range 2 {
		stream, err := h.ledgerClient().WatchEntries(ctx, new(pb.WatchEntriesRequest))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := stream.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	third, err := h.ledgerClient().WatchEntries(ctx, new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	_, err = third.Recv()
	wantRefusal(t, err, codes.ResourceExhausted, "TOO_MANY_STREAMS")
	holding.Store(true)
	signed := h.admin.event(t, mine("ottermere"))
	recorded := make(chan error, 1)
	go func() {
		_, err := h.ledgerClient().Record(ctx, &pb.RecordRequest{SignedEvent: signed})
		recorded <- err
	}()
	eventually(t, "the event is with the ledger", func() bool { return h.service.waiting.Load() == 1 })
	err = h.ask(ctx)
	wantRefusal(t, err, codes.ResourceExhausted, "TOO_MANY_CALLS")
	if retryOf(err) <= 0 {
		t.Error("no RetryInfo")
	}
	holding.Store(false)
	hold <- struct{}{}
	if err := <-recorded; err != nil {
		t.Error(err)
	}
	if err := h.ask(ctx); err != nil {
		t.Errorf("after the answer: %v", err)
	}
}

// A ledger that has more to do than it can take refuses early, records nothing of it, and takes events again after.
func TestOverloadIsRefusedEarlyWithWhenToTryAgain(t *testing.T) {
	h := open(t, nil)
	signed := h.admin.event(t, mine("ottermere"))
	h.service.waiting.Add(maxWaiting)
	_, err := h.record(h.admin, signed)
	wantRefusal(t, err, codes.Unavailable, "OVERLOADED")
	if retryOf(err) != shedDelay {
		t.Errorf("it says to try again after %s", retryOf(err))
	}
	if err := h.ask(h.as(h.admin)); err != nil {
		t.Errorf("a read meanwhile: %v", err)
	}
	h.wantSize(2)
	h.service.waiting.Add(-maxWaiting)
	if receipt, err := h.record(h.admin, signed); err != nil || receipt.Resent {
		t.Errorf("afterwards: %v %v", receipt, err)
	}
}

// boundedListener serves a house on a listener that bounds connections.
func (h *house) boundedListener(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := h.service.Server()
	go func() { _ = server.Serve(h.service.Listener(l)) }()
	t.Cleanup(server.Stop)
	return l.Addr().String()
}

// closed reports whether the other end closes a connection on which nothing is asked. Settings that the server sends
// first are read away.
func closed(conn net.Conn) bool {
	_ = conn.SetReadDeadline(time.Now().Add(90 * time.Second))
	var err error
	for b := make([]byte, 1<<10); err == nil; {
		_, err = conn.Read(b)
	}
	timeout, ok := err.(net.Error)
	return !ok || !timeout.Timeout()
}

// Connections on which nobody ever says anything are closed, and meanwhile others are served.
func TestAttackSlowLoris(t *testing.T) {
	h := open(t, nil, Limits{Handshake: time.Second})
	address := h.boundedListener(t)
	var silent []net.Conn
	for i := range 40 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		if i%2 == 0 { // the beginning of a greeting, and no more
			if _, err := conn.Write([]byte("PRI * HTTP/2.0\r\n")); err != nil {
				t.Fatal(err)
			}
		}
		silent = append(silent, conn)
	}
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(h.as(h.admin), 90*time.Second)
	defer cancel()
	_, err = pb.NewLedgerServiceClient(conn).ProveConsistency(ctx, new(pb.ProveConsistencyRequest), grpc.WaitForReady(true))
	if err != nil {
		t.Errorf("beside silent connections: %v", err)
	}
	for i, conn := range silent {
		if !closed(conn) {
			t.Errorf("silent connection %d is still open", i)
		}
	}
}

// A request that trickles in has its end counted from its first byte, before its message is there.
func TestAttackTrickleARequest(t *testing.T) {
	g := &guard{}
	for _, method := range []string{pb.LedgerService_Record_FullMethodName, "/barward.v1.BookService/List", "/no/such"} {
		ctx, err := g.first(context.Background(), &tap.Info{FullMethodName: method})
		if err != nil {
			t.Fatal(err)
		}
		end, has := ctx.Deadline()
		if !has || time.Until(end) > defaultDeadline {
			t.Errorf("%s may take for ever to send its request", method)
		}
		callOf(ctx).end()
	}
}

// Whoever has no token is sent away before their request is read, and so holds no memory with it.
func TestAttackSendALargeRequestWithoutAToken(t *testing.T) {
	h := open(t, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second) // a service that waits for the request fails
	defer cancel()
	for _, m := range h.methods() {
		if exempt[m.full] != "" {
			continue
		}
		stream, err := h.conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, m.full)
		if err != nil {
			t.Fatal(err)
		}
		wantRefusal(t, stream.RecvMsg(new(pb.RecordResponse)), codes.Unauthenticated, "TOKEN_MISSING")
	}
}

// More connections than there are places are closed at once, and a place is free again when one ends.
func TestAttackManyConnections(t *testing.T) {
	h := open(t, nil, Limits{AddressConnections: 2})
	address := h.boundedListener(t)
	dialed := func() net.Conn {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	first, _ := dialed(), dialed()
	eventually(t, "the third is refused", func() bool {
		third := dialed()
		defer third.Close()
		return h.service.metrics.refusedConnections.Load() > 0 && closed(third)
	})
	first.Close()
	eventually(t, "there is room again", func() bool {
		conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		_, err = pb.NewLedgerServiceClient(conn).GetCheckpoint(context.Background(), new(pb.GetCheckpointRequest))
		return err == nil
	})
}

// Every method that lasts is in the list of those without an end by time, and no other.
func TestStreamingMethodsAreKnown(t *testing.T) {
	h := open(t, nil)
	count := 0
	for name, info := range h.service.Server().GetServiceInfo() {
		for _, m := range info.Methods {
			full := "/" + name + "/" + m.Name
			if lasts := m.IsClientStream || m.IsServerStream; lasts != streaming[full] {
				t.Errorf("%s: a stream %v, in the list %v", full, lasts, streaming[full])
			} else if lasts {
				count++
			}
		}
	}
	if count != len(streaming) {
		t.Errorf("%d methods last, the list has %d", count, len(streaming))
	}
}

// Meters and proofs are bounded, whoever comes.
func TestTablesAreBounded(t *testing.T) {
	now := time.Now()
	m := newMeters[int](1e-6, 1, -1, -1)
	for i := range maxMeters + 100 {
		if taken, err := m.enter(i, now, false); err == nil {
			m.leave(taken, false)
		}
	}
	if len(m.known) > maxMeters {
		t.Errorf("%d meters are kept", len(m.known))
	}
	if _, err := m.enter(maxMeters+200, now, false); err == nil {
		t.Error("strangers beyond the table have no bound together")
	}
	if _, err := m.enter(maxMeters+200, now.Add(1e7*time.Second), false); err != nil {
		t.Errorf("after a rest: %v", err)
	}
	if len(m.known) > 1 {
		t.Errorf("%d rested meters are kept", len(m.known))
	}
	var kept tokens
	kept.known = map[[32]byte]proven{}
	for i := range maxProven + 100 {
		kept.keep([32]byte{byte(i), byte(i >> 8)}, proven{until: now.Add(time.Hour)}, now)
	}
	if len(kept.known) != maxProven {
		t.Errorf("%d proofs are kept, want %d", len(kept.known), maxProven)
	}
	kept.keep([32]byte{31: 1}, proven{until: now.Add(3 * time.Hour)}, now.Add(2*time.Hour))
	if len(kept.known) != 1 {
		t.Errorf("%d proofs are kept that have ended", len(kept.known)-1)
	}
}

func TestAddressesCountByNetwork(t *testing.T) {
	for _, tt := range []struct{ at, want string }{
		{"192.0.2.7:40", "192.0.2.7"}, {"[::ffff:192.0.2.7]:40", "192.0.2.7"},
		{"[2001:db8:1:2:3:4:5:6]:40", "2001:db8:1:2::"}, // RFC 4291, section 2.5.4: the first 64 bits are the network
		{"[2001:db8:1:2:ffff::1]:40", "2001:db8:1:2::"}, {"[::1]:40", "::1"},
	} {
		addr, err := net.ResolveTCPAddr("tcp", tt.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := addressOf(addr).String(); got != tt.want {
			t.Errorf("%s counts as %s, want %s", tt.at, got, tt.want)
		}
	}
}
