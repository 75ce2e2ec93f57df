package proof

// Bounds of everything that this package reads. What is beyond them is refused; nothing is ever cut.
const (
	// MaxEvent is the largest event in bytes. A pour of a hundred bars is about 30 kB, a year of daily prices about 15 kB.
	MaxEvent = 512 << 10

	// MaxNote is the largest signed checkpoint in bytes: room for more than the 16 signatures that a reader of signed
	// notes must accept, of the largest kind in use.
	MaxNote = 64 << 10

	// MaxTree is the largest tree in entries. A thousand events a second reach it after nine thousand years; the hashing
	// library loops for ever near 2^63, so a hostile size must be refused before it gets there.
	MaxTree = 1 << 48

	// MaxProof is the most hashes in one proof. A tree of MaxTree entries needs at most 49.
	MaxProof = 64

	// MaxOrigin is the longest name of a log in bytes.
	MaxOrigin = 255

	maxRecordedAt = 253402300799999999 // 9999-12-31T23:59:59.999999Z in microseconds since 1970, the last RFC 3339 year
)
