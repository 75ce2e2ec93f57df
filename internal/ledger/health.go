package ledger

import (
	"time"

	"barward/internal/refusal"
)

// A State says in one word what a ledger can do.
type State string

const (
	Healthy    State = "healthy"    // records and reads
	ReadOnly   State = "read-only"  // opened without its private key; reads
	Full       State = "full"       // the last batch found no room on the disk; reads, and tries the next batch
	Healing    State = "healing"    // the disk was full and the outcome of a batch is open; reads the file back by itself
	Rebuilding State = "rebuilding" // the book is being folded again, or that was interrupted; entries and proofs only
	Stopped    State = "stopped"    // a fault in the program or the file: records no more until restarted; reads
	Halted     State = "halted"     // it is not known what the file holds: does nothing until restarted
	Closed     State = "closed"
)

// Health is what a ledger can do now, and why not more.
type Health struct {
	State   State
	Reason  *refusal.Error // nil if healthy: what events are refused with, and what its operator should do
	Since   time.Time      // since when it does not record; zero if healthy, full or closed
	Records bool           // events are taken, or at least tried
	Book    bool           // views of the book are served
	Entries bool           // entries, proofs and checkpoints are served
}

// Health answers at once, whatever the disk does.
func (l *Ledger) Health() Health {
	l.mu.Lock()
	defer l.mu.Unlock()
	h := Health{Reason: l.halt.err, Since: l.halt.since, Book: l.halt.level < haltBook, Entries: l.halt.level < haltAll}
	switch {
	case l.closed:
		return Health{State: Closed, Reason: closedRefusal()}
	case l.halt.heals:
		h.State = Healing
	case l.halt.level == haltAll:
		h.State = Halted
	case l.halt.level == haltBook:
		h.State = Rebuilding
	case l.halt.level == haltWrites:
		h.State = Stopped
	case l.config.Signer == nil:
		h.State, h.Reason = ReadOnly, readOnly()
	case l.full != nil:
		h.State, h.Reason, h.Records = Full, l.full, true
	default:
		h.State, h.Records = Healthy, true
	}
	return h
}

// Err says whether the ledger can record: nil, or the refusal that events get, or, while the disk is full, what the
// last batch was told although the next is tried again. A ledger that was opened to be read gives nil.
func (l *Ledger) Err() error {
	if h := l.Health(); h.Reason != nil && h.State != ReadOnly {
		return h.Reason
	}
	return nil
}

func readOnly() *refusal.Error {
	return refusal.New(refusal.Precondition, "LEDGER_READ_ONLY", "",
		"The ledger was opened without its private key and records nothing. Start the service with the key.")
}

// A Batch is what was recorded together, for who measures.
type Batch struct {
	Events   int           // submissions in it
	Recorded int           // of them new entries
	Refused  int           // of them answered with a refusal
	Took     time.Duration // from the taking of the batch to its answer
	Commit   time.Duration // of that, writing and syncing; 0 if nothing was recorded
	Err      error         // what answered all of them
}

// Stats are figures of a ledger for its operator.
type Stats struct {
	Entries      uint64        // known to be on disk
	Queue        int           // submissions that wait, of Capacity
	Capacity     int           //
	Journal      int           // of these entries, those that are in the journal and not yet in the file
	FileBytes    int64         // the file's size
	FreePages    int           // pages in it that the next transactions can use, of PageBytes each
	PendingPages int           // pages that are free once open views end
	PageBytes    int           //
	Views        int           // views open now
	SyncTime     time.Duration // spent writing and syncing, journal and file, since it was opened
	LastRecorded time.Time     // recorded_at of the last entry: the age of the checkpoint. 1970 for an empty ledger
}

// Stats reads them in one short view; what needs the file is zero while the ledger is halted or closed.
func (l *Ledger) Stats() Stats {
	l.mu.Lock()
	s := Stats{Entries: l.head.tree.Size(), Queue: len(l.queue), Capacity: cap(l.queue), LastRecorded: l.head.recordedAt}
	for _, layer := range l.head.layers {
		s.Journal += layer.entries
	}
	l.mu.Unlock()
	_ = l.read(haltAll, func(v *view) error {
		db := v.tx.DB().Stats()
		s.FileBytes, s.PageBytes = v.tx.Size(), v.tx.DB().Info().PageSize
		s.FreePages, s.PendingPages, s.Views = db.FreePageN, db.PendingPageN, db.OpenTxN-1
		s.SyncTime = db.TxStats.GetWriteTime() + time.Duration(l.journaled.Load())
		return nil
	})
	return s
}
