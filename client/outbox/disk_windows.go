package outbox

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

var errLocked = errors.New("outbox: locked by another process")

// lock locks the file at path against every other holder until the returned function is called or the process ends. The
// file stays. If not wait and the lock is held, it returns errLocked.
func lock(path string, wait bool) (unlock func(), err error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	how := uint32(windows.LOCKFILE_EXCLUSIVE_LOCK)
	if !wait {
		how |= windows.LOCKFILE_FAIL_IMMEDIATELY
	}
	err = windows.LockFileEx(windows.Handle(file.Fd()), how, 0, 1, 0, new(windows.Overlapped))
	if err != nil {
		_ = file.Close()
		if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
			return nil, errLocked
		}
		return nil, err
	}
	return func() { _ = file.Close() }, nil
}

// syncFolder has nothing to do: folders cannot be synced here, the file system orders its own names.
func syncFolder(string) error { return nil }
