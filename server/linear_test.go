package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	grpcstatus "google.golang.org/grpc/status"

	"barward/internal/ledger/proof"
	"barward/internal/service"
	pb "barward/proto/barward/v1"
)

// The log as a client may think of it: a number of entries that grows by one with each record, at one moment between
// the call and its answer. Whatever is read is the log at one moment between the question and the answer.

// asked is what a client did.
type asked struct {
	what string // record, size or find
	id   string // of the event, for record and find
}

// heard is what it was answered.
type heard struct {
	seq   uint64 // entry of the event, for record and for find if found
	size  uint64 // entries of the log, for size
	found bool   // for find
}

// logModel is the sequential log. at says which entry each event became in the end, which is known when the history is
// checked, so that the state is one number.
func logModel(start uint64, at map[string]uint64) porcupine.Model {
	return porcupine.Model{
		Init: func() any { return start },
		Step: func(state, input, output any) (bool, any) {
			size, in, out := state.(uint64), input.(asked), output.(heard)
			switch in.what {
			case "record":
				return out.seq == size, size + 1
			case "size":
				return out.size == size, size
			default:
				if out.found {
					return out.seq == at[in.id] && out.seq < size, size
				}
				seq, recorded := at[in.id]
				return !recorded || seq >= size, size
			}
		},
		DescribeOperation: func(input, output any) string { return fmt.Sprintf("%+v: %+v", input, output) },
	}
}

// history is what clients did and heard, with the times of both.
type history struct {
	mu  sync.Mutex
	ops []porcupine.Operation
}

func (h *history) add(client int, in asked, out heard, call, answered time.Time, begin time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ops = append(h.ops, porcupine.Operation{ClientId: client, Input: in, Call: int64(call.Sub(begin)),
		Output: out, Return: int64(answered.Sub(begin))})
}

// entries returns which entry each event became.
func (h *history) entries() map[string]uint64 {
	at := map[string]uint64{}
	for _, op := range h.ops {
		if in := op.Input.(asked); in.what == "record" {
			at[in.id] = op.Output.(heard).seq
		}
	}
	return at
}

// Clients that record and read at once, and whose connections are cut in the middle, see one log that only grows. A
// record whose answer was lost is sent again, and counts from its first sending to its last answer.
func TestHistoryIsLinearizable(t *testing.T) {
	t.Parallel()
	const clients, each = 6, 40
	chance := seeded(t)
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Limits = service.Unlimited })
	var (
		sites     []*site
		kept      history
		known     sync.Mutex
		ids       []string // of events that somebody has sent
		begin     = time.Now()
		wait      sync.WaitGroup
		cuts      int
		countCuts sync.Mutex
	)
	for c := range clients {
		own := rand.New(rand.NewPCG(chance.Uint64(), uint64(c)))
		wire := new(killer)
		alone := &site{t: t, admin: p.admin, acked: map[string]uint64{}, dial: func() (*grpc.ClientConn, error) {
			return grpc.NewClient("passthrough:///"+ready.Listening, grpc.WithTransportCredentials(insecure.NewCredentials()),
				grpc.WithContextDialer(wire.dial))
		}}
		sites = append(sites, alone)
		d := &desk{site: alone, party: "keeper", name: "wardle", key: p.admin}
		t.Cleanup(d.hangUp)
		wait.Go(func() {
			for n := range each {
				ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second)
				call := time.Now()
				switch own.IntN(5) {
				case 0, 1:
					signed := d.sign(&pb.PartyRegistered{PartyId: fmt.Sprintf("h%d-%d", c, n), DisplayName: "Invented",
						Kind: pb.PartyKind_PARTY_KIND_MINE})
					e, err := proof.ReadEnvelope(signed.Event)
					if err != nil {
						t.Error(err)
					}
					known.Lock()
					ids = append(ids, e.ID.String())
					known.Unlock()
					cut := own.IntN(3) == 0
					if cut {
						countCuts.Lock()
						cuts++
						countCuts.Unlock()
						delay := time.Duration(own.IntN(2000)) * time.Microsecond
						go func() {
							time.Sleep(delay)
							wire.cut()
						}()
					}
					receipt, err := d.send(signed)
					if err != nil {
						t.Errorf("client %d: %v", c, err)
						cancel()
						return
					}
					kept.add(c, asked{"record", e.ID.String()}, heard{seq: receipt.Sequence}, call, time.Now(), begin)
				case 2:
					size, err := d.size(ctx)
					if err == nil {
						kept.add(c, asked{what: "size"}, heard{size: size}, call, time.Now(), begin)
					}
				default:
					known.Lock()
					id := ""
					if len(ids) > 0 {
						id = ids[own.IntN(len(ids))]
					}
					known.Unlock()
					if id == "" {
						break
					}
					seq, found, err := d.find(ctx, id)
					if err == nil {
						kept.add(c, asked{"find", id}, heard{seq: seq, found: found}, call, time.Now(), begin)
					}
				}
				cancel()
			}
		})
	}
	wait.Wait()
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	at := kept.entries()
	t.Logf("%d operations of %d clients, %d of them records, %d cuts", len(kept.ops), clients, len(at), cuts)
	if !porcupine.CheckOperations(logModel(2, at), kept.ops) {
		for _, op := range kept.ops {
			t.Logf("%d: %d to %d: %+v %+v", op.ClientId, op.Call, op.Return, op.Input, op.Output)
		}
		t.Error("no order of these operations explains what the clients were answered")
	}
	p.audit(sites...)
}

// size reads the number of entries, by the checkpoint or by what a read of the book says.
func (d *desk) size(ctx context.Context) (uint64, error) {
	ctx, conn := d.call(ctx)
	got, err := pb.NewBookServiceClient(conn).Get(ctx, &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_PARTY, Name: "keeper"})
	return got.GetTreeSize(), err
}

// find looks for the entry of an event.
func (d *desk) find(ctx context.Context, id string) (seq uint64, found bool, err error) {
	ctx, conn := d.call(ctx)
	got, err := pb.NewLedgerServiceClient(conn).GetEntry(ctx, &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: id}})
	if grpcstatus.Code(err) == codes.NotFound {
		return 0, false, nil
	}
	return got.GetEntry().GetSequence(), err == nil, err
}

// The check itself finds a history that no log can have: a stale read, an entry given twice, an entry seen too early.
func TestHistoryCheckSeesFaults(t *testing.T) {
	op := func(call, answered int64, in asked, out heard) porcupine.Operation {
		return porcupine.Operation{ClientId: int(call), Input: in, Output: out, Call: call, Return: answered}
	}
	sound := []porcupine.Operation{
		op(0, 10, asked{"record", "a"}, heard{seq: 2}), op(5, 20, asked{"record", "b"}, heard{seq: 3}),
		op(21, 22, asked{what: "size"}, heard{size: 4}), op(6, 9, asked{"find", "a"}, heard{seq: 2, found: true}),
	}
	check := func(ops []porcupine.Operation) bool {
		h := history{ops: ops}
		return porcupine.CheckOperations(logModel(2, h.entries()), ops)
	}
	if !check(sound) {
		t.Error("a sound history is refused")
	}
	for what, bad := range map[string]porcupine.Operation{
		"a stale size":        op(30, 31, asked{what: "size"}, heard{size: 3}),
		"a size too early":    op(1, 2, asked{what: "size"}, heard{size: 5}),
		"an entry twice":      op(30, 31, asked{"record", "c"}, heard{seq: 3}),
		"an entry forgotten":  op(30, 31, asked{"find", "a"}, heard{}),
		"an entry elsewhere":  op(30, 31, asked{"find", "a"}, heard{seq: 3, found: true}),
		"an entry before it":  op(-5, -1, asked{"find", "a"}, heard{seq: 2, found: true}),
		"a record that skips": op(30, 31, asked{"record", "c"}, heard{seq: 7}),
	} {
		if check(append(slices.Clone(sound), bad)) {
			t.Errorf("%s is not seen", what)
		}
	}
}
