package book

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// All parties, persons, prices and figures here are invented, unless a source is named beside them.

// house is a ledger that the book judges, and the persons who write into it.
type house struct {
	testing.TB
	l      *ledger.Ledger
	now    time.Time // of the fake clock; each event takes a minute
	people map[string]*person
	events int
	sent   map[uint64]*pb.Event // by sequence
}

type person struct {
	party, id string
	key       ed25519.PrivateKey
}

func keyOf(name string) ed25519.PrivateKey {
	seed := sha256.Sum256([]byte("book test: " + name))
	return ed25519.NewKeyFromSeed(seed[:])
}

func (p *person) public() []byte { return p.key.Public().(ed25519.PublicKey) }

// empty opens a new ledger. When the test ends it is verified with every fold, rebuilt, and the two books compared.
func empty(t testing.TB) *house {
	h := &house{TB: t, now: when(t, "2027-02-01T08:00:00-05:00"), people: map[string]*person{}, sent: map[uint64]*pb.Event{}}
	c := ledgertest.Config()
	c.Judge, c.Rules, c.Clock = New(), Rules, func() time.Time { return h.now }
	l, err := ledger.Create(filepath.Join(t.TempDir(), "ledger"), c)
	if err != nil {
		t.Fatal(err)
	}
	h.l = l
	t.Cleanup(func() {
		h.sound()
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

// sound fails the test unless the ledger verifies and its book is what a rebuild makes of the entries.
func (h *house) sound() {
	h.Helper()
	ledgertest.Verify(h, h.l)
	before := h.picture()
	if err := h.l.Rebuild(context.Background(), nil); err != nil {
		h.Errorf("rebuild: %v", err)
		return
	}
	if h.picture() != before {
		h.Error("the book rebuilt from the entries differs from the one that grew")
	}
}

// picture is a digest of all that the book holds.
func (h *house) picture() (digest [32]byte) {
	h.Helper()
	h.view(func(b *ledger.Book) { digest = sha256.Sum256([]byte(ledgertest.Dump(b))) })
	return digest
}

func (h *house) view(f func(*ledger.Book)) {
	h.Helper()
	if err := h.l.View(func(b *ledger.Book, _ uint64) error { f(b); return nil }); err != nil {
		h.Fatal(err)
	}
}

func when(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// clock sets the time of the next event.
func (h *house) clock(s string) {
	h.Helper()
	h.now = when(h, s).Add(-time.Minute)
}

// wrap puts a body into an event.
func wrap(t testing.TB, body proto.Message) *pb.Event {
	t.Helper()
	event, err := eventOf(body)
	if err != nil {
		t.Fatal(err)
	}
	return event
}

func eventOf(body proto.Message) (*pb.Event, error) {
	event := new(pb.Event)
	m := event.ProtoReflect()
	for i := range bodies.Fields().Len() {
		field := bodies.Fields().Get(i)
		if field.Message().FullName() == body.ProtoReflect().Descriptor().FullName() {
			m.Set(field, protoreflect.ValueOfMessage(body.ProtoReflect()))
			return event, nil
		}
	}
	return nil, fmt.Errorf("%T is no body of an event", body)
}

// send signs an event, or a body, as somebody, and offers it to the ledger as the service does.
func (h *house) send(who string, body proto.Message) (uint64, error) {
	h.Helper()
	p := h.people[who]
	if p == nil {
		h.Fatalf("nobody is called %s", who)
	}
	event, ok := body.(*pb.Event)
	if !ok {
		event = wrap(h, body)
	}
	event = proto.CloneOf(event)
	h.events++
	h.now = h.now.Add(time.Minute)
	if event.EventId == "" {
		event.EventId = ledgertest.ID(h.events).String()
	}
	if event.OccurredAt == "" {
		event.OccurredAt = h.now.Format(time.RFC3339)
	}
	event.AuthorKey = p.public()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(event)
	if err != nil {
		h.Fatal(err)
	}
	return h.offer(p, b)
}

// offer signs bytes as they are.
func (h *house) offer(p *person, b []byte) (uint64, error) {
	h.Helper()
	signed := proof.Sign(p.key, b)
	envelope, err := proof.Open(signed)
	if err != nil {
		return 0, err
	}
	event, err := Decode(b)
	if err != nil {
		return 0, err
	}
	receipt, err := h.l.Append(context.Background(), ledger.Submission{Signed: signed, Envelope: envelope, Memo: event})
	if err == nil {
		h.sent[receipt.Seq] = event
	}
	return receipt.Seq, err
}

// must records and returns the sequence number.
func (h *house) must(who string, body proto.Message) uint64 {
	h.Helper()
	seq, err := h.send(who, body)
	if err != nil {
		h.Fatalf("%s: %v (%+v)", who, err, refusal.As(err))
	}
	return seq
}

// quiet records what must raise nothing.
func (h *house) quiet(who string, body proto.Message) uint64 {
	h.Helper()
	return h.raises(who, body)
}

// raises records what must raise exactly these kinds of discrepancy, in any order.
func (h *house) raises(who string, body proto.Message, kinds ...pb.DiscrepancyKind) uint64 {
	h.Helper()
	seq := h.must(who, body)
	var got []pb.DiscrepancyKind
	for _, d := range h.raisedBy(seq) {
		got = append(got, d.Kind)
	}
	slices.Sort(got)
	slices.Sort(kinds)
	if !slices.Equal(got, kinds) {
		h.Errorf("%s raises %v, want %v: %v", kindOf(h.sent[seq]), got, kinds, h.raisedBy(seq))
	}
	return seq
}

// refused offers what must be refused for a reason, and leave no trace.
func (h *house) refused(who string, body proto.Message, reason string) {
	h.Helper()
	size, picture := h.l.Size(), h.picture()
	_, err := h.send(who, body)
	if !refusal.Is(err, reason) {
		h.Errorf("refused with %v, want %s", err, reason)
	}
	if r := refusal.As(err); r != nil && (r.Text == "" || strings.Contains(r.Text, "%!")) {
		h.Errorf("%s says %q", reason, r.Text)
	}
	if h.l.Size() != size || h.picture() != picture {
		h.Errorf("%s left a trace", reason)
	}
}

func (h *house) raisedBy(seq uint64) (list []*pb.Discrepancy) {
	h.Helper()
	h.view(func(b *ledger.Book) { list = raisedBy(b, seq) })
	return list
}

// one returns the only discrepancy of an entry of this kind.
func (h *house) one(seq uint64, kind pb.DiscrepancyKind) *pb.Discrepancy {
	h.Helper()
	var found []*pb.Discrepancy
	for _, d := range h.raisedBy(seq) {
		if d.Kind == kind {
			found = append(found, d)
		}
	}
	if len(found) != 1 {
		h.Fatalf("entry %d raised %d of %v, want one", seq, len(found), kind)
	}
	return found[0]
}

// load returns a thing as the book keeps it.
func load[T thing](h *house, table table[T], name string) T {
	h.Helper()
	var value T
	h.view(func(b *ledger.Book) {
		var ok bool
		if value, ok = table.load(&store{pages: b}, name); !ok {
			h.Fatalf("no %s %s on record", table.title(), name)
		}
	})
	return value
}

// consigned is a consignment as its readers see it.
func (h *house) consigned(name string) *pb.Consignment {
	h.Helper()
	c := load(h, consignments, name)
	h.view(func(b *ledger.Book) { (&store{pages: b}).whole(c) })
	return c
}

func (h *house) bar(name string) *pb.Bar { h.Helper(); return load(h, bars, name) }
func (h *house) lot(name string) *pb.Lot { h.Helper(); return load(h, lots, name) }

// caller returns somebody as the service knows them.
func (h *house) caller(who string) (c identity.Caller) {
	h.Helper()
	h.view(func(b *ledger.Book) {
		var err error
		if c, err = CallerOf(b, h.people[who].public()); err != nil {
			h.Fatal(err)
		}
	})
	return c
}

// get reads a thing as somebody.
func (h *house) get(who string, kind pb.ThingKind, name string) (thing *pb.Thing, err error) {
	h.Helper()
	c := h.caller(who)
	h.view(func(b *ledger.Book) { thing, err = Get(b, c, kind, name) })
	return thing, err
}

// founded is a house with its operator and its administrator, the first two entries.
func founded(t testing.TB) *house {
	h := empty(t)
	h.people["odo"] = &person{"lanternfold", "odo", keyOf("odo")}
	h.must("odo", &pb.PartyRegistered{PartyId: "lanternfold", DisplayName: "Lanternfold (invented)", Kind: pb.PartyKind_PARTY_KIND_OPERATOR})
	h.must("odo", &pb.PersonEnrolled{PersonId: "odo", PartyId: "lanternfold", DisplayName: "Odo", PublicKey: h.people["odo"].public(), Roles: []pb.Role{admin}})
	return h
}

const (
	admin     = pb.Role_ROLE_ADMINISTRATOR
	officer   = pb.Role_ROLE_GOLD_ROOM_OFFICER
	witness   = pb.Role_ROLE_WITNESS
	custodian = pb.Role_ROLE_CUSTODIAN
	clerk     = pb.Role_ROLE_RECEIVING_CLERK
	assayer   = pb.Role_ROLE_ASSAYER
	manager   = pb.Role_ROLE_COMMERCIAL_MANAGER
	auditor   = pb.Role_ROLE_AUDITOR
)

// enrol enrols somebody by the administrator of their party, or by the operator.
func (h *house) enrol(by, name, party string, roles ...pb.Role) {
	h.Helper()
	h.people[name] = &person{party, name, keyOf(name)}
	h.must(by, &pb.PersonEnrolled{PersonId: name, PartyId: party, DisplayName: "Invented " + name, PublicKey: h.people[name].public(), Roles: roles})
}

// rotate gives somebody a new key, by their old one, and returns the old one with their name.
func (h *house) rotate(who string) (old *person) {
	h.Helper()
	p := h.people[who]
	next := &person{p.party, p.id, keyOf(fmt.Sprint(who, " ", h.l.Size()))}
	h.must(who, &pb.KeyRotated{NewPublicKey: next.public(), Proof: proves(next, p)})
	h.people[who] = next
	return p
}

// proves is the new key's proof that it takes the place of the old one.
func proves(next, old *person) []byte {
	key, err := identity.NewKey(bytes.NewReader(next.key.Seed()))
	if err != nil {
		panic(err) // a reader of 32 bytes has them
	}
	return identity.ProvePossession(key, old.party+"/"+old.id, old.public())
}

// recovery is the event by which somebody gets a new key, and that key.
func (h *house) recovery(who, since string) (*pb.KeyRecovered, *person) {
	h.Helper()
	p := h.people[who]
	next := &person{p.party, p.id, keyOf(fmt.Sprint(who, " recovered ", h.l.Size()))}
	return &pb.KeyRecovered{Person: p.party + "/" + p.id, NewPublicKey: next.public(), Proof: proves(next, p), Reason: "dropped into the furnace, invented", Since: since}, next
}

// recover gives somebody a new key by an administrator and returns the old one.
func (h *house) recover(by, who, since string) (old *person) {
	h.Helper()
	e, next := h.recovery(who, since)
	old = h.people[who]
	h.must(by, e)
	h.people[who] = next
	return old
}

// cosign has somebody cosign the checkpoint that the log has now.
func (h *house) cosign(who string) uint64 {
	h.Helper()
	signed, err := h.l.Checkpoint()
	if err != nil {
		h.Fatal(err)
	}
	return h.must(who, h.cosigned(who, signed))
}

func (h *house) cosigned(who string, signed []byte) *pb.CheckpointCosigned {
	h.Helper()
	body, _, err := proof.SplitNote(signed)
	if err != nil {
		h.Fatal(err)
	}
	p := h.people[who]
	c, err := proof.Cosign(body, p.party+"/"+p.id, p.key, h.now)
	if err != nil {
		h.Fatal(err)
	}
	return &pb.CheckpointCosigned{Note: string(signed) + c.Line()}
}

// callerAt is somebody as the service knows them at an instant, with what is granted to them then.
func (h *house) callerAt(who, at string) (c identity.Caller) {
	h.Helper()
	h.view(func(b *ledger.Book) {
		var err error
		if c, err = CallerAt(b, h.people[who].public(), when(h, at)); err != nil {
			h.Fatal(err)
		}
	})
	return c
}

// staffed is a house with everybody in it: the mine quillmoss (and another, gorsefell), the carriers pebblewing and
// saltferry, the refinery thistlequay (and another, rushbeck), the laboratory umbercount, a vault and an auditor; balances
// that were checked; prices and holidays.
func staffed(t testing.TB) *house {
	h := founded(t)
	for _, p := range []struct {
		id, elevation string
		kind          pb.PartyKind
	}{
		{"quillmoss", "3900", pb.PartyKind_PARTY_KIND_MINE}, {"gorsefell", "410", pb.PartyKind_PARTY_KIND_MINE},
		{"pebblewing", "12", pb.PartyKind_PARTY_KIND_CARRIER}, {"saltferry", "12", pb.PartyKind_PARTY_KIND_CARRIER},
		{"thistlequay", "3", pb.PartyKind_PARTY_KIND_REFINERY}, {"rushbeck", "90", pb.PartyKind_PARTY_KIND_REFINERY},
		{"umbercount", "140", pb.PartyKind_PARTY_KIND_LABORATORY}, {"stillwater", "30", pb.PartyKind_PARTY_KIND_VAULT},
		{"plumbline", "30", pb.PartyKind_PARTY_KIND_AUDITOR},
	} {
		h.must("odo", &pb.PartyRegistered{PartyId: p.id, DisplayName: p.id + " (invented)", Kind: p.kind,
			Sites: []*pb.Site{{SiteId: "works", DisplayName: "Works", ElevationM: p.elevation}}})
	}
	for _, p := range []struct {
		name, party string
		roles       []pb.Role
	}{
		{"wren", "quillmoss", []pb.Role{admin}}, {"ibbet", "quillmoss", []pb.Role{officer}}, {"tamsin", "quillmoss", []pb.Role{witness, officer}},
		{"perpetua", "quillmoss", []pb.Role{assayer}}, {"lucan", "quillmoss", []pb.Role{manager}},
		{"gale", "gorsefell", []pb.Role{admin, officer, assayer, manager}},
		{"hob", "pebblewing", []pb.Role{admin, custodian}}, {"marjory", "saltferry", []pb.Role{admin, custodian}},
		{"auberon", "thistlequay", []pb.Role{admin}}, {"dilly", "thistlequay", []pb.Role{clerk}}, {"ansel", "thistlequay", []pb.Role{assayer}},
		{"fennimore", "thistlequay", []pb.Role{manager}},
		{"rook", "rushbeck", []pb.Role{admin, clerk, assayer, manager}},
		{"umbra", "umbercount", []pb.Role{admin, assayer}}, {"vera", "stillwater", []pb.Role{admin, custodian}}, {"quentin", "plumbline", []pb.Role{admin, auditor}},
	} {
		by := "odo"
		for _, other := range []string{"wren", "auberon"} {
			if q := h.people[other]; q != nil && q.party == p.party {
				by = other
			}
		}
		h.enrol(by, p.name, p.party, p.roles...)
	}
	balance := func(by, id string, e *pb.BalanceRegistered) {
		e.BalanceId, e.Site, e.AccuracyClass, e.CheckEveryDays = id, h.people[by].party+"/works", "I", 7
		e.Readability, e.VerificationInterval, e.Repeatability = "0.01 g", "0.1 g", "0.03 g"
		h.must(by, e)
	}
	balance("wren", "QB1", &pb.BalanceRegistered{Capacity: "32000 g"})
	balance("auberon", "TB1", &pb.BalanceRegistered{Capacity: "32000 g"})
	balance("auberon", "TM1", &pb.BalanceRegistered{Capacity: "100000 g"})
	h.must("ibbet", passed("quillmoss/QB1"))
	h.must("lucan", &pb.PricesPublished{Series: "gold (invented)", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-02-01", Price: "2300.00"}, {Date: "2027-03-01", Price: "2350.25"}}})
	h.must("lucan", &pb.PricesPublished{Series: "silver (invented)", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-02-01", Price: "28.000"}, {Date: "2027-03-01", Price: "29.455"}}})
	h.must("fennimore", &pb.HolidaysPublished{Calendar: "Lanternfold", Dates: []string{"2027-01-01"}})
	return h
}

// passed is a check of a balance with a weight of 20 kg that showed no error.
func passed(balance string) *pb.BalanceChecked {
	return &pb.BalanceChecked{Balance: balance, Points: []*pb.CheckPoint{{Nominal: "20000 g", WeightClass: "E2", Observed: "20000.00 g"}}}
}

// terms are those of the demonstration with the rules of reference 04 section 5: charge and advance on the weight after
// melt, gold at 99.90 % without a deduction, priced on the day of the exchange. change may alter them.
func terms(t testing.TB, change ...func(map[string]any)) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	day := map[string]any{"event": "exchange", "lag_days": 0, "lag_count": "calendar", "business_day_rule": "following", "calendars": []string{}}
	for i, series := range []string{"gold (invented)", "silver (invented)"} {
		metal := m["metals"].([]any)[i].(map[string]any)
		price := metal["price"].(map[string]any)
		price["series"], price["day"] = series, day
	}
	m["metals"].([]any)[0].(map[string]any)["payable"] = map[string]any{"floor": "0 ppt", "bands": []any{map[string]any{"from": "0 ppt", "percent": "99.90"}}}
	treatment := m["charges"].([]any)[0].(map[string]any)
	treatment["weight"] = "after_melt"
	m["charges"] = []any{treatment, m["charges"].([]any)[3]}
	m["payment"].(map[string]any)["value_date"] = day
	advance := m["advance"].(map[string]any)
	advance["weight"], advance["price"] = "after_melt", "period"
	delete(advance, "day")
	for _, f := range change {
		f(m)
	}
	out, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// agree has an agreement signed by the mine and countersigned by the refinery.
func (h *house) agree(id string, change ...func(map[string]any)) string {
	h.Helper()
	seq := h.must("lucan", &pb.AgreementSigned{AgreementId: id, TermsJson: terms(h, change...)})
	h.must("fennimore", h.countersign(seq))
	return "quillmoss/" + id
}

// countersign agrees to an entry as it was recorded.
func (h *house) countersign(seq uint64) *pb.Countersigned {
	h.Helper()
	e, err := h.l.Entry(seq)
	if err != nil {
		h.Fatal(err)
	}
	digest := sha256.Sum256(e.Event)
	return &pb.Countersigned{EventId: e.ID.String(), EventSha256: digest[:]}
}

// correct is a correction of an entry by what stands instead, or its withdrawal by nil.
func (h *house) correct(seq uint64, instead proto.Message) *pb.Event {
	h.Helper()
	e := &pb.Corrected{Reason: "misread, invented"}
	switch r := instead.(type) {
	case *pb.Weighed:
		e.Replacement = &pb.Corrected_Weighed{Weighed: r}
	case *pb.AssayReported:
		e.Replacement = &pb.Corrected_AssayReported{AssayReported: r}
	case *pb.BarReceived:
		e.Replacement = &pb.Corrected_BarReceived{BarReceived: r}
	case *pb.Melted:
		e.Replacement = &pb.Corrected_Melted{Melted: r}
	}
	event := wrap(h, e)
	event.Supersedes = h.id(seq)
	return event
}

func (h *house) id(seq uint64) string {
	h.Helper()
	e, err := h.l.Entry(seq)
	if err != nil {
		h.Fatal(err)
	}
	return e.ID.String()
}

// twice is a pair of equal readings.
func twice(mass string) []string { return []string{mass, mass} }

// route is a consignment on its way, and how far it shall go.
type route struct {
	*house
	agreement string
	name      string   // of everything on it
	bars      []string // marks
	pour      uint64
}

func (r *route) mark(i int) string   { return "quillmoss/" + r.bars[i] }
func (r *route) box(i int) string    { return fmt.Sprintf("quillmoss/%s-B%d", r.name, i) }
func (r *route) seal(i int) string   { return fmt.Sprintf("%s-S%d", r.name, i) }
func (r *route) consignment() string { return "quillmoss/" + r.name }
func (r *route) lotName() string     { return "thistlequay/" + r.name }

// poured pours bars of these weights and has the pour witnessed.
func (h *house) poured(name, agreement string, weights ...string) *route {
	h.Helper()
	r := &route{house: h, agreement: agreement, name: name}
	e := &pb.PourRecorded{PourId: name, Balance: "quillmoss/QB1"}
	for i, w := range weights {
		mark := fmt.Sprintf("%s-%d", name, i)
		r.bars = append(r.bars, mark)
		e.Bars = append(e.Bars, &pb.PouredBar{Mark: mark, Readings: twice(w)})
	}
	r.pour = h.must("ibbet", e)
	h.must("tamsin", h.countersign(r.pour))
	return r
}

// assayed reports the pour's gold and silver by the mine.
func (r *route) assayed(gold, silver string) {
	r.Helper()
	r.must("ibbet", &pb.SampleTaken{SampleId: r.name, Source: "quillmoss/" + r.name, Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	r.must("perpetua", &pb.AssayReported{AssayId: r.name, Sample: "quillmoss/" + r.name, Results: results2(gold, silver)})
}

// packed packs each bar into a box of its own.
func (r *route) packed() {
	r.Helper()
	for i := range r.bars {
		r.must("ibbet", &pb.BoxPacked{BoxId: fmt.Sprintf("%s-B%d", r.name, i), Bars: []string{r.mark(i)}, Seals: []string{r.seal(i)}})
	}
}

// advised packs and advises.
func (r *route) advised() {
	r.Helper()
	r.packed()
	r.must("ibbet", r.advice())
}

func (r *route) advice() *pb.ConsignmentAdvised {
	e := &pb.ConsignmentAdvised{ConsignmentId: r.name, Agreement: r.agreement, Carrier: "pebblewing"}
	for i := range r.bars {
		e.Boxes = append(e.Boxes, r.box(i))
	}
	return e
}

func (r *route) readings() (list []*pb.BoxReading) {
	for i := range r.bars {
		list = append(list, &pb.BoxReading{Box: r.box(i), Seals: []string{r.seal(i)}})
	}
	return list
}

func (r *route) release(to string) *pb.Released {
	return &pb.Released{Consignment: r.consignment(), ToParty: to, Boxes: r.readings()}
}

func (r *route) accept(from string) *pb.Accepted {
	return &pb.Accepted{Consignment: r.consignment(), FromParty: from, Count: int32(len(r.bars)), Boxes: r.readings()}
}

// carried brings an advised consignment to the refinery, through one carrier.
func (r *route) carried() {
	r.Helper()
	r.quiet("ibbet", r.release("pebblewing"))
	r.quiet("hob", r.accept("quillmoss"))
	r.quiet("hob", r.release("thistlequay"))
	r.quiet("dilly", r.accept("pebblewing"))
}

// receipt is the receipt of one bar.
func (r *route) receipt(i int, readings ...string) *pb.BarReceived {
	return &pb.BarReceived{Consignment: r.consignment(), Box: r.box(i), Bar: r.mark(i), Seals: []string{r.seal(i)}, Balance: "thistlequay/TB1", Readings: readings}
}

// arrived brings bars to the refinery's balance, which was checked, and receives them at these weights.
func (r *route) arrived(weights ...string) (receipts []uint64) {
	r.Helper()
	r.advised()
	r.carried()
	r.must("dilly", passed("thistlequay/TB1"))
	r.must("dilly", passed("thistlequay/TM1"))
	for i, w := range weights {
		receipts = append(receipts, r.must("dilly", r.receipt(i, twice(w)...)))
	}
	return receipts
}

func (r *route) opening() *pb.LotOpened {
	e := &pb.LotOpened{LotId: r.name, Agreement: r.agreement}
	for i := range r.bars {
		e.Bars = append(e.Bars, r.mark(i))
	}
	return e
}

func (r *route) melt(before, after string) *pb.Melted {
	return &pb.Melted{Lot: r.lotName(), Balance: "thistlequay/TM1", Before: before, After: after}
}

// melted opens the lot and melts it.
func (r *route) melted(before, after string) uint64 {
	r.Helper()
	r.quiet("dilly", r.opening())
	return r.must("dilly", r.melt(before, after))
}

func results2(gold, silver string) (list []*pb.AssayResult) {
	for _, r := range []*pb.AssayResult{{Element: "Au", Fineness: gold}, {Element: "Ag", Fineness: silver}} {
		if r.Fineness != "" {
			list = append(list, r)
		}
	}
	return list
}

// sealed returns the commitment to results and the reveal that opens it.
func (r *route) sealed(side assay.Side, round int, gold, silver string) (*pb.ResultCommitted, *pb.ResultRevealed) {
	nonce := sha256.Sum256(fmt.Appendf(nil, "%s %s %d", r.name, side, round))
	list := results2(gold, silver)
	var parsed []assay.Result
	var elements []string
	for _, one := range list {
		parsed = append(parsed, assay.Result{Element: assay.Element(one.Element), Fineness: quantity.MustFineness(one.Fineness)})
		elements = append(elements, one.Element)
	}
	commitment := assay.Commit(r.lotName(), side, round, parsed, nonce)
	return &pb.ResultCommitted{Lot: r.lotName(), Round: int32(round), Elements: elements, Commitment: commitment[:]},
		&pb.ResultRevealed{Lot: r.lotName(), Round: int32(round), Results: list, Nonce: nonce[:]}
}

// exchanged exchanges the results of a round and returns the entry of the last reveal.
func (r *route) exchanged(round int, seller, refiner [2]string) uint64 {
	r.Helper()
	sc, sr := r.sealed(assay.Seller, round, seller[0], seller[1])
	rc, rr := r.sealed(assay.Refiner, round, refiner[0], refiner[1])
	r.quiet("perpetua", sc)
	r.quiet("ansel", rc)
	r.quiet("perpetua", sr)
	return r.must("ansel", rr)
}

// issue previews a statement as somebody and issues what was read.
func (r *route) issue(who, id string, kind pb.StatementKind, settledOn string) uint64 {
	r.Helper()
	e := r.statement(who, id, kind, settledOn)
	return r.must(who, e)
}

func (r *route) statement(who, id string, kind pb.StatementKind, settledOn string) *pb.StatementIssued {
	r.Helper()
	c := r.caller(who)
	var st *pb.Statement
	r.view(func(b *ledger.Book) {
		var err error
		if st, err = Preview(b, c, r.lotName(), kind, settledOn, r.l.Size()); err != nil {
			r.Fatalf("preview: %v", err)
		}
	})
	return &pb.StatementIssued{StatementId: id, Lot: r.lotName(), Kind: kind, SettledOn: settledOn, Digest: st.Digest, Reason: "invented reason"}
}

// grant lets auditors read custody, assays and money of this consignment.
func (r *route) grant(id, auditor, from, until string) *pb.AccessGranted {
	return &pb.AccessGranted{GrantId: id, Auditor: auditor, Sorts: []pb.InformationSort{1, 2, 3}, Consignments: []string{r.consignment()}, From: from, Until: until, Purpose: "invented"}
}

// line returns the quantity, rate and amount of a line of a statement.
func line(t testing.TB, st *pb.Statement, code string) string {
	t.Helper()
	for _, l := range st.Lines {
		if l.Code == code {
			return strings.Join(slices.DeleteFunc([]string{l.Quantity, l.Rate, l.Amount}, func(s string) bool { return s == "" }), " | ")
		}
	}
	t.Errorf("the statement has no line %s", code)
	return ""
}

// settledLot is a lot of one bar with its assays settled within the limit.
func (h *house) settledLot(name string) *route {
	h.Helper()
	r := h.poured(name, h.agree(name), "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.20 ppt", "147.60 ppt"})
	return r
}

// ahead is a checkpoint of the test log's key over more entries than the log has.
func (h *house) ahead(by uint64) []byte {
	h.Helper()
	c := ledgertest.Config()
	signed, err := proof.SignCheckpoint(proof.Checkpoint{Origin: c.Origin, Size: h.l.Size() + by, Root: proof.Hash{1}}, c.Signer)
	if err != nil {
		h.Fatal(err)
	}
	return signed
}
