package book

import (
	"time"

	"barward/internal/ledger/proof"
)

// Bounds of what one event may hold and of what the book keeps, each in one place. Proto comments name them too.
const (
	MaxEvent = proof.MaxEvent // bytes of one serialised event

	maxName      = 200   // characters of a display name or reference
	maxText      = 2_000 // characters of a reason or remark
	maxCondition = 500   // characters of a condition
	maxDocument  = 256 << 10
	maxWorksheet = 64 << 10

	maxSites        = 50
	maxCheckPoints  = 20
	maxPrices       = 1_000
	maxPourBars     = 100
	maxBoxBars      = 20
	maxSeals        = 10
	maxBoxes        = 400
	maxLotBars      = 10_000
	maxLotCosts     = 100
	maxPackets      = 20
	maxPositions    = 40
	maxWeights      = 200 // weighings kept on one bar or box
	maxAssays       = 100 // reports kept on one bar or sample
	maxRoute        = 1_000
	keptChecks      = 100 // checks kept on a balance; the log has the rest
	maxPageSize     = 500
	defaultPageSize = 50
	maxScanned      = 20_000  // things looked at for one page of a filtered list
	maxMemo         = 1_000   // answers that are kept of one question, such as the terms that a text says
	maxSummed       = 200_000 // discrepancies added up for one summary
	maxFilter       = 500     // characters of a filter
	maxRemarks      = 20      // remarks kept of one entry
	maxLooked       = 200_000 // entries looked through for what hangs on the check of a balance
	maxNamed        = 20      // weighings named in the words of a failed check; its evidence has all
	maxBias         = 10_000  // differences of one bias report
	maxDoubted      = 1_000   // entries named as signed with a key in doubt; each is marked where it is read
	maxGranted      = 100     // consignments of one grant
	maxGrantYears   = 3
	maxGrants       = 200 // standing grants to one party of auditors
	maxCosigned     = 16 << 10
	fewHeld         = 12       // things of one event that are looked through one by one
	maxKept         = 64 << 20 // bytes, about, of things kept decoded

	clockSkew = 5 * time.Minute // how far an author's clock may be ahead of the ledger's
)
