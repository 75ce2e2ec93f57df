package outbox

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/ledger/proof"
)

func withHash(body []byte) []byte {
	sum := sha256.Sum256(body)
	return append([]byte(magic+hex.EncodeToString(sum[:])+"\n"), body...)
}

// note signs a checkpoint of an invented log.
func note(t testing.TB, origin string, size uint64) []byte {
	t.Helper()
	private, _, err := proof.GenerateKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	signer, _, err := proof.NewSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := proof.SignCheckpoint(proof.Checkpoint{Origin: origin, Size: size, Root: proof.Hash{1, byte(size)}}, signer)
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

func wantCheckpoint(t testing.TB, o *Outbox, want []byte) {
	t.Helper()
	if got, err := o.LoadCheckpoint(); err != nil || !bytes.Equal(got, want) {
		t.Errorf("remembered %q, %v; want %q", got, err, want)
	}
}

func TestCheckpoint(t *testing.T) {
	const origin = "ledger.example/umbrivane" // invented
	folder := tempDir(t)
	o := open(t, folder)
	wantCheckpoint(t, o, nil)
	five, nine := note(t, origin, 5), note(t, origin, 9)
	for _, signed := range [][]byte{five, five, nine} {
		if err := o.SaveCheckpoint(signed); err != nil {
			t.Fatal(err)
		}
		wantCheckpoint(t, open(t, folder), signed)
	}
	wantReason(t, o.SaveCheckpoint(five), "CHECKPOINT_OLDER")
	wantReason(t, o.SaveCheckpoint(note(t, "ledger.example/other", 10)), "CHECKPOINT_OTHER_LOG")
	for _, bad := range [][]byte{nil, []byte("x"), []byte("x\n\n"), nine[:40], bytes.Repeat([]byte("a\n\n"), proof.MaxNote)} {
		if err := o.SaveCheckpoint(bad); err == nil {
			t.Errorf("saved %.40q", bad)
		}
	}
	wantCheckpoint(t, o, nine)
	// A failure of the disk leaves the one before, or, if the name was already there, the new one.
	for point, want := range map[string][]byte{"before checkpoint draft": nine, "after checkpoint draft": nine,
		"before checkpoint name": nine} {
		o.step = func(p string) error {
			if p == point {
				return os.ErrDeadlineExceeded
			}
			return nil
		}
		wantReason(t, o.SaveCheckpoint(note(t, origin, 12)), "OUTBOX_NOT_WRITTEN")
		wantCheckpoint(t, o, want)
	}
	o.step = nil
	if left, err := os.ReadDir(filepath.Join(folder, "drafts")); err != nil || len(left) != 0 {
		t.Errorf("drafts left: %v, %v", left, err)
	}
}

// A checkpoint that cannot be read is not taken for none, and not overwritten: that would forget what the log promised.
func TestDamagedCheckpoint(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	path := filepath.Join(folder, "checkpoint")
	good := note(t, "ledger.example/umbrivane", 9)
	for name, content := range map[string]string{"empty": "", "cut": string(good[:30]), "zeroes": strings.Repeat("\x00", 200),
		"too long": string(good) + strings.Repeat("x", proof.MaxNote)} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := o.LoadCheckpoint()
		wantReason(t, err, "CHECKPOINT_FILE_DAMAGED")
		wantReason(t, o.SaveCheckpoint(good), "CHECKPOINT_FILE_DAMAGED")
		if now, _ := os.ReadFile(path); string(now) != content {
			t.Errorf("%s: the file changed", name)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(path, 0o700); err != nil {
		t.Fatal(err)
	}
	_, err := o.LoadCheckpoint()
	wantReason(t, err, "CHECKPOINT_FILE_DAMAGED")
}
