package ledger

import (
	"os"
	"syscall"
)

// syncData makes the bytes of a file durable, and its length if that has changed.
func syncData(f *os.File) error {
	for {
		if err := syscall.Fdatasync(int(f.Fd())); err != syscall.EINTR {
			return err
		}
	}
}
