package main

import (
	"bytes"
	"crypto/rand"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// The log key signs checkpoints. Whoever can read it can sign a log that says something else; whoever can alter it can
// only stop the server. It has no passphrase, because a server must start without anybody at hand: the file's permissions
// and the machine keep it. The public half is what clients pin.

const maxLogKeyFile = 4096 // bytes

// logKey is a log key with its public half.
type logKey struct {
	signer   proof.Signer
	verifier proof.Verifier
	public   string
}

// origin is the name of the log; the key carries it.
func (k logKey) origin() string { return k.verifier.Name() }

type access bool

const (
	reading access = false
	writing access = true
)

// config is how a ledger under this key is opened. For reading the private key stays out of it, so nothing can be recorded.
func (k logKey) config(a access) ledger.Config {
	c := ledger.Config{Judge: book.New(), Origin: k.origin(), Verifier: k.verifier, Rules: book.Rules}
	if a == writing {
		c.Signer = k.signer
	}
	return c
}

// newLogKey makes a key for the log named origin and writes it to a new file that its owner alone may read.
func newLogKey(path, origin string) (logKey, error) {
	private, public, err := proof.GenerateKey(rand.Reader, origin)
	if err != nil {
		return logKey{}, err
	}
	k := logKey{public: public}
	if k.signer, k.verifier, err = proof.NewSigner(private); err != nil {
		return logKey{}, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return logKey{}, refusal.New(refusal.Exists, "LOG_KEY_EXISTS", "log_key",
			"There is a file at %s already. A log keeps its key for ever; name another path for a new log.", path).About(path)
	}
	if err != nil {
		return logKey{}, logKeyNotWritten(path, err)
	}
	_, err = io.WriteString(f, private+"\n"+public+"\n")
	err = errors.Join(err, f.Sync(), f.Close(), syncFolder(filepath.Dir(path)))
	if err != nil {
		return logKey{}, errors.Join(logKeyNotWritten(path, err), os.Remove(path))
	}
	return k, nil
}

func logKeyNotWritten(path string, err error) error {
	return refusal.New(refusal.Unavailable, "LOG_KEY_NOT_WRITTEN", "log_key",
		"The log key could not be written to %s. See that the folder exists, may be written to and has room.", path).
		About(path).Because(err)
}

// syncFolder makes a new name in a folder survive a power cut, where the system can.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// missing refuses when there is no ledger, before its key is looked for: of two files that are not there, the operator
// misses the ledger.
func (w where) missing() error {
	if _, err := os.Stat(w.Ledger); errors.Is(err, fs.ErrNotExist) {
		return refusal.New(refusal.NotFound, "LEDGER_MISSING", "ledger",
			"There is no ledger at %s. See that the disk is mounted and the path is right; a new ledger is made by "+
				"`barward-server init` only.", w.Ledger).About(w.Ledger).Because(err)
	}
	return nil
}

// readLogKey reads the file that newLogKey wrote: the private key, and the public one, on a line each.
func readLogKey(path string) (logKey, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return logKey{}, refusal.New(refusal.NotFound, "LOG_KEY_MISSING", "log_key",
			"There is no log key at %s. `barward-server init` makes a ledger and its log key; name this ledger's key with "+
				"--log-key.", path).About(path).Because(err)
	}
	if err != nil {
		return logKey{}, logKeyUnreadable(path, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return logKey{}, logKeyUnreadable(path, err)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return logKey{}, refusal.New(refusal.Precondition, "LOG_KEY_OPEN_TO_OTHERS", "log_key",
			"Others than its owner may use the log key %s (mode %04o). Run `chmod 600` on it; if somebody may have read it, "+
				"tell the parties, for with it a false log can be signed.", path, info.Mode().Perm()).About(path)
	}
	text, err := io.ReadAll(io.LimitReader(f, maxLogKeyFile))
	if err != nil {
		return logKey{}, logKeyUnreadable(path, err)
	}
	private, public, found := bytes.Cut(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
	if !found {
		return logKey{}, logKeyUnreadable(path, errors.New("it has not two lines"))
	}
	k := logKey{public: string(public)}
	if k.signer, k.verifier, err = proof.NewSigner(string(private)); err != nil {
		return logKey{}, logKeyUnreadable(path, err)
	}
	said, err := proof.NewVerifier(k.public)
	if err != nil {
		return logKey{}, logKeyUnreadable(path, err)
	}
	if said.Name() != k.verifier.Name() || said.KeyHash() != k.verifier.KeyHash() {
		return logKey{}, logKeyUnreadable(path, errors.New("its two keys do not belong together"))
	}
	return k, nil
}

func logKeyUnreadable(path string, err error) error {
	return refusal.New(refusal.Precondition, "LOG_KEY_UNREADABLE", "log_key",
		"The file %s cannot be read as a log key. Name the key that init wrote, or restore a copy of it.", path).
		About(path).Because(err)
}
