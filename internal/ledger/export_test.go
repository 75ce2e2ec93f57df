package ledger

import "time"

// Tests cross the bounds between chunks and turns of the journal with few entries, and wait little for a disk that was full.
func init() { replayChunk, journalEntries, healEvery = 100, 60, 20*time.Millisecond }
