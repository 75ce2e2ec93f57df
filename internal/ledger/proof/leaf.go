package proof

import (
	"crypto/ed25519"
	"encoding/binary"
	"strconv"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"barward/internal/refusal"
)

// A Hash is a SHA-256 hash of a leaf, of a node or of a whole tree.
type Hash = tlog.Hash

// A Leaf is what the tree hashes: the signed event, and what the log adds to it. The framing is fixed and the same for
// ever, so that an auditor can rebuild it from an entry without a library of ours:
//
//	byte      what
//	0         1, the number of this framing
//	1..2      rules version, big-endian
//	3..10     recorded at, microseconds since 1970-01-01T00:00:00Z, big-endian
//	11..74    the author's signature
//	75..      the event
type Leaf struct {
	Rules      uint16    // the version of the rules by which the entry was judged, and is judged for ever
	RecordedAt time.Time // by the log's clock, whole microseconds, from 1970 to 9999
	Signed
}

const (
	leafFormat    = 1
	rulesStart    = 1
	recordedStart = rulesStart + 2
	signStart     = recordedStart + 8
	leafHead      = signStart + ed25519.SignatureSize
)

// Marshal returns the leaf's bytes. It refuses what ParseLeaf would refuse: LEAF_MALFORMED.
func (l Leaf) Marshal() ([]byte, error) {
	micros := l.RecordedAt.UnixMicro()
	switch {
	case len(l.Signature) != ed25519.SignatureSize:
		return nil, badLeaf("the signature has " + strconv.Itoa(len(l.Signature)) + " bytes, not 64")
	case len(l.Event) > MaxEvent:
		return nil, badLeaf("the event has " + strconv.Itoa(len(l.Event)) + " bytes, above " + strconv.Itoa(MaxEvent))
	case micros < 0 || micros > maxRecordedAt:
		return nil, badLeaf("the time is outside the years 1970 to 9999")
	case l.RecordedAt.Nanosecond()%1000 != 0:
		return nil, badLeaf("the time is finer than a microsecond")
	}
	b := make([]byte, leafHead, leafHead+len(l.Event))
	b[0] = leafFormat
	binary.BigEndian.PutUint16(b[rulesStart:], l.Rules)
	binary.BigEndian.PutUint64(b[recordedStart:], uint64(micros))
	copy(b[signStart:], l.Signature)
	return append(b, l.Event...), nil
}

// ParseLeaf reads the bytes of a leaf; the result shares them. It checks the framing only: Open checks the event.
//
// Reason: LEAF_MALFORMED.
func ParseLeaf(b []byte) (Leaf, error) {
	switch {
	case len(b) < leafHead:
		return Leaf{}, badLeaf("it has " + strconv.Itoa(len(b)) + " bytes, fewer than its head of " + strconv.Itoa(leafHead))
	case len(b) > leafHead+MaxEvent:
		return Leaf{}, badLeaf("it has " + strconv.Itoa(len(b)) + " bytes, above " + strconv.Itoa(leafHead+MaxEvent))
	case b[0] != leafFormat:
		return Leaf{}, badLeaf("its framing is number " + strconv.Itoa(int(b[0])) + "; this program reads number 1")
	}
	micros := binary.BigEndian.Uint64(b[recordedStart:])
	if micros > maxRecordedAt {
		return Leaf{}, badLeaf("its time is after the year 9999")
	}
	return Leaf{
		Rules:      binary.BigEndian.Uint16(b[rulesStart:]),
		RecordedAt: time.UnixMicro(int64(micros)).UTC(),
		Signed:     Signed{Event: b[leafHead:], Signature: b[signStart:leafHead:leafHead]},
	}, nil
}

// LeafHash returns the hash of a leaf's bytes: SHA-256(0x00, leaf), RFC 6962 section 2.1.
func LeafHash(leaf []byte) Hash { return tlog.RecordHash(leaf) }

func badLeaf(what string) *refusal.Error {
	return refusal.Invalidf("LEAF_MALFORMED", "leaf",
		"The entry cannot be read: %s. Fetch it again; if it stays so, the copy is damaged or comes from a newer program.", what).
		With("found", what)
}
