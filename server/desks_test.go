package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// A site with its desks, made up by a seed: a mine that pours, packs and ships, a carrier, and a refinery that
// receives, each person with a key of their own, all speaking to one server over the wire. All names and figures are
// invented. What one seed does another run with the same seed does too, but for ids, keys, times and the order in
// which desks take turns.

// site is the parties of one set of desks and what was acknowledged to them.
type site struct {
	t      testing.TB
	chance *rand.Rand
	admin  identity.Key
	dial   func() (*grpc.ClientConn, error)
	people map[string]*desk
	tag    string // makes names of this site differ from others'

	mu    sync.Mutex
	acked map[string]uint64 // event id to entry
	said  []string          // figures of weighings and assays that were recorded, without their units
	reads atomic.Int64
}

// desk is one person at a workstation.
type desk struct {
	*site
	party, name string
	key         identity.Key

	mu    sync.Mutex
	conn  *grpc.ClientConn
	token string
	until time.Time
}

// seeded returns chance by BARWARD_SEED, or by a seed that it prints.
func seeded(t testing.TB) *rand.Rand {
	t.Helper()
	seed := rand.Uint64()
	if text := os.Getenv("BARWARD_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("BARWARD_SEED=%d repeats it", seed)
	return rand.New(rand.NewPCG(seed, 7411))
}

// dialer connects to a server, in plain text or by TLS.
func dialer(ready Ready, config *tls.Config) func() (*grpc.ClientConn, error) {
	creds := insecure.NewCredentials()
	if config != nil {
		creds = credentials.NewTLS(config)
	}
	return func() (*grpc.ClientConn, error) {
		return grpc.NewClient(ready.Listening, grpc.WithTransportCredentials(creds))
	}
}

// newSite registers the parties and persons of a site, with balances that were checked and an agreement.
func newSite(p place, chance *rand.Rand, tag string, dial func() (*grpc.ClientConn, error)) *site {
	p.t.Helper()
	s := &site{t: p.t, chance: chance, admin: p.admin, dial: dial, people: map[string]*desk{}, tag: tag, acked: map[string]uint64{}}
	keeper := s.person("keeper", "wardle", p.admin)
	for id, kind := range map[string]pb.PartyKind{"mine": pb.PartyKind_PARTY_KIND_MINE,
		"carrier": pb.PartyKind_PARTY_KIND_CARRIER, "refinery": pb.PartyKind_PARTY_KIND_REFINERY} {
		keeper.must(&pb.PartyRegistered{PartyId: s.party(id), DisplayName: "The invented " + id, Kind: kind,
			Sites: []*pb.Site{{SiteId: "works", DisplayName: "Works", ElevationM: "12"}}})
	}
	for _, who := range []struct {
		party, name string
		roles       []pb.Role
	}{
		{"mine", "head", []pb.Role{pb.Role_ROLE_ADMINISTRATOR}},
		{"mine", "officer", []pb.Role{pb.Role_ROLE_GOLD_ROOM_OFFICER}},
		{"mine", "witness", []pb.Role{pb.Role_ROLE_WITNESS}},
		{"mine", "manager", []pb.Role{pb.Role_ROLE_COMMERCIAL_MANAGER}},
		{"mine", "assayer", []pb.Role{pb.Role_ROLE_ASSAYER}},
		{"carrier", "hauler", []pb.Role{pb.Role_ROLE_ADMINISTRATOR, pb.Role_ROLE_CUSTODIAN}},
		{"refinery", "chief", []pb.Role{pb.Role_ROLE_ADMINISTRATOR}},
		{"refinery", "clerk", []pb.Role{pb.Role_ROLE_RECEIVING_CLERK}},
		{"refinery", "buyer", []pb.Role{pb.Role_ROLE_COMMERCIAL_MANAGER}},
	} {
		by := keeper
		for _, d := range s.people {
			if d.party == s.party(who.party) && (d.name == "head" || d.name == "chief") {
				by = d
			}
		}
		d := s.person(s.party(who.party), who.name, newKey(s.t))
		by.must(&pb.PersonEnrolled{PersonId: who.name, PartyId: d.party, DisplayName: "Invented " + who.name,
			PublicKey: d.key.Public(), Roles: who.roles})
	}
	for _, b := range []struct{ by, id string }{{"head", "MB1"}, {"chief", "RB1"}} {
		d := s.people[b.by]
		d.must(&pb.BalanceRegistered{BalanceId: b.id, Site: d.party + "/works", AccuracyClass: "I", CheckEveryDays: 7,
			Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g"})
	}
	s.people["officer"].must(checked(s.party("mine") + "/MB1"))
	s.people["clerk"].must(checked(s.party("refinery") + "/RB1"))
	file, err := os.ReadFile("../testdata/demo/agreement.json")
	if err != nil {
		s.t.Fatal(err)
	}
	terms := strings.NewReplacer("quillmoss", s.party("mine"), "thistlequay", s.party("refinery")).Replace(string(file))
	_, signed := s.people["manager"].must(&pb.AgreementSigned{AgreementId: "A1", TermsJson: terms})
	s.people["buyer"].must(countersign(signed))
	return s
}

func checked(balance string) *pb.BalanceChecked {
	return &pb.BalanceChecked{Balance: balance,
		Points: []*pb.CheckPoint{{Nominal: "20000 g", WeightClass: "E2", Observed: "20000.00 g"}}}
}

// countersign agrees to an event as it was signed.
func countersign(signed *pb.SignedEvent) *pb.Countersigned {
	e, err := proof.ReadEnvelope(signed.Event)
	if err != nil {
		panic(err)
	}
	digest := sha256.Sum256(signed.Event)
	return &pb.Countersigned{EventId: e.ID.String(), EventSha256: digest[:]}
}

func (s *site) party(kind string) string { return kind + "-" + s.tag }

func (s *site) person(party, name string, key identity.Key) *desk {
	d := &desk{site: s, party: party, name: name, key: key}
	s.people[name] = d
	s.t.Cleanup(d.hangUp)
	return d
}

// sign puts a body into an event of the desk.
func (d *desk) sign(body proto.Message) *pb.SignedEvent {
	d.t.Helper()
	event, m := new(pb.Event), body.ProtoReflect()
	fields := event.ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		if fields.Get(i).Message().FullName() == m.Descriptor().FullName() {
			event.ProtoReflect().Set(fields.Get(i), protoreflect.ValueOfMessage(m))
		}
	}
	id, err := uuid.NewV7()
	if err != nil {
		d.t.Fatal(err)
	}
	event.EventId, event.AuthorKey, event.OccurredAt = id.String(), d.key.Public(), time.Now().Format(time.RFC3339)
	encoded, err := proto.Marshal(event)
	if err != nil {
		d.t.Fatal(err)
	}
	signed := proof.Sign(d.key.Private(), encoded)
	return &pb.SignedEvent{Event: signed.Event, Signature: signed.Signature}
}

// call is a context with a token of the desk, and the desk's connection.
func (d *desk) call(ctx context.Context) (context.Context, *grpc.ClientConn) {
	d.t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	if time.Now().After(d.until) {
		var err error
		if d.token, err = identity.IssueToken(d.key, testOrigin, time.Now(), identity.MaxTokenLife); err != nil {
			d.t.Fatal(err)
		}
		d.until = time.Now().Add(identity.MaxTokenLife / 2)
	}
	if d.conn == nil {
		var err error
		if d.conn, err = d.dial(); err != nil {
			d.t.Fatal(err)
		}
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+d.token), d.conn
}

// hangUp drops the connection; the next call makes another.
func (d *desk) hangUp() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.conn != nil {
		_ = d.conn.Close()
		d.conn = nil
	}
}

// send records a signed event, as often as it takes until there is an answer, as an outbox does.
func (d *desk) send(signed *pb.SignedEvent) (*pb.Receipt, error) {
	d.t.Helper()
	for end := time.Now().Add(90 * time.Second); ; {
		ctx, conn := d.call(context.Background())
		ctx, cancel := context.WithTimeout(ctx, 60*time.Second)
		resp, err := pb.NewLedgerServiceClient(conn).Record(ctx, &pb.RecordRequest{SignedEvent: signed})
		cancel()
		switch code := grpcstatus.Code(err); {
		case err == nil:
			d.ack(signed, resp.Receipt)
			return resp.Receipt, nil
		case code != codes.Unavailable && code != codes.Canceled && code != codes.ResourceExhausted && code != codes.DeadlineExceeded:
			return nil, err
		case time.Now().After(end):
			return nil, err
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// ack keeps what was acknowledged; the same event never gets two entries.
func (s *site) ack(signed *pb.SignedEvent, receipt *pb.Receipt) {
	s.t.Helper()
	e, err := proof.ReadEnvelope(signed.Event)
	if err != nil {
		s.t.Error(err)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if at, before := s.acked[e.ID.String()]; before && at != receipt.Sequence {
		s.t.Errorf("event %s was acknowledged as entry %d and as %d", e.ID, at, receipt.Sequence)
	}
	s.acked[e.ID.String()] = receipt.Sequence
}

// must records a body and returns its receipt and the event as signed.
func (d *desk) must(body proto.Message) (*pb.Receipt, *pb.SignedEvent) {
	d.t.Helper()
	signed := d.sign(body)
	receipt, err := d.send(signed)
	if err != nil {
		d.t.Errorf("%s/%s records %T: %v", d.party, d.name, body, err)
		return new(pb.Receipt), signed
	}
	return receipt, signed
}

// batch records many events by a stream, in order.
func (d *desk) batch(signed []*pb.SignedEvent) {
	d.t.Helper()
	ctx, conn := d.call(context.Background())
	ctx, cancel := context.WithTimeout(ctx, 90*time.Second)
	defer cancel()
	stream, err := pb.NewLedgerServiceClient(conn).RecordStream(ctx)
	if err != nil {
		d.t.Error(err)
		return
	}
	go func() {
		for _, s := range signed {
			if stream.Send(&pb.RecordStreamRequest{SignedEvent: s}) != nil {
				return
			}
		}
		_ = stream.CloseSend()
	}()
	for _, s := range signed {
		answer, err := stream.Recv()
		if err != nil || answer.GetReceipt() == nil {
			d.t.Errorf("%s/%s streams: %v %v", d.party, d.name, answer, err)
			return
		}
		d.ack(s, answer.GetReceipt())
	}
}

// grams are two readings of a mass between 15 and 25 kg, the second the same or a hundredth of a gram off.
func grams(chance *rand.Rand) []string {
	mass := 1_500_000 + chance.IntN(1_000_000)
	again := mass + chance.IntN(2)
	return []string{fmt.Sprintf("%d.%02d g", mass/100, mass%100), fmt.Sprintf("%d.%02d g", again/100, again%100)}
}

// say keeps figures that were recorded.
func (s *site) say(masses ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, mass := range masses {
		figure, _, _ := strings.Cut(mass, " ")
		s.said = append(s.said, figure)
	}
}

// shipment takes bars from the pour to the refinery's balance: the events of a day at the three desks. It returns the
// bars' names.
func (s *site) shipment(chance *rand.Rand, name string, bars int) (names []string) {
	s.t.Helper()
	officer, hauler, clerk := s.people["officer"], s.people["hauler"], s.people["clerk"]
	mine, carrier, refinery := s.party("mine"), s.party("carrier"), s.party("refinery")
	pour := &pb.PourRecorded{PourId: name, Balance: mine + "/MB1"}
	var weights [][]string
	for i := range bars {
		readings := grams(chance)
		weights = append(weights, readings)
		s.say(readings...)
		pour.Bars = append(pour.Bars, &pb.PouredBar{Mark: fmt.Sprintf("%s-%d", name, i), Readings: readings})
		names = append(names, fmt.Sprintf("%s/%s-%d", mine, name, i))
	}
	_, signed := officer.must(pour)
	s.people["witness"].must(countersign(signed))
	officer.must(&pb.SampleTaken{SampleId: name, Source: mine + "/" + name, Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	gold := 80_000 + chance.IntN(5_000)
	fineness := fmt.Sprintf("%d.%02d ppt", gold/100, gold%100)
	s.say(fineness)
	s.people["assayer"].must(&pb.AssayReported{AssayId: name, Sample: mine + "/" + name, Results: []*pb.AssayResult{
		{Element: "Au", Fineness: fineness}, {Element: "Ag", Fineness: "147.60 ppt"}}})
	advice := &pb.ConsignmentAdvised{ConsignmentId: name, Agreement: mine + "/A1", Carrier: carrier}
	var boxes []*pb.BoxReading
	for i, bar := range names {
		box, seal := fmt.Sprintf("%s-B%d", name, i), fmt.Sprintf("%s-%s-S%d", s.tag, name, i)
		officer.must(&pb.BoxPacked{BoxId: box, Bars: []string{bar}, Seals: []string{seal}})
		advice.Boxes = append(advice.Boxes, mine+"/"+box)
		boxes = append(boxes, &pb.BoxReading{Box: mine + "/" + box, Seals: []string{seal}})
	}
	officer.must(advice)
	consignment := mine + "/" + name
	officer.must(&pb.Released{Consignment: consignment, ToParty: carrier, Boxes: boxes})
	hauler.must(&pb.Accepted{Consignment: consignment, FromParty: mine, Count: int32(bars), Boxes: boxes})
	hauler.must(&pb.Released{Consignment: consignment, ToParty: refinery, Boxes: boxes})
	clerk.must(&pb.Accepted{Consignment: consignment, FromParty: carrier, Count: int32(bars), Boxes: boxes})
	var received []*pb.SignedEvent // scanned as fast as the hand moves
	for i, bar := range names {
		received = append(received, clerk.sign(&pb.BarReceived{Consignment: consignment, Box: boxes[i].Box, Bar: bar,
			Seals: boxes[i].Seals, Balance: refinery + "/RB1", Readings: weights[i]}))
	}
	clerk.batch(received)
	return names
}

// look reads what people at the desks look at.
func (s *site) look(chance *rand.Rand, bars []string) {
	s.t.Helper()
	d := s.people[[]string{"officer", "clerk", "manager", "buyer"}[chance.IntN(4)]]
	ctx, conn := d.call(context.Background())
	ctx, cancel := context.WithTimeout(ctx, 60*time.Second)
	defer cancel()
	book := pb.NewBookServiceClient(conn)
	bar := bars[chance.IntN(len(bars))]
	var err error
	switch chance.IntN(4) {
	case 0:
		_, err = book.Get(ctx, &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_BAR, Name: bar})
	case 1:
		_, err = book.TraceBar(ctx, &pb.TraceBarRequest{Bar: bar})
	case 2:
		_, err = book.List(ctx, &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_CONSIGNMENT, PageSize: 20})
	case 3:
		_, err = pb.NewLedgerServiceClient(conn).ListEntries(ctx, &pb.ListEntriesRequest{PageSize: 20})
	}
	if err != nil {
		s.t.Errorf("%s/%s reads: %v", d.party, d.name, err)
	}
	s.reads.Add(1)
}

// watch follows the log until ctx ends, opening its stream again when that is cut or its token ends, and returns how
// many entries it was shown. None comes twice or out of order.
func (d *desk) watch(ctx context.Context) (shown int64) {
	next := uint64(0)
	for ctx.Err() == nil {
		call, conn := d.call(ctx)
		stream, err := pb.NewLedgerServiceClient(conn).WatchEntries(call, &pb.WatchEntriesRequest{FromSequence: next})
		for err == nil {
			var got *pb.WatchEntriesResponse
			if got, err = stream.Recv(); err != nil {
				break
			}
			if seq := got.Entry.Sequence; seq < next {
				d.t.Errorf("entry %d was shown after %d", seq, next)
			} else {
				next, shown = seq+1, shown+1
			}
		}
		time.Sleep(10 * time.Millisecond)
	}
	return shown
}

// hangUpAll drops every connection.
func (s *site) hangUpAll() {
	for _, d := range s.people {
		d.hangUp()
	}
}

// audit holds what was acknowledged against the ledger file, which no server holds any more: each event is there once,
// as the entry that its receipt named.
func (p place) audit(sites ...*site) (entries uint64) {
	p.t.Helper()
	w := where{Ledger: p.path("ledger")}
	l, _, err := w.open("")
	if err != nil {
		p.t.Fatal(err)
	}
	defer l.Close()
	at := map[string]uint64{}
	for from := uint64(0); from < l.Size(); {
		page, err := l.Entries(from, 500)
		if err != nil {
			p.t.Fatal(err)
		}
		for _, e := range page {
			if first, twice := at[e.ID.String()]; twice {
				p.t.Errorf("event %s is entry %d and entry %d", e.ID, first, e.Seq)
			}
			at[e.ID.String()] = e.Seq
			from = e.Seq + 1
		}
	}
	acked, lost := 0, 0
	for _, s := range sites {
		acked += len(s.acked)
		for id, seq := range s.acked {
			if is, there := at[id]; !there || is != seq {
				lost++
				p.t.Errorf("event %s was acknowledged as entry %d; on record: %v, as entry %d", id, seq, there, is)
			}
		}
	}
	p.t.Logf("%d events acknowledged, %d lost, %d entries", acked, lost, l.Size())
	return l.Size()
}

// killer is a dialer whose connections a test can cut in the middle of whatever is on them.
type killer struct {
	mu   sync.Mutex
	open map[net.Conn]bool
}

func (k *killer) dial(ctx context.Context, address string) (net.Conn, error) {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.open == nil {
		k.open = map[net.Conn]bool{}
	}
	k.open[conn] = true
	return conn, nil
}

// cut cuts them all, unsent bytes and all.
func (k *killer) cut() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for conn := range k.open {
		if tcp, ok := conn.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0)
		}
		_ = conn.Close()
		delete(k.open, conn)
	}
}

// syncBuffer is a log that a test may read while the server writes it.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// patient waits for what a slow machine may take long to do.
func patient(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("never: %s", what)
}
