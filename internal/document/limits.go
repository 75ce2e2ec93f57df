package document

// Bounds of a paper. What lies beyond is refused before or while it is laid out, never cut.
const (
	maxPages   = 500    // pages of one paper
	maxRows    = 10_000 // rows of all tables of one paper; a lot has at most as many bars
	maxText    = 4_000  // characters of one value; an event's longest text has 2 000
	maxName    = 400    // characters of a name that stands in a page's head or foot
	maxOrigin  = 200    // characters of a ledger's name
	maxLabels  = 1_000  // labels of one print
	maxEntries = 1_000  // ledger entries one paper names
	maxNames   = 10_000 // display names given along
)
