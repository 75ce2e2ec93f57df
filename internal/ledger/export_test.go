package ledger

// Tests cross the bounds between chunks with few entries.
func init() { replayChunk = 100 }
