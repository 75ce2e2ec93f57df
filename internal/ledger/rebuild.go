package ledger

import (
	"context"
	"fmt"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Rebuild drops the book and folds it again from the entries, with Apply only. While it runs, events and views are refused
// with LEDGER_REBUILDING; entries and proofs stay available. progress, if not nil, is told how far it is.
//
// It folds in chunks, and the file says that the book is not whole until the last one is on disk: if it is cancelled or the
// process dies, no half-built book is ever served, and Open or another Rebuild starts again from the first entry.
//
// Reasons: LEDGER_REPLAY naming the entry that could not be folded, LEDGER_DISK_FULL, LEDGER_CANCELLED, and those for
// which the ledger is halted already.
func (l *Ledger) Rebuild(ctx context.Context, progress func(done, total uint64)) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	l.mu.Lock()
	closed, halted := l.closed, l.halt
	l.mu.Unlock()
	if closed {
		return closedRefusal()
	}
	if halted.err != nil && halted.level != haltBook {
		return halted.err
	}
	if err := l.settle(); err != nil { // it is folded from the file
		return err
	}
	return l.rebuild(ctx, progress)
}

// rebuild is Rebuild for a caller that holds writing. The book stays halted unless it ends well.
func (l *Ledger) rebuild(ctx context.Context, progress func(done, total uint64)) error {
	l.stop(haltBook, rebuildingRefusal())
	if err := l.chunk("rebuild-dropped", dropBook); err != nil {
		return err
	}
	total := l.head.tree.Size()
	for done := uint64(0); ; {
		if progress != nil {
			progress(done, total)
		}
		if done == total {
			break
		}
		if err := cancelled(ctx); err != nil {
			return err
		}
		next, size := done, 0
		err := l.chunk("rebuild-after-commit", func(tx *bbolt.Tx) error {
			v := writable(tx)
			var entries []*Entry
			for ; next < min(done+replayChunk, total) && size < replayBytes; next++ {
				e, err := readEntry(v, next)
				if err != nil {
					return err
				}
				entries = append(entries, e)
				size += len(e.Event)
			}
			if err := foldAll(v.book, l.config.Judge, entries); err != nil {
				return err
			}
			if err := v.written.storeIn(tx); err != nil {
				return err
			}
			if next == total {
				if err := tx.Bucket(bucketMeta).Delete(keyRebuilding); err != nil {
					return err
				}
			}
			return l.hook("rebuild-before-commit")
		})
		if err != nil {
			return err
		}
		done = next
	}
	l.work = nil
	l.mu.Lock()
	l.halt = halt{}
	l.mu.Unlock()
	return nil
}

func rebuildingRefusal() *refusal.Error {
	return refusal.New(refusal.Unavailable, "LEDGER_REBUILDING", "",
		"The book is being rebuilt from the log. Send the same again when that is done; if it was interrupted, it has to be "+
			"started again.")
}

// foldAll folds entries into a book, with Apply only.
func foldAll(book *Book, judge Judge, entries []*Entry) error {
	prepareAll(judge, entries)
	for _, e := range entries {
		if err := judged(func() error { return judge.Apply(book, e) }); err != nil {
			return replayFailed(e, err)
		}
	}
	return nil
}

// dropBook empties the book and, if there is anything to fold, marks the file as without a whole one.
func dropBook(tx *bbolt.Tx) error {
	if tx.Bucket(bucketBook) != nil {
		if err := tx.DeleteBucket(bucketBook); err != nil {
			return err
		}
	}
	if _, err := tx.CreateBucket(bucketBook); err != nil {
		return err
	}
	size, err := storedSize(tx)
	if err != nil {
		return err
	}
	if size == 0 {
		return tx.Bucket(bucketMeta).Delete(keyRebuilding)
	}
	return tx.Bucket(bucketMeta).Put(keyRebuilding, []byte{1})
}

// chunk runs and commits one transaction of a rebuild.
func (l *Ledger) chunk(point string, f func(tx *bbolt.Tx) error) error {
	_, err := l.commit("", point, f)
	return err
}

// commit runs and commits a transaction of the file; before and after are crash points, "" for none. tried tells of an error
// whether it came of the commit: then it is answered already by halting the ledger, or is a disk that is full.
func (l *Ledger) commit(before, after string, f func(tx *bbolt.Tx) error) (tried bool, err error) {
	var tx *bbolt.Tx
	var was int // the transaction that the file holds
	err = guard(func() error {
		var err error
		if tx, err = l.db.Begin(true); err != nil {
			return err
		}
		was = tx.ID() - 1
		if err := f(tx); err != nil {
			return err
		}
		tried = true
		if before != "" {
			if err := l.hook(before); err != nil {
				return err
			}
		}
		if err := tx.Commit(); err != nil {
			return err
		}
		l.unsealed = true
		return l.hook(after)
	})
	l.end(tx)
	if err == nil || !tried {
		return false, err
	}
	return true, l.commitFailed(err, was)
}

func replayFailed(e *Entry, err error) *refusal.Error {
	return dataLoss("LEDGER_REPLAY", e.Seq, "Entry %d, event %s, cannot be folded into the book by this program: %v. "+
		"A book that skipped it would report metal that is not there.", e.Seq, e.ID, err).Because(err)
}

func cancelled(ctx context.Context) error {
	if ctx.Err() == nil {
		return nil
	}
	return refusal.New(refusal.Unavailable, "LEDGER_CANCELLED", "", "The work was cancelled before its end. Start it again.").
		Because(context.Cause(ctx))
}

func keyPath(key []byte) string { return fmt.Sprintf("/%.80q", key) }

func bookDiffers(path, what string) *refusal.Error {
	return refusal.New(refusal.DataLoss, "LEDGER_BOOK_DIFFERS", "",
		"The book is not what the log yields: at book%s, %s. Rebuild it; if it differs again, the program that wrote it judged "+
			"otherwise than this one.", path, what).About("book"+path).With("path", "book"+path).With("found", what)
}

// foldInto judges and folds an entry into a scratch book, as it was when it was recorded.
func foldInto(book *Book, judge Judge, e *Entry) error {
	if err := judged(func() error { return judge.Decide(book, e) }); err != nil {
		return replayFailed(e, fmt.Errorf("it would be refused today: %w", err))
	}
	if err := judged(func() error { return judge.Apply(book, e) }); err != nil {
		return replayFailed(e, err)
	}
	return nil
}

// checkpointOf opens the checkpoint that tx holds.
func checkpointOf(tx *bbolt.Tx, c Config) (signed []byte, at proof.Checkpoint, err error) {
	signed = append([]byte(nil), tx.Bucket(bucketMeta).Get(keyCheckpoint)...)
	at, err = proof.OpenCheckpoint(signed, c.Origin, c.Verifier)
	if err != nil {
		return nil, at, checkpointInvalid(err)
	}
	return signed, at, nil
}

func checkpointInvalid(err error) *refusal.Error {
	return refusal.New(refusal.DataLoss, "LEDGER_CHECKPOINT_INVALID", "",
		"The stored checkpoint cannot be read or is not signed by the log's key. Stop the service and keep the file.").
		Because(err)
}
