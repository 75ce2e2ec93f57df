package main

import "time"

// Bounds of everything that this command reads.
const (
	maxInput          = 32 << 20 // bytes of a file of terms, figures, prices or rows
	maxPassphraseFile = 4 << 10  // bytes
	maxAnswer         = 16 << 20 // bytes of one answer of the service
	maxLine           = 4 << 10  // characters of one line typed or scanned
	maxRows           = 100_000  // rows of a CSV file
	maxSorted         = 20_000   // discrepancies sorted at once
	maxPage           = 500      // things asked for at a time
	maxRaised         = 50       // discrepancies shown under one bar or lot
	maxSources        = 50       // entries shown behind one figure
	maxFact           = 80       // characters of one text of an entry in one line
	maxFacts          = 20       // items of one list of an entry in one line
	window            = 64       // events on the way in a stream before the next waits
	tokenLife         = 2 * time.Minute
)
