// Package identity says who somebody is and what they may do: keys, self-issued tokens, roles, and who sees what.
//
// A person is an Ed25519 key (RFC 8032). The key signs every event that the person records, and a short-lived token for
// every call (token.go); it lies in a file that a passphrase opens (keyfile.go). The service knows the public half only,
// registered when the person was enrolled. What a person may record, and what a party may see, is the matrix in
// matrix.go, which is meant to be read by an auditor.
//
// Invariants:
//
//  1. The seed of a key leaves this package in one place only, Key.Private, and no error, print or JSON shows it.
//  2. A token proves a key only for one audience, for at most MaxTokenLife, and only by Ed25519.
//  3. What the matrix does not name is not allowed.
//
// Left out, because they depend on the state of the book: that an administrator enrols persons of its own party only,
// that nobody signs both sides of a hand-off, that a witness is a second person, that a grant is in time.
package identity

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"io"

	"barward/internal/refusal"
)

// KeyID names a key: the 32 bytes of the public key as 64 lower-case hexadecimal digits. It is the whole key, so a
// signature can be checked from its KeyID alone, and two keys never share one.
type KeyID string

// KeyIDOf returns the id of a public key. It panics on a key that is not 32 bytes, as crypto/ed25519 does; what comes
// from outside goes through ParseKeyID.
func KeyIDOf(public ed25519.PublicKey) KeyID {
	if len(public) != ed25519.PublicKeySize {
		panic("identity: a public key has 32 bytes")
	}
	return KeyID(hex.EncodeToString(public))
}

// ParseKeyID reads a key id as somebody gave it. It refuses what is not 64 lower-case hexadecimal digits
// (KEY_ID_MALFORMED), and a key under which anybody's signature could be made to verify (KEY_WEAK).
func ParseKeyID(text string) (KeyID, error) {
	public, err := hex.DecodeString(text)
	if err != nil || len(public) != ed25519.PublicKeySize || hex.EncodeToString(public) != text {
		return "", refusal.Invalidf("KEY_ID_MALFORMED", "key_id",
			"%s is not a key id. A key id is the public key as 64 digits 0-9 and a-f; copy it from `barward person`.",
			quote(text)).With("key_id", quote(text))
	}
	if weak(public) {
		return "", refusal.Invalidf("KEY_WEAK", "key_id",
			"The key %s is one of the few for which anybody can make a signature. Make a new key and register that.",
			text).With("key_id", text)
	}
	return KeyID(text), nil
}

// Public returns the public key, or a refusal if id did not come from KeyIDOf or ParseKeyID.
func (id KeyID) Public() (ed25519.PublicKey, error) {
	if _, err := ParseKeyID(string(id)); err != nil {
		return nil, err
	}
	public, err := hex.DecodeString(string(id))
	return public, err
}

// Short returns the first 64 bits in groups of four digits, to be compared by eye. Programs compare the whole id.
func (id KeyID) Short() string {
	if len(id) < 16 {
		return string(id)
	}
	return string(id[0:4] + "-" + id[4:8] + "-" + id[8:12] + "-" + id[12:16])
}

// smallOrder holds the y coordinates of the points of order 1, 2, 4 and 8, little-endian, sign bit clear. With such a
// point as public key a signature without any private key verifies for one message in eight or more, so whoever
// registered it could later say that somebody else signed.
var smallOrder = [][]byte{
	mustHex("0000000000000000000000000000000000000000000000000000000000000000"), // order 4
	mustHex("0100000000000000000000000000000000000000000000000000000000000000"), // order 1
	mustHex("ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f"), // order 2, y = p-1
	mustHex("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05"), // order 8
	mustHex("c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a"), // order 8
}

// fieldPrime is p = 2^255 - 19, little-endian. A y of p or more is a second spelling of a smaller one; one key must have
// one id.
var fieldPrime = mustHex("edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f")

func weak(public []byte) bool {
	y := bytes.Clone(public)
	y[31] &= 0x7f
	for _, point := range smallOrder {
		if bytes.Equal(y, point) {
			return true
		}
	}
	for i := 31; i >= 0; i-- {
		if y[i] != fieldPrime[i] {
			return y[i] > fieldPrime[i]
		}
	}
	return true
}

func mustHex(text string) []byte {
	b, err := hex.DecodeString(text)
	if err != nil {
		panic(err)
	}
	return b
}

// Key is the private key of one person. It prints as its id and refuses to be serialised: keys are saved by SaveKey.
// The zero Key holds no key and signs nothing.
type Key struct {
	// A function, because fmt shows no more of one than its address. It does not ask Format where a key stands in an
	// unexported field of another struct, and would print the bytes of a slice there, and behind a pointer too.
	private func() ed25519.PrivateKey
}

func keyFromSeed(seed []byte) Key {
	private := ed25519.NewKeyFromSeed(seed)
	return Key{func() ed25519.PrivateKey { return private }}
}

// NewKey makes a key from chance, which is crypto/rand.Reader outside tests.
func NewKey(chance io.Reader) (Key, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(chance, seed); err != nil {
		return Key{}, refusal.New(refusal.Internal, "KEY_NO_CHANCE", "",
			"No random numbers could be had from the operating system, so no key was made.").Because(err)
	}
	return keyFromSeed(seed), nil
}

// IsZero reports whether k holds no key.
func (k Key) IsZero() bool { return k.private == nil }

// Public returns the public key, nil for the zero Key.
func (k Key) Public() ed25519.PublicKey {
	if k.IsZero() {
		return nil
	}
	return bytes.Clone(k.private()[ed25519.SeedSize:])
}

// ID returns the id of the public key, empty for the zero Key.
func (k Key) ID() KeyID {
	if k.IsZero() {
		return ""
	}
	return KeyIDOf(k.Public())
}

// Private returns the private key for packages that sign with it, nil for the zero Key. The caller must neither keep nor
// print it.
func (k Key) Private() ed25519.PrivateKey {
	if k.IsZero() {
		return nil
	}
	return k.private()
}

// Format prints the id whatever the verb, so that no log line or error can show the seed.
func (k Key) Format(state fmt.State, _ rune) {
	if k.IsZero() {
		_, _ = io.WriteString(state, "no key")
		return
	}
	_, _ = io.WriteString(state, "key "+k.ID().Short())
}

// MarshalText refuses: a key is saved by SaveKey and in no other way.
func (k Key) MarshalText() ([]byte, error) {
	return nil, refusal.New(refusal.Internal, "KEY_NOT_SERIALISABLE", "", "A private key is saved by SaveKey only.")
}

// Caller is a registered person on whose behalf a call is made.
type Caller struct {
	KeyID     KeyID
	PersonID  string
	PartyID   string
	PartyKind PartyKind
	Roles     []Role
	Reach     []Reach // what others let a party of auditors read at the time of the call; nobody else has any
}

// Reach is one grant of leave to read, in its time: sorts of information that Grantor may read, over some consignments.
type Reach struct {
	Grantor      string
	Whats        []What
	Consignments []string // `party/number`; empty means all that the grantor may read
}

// Grants reports whether a grant covers a sort of information.
func (r Reach) Grants(what What) bool {
	for _, w := range r.Whats {
		if w == what {
			return true
		}
	}
	return false
}

// HasRole reports whether the caller was given role.
func (c Caller) HasRole(role Role) bool {
	for _, r := range c.Roles {
		if r == role {
			return true
		}
	}
	return false
}

// quote shows untrusted text in a message: bounded, and printable on any terminal.
func quote(text string) string {
	const show = 80
	if len(text) > show {
		return fmt.Sprintf("%+q and %d bytes more", text[:show], len(text)-show)
	}
	return fmt.Sprintf("%+q", text)
}
