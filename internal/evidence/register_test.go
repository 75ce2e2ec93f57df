package evidence

import (
	"bytes"
	"strings"
	"testing"

	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// The registry's own rules: who may vouch for whom, and up to when a key counts.
func TestKeysOverTime(t *testing.T) {
	const wren, ibbet, tamsin = "quillmoss/wren", "quillmoss/ibbet", "quillmoss/tamsin"
	rotate := func(w *world, name string) {
		old := w.key(name)
		delete(w.keys, name)
		next, err := identity.NewKey(bytes.NewReader(bytes.Repeat([]byte{7}, 32)))
		if err != nil {
			w.Fatal(err)
		}
		w.keys[name] = old
		w.record(name, &pb.KeyRotated{NewPublicKey: next.Public(), Proof: identity.ProvePossession(next, name, old.Public())})
		w.keys[name] = next
	}
	incident := &pb.IncidentReported{Subject: "quillmoss/QM-1", Description: "invented"}
	for name, tt := range map[string]struct {
		do     func(w *world)
		reason string // of the finding; empty if there must be none
	}{
		"a key that was rotated in signs": {func(w *world) { rotate(w, ibbet); w.record(ibbet, incident) }, ""},
		"a key that was rotated out signs": {func(w *world) {
			old := w.key(ibbet)
			rotate(w, ibbet)
			next := w.keys[ibbet]
			w.keys[ibbet] = old
			w.record(ibbet, incident)
			w.keys[ibbet] = next
		}, "KEY_ENDED"},
		"a revoked key signed before": {func(w *world) {
			w.enrol(wren, tamsin, pb.Role_ROLE_WITNESS)
			w.record(tamsin, incident)
			w.record(wren, &pb.KeyRevoked{PublicKey: w.key(tamsin).Public(), Reason: "lost"})
		}, ""},
		"a revoked key signs": {func(w *world) {
			w.enrol(wren, tamsin, pb.Role_ROLE_WITNESS)
			w.record(wren, &pb.KeyRevoked{PublicKey: w.key(tamsin).Public(), Reason: "lost"})
			w.record(tamsin, incident)
		}, "KEY_ENDED"},
		"a key revoked by somebody who may not": {func(w *world) {
			w.enrol(wren, tamsin, pb.Role_ROLE_WITNESS)
			w.record(ibbet, &pb.KeyRevoked{PublicKey: w.key(tamsin).Public(), Reason: "spite"})
		}, "NOT_VOUCHED"},
		"enrolled by somebody who is no administrator": {func(w *world) { w.enrol(ibbet, tamsin, pb.Role_ROLE_WITNESS) },
			"NOT_VOUCHED"},
		"enrolled by another party": {func(w *world) {
			w.enrol(wren, "thistlequay/dilly",
				pb.Role_ROLE_WITNESS)
		}, "NOT_VOUCHED"},
		"a second administrator enrolled by the operator": {func(w *world) {
			w.enrol("lanternfold/odo", tamsin, pb.Role_ROLE_ADMINISTRATOR)
		}, "NOT_VOUCHED"},
		"an officer enrolled by the operator": {func(w *world) {
			w.enrol("lanternfold/odo", tamsin, pb.Role_ROLE_GOLD_ROOM_OFFICER)
		}, "NOT_VOUCHED"},
		"enrolled with a key that anybody can sign with": {func(w *world) {
			w.record(wren, &pb.PersonEnrolled{PersonId: "tamsin", PartyId: "quillmoss", DisplayName: "t",
				PublicKey: append([]byte{1}, make([]byte, 31)...), Roles: []pb.Role{pb.Role_ROLE_WITNESS}})
		}, "NOT_VOUCHED"},
		"enrolled with somebody else's key": {func(w *world) {
			w.record(wren, &pb.PersonEnrolled{PersonId: "tamsin", PartyId: "quillmoss", DisplayName: "t",
				PublicKey: w.key(ibbet).Public(), Roles: []pb.Role{pb.Role_ROLE_WITNESS}})
		}, "NOT_VOUCHED"},
		"a party registered by a party": {func(w *world) {
			w.record(wren, &pb.PartyRegistered{PartyId: "thistlequay", DisplayName: "t", Kind: pb.PartyKind_PARTY_KIND_REFINERY})
		}, "NOT_VOUCHED"},
		"a rotation to a key that did not sign for itself": {func(w *world) {
			w.record(ibbet, &pb.KeyRotated{NewPublicKey: w.key(tamsin).Public(), Proof: make([]byte, 64)})
		}, "NOT_VOUCHED"},
		"a lost key recovered by the administrator": {func(w *world) {
			w.record(wren, &pb.KeyRecovered{Person: ibbet, NewPublicKey: w.key(tamsin).Public(), Reason: "lost",
				Proof: identity.ProvePossession(w.key(tamsin), ibbet, w.key(ibbet).Public())})
			w.keys[ibbet] = w.keys[tamsin]
			w.record(ibbet, incident)
		}, ""},
		"an administrator's key recovered by the operator alone": {func(w *world) {
			w.record("lanternfold/odo", &pb.KeyRecovered{Person: wren, NewPublicKey: w.key(tamsin).Public(), Reason: "lost",
				Proof: identity.ProvePossession(w.key(tamsin), wren, w.key(wren).Public())})
			w.keys[wren] = w.keys[tamsin]
			w.record(wren, incident)
		}, "KEY_NOT_VOUCHED"},
		"an administrator's key recovered by one and a person who is none": {func(w *world) {
			w.enrol(wren, tamsin, pb.Role_ROLE_ADMINISTRATOR)
			next := w.key("a new key")
			w.countersign(ibbet, w.record(tamsin, &pb.KeyRecovered{Person: wren, NewPublicKey: next.Public(), Reason: "lost",
				Proof: identity.ProvePossession(next, wren, w.key(wren).Public())}))
		}, "NOT_VOUCHED"},
		"an administrator's key recovered by two": {func(w *world) {
			n := w.record("lanternfold/odo", &pb.KeyRecovered{Person: wren, NewPublicKey: w.key(tamsin).Public(),
				Reason: "lost", Proof: identity.ProvePossession(w.key(tamsin), wren, w.key(wren).Public())})
			w.countersign(ibbet, n)
			w.keys[wren] = w.keys[tamsin]
			w.record(wren, incident)
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := gold(t)
			tt.do(w)
			p := w.pack(goldBar, ibbet)
			if tt.reason == "" {
				w.sound(p)
				return
			}
			w.wantFinding(w.write(p), tt.reason)
		})
	}
}

// A stolen key may go on signing what the log never sees: packs and cosignatures. Once the tree holds its end, they are
// worth nothing.
func TestAnEndedKeyExportsNothing(t *testing.T) {
	w := gold(t)
	w.record("quillmoss/wren", &pb.KeyRevoked{PublicKey: w.key("quillmoss/ibbet").Public(), Reason: "stolen"})
	w.wantFinding(w.write(w.pack(goldBar, "quillmoss/ibbet")), "EXPORTER_NOT_VOUCHED", "COSIGNATURE_NOT_VOUCHED")
	// What the key cosigned before stands.
	_, older := w.checkpoint(6)
	p := w.pack(goldBar, "quillmoss/wren")
	p.Cosigned = [][]byte{w.cosigned(older, "quillmoss/ibbet")}
	p.Consistency = []Consistency{{6, w.consistency(6, 7)}}
	w.sound(p)
}

// A key that its party calls doubtful leaves the pack sound, for the record stands; and the report says so.
func TestDoubtIsTold(t *testing.T) {
	w := gold(t)
	w.now = "2025-03-06T09:00:00+00:00"
	w.record("quillmoss/wren", &pb.KeyRevoked{PublicKey: w.key("quillmoss/ibbet").Public(), Reason: "stolen",
		Since: "2025-02-24T08:00:00+00:00"})
	r := w.sound(w.pack(goldBar, "quillmoss/wren"))
	if !strings.Contains(strings.Join(r.NotProven, "\n"), "Who signed entry 5: the key may have been in other hands") {
		t.Errorf("%q", r.NotProven)
	}
}
