package outbox

import (
	"time"

	"barward/internal/ledger/proof"
)

// Bounds of this package, together so that they can be reviewed at a glance.
const (
	// MaxWaiting is how many events may wait: years of a gold room without a link, or a history being brought in.
	MaxWaiting = 50_000
	// MaxPage is the most items in one page.
	MaxPage = 1000
	// MaxReceipt is the largest receipt in bytes.
	MaxReceipt = 64 << 10

	maxReason = 100     // bytes
	maxText   = 8 << 10 // bytes; a longer sentence from the other side is cut, so that the event is not held up by it
	maxAside  = 1000    // damaged files of one name, and damaged files in one listing

	// maxFile bounds what is read of one file: base64 makes four bytes of three, JSON at worst six of one.
	maxFile = (proof.MaxEvent+MaxReceipt)*4/3 + maxText*6 + 4096

	draftLife = 24 * time.Hour // a draft older than this belongs to no living process
)
