package ledger

import (
	"runtime"
	"sync"
	"sync/atomic"

	"barward/internal/ledger/proof"
)

// row is what a file holds about one entry, copied, and what can be said of it without its neighbours.
type row struct {
	seq          uint64
	leaf, hashes []byte
	indexed      []byte // what the index of ids has under the entry's id

	hash  proof.Hash // of leaf
	entry *Entry
	err   error // why leaf is no signed entry
}

// ahead returns what a judge can do of an entry ahead; nil where it can do nothing.
func ahead(judge Judge) func(*Entry) {
	p, ok := judge.(Preparer)
	if !ok {
		return nil
	}
	return func(e *Entry) {
		// If it fails, Decide meets the same and says so in the entry's turn.
		_ = judged(func() error { p.Prepare(e); return nil })
	}
}

// prepareAll prepares entries on all cores.
func prepareAll(judge Judge, entries []*Entry) {
	prepare := ahead(judge)
	if prepare == nil {
		return
	}
	onAllCores(len(entries), func(i int) { prepare(entries[i]) })
}

// onAllCores calls f with each of the first n numbers.
func onAllCores(n int, f func(i int)) {
	var next atomic.Int64
	var running sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		running.Go(func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				f(int(i))
			}
		})
	}
	running.Wait()
}

// examine fills in the second half of the row. prepare, if not nil, prepares the entry for its judge.
func (r *row) examine(signatures bool, prepare func(*Entry)) {
	r.hash = proof.LeafHash(r.leaf)
	if r.entry, r.err = parseEntry(r.seq, r.leaf); r.err != nil {
		return
	}
	if prepare != nil {
		prepare(r.entry)
	}
	if !signatures {
		return
	}
	_, err := proof.Open(proof.Signed{Event: r.entry.Event, Signature: r.entry.Signature})
	if err != nil {
		r.err = dataLoss("LEDGER_SIGNATURE_INVALID", r.seq, "Entry %d, event %s, is not signed by the key it names.",
			r.seq, r.entry.ID).Because(err)
	}
}

// chunk is rows that are read together, examined beside each other, and taken in order.
type chunk struct {
	rows []row
	open sync.WaitGroup
}

// examineAll reads rows by read until it returns none, examines them on all cores, and gives them to take in their
// order. Reading, examining and taking go on at the same time; at most chunksAhead chunks wait for take. It returns the
// first error of read or take, when nothing of it runs any more.
//
// Signatures are nine tenths of the work of checking a log, so this runs about as fast as the cores can check them.
func examineAll(signatures bool, prepare func(*Entry), read func() ([]row, error), take func(rows []row) error) error {
	const portion = 32 // rows a worker takes at a time
	type job struct {
		c    *chunk
		rows []row
	}
	work := make(chan job)
	order := make(chan *chunk, chunksAhead)
	stop := make(chan struct{})
	var running sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		running.Go(func() {
			for j := range work {
				for i := range j.rows {
					j.rows[i].examine(signatures, prepare)
				}
				j.c.open.Done()
			}
		})
	}
	var failed error
	running.Go(func() {
		defer close(order)
		defer close(work)
		for {
			rows, err := read()
			if err != nil || len(rows) == 0 {
				failed = err
				return
			}
			c := &chunk{rows: rows}
			c.open.Add((len(rows) + portion - 1) / portion)
			select {
			case order <- c:
			case <-stop:
				return
			}
			for len(rows) > 0 {
				n := min(portion, len(rows))
				work <- job{c, rows[:n]}
				rows = rows[n:]
			}
		}
	})
	var err error
	for c := range order {
		c.open.Wait()
		if err = take(c.rows); err != nil {
			close(stop)
			break
		}
	}
	for c := range order { // what was read before it was told to stop
		c.open.Wait()
	}
	running.Wait()
	if err == nil {
		err = failed
	}
	return err
}
