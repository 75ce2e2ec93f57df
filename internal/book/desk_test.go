package book

import (
	"testing"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// What one event of a transaction changes, the next one sees: a key revoked is refused, and a balance that failed its check
// is in doubt, though both were looked up a moment before.
func TestOneTransactionSeesItsOwnChanges(t *testing.T) {
	w := newWorld(t)
	if err := w.live(func(l *life) error {
		weigh := func() (bool, error) {
			return l.send("ibbet", wrapped(weighedAs("quillmoss/Z-0", release, "quillmoss/QB1", "20000.00 g")))
		}
		doubt := func() string {
			bar, _ := bars.load(&store{pages: l.book}, "quillmoss/Z-0")
			return bar.Weights[len(bar.Weights)-1].Doubt
		}
		if taken, err := weigh(); !taken || err != nil || doubt() != "" {
			t.Errorf("weighed on a good balance: %v, %v, %q", taken, err, doubt())
		}
		failed := passed("quillmoss/QB1")
		failed.Points[0].Observed = "20010.00 g"
		if taken, err := l.send("ibbet", wrapped(failed)); !taken || err != nil {
			t.Errorf("the check was not taken: %v", err)
		}
		if taken, err := weigh(); !taken || err != nil || doubt() != "the last check of the balance failed" {
			t.Errorf("weighed on a failed balance: %v, %v, %q", taken, err, doubt())
		}
		if taken, err := l.send("wren", wrapped(&pb.KeyRevoked{PublicKey: l.people["ibbet"].public(), Reason: "left"})); !taken || err != nil {
			t.Errorf("the key was not revoked: %v", err)
		}
		if taken, _ := weigh(); taken {
			t.Error("a revoked key signed")
		}
		return nil
	}, func(*ledger.Book, uint64) error { return nil }); err != nil {
		t.Fatal(err)
	}
}

// An event that was prepared on the balance as it was, or not at all, is judged as the balance is now; and its submitter
// learns whether there is anything to be told.
func TestPreparedAhead(t *testing.T) {
	h := staffed(t)
	r := h.poured("P1", h.agree("A1"), "20000.00 g", "20000.00 g")
	weighed := func(readings ...string) (*Prepared, error) {
		event := wrap(t, &pb.Weighed{Subject: r.mark(0), Stage: release, Balance: "quillmoss/QB1", Readings: readings})
		event.EventId, event.AuthorKey, event.OccurredAt = ledgertest.ID(1<<21).String(), h.people["ibbet"].public(), h.now.Format("2006-01-02T15:04:05Z07:00")
		b, err := deterministic.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		return Prepare(b)
	}
	p, err := weighed("20000.00 g", "20000.01 g")
	if err != nil || len(p.loads) != 1 || p.loads[0].weight.Mass.String() != "20000.00 g" {
		t.Fatalf("prepared %+v, %v", p, err)
	}
	guess := p.loads[0].on
	other := &instrument{Balance: guess.Balance, checks: guess.checks}
	other.Readability = other.Interval // 0.1 g: the second reading cannot have been shown
	if _, _, err := p.read(other, p.Event.GetWeighed().Readings); !refusal.Is(err, "READING_FINER_THAN_READABILITY") {
		t.Errorf("what was worked out on another balance counted: %v", err)
	}
	if weight, n, err := p.read(guess, p.Event.GetWeighed().Readings); err != nil || n != 2 || weight.Mass.String() != "20000.00 g" || len(p.loads) != 0 {
		t.Errorf("%+v of %d, %v", weight, n, err)
	}
	if p, err = weighed("0.00 g"); err != nil || len(p.loads) != 0 {
		t.Errorf("a refusal was kept: %+v, %v", p, err)
	}
}
