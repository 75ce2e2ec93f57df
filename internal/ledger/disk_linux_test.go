package ledger_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
)

// A real disk without room: a small file system in memory, filled to the last block. TestFileMayNotGrow covers the same
// path without root.
func TestDiskFull(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("mounting a small file system takes root")
	}
	dir := t.TempDir()
	if err := syscall.Mount("ledger-test", dir, "tmpfs", 0, "size=3m"); err != nil {
		t.Skipf("mounting a small file system: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	path, ballast := filepath.Join(dir, "ledger"), filepath.Join(dir, "ballast")
	l, err := ledger.Create(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	write(t, ballast, make([]byte, 2<<20))
	wantWentOn(t, path, child(ctx, "fill", path, "LEDGER_CHILD_BALLAST="+ballast))

	// With no room at all, creating a ledger fails cleanly and leaves nothing.
	filler, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = filler.Write(make([]byte, 4096))
	}
	if err := errors.Join(filler.Close()); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.Create(filepath.Join(dir, "second"), ledgertest.Config())
	wantReason(t, err, "LEDGER_NOT_CREATED")
	if names, _ := os.ReadDir(dir); len(names) != 2 {
		t.Errorf("left behind: %v", names)
	}
}
