package identity

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"unicode"
	"unicode/utf8"

	"filippo.io/age"
	"filippo.io/age/armor"

	"barward/internal/refusal"
)

// A key file is an age file (age-encryption.org/v1) in its text form, sealed with a passphrase by scrypt, so that the
// common tool of that format can open it too. Inside is one line of JSON. Whoever can alter a key file can make it
// useless, and can put in its place one of their own that their own passphrase opens, but cannot change what is inside.

// keyFileFormat is the first thing inside, so that another sealed text is never taken for a key.
const keyFileFormat = "barward key v1"

// UsualWorkFactor is the scrypt work factor (2^18 rounds, about a second) that a person's key file should have.
const UsualWorkFactor = 18

// sealedKey is what is inside a key file.
type sealedKey struct {
	Format string `json:"format"`
	Person string `json:"person"` // a label for the person's own eye; the registry knows the person by the key
	Key    KeyID  `json:"key"`
	Seed   string `json:"seed"` // the private key as RFC 8032 defines it, 32 bytes in hexadecimal
}

// SaveKey writes key to a new file at path, sealed with passphrase, readable by its owner only. It never overwrites
// (KEY_FILE_EXISTS); the file appears whole and on the disk, or not at all. work is the scrypt work factor, from 10 to
// 20: UsualWorkFactor but for tests.
func SaveKey(path string, key Key, person, passphrase string, work int) error {
	sealed, err := sealKey(key, person, passphrase, work)
	if err != nil {
		return err
	}
	return writeKeyFile(path, sealed, false)
}

// LoadKey opens the key file at path and returns the key and the label of its person. Refusals:
//
//	KEY_FILE_NOT_FOUND       there is no such file
//	KEY_FILE_OPEN_TO_OTHERS  somebody besides its owner may read or change it (not checked on Windows)
//	KEY_FILE_UNREADABLE      it is no key file, or was damaged
//	KEY_PASSPHRASE_WRONG     the passphrase does not open it
func LoadKey(path, passphrase string) (Key, string, error) {
	sealed, err := readKeyFile(path)
	if err != nil {
		return Key{}, "", err
	}
	return openKey(sealed, passphrase)
}

// ChangePassphrase seals the key at path anew. The old file stays until the new one is on the disk. It cannot reach the
// copies of the old file that a backup or a thief may hold: if the old passphrase is known to others, make a new key.
func ChangePassphrase(path, old, renewed string, work int) error {
	key, person, err := LoadKey(path, old)
	if err != nil {
		return err
	}
	sealed, err := sealKey(key, person, renewed, work)
	if err != nil {
		return err
	}
	return writeKeyFile(path, sealed, true)
}

// sealKey returns the bytes of a key file.
func sealKey(key Key, person, passphrase string, work int) ([]byte, error) {
	if key.IsZero() {
		return nil, refusal.Invalidf("KEY_MISSING", "key", "There is no key to save. Make one first.")
	}
	if err := checkLabel(person); err != nil {
		return nil, err
	}
	if err := checkPassphrase(passphrase); err != nil {
		return nil, err
	}
	if work < minWorkFactor || work > maxWorkFactor {
		return nil, refusal.Invalidf("KEY_WORK_FACTOR", "work",
			"The work factor of a key file is %d to %d; found %d. Use %d.", minWorkFactor, maxWorkFactor, work, UsualWorkFactor)
	}
	recipient, err := age.NewScryptRecipient(passphrase)
	if err != nil {
		return nil, sealFailed(err)
	}
	recipient.SetWorkFactor(work)
	inside, err := json.Marshal(sealedKey{keyFileFormat, person, key.ID(), hex.EncodeToString(key.Private().Seed())})
	if err != nil {
		return nil, sealFailed(err)
	}
	var sealed bytes.Buffer
	text := armor.NewWriter(&sealed)
	w, err := age.Encrypt(text, recipient)
	if err != nil {
		return nil, sealFailed(err)
	}
	if _, err := w.Write(append(inside, '\n')); err != nil {
		return nil, sealFailed(err)
	}
	if err := errors.Join(w.Close(), text.Close()); err != nil {
		return nil, sealFailed(err)
	}
	return sealed.Bytes(), nil
}

// openKey is the inverse of sealKey. It takes any bytes.
func openKey(sealed []byte, passphrase string) (Key, string, error) {
	if passphrase == "" {
		return Key{}, "", passphraseWrong(nil) // the library refuses an empty one with an error of another kind
	}
	identity, err := age.NewScryptIdentity(passphrase)
	if err != nil {
		return Key{}, "", passphraseWrong(err)
	}
	identity.SetMaxWorkFactor(maxWorkFactor)
	r, err := age.Decrypt(armor.NewReader(bytes.NewReader(sealed)), identity)
	if err != nil {
		// Only a scrypt file can say "wrong passphrase"; one that is sealed to something else is no key file of ours.
		var none *age.NoIdentityMatchError
		if errors.As(err, &none) && len(none.StanzaTypes) == 1 && none.StanzaTypes[0] == "scrypt" {
			return Key{}, "", passphraseWrong(err)
		}
		return Key{}, "", unreadable("it is not a key file, or was damaged", err)
	}
	inside, err := io.ReadAll(io.LimitReader(r, maxKeyFile+1))
	if err != nil {
		return Key{}, "", unreadable("it was cut or damaged", err)
	}
	if len(inside) > maxKeyFile {
		return Key{}, "", unreadable("it is too long", nil)
	}
	// From here on an error of a parser could quote what is inside, so none is kept as cause.
	var found sealedKey
	decoder := json.NewDecoder(bytes.NewReader(inside))
	decoder.DisallowUnknownFields()
	if decoder.Decode(&found) != nil || found.Format != keyFileFormat {
		return Key{}, "", unreadable("what is sealed in it is not a `"+keyFileFormat+"`", nil)
	}
	seed, err := hex.DecodeString(found.Seed)
	if err != nil || len(seed) != ed25519.SeedSize {
		return Key{}, "", unreadable("the key in it has the wrong form", nil)
	}
	key := keyFromSeed(seed)
	if key.ID() != found.Key {
		return Key{}, "", unreadable("the public and the private key in it do not belong together", nil)
	}
	if checkLabel(found.Person) != nil {
		return Key{}, "", unreadable("the person in it has the wrong form", nil)
	}
	return key, found.Person, nil
}

func readKeyFile(path string) ([]byte, error) {
	info, err := os.Stat(path) // before opening: opening a pipe would wait for ever
	if errors.Is(err, fs.ErrNotExist) {
		return nil, refusal.New(refusal.NotFound, "KEY_FILE_NOT_FOUND", "",
			"There is no key file at %s. Give the path of your key file, or make one.", quote(path)).
			With("path", quote(path)).Because(err)
	}
	if err != nil {
		return nil, unreadable("the system does not let us look at it", err)
	}
	if !info.Mode().IsRegular() {
		return nil, unreadable("it is not an ordinary file", nil)
	}
	if open := info.Mode().Perm() & 0o077; open != 0 && runtime.GOOS != "windows" {
		return nil, refusal.New(refusal.Precondition, "KEY_FILE_OPEN_TO_OTHERS", "",
			"The key file %s has mode %04o: others than its owner may use it. Allow its owner only (chmod 600), and "+
				"think whether somebody may have copied it.", quote(path), info.Mode().Perm()).With("path", quote(path))
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, unreadable("the system does not let us open it", err)
	}
	sealed, err := io.ReadAll(io.LimitReader(file, maxKeyFile+1))
	_ = file.Close() // nothing was written
	if err != nil {
		return nil, unreadable("the disk does not give it back", err)
	}
	if len(sealed) > maxKeyFile {
		return nil, unreadable("it is too long for a key file", nil)
	}
	return sealed, nil
}

// writeKeyFile puts sealed at path by way of a file beside it. A link, unlike a rename, fails if the name is taken, so
// two commands that make a key at the same moment cannot overwrite each other.
func writeKeyFile(path string, sealed []byte, replace bool) error {
	folder := filepath.Dir(path)
	file, err := os.CreateTemp(folder, ".key-*") // mode 0600
	if err != nil {
		return notWritten(path, err)
	}
	draft := file.Name()
	_, err = file.Write(sealed)
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil && replace {
		err = os.Rename(draft, path)
	} else if err == nil {
		err = errors.Join(os.Link(draft, path), os.Remove(draft))
	}
	if err != nil {
		_ = os.Remove(draft)
		if errors.Is(err, fs.ErrExist) {
			return refusal.New(refusal.Exists, "KEY_FILE_EXISTS", "",
				"There is already a file at %s, and a key is never overwritten. Choose another name.", quote(path)).
				With("path", quote(path)).Because(err)
		}
		return notWritten(path, err)
	}
	if err := syncFolder(folder); err != nil {
		return notWritten(path, err)
	}
	return nil
}

// checkPassphrase bounds a new passphrase. It says nothing about the passphrase but its length.
func checkPassphrase(passphrase string) error {
	n := utf8.RuneCountInString(passphrase)
	switch {
	case !utf8.ValidString(passphrase) || strings.ContainsFunc(passphrase, unicode.IsControl):
		return refusal.Invalidf("PASSPHRASE_MALFORMED", "passphrase",
			"The passphrase has bytes that cannot be typed. Use letters, digits, marks and blanks.")
	case n < minPassphrase || len(passphrase) > maxPassphrase:
		return refusal.Invalidf("PASSPHRASE_LENGTH", "passphrase",
			"The passphrase has %d characters, %d or more are needed (and at most %d bytes). Several words are easy to keep.",
			n, minPassphrase, maxPassphrase)
	}
	return nil
}

func checkLabel(person string) error {
	if person == "" || len(person) > maxPersonLabel || !utf8.ValidString(person) ||
		strings.ContainsFunc(person, unicode.IsControl) {
		return refusal.Invalidf("KEY_LABEL", "person",
			"The label of a key is 1 to %d bytes of text on one line; found %s.", maxPersonLabel, quote(person))
	}
	return nil
}

func passphraseWrong(cause error) *refusal.Error {
	return refusal.Invalidf("KEY_PASSPHRASE_WRONG", "passphrase",
		"The passphrase does not open this key file. Type it again; if it is right, the file was damaged: take the backup.").
		Because(cause)
}

func unreadable(what string, cause error) *refusal.Error {
	return refusal.New(refusal.Precondition, "KEY_FILE_UNREADABLE", "",
		"The key file cannot be read: %s. Take the backup of it, or make a new key and have it enrolled.", what).
		With("found", what).Because(cause)
}

func notWritten(path string, cause error) *refusal.Error {
	return refusal.New(refusal.Unavailable, "KEY_FILE_NOT_WRITTEN", "",
		"The key file could not be written to %s. See that the folder exists, is yours and has room, then try again.",
		quote(path)).With("path", quote(path)).Because(cause)
}

func sealFailed(cause error) *refusal.Error {
	return refusal.New(refusal.Internal, "KEY_NOT_SEALED", "", "The key could not be sealed.").Because(cause)
}
