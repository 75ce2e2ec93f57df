package station

import "time"

// Bounds of everything that a station reads and waits for.
const (
	// MaxInput is the most bytes that are read of one file of figures, terms or rows.
	MaxInput = 32 << 20
	// MaxPage is the most things asked for at a time.
	MaxPage = 500

	maxAnswer    = 16 << 20 // bytes of one answer of the service
	maxEvidence  = 1000     // alarms kept in one home
	maxSealed    = 1000     // sealed results looked through at a time
	maxCosigners = 1000     // parties whose cosignatures are read
	window       = 64       // events on the way in a stream before the next waits
	tokenLife    = 2 * time.Minute
	openings     = 3 // connections tried for one stream before the link counts as down

	// defaultTimeout is the longest wait for one answer where Config names none.
	defaultTimeout = 30 * time.Second
	// After an outage the next attempt to connect comes after this long at most, however long the outage was: a person
	// stands at the balance. gRPC's own bound is two minutes.
	longestBackoff  = 5 * time.Second
	firstBackoff    = 250 * time.Millisecond
	longestGreeting = 10 * time.Second // for TCP, TLS and HTTP/2 together
	// A link whose other end went without a word is found out by asking it after quiet, while an answer is waited for; the
	// service allows that every 20 s. Else TCP alone would need a quarter of an hour to give it up.
	quiet        = 25 * time.Second
	answerToPing = 10 * time.Second
)
