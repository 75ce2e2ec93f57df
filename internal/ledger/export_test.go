package ledger

import "time"

// Tests cross the bounds between chunks with few entries, and wait little for a disk that was full.
func init() { replayChunk, healEvery = 100, 20*time.Millisecond }
