// Package book decides whether an event can be true, and folds it into the current picture: parties, bars, boxes,
// consignments, lots, statements and discrepancies.
//
// Invariants:
//  1. The picture is a function of the entries: dropped and folded again it has the same bytes. Nothing here reads a
//     clock, a file or chance; time is what the entry says.
//  2. Deciding and folding are one function (see fold): Decide runs it and holds back what it would write, Apply writes
//     that. So no check can drift from the write it justifies, and Apply has nothing left that could be refused.
//  3. What people saw is recorded and flagged: a broken seal, a short count, a weight outside its limit raises a
//     discrepancy. Refused is only what is malformed, not allowed to its author, or impossible.
//  4. On record one party at most holds a box or a bar at a time; contrary evidence is a discrepancy.
//  5. Names are for ever: a mark, a box number or a seal is used once.
//
// The rules of the trade live in the pure rooms (weighing, assay, custody, settlement); this package asks them and files
// the answer. Each kind of event has one function, listed in kinds; `DEVELOPERS.md` says how to add one.
package book

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Rules is the version of the rules in this package, written into every new entry. An entry is judged for ever by the
// version it carries; a change that would judge an old entry otherwise raises it and keeps the old rule beside.
//
// Version 2 binds series and calendars to the party that published them first, keeps a reveal that was not committed as
// evidence, compares the seal of the umpire's packet with those of the samples on record, takes an umpire's fee with one
// element only, and lets nobody countersign what they may not read.
const Rules = 2

// Book is the judge that the ledger asks.
type Book struct{ desks desks }

// New returns a book. The picture lies in what the ledger hands to each call; the book itself only remembers what it found
// there.
func New() *Book { return &Book{} }

var _ ledger.Preparer = (*Book)(nil)

// Decide refuses an event that cannot be true as the book stands, or holds what it would write until Apply.
func (b *Book) Decide(pages *ledger.Book, e *ledger.Entry) error {
	if e.Rules > Rules || e.Rules == 0 {
		return refusal.New(refusal.Precondition, "RULES_UNKNOWN", "", "entry %d was judged by version %d of the rules, and this program knows 1 to %d; bring the program up to date, it cannot read this log", e.Seq, e.Rules, Rules).
			With("rules", fmt.Sprint(e.Rules)).With("known", fmt.Sprint(Rules))
	}
	var p *Prepared
	switch memo := e.Memo.(type) {
	case *Prepared:
		p = memo
	case *pb.Event:
		p = prepared(memo, e.Event)
	default:
		decoded, err := Decode(e.Event)
		if err != nil {
			return err
		}
		p = prepared(decoded, e.Event)
	}
	f := newFold(pages, e, p)
	f.desk = b.desks.of(pages)
	if err := f.run(); err != nil {
		return err
	}
	e.Memo = f
	return nil
}

// Apply writes what Decide held back. On replay, where nothing was decided before, it runs the fold first: an event that
// this build cannot read or would not take stops it, because a book that skips one reports metal that is not there.
func (b *Book) Apply(pages *ledger.Book, e *ledger.Entry) error {
	f, ok := e.Memo.(*fold)
	if !ok || f.pages != pages || f.entry.Seq != e.Seq {
		if err := b.Decide(pages, e); err != nil {
			return err
		}
		f = e.Memo.(*fold)
	}
	b.desks.of(pages).follow(&f.store)
	if err := f.write(pages); err != nil {
		return err
	}
	f.prepared.quiet = f.quiet()
	return nil
}

// Decode reads an event strictly: within MaxEvent, with no field that this build does not know, with a body. What it
// returns goes to the ledger as the submission's memo.
func Decode(b []byte) (*pb.Event, error) {
	if len(b) > MaxEvent {
		return nil, refusal.Invalidf("EVENT_TOO_LARGE", "", "an event of %d bytes is larger than the %d allowed; split it", len(b), MaxEvent)
	}
	event := new(pb.Event)
	if err := proto.Unmarshal(b, event); err != nil {
		return nil, refusal.Invalidf("EVENT_MALFORMED", "", "the event cannot be read as barward.v1.Event; build it with the published protos").Because(err)
	}
	if field := unknownField(event.ProtoReflect()); field != "" {
		return nil, refusal.Invalidf("EVENT_FIELD_UNKNOWN", field, "the event has a field that this server does not know; it may come from a newer client: bring the server up to date first")
	}
	if kindOf(event) == "" {
		return nil, refusal.Invalidf("EVENT_BODY_MISSING", "body", "the event says nothing: it has no body; set one")
	}
	return event, nil
}

// unknownField returns the path of the first message that carries fields unknown to this build, or "".
func unknownField(m protoreflect.Message) (path string) {
	if len(m.GetUnknown()) > 0 {
		return string(m.Descriptor().Name())
	}
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.Message() == nil || field.IsMap():
		case field.IsList():
			for i := 0; i < value.List().Len() && path == ""; i++ {
				path = unknownField(value.List().Get(i).Message())
			}
		default:
			path = unknownField(value.Message())
		}
		return path == ""
	})
	return path
}

var bodies = (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body")

// kindOf returns the kind of an event, such as "weighed", or "" where it has no body.
func kindOf(event *pb.Event) string {
	m := event.ProtoReflect()
	field := m.WhichOneof(bodies)
	if field == nil {
		return ""
	}
	return string(field.Name())
}

// fold is one event on its way into the book: who wrote it, what it says, and what it would change.
type fold struct {
	pages    *ledger.Book
	entry    *ledger.Entry
	prepared *Prepared
	event    *pb.Event
	kind     string
	at       time.Time       // when it happened, by its author
	happened string          // when what it says was weighed or melted: as at, but the first entry's time in a correction
	who      identity.Caller // its author
	note     *pb.EntryNote
	store
	raised  int
	doubted map[string]bool // balances in doubt already raised by this event
}

func newFold(pages *ledger.Book, e *ledger.Entry, p *Prepared) *fold {
	return &fold{pages: pages, entry: e, prepared: p, event: p.Event, kind: p.kind, store: store{pages: pages, seq: e.Seq}}
}

// quiet reports that the event tells its author nothing.
func (f *fold) quiet() bool {
	for _, h := range f.held {
		if h.fresh && h.table == discrepancies.table {
			return false
		}
	}
	return len(f.note.Remarks) == 0
}

// run judges the event and prepares its writes.
func (f *fold) run() error {
	at, err := f.prepared.at, f.prepared.atErr
	if err != nil {
		return err
	}
	if ahead := at.Sub(f.entry.RecordedAt); ahead > clockSkew {
		return refusal.Invalidf("TIME_IN_FUTURE", "occurred_at", "%s is %s ahead of the ledger's clock, which allows %s; set the clock or the time right and sign again",
			f.event.OccurredAt, ahead.Round(time.Second), clockSkew).With("occurred_at", f.event.OccurredAt).With("recorded_at", f.entry.RecordedAt.Format(time.RFC3339))
	}
	f.at, f.happened = at, f.event.OccurredAt
	if err := f.author(); err != nil {
		return err
	}
	if f.event.Place != "" {
		if _, err := f.site("place", f.event.Place); err != nil {
			return err
		}
	}
	if (f.event.Supersedes != "") != (f.kind == "corrected") {
		return refusal.Invalidf("SUPERSEDES_OUT_OF_PLACE", "supersedes", "supersedes names the entry that a correction corrects; set it with the body `corrected` and with no other")
	}
	f.note = &pb.EntryNote{Name: f.event.EventId, Sequence: f.entry.Seq, Kind: f.kind, Author: f.person(), Party: f.who.PartyID,
		EventSha256: f.prepared.digest[:], OccurredAt: f.event.OccurredAt, RecordedUs: f.entry.RecordedAt.UnixMicro()}
	judge, ok := kinds[f.kind]
	if !ok {
		return refusal.Invalidf("EVENT_KIND_UNKNOWN", "body", "%q is not a kind of event that this server takes", f.kind)
	}
	if err := judge(f); err != nil {
		return refusal.In(err, f.kind)
	}
	notes.create(&f.store, f.note)
	return nil
}

// person is the author, as `party/person`.
func (f *fold) person() string { return f.who.PartyID + "/" + f.who.PersonID }

// author finds who signed and whether their role allows this kind of event. Two events of an empty ledger are let
// through: the operator registers itself, and then enrols its first administrator by the same key.
func (f *fold) author() error {
	if f.bootstrap() {
		return nil
	}
	caller, err := f.caller()
	if err != nil {
		return err
	}
	f.who = caller
	return identity.CheckMay(caller, identity.EventKind(f.kind))
}

func (f *fold) bootstrap() bool {
	if f.entry.Seq > 1 {
		return false
	}
	key := identity.KeyIDOf(f.event.AuthorKey)
	switch f.entry.Seq {
	case 0:
		party := f.event.GetPartyRegistered()
		f.who = identity.Caller{KeyID: key, PersonID: "founder", PartyID: party.GetPartyId(), PartyKind: identity.Operator}
		f.set("founder", "", string(f.event.AuthorKey))
		return party.GetKind() == pb.PartyKind_PARTY_KIND_OPERATOR
	case 1:
		person := f.event.GetPersonEnrolled()
		party, ok := parties.load(&f.store, person.GetPartyId())
		f.who = identity.Caller{KeyID: key, PersonID: person.GetPersonId(), PartyID: person.GetPartyId(), PartyKind: identity.Operator}
		founder, _ := f.find("founder", "")
		return ok && party.Kind == pb.PartyKind_PARTY_KIND_OPERATOR && string(person.GetPublicKey()) == string(f.event.AuthorKey) && founder == string(f.event.AuthorKey)
	}
	return false
}

// CallerOf returns the person whose key this is; it refuses an unknown key (KEY_UNKNOWN) and a revoked one (KEY_REVOKED).
func CallerOf(pages *ledger.Book, key []byte) (identity.Caller, error) {
	s := &store{pages: pages}
	name, ok := s.find("key", string(key))
	if !ok {
		return identity.Caller{}, refusal.New(refusal.Unauthenticated, "KEY_UNKNOWN", "author_key", "this key is not registered; have your party's administrator enrol you")
	}
	person, ok := persons.load(s, name)
	if !ok {
		return identity.Caller{}, refusal.New(refusal.DataLoss, "BOOK_INCONSISTENT", "", "the book names a person that it does not hold; stop and rebuild it")
	}
	if string(person.PublicKey) != string(key) {
		held := heldKey(person, key)
		if held == nil {
			return identity.Caller{}, refusal.New(refusal.DataLoss, "BOOK_INCONSISTENT", "", "the book names a key that its person does not have; stop and rebuild it")
		}
		return identity.Caller{}, refusal.New(refusal.Unauthenticated, "KEY_REPLACED", "author_key", "this key was replaced on %s; sign with the key that took its place", held.Until).With("until", held.Until)
	}
	if person.RevokedAt != "" {
		return identity.Caller{}, refusal.New(refusal.Unauthenticated, "KEY_REVOKED", "author_key", "this key was revoked on %s; sign with the key that replaced it", person.RevokedAt).With("revoked_at", person.RevokedAt)
	}
	party, ok := parties.load(s, person.Party)
	if !ok {
		return identity.Caller{}, refusal.New(refusal.DataLoss, "BOOK_INCONSISTENT", "", "the book names a party that it does not hold; stop and rebuild it")
	}
	caller := identity.Caller{KeyID: identity.KeyIDOf(key), PersonID: personID(person), PartyID: person.Party, PartyKind: partyKinds[party.Kind]}
	for _, role := range person.Roles {
		caller.Roles = append(caller.Roles, roles[role])
	}
	return caller, nil
}

// AuthorOf returns who signed with key, as `party/person`, also when the key does not count any more; "" where it is
// unknown.
func AuthorOf(pages *ledger.Book, key []byte) string {
	name, _ := (&store{pages: pages}).find("key", string(key))
	return name
}

// about says what the event is about: whoever may read that thing may read the entry.
func (f *fold) about(t interface{ title() string }, name string) {
	f.note.Subject = t.title() + " " + name
}

// step is a route step of this event.
func (f *fold) step(action string) *pb.RouteStep {
	return &pb.RouteStep{Entry: f.entry.Seq, OccurredAt: f.event.OccurredAt, Action: action, Party: f.who.PartyID, Person: f.person(), Place: f.event.Place}
}

// kinds lists every kind of event and the function that judges it and prepares its writes.
var kinds map[string]func(*fold) error

func init() { // not a composite literal: the functions refer to kinds through fold.run
	kinds = map[string]func(*fold) error{
		"party_registered":    func(f *fold) error { return f.partyRegistered(f.event.GetPartyRegistered()) },
		"party_changed":       func(f *fold) error { return f.partyChanged(f.event.GetPartyChanged()) },
		"person_enrolled":     func(f *fold) error { return f.personEnrolled(f.event.GetPersonEnrolled()) },
		"key_revoked":         func(f *fold) error { return f.keyRevoked(f.event.GetKeyRevoked()) },
		"key_rotated":         func(f *fold) error { return f.keyRotated(f.event.GetKeyRotated()) },
		"key_recovered":       func(f *fold) error { return f.keyRecovered(f.event.GetKeyRecovered()) },
		"balance_registered":  func(f *fold) error { return f.balanceRegistered(f.event.GetBalanceRegistered()) },
		"balance_checked":     func(f *fold) error { return f.balanceChecked(f.event.GetBalanceChecked()) },
		"agreement_signed":    func(f *fold) error { return f.agreementSigned(f.event.GetAgreementSigned()) },
		"prices_published":    func(f *fold) error { return f.pricesPublished(f.event.GetPricesPublished()) },
		"holidays_published":  func(f *fold) error { return f.holidaysPublished(f.event.GetHolidaysPublished()) },
		"pour_recorded":       func(f *fold) error { return f.pourRecorded(f.event.GetPourRecorded()) },
		"weighed":             func(f *fold) error { return f.weighed(f.event.GetWeighed()) },
		"sample_taken":        func(f *fold) error { return f.sampleTaken(f.event.GetSampleTaken()) },
		"assay_reported":      func(f *fold) error { return f.assayReported(f.event.GetAssayReported()) },
		"box_packed":          func(f *fold) error { return f.boxPacked(f.event.GetBoxPacked()) },
		"consignment_advised": func(f *fold) error { return f.consignmentAdvised(f.event.GetConsignmentAdvised()) },
		"released":            func(f *fold) error { return f.released(f.event.GetReleased()) },
		"accepted":            func(f *fold) error { return f.accepted(f.event.GetAccepted()) },
		"seal_replaced":       func(f *fold) error { return f.sealReplaced(f.event.GetSealReplaced()) },
		"incident_reported":   func(f *fold) error { return f.incidentReported(f.event.GetIncidentReported()) },
		"bar_received":        func(f *fold) error { return f.barReceived(f.event.GetBarReceived()) },
		"lot_opened":          func(f *fold) error { return f.lotOpened(f.event.GetLotOpened()) },
		"melted":              func(f *fold) error { return f.melted(f.event.GetMelted()) },
		"result_committed":    func(f *fold) error { return f.resultCommitted(f.event.GetResultCommitted()) },
		"result_revealed":     func(f *fold) error { return f.resultRevealed(f.event.GetResultRevealed()) },
		"umpire_appointed":    func(f *fold) error { return f.umpireAppointed(f.event.GetUmpireAppointed()) },
		"umpire_reported":     func(f *fold) error { return f.umpireReported(f.event.GetUmpireReported()) },
		"silence_declared":    func(f *fold) error { return f.silenceDeclared(f.event.GetSilenceDeclared()) },
		"cost_recorded":       func(f *fold) error { return f.costRecorded(f.event.GetCostRecorded()) },
		"advance_paid":        func(f *fold) error { return f.advancePaid(f.event.GetAdvancePaid()) },
		"statement_issued":    func(f *fold) error { return f.statementIssued(f.event.GetStatementIssued()) },
		"return_received":     func(f *fold) error { return f.returnReceived(f.event.GetReturnReceived()) },
		"payment_recorded":    func(f *fold) error { return f.paymentRecorded(f.event.GetPaymentRecorded()) },
		"discrepancy_decided": func(f *fold) error { return f.discrepancyDecided(f.event.GetDiscrepancyDecided()) },
		"countersigned":       func(f *fold) error { return f.countersigned(f.event.GetCountersigned()) },
		"corrected":           func(f *fold) error { return f.corrected(f.event.GetCorrected()) },
		"access_granted":      func(f *fold) error { return f.accessGranted(f.event.GetAccessGranted()) },
		"access_withdrawn":    func(f *fold) error { return f.accessWithdrawn(f.event.GetAccessWithdrawn()) },
		"checkpoint_cosigned": func(f *fold) error { return f.checkpointCosigned(f.event.GetCheckpointCosigned()) },
	}
}

// instant reads an RFC 3339 time with its zone offset.
func instant(field, s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || len(s) > 40 {
		return time.Time{}, refusal.Invalidf("TIME_MALFORMED", field, "%q is not an instant; write RFC 3339 with the zone offset, such as 2026-03-02T07:40:00-05:00", clip(s)).With("value", clip(s))
	}
	if t.Year() < 1990 || t.Year() > 2200 {
		return time.Time{}, refusal.Invalidf("TIME_OUT_OF_RANGE", field, "%s is outside the years 1990 to 2200; set the clock right", clip(s)).With("value", clip(s))
	}
	return t, nil
}

// day reads an ISO 8601 calendar date.
func day(field, s string) (time.Time, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return time.Time{}, refusal.Invalidf("DATE_MALFORMED", field, "%q is not a date; write it as 2026-03-02", clip(s)).With("value", clip(s))
	}
	return t, nil
}

// clip shortens what a stranger wrote before it is quoted back.
func clip(s string) string {
	if len(s) <= 80 {
		return s
	}
	return strings.ToValidUTF8(s[:80], "") + "…"
}

// text refuses a string that is missing where required, too long, or has control characters.
func text(field, s string, most int, required bool) error {
	if required && strings.TrimSpace(s) == "" {
		return refusal.Invalidf("TEXT_MISSING", field, "a text is missing here; write one")
	}
	if len(s) > most {
		return refusal.Invalidf("TEXT_TOO_LONG", field, "a text of %d bytes is longer than the %d allowed", len(s), most)
	}
	for _, r := range s {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f {
			return refusal.Invalidf("TEXT_CONTROL_CHARACTER", field, "the text has a control character; write plain text")
		}
	}
	return nil
}

// count refuses a list that is too short or too long.
func count(field string, n, least, most int) error {
	if n < least || n > most {
		return refusal.Invalidf("LIST_OUT_OF_BOUNDS", field, "%d items are given; %d to %d are allowed", n, least, most).With("count", fmt.Sprint(n))
	}
	return nil
}

// slug refuses an id that is not 2 to 32 lower-case letters, digits and hyphens, beginning with a letter.
func slug(field, s string) error {
	ok := len(s) >= 2 && len(s) <= 32 && s[0] >= 'a' && s[0] <= 'z'
	for i := 0; ok && i < len(s); i++ {
		ok = s[i] >= 'a' && s[i] <= 'z' || s[i] >= '0' && s[i] <= '9' || s[i] == '-'
	}
	if !ok {
		return refusal.Invalidf("ID_MALFORMED", field, "%q is not an id; use 2 to 32 lower-case letters, digits and hyphens, a letter first", clip(s)).With("value", clip(s))
	}
	return nil
}

// number refuses what cannot be stamped or written as a mark or number: 1 to 32 letters, digits, hyphens and points.
func number(field, s string) error {
	ok := len(s) >= 1 && len(s) <= 32
	for i := 0; ok && i < len(s); i++ {
		c := s[i]
		ok = c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || i > 0 && (c == '-' || c == '.')
	}
	if !ok {
		return refusal.Invalidf("NUMBER_NOT_A_MARK", field, "%q is not a mark or number; use 1 to 32 letters, digits, hyphens and points, such as OT-0412", clip(s)).With("value", clip(s))
	}
	return nil
}

// own returns `party/number` for a thing that the author's party makes.
func (f *fold) own(field, n string) (string, error) {
	if err := number(field, n); err != nil {
		return "", err
	}
	return f.who.PartyID + "/" + n, nil
}
