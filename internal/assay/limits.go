package assay

// Bounds of everything that this package reads or computes. A value outside them is refused; none is ever cut.
const (
	maxResults      = 40      // elements in one report
	maxElements     = 10      // elements that one agreement exchanges
	maxBands        = 20      // bands of splitting limits, over all base metals
	maxRounds       = 5       // exchanges of one lot before the umpire
	maxDays         = 365     // days that a term may allow
	maxPanel        = 20      // umpire laboratories of one agreement
	maxName         = 120     // characters of a laboratory, method, position or reference
	maxSteps        = 400     // steps of one exchange
	maxReplicates   = 4       // results that the acceptance procedure takes
	maxPortions     = 24      // portions, proofs or positions of one worksheet
	maxSeries       = 100_000 // values of a statistical series
	maxLots         = 10_000  // lots of one bias report
	maxLaboratories = 200     // laboratories of one round robin
	maxJSON         = 1 << 20 // bytes of one worksheet, terms or advice file
)
