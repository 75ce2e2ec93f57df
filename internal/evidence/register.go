package evidence

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// The register is who is who, made from the signed entries alone: each key is vouched for by whoever enrolled its
// person, and they by whoever enrolled them, up to the founder. The first two entries of every log are the operator's
// party and its administrator, both signed with that administrator's own key; nothing vouches for that one but the log.

// person is somebody with the keys they had.
type person struct {
	name, party   string
	administrator bool
	keys          []*keyHeld
}

// keyHeld is one key of a person, and the entries between which it counts.
type keyHeld struct {
	id    identity.KeyID
	from  uint64 // entry that brought it; it may sign the later ones
	by    string // who vouched for it
	until uint64 // last entry that it may sign; 0 while it counts
	ended string // rotated, revoked or recovered
	doubt time.Time
	owner *person
}

// recovery is a new key for an administrator, which waits for a second person.
type recovery struct {
	id     string // of the event
	event  *pb.KeyRecovered
	sum    [sha256.Size]byte
	author *person
}

type registry struct {
	operator string
	kinds    map[string]pb.PartyKind
	persons  map[string]*person
	led      map[string]bool // parties that have an administrator
	keys     map[identity.KeyID]*keyHeld
	order    []*keyHeld
	waiting  map[*person]recovery
	findings []*refusal.Error
}

// register reads the register out of entries in their order and fills in their authors.
func register(records []*record) *registry {
	who := &registry{kinds: map[string]pb.PartyKind{}, persons: map[string]*person{}, led: map[string]bool{},
		keys:    map[identity.KeyID]*keyHeld{},
		waiting: map[*person]recovery{}}
	who.found(records)
	for _, r := range records {
		key := who.keys[r.key]
		switch {
		case key == nil:
			who.object("KEY_NOT_VOUCHED", r, "nothing in the pack says whose the key %s is, by which it is signed",
				r.key.Short())
		case key.until != 0 && r.sequence > key.until:
			who.object("KEY_ENDED", r, "it is signed by the key %s of %s, which did not count any more after entry %d",
				r.key.Short(), key.owner.name, key.until)
		default:
			r.author = key.owner
		}
		who.read(r)
	}
	return who
}

// found takes the founder from the first two entries.
func (who *registry) found(records []*record) {
	if len(records) < 2 || records[0].sequence != 0 || records[1].sequence != 1 {
		return
	}
	party, first := records[0].event.GetPartyRegistered(), records[1].event.GetPersonEnrolled()
	if party.GetKind() != pb.PartyKind_PARTY_KIND_OPERATOR || first.GetPartyId() != party.GetPartyId() ||
		records[0].key != records[1].key || string(records[1].key) != string(keyID(first.GetPublicKey())) {
		return
	}
	who.operator = party.GetPartyId()
	p := &person{name: who.operator + "/" + first.GetPersonId(), party: who.operator, administrator: true}
	who.persons[p.name] = p
	who.hold(&keyHeld{id: records[1].key, from: 1, owner: p})
}

// keyID is the id of a public key, empty for bytes that are none, or a key for which anybody can make a signature.
func keyID(public []byte) identity.KeyID {
	if len(public) != ed25519.PublicKeySize {
		return ""
	}
	id, err := identity.ParseKeyID(string(identity.KeyIDOf(public)))
	if err != nil {
		return ""
	}
	return id
}

func (who *registry) object(reason string, r *record, format string, args ...any) {
	who.findings = append(who.findings, finding(reason, entryName(r.sequence),
		"Entry %d cannot be relied on: %s. Do not count it, and ask the exporter for what is missing.",
		r.sequence, fmt.Sprintf(format, args...)))
}

func (who *registry) hold(k *keyHeld) {
	who.keys[k.id] = k
	who.order = append(who.order, k)
	k.owner.keys = append(k.owner.keys, k)
}

// leads reports whether the author of an entry is an administrator of a party, or of the operator.
func (who *registry) leads(r *record, party string) bool {
	return r.author != nil && r.author.administrator && (r.author.party == party || r.author.party == who.operator)
}

// read follows an entry that says something about keys.
func (who *registry) read(r *record) {
	switch e := r.event.GetBody().(type) {
	case *pb.Event_PartyRegistered:
		if !who.leads(r, who.operator) {
			who.object("NOT_VOUCHED", r, "it registers the party %q and is not by the operator's administrator",
				e.PartyRegistered.PartyId)
			return
		}
		who.kinds[e.PartyRegistered.PartyId] = e.PartyRegistered.Kind
	case *pb.Event_PersonEnrolled:
		who.enrol(r, e.PersonEnrolled)
	case *pb.Event_KeyRotated:
		if r.author != nil {
			delete(who.waiting, r.author) // who still signs has lost nothing
			who.replace(r, who.keys[r.key], e.KeyRotated.NewPublicKey, e.KeyRotated.Proof, "rotated", "")
		}
	case *pb.Event_KeyRecovered:
		who.recover(r, e.KeyRecovered)
	case *pb.Event_KeyRevoked:
		key := who.keys[keyID(e.KeyRevoked.PublicKey)]
		if key == nil || !who.leads(r, key.owner.party) {
			who.object("NOT_VOUCHED", r, "it revokes a key that its author does not answer for")
			return
		}
		key.end(r.sequence, "revoked", e.KeyRevoked.Since)
	case *pb.Event_Countersigned:
		who.second(r, e.Countersigned)
	}
}

// second brings the new key of an administrator into effect, when the countersigner may be the second person: both are
// administrators, and one of them is of the party itself; or the author is the operator's, and the second any other
// person of the party.
func (who *registry) second(r *record, e *pb.Countersigned) {
	for p, waits := range who.waiting {
		if waits.id != e.EventId || !bytes.Equal(e.EventSha256, waits.sum[:]) || r.author == nil {
			continue
		}
		byParty, ours := waits.author.party == p.party, r.author.party == p.party
		if r.author == p || r.author == waits.author || !byParty && !ours || byParty && !who.leads(r, p.party) {
			who.object("NOT_VOUCHED", r, "it is not by a second person who may give %s a new key", p.name)
			return
		}
		delete(who.waiting, p)
		who.replace(r, p.last(), waits.event.NewPublicKey, waits.event.Proof, "recovered", waits.event.Since)
		return
	}
}

func (who *registry) enrol(r *record, e *pb.PersonEnrolled) {
	name, id := e.PartyId+"/"+e.PersonId, keyID(e.PublicKey)
	administrator := slices.Contains(e.Roles, pb.Role_ROLE_ADMINISTRATOR)
	if key := who.keys[id]; key != nil && key.by == "" && r.sequence == key.from {
		return // the founder
	}
	switch {
	case !who.leads(r, e.PartyId):
		who.object("NOT_VOUCHED", r, "it enrols %q and is by no administrator of that party or of the operator", name)
	case who.kinds[e.PartyId] == pb.PartyKind_PARTY_KIND_UNSPECIFIED:
		who.object("NOT_VOUCHED", r, "it enrols a person of %q, and nothing in the pack registers that party", e.PartyId)
	case id == "" || who.keys[id] != nil || who.persons[name] != nil:
		who.object("NOT_VOUCHED", r, "it enrols %q a second time, or with the key of somebody else", name)
	case r.author.party != e.PartyId && (!administrator || who.led[e.PartyId]):
		who.object("NOT_VOUCHED", r, "it enrols %q by the operator, who enrols the first administrator of a party only", name)
	default:
		who.led[e.PartyId] = who.led[e.PartyId] || administrator
		p := &person{name: name, party: e.PartyId, administrator: administrator}
		who.persons[name] = p
		who.hold(&keyHeld{id: id, from: r.sequence, by: r.author.name, owner: p})
	}
}

func (who *registry) recover(r *record, e *pb.KeyRecovered) {
	p := who.persons[e.Person]
	if p == nil || !who.leads(r, p.party) || r.author == p || r.author.party != p.party && !p.administrator {
		who.object("NOT_VOUCHED", r, "it gives %q a new key and is by no administrator who answers for them", e.Person)
		return
	}
	if p.administrator {
		who.waiting[p] = recovery{r.id, e, sha256.Sum256(r.leaf.Event), r.author}
		return
	}
	who.replace(r, p.last(), e.NewPublicKey, e.Proof, "recovered", e.Since)
}

// replace puts a new key in the place of an old one.
func (who *registry) replace(r *record, old *keyHeld, public, possession []byte, how, since string) {
	id := keyID(public)
	held, err := old.id.Public()
	if err == nil {
		err = identity.CheckPossession(old.owner.name, held, public, possession)
	}
	if err != nil || id == "" || who.keys[id] != nil {
		who.object("NOT_VOUCHED", r, "it gives %s a new key that has not signed for itself, or that is somebody else's",
			old.owner.name)
		return
	}
	old.end(r.sequence, how, since)
	who.hold(&keyHeld{id: id, from: r.sequence, by: r.by(), owner: old.owner})
}

// end says how a key stopped to count, if it still did, and since when it may have been in other hands.
func (k *keyHeld) end(at uint64, how, since string) {
	if k.until == 0 {
		k.until, k.ended = at, how
	}
	if t, err := time.Parse(time.RFC3339, since); err == nil && k.doubt.IsZero() {
		k.doubt = t
	}
}

func (p *person) last() *keyHeld { return p.keys[len(p.keys)-1] }

// inDoubt returns the entries that a key signed after it may have been in other hands.
func (who *registry) inDoubt(records []*record) (in []uint64) {
	for _, r := range records {
		if k := who.keys[r.key]; k != nil && !k.doubt.IsZero() && !r.leaf.RecordedAt.Before(k.doubt) {
			in = append(in, r.sequence)
		}
	}
	return in
}

// text is the list of keys for those who check a signature by hand.
func (who *registry) text() []byte {
	var b strings.Builder
	b.WriteString("# The keys that signed the entries in this file, whose they are, and the entry that says so.\n" +
		"# Ed25519 public keys, 32 bytes in hexadecimal; `openssl` reads one behind the twelve bytes\n" +
		"# 302a300506032b6570032100 as a public key in DER.\n")
	for _, k := range who.order {
		by := "by " + k.by
		if k.by == "" {
			by = "by themself, as the founder of this log"
		}
		fmt.Fprintf(&b, "%s %s entry %d %s", k.id, k.owner.name, k.from, by)
		if k.until != 0 {
			fmt.Fprintf(&b, ", %s by entry %d", k.ended, k.until)
		}
		b.WriteByte('\n')
	}
	return []byte(b.String())
}

// cosigner returns the key by which a cosignature verifies as the one of the person that it names, nil if none does.
func (who *registry) cosigner(c proof.Cosignature, body []byte) *keyHeld {
	p := who.persons[c.Name]
	if p == nil {
		return nil
	}
	for _, k := range p.keys {
		if public, err := k.id.Public(); err == nil && c.Verify(body, public) == nil {
			return k
		}
	}
	return nil
}
