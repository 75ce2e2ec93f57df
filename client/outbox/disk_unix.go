//go:build unix

package outbox

import (
	"errors"
	"os"
	"syscall"
)

var errLocked = errors.New("outbox: locked by another process")

// lock locks the file at path against every other holder, in this process too, until the returned function is called or
// the process ends, however it ends. The file stays: deleted, it would let two holders lock two files of one name. If not
// wait and the lock is held, it returns errLocked.
func lock(path string, wait bool) (unlock func(), err error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	how := syscall.LOCK_EX
	if !wait {
		how |= syscall.LOCK_NB
	}
	for {
		err = syscall.Flock(int(file.Fd()), how)
		if err != syscall.EINTR {
			break
		}
	}
	if err != nil {
		_ = file.Close()
		if err == syscall.EWOULDBLOCK {
			return nil, errLocked
		}
		return nil, err
	}
	return func() { _ = file.Close() }, nil
}

// syncFolder puts the names in folder on the disk: a file that is synced can still lose its name in a power cut.
func syncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
