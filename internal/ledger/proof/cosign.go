package proof

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"barward/internal/refusal"
)

// A Cosignature is one line under a checkpoint by which somebody other than the log says: at this time I saw the log in
// this state, and it continued every state that I had seen of it before. It is C2SP tlog-cosignature, cosignature/v1
// with Ed25519: what is signed is
//
//	cosignature/v1
//	time 1772430000
//
// followed by the checkpoint's body, so that no cosignature can pass for the signature on an event or for the log's
// own. Whoever cosigns must have checked consistency first: a cosignature on an unseen checkpoint is worth nothing.
type Cosignature struct {
	Name string // the cosigner, without spaces or a plus, such as ottermere/ann; it goes into KeyID
	// KeyID is the start of SHA-256(name, 0x0A, 0x04, key): a hint which key to try, no proof of it.
	KeyID     uint32
	At        time.Time // by the cosigner's clock, whole seconds, UTC, after 1970 and before 10000
	Signature [ed25519.SignatureSize]byte
}

const (
	cosignAlgorithm = 0x04 // C2SP signed-note, signature type of cosignature/v1
	cosignMark      = "— "
	cosignLength    = 4 + 8 + ed25519.SignatureSize // key id, time, signature

	maxCosignTime = 253402300799 // 9999-12-31T23:59:59Z, the last year that RFC 3339 can write
)

// CosignKeyID returns the id of a cosigner's key: SHA-256(name, 0x0A, 0x04, key), first four bytes, big-endian.
func CosignKeyID(name string, key ed25519.PublicKey) uint32 {
	sum := sha256.Sum256(append(append([]byte(name), '\n', cosignAlgorithm), key...))
	return binary.BigEndian.Uint32(sum[:])
}

// Cosign signs the body of a checkpoint, as Marshal or SplitNote gives it, by the name and whole private key (64 bytes)
// of the cosigner. at is the time of signing and is cut to whole seconds.
//
// Reasons: CHECKPOINT_MALFORMED if body is none; COSIGNATURE_MALFORMED if no line could carry the name or the time.
func Cosign(body []byte, name string, key ed25519.PrivateKey, at time.Time) (Cosignature, error) {
	if _, err := ParseBody(body); err != nil {
		return Cosignature{}, err
	}
	seconds := at.Unix()
	switch {
	case CheckOrigin(name) != nil:
		return Cosignature{}, badCosignature("a cosigner's name has no spaces, control characters or plus sign")
	case seconds <= 0 || seconds > maxCosignTime:
		return Cosignature{}, badCosignature("its time is outside the years 1970 to 9999")
	}
	c := Cosignature{
		Name: name, KeyID: CosignKeyID(name, key.Public().(ed25519.PublicKey)), At: time.Unix(seconds, 0).UTC(),
	}
	copy(c.Signature[:], ed25519.Sign(key, cosigned(body, seconds)))
	return c, nil
}

// cosigned returns the bytes that a cosigner signs.
func cosigned(body []byte, seconds int64) []byte {
	return append([]byte("cosignature/v1\ntime "+strconv.FormatInt(seconds, 10)+"\n"), body...)
}

// Line returns the line as it stands under the checkpoint, with its newline.
func (c Cosignature) Line() string {
	raw := binary.BigEndian.AppendUint32(nil, c.KeyID)
	raw = binary.BigEndian.AppendUint64(raw, uint64(c.At.Unix()))
	raw = append(raw, c.Signature[:]...)
	return cosignMark + c.Name + " " + base64.StdEncoding.EncodeToString(raw) + "\n"
}

// ParseCosignature reads one line, with its newline, strictly: what it accepts, Line prints back to the same bytes. It
// checks no signature. A line of another kind, such as the log's own, has another length and is refused.
//
// Reason: COSIGNATURE_MALFORMED.
func ParseCosignature(line string) (Cosignature, error) {
	rest, marked := strings.CutPrefix(line, cosignMark)
	rest, ended := strings.CutSuffix(rest, "\n")
	name, encoded, spaced := strings.Cut(rest, " ")
	if !marked || !ended || !spaced || CheckOrigin(name) != nil {
		return Cosignature{}, badCosignature("it is not a dash, a name and a text in base64 on one line")
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(encoded)
	if err != nil || base64.StdEncoding.EncodeToString(raw) != encoded { // the decoder skips line breaks
		return Cosignature{}, badCosignature("its signature is not canonical base64")
	}
	if len(raw) != cosignLength {
		return Cosignature{}, badCosignature("its signature has " + strconv.Itoa(len(raw)) + " bytes, not " +
			strconv.Itoa(cosignLength))
	}
	seconds := binary.BigEndian.Uint64(raw[4:])
	if seconds == 0 || seconds > maxCosignTime {
		return Cosignature{}, badCosignature("its time is outside the years 1970 to 9999")
	}
	return Cosignature{
		Name: name, KeyID: binary.BigEndian.Uint32(raw), At: time.Unix(int64(seconds), 0).UTC(),
		Signature: [ed25519.SignatureSize]byte(raw[12:]),
	}, nil
}

// Verify checks that the holder of key signed this checkpoint body under this name at this time.
//
// Reasons: CHECKPOINT_MALFORMED, COSIGNATURE_INVALID.
func (c Cosignature) Verify(body []byte, key ed25519.PublicKey) error {
	if _, err := ParseBody(body); err != nil {
		return err
	}
	if len(key) != ed25519.PublicKeySize || c.KeyID != CosignKeyID(c.Name, key) ||
		!ed25519.Verify(key, cosigned(body, c.At.Unix()), c.Signature[:]) {
		return refusal.Invalidf("COSIGNATURE_INVALID", "checkpoint",
			"The cosignature of %s does not verify: it was given for another checkpoint or by another key, or was changed. "+
				"Do not count it.", refusal.Quote(c.Name)).With("name", c.Name)
	}
	return nil
}

// SplitNote reads a signed checkpoint into the body that its signatures cover and the signature lines, each with its
// newline. It checks the form only: the log's signature is OpenCheckpoint's to check, the others' Verify's.
//
// Reasons: CHECKPOINT_TOO_LARGE, CHECKPOINT_UNREADABLE, CHECKPOINT_MALFORMED.
func SplitNote(signed []byte) (body []byte, lines []string, err error) {
	if len(signed) > MaxNote {
		return nil, nil, refusal.Invalidf("CHECKPOINT_TOO_LARGE", "checkpoint",
			"The signed checkpoint has %d bytes; at most %d are allowed. Fetch it again.", len(signed), MaxNote).
			With("length", strconv.Itoa(len(signed))).With("allowed", strconv.Itoa(MaxNote))
	}
	// An unknown key's signature is still read for its form, so a reader without any key finds a note's faults.
	_, err = note.Open(signed, note.VerifierList())
	if _, form := err.(*note.UnverifiedNoteError); !form {
		return nil, nil, refusal.Invalidf("CHECKPOINT_UNREADABLE", "checkpoint",
			"This is not a signed checkpoint: text, an empty line, then signature lines, each ended by a newline. Fetch it "+
				"again.").
			Because(err)
	}
	at := bytes.LastIndex(signed, []byte("\n\n")) // note.Open found it
	body = bytes.Clone(signed[:at+1])
	if _, err := ParseBody(body); err != nil {
		return nil, nil, err
	}
	lines = strings.SplitAfter(string(signed[at+2:]), "\n")
	return body, lines[:len(lines)-1], nil
}

// AddCosignatures puts the lines of cs under a signed checkpoint, each once, behind what stands there. Each must be by
// the key that keys gives for it and for this checkpoint: one bad line would make careful readers refuse the note.
//
// Reasons: those of SplitNote and Verify; CHECKPOINT_TOO_LARGE if the note would become so.
func AddCosignatures(signed []byte, keys func(Cosignature) ed25519.PublicKey, cs ...Cosignature) ([]byte, error) {
	body, lines, err := SplitNote(signed)
	if err != nil {
		return nil, err
	}
	out := bytes.Clone(signed)
	have := map[string]bool{}
	for _, line := range lines {
		have[line] = true
	}
	for _, c := range cs {
		if err := c.Verify(body, keys(c)); err != nil {
			return nil, err
		}
		if line := c.Line(); !have[line] {
			have[line] = true
			out = append(out, line...)
		}
	}
	if _, _, err := SplitNote(out); err != nil {
		return nil, err
	}
	return out, nil
}

func badCosignature(what string) *refusal.Error {
	return refusal.Invalidf("COSIGNATURE_MALFORMED", "checkpoint",
		"The cosignature cannot be read: %s. It is one line under a checkpoint, cosignature/v1; ask its signer for it again.",
		what).With("found", what)
}
