package main

// Bounds of everything that this command reads and shows; those of the link are the station's.
const (
	maxPassphraseFile = 4 << 10 // bytes
	maxLine           = 4 << 10 // characters of one line typed or scanned
	maxRows           = 100_000 // rows of a CSV file
	maxSorted         = 20_000  // discrepancies sorted at once
	maxRaised         = 50      // discrepancies shown under one bar or lot
	maxSources        = 50      // entries shown behind one figure
	maxFact           = 80      // characters of one text of an entry in one line
	maxFacts          = 20      // items of one list of an entry in one line
)
