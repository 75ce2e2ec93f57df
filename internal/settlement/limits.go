package settlement

import "barward/internal/quantity"

// Bounds of everything that this package reads or computes. A document outside them is refused; none is ever cut.
const (
	maxTermsBytes     = 1 << 20   // one agreement
	maxStatementBytes = 1 << 28   // one statement: 100 000 bars settled one by one
	maxTableBytes     = 1 << 26   // one return, price or holiday table
	maxPreviewBytes   = 1 << 27   // terms and figures together
	maxName           = 200       // bytes of an id, a name, a reference or a charge code
	maxMetals         = 12        // metals of one agreement
	maxBands          = 50        // payable bands of one metal
	maxCharges        = 100       // charges of one agreement; penalties likewise
	maxCalendars      = 8         // calendars of one date rule
	maxUnits          = 200_000   // bars or melts of one lot
	maxReceived       = 200_000   // bars of one lot, over all its melts
	maxAssays         = 100       // assay figures of one unit
	maxRefs           = 1_000     // ledger entries behind one figure
	maxSeries         = 64        // price series, rate series or calendars of one lot
	maxPoints         = 100_000   // days of one series or calendar
	maxEvents         = 200       // named dates of one lot
	maxCosts          = 10_000    // passed-on costs of one lot; advances likewise
	maxLines          = 2_000_000 // lines of one statement or return
	maxDays           = 3_660     // days of a lag, a claim window or a reporting period
	maxPeriod         = 260       // business days of one quotational period
	maxStep           = 400       // calendar days searched for a business day or for a published price
	firstYear         = 1900      // dates lie from here
	lastYear          = 2199      // to here
	maxReasons        = 20        // inputs named as the reason of one change
	maxNotes          = 100       // notes of one reconciliation
	maxFigurePlaces   = 12        // places of one figure of a lot or of one term
	maxWeightPlaces   = 6         // places of one weight, in its unit
	maxResultPlaces   = 15        // places of one figure of a statement
	maxDepth          = 40        // lines from a figure down to its entries; a settlement has about ten
)

// shownPlaces bounds the digits of an exact value that does not terminate, as it is shown beside the rounded one. It
// decides nothing: the rounded value is computed from the exact fraction.
const shownPlaces = 12

// shownLoss rounds the percentage of a melt loss for show.
var shownLoss = quantity.Rounding{Places: 6, Mode: quantity.HalfUp}

// mostFigure bounds one figure of a lot or of one term, whatever its unit.
var mostFigure = quantity.MustDecimal("1000000000000")

// mostWeight bounds one weight, in its unit; mostResult bounds one figure of a statement. With the places above they keep
// every figure that a statement prints within what a reader of decimals accepts.
var (
	mostWeight = quantity.NewDecimal(10_000_000)
	mostResult = quantity.NewDecimal(1_000_000_000_000_000)
)
