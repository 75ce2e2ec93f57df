package custody

// Bounds of everything that this package reads. A value outside them is refused; none is ever cut.
const (
	maxSeals   = 64      // seals on one box
	maxText    = 200     // characters of a party, seal, reference, place
	maxRemark  = 2_000   // characters of a condition note
	maxCount   = 100_000 // bars in one box, boxes in one consignment
	maxWaiting = 16      // steps that wait for the record that would make them fit
	maxRetired = 256     // seals remembered as taken off
	maxBoxes   = 10_000  // boxes of one consignment
	maxBars    = 100_000 // bars of one consignment, and scans of one arrival
)
