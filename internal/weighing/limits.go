package weighing

// Bounds of everything that this package reads. A value outside them is refused; none is ever cut.
const (
	minReadings   = 2           // readings of one weighing: one alone shows no disagreement
	maxReadings   = 50          // readings of one weighing
	maxPoints     = 50          // loads of one balance check
	maxWeights    = 20          // weights put on together at one load
	maxCheckEvery = 3660        // days between checks of a balance
	maxText       = 200         // characters of a name or place
	maxPairs      = 10_000      // bars of one consignment total
	maxInputs     = 50          // inputs of one uncertainty budget
	maxPreview    = 1 << 20     // bytes of one JSON input
	maxLoad       = 100_000_000 // g of one mass: a hundred tonnes

	minElevation, maxElevation     = -1000, 9000     // metres: the lowest layer of the standard atmosphere, with room
	minPressure, maxPressure       = 30_000, 115_000 // Pa
	minTemperature, maxTemperature = -30, 60         // °C
	minAir, maxAir                 = "0.3", "1.6"    // kg/m³
	minBarDensity, maxBarDensity   = "4000", "22650" // kg/m³: above osmium nothing exists
)

// Places of what is entered, chosen so that every exact result (a limit is mass × relative / 1000) has at most the 18
// places and 30 digits that quantity reads back.
const (
	maxMassPlaces     = 11 // of a mass in grams: four of a troy ounce and the seven of its size
	maxRelativePlaces = 4  // of a relative limit or a melt loss, parts per thousand
)

// Places to which physical estimates are rounded, half to even. They inform; no weight is ever made from them.
const (
	airPlaces      = 6 // kg/m³
	densityPlaces  = 1 // kg/m³
	buoyancyPlaces = 4 // g
	spreadPlaces   = 6 // standard and expanded uncertainties, in the unit of the result
	sharePlaces    = 2 // % of the variance
	permillePlaces = 4 // melt loss
)
