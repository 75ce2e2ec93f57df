// Package proof holds what anyone needs to check the log without trusting its keeper: the signed envelope of an event,
// the framing of an entry, signed checkpoints, and proofs that an entry is in the tree and that the tree only grew.
//
// It opens no file and no connection, and it never learns what an event means, so clients, auditors and the service
// share it. What it promises:
//
//  1. A signature covers its purpose and the bytes as sent. Nothing is ever encoded again, because protobuf output is
//     not canonical between versions or builds.
//  2. No two readers can disagree about who signed and under which id: both stand at fixed places at the start of the
//     bytes, and a second occurrence, which other readers would let win, is refused.
//  3. Whatever parses prints back to the same bytes.
//  4. Every refusal is a *refusal.Error; no input makes the package panic or allocate beyond limits.go.
//
// Sources: RFC 6962 section 2.1 (tree), RFC 8032 (Ed25519), RFC 9562 section 5.7 (UUIDv7), C2SP signed-note and
// tlog-checkpoint, C2SP tlog-cosignature (cosign.go). OpenCheckpoint ignores the signatures of others than the log.
package proof

import (
	"crypto/ed25519"
	"strconv"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protowire"

	"barward/internal/refusal"
)

// Purpose starts what an author signs, so that no signature given for another purpose can pass for one on an event.
const Purpose = "barward event v1\n"

// Signed is an event as it travels, is stored and is hashed: the bytes its author signed, and the signature.
type Signed struct {
	Event     []byte // a serialised event, at most MaxEvent bytes
	Signature []byte // Ed25519 over Purpose and Event, 64 bytes
}

// Envelope is what the log itself knows about an event.
type Envelope struct {
	ID     uuid.UUID         // chosen by the author, UUIDv7; one id serves the retry of an honest client once
	Author ed25519.PublicKey // 32 bytes
}

// The envelope is a fixed prefix of every event: field 1, a string of 36 bytes, then field 2, 32 bytes. The tag and
// length bytes are compared as they stand: protobuf would also read longer spellings of the same numbers.
const (
	idTag, idLength         = 0x0a, 36 // field 1, length-delimited
	authorTag, authorLength = 0x12, ed25519.PublicKeySize

	idStart     = 2
	authorStart = idStart + idLength + 2
	prefixEnd   = authorStart + authorLength
)

// Sign signs event with the author's key, which must be a whole private key (64 bytes). It does not look at the event:
// Open does.
func Sign(key ed25519.PrivateKey, event []byte) Signed {
	return Signed{Event: event, Signature: ed25519.Sign(key, preimage(event))}
}

func preimage(event []byte) []byte {
	p := make([]byte, 0, len(Purpose)+len(event))
	return append(append(p, Purpose...), event...)
}

// Open checks s as the log does before it takes it, and as every reader should after: size, envelope, signature. It costs
// one signature check (about 60 microseconds) and is safe to run on many at once.
//
// Reasons: those of ReadEnvelope, and SIGNATURE_INVALID. Whether the key belongs to anyone is not asked here.
func Open(s Signed) (Envelope, error) {
	e, err := ReadEnvelope(s.Event)
	if err != nil {
		return Envelope{}, err
	}
	if len(s.Signature) != ed25519.SignatureSize {
		return Envelope{}, refusal.Invalidf("SIGNATURE_INVALID", "signature",
			"The signature has %d bytes; an Ed25519 signature has %d. Sign the event again.",
			len(s.Signature), ed25519.SignatureSize).
			With("length", strconv.Itoa(len(s.Signature))).With("allowed", strconv.Itoa(ed25519.SignatureSize))
	}
	if !ed25519.Verify(e.Author, preimage(s.Event), s.Signature) {
		return Envelope{}, refusal.Invalidf("SIGNATURE_INVALID", "signature",
			"The signature on event %s does not verify with the author key that the event names. "+
				"Either the bytes changed after signing or another key signed them: sign the bytes that are sent, "+
				"with the purpose line before them.", e.ID).With("event_id", e.ID.String())
	}
	return e, nil
}

// ReadEnvelope reads id and author from the start of event and checks that nothing later in it could be taken for
// either. It checks no signature. The author's key is copied.
//
// Reasons: EVENT_TOO_LARGE, EVENT_MALFORMED, EVENT_ID_MALFORMED, AUTHOR_KEY_MALFORMED; the first that applies in the
// order of size, first field, second field, rest.
func ReadEnvelope(event []byte) (Envelope, error) {
	if len(event) > MaxEvent {
		return Envelope{}, refusal.Invalidf("EVENT_TOO_LARGE", "event",
			"The event has %d bytes; at most %d are allowed. Split it into several events.", len(event), MaxEvent).
			With("length", strconv.Itoa(len(event))).With("allowed", strconv.Itoa(MaxEvent))
	}
	if len(event) < idStart || event[0] != idTag {
		return Envelope{}, malformed("it does not begin with field 1, the event id")
	}
	if event[1] != idLength || len(event) < idStart+idLength {
		return Envelope{}, badID("field 1 is not a text of 36 characters")
	}
	text := string(event[idStart : idStart+idLength])
	id, err := uuid.Parse(text)
	switch {
	case err != nil:
		return Envelope{}, badID("field 1 is not a UUID")
	case id.String() != text:
		return Envelope{}, badID("the id is not in lower case with hyphens")
	case id.Version() != 7 || id.Variant() != uuid.RFC4122:
		return Envelope{}, badID("the id is a UUID of another version").With("event_id", text)
	}
	if len(event) < authorStart || event[authorStart-2] != authorTag {
		return Envelope{}, malformed("field 2, the author key, does not follow the event id")
	}
	if event[authorStart-1] != authorLength || len(event) < prefixEnd {
		return Envelope{}, refusal.Invalidf("AUTHOR_KEY_MALFORMED", "author_key",
			"The author key is not %d bytes long; it is the author's Ed25519 public key. Put the 32 bytes of the key there.",
			authorLength).With("allowed", strconv.Itoa(authorLength))
	}
	if err := checkRest(event[prefixEnd:]); err != nil {
		return Envelope{}, err
	}
	return Envelope{ID: id, Author: append(ed25519.PublicKey(nil), event[authorStart:prefixEnd]...)}, nil
}

// checkRest walks the fields after the envelope. Protobuf lets the last occurrence of a field win, so a second id or
// author would be signed by one key and read as another's.
func checkRest(rest []byte) error {
	for len(rest) > 0 {
		number, kind, tagLength := protowire.ConsumeTag(rest)
		if tagLength < 0 {
			return malformed("a field's tag cannot be read")
		}
		if number == 1 || number == 2 {
			return malformed("field " + strconv.Itoa(int(number)) + " occurs a second time")
		}
		if kind == protowire.StartGroupType || kind == protowire.EndGroupType {
			return malformed("it holds a group, which no event has")
		}
		valueLength := protowire.ConsumeFieldValue(number, kind, rest[tagLength:])
		if valueLength < 0 {
			return malformed("field " + strconv.Itoa(int(number)) + " is cut or cannot be read")
		}
		rest = rest[tagLength+valueLength:]
	}
	return nil
}

func malformed(what string) *refusal.Error {
	return refusal.Invalidf("EVENT_MALFORMED", "event",
		"The event cannot be read: %s. An event is a protobuf message that begins with event_id, then author_key, each once; "+
			"serialise it with its fields in order.", what).With("found", what)
}

func badID(what string) *refusal.Error {
	return refusal.Invalidf("EVENT_ID_MALFORMED", "event_id",
		"The event id is not usable: %s. It must be a UUIDv7 in lower case with hyphens; make a new one.", what).
		With("found", what)
}
