package ledger

import (
	"context"
	"encoding/binary"
	"fmt"

	"github.com/google/uuid"
	"go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// read runs f on a view of all that is acknowledged, if the ledger is fit for work that needs this much of it.
func (l *Ledger) read(needs haltLevel, f func(v *view) error) error {
	l.files.RLock()
	defer l.files.RUnlock()
	if err := l.stopped(needs); err != nil {
		return err
	}
	if l.db == nil {
		return closedRefusal()
	}
	return guard(func() error {
		for {
			h := l.shown()
			passed := false // the file went past h just then: begin again
			err := l.db.View(func(tx *bbolt.Tx) error {
				stored, err := storedSize(tx)
				if err != nil {
					return err
				}
				if passed = stored > h.tree.Size(); passed {
					return nil
				}
				if needs <= haltBook && tx.Bucket(bucketMeta).Get(keyRebuilding) != nil {
					return rebuildingRefusal() // it began since it was asked
				}
				return f(viewOf(tx, h))
			})
			if !passed {
				return err
			}
		}
	})
}

// shown is the head that is acknowledged.
func (l *Ledger) shown() head {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.head
}

// View gives f the book and the number of entries it is folded from, as of one moment, and nothing that is not durable.
// Slices of the book are gone when f returns: copy them. Keep views short, for the file grows while one is open; do not open a view or append within f.
//
// Reasons: LEDGER_REBUILDING, LEDGER_OUTCOME_UNKNOWN, LEDGER_CLOSED, LEDGER_DAMAGED; and whatever f returns.
func (l *Ledger) View(f func(book *Book, size uint64) error) error {
	return l.read(haltBook, func(v *view) error { return f(v.book, v.size()) })
}

// Size returns the number of entries known to be on disk.
func (l *Ledger) Size() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.head.tree.Size()
}

// Checkpoint returns the signed checkpoint over all that is known to be on disk, as a signed note.
func (l *Ledger) Checkpoint() ([]byte, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.halt.level >= haltAll {
		return nil, l.halt.err
	}
	return append([]byte(nil), l.head.checkpoint...), nil
}

// Entry returns entry number seq. Its hash is checked against the tree's.
//
// Reasons: BEYOND_TREE, LEDGER_ENTRY_DAMAGED, LEDGER_HASH_MISMATCH, LEDGER_OUTCOME_UNKNOWN, LEDGER_CLOSED.
func (l *Ledger) Entry(seq uint64) (*Entry, error) {
	var e *Entry
	err := l.read(haltAll, func(v *view) error {
		if seq >= v.size() {
			return beyond("sequence", seq, v.size())
		}
		var err error
		e, err = readEntry(v, seq)
		return err
	})
	return e, err
}

// Entries returns entries from number from on: at most limit, at most MaxPage, and fewer if they are large. At from
// equal to the size of the tree there are none, which is no error.
//
// Reasons: PAGE_SIZE if limit is not positive, and those of Entry.
func (l *Ledger) Entries(from uint64, limit int) ([]*Entry, error) {
	if limit <= 0 {
		return nil, refusal.Invalidf("PAGE_SIZE", "limit", "A page of %d entries was asked for; ask for 1 to %d.", limit, MaxPage).
			With("found", fmt.Sprint(limit)).With("allowed", fmt.Sprint(MaxPage))
	}
	var page []*Entry
	err := l.read(haltAll, func(v *view) error {
		size := v.size()
		if from > size {
			return beyond("sequence", from, size)
		}
		bytes := 0
		for seq := from; seq < size && len(page) < min(limit, MaxPage) && bytes < maxPageBytes; seq++ {
			e, err := readEntry(v, seq)
			if err != nil {
				return err
			}
			bytes += len(e.Event)
			page = append(page, e)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return page, nil
}

// ByID returns the entry with this event id.
//
// Reasons: EVENT_UNKNOWN, and those of Entry.
func (l *Ledger) ByID(id uuid.UUID) (*Entry, error) {
	var e *Entry
	err := l.read(haltAll, func(v *view) error {
		at := v.ids().Get(id[:])
		if at != nil && len(at) != 8 {
			return refusal.New(refusal.DataLoss, "LEDGER_ID_INDEX", "", "The index of event ids is damaged.").About(id.String())
		}
		if at == nil {
			return refusal.New(refusal.NotFound, "EVENT_UNKNOWN", "event_id", "No entry has the event id %s. Check the id.", id).
				About(id.String()).With("event_id", id.String())
		}
		var err error
		e, err = readEntry(v, binary.BigEndian.Uint64(at))
		return err
	})
	return e, err
}

// readEntry copies an entry out of v and checks it against its stored hash.
func readEntry(v *view, seq uint64) (*Entry, error) {
	stored := v.entries().Get(seqKey(seq))
	if stored == nil {
		return nil, dataLoss("LEDGER_ENTRY_DAMAGED", seq, "Entry %d is missing.", seq)
	}
	hash, err := v.subtree(0, seq)
	if err != nil {
		return nil, err
	}
	return decodeEntry(seq, append([]byte(nil), stored...), hash)
}

// decodeEntry reads a stored leaf, which the entry then shares.
func decodeEntry(seq uint64, stored []byte, hash proof.Hash) (*Entry, error) {
	if proof.LeafHash(stored) != hash {
		return nil, hashMismatch(seq)
	}
	return parseEntry(seq, stored)
}

func hashMismatch(seq uint64) *refusal.Error {
	return dataLoss("LEDGER_HASH_MISMATCH", seq, "The stored bytes of entry %d do not match their hash.", seq)
}

// parseEntry reads the bytes of a leaf, which the entry then shares, and checks neither hash nor signature.
func parseEntry(seq uint64, stored []byte) (*Entry, error) {
	leaf, err := proof.ParseLeaf(stored)
	if err == nil {
		var envelope proof.Envelope
		if envelope, err = proof.ReadEnvelope(leaf.Event); err == nil {
			return &Entry{
				Seq: seq, RecordedAt: leaf.RecordedAt, Rules: leaf.Rules, ID: envelope.ID, Author: envelope.Author,
				Event: leaf.Event, Signature: leaf.Signature,
			}, nil
		}
	}
	return nil, dataLoss("LEDGER_ENTRY_DAMAGED", seq, "The stored bytes of entry %d cannot be read.", seq).Because(err)
}

// ProveInclusion returns the audit path that shows entry seq in the tree of the first size entries, for
// proof.VerifyInclusion against a checkpoint of that size. In a tree of one entry the path is empty.
//
// Reasons: BEYOND_TREE if size is above the log's or seq is not below size, LEDGER_HASH_MISMATCH,
// LEDGER_OUTCOME_UNKNOWN, LEDGER_CLOSED.
func (l *Ledger) ProveInclusion(seq, size uint64) ([]proof.Hash, error) {
	return l.prove(size, func(hashes tlog.HashReader) ([]proof.Hash, error) {
		if seq >= size {
			return nil, beyond("sequence", seq, size)
		}
		return tlog.ProveRecord(int64(size), int64(seq), hashes)
	})
}

// ProveConsistency returns the proof that the tree of the first old entries is a beginning of the tree of the first
// size entries, for proof.VerifyConsistency. It is empty when old is 0 or equal to size, for then there is nothing to
// show.
//
// Reasons: those of ProveInclusion.
func (l *Ledger) ProveConsistency(old, size uint64) ([]proof.Hash, error) {
	return l.prove(size, func(hashes tlog.HashReader) ([]proof.Hash, error) {
		if old > size {
			return nil, beyond("old_size", old, size)
		}
		if old == 0 {
			return []proof.Hash{}, nil
		}
		return tlog.ProveTree(int64(size), int64(old), hashes)
	})
}

func (l *Ledger) prove(size uint64, f func(tlog.HashReader) ([]proof.Hash, error)) ([]proof.Hash, error) {
	var path []proof.Hash
	err := l.read(haltAll, func(v *view) error {
		if size > v.size() {
			return beyond("size", size, v.size())
		}
		var err error
		path, err = f(tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
			read := make([]tlog.Hash, len(indexes))
			for i, index := range indexes {
				level, n := tlog.SplitStoredHashIndex(index)
				var err error
				if read[i], err = v.subtree(level, uint64(n)); err != nil {
					return nil, err
				}
			}
			return read, nil
		}))
		return err
	})
	if err != nil {
		return nil, err
	}
	return path, nil
}

func beyond(field string, asked, size uint64) *refusal.Error {
	return refusal.New(refusal.OutOfRange, "BEYOND_TREE", field,
		"%d was asked for, but that tree has %d entries, numbered from 0. Ask within its size.", asked, size).
		With("found", fmt.Sprint(asked)).With("size", fmt.Sprint(size))
}

// Wait returns the number of entries as soon as it is above size. It returns early with ctx's error, or with the
// refusal for which the ledger halts or closes.
func (l *Ledger) Wait(ctx context.Context, size uint64) (uint64, error) {
	for {
		l.mu.Lock()
		now, grown, closed, halted := l.head.tree.Size(), l.grown, l.closed, l.halt
		l.mu.Unlock()
		switch {
		case halted.level >= haltAll:
			return 0, halted.err
		case now > size:
			return now, nil
		case closed:
			return 0, closedRefusal()
		case halted.err != nil:
			return 0, halted.err
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}
