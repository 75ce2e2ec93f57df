//go:build unix

package station

import (
	"errors"
	"os"
)

// syncFolder puts the names in a folder on the disk: a file that is synced can still lose its name in a power cut.
func syncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
