package ledger

import "time"

// Bounds of the ledger. What is beyond them waits or is refused; nothing is dropped unsaid.
const (
	// MaxPage is the most entries that one call of Entries returns.
	MaxPage = 1000

	maxPageBytes  = 3 << 20 // bytes of the events that one call of Entries returns, below the 4 MiB of one gRPC message
	maxQueue      = 1024    // submissions that wait for the committer
	maxBatch      = 256     // submissions in one batch
	maxBatchBytes = 8 << 20 // bytes of their events, so that a batch stays small in memory
	joinYields    = 3       // yields without a new submission after which a batch has nobody at the door

	joinCompany = 8                      // events of the last batch from which on the rest of them is waited for
	joinWait    = 500 * time.Microsecond // how long

	defaultMmap  = int64(4) << 30         // bytes of address space mapped at first: growing past it stops writers and readers
	lockTimeout  = 2 * time.Second        // how long Open waits for another process to let go of the file
	fillPercent  = 0.95                   // of buckets that only grow at the end; the library's 0.5 doubles the file
	filePerm     = 0o600                  // the file holds what parties keep from each other
	maxClockTime = int64(253402300799999) // 9999-12-31T23:59:59.999Z in milliseconds, the last a leaf can carry
)

// The journal is brought into the file when this many entries are in it, or this many bytes were changed by them; as many
// again may come meanwhile. So a ledger that was not closed has at most four times as much to fold again when it is
// opened. Tests make it small.
var journalEntries = 2048

const (
	journalBytes   = 8 << 20
	minJournal     = 64 << 10 // bytes by which its files grow, at first
	maxJournalStep = 1 << 20  // and later
)

// replayBytes bounds the events that are folded in one transaction, or read in one view, when many are. The store keeps a
// page that it changes whole until the commit, and to put a key between older ones it moves all after it: a chunk of
// entries that say much, such as pours of fifty bars, would move megabytes for each key.
const replayBytes = 64 << 10

// chunksAhead is how many chunks of a replay, a check or an import wait for the one in work.
const chunksAhead = 2

// healEvery is how long a ledger whose disk was full waits before it tries again to go on. Tests make it short.
var healEvery = time.Second

// replayChunk is how many entries are folded in one transaction, or read in one view, when they are small. Tests make it
// small.
var replayChunk uint64 = 256
