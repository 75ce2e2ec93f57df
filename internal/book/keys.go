package book

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A key counts for what the ledger takes while the key is its person's present one. The ledger's clock decides, never the
// author's: an event that is signed by a key which was rotated out or revoked is refused, whatever time it claims, and
// what the ledger took before stands. Where a key may have been in other hands, what it signed since is in doubt: it
// stays on record, readers are told so, and the party answers for it.

// begin makes a key a person's present one.
func (f *fold) begin(person *pb.Person, key []byte) {
	person.PublicKey = key
	person.RevokedAt = ""
	person.Keys = append(person.Keys, &pb.PersonKey{PublicKey: key, From: f.recorded(), Entry: f.entry.Seq})
	f.set("key", string(key), person.Name)
}

// recorded is when the ledger takes this event, as the book writes it.
func (f *fold) recorded() string { return f.entry.RecordedAt.UTC().Format(time.RFC3339Nano) }

// end says how a key stopped to count, if it still did.
func (f *fold) end(key *pb.PersonKey, how string) {
	if key.Until == "" {
		key.Until, key.Ended, key.EndedEntry = f.recorded(), how, f.entry.Seq
	}
}

// heldKey returns what is known of one of a person's keys. The last one counts if any does.
func heldKey(person *pb.Person, key []byte) *pb.PersonKey {
	for _, k := range person.Keys {
		if string(k.PublicKey) == string(key) {
			return k
		}
	}
	return nil
}

// newKey refuses a key that cannot become a person's, because it is malformed, weak, somebody's already, or did not sign
// that it is the new one.
func (f *fold) newKey(field string, person *pb.Person, key, proof []byte) error {
	if err := f.freeKey(field, key); err != nil {
		return err
	}
	return identity.CheckPossession(person.Name, person.PublicKey, key, proof)
}

// freeKey refuses a key that is malformed, weak, or belongs to somebody already.
func (f *fold) freeKey(field string, key []byte) error {
	if len(key) != 32 {
		return refusal.Invalidf("KEY_MALFORMED", field, "a public key of %d bytes is given; an Ed25519 key has 32", len(key))
	}
	if _, err := identity.ParseKeyID(string(identity.KeyIDOf(key))); err != nil {
		return refusal.In(err, field)
	}
	if holder, taken := f.find("key", string(key)); taken {
		return refusal.New(refusal.Exists, "KEY_IN_USE", field, "this key belongs to %s; a key belongs to one person for ever, so make a new one", holder)
	}
	return nil
}

func (f *fold) keyRotated(e *pb.KeyRotated) error {
	person, ok := persons.change(&f.store, f.person())
	if !ok {
		return unknown("author_key", "person", f.person())
	}
	if err := f.newKey("new_public_key", person, e.NewPublicKey, e.Proof); err != nil {
		return err
	}
	f.end(heldKey(person, person.PublicKey), "rotated")
	f.begin(person, e.NewPublicKey)
	person.Waiting = nil // who still signs has lost nothing
	person.Entries = append(person.Entries, f.entry.Seq)
	f.about(persons, person.Name)
	return nil
}

func (f *fold) keyRevoked(e *pb.KeyRevoked) error {
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	name, ok := f.find("key", string(e.PublicKey))
	person, known := persons.change(&f.store, name)
	if !ok || !known || person.Party != f.who.PartyID && f.who.PartyKind != identity.Operator {
		return refusal.New(refusal.NotFound, "KEY_UNKNOWN_HERE", "public_key", "this key belongs to nobody of your party; look at the list of persons")
	}
	key := heldKey(person, e.PublicKey)
	if key == nil || key.DoubtSince != "" || key.Until != "" && e.Since == "" {
		until := person.RevokedAt
		if key.GetUntil() != "" {
			until = key.Until
		}
		return refusal.New(refusal.Precondition, "KEY_REVOKED_ALREADY", "public_key", "this key does not count since %s; a revocation of it can only add since when it may have been in other hands, once", until).About(name)
	}
	if err := f.doubtful(person, key, e.Since); err != nil {
		return err
	}
	if string(person.PublicKey) == string(e.PublicKey) {
		f.end(key, "revoked")
		person.RevokedAt = f.entry.RecordedAt.Format(time.RFC3339)
	}
	person.Entries = append(person.Entries, f.entry.Seq)
	f.about(persons, name)
	return nil
}

// keyRecovered gives a person a new key. An administrator's waits for a second person: whoever can name the
// administrator's key is the party, so no one person may do that alone, be it of the party or of the operator.
func (f *fold) keyRecovered(e *pb.KeyRecovered) error {
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	person, ok := persons.load(&f.store, e.Person)
	administrator := slices.Contains(person.GetRoles(), pb.Role_ROLE_ADMINISTRATOR)
	ours := ok && person.Party == f.who.PartyID
	if !ours && !(ok && administrator && f.who.PartyKind == identity.Operator) {
		return refusal.New(refusal.NotFound, "KEY_UNKNOWN_HERE", "person", "nobody of your party is called %q; look at the list of persons. The operator recovers administrators only", clip(e.Person)).With("name", clip(e.Person))
	}
	if person.Name == f.person() {
		return refusal.New(refusal.Precondition, "OWN_ENTRY", "person", "this is your own key, and you still sign with it; rotate it instead").About(person.Name)
	}
	if err := f.newKey("new_public_key", person, e.NewPublicKey, e.Proof); err != nil {
		return err
	}
	key := heldKey(person, person.PublicKey)
	if err := f.checkSince(key, e.Since); err != nil {
		return err
	}
	person, _ = persons.change(&f.store, person.Name)
	person.Entries = append(person.Entries, f.entry.Seq)
	f.about(persons, person.Name)
	if administrator {
		person.Waiting = &pb.PersonKey{PublicKey: e.NewPublicKey, DoubtSince: e.Since, Entry: f.entry.Seq}
		f.remark(fmt.Sprintf("the new key of administrator %s counts when a second person has countersigned entry %d", person.Name, f.entry.Seq))
		return nil
	}
	return f.recover(person, e.NewPublicKey, e.Since)
}

// recover brings a recovered key into effect.
func (f *fold) recover(person *pb.Person, key []byte, since string) error {
	old := heldKey(person, person.PublicKey)
	if old.DoubtSince == "" {
		if err := f.doubtful(person, old, since); err != nil {
			return err
		}
	}
	f.end(old, "recovered")
	f.begin(person, key)
	person.Waiting = nil
	return nil
}

// secondForKey brings the new key of an administrator into effect, when the countersigner may be the second person: one
// of the two is of the party itself, and both are administrators, unless the author is the operator's, who needs any other
// person of the party.
func (f *fold) secondForKey(target *pb.EntryNote, name string) error {
	person, ok := persons.load(&f.store, name)
	if !ok || person.Waiting.GetEntry() != target.Sequence {
		return refusal.New(refusal.Precondition, "NOTHING_WAITS", "event_id", "the new key of entry %d waits for nobody: it counts already, or another took its place", target.Sequence).About(target.Name)
	}
	byParty, ours := target.Party == person.Party, f.who.PartyID == person.Party
	administrator := slices.Contains(f.who.Roles, identity.Administrator)
	switch {
	case f.person() == person.Name, // the lost key, which may be in the hands of whoever signs
		!byParty && !ours, // the operator alone
		byParty && !administrator,
		byParty && !ours && f.who.PartyKind != identity.Operator:
		return refusal.New(refusal.Forbidden, "NOT_THE_SECOND_PERSON", "event_id", "the new key of %s needs a second person: another administrator of the party or one of the operator; or, where the operator recorded it, any other person of the party", name).About(target.Name)
	}
	person, _ = persons.change(&f.store, name)
	person.Entries = append(person.Entries, f.entry.Seq)
	waiting := person.Waiting
	if err := f.freeKey("event_id", waiting.PublicKey); err != nil { // somebody may have taken it meanwhile
		return err
	}
	return f.recover(person, waiting.PublicKey, waiting.DoubtSince)
}

// checkSince refuses an instant since when a key is in doubt that lies ahead, or before the key began.
func (f *fold) checkSince(key *pb.PersonKey, since string) error {
	if since == "" {
		return nil
	}
	at, err := instant("since", since)
	if err != nil {
		return err
	}
	if at.After(f.entry.RecordedAt) {
		return refusal.Invalidf("TIME_IN_FUTURE", "since", "%s has not come yet; say since when the key may have been in other hands, or leave it empty", since).With("since", since)
	}
	if key == nil {
		return refusal.New(refusal.DataLoss, "BOOK_INCONSISTENT", "", "the book does not hold a key that it names; stop and rebuild it")
	}
	return nil
}

// doubtful puts what a key signed since an instant in doubt, and has the party answer for it.
func (f *fold) doubtful(person *pb.Person, key *pb.PersonKey, since string) error {
	if since == "" {
		return nil
	}
	if err := f.checkSince(key, since); err != nil {
		return err
	}
	at, err := instant("since", since)
	if err != nil {
		return err
	}
	key.DoubtSince = since
	f.set("doubt", string(key.PublicKey), since)
	signed, more := f.signedSince(person.Name, key, at)
	if len(signed) == 0 {
		return nil
	}
	words := fmt.Sprintf("%d entries were signed with a key of %s after %s, when it may have been in other hands. They stay on record and are in doubt: confirm each by another, or correct it.", len(signed), person.Name, since)
	if more {
		words += " Earlier ones were too many to be looked through; each is shown as in doubt where it is read."
	}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_KEY_IN_DOUBT, Subject: person.Name, Rule: "a key is in its owner's hands only",
		Observed: fmt.Sprintf("%d entries", len(signed)), Words: words, Answerable: person.Party, Evidence: signed, Parties: []string{person.Party}})
	return nil
}

// signedSince lists the entries that a key signed since an instant of the ledger's clock, the oldest first, and says
// whether there may be more.
func (f *fold) signedSince(person string, key *pb.PersonKey, since time.Time) (entries []uint64, more bool) {
	c := f.pages.Table(notes.table).Cursor()
	looked := 0
	for k, v := c.Last(); k != nil; k, v = c.Prev() {
		note, err := notes.decode(v)
		if err != nil {
			panic(err) // see load
		}
		if note.RecordedUs < since.UnixMicro() || note.Sequence < key.Entry {
			break
		}
		if looked++; looked > maxLooked || len(entries) == maxDoubted {
			more = true
			break
		}
		if note.Author == person && (key.EndedEntry == 0 || note.Sequence <= key.EndedEntry) {
			entries = append(entries, note.Sequence)
		}
	}
	slices.Reverse(entries)
	return entries, more
}

// DoubtOf says why an entry is in doubt that key signed and the ledger took at an instant; "" where it is not.
func DoubtOf(pages *ledger.Book, key []byte, recordedAt time.Time) string {
	since, ok := (&store{pages: pages}).find("doubt", string(key))
	if !ok {
		return ""
	}
	if at, err := time.Parse(time.RFC3339Nano, since); err != nil || recordedAt.Before(at) {
		return ""
	}
	return fmt.Sprintf("signed with a key that may have been in other hands since %s", since)
}

// personID returns the part of `party/person` that is the person's own.
func personID(p *pb.Person) string { return strings.TrimPrefix(p.Name, p.Party+"/") }
