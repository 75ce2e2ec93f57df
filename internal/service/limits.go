package service

import "time"

// Bounds of the service, together so that they can be reviewed at a glance. What is beyond them is refused with a reason;
// nothing is ever cut short unseen. Bounds of an event itself stand in internal/ledger/proof and internal/book.
const (
	// maxRequest is the largest message that a caller may send, in bytes: the figures of a preview, 4 MiB as JSON, and
	// what wraps them. A signed event is far smaller and is bounded by proof.MaxEvent.
	maxRequest = 4<<20 + 64<<10
	// maxFigures is the largest document of figures for a preview, in bytes.
	maxFigures = 4 << 20
	// maxAdvice is the largest document of figures for an advice, in bytes.
	maxAdvice = 64 << 10
	// maxMeasured is the largest document of figures for a measurement, and maxSettings of the settings of a bias report.
	maxMeasured = 1 << 20
	maxSettings = 16 << 10
	// maxReturn is the largest document of a refinery's return, in bytes.
	maxReturn = 256 << 10
	// maxResponse is the largest message that we send, in bytes; clients of gRPC refuse more than 4 MiB unless told.
	maxResponse = 4 << 20
	// maxPageBytes ends a page early, whatever its page size: one more entry, at most proof.MaxEvent three times (leaf,
	// signed event, reading), still fits under maxResponse.
	maxPageBytes = 3 << 20
	// maxMetadata is the most bytes of headers on one call; a token has at most 2 KiB.
	maxMetadata = 16 << 10

	// defaultPage is the page for which page_size 0 stands, and maxPage the largest.
	defaultPage = 50
	maxPage     = 500
	// maxToken is the longest page token, maxFilter the longest filter, and maxName the longest name of a thing, in bytes.
	maxToken  = 512
	maxFilter = 1024
	maxName   = 256

	// batchRead is how many entries are read in one view of the store; an open view makes the file grow, so views are short.
	batchRead = 100
	// maxScan is how many entries one page may pass over before it ends early with the token of the next: entries that
	// are not the caller's, or not of the kind asked for.
	maxScan = 5000

	// streamWindow is how many events of one stream may wait for their answer: what a scanner types in an hour, and
	// enough to fill the ledger's batch.
	streamWindow = 64
	// maxStreams is how many calls one connection may have open.
	maxStreams = 256
	// maxRecording is how many RecordStreams are served at once, all callers together: with a full window of the largest
	// events each, they hold 1 GiB.
	maxRecording = 64
	// maxWatches is how many WatchEntries are served at once, all callers together.
	maxWatches = 256

	// defaultDeadline ends a call that brought no deadline, and maxDeadline one that brought a later one. Streams may
	// last as long as their caller likes.
	defaultDeadline = 30 * time.Second
	maxDeadline     = 2 * time.Minute
	// retryDelay is what RetryInfo advises after an outcome unknown, a shutdown or a full disk.
	retryDelay = 2 * time.Second
	// healthEvery is how often the health service asks the ledger whether it still takes entries.
	healthEvery = time.Second

	// keepaliveIdle and keepaliveWait find connections whose other end has gone; keepaliveLeast is how often a client may
	// ask the same of us.
	keepaliveIdle  = 2 * time.Minute
	keepaliveWait  = 20 * time.Second
	keepaliveLeast = 20 * time.Second

	// maxShown is the longest message of a refusal on the wire, maxValue the longest value beside it, and maxValues how
	// many of these there are: together well under what a client takes as headers.
	maxShown  = 2000
	maxValue  = 300
	maxValues = 20
)
