package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"flag"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.etcd.io/bbolt"
	"google.golang.org/protobuf/encoding/protowire"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/service"
	pb "barward/proto/barward/v1"
)

var update = flag.Bool("update", false, "write testdata/release-1 anew; only before its release is published")

// releases are ledgers that a release wrote, each in a folder of testdata with its public key and its checkpoint. A
// folder is never written again once its release is published: whoever upgrades has such a file.
const release1 = "testdata/release-1"

// A ledger that the first release wrote opens, verifies with every signature and the whole book, and folds again to the
// same picture.
func TestUpgradeFromTheFirstRelease(t *testing.T) {
	t.Parallel()
	if *update {
		writeRelease(t, release1)
	}
	p := place{t: t, folder: t.TempDir()}
	unpack(t, filepath.Join(release1, "ledger.gz"), p.path("ledger"))
	public, err := os.ReadFile(filepath.Join(release1, "log.pub"))
	if err != nil {
		t.Fatal(err)
	}
	checkpoint, err := os.ReadFile(filepath.Join(release1, "checkpoint"))
	if err != nil {
		t.Fatal(err)
	}
	config, err := trusted{LogPublicKey: strings.TrimSpace(string(public))}.config()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.CheckBackup(context.Background(), p.path("ledger"), config, checkpoint, nil); err != nil {
		t.Errorf("as a copy: %v", err)
	}
	l, err := ledger.Open(p.path("ledger"), config)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	before, err := l.Verify(context.Background(), nil)
	if err != nil {
		t.Fatalf("%v, because %v", err, errors.Unwrap(err))
	}
	if err := l.Rebuild(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	after, err := l.Verify(context.Background(), nil)
	if err != nil || after.BookKeys != before.BookKeys || after.Root != before.Root || !bytes.Equal(before.Checkpoint, checkpoint) {
		t.Errorf("before %+v, after %+v, %v", before, after, err)
	}
	if before.Size < 40 {
		t.Errorf("only %d entries", before.Size)
	}
	kinds := map[string]bool{}
	entries, err := l.Entries(0, ledger.MaxPage)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		event, err := book.Decode(e.Event)
		if err != nil {
			t.Fatal(err)
		}
		m := event.ProtoReflect()
		kinds[string(m.WhichOneof(m.Descriptor().Oneofs().ByName("body")).Name())] = true
	}
	t.Logf("%d entries of %d kinds, %d keys in the book", before.Size, len(kinds), before.BookKeys)
}

// writeRelease has a server of this release write a ledger.
func writeRelease(t *testing.T, folder string) {
	t.Helper()
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Limits = service.Unlimited })
	chance := rand.New(rand.NewPCG(1, 1))
	s := newSite(p, chance, "a", dialer(ready, nil))
	s.shipment(chance, "R1", 2)
	s.shipment(chance, "R2", 1)
	mine := s.party("mine")
	head, officer := s.people["head"], s.people["officer"]
	keeper := s.people["wardle"]
	keeper.must(&pb.PartyRegistered{PartyId: "auditors-a", DisplayName: "The invented auditors", Kind: pb.PartyKind_PARTY_KIND_AUDITOR})
	manager := s.people["manager"]
	head.must(&pb.PartyChanged{PartyId: mine, DisplayName: "The invented mine, renamed"})
	manager.must(&pb.HolidaysPublished{Calendar: "Invented", Dates: []string{"2026-12-25"}})
	manager.must(&pb.AccessGranted{GrantId: "G1", Auditor: "auditors-a", Purpose: "an invented audit",
		Sorts: []pb.InformationSort{pb.InformationSort_INFORMATION_SORT_CUSTODY}, From: "2026-01-01T00:00:00Z",
		Until: "2027-01-01T00:00:00Z"})
	manager.must(&pb.AccessWithdrawn{Grant: mine + "/G1", Reason: "the invented audit is over"})
	s.people["clerk"].must(&pb.IncidentReported{Subject: mine + "/R1", Description: "An invented box was dropped."})
	officer.must(&pb.Weighed{Subject: mine + "/R1-0", Balance: mine + "/MB1",
		Stage: pb.WeighingStage_WEIGHING_STAGE_RECHECK, Readings: grams(chance)})
	ctx, conn := head.call(context.Background())
	at, err := pb.NewLedgerServiceClient(conn).GetCheckpoint(ctx, new(pb.GetCheckpointRequest))
	if err != nil {
		t.Fatal(err)
	}
	body, _, err := proof.SplitNote([]byte(at.Checkpoint))
	if err != nil {
		t.Fatal(err)
	}
	line, err := proof.Cosign(body, mine+"/head", head.key.Private(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	head.must(&pb.CheckpointCosigned{Note: at.Checkpoint + line.Line()})
	next := newKey(t)
	officer.must(&pb.KeyRotated{NewPublicKey: next.Public(),
		Proof: identity.ProvePossession(next, mine+"/officer", officer.key.Public())})
	head.must(&pb.KeyRevoked{PublicKey: s.people["assayer"].key.Public(), Reason: "an invented loss"})
	manager.must(&pb.PricesPublished{Series: "gold (invented)", Currency: "USD",
		Prices: []*pb.DailyPrice{{Date: "2026-03-02", Price: "2300.00"}}})
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if t.Failed() {
		t.FailNow()
	}
	var told status
	p.told(&told, "status", "--ledger", p.path("ledger"))
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(p.path("ledger"))
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := z.Write(file); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{"ledger.gz": packed.Bytes(), "log.pub": []byte(ready.LogPublicKey + "\n"),
		"checkpoint": []byte(told.Checkpoint)} {
		if err := os.WriteFile(filepath.Join(folder, name), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func unpack(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	z, err := gzip.NewReader(in)
	if err != nil {
		t.Fatal(err)
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if _, err := io.Copy(out, z); err != nil {
		t.Fatal(err)
	}
}

// later is a judge of a release to come: it takes events that this one does not know.
type later struct{ *book.Book }

func (l later) Decide(b *ledger.Book, e *ledger.Entry) error {
	if _, err := book.Decode(e.Event); err != nil {
		return nil
	}
	return l.Book.Decide(b, e)
}

func (l later) Apply(b *ledger.Book, e *ledger.Entry) error {
	if _, err := book.Decode(e.Event); err != nil {
		return nil
	}
	return l.Book.Apply(b, e)
}

// A book that another release laid out otherwise is folded again before the first call is taken.
func TestUpgradeFoldsAnOlderLayoutAgain(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	layout := func(write string) (read string) {
		db, err := bbolt.Open(p.path("ledger"), 0o600, &bbolt.Options{Timeout: time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		err = db.Update(func(tx *bbolt.Tx) error {
			index := tx.Bucket([]byte("book")).Bucket([]byte("index"))
			read = string(index.Get([]byte("layout")))
			if write == "" {
				return nil
			}
			return index.Put([]byte("layout"), []byte(write))
		})
		if err = errors.Join(err, db.Close()); err != nil {
			t.Fatal(err)
		}
		return read
	}
	today := layout("an invented older one")
	_, stop := p.serve(nil)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if got := layout(""); got != today || today == "" {
		t.Errorf("the layout is %q, want %q", got, today)
	}
	code, _, stderr := p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 0, stderr, "")
}

// An event of a release to come, or one judged by its rules, stops the replay with the number of its entry and with
// what to do: a book that skipped it would report metal that is not there.
func TestUpgradeUnknownNewerEventStopsReplay(t *testing.T) {
	t.Parallel()
	for what, tt := range map[string]struct {
		rules  uint16
		field  protowire.Number // of the body, 0 for one that is known
		reason string
	}{
		"a newer event": {book.Rules, 900, "EVENT_FIELD_UNKNOWN"},
		"newer rules":   {book.Rules + 1, 0, "RULES_UNKNOWN"},
	} {
		p := newLedger(t)
		key, err := readLogKey(p.path("ledger.key"))
		if err != nil {
			t.Fatal(err)
		}
		config := key.config(writing)
		config.Judge, config.Rules = later{book.New()}, tt.rules
		if tt.field == 0 {
			config.Judge = all{}
		}
		l, err := ledger.Open(p.path("ledger"), config)
		if err != nil {
			t.Fatal(err)
		}
		admin := &desk{site: &site{t: t}, key: p.admin}
		signed := admin.sign(&pb.PartyRegistered{PartyId: "ottermere", DisplayName: "Invented", Kind: pb.PartyKind_PARTY_KIND_MINE})
		if tt.field > 0 {
			id, err := uuid.NewV7()
			if err != nil {
				t.Fatal(err)
			}
			b := protowire.AppendTag(nil, 1, protowire.BytesType)
			b = protowire.AppendString(b, id.String())
			b = protowire.AppendTag(b, 2, protowire.BytesType)
			b = protowire.AppendBytes(b, p.admin.Public())
			b = protowire.AppendTag(b, tt.field, protowire.BytesType)
			b = protowire.AppendBytes(b, []byte("a body of times to come"))
			s := proof.Sign(p.admin.Private(), b)
			signed = &pb.SignedEvent{Event: s.Event, Signature: s.Signature}
		}
		sub := ledger.Submission{Signed: proof.Signed{Event: signed.Event, Signature: signed.Signature}}
		if sub.Envelope, err = proof.Open(sub.Signed); err != nil {
			t.Fatal(err)
		}
		receipt, err := l.Append(context.Background(), sub)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		for _, command := range []string{"rebuild", "verify"} {
			code, _, stderr := p.run(command, "--ledger", p.path("ledger"))
			want(t, what+": "+command, code, 1, stderr, "LEDGER_REPLAY")
			if !strings.Contains(stderr, "ntry 2") || receipt.Seq != 2 {
				t.Errorf("%s: %s does not name entry %d: %s", what, command, receipt.Seq, stderr)
			}
		}
		// A rebuild that stopped leaves no half-built book to be served.
		if _, err := ledger.Open(p.path("ledger"), key.config(writing)); !refusal.Is(err, "LEDGER_REPLAY") {
			t.Errorf("%s: opened again: %v", what, err)
		} else if cause := refusal.As(errors.Unwrap(err)); cause == nil || cause.Reason != tt.reason {
			t.Errorf("%s: the cause is %v, want %s", what, cause, tt.reason)
		}
	}
}

// all takes everything and folds nothing.
type all struct{}

func (all) Decide(*ledger.Book, *ledger.Entry) error { return nil }
func (all) Apply(*ledger.Book, *ledger.Entry) error  { return nil }
