package service

import "time"

// GarbagePercent is the GOGC that a server sets where its environment says none. What lives long in its memory is some tens
// of megabytes, so collecting more seldom takes little room and saves a tenth of the work.
const GarbagePercent = 400

// Bounds of the service, together so that they can be reviewed at a glance. What is beyond them is refused with a
// reason; nothing is ever cut short unseen. Bounds of an event itself stand in internal/ledger/proof and
// internal/book.
const (
	// maxRequest is the largest message that a caller may send, in bytes: the figures of a preview, 4 MiB as JSON, and
	// what wraps them. A signed event is far smaller and is bounded by proof.MaxEvent.
	maxRequest = 4<<20 + 64<<10
	// maxFigures is the largest document of figures for a preview, in bytes.
	maxFigures = 4 << 20
	// maxAdvice is the largest document of figures for an advice, in bytes.
	maxAdvice = 64 << 10
	// maxMeasured is the largest document of figures for a measurement, and maxSettings of the settings of a bias
	// report.
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
	// maxToken is the longest page token, maxFilter the longest filter, and maxName the longest name of a thing, in
	// bytes.
	maxToken  = 512
	maxFilter = 1024
	maxName   = 256

	// batchRead is how many entries are read in one view of the store; an open view makes the file grow, so views are
	// short.
	batchRead = 100
	// maxScan is how many entries one page may pass over before it ends early with the token of the next: entries that
	// are not the caller's, or not of the kind asked for.
	maxScan = 5000

	// streamWindow is how many events of one stream may wait for their answer: what a scanner types in an hour, and
	// enough to fill the ledger's batch.
	streamWindow = 64
	// maxStreams is how many calls one connection may have open.
	maxStreams = 256
	// maxRecording is how many RecordStreams are served at once, all callers together: with a full window of the
	// largest events each, they hold 1 GiB.
	maxRecording = 64
	// maxWatches is how many WatchEntries are served at once, all callers together.
	maxWatches = 256

	// defaultDeadline ends a call that brought no deadline, and maxDeadline one that brought a later one, counted from
	// its first byte: a request that trickles in is cut off too. Streams end with the token that opened them.
	defaultDeadline = 30 * time.Second
	maxDeadline     = 2 * time.Minute
	// retryDelay is what RetryInfo advises after an outcome unknown, a shutdown or a full disk, and shedDelay when the
	// ledger has more to do than it can.
	retryDelay = 2 * time.Second
	shedDelay  = 500 * time.Millisecond
	// healthEvery is how often the health service asks the ledger whether it still takes entries.
	healthEvery = time.Second

	// keepaliveIdle and keepaliveWait find connections whose other end has gone, or sends a frame a byte at a time: no
	// whole frame came for so long, nor an answer to a ping within the wait. keepaliveLeast is how often a client may
	// ask the same of us; one that asks oftener is sent away.
	keepaliveIdle  = 45 * time.Second
	keepaliveWait  = 20 * time.Second
	keepaliveLeast = 20 * time.Second
	// connectionIdle ends a connection on which no call is open, connectionAge one that is old, so that clients spread
	// anew and a certificate that was replaced goes out of use; what is under way on it has connectionGrace to finish.
	connectionIdle  = 15 * time.Minute
	connectionAge   = time.Hour
	connectionGrace = 5 * time.Minute

	// maxWaiting is how many events may wait for the ledger before a Record is refused at once with when to try again:
	// waiting longer helps nobody, and a caller who hears it early can go on with something else. Streams take at most
	// maxStreamed of these places, all together, and wait for one: a replay of history does not shut out a desk.
	maxWaiting  = 1024
	maxStreamed = 512
	// maxMeters is how many callers, and how many addresses, are told apart by their rate; beyond it strangers share
	// one.
	maxMeters = 8192
	// maxProven is how many proven tokens are kept, so that each is checked once.
	maxProven = 4096
	// askEvery is how long the registry's answer to who holds a key is believed while no event changes it.
	askEvery = time.Second
	// shedReport is how often the log says how much was refused early; each refusal a line would let a flood fill a
	// disk.
	shedReport = 10 * time.Second
	// countEvery is how often the discrepancies are counted for the metrics, at most.
	countEvery = time.Minute

	// maxShown is the longest message of a refusal on the wire, maxValue the longest value beside it, and maxValues how
	// many of these there are: together well under what a client takes as headers.
	maxShown  = 2000
	maxValue  = 300
	maxValues = 20
)

// Limits are the bounds that an operator may move to suit a site. Zero stands for the value in Standard, a negative
// number for no bound at all, which is for benchmarks.
type Limits struct {
	// CallerRate and AddressRate are calls a second, over a long time, from one key and from one network address,
	// which is a whole office behind one router; CallerBurst and AddressBurst how many at once after a rest. An IPv6
	// address counts as its /64 network. Beyond them calls are refused with RATE_EXCEEDED and when to try again. What
	// comes within a stream is held back by its window and not counted.
	CallerRate, AddressRate   float64
	CallerBurst, AddressBurst int
	// CallerCalls and CallerStreams are how many unary calls and streams of one key may be open at once.
	CallerCalls, CallerStreams int
	// Connections and AddressConnections are how many connections may be open, all together and from one address.
	Connections, AddressConnections int
	// Handshake is how long a connection may take from its first byte to the end of the TLS and HTTP/2 handshakes.
	Handshake time.Duration
}

// Standard is what a Limits leaves out. A desk makes a few calls a second and a scanner some tens; a site's machine of
// two cores answers some thousands.
var Standard = Limits{
	CallerRate: 1000, CallerBurst: 2000,
	AddressRate: 4000, AddressBurst: 8000,
	CallerCalls: 128, CallerStreams: 16,
	Connections: 2000, AddressConnections: 500,
	Handshake: 10 * time.Second,
}

// Unlimited has no bound on rate and number, for benchmarks; sizes stay bounded.
var Unlimited = Limits{
	CallerRate: -1, CallerBurst: -1, AddressRate: -1, AddressBurst: -1, CallerCalls: -1, CallerStreams: -1,
	Connections: -1, AddressConnections: -1,
}

// filled returns l with what it leaves out.
func (l Limits) filled() Limits {
	fill(&l.CallerRate, Standard.CallerRate)
	fill(&l.CallerBurst, Standard.CallerBurst)
	fill(&l.AddressRate, Standard.AddressRate)
	fill(&l.AddressBurst, Standard.AddressBurst)
	fill(&l.CallerCalls, Standard.CallerCalls)
	fill(&l.CallerStreams, Standard.CallerStreams)
	fill(&l.Connections, Standard.Connections)
	fill(&l.AddressConnections, Standard.AddressConnections)
	fill(&l.Handshake, Standard.Handshake)
	return l
}

func fill[T comparable](value *T, standard T) {
	var zero T
	if *value == zero {
		*value = standard
	}
}
