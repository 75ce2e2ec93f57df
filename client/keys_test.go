package main

import (
	"crypto/rand"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// registered has the service know Ana by a key.
func registered(f *fake, key identity.Key) {
	f.Set(pb.ThingKind_THING_KIND_PERSON, "ottermere/ana", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "ottermere/ana", Party: "ottermere", DisplayName: "Ana", PublicKey: key.Public()}}})
}

func (d *bench) opens(path string) identity.Key {
	d.t.Helper()
	key, _, err := identity.LoadKey(path, "an invented passphrase")
	if err != nil {
		d.t.Fatal(err)
	}
	return key
}

// The old key signs the new one, which signs for itself; the new file takes the old one's place once that is on record,
// and not before. Broken off anywhere and begun again, it is recorded once.
func TestRotate(t *testing.T) {
	rotate := []string{"person", "rotate", "--work", "10"}
	rotated := func(t *testing.T, f *fake, d *bench, entry int) {
		t.Helper()
		next := d.opens(d.file)
		event := f.Event(entry)
		if got := event.GetKeyRotated(); string(event.GetAuthorKey()) != string(d.key.Public()) || string(got.GetNewPublicKey()) != string(next.Public()) {
			t.Errorf("entry %d is %v", entry, event)
		}
		if err := identity.CheckPossession("ottermere/ana", d.key.Public(), next.Public(), event.GetKeyRotated().GetProof()); err != nil {
			t.Error(err)
		}
		if old, _ := filepath.Glob(d.file + ".old-*"); len(old) != 1 || d.opens(old[0]).ID() != d.key.ID() {
			t.Errorf("the old key is kept as %v", old)
		}
		if _, err := os.Stat(d.file + ".new"); err == nil {
			t.Error("the new file lies where it was made, too")
		}
		if f.Size() != entry+1 {
			t.Errorf("%d entries, want %d", f.Size(), entry+1)
		}
	}
	t.Run("straight", func(t *testing.T) {
		f := newFake(t)
		server, _ := f.Serve(t, "127.0.0.1:0")
		d := newDesk(t, f, server)
		d.run(rotate...).want(t, exitDone, "recorded as entry 0: key rotated", "its key counts no more")
		rotated(t, f, d, 0)
	})
	t.Run("without a link", func(t *testing.T) {
		f := newFake(t)
		server, stop := f.Serve(t, "127.0.0.1:0")
		d := newDesk(t, f, server)
		d.run("person", "me").want(t, exitDone)
		d.run(incident...).want(t, exitDone)
		stop()
		d.run(rotate...).want(t, exitKept, "1 kept in the outbox")
		d.run(rotate...).want(t, exitKept, "1 kept in the outbox")
		if d.opens(d.file).ID() != d.key.ID() {
			t.Error("the key was changed before that was on record")
		}
		f.Serve(t, server)
		d.run(rotate...).want(t, exitDone, "recorded as entry 1: key rotated")
		rotated(t, f, d, 1)
	})
	t.Run("broken off after it was recorded", func(t *testing.T) {
		f := newFake(t)
		server, _ := f.Serve(t, "127.0.0.1:0")
		d := newDesk(t, f, server)
		d.run(rotate...).want(t, exitDone)
		old, _ := filepath.Glob(d.file + ".old-*")
		for from, to := range map[string]string{d.file: d.file + ".new"} { // as it was before the new file took its place
			if err := os.Rename(from, to); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Link(old[0], d.file); err != nil {
			t.Fatal(err)
		}
		registered(f, d.opens(d.file+".new"))
		d.run(rotate...).want(t, exitDone, "its key counts no more")
		rotated(t, f, d, 0)
	})
	t.Run("refused", func(t *testing.T) {
		f := newFake(t)
		f.Broken = status.Error(codes.Unauthenticated, "The key is not registered here.")
		server, _ := f.Serve(t, "127.0.0.1:0")
		d := newDesk(t, f, server)
		d.run(rotate...).want(t, exitKept, "not registered")
		if d.opens(d.file).ID() != d.key.ID() {
			t.Error("the key was changed, and nobody knows the new one")
		}
	})
}

func TestRevokeAndRecover(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("person", "revoke", "ana", "--reason", "stolen", "--since", "yesterday").want(t, exitRefused, "TIME_MALFORMED")
	d.run("person", "revoke", "ana", "--reason", "stolen", "--since", "2026-03-02T06:00:00-05:00").want(t, exitDone, "key revoked")
	if got := f.Event(0).GetKeyRevoked(); got.GetSince() != "2026-03-02T06:00:00-05:00" || string(got.GetPublicKey()) != string(d.key.Public()) {
		t.Errorf("revoked %v", got)
	}
	// The person who lost the key proves with the new one, on a machine without a link; the administrator records it.
	next, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "new.key")
	if err := identity.SaveKey(path, next, "Ana", "an invented passphrase", 10); err != nil {
		t.Fatal(err)
	}
	lost := hex.EncodeToString(d.key.Public())
	said := d.run("person", "prove", "ottermere/ana", "--old-key", lost, "--key", path, "-o", "csv").want(t, exitDone, string(next.ID())).out
	proven := strings.TrimSpace(said[strings.LastIndex(said, ",")+1:])
	d.run("person", "recover", "ana", "--public-key", string(next.ID()), "--proof", proven, "--reason", "the disk broke").want(t, exitDone, "key recovered")
	got := f.Event(1).GetKeyRecovered()
	if err := identity.CheckPossession("ottermere/ana", d.key.Public(), got.GetNewPublicKey(), got.GetProof()); err != nil || got.GetPerson() != "ottermere/ana" {
		t.Errorf("recovered %v: %v", got, err)
	}
	d.run("person", "recover", "ana", "--public-key", string(next.ID()), "--proof", "xyz", "--reason", "x").want(t, exitRefused, "PROOF_MALFORMED")
}

func TestPartyChangeAndGrant(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("party", "change", "ottermere", "--site", "plant-2:3710:New plant").want(t, exitDone, "party changed")
	if got := f.Event(0).GetPartyChanged(); got.GetPartyId() != "ottermere" || got.GetSites()[0].GetElevationM() != "3710" {
		t.Errorf("changed %v", got)
	}
	grant := []string{"party", "grant", "G-1", "--auditor", "ledgerwick", "--sort", "custody", "--sort", "money",
		"--consignment", "C-7", "--until", "2026-04-02T00:00:00Z", "--purpose", "audit"}
	d.run(append(grant, "--from", "March")...).want(t, exitRefused, "TIME_MALFORMED", "--from")
	d.run(append(grant, "--from", "2026-03-02T00:00:00Z")...).want(t, exitDone, "access granted")
	if got := f.Event(1).GetAccessGranted(); len(got.GetSorts()) != 2 || got.GetSorts()[1] != pb.InformationSort_INFORMATION_SORT_MONEY ||
		got.GetConsignments()[0] != "ottermere/C-7" || got.GetFrom() != "2026-03-02T00:00:00Z" {
		t.Errorf("granted %v", got)
	}
	d.run("party", "withdraw", "G-1", "--reason", "done").want(t, exitDone, "access withdrawn")
	if got := f.Event(2).GetAccessWithdrawn().GetGrant(); got != "ottermere/G-1" {
		t.Errorf("withdrawn %s", got)
	}
	f.Set(pb.ThingKind_THING_KIND_GRANT, "ottermere/G-1", &pb.Thing{Thing: &pb.Thing_Grant{Grant: &pb.Grant{Name: "ottermere/G-1",
		Auditor: "ledgerwick", Granted: f.Event(1).GetAccessGranted()}}})
	d.run("party", "grants").want(t, exitDone, "ottermere/G-1", "ledgerwick", "custody, money", "ottermere/C-7")
}

func TestCosignCommands(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("ledger", "cosign").want(t, exitRefused, "LOG_EMPTY")
	d.run(incident...).want(t, exitDone)
	d.run("ledger", "cosign").want(t, exitDone, "Cosigning 1 entries of log.example/test", "checkpoint cosigned")
	f.Set(pb.ThingKind_THING_KIND_COSIGNATURE, "ottermere", &pb.Thing{Thing: &pb.Thing_Cosignature{Cosignature: &pb.Cosignature{
		Name: "ottermere", Party: "ottermere", CosignedBy: "ottermere/ana", Entry: 1}}})
	d.run("ledger", "cosigned").want(t, exitDone, "ottermere/ana", "continued here")
	d.run("ledger", "cosigned", "-o", "json").want(t, exitDone, `"entries": "1"`)
}

// Nobody signs a statement that rests on a log which this machine does not have.
func TestStatementRestsOnTheLog(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run(incident...).want(t, exitDone)
	at, err := proof.ParseBody(f.Note()[:strings.Index(string(f.Note()), "\n\n")+1])
	if err != nil {
		t.Fatal(err)
	}
	d.run(incident...).want(t, exitDone)
	rests := func(root []byte) {
		f.Set(pb.ThingKind_THING_KIND_STATEMENT, "ottermere/ST-1", &pb.Thing{Thing: &pb.Thing_Statement{Statement: &pb.Statement{
			Name: "ottermere/ST-1", CheckpointSize: 1, CheckpointRoot: root, Entries: []uint64{0}}}})
	}
	rests(at.Root[:])
	d.run("statement", "countersign", "ST-1", "-o", "csv").want(t, exitDone, "countersigned")
	at.Root[3] ^= 1
	rests(at.Root[:])
	d.run("statement", "countersign", "ST-1", "-o", "csv").want(t, exitRefused, "CHECKPOINT_DIFFERS")
	rests(nil)
	d.run("statement", "countersign", "ST-1", "-o", "csv").want(t, exitRefused, "CHECKPOINT_DIFFERS")
	if f.Size() != 3 {
		t.Errorf("%d entries, want 3", f.Size())
	}
}
