package assay

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"
	"slices"
	"strings"

	"barward/internal/refusal"
)

// commitPurpose begins every preimage, so that no commitment passes for a hash of another kind or version.
const commitPurpose = "barward exchange v1"

// Digest is 32 bytes: a commitment or a nonce. It is written in 64 hexadecimal digits.
type Digest [32]byte

// IsZero reports whether d is all zeros: not given.
func (d Digest) IsZero() bool { return d == Digest{} }

// String writes d in lower-case hexadecimal.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// MarshalText writes d in hexadecimal.
func (d Digest) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads 64 hexadecimal digits.
func (d *Digest) UnmarshalText(b []byte) error {
	decoded, err := hex.DecodeString(string(b))
	if err != nil || len(decoded) != len(d) {
		return refusal.Invalidf("DIGEST_MALFORMED", "", "%q is not a digest; give 64 hexadecimal digits", clip(string(b)))
	}
	copy(d[:], decoded)
	return nil
}

// Commit returns the commitment of one side to its results in one round: SHA-256 over the purpose, the lot, the side,
// the round, the results in the order of their symbols and as they are written ("812.30 ppt" and "812.3 ppt" differ),
// and the nonce. Each part is preceded by its length in four bytes, big-endian, so no two lists of parts have the same
// preimage; side and round are inside, so the other party cannot pass a copy off as its own, nor replay a round.
//
// The nonce must be 32 bytes from a cryptographic source: with a guessable one the few thousand likely finenesses can be
// tried out in an instant.
func Commit(lot string, side Side, round int, results []Result, nonce [32]byte) [32]byte {
	h := sha256.New()
	part(h, commitPurpose)
	part(h, lot)
	part(h, string(side))
	number(h, round)
	sorted := slices.Clone(results)
	slices.SortFunc(sorted, func(a, b Result) int { return strings.Compare(string(a.Element), string(b.Element)) })
	number(h, len(sorted))
	for _, r := range sorted {
		part(h, string(r.Element))
		part(h, r.Fineness.String())
	}
	part(h, string(nonce[:]))
	return [32]byte(h.Sum(nil))
}

func part(h hash.Hash, s string) {
	number(h, len(s))
	h.Write([]byte(s)) // a hash never fails to write
}

func number(h hash.Hash, n int) {
	h.Write(binary.BigEndian.AppendUint32(nil, uint32(n)))
}

// VerifyReveal refuses a reveal that is not what was committed (REVEAL_MISMATCH), and a nonce of zeros (NONCE_MISSING).
func VerifyReveal(commitment [32]byte, lot string, side Side, round int, results []Result, nonce [32]byte) error {
	if nonce == [32]byte{} {
		return refusal.Invalidf("NONCE_MISSING", "nonce", "the nonce is missing; reveal the 32 random bytes that were used to commit")
	}
	if Commit(lot, side, round, results, nonce) != commitment {
		return refusal.Invalidf("REVEAL_MISMATCH", "results", "the revealed results and nonce are not what the %s committed to in round %d; reveal them exactly as committed, to the last zero", clip(string(side)), round)
	}
	return nil
}
