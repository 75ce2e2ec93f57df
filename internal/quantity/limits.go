package quantity

// Bounds of everything that this package reads or computes. A value outside them is refused; none is ever cut.
const (
	maxText     = 40     // characters of one number as written
	maxDigits   = 30     // significant digits of one number as written
	maxPlaces   = 18     // digits after the point of one number as written
	maxRounding = 12     // places a Rounding may name
	maxWork     = 200    // digits of an exact intermediate result: far above any chain of products in this service
	maxExponent = 10_000 // of the decimal library's own range
)
