//go:build !linux

package ledger

import "os"

// syncData makes the bytes of a file durable.
func syncData(f *os.File) error { return f.Sync() }
