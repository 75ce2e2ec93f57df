package bench

import (
	"context"
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// All parties, persons and figures here are invented.

const origin = "bench.example/ledger"

var ctx = context.Background()

// world is a ledger with the full book, one mine with a balance, and its gold-room officer.
type world struct {
	l       *ledger.Ledger
	path    string
	config  ledger.Config
	signer  proof.Signer
	public  string // the log's key
	admin   identity.Key
	officer identity.Key
	bars    int // poured
	weighed int // of them
}

func newWorld(tb testing.TB, dir string) *world {
	tb.Helper()
	private, public, err := proof.GenerateKey(rand.Reader, origin)
	if err != nil {
		tb.Fatal(err)
	}
	signer, verifier, err := proof.NewSigner(private)
	if err != nil {
		tb.Fatal(err)
	}
	w := &world{path: filepath.Join(dir, "ledger"), signer: signer, public: public, admin: newKey(tb), officer: newKey(tb)}
	w.config = ledger.Config{Judge: book.New(), Origin: origin, Signer: signer, Verifier: verifier, Rules: book.Rules, Scratch: dir}
	if w.l, err = ledger.Create(w.path, w.config); err != nil {
		tb.Fatal(err)
	}
	for _, e := range []proto.Message{
		&pb.PartyRegistered{PartyId: "lanternfold", DisplayName: "Lanternfold (invented)", Kind: pb.PartyKind_PARTY_KIND_OPERATOR},
		&pb.PersonEnrolled{PersonId: "odo", PartyId: "lanternfold", DisplayName: "Odo", PublicKey: w.admin.Public(),
			Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR}},
		&pb.PartyRegistered{PartyId: "quillmoss", DisplayName: "Quillmoss (invented)", Kind: pb.PartyKind_PARTY_KIND_MINE,
			Sites: []*pb.Site{{SiteId: "works", DisplayName: "Works", ElevationM: "3900"}}},
		&pb.PersonEnrolled{PersonId: "ibbet", PartyId: "quillmoss", DisplayName: "Ibbet", PublicKey: w.officer.Public(),
			Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR, pb.Role_ROLE_GOLD_ROOM_OFFICER}},
	} {
		w.must(tb, w.sign(tb, w.admin, e))
	}
	w.must(tb, w.sign(tb, w.officer, &pb.BalanceRegistered{BalanceId: "QB1", Site: "quillmoss/works", AccuracyClass: "I",
		Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7}))
	w.must(tb, w.sign(tb, w.officer, &pb.BalanceChecked{Balance: "quillmoss/QB1",
		Points: []*pb.CheckPoint{{Nominal: "20000 g", WeightClass: "E2", Observed: "20000.00 g"}}}))
	return w
}

func newKey(tb testing.TB) identity.Key {
	tb.Helper()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	return key
}

// sign makes a submission of a body, decoded as the service hands it on.
func (w *world) sign(tb testing.TB, by identity.Key, body proto.Message) ledger.Submission {
	tb.Helper()
	event := new(pb.Event)
	fields := event.ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		if fields.Get(i).Message().FullName() == body.ProtoReflect().Descriptor().FullName() {
			event.ProtoReflect().Set(fields.Get(i), protoreflect.ValueOfMessage(body.ProtoReflect()))
		}
	}
	id, err := uuid.NewV7()
	if err != nil {
		tb.Fatal(err)
	}
	event.EventId, event.AuthorKey, event.OccurredAt = id.String(), by.Public(), time.Now().Format(time.RFC3339)
	encoded, err := proto.Marshal(event)
	if err != nil {
		tb.Fatal(err)
	}
	sub := ledger.Submission{Signed: proof.Sign(by.Private(), encoded)}
	if sub.Envelope, err = proof.ReadEnvelope(encoded); err != nil {
		tb.Fatal(err)
	}
	if sub.Memo, err = book.Prepare(encoded); err != nil {
		tb.Fatal(err)
	}
	return sub
}

func (w *world) must(tb testing.TB, sub ledger.Submission) ledger.Receipt {
	tb.Helper()
	r, err := w.l.Append(ctx, sub)
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// pour puts bars on record, fifty a pour.
func (w *world) pour(tb testing.TB, n int) {
	tb.Helper()
	for n > 0 {
		e := &pb.PourRecorded{PourId: fmt.Sprintf("P%08d", w.bars), Balance: "quillmoss/QB1"}
		for range min(n, 50) {
			e.Bars = append(e.Bars, &pb.PouredBar{Mark: mark(w.bars), Readings: []string{"12441.39 g", "12441.40 g"}})
			w.bars++
			n--
		}
		w.must(tb, w.sign(tb, w.officer, e))
	}
}

func mark(bar int) string { return fmt.Sprintf("B%08d", bar) }

// weighings pours n bars and returns a signed weighing of each, whose entry has some 400 bytes.
func (w *world) weighings(tb testing.TB, n int) []ledger.Submission {
	tb.Helper()
	w.pour(tb, w.weighed+n-w.bars)
	subs := make([]ledger.Submission, n)
	for i := range subs {
		e := &pb.Weighed{Subject: "quillmoss/" + mark(w.weighed), Stage: pb.WeighingStage_WEIGHING_STAGE_RELEASE, Balance: "quillmoss/QB1",
			Air: &pb.Air{TemperatureC: "21.5", PressureHpa: "642.10", HumidityPercent: "31"}}
		for r := range 14 {
			e.Readings = append(e.Readings, fmt.Sprintf("12441.%02d g", 38+r%3))
		}
		subs[i] = w.sign(tb, w.officer, e)
		w.weighed++
	}
	return subs
}

// write sends events from many writers, each of which waits for its receipt before its next, and returns how long it
// took.
func (w *world) write(tb testing.TB, subs []ledger.Submission, writers int) time.Duration {
	tb.Helper()
	begin := time.Now()
	var all sync.WaitGroup
	for first := range writers {
		all.Go(func() {
			for i := first; i < len(subs); i += writers {
				if _, err := w.l.Append(ctx, subs[i]); err != nil {
					tb.Error(err)
				}
			}
		})
	}
	all.Wait()
	return time.Since(begin)
}

// scratch is a folder on the disk that is measured: BARWARD_BENCH_DIR, or the system's for temporary files.
func scratch(tb testing.TB) string {
	tb.Helper()
	dir, err := os.MkdirTemp(os.Getenv("BARWARD_BENCH_DIR"), "bench-*")
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}
