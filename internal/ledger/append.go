package ledger

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A Submission is an event offered to the ledger.
type Submission struct {
	// Signed is the event and its signature. The ledger keeps the slices until the event is answered; do not change them.
	Signed proof.Signed

	// Envelope is what proof.Open returned for Signed. The caller has thereby checked the signature, on its own core, before
	// the one committer is asked: the ledger does not check it again until Verify does.
	Envelope proof.Envelope

	// Memo goes to the Judge as Entry.Memo and is never stored: typically the decoded event, which spares decoding it again.
	// If it is a pointer the Judge may leave in it what the submitter wants to know, which holds once a receipt came.
	Memo any
}

// A Receipt says where an event stands in the log.
type Receipt struct {
	Seq        uint64
	LeafHash   proof.Hash
	RecordedAt time.Time
	TreeSize   uint64 // size of the durable, signed tree when the receipt was given: ask for proofs at it
	Resent     bool   // the event was there already; Seq, LeafHash and RecordedAt are those of its first receipt
}

// pending is a submission in the queue.
type pending struct {
	ctx     context.Context
	sub     Submission
	done    func(Receipt, error)
	claimed atomic.Bool // by the committer, or by a caller who gave up; the first to claim it answers it

	receipt Receipt
	err     error
}

// Append records an event and returns when it is durable. It returns early with LEDGER_BUSY, and the event unrecorded, if
// ctx ends before the committer takes it; once taken it is answered as it ends.
//
// Reasons: LEDGER_BUSY, EVENT_ID_REUSED with the first sequence, whatever the Judge refuses with, LEDGER_DISK_FULL
// (not recorded), LEDGER_OUTCOME_UNKNOWN (send the same again after the restart), LEDGER_STOPPED, LEDGER_REBUILDING,
// LEDGER_CLOSED, LEDGER_READ_ONLY, LEDGER_DAMAGED.
func (l *Ledger) Append(ctx context.Context, sub Submission) (Receipt, error) {
	type answer struct {
		receipt Receipt
		err     error
	}
	answered := make(chan answer, 1)
	p, err := l.submit(ctx, sub, func(r Receipt, err error) { answered <- answer{r, err} })
	if err != nil {
		return Receipt{}, err
	}
	select {
	case a := <-answered:
		return a.receipt, a.err
	case <-ctx.Done():
		if p.claimed.CompareAndSwap(false, true) {
			return Receipt{}, busy(ctx)
		}
		a := <-answered // it is in a batch: a few milliseconds tell what became of it
		return a.receipt, a.err
	}
}

// Submit queues an event and returns; done is called once with what Append would return. It is called by the committer,
// for the events of a batch in their order, so it must be quick and must not call the ledger's writing methods: send to a
// channel with room. If ctx ends before the committer takes the event, done gets LEDGER_BUSY.
//
// When Submit returns an error the event is not queued and done is not called. Events submitted one after the other by one
// goroutine are judged in that order.
func (l *Ledger) Submit(ctx context.Context, sub Submission, done func(Receipt, error)) error {
	_, err := l.submit(ctx, sub, done)
	return err
}

func (l *Ledger) submit(ctx context.Context, sub Submission, done func(Receipt, error)) (*pending, error) {
	if err := l.checkSubmission(sub); err != nil {
		return nil, err
	}
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return nil, closedRefusal()
	}
	if l.halt.err != nil {
		defer l.mu.Unlock()
		return nil, l.halt.err
	}
	l.submits.Add(1)
	l.mu.Unlock()
	defer l.submits.Done()

	p := &pending{ctx: ctx, sub: sub, done: done}
	if ctx.Err() != nil {
		return nil, busy(ctx)
	}
	select {
	case l.queue <- p:
		return p, nil
	case <-ctx.Done():
		return nil, busy(ctx)
	case <-l.closing:
		return nil, closedRefusal()
	}
}

func busy(ctx context.Context) *refusal.Error {
	return refusal.New(refusal.Unavailable, "LEDGER_BUSY", "",
		"The time allowed ended before the event was taken up; it is not recorded. Send the same again.").
		Because(context.Cause(ctx))
}

// checkSubmission catches a caller that passes one event with another's envelope. It does not check the signature.
func (l *Ledger) checkSubmission(sub Submission) error {
	if l.config.Signer == nil {
		return readOnly()
	}
	e, err := proof.ReadEnvelope(sub.Signed.Event)
	if err != nil {
		return err
	}
	if e.ID != sub.Envelope.ID || !e.Author.Equal(sub.Envelope.Author) || len(sub.Signed.Signature) != 64 {
		return refusal.New(refusal.Internal, "ENVELOPE_MISMATCH", "",
			"The event was submitted with the envelope of another one, or unsigned.")
	}
	return nil
}

// commitQueue is the committer.
func (l *Ledger) commitQueue() {
	debug.SetPanicOnFault(true)
	batch := make([]*pending, 0, maxBatch)
	for {
		var later <-chan time.Time
		if l.heal() {
			later = time.After(healEvery)
		}
		select {
		case first, open := <-l.queue:
			if !open {
				return
			}
			batch = l.join(append(batch[:0], first))
			l.record(batch)
			clear(batch)
		case <-l.healing:
		case <-later:
		}
	}
}

// join takes what else is queued. Writers that were just answered are about to send their next event: yielding to them
// makes batches several times larger. Where fewer came than shared the last batch it waits for the others, for joinWait at
// most, because a sync costs nearly the same for one event as for many. A few writers wait for nobody, and where
// company has gone one batch is late by joinWait.
func (l *Ledger) join(batch []*pending) []*pending {
	size := len(batch[0].sub.Signed.Event)
	var late <-chan time.Time
	for quiet := 0; len(batch) < maxBatch && size < maxBatchBytes; {
		var next *pending
		var open bool
		select {
		case next, open = <-l.queue:
		default:
			if quiet++; quiet <= joinYields {
				runtime.Gosched()
				continue
			}
			if l.company < joinCompany || len(batch) >= l.company {
				l.company = len(batch)
				return batch
			}
			if late == nil {
				late = time.After(joinWait)
			}
			select {
			case next, open = <-l.queue:
			case <-late:
				l.company = len(batch)
				return batch
			}
		}
		if !open {
			return batch
		}
		batch = append(batch, next)
		size += len(next.sub.Signed.Event)
		quiet = 0
	}
	l.company = len(batch)
	return batch
}

// record writes a batch and answers it.
func (l *Ledger) record(batch []*pending) {
	l.writing.Lock()
	defer l.writing.Unlock()

	taken := batch[:0]
	for _, p := range batch {
		if p.claimed.CompareAndSwap(false, true) {
			taken = append(taken, p)
		}
	}
	told := Batch{Events: len(taken)}
	begin := time.Now()
	err := l.stopped(haltWrites)
	if err == nil && len(taken) > 0 {
		err = l.write(taken, &told)
	}
	for _, p := range taken {
		if err != nil {
			// Even an event that was refused: what it was judged by may not exist.
			p.receipt, p.err = Receipt{}, err
		}
		if p.err != nil {
			told.Refused++
		}
		p.done(p.receipt, p.err)
	}
	if l.config.Observe != nil {
		told.Took, told.Err = time.Since(begin), err
		l.config.Observe(told)
	}
}

// write judges a batch and makes it durable. Each p has its answer afterwards, unless an error answers all.
func (l *Ledger) write(batch []*pending, told *Batch) error {
	if err := l.spare(); err != nil {
		return err
	}
	var committing bool
	err := guard(func() error {
		if err := l.hook("batch-taken"); err != nil {
			return err
		}
		h := l.shown()
		first := h.tree.Size()
		leaves, err := l.fill(&h, batch)
		if err != nil {
			return err
		}
		if len(leaves) == 0 {
			l.sizeReceipts(batch, h.tree.Size())
			return nil
		}
		if h.checkpoint, err = sign(l.config, &h.tree); err != nil {
			return err
		}
		committing = true
		l.journal.tried = -1
		if err := l.hook("before-commit"); err != nil {
			return err
		}
		begin := time.Now()
		if err := l.journal.write(first, leaves, h.checkpoint); err != nil {
			return err
		}
		told.Recorded, told.Commit = len(leaves), time.Since(begin)
		l.journaled.Add(int64(told.Commit))
		if err := l.hook("after-commit"); err != nil {
			return err
		}
		l.show(h)
		l.sizeReceipts(batch, h.tree.Size())
		return nil
	})
	switch {
	case err == nil:
		_ = l.hook("before-reply") // nothing can fail any more, but a crash still can come
		return nil
	case committing:
		l.work = nil
		return l.storeFailed(err, !l.journal.holds())
	default:
		l.work = nil
		return l.fillFailed(err)
	}
}

// show lets everyone see what is durable: memory follows the disk.
func (l *Ledger) show(h head) {
	l.mu.Lock()
	defer l.mu.Unlock()
	h.layers = append([]*layer{l.work.written.copy()}, l.head.layers[1:]...)
	l.head, l.full = h, nil
	l.wake()
}

// end ends a transaction that was not committed; on one that was it does nothing.
func (l *Ledger) end(tx *bbolt.Tx) {
	if tx == nil {
		return
	}
	err := guard(tx.Rollback)
	if r := refusal.As(err); r != nil {
		l.leaked.Store(true)
	}
}

func (l *Ledger) sizeReceipts(batch []*pending, size uint64) {
	for _, p := range batch {
		if p.err == nil {
			p.receipt.TreeSize = size
		}
	}
}

// fill judges a batch in order, puts what is accepted into the committer's view and h, and returns its leaves.
func (l *Ledger) fill(h *head, batch []*pending) (leaves [][]byte, err error) {
	tx, err := l.db.Begin(false)
	if err != nil {
		return nil, err
	}
	defer l.end(tx)
	w := l.work
	switch {
	case w == nil:
		front := h.layers[0].copy()
		w = newView(tx, *h, append([]*layer{front}, h.layers[1:]...), front)
		l.work = w
	default:
		w.moveTo(tx, append([]*layer{w.written}, h.layers[1:]...))
	}
	for _, p := range batch {
		if p.ctx.Err() != nil {
			p.err = busy(p.ctx)
			continue
		}
		first, found, err := w.lookUp(p)
		if err != nil {
			return nil, err
		}
		if found {
			p.receipt, p.err = first, nil
			if !first.Resent {
				p.receipt, p.err = Receipt{}, reused(p, first.Seq)
			}
			continue
		}
		e := &Entry{
			Seq: h.tree.Size(), RecordedAt: l.now(h.recordedAt), Rules: l.config.Rules,
			ID: p.sub.Envelope.ID, Author: p.sub.Envelope.Author,
			Event: p.sub.Signed.Event, Signature: p.sub.Signed.Signature, Memo: p.sub.Memo,
		}
		if e.Seq >= proof.MaxTree {
			return nil, errors.New("the tree is full")
		}
		if err := judged(func() error { return l.config.Judge.Decide(w.book, e) }); err != nil {
			p.err = verdict(err)
			continue
		}
		row, err := w.put(h, e)
		if err != nil {
			return nil, err
		}
		if err := l.hook("before-apply"); err != nil {
			return nil, err
		}
		if err := judged(func() error { return l.config.Judge.Apply(w.book, e) }); err != nil {
			return nil, fmt.Errorf("entry %d, event %s, could not be folded into the book: %w", e.Seq, e.ID, plain(err))
		}
		if err := l.hook("after-apply"); err != nil {
			return nil, err
		}
		p.receipt.Seq, p.receipt.LeafHash, p.receipt.RecordedAt = e.Seq, row.hash, e.RecordedAt
		leaves = append(leaves, row.leaf)
	}
	return leaves, nil
}

// plain hides a refusal's kind: an error of Apply is our bug whatever it calls itself, but a damaged file stays one.
func plain(err error) error {
	if r := refusal.As(err); r != nil && r.Kind != refusal.DataLoss {
		return errors.New(r.Reason + ": " + r.Error())
	}
	return err
}

// verdict is what the submitter is told when Decide returned err.
func verdict(err error) error {
	if refusal.As(err) != nil {
		return err
	}
	return refusal.New(refusal.Internal, "JUDGE_FAILED", "", "The event could not be judged; it is not recorded.").Because(err)
}

func reused(p *pending, first uint64) *refusal.Error {
	id := p.sub.Envelope.ID.String()
	return refusal.New(refusal.Exists, "EVENT_ID_REUSED", "event_id",
		"Entry %d already has the event id %s with other bytes. If this is another event, give it an id of its own; if it "+
			"corrects the entry, record a correction that names it.", first, id).
		About(id).With("sequence", fmt.Sprint(first)).With("event_id", id)
}

// now is the clock in whole microseconds, held so that it never runs backwards along the log.
func (l *Ledger) now(last time.Time) time.Time {
	t := l.config.Clock().UTC().Truncate(time.Microsecond)
	if t.Before(last) || t.UnixMilli() > maxClockTime {
		return last
	}
	return t
}

// lookUp finds the entry that has p's event id, earlier in the log or in the batch. Resent tells whether it is the same
// event under the same signature.
func (v *view) lookUp(p *pending) (first Receipt, found bool, err error) {
	at := v.ids().Get(p.sub.Envelope.ID[:])
	if at == nil {
		return Receipt{}, false, nil
	}
	if len(at) != 8 {
		return Receipt{}, false, refusal.New(refusal.DataLoss, "LEDGER_ID_INDEX", "", "The index of event ids is damaged.").
			About(p.sub.Envelope.ID.String())
	}
	seq := binary.BigEndian.Uint64(at)
	b := v.entries().Get(at)
	leaf, err := proof.ParseLeaf(b)
	if err != nil {
		return Receipt{}, false, dataLoss("LEDGER_ENTRY_DAMAGED", seq, "The stored bytes of entry %d cannot be read.", seq).
			Because(err)
	}
	return Receipt{
		Seq: seq, LeafHash: proof.LeafHash(b), RecordedAt: leaf.RecordedAt,
		Resent: bytes.Equal(leaf.Event, p.sub.Signed.Event) && bytes.Equal(leaf.Signature, p.sub.Signed.Signature),
	}, true, nil
}

// put adds e with its hashes and id to what is written, and to the tree of h.
func (v *view) put(h *head, e *Entry) (row, error) {
	leaf, err := e.Leaf().Marshal()
	if err != nil {
		return row{}, fmt.Errorf("entry %d: %v", e.Seq, err)
	}
	r := row{seq: e.Seq, leaf: leaf, hash: proof.LeafHash(leaf), entry: e}
	return r, v.putRow(h, r)
}

// putRow is put for a row of which leaf, hash and entry are known.
func (v *view) putRow(h *head, r row) error {
	var room [8]proof.Hash
	completed := h.tree.Append(room[:0], r.hash)
	hashes := make([]byte, 0, len(completed)*len(r.hash))
	for _, c := range completed {
		hashes = append(hashes, c[:]...)
	}
	h.recordedAt = r.entry.RecordedAt
	v.written.entries++
	key := seqKey(r.seq)
	for _, put := range []struct {
		table      *Table
		key, value []byte
	}{{v.entries(), key, r.leaf}, {v.hashes(), key, hashes}, {v.ids(), r.entry.ID[:], key}} {
		if err := put.table.Growing(); err != nil {
			return err
		}
		if err := put.table.Put(put.key, put.value); err != nil {
			return err
		}
	}
	return nil
}
