package weighing

import (
	"fmt"
	"time"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Class is an accuracy class of OIML R 76-1.
type Class string

const (
	ClassI    Class = "I"    // special
	ClassII   Class = "II"   // high
	ClassIII  Class = "III"  // medium
	ClassIIII Class = "IIII" // ordinary
)

// Balance is what a site registers of a weighing instrument. Every field but Adjusted is required.
type Balance struct {
	Class       Class         `json:"class"`
	Capacity    quantity.Mass `json:"capacity"`    // Max, the largest load
	Readability quantity.Mass `json:"readability"` // d, one division of the display
	Interval    quantity.Mass `json:"interval"`    // e, the verification scale interval, from the type plate
	// Repeatability is the agreed greatest spread of the readings of one load; equal to it is within.
	Repeatability quantity.Mass `json:"repeatability"`
	CheckEvery    int           `json:"check_every_days"` // a passing check is good for this many days
	Adjusted      Adjustment    `json:"adjusted,omitzero"`
}

// Adjustment is where and when a balance was last adjusted to a weight. A balance weighs force: carried to another
// elevation and not adjusted there, it errs by about 0.003 % for each 100 m (see GravityShift).
type Adjustment struct {
	On        string           `json:"on"`          // date, such as 2025-03-14
	Place     string           `json:"place"`       // such as a site's name
	Elevation quantity.Decimal `json:"elevation_m"` // metres
}

// allowed is a row of OIML R 76-1 table 3: a class, the verification intervals of the row in grams (high 0: no end), the
// numbers of intervals n = Max/e (most 0: no end), and the smallest load in intervals.
type allowed struct {
	class      Class
	low, high  string
	fewest     int64
	most       int64
	smallestIn int64
}

var classes = []allowed{
	{ClassI, "0.001", "", 50_000, 0, 100},
	{ClassII, "0.001", "0.05", 100, 100_000, 20},
	{ClassII, "0.1", "", 5_000, 100_000, 50},
	{ClassIII, "0.1", "2", 100, 10_000, 20},
	{ClassIII, "5", "", 500, 10_000, 20},
	{ClassIIII, "5", "", 100, 1_000, 10},
}

// row finds the row of table 3 for a class and an interval.
func (b Balance) row() (allowed, bool) {
	e := b.Interval.Grams()
	for _, r := range classes {
		if r.class == b.Class && !e.Less(quantity.MustDecimal(r.low)) &&
			(r.high == "" || !quantity.MustDecimal(r.high).Less(e)) {
			return r, true
		}
	}
	return allowed{}, false
}

// minimum is the smallest load of b in grams; b has passed Check.
func (b Balance) minimum() quantity.Decimal {
	r, _ := b.row()
	return b.Interval.Grams().Mul(quantity.NewDecimal(r.smallestIn))
}

// Check refuses a balance that is not wholly described, or that OIML R 76-1 does not allow: a verification interval
// outside its class, or a number of intervals n = Max/e that is too small or too large for it.
func (b Balance) Check() error {
	switch b.Class {
	case ClassI, ClassII, ClassIII, ClassIIII:
	default:
		return refusal.Invalidf("BALANCE_CLASS_UNKNOWN", "class",
			"%q is not an accuracy class of OIML R 76; state I, II, III or IIII from the type plate", string(b.Class)).With("class", string(b.Class))
	}
	for _, f := range []struct {
		name string
		m    quantity.Mass
	}{{"capacity", b.Capacity}, {"readability", b.Readability}, {"interval", b.Interval}, {"repeatability", b.Repeatability}} {
		if err := weighable(f.m); err != nil {
			return refusal.In(err, f.name)
		}
	}
	if b.CheckEvery < 1 || b.CheckEvery > maxCheckEvery {
		return refusal.Invalidf("BALANCE_CHECK_PERIOD", "check_every_days",
			"a check every %d days is outside 1 to %d; state for how many days a passing check is good", b.CheckEvery, maxCheckEvery).
			With("check_every_days", fmt.Sprint(b.CheckEvery))
	}
	if b.Readability.Cmp(b.Interval) > 0 {
		return refusal.Invalidf("BALANCE_READABILITY_ABOVE_INTERVAL", "readability",
			"a readability of %s is coarser than the verification interval of %s; on the type plate d is at most e", b.Readability, b.Interval).
			With("readability", b.Readability.String()).With("interval", b.Interval.String())
	}
	r, ok := b.row()
	if !ok {
		return refusal.Invalidf("BALANCE_INTERVAL_NOT_ALLOWED", "interval",
			"OIML R 76 allows no class %s balance with a verification interval of %s; class %s has %s", b.Class, b.Interval, b.Class, intervals(b.Class)).
			With("class", string(b.Class)).With("interval", b.Interval.String())
	}
	if err := b.intervalsOf(r); err != nil {
		return err
	}
	return b.Adjusted.check()
}

// intervalsOf refuses a number of intervals that row r does not allow. The comparison is of products, so it is exact
// where Max is no whole number of e.
func (b Balance) intervalsOf(r allowed) error {
	e, most := b.Interval.Grams(), b.Capacity.Grams()
	n, err := most.Quo(e, quantity.Rounding{Mode: quantity.Down})
	if err != nil {
		return err
	}
	reason, bound := "", int64(0)
	if most.Less(e.Mul(quantity.NewDecimal(r.fewest))) {
		reason, bound = "BALANCE_INTERVALS_TOO_FEW", r.fewest
	} else if r.most > 0 && e.Mul(quantity.NewDecimal(r.most)).Less(most) {
		reason, bound = "BALANCE_INTERVALS_TOO_MANY", r.most
	}
	if reason == "" {
		return nil
	}
	span := fmt.Sprintf("%d or more", r.fewest)
	if r.most > 0 {
		span = fmt.Sprintf("%d to %d", r.fewest, r.most)
	}
	return refusal.Invalidf(reason, "interval",
		"a capacity of %s in intervals of %s is n = %s, and OIML R 76 allows %s for class %s with this interval; copy class, Max and e from the type plate (e may be coarser than the display)",
		b.Capacity, b.Interval, n, span, b.Class).
		With("n", n.String()).With("allowed", fmt.Sprint(bound)).With("class", string(b.Class)).
		With("capacity", b.Capacity.String()).With("interval", b.Interval.String())
}

// intervals writes the verification intervals of a class.
func intervals(class Class) string {
	text := ""
	for _, r := range classes {
		if r.class != class {
			continue
		}
		if text != "" {
			text += ", or "
		}
		if r.high == "" {
			text += r.low + " g or more"
		} else {
			text += r.low + " to " + r.high + " g"
		}
	}
	return text
}

func (a Adjustment) check() error {
	if a.Place == "" && a.On == "" && a.Elevation.IsZero() {
		return nil
	}
	if _, err := time.Parse(time.DateOnly, a.On); err != nil {
		return refusal.Invalidf("DATE_MALFORMED", "adjusted.on", "%.40q is not a date; write it as 2025-03-14", a.On).With("on", a.On)
	}
	if a.Place == "" || len(a.Place) > maxText {
		return refusal.Invalidf("PLACE_MALFORMED", "adjusted.place",
			"the place of the last adjustment has %d characters; name it in 1 to %d", len(a.Place), maxText)
	}
	return refusal.In(checkElevation(a.Elevation), "adjusted.elevation_m")
}

// Warnings says what is unusual about a balance that Check accepts. The rules behind them, OIML R 76-1 clauses 3.4.2 and
// 4.2.2.1, are from memory, so they warn and do not refuse.
func (b Balance) Warnings() []Warning {
	var warnings []Warning
	ten := quantity.NewDecimal(10)
	if b.Readability.Grams().Mul(ten).Less(b.Interval.Grams()) {
		warnings = append(warnings, Warning{"interval_above_ten_divisions", fmt.Sprintf(
			"the verification interval %s is more than ten divisions of %s; check both on the type plate", b.Interval, b.Readability)})
	}
	if (b.Class == ClassIII || b.Class == ClassIIII) && b.Readability.Cmp(b.Interval) != 0 {
		warnings = append(warnings, Warning{"interval_differs_from_division", fmt.Sprintf(
			"a class %s balance usually has d = e; here d is %s and e is %s", b.Class, b.Readability, b.Interval)})
	}
	if !oneTwoFive(b.Readability.Value()) {
		warnings = append(warnings, Warning{"division_unusual", fmt.Sprintf(
			"a division of %s is not 1, 2 or 5 times a power of ten; check it on the display", b.Readability)})
	}
	if b.Repeatability.Cmp(b.Readability) < 0 {
		warnings = append(warnings, Warning{"repeatability_below_division", fmt.Sprintf(
			"a repeatability of %s is less than one division of %s, so only equal readings agree", b.Repeatability, b.Readability)})
	}
	if b.Adjusted.Place == "" {
		warnings = append(warnings, Warning{"adjustment_unknown",
			"the place and date of the last adjustment are not stated; a balance moved 1000 m in elevation may err by 0.03 %"})
	}
	return warnings
}

// oneTwoFive reports whether x is 1, 2 or 5 times a power of ten.
func oneTwoFive(x quantity.Decimal) bool {
	digits := 0
	for _, c := range x.String() {
		switch c {
		case '0', '.':
		case '1', '2', '5':
			digits++
		default:
			return false
		}
	}
	return digits == 1
}

// Occasion says which permitted error applies.
type Occasion string

const (
	AtVerification Occasion = "at_verification" // the errors of OIML R 76-1 table 6
	InService      Occasion = "in_service"      // twice those, OIML R 76-1 clause 3.5.2
)

// Check refuses what is neither; which of the two applies is never guessed.
func (o Occasion) Check() error {
	if o == AtVerification || o == InService {
		return nil
	}
	return refusal.Invalidf("OCCASION_UNKNOWN", "", "%.40q is not an occasion of a check; state in_service or at_verification", string(o)).
		With("occasion", string(o))
}

// bands are the upper ends, in intervals, of the loads with errors of 0.5 e and of 1 e; both ends belong to the lower
// band, and above them the error is 1.5 e (OIML R 76-1 table 6).
var bands = map[Class][2]int64{
	ClassI: {50_000, 200_000}, ClassII: {5_000, 20_000}, ClassIII: {500, 2_000}, ClassIIII: {50, 200},
}

// Permitted returns the largest error, in grams, that OIML R 76-1 permits b to show at a load.
func (b Balance) Permitted(load quantity.Mass, occasion Occasion) (quantity.Decimal, error) {
	if err := b.Check(); err != nil {
		return quantity.Decimal{}, refusal.In(err, "balance")
	}
	if err := b.bears(load); err != nil {
		return quantity.Decimal{}, refusal.In(err, "load")
	}
	if err := occasion.Check(); err != nil {
		return quantity.Decimal{}, refusal.In(err, "occasion")
	}
	return b.permitted(load, occasion), nil
}

// bears refuses a load that is not weighable or above the capacity.
func (b Balance) bears(load quantity.Mass) error {
	if err := weighable(load); err != nil {
		return err
	}
	if load.Cmp(b.Capacity) > 0 {
		return refusal.Invalidf("LOAD_ABOVE_CAPACITY", "",
			"a load of %s is above the capacity of %s; use a smaller one", load, b.Capacity).
			With("load", load.String()).With("capacity", b.Capacity.String())
	}
	return nil
}

// permitted is Permitted for a balance, a load and an occasion that were checked.
func (b Balance) permitted(load quantity.Mass, occasion Occasion) quantity.Decimal {
	e := b.Interval.Grams()
	tenths := int64(15)
	for i, upper := range bands[b.Class] {
		if !e.Mul(quantity.NewDecimal(upper)).Less(load.Grams()) {
			tenths = int64(5 * (i + 1))
			break
		}
	}
	if occasion == InService {
		tenths *= 2
	}
	return e.Mul(quantity.NewDecimal(tenths)).Shift(-1).Trim()
}
