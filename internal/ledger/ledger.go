// Package ledger is an append-only Merkle log of signed events in one bbolt file, with the picture that a judge folds
// from them beside it, and a journal in front of it.
//
// One committer takes what is queued, and for each event in order asks the Judge whether it can be true, appends it with
// its tree hashes and its id, and has the Judge fold it into the book; then it signs a checkpoint over the grown tree and
// writes and syncs all of it as one frame of the journal (journal.go). After a crash the batch is there or not at all.
//
// What the journal holds lies in memory too, in front of the file (view.go). When it has become enough, it goes into the
// file in one transaction, beside the committer (store.go). So the file is a whole ledger at any time, as of an entry not
// far back; a ledger that was closed has all of it there and no journal.
//
// Invariants:
//
//  1. No receipt leaves before the entry is synced and under a signed checkpoint.
//
//  2. The stored bytes are the signed bytes.
//
//  3. book = fold(entries): Rebuild gives the same keys and values, and Verify proves it.
//
//  4. One event id is one entry: the same bytes again get the first receipt, other bytes are refused.
//
//  5. A refused event changes nothing, and the others in its batch do not notice it.
//
//  6. Memory follows the disk, it never leads. When it cannot know what the disk holds, the ledger refuses all work until
//     it has read the file back.
//
//  7. recorded_at never runs backwards along the log, whatever the clock does.
//
//  8. Nobody is shown what is not durable: a batch is shown when its sync has returned, entries, proofs and book at once.
//
//  9. A file of the journal is written over or taken away only when all its entries are synced in the ledger's own.
//
// The ledger never learns what an event means, and never reads the book. Keys are big-endian; slices are copied before
// they leave a transaction. A damaged page makes bbolt panic or fault; each use of the file turns that into a refusal
// of kind DataLoss where the runtime allows it, but a deep check of a suspect file belongs in a process of its own.
//
// After a failed write or sync the disk is read back, its last entries are verified, what is in the journal goes into the
// file, and its head is written and synced again before anything goes on. Where the disk was full the ledger does this by itself as soon as there is room. Where the
// disk failed it stops and says so: after a failed sync what is read may come from memory and not from the disk, so the
// machine should be looked at and restarted, not only the process. See failure.go; health.go says what works meanwhile.
//
// Sources: RFC 6962 section 2.1; C2SP tlog-checkpoint. Left out: replication, and checkpoints of past sizes (a client
// keeps those it saw).
package ledger

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A Judge decides what may be recorded and folds what was. The book it is given is its own; the ledger never looks
// inside. Its answers must follow from the book and the entry alone, so that every replay gives the same bytes. It is
// called for live events and, at the same time, by Verify on a scratch copy, so it keeps nothing between calls.
type Judge interface {
	// Decide reads book and says whether e can be true: nil, or a *refusal.Error that goes to the submitter. It must
	// not write to book.
	Decide(book *Book, e *Entry) error

	// Apply folds e, which Decide has accepted, into book. It cannot refuse: an error says that the program is wrong or
	// the file is broken, the whole batch is undone, and the ledger stops.
	Apply(book *Book, e *Entry) error
}

// A Preparer is a Judge that can do part of its work on an entry ahead and beside others. Replays call it on all cores
// before the entry's turn; who submits an event does the same by the memo.
type Preparer interface {
	Judge

	// Prepare leaves in e.Memo what can be worked out of e alone. It decides nothing: where it can do nothing it leaves the
	// entry as it is.
	Prepare(e *Entry)
}

// An Entry is one event as recorded.
type Entry struct {
	Seq        uint64            // position in the log and index of the leaf; the first is 0
	RecordedAt time.Time         // UTC, whole microseconds, never before the previous entry's
	Rules      uint16            // version of the rules by which it was judged, and is judged for ever
	ID         uuid.UUID         // the author's id for the event, UUIDv7
	Author     ed25519.PublicKey // the key that signed
	Event      []byte            // the bytes that were signed
	Signature  []byte            // 64 bytes; see proof.Open
	Memo       any               // what the submitter attached, such as the decoded event; on replay what a Preparer left
}

// Leaf returns the entry in the form that the tree hashes.
func (e *Entry) Leaf() proof.Leaf {
	return proof.Leaf{Rules: e.Rules, RecordedAt: e.RecordedAt,
		Signed: proof.Signed{Event: e.Event, Signature: e.Signature}}
}

// Config is what a ledger needs to run. Fields without a stated default are required.
type Config struct {
	Judge    Judge
	Origin   string         // name of the log; must be the name of its key
	Verifier proof.Verifier // checks the stored checkpoint on opening
	Signer   proof.Signer   // signs checkpoints. Nil opens a ledger that can be read, verified and rebuilt, not appended to
	Rules    uint16         // version of the rules that new entries are judged by; not 0

	Clock       func() time.Time // nil: time.Now
	InitialMmap int64            // bytes of address space to map at first. 0: 4 GiB; small machines and tests take less
	LockTimeout time.Duration    // how long to wait for the file's lock. 0: two seconds
	Scratch     string           // folder for Verify's scratch file. "": the system's

	// Observe, if not nil, is told of each batch after it was answered. It is called by the committer and must be
	// quick.
	Observe func(Batch)

	// Hook, for tests only, is called at each of CrashPoints and RebuildCrashPoints and at ResumeCrashPoint. An error
	// that it returns stands for a failure of the storage at that point.
	Hook func(point string) error
}

// CrashPoints names the places in the way of a batch at which Config.Hook is called, in order: the batch is taken; an
// event is accepted and stored but not folded; it is folded; the batch is about to be written; it is on disk; memory
// has followed and receipts are about to leave.
var CrashPoints = []string{
	"batch-taken", "before-apply", "after-apply", "before-commit", "after-commit", "before-reply",
}

// StoreCrashPoints names the same for what brings the journal into the file: before and after its commit.
var StoreCrashPoints = []string{"store-before-commit", "store-after-commit"}

// ResumeCrashPoint names the same for what a ledger writes when it reads its file back after a failed commit.
const ResumeCrashPoint = "resume-before-commit"

// RebuildCrashPoints names the same for Rebuild: the old book is dropped on disk; before and after each chunk's commit.
var RebuildCrashPoints = []string{"rebuild-dropped", "rebuild-before-commit", "rebuild-after-commit"}

// A Ledger is an open ledger file. It is safe for concurrent use.
type Ledger struct {
	path   string
	config Config

	// Locks are taken in this order.
	writing   sync.Mutex   // one batch, rebuild or reopening at a time
	files     sync.RWMutex // readers of the file share it; whoever replaces db holds it alone
	db        *bbolt.DB
	journal   *journal
	work      *view        // the committer's, as the last batch left it; nil: begin from head
	unsealed  bool         // the file was written to since it was opened
	journaled atomic.Int64 // nanoseconds spent writing and syncing it
	leaked    atomic.Bool  // a write transaction could not be ended; closing the file would wait for it for ever

	mu     sync.Mutex
	head   head
	halt   halt
	store  storing
	full   *refusal.Error // the last batch found the disk full
	grown  chan struct{}  // closed and replaced when the tree grows or the ledger halts
	closed bool

	queue     chan *pending
	company   int            // how many events shared the last batch; only the committer uses it
	healing   chan struct{}  // with room for one: the ledger halted in a way that may pass
	closing   chan struct{}  // closed when Close begins
	submits   sync.WaitGroup // submissions on their way into the queue
	committer sync.WaitGroup
}

// head is what is known to be on disk.
type head struct {
	tree       proof.Frontier
	recordedAt time.Time // of the last entry
	checkpoint []byte    // signed
	layers     []*layer  // in front of the file, newest first; altered no more
}

// Create makes a new, empty ledger file with a signed checkpoint over no entries, and opens it. A ledger comes into
// being in no other way. The file appears under its name whole or not at all.
//
// Reasons: LEDGER_EXISTS, also where the journal of another ledger lies; LEDGER_CONFIG; LEDGER_NOT_CREATED.
func Create(path string, c Config) (*Ledger, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if c.Signer == nil {
		return nil, configRefusal("signer", "creating a ledger takes the log's private key")
	}
	if err := Free(path); err != nil {
		return nil, err
	}
	err := createFile(path, c)
	switch {
	case errors.Is(err, os.ErrExist):
		return nil, ledgerExists(path).Because(err)
	case err != nil:
		return nil, notCreated(path, err)
	}
	return Open(path, c)
}

// Open opens an existing ledger, checks that its stored tree has the root that its checkpoint signs, reads back what its
// journal holds, and starts the committer. If a rebuild was interrupted, or the book is damaged where the journal adds to
// it, Open rebuilds it before it returns. On a full disk it opens, and records when there is room.
//
// Reasons: LEDGER_MISSING; LEDGER_IN_USE after the timeout; LEDGER_UNREADABLE if it is no ledger or damaged;
// LEDGER_VERSION; LEDGER_KEY if another log or key signed it; LEDGER_CONFIG; LEDGER_JOURNAL if its journal does not continue it;
// LEDGER_OUTCOME_UNKNOWN if what the journal holds could not be written; LEDGER_REPLAY from an unfinished rebuild.
func Open(path string, c Config) (*Ledger, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	l := &Ledger{
		path: path, config: c,
		grown:   make(chan struct{}),
		queue:   make(chan *pending, maxQueue),
		healing: make(chan struct{}, 1),
		closing: make(chan struct{}),
	}
	if err := l.openAndLoad(nil); err != nil {
		return nil, err
	}
	l.committer.Go(l.commitQueue)
	return l, nil
}

func (c *Config) check() error {
	switch {
	case c.Judge == nil:
		return configRefusal("judge", "there is no judge")
	case c.Verifier == nil:
		return configRefusal("verifier", "the log's public key is missing")
	case c.Rules == 0:
		return configRefusal("rules", "the version of the rules is missing")
	case c.InitialMmap < 0 || int64(int(c.InitialMmap)) != c.InitialMmap:
		return configRefusal("initial_mmap", "the size to map is negative or beyond this machine")
	}
	if err := proof.CheckOrigin(c.Origin); err != nil {
		return err
	}
	if c.Verifier.Name() != c.Origin {
		return configRefusal("origin", fmt.Sprintf("the log is %q but its public key is for %q", c.Origin, c.Verifier.Name()))
	}
	if c.Signer != nil && (c.Signer.Name() != c.Origin || c.Signer.KeyHash() != c.Verifier.KeyHash()) {
		return configRefusal("signer", "the log's private key does not belong to its public key")
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.InitialMmap == 0 && strconv.IntSize == 64 { // on 32 bits bbolt maps what the file needs
		c.InitialMmap = defaultMmap
	}
	if c.LockTimeout == 0 {
		c.LockTimeout = lockTimeout
	}
	return nil
}

func configRefusal(field, what string) *refusal.Error {
	return refusal.Invalidf("LEDGER_CONFIG", field, "The ledger cannot start: %s. Correct the configuration.", what).
		With("found", what)
}

// openAndLoad opens the file, reads its head and finishes an interrupted rebuild. known, if not nil, is a tree that the
// file held before and must continue. The caller holds writing and files, or is alone.
func (l *Ledger) openAndLoad(known *proof.Frontier) error {
	db, err := openFile(l.path, l.config)
	if err != nil {
		return err
	}
	l.db = db
	if err := guard(func() error { return l.load(known) }); err != nil {
		_ = l.closeFile()
		return err
	}
	return nil
}

// load takes over the file, which was opened, with its journal. Nothing is shown of it before all of it is found in order.
func (l *Ledger) load(known *proof.Frontier) error {
	var h head
	var rebuilding bool
	err := l.db.View(func(tx *bbolt.Tx) (err error) {
		h, rebuilding, err = readHead(tx, l.config)
		return err
	})
	if err != nil {
		return asUnreadable(l.path, err)
	}
	j, frames, err := openJournal(l.path)
	if err != nil {
		return err
	}
	l.journal, l.work = j, nil
	l.unsealed = l.unsealed || len(frames) > 0 // by who was here before and did not close it
	l.leaked.Store(false)
	if rebuilding {
		l.begin(h)
		if err := l.rebuild(context.Background(), nil); err != nil {
			return err
		}
	}
	h, unfolded, err := l.replay(h, frames)
	if err != nil {
		return err
	}
	if known != nil {
		if err := l.continues(h, known); err != nil {
			return err
		}
	}
	if unfolded != nil {
		return l.loadWithoutBook(h, unfolded)
	}
	if l.config.Signer != nil {
		if h.layers[0].entries > 0 {
			err := l.storeLayer(h.layers[0], h)
			if known == nil && refusal.Is(err, "LEDGER_DISK_FULL") {
				l.begin(h)
				l.freeze() // nothing is recorded before this is in the file
				l.mu.Lock()
				defer l.mu.Unlock()
				l.store.err, l.full = err, refusal.As(err)
				close(l.store.done)
				return nil
			}
			if err != nil {
				return err
			}
			h.layers = []*layer{newLayer()}
		}
		if known != nil {
			if err := l.resume(h); err != nil {
				return err
			}
		}
	}
	l.begin(h)
	return nil
}

// loadWithoutBook takes over entries that could not be folded into the file's book, which is damaged or comes of another
// program: it is rebuilt. Who opened the ledger to read it sees the entries until then.
func (l *Ledger) loadWithoutBook(h head, unfolded error) error {
	if l.config.Signer == nil {
		l.begin(h)
		l.stop(haltBook, rebuildingRefusal().Because(unfolded))
		return nil
	}
	if err := l.storeLayer(h.layers[0], h); err != nil {
		return err
	}
	h.layers = nil
	l.begin(h)
	return l.rebuild(context.Background(), nil)
}

// begin shows a head that was read, and ends a halt.
func (l *Ledger) begin(h head) {
	if h.layers == nil {
		h.layers = []*layer{newLayer()}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.head, l.halt, l.full, l.store = h, halt{}, nil, storing{}
	l.wake()
}

func (l *Ledger) closeFile() error {
	if l.db == nil {
		return nil
	}
	_ = l.storeEnded()
	if l.leaked.Load() {
		return errors.New("a write transaction could not be ended")
	}
	db, j := l.db, l.journal
	l.db, l.journal = nil, nil
	if j != nil {
		_ = j.close() // what counts was synced
	}
	return guard(db.Close)
}

// Close takes no more events, records those already queued, and closes the file. It waits for open views to end.
// Further calls return nil.
func (l *Ledger) Close() error {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return nil
	}
	l.closed = true
	close(l.grown) // wakes Wait
	l.mu.Unlock()

	close(l.closing)
	l.submits.Wait() // after this nobody sends to the queue
	close(l.queue)
	l.committer.Wait()

	l.writing.Lock()
	defer l.writing.Unlock()
	l.files.Lock()
	defer l.files.Unlock()
	if l.leaked.Load() {
		return nil // the file's lock goes with the process
	}
	l.seal()
	return l.closeFile()
}

// seal brings the file up to the end of the log, writes its head a second time and takes the journal away. The store keeps
// two heads in turn and falls back on the older one where the newer is spoiled, which would silently take away what was
// written last; after this both lead to all of it. Nothing is lost if it fails.
func (l *Ledger) seal() {
	if l.config.Signer == nil || l.stopped(haltWrites) != nil || l.settle() != nil {
		return
	}
	if l.unsealed {
		h := l.shown()
		err := guard(func() error {
			return l.db.Update(func(tx *bbolt.Tx) error { return storeHead(tx, h.tree.Size(), h.checkpoint) })
		})
		if err != nil {
			return
		}
	}
	l.journal.remove()
}

// wake ends every Wait. The caller holds mu.
func (l *Ledger) wake() {
	if !l.closed {
		close(l.grown)
		l.grown = make(chan struct{})
	}
}

func (l *Ledger) hook(point string) error {
	if l.config.Hook == nil {
		return nil
	}
	return l.config.Hook(point)
}

func closedRefusal() *refusal.Error {
	return refusal.New(refusal.Unavailable, "LEDGER_CLOSED", "",
		"The ledger is shutting down. Send the same again when the service is back.")
}

// Path returns the path of the file.
func (l *Ledger) Path() string { return filepath.Clean(l.path) }
