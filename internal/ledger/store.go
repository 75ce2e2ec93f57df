package ledger

import (
	"bytes"
	"fmt"
	"maps"
	"strings"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
)

// storing is the way of a layer from the journal into the file.
type storing struct {
	head  head          // the file's own, when it is done
	layer *layer        // nil: there is none on its way
	done  chan struct{} // closed when the attempt ended
	err   error         // why it failed; the layer is still to be stored
}

// spare makes sure, before a batch is taken, that not too much lies in front of the file. The caller holds writing.
func (l *Ledger) spare() error {
	l.mu.Lock()
	s, front := l.store, l.head.layers[0]
	l.mu.Unlock()
	switch {
	case s.layer == nil && front.large(1):
		l.freeze()
		go l.storeFrozen()
	case s.layer == nil:
	case s.ended() && s.err != nil:
		return l.settle()
	case front.large(2):
		return l.storeEnded()
	}
	return nil
}

func (l *layer) large(times int) bool {
	return l.entries >= times*journalEntries || l.bytes >= times*journalBytes
}

func (s storing) ended() bool {
	select {
	case <-s.done:
		return true
	default:
		return false
	}
}

// freeze sets apart what lies in front of the file, to be stored, and has the journal begin its other file. Nothing is on
// its way. The caller holds writing.
func (l *Ledger) freeze() {
	l.mu.Lock()
	defer l.mu.Unlock()
	frozen := l.head.layers[0]
	l.store = storing{head: l.head, layer: frozen, done: make(chan struct{})}
	l.head.layers = []*layer{newLayer(), frozen}
	if l.work != nil {
		l.work.written = newLayer()
	}
	l.journal.swap()
}

// storeFrozen writes into the file, in one transaction, what was set apart. It runs beside the committer: the entries are
// durable already.
func (l *Ledger) storeFrozen() {
	l.mu.Lock()
	s := l.store
	l.mu.Unlock()
	err := l.storeLayer(s.layer, s.head)
	l.mu.Lock()
	defer l.mu.Unlock()
	if err == nil {
		l.head.layers = []*layer{l.head.layers[0]}
		l.store = storing{}
	} else {
		l.store.err = err
	}
	close(s.done)
}

// storeLayer writes into the file what lies in front of it up to h. Where that has nothing of the book, the file says that
// its own is not whole.
func (l *Ledger) storeLayer(changed *layer, h head) error {
	tried, err := l.commit("store-before-commit", "store-after-commit", func(tx *bbolt.Tx) error {
		if err := changed.storeIn(tx); err != nil {
			return err
		}
		if changed.bookless {
			if err := tx.Bucket(bucketMeta).Put(keyRebuilding, []byte{1}); err != nil {
				return err
			}
		}
		return storeHead(tx, h.tree.Size(), h.checkpoint)
	})
	if err == nil || tried {
		return err
	}
	return l.fillFailed(err)
}

// storeEnded waits until nothing is being stored, and says why the last attempt failed.
func (l *Ledger) storeEnded() error {
	l.mu.Lock()
	done := l.store.done
	l.mu.Unlock()
	if done == nil {
		return nil
	}
	<-done
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.store.err
}

// settle brings the file up to the end of the log. The caller holds writing.
func (l *Ledger) settle() error {
	if err := l.storeEnded(); err != nil {
		if err := l.stopped(haltWrites); err != nil {
			return err
		}
		l.mu.Lock()
		l.store.done, l.store.err = make(chan struct{}), nil
		l.mu.Unlock()
		l.storeFrozen()
		if err := l.storeEnded(); err != nil {
			return err
		}
	}
	if l.shown().layers[0].entries == 0 {
		return nil
	}
	if err := l.stopped(haltWrites); err != nil {
		return err
	}
	l.freeze()
	l.storeFrozen()
	return l.storeEnded()
}

// replay returns the head of what the journal holds beyond the file's own entries, which are those of h. It believes no more
// of it than of an export: each entry is signed by its author, and the tree with it has the root that the log signed.
//
// Where an entry cannot be folded into the file's book, unfolded says why, and nothing of the book is in the head: it must be
// rebuilt.
func (l *Ledger) replay(h head, frames []frame) (_ head, unfolded, err error) {
	front := newLayer()
	h.layers = []*layer{front}
	err = l.db.View(func(tx *bbolt.Tx) error {
		v := newView(tx, h, h.layers, front)
		for _, f := range frames {
			if f.first+uint64(len(f.leaves)) <= h.tree.Size() { // it is in the file
				for i, leaf := range f.leaves {
					if seq := f.first + uint64(i); !bytes.Equal(leaf, v.entries().Get(seqKey(seq))) {
						return journalDamaged(l.path, fmt.Errorf("entry %d is another one in the file", seq))
					}
				}
				continue
			}
			if f.first != h.tree.Size() {
				return journalDamaged(l.path, fmt.Errorf("entry %d follows %d entries", f.first, h.tree.Size()))
			}
			entries, err := l.replayFrame(v, &h, f)
			if err != nil {
				return err
			}
			if unfolded == nil {
				unfolded = guard(func() error { return foldAll(v.book, l.config.Judge, entries) })
			}
		}
		return nil
	})
	if unfolded != nil {
		front.bookless = true
		maps.DeleteFunc(front.tables, func(name string, _ *changes) bool { return strings.HasPrefix(name, inBook) })
	}
	return h, unfolded, err
}

func (l *Ledger) replayFrame(v *view, h *head, f frame) ([]*Entry, error) {
	rows := make([]row, len(f.leaves))
	entries := make([]*Entry, len(rows))
	for i, leaf := range f.leaves {
		rows[i] = row{seq: f.first + uint64(i), leaf: leaf}
	}
	onAllCores(len(rows), func(i int) { rows[i].examine(true, nil) })
	for i, r := range rows {
		switch {
		case r.err != nil:
			return nil, journalDamaged(l.path, r.err)
		case r.entry.RecordedAt.Before(h.recordedAt):
			return nil, journalDamaged(l.path, fmt.Errorf("entry %d is recorded before the one in front of it", r.seq))
		case v.ids().Get(r.entry.ID[:]) != nil:
			return nil, journalDamaged(l.path, fmt.Errorf("entry %d has the event id %s of an earlier one", r.seq, r.entry.ID))
		}
		if err := v.putRow(h, r); err != nil {
			return nil, err
		}
		entries[i] = r.entry
	}
	at, err := proof.OpenCheckpoint(f.checkpoint, l.config.Origin, l.config.Verifier)
	if err != nil {
		return nil, journalDamaged(l.path, err)
	}
	if at.Size != h.tree.Size() || at.Root != h.tree.Root() {
		return nil, journalDamaged(l.path, rootMismatch(at, h.tree.Size(), h.tree.Root()))
	}
	h.checkpoint = f.checkpoint
	return entries, nil
}
