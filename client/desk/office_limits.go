package desk

import "time"

// Bounds of the commercial office, the trace and their papers.
const (
	maxStatements = 20        // statements of one lot shown, the latest
	maxShownBars  = 200       // bars or differences shown on one page; the exports have them all
	maxSources    = 50        // entries shown and proven on one page behind a figure
	maxRaised     = 100       // discrepancies of one lot and its metal shown; the register has them all
	maxProven     = 200       // entries proven for one trace
	askers        = 4         // entries asked for at a time
	maxFacts      = 400       // fields shown of one entry
	maxFactText   = 600       // bytes of one of them; a longer text is a document, which is kept in the entry
	maxLinesShown = 200       // lines of a statement on one page
	maxSorted     = 20_000    // discrepancies sorted at once
	maxExport     = 20_000    // rows of an export
	maxPaperBars  = 2000      // bars of one printed list
	maxReturn     = 256 << 10 // bytes of a refinery's return, as the service takes

	packPatience = 10 * time.Minute // an evidence pack of a large lot is thousands of entries
)
