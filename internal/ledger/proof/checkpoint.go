package proof

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"io"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"

	"barward/internal/refusal"
)

// A Checkpoint is what the log says about itself at one size: these entries, in this order, and no others. Signed, it
// binds the log; two that contradict each other prove that it lied. Checkpoints compare with ==.
type Checkpoint struct {
	Origin string // the log's name, unique to it; also the name of its key
	Size   uint64 // entries, at most MaxTree
	Root   Hash   // RFC 6962 root of the tree of Size entries

	// Extensions are further lines, each ended by a newline and none empty. We write none, and keep what we read so that
	// a checkpoint prints back to the bytes that were signed.
	Extensions string
}

// A Signer signs checkpoints with the log's private key; a Verifier checks them with its public key.
type (
	Signer   = note.Signer
	Verifier = note.Verifier
)

// GenerateKey makes a key for the log named origin and returns the private and the public key in the text forms of
// C2SP signed-note. The private text must be kept secret. random is crypto/rand.Reader outside tests.
//
// Reason: ORIGIN_MALFORMED. An error of random is returned as it is.
func GenerateKey(random io.Reader, origin string) (private, public string, err error) {
	if err := CheckOrigin(origin); err != nil {
		return "", "", err
	}
	return note.GenerateKey(random, origin)
}

// NewSigner reads a private key as GenerateKey writes it and returns the signer and the verifier that belong together.
//
// Reason: LOG_KEY_MALFORMED. The refusal never holds any part of the key.
func NewSigner(private string) (Signer, Verifier, error) {
	bad := refusal.Invalidf("LOG_KEY_MALFORMED", "private_key",
		"The log's private key cannot be read. It is one line that begins with PRIVATE+KEY+, as made when the log was created; "+
			"restore it from its backup.")
	private = strings.TrimSuffix(private, "\n")
	signer, err := note.NewSigner(private)
	if err != nil || strings.ContainsAny(private, "\r\n") { // base64 would skip line breaks
		return nil, nil, bad.Because(err)
	}
	// PRIVATE+KEY+name+hash+base64, where only the last part may hold a plus of its own.
	encoded := strings.SplitN(private, "+", 5)[4]
	raw, err := base64.StdEncoding.DecodeString(encoded)
	if err != nil || len(raw) != 1+ed25519.SeedSize {
		return nil, nil, bad
	}
	public := ed25519.NewKeyFromSeed(raw[1:]).Public().(ed25519.PublicKey)
	text, err := note.NewEd25519VerifierKey(signer.Name(), public)
	if err != nil {
		return nil, nil, bad
	}
	verifier, err := note.NewVerifier(text)
	if err != nil || verifier.KeyHash() != signer.KeyHash() {
		return nil, nil, bad
	}
	return signer, verifier, nil
}

// NewVerifier reads a public key as GenerateKey writes it: name+hash+base64.
//
// Reason: LOG_KEY_MALFORMED.
func NewVerifier(public string) (Verifier, error) {
	public = strings.TrimSuffix(public, "\n")
	v, err := note.NewVerifier(public)
	if err != nil || strings.ContainsAny(public, "\r\n") {
		return nil, refusal.Invalidf("LOG_KEY_MALFORMED", "public_key",
			"The log's public key cannot be read. It is one line, name+hash+base64, as the log's operator publishes it; "+
				"copy it again.").Because(err)
	}
	return v, nil
}

// CheckOrigin refuses a name that no log may have: empty, longer than MaxOrigin, or with a space, a control character or
// a plus, which the text forms of keys and notes cannot carry.
//
// Reason: ORIGIN_MALFORMED.
func CheckOrigin(origin string) error {
	bad := func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == '+' }
	if origin == "" || len(origin) > MaxOrigin || !utf8.ValidString(origin) || strings.ContainsFunc(origin, bad) {
		return refusal.Invalidf("ORIGIN_MALFORMED", "origin",
			"%.40q cannot name a log: a name has 1 to %d bytes of UTF-8 without spaces, control characters or a plus sign. "+
				"A host and path without scheme is advised, such as ledger.example/gold-room.", origin, MaxOrigin).
			With("found", strconv.QuoteToASCII(origin[:min(len(origin), 40)])).With("allowed", strconv.Itoa(MaxOrigin))
	}
	return nil
}

// Marshal returns the body that gets signed: origin, size, root, extension lines (C2SP tlog-checkpoint).
func (c Checkpoint) Marshal() []byte {
	return []byte(c.Origin + "\n" + format(c.Size) + "\n" + base64.StdEncoding.EncodeToString(c.Root[:]) + "\n" +
		c.Extensions)
}

// SignCheckpoint returns c as a signed note.
//
// Reason: CHECKPOINT_MALFORMED if ParseBody could not read it back.
func SignCheckpoint(c Checkpoint, signer Signer) ([]byte, error) {
	body := c.Marshal()
	if back, err := ParseBody(body); err != nil {
		return nil, err
	} else if back != c {
		return nil, badCheckpoint("it would not read back as written")
	}
	return note.Sign(&note.Note{Text: string(body)}, signer)
}

// OpenCheckpoint reads a signed checkpoint and checks that the log named origin signed it with key. Signatures by other
// keys, such as witnesses', are ignored, as C2SP signed-note demands.
//
// Reasons, in this order: CHECKPOINT_TOO_LARGE, CHECKPOINT_UNREADABLE (no signed note), CHECKPOINT_SIGNATURE_INVALID
// (the key's signature is wrong), CHECKPOINT_UNSIGNED (none by the key), CHECKPOINT_MALFORMED, CHECKPOINT_ORIGIN.
func OpenCheckpoint(signed []byte, origin string, key Verifier) (Checkpoint, error) {
	if len(signed) > MaxNote {
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_TOO_LARGE", "checkpoint",
			"The signed checkpoint has %d bytes; at most %d are allowed. Fetch it again.", len(signed), MaxNote).
			With("length", strconv.Itoa(len(signed))).With("allowed", strconv.Itoa(MaxNote))
	}
	n, err := note.Open(signed, note.VerifierList(key))
	var wrong *note.InvalidSignatureError
	var unverified *note.UnverifiedNoteError
	switch {
	case errors.As(err, &wrong):
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_SIGNATURE_INVALID", "checkpoint",
			"The checkpoint's signature does not verify with the log's key %s. It was changed after signing: do not rely on it.",
			key.Name()).With("key", key.Name()).Because(err)
	case errors.As(err, &unverified):
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_UNSIGNED", "checkpoint",
			"No signature on the checkpoint is by the key of %s that is known here. Ask the log's operator for the checkpoint, and "+
				"whether the key was replaced.", key.Name()).With("key", key.Name()).Because(err)
	case err != nil:
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_UNREADABLE", "checkpoint",
			"This is not a signed checkpoint: text, an empty line, then signature lines, each ended by a newline. Fetch it again.").
			Because(err)
	}
	for _, sig := range append(n.Sigs, n.UnverifiedSigs...) {
		// Two spellings of one signature would let a copy be altered unseen.
		if _, err := base64.StdEncoding.Strict().DecodeString(sig.Base64); err != nil {
			return Checkpoint{}, refusal.Invalidf("CHECKPOINT_UNREADABLE", "checkpoint",
				"A signature line of the checkpoint is not base64 as it is written. Fetch it again.").Because(err)
		}
	}
	c, err := ParseBody([]byte(n.Text))
	if err != nil {
		return Checkpoint{}, err
	}
	if c.Origin != origin {
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_ORIGIN", "checkpoint",
			"The checkpoint is of the log %q, not of %q. Compare only checkpoints of one log.", c.Origin, origin).
			With("found", c.Origin).With("allowed", origin)
	}
	return c, nil
}

// ParseBody reads a checkpoint's body strictly: what it accepts, Marshal prints back to the same bytes. It checks no
// signature.
//
// Reason: CHECKPOINT_MALFORMED.
func ParseBody(body []byte) (Checkpoint, error) {
	if len(body) > MaxNote {
		return Checkpoint{}, badCheckpoint("it is longer than " + strconv.Itoa(MaxNote) + " bytes")
	}
	lines := strings.SplitAfter(string(body), "\n")
	if len(lines) < 4 || lines[len(lines)-1] != "" {
		return Checkpoint{}, badCheckpoint("it needs three lines or more, each ended by a newline")
	}
	lines = lines[:len(lines)-1]
	c := Checkpoint{Origin: strings.TrimSuffix(lines[0], "\n")}
	if err := CheckOrigin(c.Origin); err != nil {
		return Checkpoint{}, badCheckpoint("the first line cannot name a log").Because(err)
	}
	size := strings.TrimSuffix(lines[1], "\n")
	n, err := strconv.ParseUint(size, 10, 64)
	if err != nil || format(n) != size || n > MaxTree {
		return Checkpoint{}, badCheckpoint("the second line is not a number of entries in plain digits")
	}
	c.Size = n
	root := strings.TrimSuffix(lines[2], "\n")
	raw, err := base64.StdEncoding.Strict().DecodeString(root)
	if err != nil || len(raw) != len(c.Root) || base64.StdEncoding.EncodeToString(raw) != root {
		return Checkpoint{}, badCheckpoint("the third line is not a hash of 32 bytes in base64")
	}
	c.Root = Hash(raw)
	if n == 0 && c.Root != EmptyRoot {
		return Checkpoint{}, badCheckpoint("it gives the empty tree another hash than SHA-256 of nothing")
	}
	for _, line := range lines[3:] {
		bad := func(r rune) bool { return r < 0x20 && r != '\n' }
		if line == "\n" || !utf8.ValidString(line) || strings.ContainsFunc(line, bad) {
			return Checkpoint{}, badCheckpoint("an extension line is empty or holds control characters")
		}
		c.Extensions += line
	}
	return c, nil
}

func badCheckpoint(what string) *refusal.Error {
	return refusal.Invalidf("CHECKPOINT_MALFORMED", "checkpoint",
		"The checkpoint cannot be read: %s. It is origin, size and root hash on a line each; fetch it again.", what).
		With("found", what)
}
